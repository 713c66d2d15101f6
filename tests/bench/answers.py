"""What a shop waits for while a reading is explained, a sensor identified, or its curve fitted."""

from __future__ import annotations

import numpy as np
from figures import Group, figure, timed

from probeledger import curves
from probeledger.judging import effect, weighing
from probeledger.judging.effect import Point
from probeledger.sensors import description, fitting, identify

_RUNS = 21
_POINTS = 20_000
# Invented, but for the thermistor's coefficients, which are those of docs/curves.md.
_FILES = {
    "ntc-beta": "reference_ohms = 10000\nbeta_kelvin = 3977\nlow_celsius = 0\nhigh_celsius = 300",
    "steinhart-hart": ("a = 1.129241e-3\nb = 2.341077e-4\nc = 8.775468e-8\nlow_celsius = 0\nhigh_celsius = 150"),
    "table": "rows = [[0, 32650.8], [25, 10000], [50, 3601], [70, 1751.6], [100, 678.4]]",
    "polynomial": "coefficients = [1000, 7.9, 0.019]\nreference_celsius = 25\nlow_celsius = -40\nhigh_celsius = 125",
}


def measure() -> list[Group]:
    """Time the answers, and the conversion of arrays by curve files."""
    of = curves.curve("pt1000-3850")
    candidates = [curves.curve(name) for name in curves.BUILT_IN]
    room = Point(of.ohms(22.0), 0.3, 22.0, 0.5)
    three = [Point(of.ohms(t) + 0.1, 0.3, t, 0.5) for t in (0.0, 100.0, 200.0)]
    two = [Point(of.ohms(t) + 12.0, 0.3, t, 0.5) for t in (22.0, 0.0)]

    def explain() -> None:
        found = effect.hypotheses(of, two, curves.others(of))
        weighed = weighing.weigh(of, found, two)
        weighing.mix(of, weighed, two, effect.effects(of, weighed, room_celsius=22.0), 22.0)

    ways = (
        ("identify, five curves, one point", lambda: identify.identify([room], candidates)),
        ("identify, with pairs of further points", lambda: identify.identify([room], candidates, 0.01)),
        ("fit r0-a-b to three points", lambda: fitting.fit("r0-a-b", three, of)),
        ("effect at six settings, two points weighed", explain),
    )
    figures = []
    for name, action in ways:
        action()
        figures.append(figure(name, [timed(action) * 1e3 for _ in range(_RUNS)], "ms"))
    for kind, keys in _FILES.items():
        text = f'name = "bench"\nkind = "{kind}"\n{keys}\n'
        own = description.from_text(text)
        wanted = np.random.default_rng(20261125).uniform(own.low_celsius, own.high_celsius, _POINTS)
        given = own.ohms_array(wanted)
        times = [timed(lambda own=own, given=given: own.celsius_array(given)) for _ in range(_RUNS)]
        figures.append(
            figure(f"curve file {kind}, resistance to temperature", [1e9 * s / _POINTS for s in times], "ns/point")
        )
    return [
        Group(
            "Answers about a sensor",
            f"In one process, without its start. Curve files convert {_POINTS:,} resistances in one call.",
            figures,
        )
    ]
