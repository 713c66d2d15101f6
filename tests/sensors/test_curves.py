"""Sensor curves beside the built-in ones, their numbers and their tolerances, against published figures."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from probecore.curves import curve as built_in
from probecore.errors import RangeError
from probeledger.errors import InputError
from probeledger.sensors import coefficients, tolerance
from probeledger.sensors.formulae import BetaCurve, PolynomialCurve, SteinhartHartCurve
from probeledger.sensors.tabulated import TableCurve

# Data sheet of precision 10 k thermistors: coefficients and printed table [degC, ohm]
PRECISION = SteinhartHartCurve("precision", 1.129241e-3, 2.341077e-4, 8.775468e-8, -40.0, 150.0)
PRECISION_TABLE = [(0.0, 32650.8), (50.0, 3601.0), (70.0, 1751.6), (100.0, 678.4)]

# Data sheet of leaded 10 k NTC components, B25/85 = 3977 K, printed table [degC, ohm]
MAKER_TABLE = [
    (-40.0, 332094.0), (-30.0, 175200.0), (-20.0, 96358.0), (-10.0, 55046.0), (5.0, 25339.0), (10.0, 19872.0),
    (20.0, 12488.0), (30.0, 8059.0), (40.0, 5330.0), (60.0, 2490.0), (85.0, 1070.0), (90.0, 915.4), (100.0, 677.3),
    (120.0, 386.6), (125.0, 338.7),
]  # fmt: skip
MAKER = TableCurve("maker", *zip(*MAKER_TABLE, strict=True))
# IEC 60751's equation from 0 degC up, for 1000 ohm, written as a polynomial
IEC = PolynomialCurve("iec", [1000.0, 3.9083, -5.775e-4], 0.0, 850.0)
# Data sheet of 1 k silicon sensors with a positive coefficient, typical resistance at 1 mA
RISING = TableCurve("rising", [-40.0, 0.0, 25.0, 100.0, 150.0], [567.0, 815.0, 1000.0, 1696.0, 2211.0])
CURVES = [PRECISION, MAKER, IEC, RISING, BetaCurve("beta", 1e4, 3977.0, -40.0, 150.0)]


@pytest.mark.parametrize(("celsius", "ohms"), PRECISION_TABLE)
def test_three_terms_give_the_printed_table(celsius, ohms):
    assert PRECISION.ohms(celsius) == pytest.approx(ohms, rel=5e-5)


# The pure Beta equation, worked by hand from its definition
@pytest.mark.parametrize(
    ("beta_kelvin", "celsius", "ohms"), [(3950, 0, 33620.604), (3950, 50, 3588.183), (3977, 100, 684.939)]
)
def test_beta_equation(beta_kelvin, celsius, ohms):
    assert BetaCurve("x", 1e4, beta_kelvin, -40.0, 150.0).ohms(celsius) == pytest.approx(ohms, rel=1e-6)


@pytest.mark.parametrize(("celsius", "ohms"), MAKER_TABLE)
def test_table_left_without_a_row_comes_back_to_it(celsius, ohms):
    assert MAKER.ohms(celsius) == pytest.approx(ohms, rel=1e-12)
    rest = [row for row in MAKER_TABLE if row[0] != celsius]
    if rest[0][0] < celsius < rest[-1][0]:
        without = TableCurve("without", *zip(*rest, strict=True))
        assert without.ohms(celsius) == pytest.approx(ohms, rel=4e-3)


@pytest.mark.parametrize("celsius", [0.0, 25.0, 100.0, 175.0, 400.0, 850.0])
def test_polynomial_agrees_with_the_platinum_curve(celsius):
    assert IEC.ohms(celsius) == pytest.approx(built_in("pt1000-3850").ohms(celsius), rel=1e-14)


@given(st.sampled_from(CURVES), st.floats(0, 1), st.floats(0, 1))
def test_round_trip_and_one_direction(of, share, other):
    t, u = sorted(of.low_celsius + (of.high_celsius - of.low_celsius) * min(each, 1.0) for each in (share, other))
    t, u = max(t, of.low_celsius), min(u, of.high_celsius)
    assert abs(of.celsius(of.ohms(t)) - t) < 1e-9
    if u - t > 1e-6:
        assert (of.ohms(u) > of.ohms(t)) == (of.high_end_ohms > of.low_end_ohms)


@pytest.mark.parametrize("of", CURVES, ids=lambda of: of.name)
def test_arrays_and_slope(of):
    t = np.linspace(of.low_celsius, of.high_celsius, 400).reshape(20, 20)
    assert of.ohms_array(t).shape == (20, 20)
    assert np.abs(of.celsius_array(of.ohms_array(t)) - t).max() < 1e-9
    for x in np.linspace(of.low_celsius + 1, of.high_celsius - 1, 17):
        chord = (of.ohms(x + 1e-4) - of.ohms(x - 1e-4)) / 2e-4
        assert of.ohms_per_celsius(x) == pytest.approx(chord, rel=1e-4)


# Slope 3 ((t - c)^2 - 0.0001): it turns between 0.01 degC either side of c, which 2001 even knots over 100 degC miss
@pytest.mark.parametrize("reference_celsius", [0.0, 20.0])
def test_a_polynomial_that_turns_briefly_is_refused(reference_celsius):
    slope = 3.0 * (np.polynomial.Polynomial([-0.025, 1.0]) ** 2 - 1e-4)
    coefficients = (slope.integ() + 1.0).coef
    with pytest.raises(InputError, match="turns round near"):
        PolynomialCurve("turns", coefficients, reference_celsius, reference_celsius + 100.0, reference_celsius)


@given(st.floats(3000, 4600), st.sampled_from([(-55.0, 155.0), (-40.0, 125.0), (0.0, 100.0)]))
def test_ends_printed_to_four_digits_are_taken(beta_kelvin, ends):
    of = BetaCurve("printed", 1e4, beta_kelvin, *ends)
    for end, celsius in ((of.low_end_ohms, ends[0]), (of.high_end_ohms, ends[1])):
        found = of.celsius(float(f"{end:.4g}"))
        assert found == pytest.approx(celsius, abs=0.03)
        assert ends[0] <= found <= ends[1]


@pytest.mark.parametrize("of", CURVES, ids=lambda of: of.name)
def test_nothing_outside_the_range(of):
    for t in (of.low_celsius - 0.01, of.high_celsius + 0.01, float("nan")):
        with pytest.raises(RangeError, match=f"holds from {of.low_celsius:g} to {of.high_celsius:g}"):
            of.ohms(t)
    for r in (of.least_ohms * 0.999, of.most_ohms * 1.001, float("nan"), float("inf")):
        with pytest.raises(RangeError, match="holds from"):
            of.celsius(r)
    # a table's end rounded in the fifth place
    assert of.celsius(of.high_end_ohms * (1 + 4e-5)) == pytest.approx(of.high_celsius, abs=0.1)


@given(st.lists(st.tuples(st.floats(1, 30), st.floats(5, 200)), min_size=2, max_size=20), st.booleans())
def test_any_monotone_table_comes_back(steps, falling):
    celsius, ohms = (
        [float(each) for each in start + np.cumsum(column)]
        for start, column in zip((-60.0, 500.0), zip(*steps, strict=True), strict=True)
    )
    of = TableCurve("any", celsius, ohms[::-1] if falling else ohms)
    t = np.linspace(of.low_celsius, of.high_celsius, 101)
    assert np.abs(of.celsius_array(of.ohms_array(t)) - t).max() < 1e-9
    assert (np.diff(of.ohms_array(t)) < 0).all() if falling else (np.diff(of.ohms_array(t)) > 0).all()


# Thin-film data sheets print alpha, delta, beta beside A, B, C of IEC 60751
def test_published_pairs():
    assert coefficients.to_callendar(3.9083e-3, -5.775e-7, -4.183e-12) == pytest.approx(
        (0.00385055, 1.49979, 0.108634), rel=1e-5
    )
    assert coefficients.from_callendar(0.00375, 1.605, 0.16) == pytest.approx((3.81e-3, -6.02e-7, -6e-12), rel=1e-3)


@given(st.floats(1e-3, 1e-2), st.floats(-5, 5), st.floats(-1, 1))
def test_coefficients_both_ways(alpha, delta, beta):
    back = coefficients.to_callendar(*coefficients.from_callendar(alpha, delta, beta))
    assert back == pytest.approx((alpha, delta, beta), rel=1e-9, abs=1e-9)


# Printed class A and B tables of IEC 60751 at 100 ohm: [degC, class, degC, ohm]
@pytest.mark.parametrize(
    ("at", "name", "celsius", "ohms"),
    [
        (-100, "A-W", 0.35, 0.14), (-100, "B-W", 0.8, 0.32), (0, "A", 0.15, 0.06), (0, "B", 0.3, 0.12),
        (100, "A", 0.35, 0.13), (100, "B", 0.8, 0.30), (200, "A", 0.55, 0.20), (200, "B", 1.3, 0.48),
    ],
)  # fmt: skip
def test_iec_classes(at, name, celsius, ohms):
    width = tolerance.tolerance(name).width(built_in("pt100-3850"), at)
    assert width.celsius == pytest.approx(celsius, abs=1e-9)
    assert width.ohms == pytest.approx(ohms, abs=0.006)


# ASTM E1137's formulae
@pytest.mark.parametrize(("at", "a", "b"), [(0, 0.13, 0.25), (100, 0.3, 0.67), (200, 0.47, 1.09), (250, 0.555, 1.3)])
def test_astm_grades(at, a, b):
    of = built_in("pt100-3850")
    assert tolerance.tolerance("E1137-A").width(of, at).celsius == pytest.approx(a)
    assert tolerance.tolerance("E1137-B").width(of, at).celsius == pytest.approx(b)


# IEC 60751:2022, ranges of thermometer classes
@pytest.mark.parametrize(
    ("name", "low", "high"),
    [("AA-W", -50, 250), ("AA-F", 0, 150), ("A-W", -100, 450), ("A-F", -30, 300), ("B-W", -196, 600),
     ("B-F", -50, 500), ("C-W", -196, 600), ("C-F", -50, 600)],
)  # fmt: skip
def test_classes_end_where_the_standard_ends_them(name, low, high):
    of, within = built_in("pt100-3850"), tolerance.tolerance(name)
    within.width(of, low), within.width(of, high)
    for t in (low - 0.1, high + 0.1):
        with pytest.raises(RangeError, match=f"from {low} to {high}"):
            within.width(of, t)


@given(st.floats(0, 190))
def test_symmetric_about_zero(t):
    of, within = built_in("pt100-3850"), tolerance.tolerance("B-W")
    assert within.width(of, t).celsius == within.width(of, -t).celsius


# IEC 60751:2022, ranges of resistor classes
@pytest.mark.parametrize(
    ("name", "low", "high", "at_100"),
    [("F0.1", 0, 150, 0.27), ("F0.15", -30, 300, 0.35), ("F0.3", -50, 500, 0.8), ("F0.6", -50, 600, 1.6),
     ("W0.1", -100, 350, 0.27), ("W0.15", -100, 450, 0.35), ("W0.3", -196, 660, 0.8), ("W 0.6", -196, 660, 1.6)],
)  # fmt: skip
def test_resistor_classes(name, low, high, at_100):
    of, within = built_in("pt100-3850"), tolerance.tolerance(name)
    assert within.width(of, 100).celsius == pytest.approx(at_100)
    within.width(of, low), within.width(of, high)
    for t in (low - 0.1, high + 0.1):
        with pytest.raises(RangeError, match=f"from {low} to {high}"):
            within.width(of, t)


def test_own_plus_minus():
    assert tolerance.own(ohms=12.0).width(IEC, 0.0).celsius == pytest.approx(12.0 / 3.9083)
    assert tolerance.own(celsius=1.0).width(PRECISION, 50.0).ohms == pytest.approx(-PRECISION.ohms_per_celsius(50.0))
    for bad in ({}, {"ohms": 1.0, "celsius": 1.0}, {"ohms": 0.0}, {"celsius": float("nan")}):
        with pytest.raises(InputError):
            tolerance.own(**bad)
