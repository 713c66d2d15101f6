"""What a sensor's reading means for the temperature that the oven holds.

A control believes the nominal curve. It heats until the resistance at its connector equals the nominal resistance
for the set temperature, so that with a faulty circuit the cavity is at the temperature T for which

    circuit_ohms(T) = nominal_ohms(set temperature)

From a cold reading alone the size of the error at baking temperature depends on the kind of fault: the same 12 ohm
too much may be a resistance in the harness (the same 12 ohm at any temperature) or an element that is 1 % too large
(18 ohm at 175 degrees C). Each kind is a hypothesis with one free quantity or none. The quantity is estimated
from the points at hand, weighted by their uncertainties; a hypothesis that the points contradict drops out; the
range is that of the rest, each taken over plus and minus two standard uncertainties of its quantity.

Hypotheses:
    as-nominal         nothing is wrong                                   no free quantity
    other-curve NAME   the element follows another built-in curve         no free quantity
    series-resistance  a fixed resistance in series, not negative         ohms
    shunt              a fixed resistance across the element              siemens, not negative
    scaled-element     every resistance is off by one factor              factor
    chassis-grounded   a leak to a chassis that the control grounds       siemens, from the isolation check
    chassis-biased     a leak to a chassis at the control's supply        siemens, from the isolation check

The last two (`judging.chassis`) are there where isolation was measured: the readings, taken with the leads free, do not
show them. They drop out where the least isolation leaves no effect to speak of.
"""

import dataclasses
import math
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from typing import Protocol

from probecore.errors import MisuseError
from probeledger.judging.chassis import PULL_UP_MULTIPLE, Isolation

DEFAULT_SET_CELSIUS = (120.0, 150.0, 175.0, 200.0, 230.0, 260.0)
COVERAGE_FACTOR = 2.0

# 95 % points of chi-square by degrees of freedom, from 1: NIST/SEMATECH e-Handbook of Statistical Methods, 1.3.6.7.4.
_CHI_SQUARE_95 = (3.841, 5.991, 7.815, 9.488, 11.070, 12.592, 14.067, 15.507, 16.919, 18.307)
MOST_POINTS = len(_CHI_SQUARE_95)

# The kinds with a free quantity: in words, its unit, and the least value that exists in nature.
FREE_KINDS: dict[str, tuple[str, str, float | None]] = {
    "series-resistance": ("a fixed resistance in the leads or connectors", "ohm", 0.0),
    "shunt": ("a leak across the element", "siemens", 0.0),
    "scaled-element": ("an element that is off by one factor", "1", None),
}

CHASSIS_KINDS: dict[str, str] = {
    "chassis-grounded": "a leak from a lead to the chassis, which the control grounds",
    "chassis-biased": "a leak from a lead to the chassis, which is at the control's supply",
}
# A leak that moves the oven by less at the hottest usual setting is excluded [K], and where it could move it by more,
# it is no longer said that nothing is wrong.
_NO_EFFECT_CELSIUS = 0.1


class Curve(Protocol):
    """A sensor's curve, resistance against temperature."""

    name: str
    low_celsius: float
    high_celsius: float

    def ohms(self, celsius: float) -> float:
        """Return the resistance [ohm] at a temperature [degC]."""

    def celsius(self, ohms: float) -> float:
        """Return the temperature [degC] at a resistance [ohm]."""

    def ohms_per_celsius(self, celsius: float) -> float:
        """Return the slope [ohm/degC] at a temperature [degC]."""


@dataclass(frozen=True)
class Point:
    """A resistance measured while the sensor's temperature was known by another thermometer."""

    ohms: float
    u_ohms: float
    celsius: float
    u_celsius: float


@dataclass(frozen=True)
class Hypothesis:
    """One kind of fault as the points allow it.

    `quantity` is the estimate of its free quantity in `unit`, with standard uncertainty `u_quantity`; None where
    the kind has none. `chi_square` says how badly it fits, and `compatible` whether the points leave it standing.
    `weight` is its probability among those, as `weighing.weigh` finds it from two points or more, else None.
    `pull_up_ohms` is what the control is taken to feed the sensor through, where that matters.
    """

    kind: str
    label: str
    quantity: float | None
    u_quantity: float | None
    unit: str | None
    chi_square: float
    compatible: bool
    other_curve: Curve | None = None
    weight: float | None = None
    pull_up_ohms: float = 0.0


@dataclass(frozen=True)
class Shift:
    """What one hypothesis does at one set temperature: the cavity's mean temperature minus the set one [K].

    None stands for "no limit": the control would not see its resistance within the curve's range and would go on
    heating.
    """

    kind: str
    shift_celsius: float | None
    low_celsius: float | None
    high_celsius: float | None


@dataclass(frozen=True)
class Weighted:
    """The hypotheses that are left, mixed by their weights: mean and central 95 % of the error [K].

    `mean_celsius` and `high_celsius` are None where the control may go on heating without a limit.
    """

    mean_celsius: float | None
    low_celsius: float
    high_celsius: float | None


@dataclass(frozen=True)
class Effect:
    """The range of errors at one set temperature, over all hypotheses that are left [K].

    `high_celsius` is None where a hypothesis knows no upper limit. Both are None where no hypothesis is left.
    `weighted` is None where the hypotheses have no weights.
    """

    set_celsius: float
    low_celsius: float | None
    high_celsius: float | None
    shifts: tuple[Shift, ...]
    weighted: Weighted | None = None


# --------------------------------------------------------------------------------------- the faulty circuit


def series_temperature(nominal: Curve, set_ohms: float, series_ohms: float) -> float:
    """Return the element's temperature [degC] at which element plus `series_ohms` shows `set_ohms`."""
    return _temperature(nominal, set_ohms - series_ohms)


def shunt_temperature(nominal: Curve, set_ohms: float, shunt_siemens: float) -> float:
    """Return the element's temperature [degC] at which the element with a shunt across it shows `set_ohms`."""
    element_siemens = 1.0 / set_ohms - shunt_siemens
    if element_siemens <= 0.0:
        return math.inf
    return _temperature(nominal, 1.0 / element_siemens)


def scaled_temperature(nominal: Curve, set_ohms: float, factor: float) -> float:
    """Return the element's temperature [degC] at which an element of `factor` times its curve shows `set_ohms`."""
    if factor <= 0.0:
        return math.inf
    return _temperature(nominal, set_ohms / factor)


def other_temperature(other: Curve, set_ohms: float) -> float:
    """Return the temperature [degC] at which an element of another curve shows `set_ohms`."""
    return _temperature(other, set_ohms)


def _temperature(curve: Curve, ohms: float) -> float:
    """Return the curve's temperature, infinite where the resistance lies beyond its ends."""
    if ohms > curve.ohms(curve.high_celsius):
        return math.inf
    if ohms < curve.ohms(curve.low_celsius):
        return -math.inf
    return curve.celsius(ohms)


# --------------------------------------------------------------------------------------- hypotheses from points


def hypotheses(
    nominal: Curve,
    points: Sequence[Point],
    others: Iterable[Curve] = (),
    series: tuple[float, float] | None = None,
    isolation: Isolation | None = None,
) -> tuple[Hypothesis, ...]:
    """Fit each kind of fault to the points.

    Args:
        nominal: the curve that the control believes.
        points: 1 to MOST_POINTS points, the cold reading first.
        others: curves that the element might follow instead.
        series: resistance of the harness and its standard uncertainty [ohm] where it was measured as a
            difference between the two ends; None where it was not. Where it explains what is wrong, nothing else is
            looked for.
        isolation: what the isolation check says of both leads; None where it was not made. A leak that was found
            is wrong by itself: where the points are as nominal, nothing else is looked for.

    Returns:
        All hypotheses in a fixed order, the contradicted ones marked.

    Raises:
        MisuseError: no point, too many, or one that the curve cannot hold.
    """
    if not 1 <= len(points) <= MOST_POINTS:
        raise MisuseError("points", f"the effect needs 1 to {MOST_POINTS} points, this is {len(points)}")
    found = [_fixed("as-nominal", "nothing is wrong with the sensor circuit", nominal, points)]
    for other in others:
        if other.name != nominal.name:
            label = f"the element follows {other.name} instead of {nominal.name}"
            found.append(_fixed("other-curve", label, other, points, other))
    for kind, (label, unit, least) in FREE_KINDS.items():
        found.append(_free(kind, label, unit, estimates(kind, nominal, points, series), least))
    if series is not None and _explains(nominal, points, series):
        found = [
            hypothesis
            if hypothesis.kind in ("as-nominal", "series-resistance")
            else dataclasses.replace(hypothesis, compatible=False)
            for hypothesis in found
        ]
    if isolation is not None:
        leaks = _chassis_leaks(nominal, isolation, found[0])
        if not isolation.bounded and any(each.compatible for each in leaks):
            found = [dataclasses.replace(each, compatible=False) for each in found]
        found += leaks
    return tuple(found)


def _chassis_leaks(nominal: Curve, isolation: Isolation, as_nominal: Hypothesis) -> list[Hypothesis]:
    """Return the hypotheses of a leak to the chassis beside an element of which nothing is wrong."""
    at_zero = min(max(0.0, nominal.low_celsius), nominal.high_celsius)
    pull_up_ohms = PULL_UP_MULTIPLE * nominal.ohms(at_zero)
    hottest = min(max(DEFAULT_SET_CELSIUS), nominal.high_celsius)
    most_siemens = isolation.siemens + COVERAGE_FACTOR * isolation.u_siemens
    found = []
    for kind, label in CHASSIS_KINDS.items():
        made = Hypothesis(
            kind,
            label,
            isolation.siemens,
            isolation.u_siemens,
            "siemens",
            as_nominal.chi_square,
            as_nominal.compatible,
            pull_up_ohms=pull_up_ohms,
        )
        most = circuit(nominal, made, nominal.ohms(hottest))(most_siemens) - hottest
        if abs(most) < _NO_EFFECT_CELSIUS:
            made = dataclasses.replace(made, compatible=False)
        found.append(made)
    return found


def estimates(
    kind: str, nominal: Curve, points: Sequence[Point], series: tuple[float, float] | None = None
) -> list[tuple[float, float]]:
    """Return what each point says of a kind's free quantity: value and standard uncertainty in the kind's unit.

    Args:
        kind: a key of FREE_KINDS.
        nominal: the curve that the control believes.
        points: the points, in their order.
        series: resistance of the harness and its standard uncertainty [ohm], which comes last for a resistance in
            series; None where it was not measured.
    """
    found = []
    for point in points:
        ohms = nominal.ohms(point.celsius)
        u_model = nominal.ohms_per_celsius(point.celsius) * point.u_celsius
        if kind == "shunt":
            # d(1/R) = dR / R^2: the nominal one's at the temperature, the reading's at the reading.
            u = math.hypot(point.u_ohms / point.ohms**2, u_model / ohms**2)
            found.append((1.0 / point.ohms - 1.0 / ohms, u))
        elif kind == "scaled-element":
            found.append((point.ohms / ohms, math.hypot(point.u_ohms, u_model) / ohms))
        else:
            found.append((point.ohms - ohms, math.hypot(point.u_ohms, u_model)))
    if series is not None and kind == "series-resistance":
        found.append(series)
    return found


def _explains(nominal: Curve, points: Sequence[Point], series: tuple[float, float]) -> bool:
    """Tell whether the points follow the nominal curve once the measured harness is taken off."""
    rest = [
        dataclasses.replace(point, ohms=point.ohms - series[0], u_ohms=math.hypot(point.u_ohms, series[1]))
        for point in points
    ]
    return _fixed("as-nominal", "", nominal, rest).compatible


def _fixed(kind: str, label: str, curve: Curve, points: Sequence[Point], other: Curve | None = None) -> Hypothesis:
    """Return a hypothesis without a free quantity: how well its curve meets the points."""
    chi_square = 0.0
    for point in points:
        if not curve.low_celsius <= point.celsius <= curve.high_celsius:
            chi_square = math.inf
            break
        u_ohms = math.hypot(point.u_ohms, curve.ohms_per_celsius(point.celsius) * point.u_celsius)
        chi_square += _square(point.ohms - curve.ohms(point.celsius), u_ohms)
    return Hypothesis(kind, label, None, None, None, chi_square, chi_square <= _CHI_SQUARE_95[len(points) - 1], other)


def _free(
    kind: str, label: str, unit: str, estimates: Sequence[tuple[float, float]], least: float | None
) -> Hypothesis:
    """Return a hypothesis with one free quantity: the weighted mean of what each point says it is.

    `least` is the smallest value that exists in nature; an estimate below it is moved there at its price in
    chi-square.
    """
    exact = [value for value, u in estimates if u == 0.0]
    if exact:
        value, u_value = sum(exact) / len(exact), 0.0
    else:
        weight = sum(1.0 / u**2 for _, u in estimates)
        value, u_value = sum(x / u**2 for x, u in estimates) / weight, math.sqrt(1.0 / weight)
    freedom = len(estimates) - 1
    if least is not None and value < least:
        value, freedom = least, len(estimates)
    chi_square = sum(_square(x - value, u) for x, u in estimates)
    compatible = freedom == 0 or chi_square <= _CHI_SQUARE_95[freedom - 1]
    return Hypothesis(kind, label, value, u_value, unit, chi_square, compatible)


def _square(difference: float, u: float) -> float:
    """Return (difference / u) squared, where an exact input admits no difference beyond rounding."""
    if u > 0.0:
        return (difference / u) ** 2
    return 0.0 if abs(difference) < 1e-9 else math.inf


# --------------------------------------------------------------------------------------- effects


def effects(
    nominal: Curve,
    found: Sequence[Hypothesis],
    set_celsius: Iterable[float] = DEFAULT_SET_CELSIUS,
    room_celsius: float | None = None,
) -> tuple[Effect, ...]:
    """Compute what the oven does at each set temperature under the hypotheses that are left.

    Args:
        nominal: the curve that the control believes.
        found: hypotheses as `hypotheses` returns them.
        set_celsius: settings of the oven [degC].
        room_celsius: temperature below which no oven comes [degC]; None for no such floor.

    Returns:
        One effect a setting, in the order given.

    Raises:
        MisuseError: a setting that the nominal curve does not cover.
    """
    left = [hypothesis for hypothesis in found if hypothesis.compatible]
    answer = []
    for setting in set_celsius:
        if not nominal.low_celsius <= setting <= nominal.high_celsius:
            raise MisuseError(
                "set-temperature",
                f"A set temperature of {setting:g} degrees C is outside the curve {nominal.name}, which holds from "
                f"{nominal.low_celsius:g} to {nominal.high_celsius:g}.",
            )
        shifts = tuple(_shift(nominal, hypothesis, setting, room_celsius) for hypothesis in left)
        lows = [shift.low_celsius for shift in shifts if shift.low_celsius is not None]
        highs = [shift.high_celsius for shift in shifts]
        unlimited = any(high is None for high in highs)
        answer.append(
            Effect(
                setting,
                min(lows) if lows else None,
                None if unlimited or not highs else max(high for high in highs if high is not None),
                shifts,
            )
        )
    return tuple(answer)


def shift(nominal: Curve, hypothesis: Hypothesis, set_celsius: float) -> float:
    """Return the cavity's temperature minus the set one [K] under one hypothesis, infinite for no limit."""
    at = circuit(nominal, hypothesis, nominal.ohms(set_celsius))
    return at(hypothesis.quantity if hypothesis.quantity is not None else 0.0) - set_celsius


def circuit(nominal: Curve, hypothesis: Hypothesis, set_ohms: float) -> Callable[[float], float]:
    """Return the cavity's temperature [degC] as a function of the hypothesis's quantity, for a set resistance [ohm]."""
    if hypothesis.kind == "series-resistance":
        return lambda quantity: series_temperature(nominal, set_ohms, quantity)
    if hypothesis.kind in ("shunt", "chassis-grounded"):
        return lambda quantity: shunt_temperature(nominal, set_ohms, quantity)
    if hypothesis.kind == "chassis-biased":
        return lambda quantity: scaled_temperature(nominal, set_ohms, 1.0 + quantity * hypothesis.pull_up_ohms)
    if hypothesis.kind == "scaled-element":
        return lambda quantity: scaled_temperature(nominal, set_ohms, quantity)
    return lambda quantity: other_temperature(hypothesis.other_curve or nominal, set_ohms)


def _shift(nominal: Curve, hypothesis: Hypothesis, setting: float, room_celsius: float | None) -> Shift:
    at = circuit(nominal, hypothesis, nominal.ohms(setting))
    floor = -math.inf if room_celsius is None else min(room_celsius, setting)

    def difference(quantity: float) -> float:
        return max(at(quantity), floor) - setting

    if hypothesis.quantity is None or hypothesis.u_quantity is None:
        centre = low = high = difference(0.0)
    else:
        # Every circuit is monotonic in its quantity, so the ends of the interval give the ends of the range.
        spread = COVERAGE_FACTOR * hypothesis.u_quantity
        ends = [hypothesis.quantity - spread, hypothesis.quantity + spread]
        if hypothesis.kind != "scaled-element":
            ends = [max(end, 0.0) for end in ends]
        centre = difference(hypothesis.quantity)
        low, high = sorted(difference(end) for end in ends)
    return Shift(hypothesis.kind, _finite(centre), _finite(low), _finite(high))


def _finite(value: float) -> float | None:
    return value if math.isfinite(value) else None


__all__ = [
    "CHASSIS_KINDS",
    "COVERAGE_FACTOR",
    "Curve",
    "DEFAULT_SET_CELSIUS",
    "Effect",
    "FREE_KINDS",
    "Hypothesis",
    "MOST_POINTS",
    "Point",
    "Shift",
    "Weighted",
    "circuit",
    "effects",
    "estimates",
    "hypotheses",
    "other_temperature",
    "scaled_temperature",
    "series_temperature",
    "shift",
    "shunt_temperature",
]
