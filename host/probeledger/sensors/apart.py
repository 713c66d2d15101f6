"""How far apart two curves are at points taken and at points that could be taken.

Under a curve the readings are normal, with the curve's resistances r as their mean and the covariance

    V = diag(u_ohms^2 + (slope u_celsius)^2) + s^2 r r'

s being the standard width of the factor by which one element lies off its curve. With D the difference of two curves'
resistances, they are sqrt(D' V^-1 D) standard deviations apart (V the mean of both), and readings of the first give its
likelihood over the second's, on average, the logarithm (Kullback and Leibler, Ann. Math. Stat. 22 (1951) 79)

    ( tr(W^-1 V) - n + D' W^-1 D + ln det W - ln det V ) / 2

with W the second's covariance. Where one curve does not reach a temperature, nothing is said of the two.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from probeledger.judging.effect import Curve, Point

__all__ = [
    "PLACES",
    "Place",
    "PointPair",
    "Separates",
    "UOhms",
    "apart",
    "expected_log_ratio",
    "model",
    "point_pairs",
    "reaches",
    "separation",
]

# Standard uncertainty [ohm] of a resistance [ohm] that is still to be measured.
UOhms = Callable[[float], float]

# A place this near to a point already taken brings its reference thermometer's error a second time.
_SAME_CELSIUS = 10.0
# The points that separate curves are the ends of a kitchen's range; the room is what one starts from.
_HOT_CELSIUS = 150.0


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
class Separates:
    """How surely points tell two curves apart.

    `deviations` is their distance [standard deviations]; `expected_log_ratio` the mean natural logarithm of the right
    curve's likelihood over the wrong one's, whichever of the two is right making it less; `right_probability` the
    probability that the likelier of the two is the right one.
    """

    curves: tuple[str, str]
    deviations: float
    expected_log_ratio: float
    right_probability: float


@dataclass(frozen=True)
class PointPair:
    """Two further points taken together, and what they tell apart, the nearest two curves first."""

    places: tuple[Place, Place]
    separates: tuple[Separates, ...]


def _nothing(ohms: float) -> float:
    return 0.0


def reaches(celsius: Iterable[float], of: Curve) -> bool:
    """Tell whether a curve holds at all of these temperatures [degC]."""
    return all(of.low_celsius <= each <= of.high_celsius for each in celsius)


def _celsius(points: Sequence[Point], planned: Sequence[Place]) -> list[float]:
    return [point.celsius for point in points] + [place.celsius for place in planned]


def model(
    points: Sequence[Point], of: Curve, width: float, planned: Sequence[Place] = (), u_ohms: UOhms = _nothing
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return a curve's resistances [ohm] at points and planned places, and the covariance [ohm^2] of readings there.

    Args:
        points: their temperatures and uncertainties count, their resistances do not.
        of: the curve, which must reach all of them.
        width: standard width of an element's factor, relative.
        planned: places that are still to be measured.
        u_ohms: standard uncertainty [ohm] of a resistance there [ohm].
    """
    celsius = _celsius(points, planned)
    u_celsius = [point.u_celsius for point in points] + [place.u_celsius for place in planned]
    ohms = np.array([of.ohms(each) for each in celsius])
    u_readings = [point.u_ohms for point in points] + [u_ohms(float(each)) for each in ohms[len(points) :]]
    own = [
        math.hypot(u, of.ohms_per_celsius(t) * u_t) ** 2
        for u, t, u_t in zip(u_readings, celsius, u_celsius, strict=True)
    ]
    return ohms, np.diag(own) + width**2 * np.outer(ohms, ohms)


def separation(
    points: Sequence[Point],
    one: Curve,
    other: Curve,
    width: float,
    planned: Sequence[Place] = (),
    u_ohms: UOhms = _nothing,
) -> float:
    """Return how far apart two curves are at the points' temperatures [standard deviations].

    Args:
        points: their temperatures and uncertainties count, their resistances do not.
        one: a curve.
        other: another curve.
        width: standard width of an element's factor, relative.
        planned: places that are still to be measured.
        u_ohms: standard uncertainty [ohm] of a resistance there [ohm].

    Returns:
        The separation; infinite where only one of the curves reaches all the points.
    """
    celsius = _celsius(points, planned)
    if not (reaches(celsius, one) and reaches(celsius, other)):
        return math.inf
    first, first_covariance = model(points, one, width, planned, u_ohms)
    second, second_covariance = model(points, other, width, planned, u_ohms)
    difference = first - second
    covariance = 0.5 * (first_covariance + second_covariance)
    return math.sqrt(max(0.0, float(difference @ np.linalg.solve(covariance, difference))))


def expected_log_ratio(
    points: Sequence[Point],
    true: Curve,
    other: Curve,
    width: float,
    planned: Sequence[Place] = (),
    u_ohms: UOhms = _nothing,
) -> float:
    """Return the mean logarithm of the likelihood of `true` over that of `other`, for readings of `true`.

    Args:
        points: their temperatures and uncertainties count, their resistances do not.
        true: the curve that the element follows.
        other: the curve that it is compared with; both must reach all the points.
        width: standard width of an element's factor, relative.
        planned: places that are still to be measured.
        u_ohms: standard uncertainty [ohm] of a resistance there [ohm].

    Returns:
        Natural logarithm, not negative.
    """
    mean, covariance = model(points, true, width, planned, u_ohms)
    other_mean, other_covariance = model(points, other, width, planned, u_ohms)
    difference = other_mean - mean
    trace = float(np.trace(np.linalg.solve(other_covariance, covariance)))
    square = float(difference @ np.linalg.solve(other_covariance, difference))
    logs = float(np.linalg.slogdet(other_covariance)[1] - np.linalg.slogdet(covariance)[1])
    return max(0.0, 0.5 * (trace - len(mean) + square + logs))


def apart(
    points: Sequence[Point],
    left: Sequence[Curve],
    width: float,
    planned: Sequence[Place] = (),
    u_ohms: UOhms = _nothing,
) -> tuple[Separates, ...]:
    """Return how surely each two of the curves that reach all the points are told apart, the nearest two first.

    Args:
        points: points taken.
        left: the curves to tell apart.
        width: standard width of an element's factor, relative.
        planned: places that are still to be measured.
        u_ohms: standard uncertainty [ohm] of a resistance there [ohm].
    """
    celsius = _celsius(points, planned)
    found = []
    for one, other in itertools.combinations([of for of in left if reaches(celsius, of)], 2):
        design = (width, planned, u_ohms)
        deviations = separation(points, one, other, *design)
        ratio = min(expected_log_ratio(points, one, other, *design), expected_log_ratio(points, other, one, *design))
        # The logarithm of the ratio is normal with mean D^2/2 and variance D^2: its sign is right with Phi(D/2).
        right = 0.5 * math.erfc(-0.5 * deviations / math.sqrt(2.0))
        found.append(Separates((one.name, other.name), deviations, ratio, right))
    return tuple(sorted(found, key=lambda each: each.deviations))


def point_pairs(
    points: Sequence[Point], left: Sequence[Curve], width: float, places: Iterable[Place], u_ohms: UOhms
) -> tuple[PointPair, ...]:
    """Return the pairs of further points that a kitchen can make, the one that tells most first.

    The pair counts by the least expected logarithm of the likelihood ratio over any two of the curves. The room, and
    places within 10 degC of a point already taken, are left out.

    Args:
        points: points taken.
        left: the curves to tell apart.
        width: standard width of an element's factor, relative.
        places: temperatures that a point could be taken at.
        u_ohms: standard uncertainty [ohm] of a resistance [ohm] there.
    """
    open_places = [
        place
        for place in places
        if not 5.0 < place.celsius < 50.0
        and all(abs(place.celsius - point.celsius) > _SAME_CELSIUS for point in points)
    ]
    found = []
    for two in itertools.combinations(open_places, 2):
        # Two hot points share what is wrong with their reference probe.
        if all(place.celsius >= _HOT_CELSIUS for place in two):
            continue
        separates = apart(points, left, width, two, u_ohms)
        if separates:
            found.append(PointPair(two, separates))
    return tuple(sorted(found, key=lambda pair: -min(each.expected_log_ratio for each in pair.separates)))
