"""How probable each kind of fault is after two points or more, and what all of them together make of the oven.

Bayes' rule with normal errors. Before the readings all kinds are equally probable, and a kind's free quantity is
equally probable everywhere that nature allows: its density is such that the sizes which move the first point by up to
a tenth of its nominal resistance (up and down for a factor; up only for a resistance in series; down only for a leak)
hold the probability 1. The tenth is the half-width of the service window; common practice, no source.

With x_i +- u_i what point i says of the quantity q, the readings' density under a kind is, in closed form,

    integral over q of  rho  product of N(x_i; q, u_i) |dx_i/dR_i|

and the quantity is then normal about the weighted mean, cut off where nature ends. Every circuit is monotonic in its
quantity, so that the probability of an oven colder than T is a normal integral up to the quantity that puts it at T.
"""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Sequence

from probeledger.judging.effect import FREE_KINDS, Curve, Effect, Hypothesis, Point, Weighted, circuit, estimates

__all__ = ["DROPPED_BELOW", "PLAUSIBLE_RATIO", "mix", "weigh"]

DROPPED_BELOW = 1e-3
PLAUSIBLE_RATIO = 0.1

# The central 95 %.
_TAILS = (0.025, 0.975)
# The mean is of no use where an oven without a limit is more probable than this.
_MOST_UNLIMITED = 1e-4
# An exact reading has no density; this stands for it [ohm].
_LEAST_U_OHMS = 1e-6
# A normal integral over so many standard uncertainties either way, in so many steps: both errors stay below 1e-6.
_REACH, _STEPS = 7.0, 400
_HALVINGS = 50


@dataclasses.dataclass(frozen=True)
class _Quantity:
    """The normal distribution of a free quantity, cut off below `least`."""

    centre: float
    u: float
    least: float

    def above(self, value: float) -> float:
        """Return the probability of a quantity of at least `value`."""
        if value <= self.least:
            return 1.0
        return _tail((value - self.centre) / self.u) / _tail((self.least - self.centre) / self.u)


def _tail(deviations: float) -> float:
    """Return the normal distribution's probability above so many standard deviations."""
    # Beyond 37 both numbers of a ratio would be nothing.
    return 0.5 * math.erfc(min(deviations, 37.0) / math.sqrt(2.0))


def weigh(
    nominal: Curve,
    found: Sequence[Hypothesis],
    points: Sequence[Point],
    series: tuple[float, float] | None = None,
) -> tuple[Hypothesis, ...]:
    """Give each compatible hypothesis its probability; one below 0.1 % is no longer compatible.

    Args:
        nominal: the curve that the control believes.
        found: hypotheses as `effect.hypotheses` returns them, from the same points and series.
        points: the points, the cold reading first.
        series: resistance of the harness and its standard uncertainty [ohm]; None where it was not measured.

    Returns:
        All hypotheses in their order; `weight` stays None for those that the points had ruled out.
    """
    logs = [_log_density(nominal, each, points, series) if each.compatible else -math.inf for each in found]
    most = max(logs, default=-math.inf)
    if not math.isfinite(most):
        return tuple(found)
    shares = [math.exp(log - most) for log in logs]
    total = sum(shares)
    return tuple(
        dataclasses.replace(each, weight=share / total, compatible=share / total >= DROPPED_BELOW)
        if each.compatible
        else each
        for each, share in zip(found, shares, strict=True)
    )


def _log_density(
    nominal: Curve, hypothesis: Hypothesis, points: Sequence[Point], series: tuple[float, float] | None
) -> float:
    """Return the logarithm of the density of the readings [1/ohm, for each] under one hypothesis."""
    if hypothesis.kind not in FREE_KINDS:
        of = hypothesis.other_curve or nominal
        log = sum(_log_normal(point.ohms - of.ohms(point.celsius), _u_ohms(of, point)) for point in points)
        return log + _log_other_harness(series)
    pairs = _floored(hypothesis.kind, nominal, points, series)
    quantity = _quantity(hypothesis.kind, pairs)
    log = sum(_log_normal(value - quantity.centre, u) for value, u in pairs)
    log += math.log(math.sqrt(2.0 * math.pi) * quantity.u * _tail((quantity.least - quantity.centre) / quantity.u))
    first_ohms = nominal.ohms(points[0].celsius)
    plausible_ohms = PLAUSIBLE_RATIO * first_ohms
    if hypothesis.kind == "series-resistance":
        return log - math.log(plausible_ohms)
    if hypothesis.kind == "shunt":
        log += sum(-2.0 * math.log(point.ohms) for point in points)
        # A small leak g takes g R^2 off a resistance R.
        return log + math.log(first_ohms**2 / plausible_ohms) + _log_other_harness(series)
    log -= sum(math.log(nominal.ohms(point.celsius)) for point in points)
    return log + math.log(first_ohms / (2.0 * plausible_ohms)) + _log_other_harness(series)


def _log_other_harness(series: tuple[float, float] | None) -> float:
    """Return the log density of the harness's resistance where nothing is wrong with the harness."""
    return 0.0 if series is None else _log_normal(series[0], max(series[1], _LEAST_U_OHMS))


def _log_normal(difference: float, u: float) -> float:
    return -0.5 * (difference / u) ** 2 - math.log(u) - 0.5 * math.log(2.0 * math.pi)


def _u_ohms(of: Curve, point: Point) -> float:
    return max(math.hypot(point.u_ohms, of.ohms_per_celsius(point.celsius) * point.u_celsius), _LEAST_U_OHMS)


def _floored(
    kind: str, nominal: Curve, points: Sequence[Point], series: tuple[float, float] | None
) -> list[tuple[float, float]]:
    """Return a kind's estimates, none of them exact."""
    pairs = estimates(kind, nominal, points, series)
    ohms = nominal.ohms(points[0].celsius)
    per_ohm = {"shunt": 1.0 / ohms**2, "scaled-element": 1.0 / ohms}.get(kind, 1.0)
    return [(value, max(u, _LEAST_U_OHMS * per_ohm)) for value, u in pairs]


def _quantity(kind: str, pairs: Sequence[tuple[float, float]]) -> _Quantity:
    weight = sum(1.0 / u**2 for _, u in pairs)
    least = FREE_KINDS[kind][2]
    return _Quantity(
        sum(value / u**2 for value, u in pairs) / weight,
        math.sqrt(1.0 / weight),
        -math.inf if least is None else least,
    )


def mix(
    nominal: Curve,
    weighed: Sequence[Hypothesis],
    points: Sequence[Point],
    effects: Sequence[Effect],
    room_celsius: float | None = None,
    series: tuple[float, float] | None = None,
) -> tuple[Effect, ...]:
    """Add to each effect what the hypotheses make of it together, each by its weight.

    Args:
        nominal: the curve that the control believes.
        weighed: hypotheses as `weigh` returns them.
        points: the points, the cold reading first.
        effects: effects of these hypotheses.
        room_celsius: temperature below which no oven comes [degC]; None for no such floor.
        series: resistance of the harness and its standard uncertainty [ohm]; None where it was not measured.

    Returns:
        The effects, with `weighted` where a hypothesis is left.
    """
    parts = []
    for each in weighed:
        if each.compatible and each.weight is not None:
            quantity = None
            if each.kind in FREE_KINDS:
                quantity = _quantity(each.kind, _floored(each.kind, nominal, points, series))
            elif each.quantity is not None and each.u_quantity is not None:
                # A leak to the chassis: the isolation check says how large it is.
                quantity = _Quantity(each.quantity, max(each.u_quantity, 1e-3 * each.quantity), 0.0)
            parts.append((each.weight, each, quantity))
    if not parts:
        return tuple(effects)
    total = sum(weight for weight, _, _ in parts)
    parts = [(weight / total, each, quantity) for weight, each, quantity in parts]
    return tuple(
        dataclasses.replace(effect, weighted=_mixed(nominal, parts, effect.set_celsius, room_celsius))
        for effect in effects
    )


_Part = tuple[float, Hypothesis, _Quantity | None]


def _mixed(nominal: Curve, parts: Sequence[_Part], setting: float, room_celsius: float | None) -> Weighted:
    curves = [nominal, *(each.other_curve for _, each, _ in parts if each.other_curve is not None)]
    floor = min(of.low_celsius for of in curves) if room_celsius is None else min(room_celsius, setting)
    ceiling = max(of.high_celsius for of in curves)

    def below(celsius: float) -> float:
        return sum(weight * _below(nominal, each, quantity, setting, celsius) for weight, each, quantity in parts)

    def end(probability: float) -> float:
        # An oven can be no colder than the floor: all that would be, is there.
        if below(floor) >= probability:
            return floor
        low, high = floor, ceiling
        for _ in range(_HALVINGS):
            middle = 0.5 * (low + high)
            low, high = (low, middle) if below(middle) >= probability else (middle, high)
        return high

    limited = below(ceiling)
    mean = None
    if 1.0 - limited <= _MOST_UNLIMITED:
        mean = sum(weight * _mean(nominal, each, quantity, setting, floor, ceiling) for weight, each, quantity in parts)
    low, high = _TAILS
    return Weighted(
        None if mean is None else mean - setting,
        end(low) - setting if limited >= low else ceiling - setting,
        end(high) - setting if limited >= high else None,
    )


def _below(nominal: Curve, hypothesis: Hypothesis, quantity: _Quantity | None, setting: float, celsius: float) -> float:
    """Return the probability of an oven no hotter than a temperature [degC] under one hypothesis."""
    set_ohms = nominal.ohms(setting)
    if quantity is None:
        # What rounding leaves of an equality is not to count as hotter.
        return 1.0 if circuit(nominal, hypothesis, set_ohms)(0.0) <= celsius + 1e-9 else 0.0
    ohms = nominal.ohms(min(max(celsius, nominal.low_celsius), nominal.high_celsius))
    if hypothesis.kind == "series-resistance":
        return quantity.above(set_ohms - ohms)
    if hypothesis.kind in ("shunt", "chassis-grounded"):
        return 1.0 - quantity.above(1.0 / set_ohms - 1.0 / ohms)
    if hypothesis.kind == "chassis-biased":
        return quantity.above((set_ohms / ohms - 1.0) / hypothesis.pull_up_ohms)
    return quantity.above(set_ohms / ohms)


def _mean(
    nominal: Curve,
    hypothesis: Hypothesis,
    quantity: _Quantity | None,
    setting: float,
    floor: float,
    ceiling: float,
) -> float:
    """Return the mean temperature [degC] of the oven under one hypothesis, within its floor and ceiling."""
    at = circuit(nominal, hypothesis, nominal.ohms(setting))
    if quantity is None:
        return min(max(at(0.0), floor), ceiling)
    low = max(quantity.least, quantity.centre - _REACH * quantity.u)
    high = max(quantity.centre, low) + _REACH * quantity.u
    step = (high - low) / _STEPS
    total = weights = 0.0
    for number in range(_STEPS + 1):
        value = low + number * step
        # Simpson's rule: 1, 4, 2, ... 4, 1.
        weight = 1.0 if number in (0, _STEPS) else 4.0 if number % 2 else 2.0
        weight *= math.exp(-0.5 * ((value - quantity.centre) / quantity.u) ** 2)
        total += weight * min(max(at(value), floor), ceiling)
        weights += weight
    return total / weights
