"""The loop closed: a sensor's fault in, the cavity's temperature out, and `effect` had said so from a cold reading.

The model oven's control switches where the faulty circuit shows the nominal resistance of its thresholds; that is
solved by scipy.optimize.brentq here. Source of the curve: IEC 60751:2022.
"""

import pytest
from bake_ovens import Oven, run
from scipy.optimize import brentq

from probeledger import curves
from probeledger.baking import logfile, outcome
from probeledger.judging import effect

NOMINAL = curves.curve("pt1000-3850")
OTHER = curves.curve("pt1000-3750")
CIRCUITS = {
    "none": lambda celsius: NOMINAL.ohms(celsius),
    "series-resistance": lambda celsius: NOMINAL.ohms(celsius) + 12.0,
    "shunt": lambda celsius: 1.0 / (1.0 / NOMINAL.ohms(celsius) + 1.0 / 90_000.0),
    "scaled-element": lambda celsius: NOMINAL.ohms(celsius) * 1.012,
    "other-curve": lambda celsius: OTHER.ohms(celsius),
}
ROOM_CELSIUS = 22.0


def baked(circuit, set_celsius):
    """Return the analysis of an oven whose control sees the cavity through a circuit."""
    low, high = (
        brentq(lambda t, at=at: circuit(t) - NOMINAL.ohms(at), 0.0, 400.0, xtol=1e-9)
        for at in (set_celsius - 5.0, set_celsius + 5.0)
    )
    course = run(Oven(1800.0, 520.0, low, high, ROOM_CELSIUS), 9000.0)
    return outcome.analyse(logfile.from_arrays(course.seconds, course.celsius), set_celsius)


@pytest.mark.parametrize("set_celsius", [120.0, 175.0, 230.0])
@pytest.mark.parametrize("kind", [kind for kind in CIRCUITS if kind != "none"])
def test_the_oven_does_what_effect_said(kind, set_celsius):
    circuit = CIRCUITS[kind]
    cold = effect.Point(circuit(ROOM_CELSIUS), 1e-4, ROOM_CELSIUS, 1e-4)
    found = effect.hypotheses(NOMINAL, [cold], curves.others(NOMINAL))
    if kind == "other-curve":
        (hypothesis,) = [each for each in found if each.other_curve is not None and each.other_curve.name == OTHER.name]
    else:
        (hypothesis,) = [each for each in found if each.kind == kind]
    foretold = effect.shift(NOMINAL, hypothesis, set_celsius)
    assert abs(foretold) > 1.0
    sound, faulty = baked(CIRCUITS["none"], set_celsius), baked(circuit, set_celsius)
    assert sound.steady and faulty.steady
    assert faulty.offset_celsius - sound.offset_celsius == pytest.approx(foretold, abs=0.1)
