"""Which curve an element follows: what points leave standing, and which further point tells the rest apart.

A maker's tolerance makes every resistance of one element too large or too small by one factor. That factor is common to
all points of the element, so they are correlated: the covariance of the points under a curve is

    V = diag(u_ohms^2 + (slope u_celsius)^2) + s^2 r r'

with r the curve's resistances and s the standard width of the factor. The deviation d from the curve has the chi-square
d' V^-1 d, and the likelihood is the density of the normal distribution with that covariance. Two curves are
sqrt(D' V^-1 D) standard deviations apart, D being the difference of their resistances.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.stats import chi2

from probeledger.errors import InputError
from probeledger.judging.effect import Curve, Point

# IEC 60751, class F 0.6: 0.6 degC at 0 degC, times 3.9083e-3 per degC. Whether an oven's sensor keeps it is not known.
DEFAULT_TOLERANCE_RATIO = 0.6 * 3.9083e-3
COMPATIBLE_PROBABILITY = 0.05
# Beyond so many standard deviations a point decides between two curves. Common practice, no source.
APART_DEVIATIONS = 3.0
_ROOM_CELSIUS = (10.0, 45.0)
# From the ice point to a hot oven.
_FAR_APART_CELSIUS = 140.0


@dataclass(frozen=True)
class Place:
    """A temperature that a kitchen can make: what it is called, its temperature and standard uncertainty [degC]."""

    label: str
    celsius: float
    u_celsius: float


# Uncertainties: those that `fieldpoints` budgets, and for an oven those of a reference probe beside ours (common
# practice, no source).
PLACES = (
    Place("ice bath", 0.0, 0.2),
    Place("room", 22.0, 0.5),
    Place("boiling water", 99.97, 0.5),
    Place("oven at 150", 150.0, 2.0),
    Place("oven at 175", 175.0, 2.0),
    Place("oven at 200", 200.0, 2.0),
    Place("oven at 230", 230.0, 2.0),
)


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
    """What one further point would bring: the least separation of any two compatible curves [standard deviations]."""

    place: Place
    deviations: float
    pair: tuple[str, str]


@dataclass(frozen=True)
class Identification:
    """All curves, the likeliest first; the further points, the best first; and the plain words about them."""

    points: tuple[Point, ...]
    tolerance_ratio: float
    matches: tuple[Match, ...]
    present_deviations: float | None
    further: tuple[Further, ...]
    advice: tuple[str, ...]


def identify(
    points: Sequence[Point],
    curves: Iterable[Curve],
    tolerance_ratio: float = DEFAULT_TOLERANCE_RATIO,
    places: Iterable[Place] = PLACES,
    u_further_ohms: float | None = None,
) -> Identification:
    """Tell which curves the points allow, and which further point would tell those apart.

    Args:
        points: one or more points; each needs an uncertainty above nothing.
        curves: the candidates, each with a name of its own.
        tolerance_ratio: limits of an element's resistance about its curve, relative; taken as a rectangle.
        places: temperatures that a further point could be taken at.
        u_further_ohms: standard uncertainty of its resistance [ohm]; None for the largest among the points.

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
    u_ohms = max(point.u_ohms for point in points) if u_further_ohms is None else u_further_ohms
    present = _least(points, left, width)
    further = []
    for place in places:
        more = Point(math.nan, u_ohms, place.celsius, place.u_celsius)
        least = _least([*points, more], left, width)
        if least is not None:
            further.append(Further(place, *least))
    further.sort(key=lambda each: -each.deviations)
    return Identification(
        tuple(points),
        tolerance_ratio,
        matches,
        None if present is None else present[0],
        tuple(further),
        _advice(points, matches, left, present, further, width),
    )


def _check(points: Sequence[Point], curves: Sequence[Curve], tolerance_ratio: float) -> None:
    if not points:
        raise InputError("There is no point; give at least one resistance with its temperature.")
    if not curves:
        raise InputError("There is no curve to compare with; give at least one.")
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


def _model(points: Sequence[Point], of: Curve, width: float) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return the resistances [ohm] of a curve at the points, and the points' covariance [ohm^2]."""
    ohms = np.array([of.ohms(point.celsius) for point in points])
    own = [math.hypot(p.u_ohms, of.ohms_per_celsius(p.celsius) * p.u_celsius) ** 2 for p in points]
    return ohms, np.diag(own) + width**2 * np.outer(ohms, ohms)


def _reaches(points: Sequence[Point], of: Curve) -> bool:
    return all(of.low_celsius <= point.celsius <= of.high_celsius for point in points)


def _meet(points: Sequence[Point], of: Curve, width: float) -> tuple[Match, float]:
    """Return the match, its share still to come, and the logarithm of its likelihood."""
    if not _reaches(points, of):
        return Match(of.name, math.inf, 0.0, False, 0.0, math.nan, math.nan), -math.inf
    ohms, covariance = _model(points, of, width)
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


def separation(points: Sequence[Point], one: Curve, other: Curve, width: float) -> float:
    """Return how far apart two curves are at the points' temperatures [standard deviations].

    Args:
        points: their temperatures and uncertainties count, their resistances do not.
        one: a curve.
        other: another curve.
        width: standard width of an element's factor, relative.

    Returns:
        The separation; infinite where only one of the curves reaches all the points.
    """
    if not (_reaches(points, one) and _reaches(points, other)):
        return math.inf
    first, first_covariance = _model(points, one, width)
    second, second_covariance = _model(points, other, width)
    difference = first - second
    covariance = 0.5 * (first_covariance + second_covariance)
    return math.sqrt(max(0.0, float(difference @ np.linalg.solve(covariance, difference))))


def _least(points: Sequence[Point], left: Sequence[Curve], width: float) -> tuple[float, tuple[str, str]] | None:
    """Return the least separation of any two curves and which two; None where no two reach all the points."""
    found = [
        (separation(points, one, other, width), (one.name, other.name))
        for one, other in itertools.combinations(left, 2)
        if _reaches(points, one) and _reaches(points, other)
    ]
    return min(found) if found else None


def _advice(
    points: Sequence[Point],
    matches: Sequence[Match],
    left: Sequence[Curve],
    present: tuple[float, tuple[str, str]] | None,
    further: Sequence[Further],
    width: float,
) -> tuple[str, ...]:
    if not left:
        return (
            f"No curve fits these readings; {matches[0].name} comes nearest. Check the temperatures, take the harness "
            "off, measure again, or it is a sensor of another kind.",
        )
    if len(left) == 1:
        return (f"Of the curves compared only {left[0].name} fits these readings.",)
    said = [f"{len(left)} curves fit these readings: {', '.join(of.name for of in left)}."]
    if present is not None and present[0] < APART_DEVIATIONS:
        one, other = present[1]
        if all(_ROOM_CELSIUS[0] <= point.celsius <= _ROOM_CELSIUS[1] for point in points):
            near = {
                of.name
                for pair in itertools.combinations(left, 2)
                if separation(points, *pair, width) < APART_DEVIATIONS
                for of in pair
            }
            said.append(
                f"Room temperature alone cannot separate {', '.join(sorted(near))}: the element's tolerance and the "
                f"thermometer hide the difference, which between the nearest two is {present[0]:.1f} standard "
                "deviations. Take the ice point and a point above 150 °C."
            )
        else:
            said.append(
                f"At these points {one} and {other} are only {present[0]:.2f} standard deviations apart, too few to "
                "decide."
            )
    if further:
        best = further[0]
        said.append(
            f"The further point that tells most: {best.place.label} ({best.place.celsius:g} °C, standard uncertainty "
            f"{best.place.u_celsius:g} °C). With it the nearest two would be {best.deviations:.1f} standard deviations "
            "apart."
        )
        if best.deviations < APART_DEVIATIONS:
            # Where both ends were measured, more points of the same kind help little.
            apart = max(point.celsius for point in points) - min(point.celsius for point in points)
            said.append(
                "That alone does not decide either: what helps is a better reference probe."
                if apart >= _FAR_APART_CELSIUS
                else "That alone does not decide either: take both an ice point and one above 150 °C, so that the "
                "element's own tolerance drops out, or a better reference probe."
            )
    return tuple(said)


__all__ = [
    "APART_DEVIATIONS",
    "DEFAULT_TOLERANCE_RATIO",
    "PLACES",
    "Further",
    "Identification",
    "Match",
    "Place",
    "identify",
    "separation",
]
