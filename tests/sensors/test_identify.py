"""Which curve: against the density of scipy's normal distribution, and against hand-worked differences."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import multivariate_normal

from probeledger import curves
from probeledger.errors import InputError
from probeledger.judging.effect import Point
from probeledger.sensors.identify import identify, separation

CANDIDATES = [curves.curve(name) for name in curves.BUILT_IN]
P3850, P3750 = curves.curve("pt1000-3850"), curves.curve("pt1000-3750")


def test_room_alone_does_not_separate_and_says_so() -> None:
    found = identify([Point(P3850.ohms(22.0), 0.2, 22.0, 0.5)], CANDIDATES)
    assert {m.name for m in found.matches if m.compatible} >= {"pt1000-3850", "pt1000-3750"}
    words = " ".join(found.advice)
    assert "Room temperature alone cannot separate" in words
    assert "pt1000-3750" in words and "ice point" in words and "above 150" in words


@pytest.mark.parametrize("true", ["pt1000-3850", "pt1000-3750", "pt1000-3916", "pt100-3850"])
def test_ice_and_hot_points_find_the_curve(true: str) -> None:
    of = curves.curve(true)
    # An element 0.1 % too large, as class F 0.6 allows.
    points = [Point(1.001 * of.ohms(t), of.r0_ohms * 1e-4, t, u) for t, u in ((0.0, 0.1), (230.0, 0.5))]
    found = identify(points, CANDIDATES)
    assert found.matches[0].name == true
    assert [m.name for m in found.matches if m.compatible] == [true]
    # The common factor is estimated back.
    assert found.matches[0].factor == pytest.approx(1.001, abs=1e-9)


@settings(deadline=None)
@given(st.lists(st.floats(0.0, 300.0), min_size=1, max_size=4), st.floats(-3.0, 3.0))
def test_shares_are_those_of_the_normal_density(temperatures: list[float], off_ohms: float) -> None:
    points = [Point(P3850.ohms(t) + off_ohms, 0.5, t, 0.8) for t in temperatures]
    tolerance = 0.003
    densities = []
    for of in (P3850, P3750):
        mean = np.array([of.ohms(t) for t in temperatures])
        own = [0.5**2 + (0.8 * of.ohms_per_celsius(t)) ** 2 for t in temperatures]
        covariance = np.diag(own) + tolerance**2 / 3.0 * np.outer(mean, mean)
        densities.append(multivariate_normal(mean, covariance).logpdf([p.ohms for p in points]))
    expected = 1.0 / (1.0 + math.exp(densities[1] - densities[0]))
    shares = {m.name: m.share for m in identify(points, (P3850, P3750), tolerance).matches}
    assert shares["pt1000-3850"] == pytest.approx(expected, abs=1e-7)
    assert sum(shares.values()) == pytest.approx(1.0)


def test_separation_of_one_point_by_hand() -> None:
    # One point without temperature uncertainty and no tolerance: the difference over the uncertainty.
    point = Point(math.nan, 2.0, 100.0, 0.0)
    # 1385.055 and 1375.001 ohm at 100 degC: the two alphas, 0.00385055 and 0.003750 (IEC 60751; makers' data sheets).
    assert separation([point], P3850, P3750, 0.0) == pytest.approx((1385.055 - 1375.0) / 2.0, abs=0.01)


@settings(deadline=None)
@given(st.floats(100.0, 300.0))
def test_a_further_point_never_brings_the_curves_nearer(celsius: float) -> None:
    first = [Point(math.nan, 0.3, 22.0, 0.5)]
    more = [*first, Point(math.nan, 0.3, celsius, 1.0)]
    width = 0.0013
    # The covariance is the mean over both curves, which is the same in both designs at the first point.
    assert separation(more, P3850, P3750, width) >= separation(first, P3850, P3750, width) - 1e-9


def test_further_points_are_sorted_and_beat_the_present() -> None:
    found = identify([Point(P3850.ohms(22.0), 0.2, 22.0, 0.5)], CANDIDATES)
    deviations = [f.deviations for f in found.further]
    assert deviations == sorted(deviations, reverse=True) and len(deviations) == 7
    assert found.present_deviations is not None and deviations[-1] >= found.present_deviations


@pytest.mark.parametrize(
    ("points", "word"),
    [
        ([], "no point"),
        ([Point(1085.0, 0.0, 22.0, 0.0)], "no uncertainty"),
        ([Point(-1.0, 0.1, 22.0, 0.1)], "no measurement"),
        ([Point(1085.0, 0.1, 2000.0, 0.1)], "No curve reaches"),
    ],
)
def test_bad_points_get_one_sentence(points: list[Point], word: str) -> None:
    with pytest.raises(InputError, match=word):
        identify(points, CANDIDATES)


def test_a_reading_of_no_curve_says_so() -> None:
    found = identify([Point(1500.0, 0.2, 22.0, 0.5)], CANDIDATES)
    assert not any(m.compatible for m in found.matches)
    assert "No curve fits" in found.advice[0]


def test_no_advice_to_measure_what_was_measured():
    """With both ends measured, poorly, a better thermometer is what is missing."""
    of = curves.curve("pt1000-3850")
    points = [Point(of.ohms(t), 3.0, t, 8.0) for t in (0.0, 150.0)]
    said = " ".join(identify(points, [curves.curve(name) for name in ("pt1000-3850", "pt1000-3750")]).advice)
    assert "better reference probe" in said and "ice point" not in said
    one = " ".join(identify(points[:1], [curves.curve(name) for name in ("pt1000-3850", "pt1000-3750")]).advice)
    assert "above 150" in one
