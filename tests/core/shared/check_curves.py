"""Platinum curves, in the precision that both interpreters have."""

from probecore import curves
from probecore.errors import MisuseError, RangeError

# IEC 60751:2022, table of Pt100, rounded to 0.01 ohm
IEC_PT100 = (
    (-200, 18.52),
    (-190, 22.83),
    (-100, 60.26),
    (-40, 84.27),
    (0, 100.00),
    (25, 109.73),
    (100, 138.51),
    (150, 157.33),
    (200, 175.86),
    (250, 194.10),
    (400, 247.09),
    (600, 313.71),
    (850, 390.48),
)

# Thin-film data sheets, alpha 0.00375: R(t)/R0
THIN_FILM = ((100, 1.375001), (150, 1.557988), (200, 1.737964), (250, 1.914932))

# JIS C 1604-1989, JPt100, printed table (from memory, recomputed)
JIS = ((0, 100.0), (100, 139.16), (200, 177.13), (300, 213.93), (400, 249.56), (500, 284.02))


def test_printed_table_both_ways():
    pt100 = curves.curve("pt100-3850")
    pt1000 = curves.curve("pt1000-3850")
    for celsius, ohms in IEC_PT100:
        assert abs(pt100.ohms(celsius) - ohms) <= 0.0051, celsius
        assert abs(pt1000.ohms(celsius) - 10 * ohms) <= 0.051, celsius
        assert abs(pt100.celsius(ohms) - celsius) <= 0.0051 / pt100.ohms_per_celsius(celsius), celsius


def test_other_platinum():
    thin = curves.curve("pt1000-3750")
    for celsius, ratio in THIN_FILM:
        assert abs(thin.ohms(celsius) - 1000 * ratio) < 1.1e-3, celsius
    jis = curves.curve("pt1000-3916")
    for celsius, ohms in JIS:
        assert abs(jis.ohms(celsius) - 10 * ohms) < 0.1, celsius


def test_slope_at_the_ice_point():
    # IEC 60751: dR/dt = R0 A at 0 degC
    assert abs(curves.curve("pt1000-3850").ohms_per_celsius(0) - 3.9083) < 1e-6
    # below: 0.4053081 ohm/degC of a Pt100 at -100 degC (derivative of the standard's polynomial)
    assert abs(curves.curve("pt100-3850").ohms_per_celsius(-100) - 0.4053081) < 1e-6


def test_round_trip_everywhere():
    for name in curves.BUILT_IN:
        curve = curves.curve(name)
        celsius = float(curve.low_celsius)
        while celsius <= curve.high_celsius:
            assert abs(curve.celsius(curve.ohms(celsius)) - celsius) < 1e-9, (name, celsius)
            celsius += 3.7


def test_outside_is_an_error_with_the_range_in_it():
    curve = curves.curve("pt1000-3750")
    for call, value in ((curve.ohms, 501), (curve.ohms, -51), (curve.celsius, 700.0), (curve.celsius, 1e6)):
        try:
            call(value)
        except RangeError as error:
            assert "-50" in error.message and "500" in error.message, error.message
            continue
        raise AssertionError("%g was answered" % value)


def test_the_rounded_end_of_a_printed_table_is_accepted():
    # 18.52 ohm is printed for -200 degC; the exact value is 18.520080
    assert abs(curves.curve("pt100-3850").celsius(18.52) + 200.00019) < 1e-4


def test_an_unknown_curve_is_named_with_the_known_ones():
    try:
        curves.curve("pt1000-3580")
    except MisuseError as error:
        assert "pt1000-3580" in error.message and "pt1000-3850" in error.message
    else:
        raise AssertionError("an unknown curve was found")
