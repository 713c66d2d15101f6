"""Which curve an element follows: what points leave standing, and which further point tells the rest apart.

A maker's tolerance makes every resistance of one element too large or too small by one factor. That factor is common to
all points of the element, so they are correlated: the covariance of the points under a curve is

    V = diag(u_ohms^2 + (slope u_celsius)^2) + s^2 r r'

with r the curve's resistances and s the standard width of the factor. The deviation d from the curve has the chi-square
d' V^-1 d, and the likelihood is the density of the normal distribution with that covariance. Two curves are
sqrt(D' V^-1 D) standard deviations apart, D being the difference of their resistances.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np
from scipy.stats import chi2

from probeledger.errors import InputError
from probeledger.judging.effect import Curve, Point
from probeledger.sensors.apart import (
    PLACES,
    Place,
    PointPair,
    Separates,
    UOhms,
    apart,
    model,
    point_pairs,
    reaches,
    separation,
)

# IEC 60751, class F 0.6: 0.6 degC at 0 degC, times 3.9083e-3 per degC. Whether an oven's sensor keeps it is not known.
DEFAULT_TOLERANCE_RATIO = 0.6 * 3.9083e-3
COMPATIBLE_PROBABILITY = 0.05
# Beyond so many standard deviations a point decides between two curves. Common practice, no source.
APART_DEVIATIONS = 3.0
_ROOM_CELSIUS = (10.0, 45.0)
# From the ice point to a hot oven.
_FAR_APART_CELSIUS = 140.0
# Pairs of curves that a sentence names.
_MOST_TOLD = 3


@dataclass(frozen=True)
class Match:
    """How one curve meets the points.

    `chi_square` with as many degrees of freedom as there are points; `probability` of one as large or larger if the
    curve is the right one; `share` of the likelihood with equal priors; `factor` the estimate of the element's
    resistance over its curve's, with `u_factor`.
    """

    name: str
    chi_square: float
    probability: float
    compatible: bool
    share: float
    factor: float
    u_factor: float


@dataclass(frozen=True)
class Further:
    """What one further point would bring: the least separation of any two compatible curves [standard deviations].

    `pair` names the two; `separates` has all two of them, the nearest first.
    """

    place: Place
    deviations: float
    pair: tuple[str, str]
    separates: tuple[Separates, ...]


@dataclass(frozen=True)
class Identification:
    """All curves, the likeliest first; the further points and pairs of them, the best first; and plain words.

    There are pairs only where no single further point decides.
    """

    points: tuple[Point, ...]
    tolerance_ratio: float
    matches: tuple[Match, ...]
    present_deviations: float | None
    further: tuple[Further, ...]
    pairs: tuple[PointPair, ...]
    advice: tuple[str, ...]


def identify(
    points: Sequence[Point],
    curves: Iterable[Curve],
    tolerance_ratio: float = DEFAULT_TOLERANCE_RATIO,
    places: Iterable[Place] = PLACES,
    u_further_ohms: UOhms | float | None = None,
) -> Identification:
    """Tell which curves the points allow, and which further point would tell those apart.

    Args:
        points: one or more points; each needs an uncertainty above nothing.
        curves: the candidates, each with a name of its own.
        tolerance_ratio: limits of an element's resistance about its curve, relative; taken as a rectangle.
        places: temperatures that a further point could be taken at.
        u_further_ohms: standard uncertainty of its resistance [ohm], a number or a function of the resistance [ohm];
            None for the largest among the points.

    Returns:
        The identification.

    Raises:
        InputError: no points or curves, or a number without meaning.

    Source: generalised least squares, JCGM 102:2011; the likelihood ratio of two normal distributions.
    """
    candidates = tuple(curves)
    _check(points, candidates, tolerance_ratio)
    width = tolerance_ratio / math.sqrt(3.0)
    found = [_meet(points, of, width) for of in candidates]
    logs = np.array([log for _, log in found])
    if not np.isfinite(logs).any():
        raise InputError("No curve reaches all of these temperatures; check the points, or give another curve.")
    shares = np.exp(logs - logs.max())
    shares /= shares.sum()
    ranked = sorted(
        (
            (Match(m.name, m.chi_square, m.probability, m.compatible, float(share), m.factor, m.u_factor), of)
            for (m, _), share, of in zip(found, shares, candidates, strict=True)
        ),
        key=lambda pair: (-pair[0].share, pair[0].chi_square),
    )
    matches = tuple(match for match, _ in ranked)
    left = [of for match, of in ranked if match.compatible]
    u_ohms = _u_further(points, u_further_ohms)
    tried = tuple(places)
    present = apart(points, left, width)
    further = []
    for place in tried:
        separates = apart(points, left, width, (place,), u_ohms)
        if separates:
            further.append(Further(place, separates[0].deviations, separates[0].curves, separates))
    further.sort(key=lambda each: -each.deviations)
    pairs: tuple[PointPair, ...] = ()
    if further and further[0].deviations < APART_DEVIATIONS:
        pairs = point_pairs(points, left, width, tried, u_ohms)
    return Identification(
        tuple(points),
        tolerance_ratio,
        matches,
        present[0].deviations if present else None,
        tuple(further),
        pairs,
        _advice(points, matches, left, present, further, pairs),
    )


def _u_further(points: Sequence[Point], given: UOhms | float | None) -> UOhms:
    if callable(given):
        return given
    u_ohms = max(point.u_ohms for point in points) if given is None else given
    return lambda ohms: u_ohms


def _check(points: Sequence[Point], curves: Sequence[Curve], tolerance_ratio: float) -> None:
    if not points:
        raise InputError("There is no point; give at least one resistance with its temperature.")
    if not curves:
        raise InputError("There is no curve to compare with; give at least one.")
    names = [of.name for of in curves]
    twice = next((name for name in names if names.count(name) > 1), None)
    if twice is not None:
        raise InputError(f"Two of the curves are called {twice!r}; give the file's curve a name of its own.")
    if not 0.0 <= tolerance_ratio < 0.5:
        raise InputError(f"A tolerance of {tolerance_ratio:g} has no meaning; give a ratio from 0 to 0.5, like 0.0023.")
    for point in points:
        numbers = (point.ohms, point.u_ohms, point.celsius, point.u_celsius)
        if not all(math.isfinite(number) for number in numbers) or point.ohms <= 0.0:
            raise InputError(
                f"The point {point.ohms:g} ohm at {point.celsius:g} degrees C is no measurement; "
                "give finite numbers and a resistance above 0."
            )
        if min(point.u_ohms, point.u_celsius) < 0.0 or point.u_ohms + point.u_celsius == 0.0:
            raise InputError(
                f"The point at {point.celsius:g} degrees C has no uncertainty above 0; give that of its resistance, of "
                "its temperature, or both."
            )


def _meet(points: Sequence[Point], of: Curve, width: float) -> tuple[Match, float]:
    """Return the match, its share still to come, and the logarithm of its likelihood."""
    if not reaches((point.celsius for point in points), of):
        return Match(of.name, math.inf, 0.0, False, 0.0, math.nan, math.nan), -math.inf
    ohms, covariance = model(points, of, width)
    difference = np.array([point.ohms for point in points]) - ohms
    chi_square = float(difference @ np.linalg.solve(covariance, difference))
    log = -0.5 * (chi_square + float(np.linalg.slogdet(covariance)[1]))
    probability = float(chi2.sf(chi_square, len(points)))
    own = np.diag(covariance) - width**2 * ohms**2
    weight = float(np.sum(ohms**2 / own))
    factor = float(np.sum(ohms * (ohms + difference) / own)) / weight
    match = Match(
        of.name,
        chi_square,
        probability,
        probability >= COMPATIBLE_PROBABILITY,
        0.0,
        factor,
        math.sqrt(1.0 / weight),
    )
    return match, log


def _advice(
    points: Sequence[Point],
    matches: Sequence[Match],
    left: Sequence[Curve],
    present: Sequence[Separates],
    further: Sequence[Further],
    pairs: Sequence[PointPair],
) -> tuple[str, ...]:
    if not left:
        return (
            f"No curve fits these readings; {matches[0].name} comes nearest. Check the temperatures, take the harness "
            "off, measure again, or it is a sensor of another kind.",
        )
    if len(left) == 1:
        return (f"Of the curves compared only {left[0].name} fits these readings.",)
    said = [f"{len(left)} curves fit these readings: {', '.join(of.name for of in left)}."]
    if present and present[0].deviations < APART_DEVIATIONS:
        nearest = present[0].deviations
        if all(_ROOM_CELSIUS[0] <= point.celsius <= _ROOM_CELSIUS[1] for point in points):
            near = {name for two in present if two.deviations < APART_DEVIATIONS for name in two.curves}
            said.append(
                f"Room temperature alone cannot separate {', '.join(sorted(near))}: the element's tolerance and the "
                f"thermometer hide the difference, which between the nearest two is {nearest:.1f} standard "
                "deviations."
            )
        else:
            one, other = present[0].curves
            said.append(
                f"At these points {one} and {other} are only {nearest:.2f} standard deviations apart, too few to "
                "decide."
            )
    if further:
        best = further[0]
        said.append(
            f"The further point that tells most: {_named(best.place)}. With it the nearest two would be "
            f"{best.deviations:.1f} standard deviations apart."
        )
        if best.deviations < APART_DEVIATIONS:
            said += _pair_advice(points, pairs)
    return tuple(said)


def _pair_advice(points: Sequence[Point], pairs: Sequence[PointPair]) -> list[str]:
    """Say what helps where no single point decides."""
    # Where both ends were measured, more points of the same kind help little.
    span = max(point.celsius for point in points) - min(point.celsius for point in points)
    if not pairs or span >= _FAR_APART_CELSIUS:
        return ["That alone does not decide either: what helps is a better reference probe."]
    best = pairs[0]
    ways = "; ".join(
        f"{two.curves[0]} from {two.curves[1]} by {two.deviations:.1f} standard deviations, "
        f"{_odds(two.expected_log_ratio)}, right in {_percent(two.right_probability)} of cases"
        for two in best.separates[:_MOST_TOLD]
    ) + ("; the others more surely" if len(best.separates) > _MOST_TOLD else "")
    said = [
        f"That alone does not decide either: take two points, {_named(best.places[0])} and {_named(best.places[1])}, "
        f"so that the element's own tolerance drops out. They would tell {ways}."
    ]
    if best.separates[0].deviations < APART_DEVIATIONS:
        said.append("Even these do not decide all of it: a better reference probe is needed too.")
    return said


def _named(place: Place) -> str:
    return f"{place.label} ({place.celsius:g} °C, standard uncertainty {place.u_celsius:g} °C)"


def _odds(log_ratio: float) -> str:
    """Return the odds that a mean logarithm of a likelihood ratio stands for."""
    return "odds above 1000 to 1" if log_ratio > math.log(1000.0) else f"odds of {math.exp(log_ratio):.3g} to 1"


def _percent(probability: float) -> str:
    return "over 99.9 %" if probability > 0.999 else f"{100.0 * probability:.3g} %"


__all__ = [
    "APART_DEVIATIONS",
    "DEFAULT_TOLERANCE_RATIO",
    "PLACES",
    "Further",
    "Identification",
    "Match",
    "Place",
    "PointPair",
    "Separates",
    "identify",
    "separation",
]
