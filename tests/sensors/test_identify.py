"""Which curve: against the density of scipy's normal distribution, and against hand-worked differences."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import multivariate_normal, norm

from probeledger import curves
from probeledger.errors import InputError
from probeledger.judging.effect import Point
from probeledger.sensors.apart import Place, apart, expected_log_ratio, point_pairs
from probeledger.sensors.formulae import BetaCurve
from probeledger.sensors.identify import APART_DEVIATIONS, DEFAULT_TOLERANCE_RATIO, PLACES, identify, separation

CANDIDATES = [curves.curve(name) for name in curves.BUILT_IN]
P3850, P3750 = curves.curve("pt1000-3850"), curves.curve("pt1000-3750")


def test_room_alone_does_not_separate_and_says_so() -> None:
    found = identify([Point(P3850.ohms(22.0), 0.2, 22.0, 0.5)], CANDIDATES)
    assert {m.name for m in found.matches if m.compatible} >= {"pt1000-3850", "pt1000-3750"}
    words = " ".join(found.advice)
    assert "Room temperature alone cannot separate" in words
    assert "pt1000-3750" in words and "take two points" in words
    assert all(place.label in words for place in found.pairs[0].places)


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
    assert "better reference probe" in said and "ice bath" not in said
    one = " ".join(identify(points[:1], [curves.curve(name) for name in ("pt1000-3850", "pt1000-3750")]).advice)
    assert "take two points" in one and "ice bath" not in one


WIDTH = DEFAULT_TOLERANCE_RATIO / math.sqrt(3.0)
ROOM = Point(P3850.ohms(22.0), 0.3, 22.0, 0.5)


def density(of, points, u_ohms):
    """Return scipy's normal distribution of readings of a curve; points are (degC, u in degC)."""
    mean = np.array([of.ohms(t) for t, _ in points])
    own = [u_ohms**2 + (u * of.ohms_per_celsius(t)) ** 2 for t, u in points]
    return multivariate_normal(mean, np.diag(own) + WIDTH**2 * np.outer(mean, mean))


@pytest.mark.parametrize("other", [P3750, curves.curve("pt1000-3916")], ids=lambda of: of.name)
def test_the_expected_ratio_is_the_mean_over_drawn_readings(other) -> None:
    """Draw readings of the true curve and average what scipy's densities say of them."""
    planned = (Place("ice bath", 0.0, 0.2), Place("oven at 200", 200.0, 2.0))
    points = [(22.0, 0.5), (0.0, 0.2), (200.0, 2.0)]
    true, wrong = density(P3850, points, 0.3), density(other, points, 0.3)
    drawn = true.rvs(size=200_000, random_state=np.random.default_rng(20261125))
    ratios = true.logpdf(drawn) - wrong.logpdf(drawn)
    expected = expected_log_ratio([ROOM], P3850, other, WIDTH, planned, lambda ohms: 0.3)
    assert expected == pytest.approx(ratios.mean(), abs=5.0 * ratios.std() / math.sqrt(len(ratios)))
    (two,) = apart([ROOM], [P3850, other], WIDTH, planned, lambda ohms: 0.3)
    assert two.curves == ("pt1000-3850", other.name)
    # The probability of naming the right one is that of a positive ratio; the covariances differ a little.
    assert two.right_probability == pytest.approx((ratios > 0.0).mean(), abs=0.01)
    assert two.right_probability == pytest.approx(norm.cdf(two.deviations / 2.0), abs=1e-12)


def test_the_best_pair_is_the_best_of_all_that_may_be_taken() -> None:
    pairs = point_pairs([ROOM], [P3850, P3750], WIDTH, PLACES, lambda ohms: 0.3)
    for pair in pairs:
        assert len({place.label for place in pair.places}) == 2
        assert min(place.celsius for place in pair.places) < 150.0 and all(p.label != "room" for p in pair.places)
    # Ice with boiling, and each of both with four ovens.
    assert len(pairs) == 9
    scores = [expected_log_ratio([ROOM], P3850, P3750, WIDTH, pair.places, lambda ohms: 0.3) for pair in pairs]
    assert scores == pytest.approx(sorted(scores, reverse=True), rel=0.05)
    single = max(separation([ROOM], P3850, P3750, WIDTH, (place,), lambda ohms: 0.3) for place in PLACES)
    assert pairs[0].separates[0].deviations > single


def test_a_pair_is_advised_where_no_single_point_decides() -> None:
    found = identify([ROOM], [P3850, P3750], 0.01)
    assert found.further[0].deviations < APART_DEVIATIONS < found.pairs[0].separates[0].deviations
    words = " ".join(found.advice)
    assert "pt1000-3850 from pt1000-3750" in words or "pt1000-3750 from pt1000-3850" in words
    assert " of cases" in words and "better reference probe" not in words
    exact = identify([Point(P3850.ohms(22.0), 0.01, 22.0, 0.02)], [P3850, P3750], 1e-5)
    assert exact.pairs == () and "take two points" not in " ".join(exact.advice)


def test_a_place_already_measured_is_in_no_pair() -> None:
    points = [ROOM, Point(P3850.ohms(0.0), 0.3, 0.0, 0.2)]
    pairs = point_pairs(points, [P3850, P3750], WIDTH, PLACES, lambda ohms: 0.3)
    assert pairs and all(place.label != "ice bath" for pair in pairs for place in pair.places)


def test_thermistors_are_told_apart_too() -> None:
    """Two makers' thermistors of 10 kohm at 25 degC, Beta 3977 and 3950: alike in the room, apart in ice and heat."""
    one, other = (BetaCurve(name, 1e4, beta, -40.0, 300.0) for name, beta in (("a", 3977.0), ("b", 3950.0)))
    found = identify([Point(one.ohms(24.0), 20.0, 24.0, 0.3)], [one, other], 0.01, u_further_ohms=lambda r: 0.002 * r)
    assert {m.name for m in found.matches if m.compatible} == {"a", "b"}
    assert found.further[0].deviations > found.present_deviations
    hot = one.ohms(200.0)
    found = identify([*found.points, Point(hot, 0.002 * hot, 200.0, 0.3)], [one, other], 0.01)
    assert [m.name for m in found.matches if m.share > 0.9] == ["a"]


def test_two_curves_of_one_name_are_refused() -> None:
    with pytest.raises(InputError, match="a name of its own"):
        identify([ROOM], [P3850, BetaCurve("pt1000-3850", 1e3, 3977.0, 0.0, 100.0)])


@settings(deadline=None)
@given(st.floats(0.02, 3.0), st.floats(0.02, 3.0), st.floats(-2.0, 2.0))
def test_errors_up_and_down_weigh_alike(u_ohms: float, u_celsius: float, off_ohms: float) -> None:
    """A reading so much above one curve says of that curve what one as much below says."""
    up, down = (
        {m.name: m for m in identify([Point(P3850.ohms(22.0) + o, u_ohms, 22.0, u_celsius)], CANDIDATES).matches}
        for o in (off_ohms, -off_ohms)
    )
    assert up["pt1000-3850"].chi_square == pytest.approx(down["pt1000-3850"].chi_square, rel=1e-6, abs=1e-12)
    assert up["pt1000-3850"].factor - 1.0 == pytest.approx(1.0 - down["pt1000-3850"].factor, abs=1e-12)


def test_a_sentence_names_the_nearest_curves_only() -> None:
    """Five thermistors that the room cannot separate make ten pairs, of which the three nearest are named."""
    alike = [BetaCurve(f"beta {beta}", 1e4, beta, -40.0, 300.0) for beta in (3900, 3930, 3960, 3990, 4020)]
    found = identify([Point(1e4, 50.0, 25.0, 0.5)], alike, 0.02)
    assert len(found.pairs[0].separates) == 10
    told = next(line for line in found.advice if "take two points" in line)
    assert told.count(" of cases") == 3 and "the others more surely" in told
