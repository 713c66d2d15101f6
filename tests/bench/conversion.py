"""Resistances to temperatures, many at once, against other ways to do it."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from figures import AT_LEAST, AT_MOST, Group, figure, timed
from numpy.typing import NDArray
from rtd_sensor import pt1000
from scipy.optimize import brentq

from probeledger import curves

_POINTS = 200_000
# So many points of the slow ways are enough for their time per point.
_SLOW_POINTS = 2_000
_RUNS = 21
# Calls of the array conversion in a turn: it then takes about as long as the slow ways take for theirs.
_CALLS = 10
# Steps of the table for interpolation [degC]: 105,001 rows.
_TABLE_STEP_CELSIUS = 0.01
_BOUNDARIES_CELSIUS = (-200.0, 850.0)
_OVEN_CELSIUS = (0.0, 300.0)


def _points(low_celsius: float, high_celsius: float, in_order: bool) -> NDArray[np.float64]:
    drawn = np.random.default_rng(20261125).uniform(low_celsius, high_celsius, _POINTS)
    if in_order:
        drawn.sort()
    return drawn


def _in_turns(*ways: tuple[Callable[[], object], int]) -> list[list[float]]:
    """Return the time per point [ns] of each way, given with its number of points; the ways take turns.

    A computer whose speed changes while they run then meets all of them alike.
    """
    for action, _ in ways:
        action()
    rounds = [[timed(action) / points * 1e9 for action, points in ways] for _ in range(_RUNS)]
    return [list(column) for column in zip(*rounds, strict=True)]


def _ratios(these: list[float], those: list[float]) -> list[float]:
    """Return the ratio in each round."""
    return [one / other for one, other in zip(these, those, strict=True)]


def measure() -> list[Group]:
    """Time the conversion of arrays and of single points."""
    of = curves.curve("pt1000-3850")
    rows = round((_BOUNDARIES_CELSIUS[1] - _BOUNDARIES_CELSIUS[0]) / _TABLE_STEP_CELSIUS) + 1
    table_celsius = np.linspace(*_BOUNDARIES_CELSIUS, rows)
    table_ohms = curves.ohms_array(of, table_celsius)

    celsius = _points(*_BOUNDARIES_CELSIUS, in_order=False)
    ohms = curves.ohms_array(of, celsius)
    error = float(np.abs(curves.celsius_array(of, ohms) - celsius).max())

    few = ohms[:_SLOW_POINTS].tolist()
    low, high = _BOUNDARIES_CELSIUS

    def by_brentq() -> list[float]:
        return [brentq(lambda t, value=value: of.ohms(t) - value, low, high, xtol=1e-9) for value in few]

    def by_library() -> list[float]:
        return [pt1000.resistance_to_celsius(value) for value in few]

    for other in (by_brentq, by_library):
        worst = float(np.abs(np.array(other()) - celsius[:_SLOW_POINTS]).max())
        if worst > 1e-5:
            raise RuntimeError(f"{other.__name__} is {worst:g} degrees off: it solves another equation")

    def by_array() -> None:
        for _ in range(_CALLS):
            curves.celsius_array(of, ohms)

    by_array_ns, library_ns, brentq_ns = _in_turns(
        (by_array, _CALLS * _POINTS), (by_library, _SLOW_POINTS), (by_brentq, _SLOW_POINTS)
    )
    figures = [
        figure("array, whole range, drawn order", by_array_ns, "ns/point"),
        figure("largest error of the array conversion", error, "°C"),
        figure("rtd-sensor, per point", library_ns, "ns/point"),
        figure("rtd-sensor against the array", _ratios(library_ns, by_array_ns), "times", (AT_LEAST, 1000.0)),
        figure("scipy.optimize.brentq, per point", brentq_ns, "ns/point"),
        figure("brentq against the array", _ratios(brentq_ns, by_array_ns), "times", (AT_LEAST, 1000.0)),
    ]
    for name, bounds, in_order in (
        ("whole range, drawn order", _BOUNDARIES_CELSIUS, False),
        ("whole range, rising order", _BOUNDARIES_CELSIUS, True),
        ("0 to 300 °C, rising order", _OVEN_CELSIUS, True),
    ):
        wanted = _points(*bounds, in_order=in_order)
        given = curves.ohms_array(of, wanted)
        array_ns, interpolated_ns = _in_turns(
            (lambda given=given: curves.celsius_array(of, given), _POINTS),
            (lambda given=given: np.interp(given, table_ohms, table_celsius), _POINTS),
        )
        figures.append(
            figure(
                f"array against numpy.interp, {name}",
                _ratios(array_ns, interpolated_ns),
                "times",
                (AT_MOST, 3.0),
            )
        )
        figures.append(
            figure(
                f"largest error of numpy.interp, {name}",
                float(np.abs(np.interp(given, table_ohms, table_celsius) - wanted).max()),
                "°C",
            )
        )
    return [
        Group(
            "Resistance to temperature",
            f"{_POINTS:,} resistances of a pt1000-3850 between {low:g} and {high:g} °C in one call; errors against the "
            "temperatures that they were computed from. The per-point ways solve "
            f"{_SLOW_POINTS:,} of the same points; against them the call is made {_CALLS} times a turn. numpy.interp "
            f"has a table of {rows:,} rows, one each {_TABLE_STEP_CELSIUS:g} °C; it gains much from values in rising "
            "order, whose place in the table is near the last one's.",
            figures,
        )
    ]
