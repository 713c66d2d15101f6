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
"""

import dataclasses
import math
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from typing import Protocol

from probecore.errors import MisuseError
from probeledger.units import fahrenheit, fahrenheit_difference

DEFAULT_SET_CELSIUS = (120.0, 150.0, 175.0, 200.0, 230.0, 260.0)
COVERAGE_FACTOR = 2.0

# 95 % points of chi-square by degrees of freedom, from 1: NIST/SEMATECH e-Handbook of Statistical Methods, 1.3.6.7.4.
_CHI_SQUARE_95 = (3.841, 5.991, 7.815, 9.488, 11.070, 12.592, 14.067, 15.507, 16.919, 18.307)
MOST_POINTS = len(_CHI_SQUARE_95)


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
    """

    kind: str
    label: str
    quantity: float | None
    u_quantity: float | None
    unit: str | None
    chi_square: float
    compatible: bool
    other_curve: Curve | None = None


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
class Effect:
    """The range of errors at one set temperature, over all hypotheses that are left [K].

    `high_celsius` is None where a hypothesis knows no upper limit. Both are None where no hypothesis is left.
    `likely_celsius` is the value of the hypothesis that fits best where one fits alone, else None.
    """

    set_celsius: float
    low_celsius: float | None
    high_celsius: float | None
    shifts: tuple[Shift, ...]


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
) -> tuple[Hypothesis, ...]:
    """Fit each kind of fault to the points.

    Args:
        nominal: the curve that the control believes.
        points: 1 to MOST_POINTS points, the cold reading first.
        others: curves that the element might follow instead.
        series: resistance of the harness and its standard uncertainty [ohm] where it was measured as a
            difference between the two ends; None where it was not. Where it explains what is wrong, nothing else is
            looked for.

    Returns:
        All hypotheses in a fixed order, the contradicted ones marked.

    Raises:
        MisuseError: no point, too many, or one that the curve cannot hold.
    """
    if not 1 <= len(points) <= MOST_POINTS:
        raise MisuseError("points", f"the effect needs 1 to {MOST_POINTS} points, this is {len(points)}")
    nominal_ohms = [nominal.ohms(point.celsius) for point in points]
    u_points = [math.hypot(point.u_ohms, nominal.ohms_per_celsius(point.celsius) * point.u_celsius) for point in points]
    found = [_fixed("as-nominal", "nothing is wrong with the sensor circuit", nominal, points)]
    for other in others:
        if other.name != nominal.name:
            label = f"the element follows {other.name} instead of {nominal.name}"
            found.append(_fixed("other-curve", label, other, points, other))

    series_estimates = [(point.ohms - ohms, u) for point, ohms, u in zip(points, nominal_ohms, u_points, strict=True)]
    if series is not None:
        series_estimates.append(series)
    found.append(
        _free("series-resistance", "a fixed resistance in the leads or connectors", "ohm", series_estimates, 0.0)
    )
    shunt_estimates = [
        # d(1/R) = dR / R^2: the nominal one's at the temperature, the reading's at the reading.
        (
            1.0 / point.ohms - 1.0 / ohms,
            math.hypot(
                point.u_ohms / point.ohms**2,
                nominal.ohms_per_celsius(point.celsius) * point.u_celsius / ohms**2,
            ),
        )
        for point, ohms in zip(points, nominal_ohms, strict=True)
    ]
    found.append(_free("shunt", "a leak across the element", "siemens", shunt_estimates, 0.0))
    factor_estimates = [
        (point.ohms / ohms, u / ohms) for point, ohms, u in zip(points, nominal_ohms, u_points, strict=True)
    ]
    found.append(_free("scaled-element", "an element that is off by one factor", "1", factor_estimates, None))
    if series is not None and _explains(nominal, points, series):
        found = [
            hypothesis
            if hypothesis.kind in ("as-nominal", "series-resistance")
            else dataclasses.replace(hypothesis, compatible=False)
            for hypothesis in found
        ]
    return tuple(found)


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
    at = _circuit(nominal, hypothesis, nominal.ohms(set_celsius))
    return at(hypothesis.quantity if hypothesis.quantity is not None else 0.0) - set_celsius


def _circuit(nominal: Curve, hypothesis: Hypothesis, set_ohms: float) -> Callable[[float], float]:
    """Return the cavity's temperature as a function of the hypothesis's quantity."""
    if hypothesis.kind == "series-resistance":
        return lambda quantity: series_temperature(nominal, set_ohms, quantity)
    if hypothesis.kind == "shunt":
        return lambda quantity: shunt_temperature(nominal, set_ohms, quantity)
    if hypothesis.kind == "scaled-element":
        return lambda quantity: scaled_temperature(nominal, set_ohms, quantity)
    return lambda quantity: other_temperature(hypothesis.other_curve or nominal, set_ohms)


def _shift(nominal: Curve, hypothesis: Hypothesis, setting: float, room_celsius: float | None) -> Shift:
    at = _circuit(nominal, hypothesis, nominal.ohms(setting))
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


# --------------------------------------------------------------------------------------- in words


def sentence(effect: Effect) -> str:
    """Say one effect in a sentence that a customer understands, in both units."""
    setting = f"Set to {effect.set_celsius:.0f} °C ({fahrenheit(effect.set_celsius):.0f} °F), the oven "
    low, high = effect.low_celsius, effect.high_celsius
    if low is None:
        return setting + "cannot be foretold from these readings."
    if high is None:
        return setting + "may go on heating past any temperature that the control knows."
    if low >= -0.5 and high <= 0.5:
        return setting + "is right within half a degree, as far as the sensor goes."
    if round(low) >= 0:
        return setting + f"runs {_both(low, high)} too hot."
    if round(high) <= 0:
        return setting + f"runs {_both(-high, -low)} too cold."
    return setting + f"may be from {_both(-low)} too cold to {_both(high)} too hot."


def _both(low: float, high: float | None = None) -> str:
    """Return a difference or a range of them in both units, without a range from a number to itself."""
    celsius = [f"{low:.0f}"] if high is None else [f"{low:.0f}", f"{high:.0f}"]
    degrees_f = [f"{fahrenheit_difference(value):.0f}" for value in ([low] if high is None else [low, high])]
    return f"{_range(celsius)} °C ({_range(degrees_f)} °F)"


def _range(texts: Sequence[str]) -> str:
    return texts[0] if len(set(texts)) == 1 else " to ".join(texts)


__all__ = [
    "COVERAGE_FACTOR",
    "Curve",
    "DEFAULT_SET_CELSIUS",
    "Effect",
    "Hypothesis",
    "MOST_POINTS",
    "Point",
    "Shift",
    "effects",
    "hypotheses",
    "other_temperature",
    "scaled_temperature",
    "sentence",
    "series_temperature",
    "shift",
    "shunt_temperature",
]
