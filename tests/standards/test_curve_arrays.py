"""Properties of the conversions that hold for every curve."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from probecore.errors import MisuseError, RangeError
from probeledger import curves, units


@pytest.mark.parametrize("name", curves.BUILT_IN)
def test_round_trip_over_the_whole_range(name: str) -> None:
    of = curves.curve(name)
    grid = np.linspace(of.low_celsius, of.high_celsius, 20001)
    ohms = curves.ohms_array(of, grid)
    assert (np.diff(ohms) > 0).all()
    assert np.abs(curves.celsius_array(of, ohms) - grid).max() < 1e-9


@pytest.mark.parametrize("name", curves.BUILT_IN)
def test_array_and_scalar_agree(name: str) -> None:
    of = curves.curve(name)
    grid = np.linspace(of.low_celsius, of.high_celsius, 301)
    ohms = curves.ohms_array(of, grid)
    for t, r in zip(grid.tolist(), ohms.tolist(), strict=True):
        assert of.ohms(t) == pytest.approx(r, abs=1e-9)
        assert of.celsius(r) == pytest.approx(t, abs=1e-9)


@pytest.mark.parametrize(("b", "low_celsius"), [(0.0, -50), (4e-7, -50), (-5e-7, 0)])
def test_other_bends_and_ranges(b: float, low_celsius: float) -> None:
    of = curves.PlatinumCurve("made-up", 1000, 3.9e-3, b, -4e-12, low_celsius, 300)
    grid = np.linspace(low_celsius, 300, 1001)
    ohms = curves.ohms_array(of, grid)
    assert np.abs(curves.celsius_array(of, ohms) - grid).max() < 1e-9
    # A printed table's rounded end value is still accepted.
    end = of.low_ohms - 0.01
    assert curves.celsius_array(of, end) == pytest.approx(of.celsius(end), abs=1e-9)


@pytest.mark.parametrize(
    ("b", "c", "low_celsius"),
    [(-5.8e-7, -4e-11, -200), (-5.8e-7, 3e-11, -260), (-3e-6, -4e-11, -200), (3e-6, 1e-11, -260), (3e-6, 3e-11, -200)],
)
def test_bends_that_no_polynomial_follows(b: float, c: float, low_celsius: float) -> None:
    """Ten times the bend of any platinum: Newton's steps finish what the polynomial leaves."""
    of = curves.PlatinumCurve("bent", 1000, 3.9e-3, b, c, low_celsius, 300)
    assert not curves._cold_fit(of.a, of.b, of.c, of.low_celsius)[1]
    grid = np.linspace(low_celsius, 300, 20001)
    assert np.abs(curves.celsius_array(of, curves.ohms_array(of, grid)) - grid).max() < 1e-9


@pytest.mark.parametrize("name", curves.BUILT_IN)
def test_a_built_in_curve_needs_no_step(name: str) -> None:
    of = curves.curve(name)
    assert curves._cold_fit(of.a, of.b, of.c, of.low_celsius)[1]
    grid = np.linspace(of.low_celsius, 0.0, 100_001)
    assert np.abs(curves.celsius_array(of, curves.ohms_array(of, grid)) - grid).max() < 2e-11


@pytest.mark.parametrize("size", [1, 65535, 65536, 65537, 200_000])
def test_any_size(size: int) -> None:
    of = curves.curve("pt1000-3850")
    grid = np.linspace(-200.0, 850.0, size)
    grid = np.concatenate((grid[::2], grid[1::2]))
    assert np.abs(curves.celsius_array(of, curves.ohms_array(of, grid)) - grid).max() < 1e-9


def test_shapes_are_kept() -> None:
    of = curves.curve("pt1000-3850")
    assert curves.celsius_array(of, np.full((2, 3), 1000.0)).shape == (2, 3)
    assert curves.ohms_array(of, 0.0).shape == ()
    assert curves.celsius_array(of, []).shape == (0,)


@pytest.mark.parametrize("bad", [185.0, 3905.0, float("nan"), float("inf"), -1.0])
def test_out_of_range_names_the_range(bad: float) -> None:
    of = curves.curve("pt1000-3850")
    with pytest.raises(RangeError) as caught:
        curves.celsius_array(of, [1000.0, bad])
    with pytest.raises(RangeError):
        curves.celsius_array(of, np.concatenate((np.full(200_000, 1000.0), [bad], np.full(9, 900.0))))
    assert "185.15 to 3904.86 ohm" in caught.value.message
    with pytest.raises(RangeError):
        curves.point_at_ohms(of, bad)


@pytest.mark.parametrize("bad", [-200.5, 851.0, float("nan"), float("-inf")])
def test_temperature_out_of_range(bad: float) -> None:
    of = curves.curve("pt1000-3850")
    with pytest.raises(RangeError) as caught:
        curves.ohms_array(of, bad)
    with pytest.raises(RangeError):
        curves.ohms_array(of, np.concatenate((np.zeros(200_000), [bad], np.full(9, -5.0))))
    assert "-200.00 to 850.00 degrees C" in caught.value.message
    with pytest.raises(RangeError):
        curves.point_at_celsius(of, bad)


def test_unknown_curve_names_the_nearest() -> None:
    with pytest.raises(MisuseError) as caught:
        curves.curve("PT1000-385")
    assert "Did you mean pt1000-3850" in caught.value.message


def test_others_have_the_same_resistance_at_zero() -> None:
    assert [c.name for c in curves.others(curves.curve("pt1000-3850"))] == ["pt1000-3750", "pt1000-3916"]
    assert curves.others(curves.curve("pt100-3850")) == ()


@given(st.floats(-328.0, 1562.0))
@settings(max_examples=200, derandomize=True)
def test_units_there_and_back(fahrenheit: float) -> None:
    assert units.fahrenheit(units.celsius(fahrenheit)) == pytest.approx(fahrenheit, abs=1e-9)


@given(st.floats(-200.0, 850.0), st.floats(-200.0, 850.0))
@settings(max_examples=200, derandomize=True)
def test_strictly_rising(one: float, two: float) -> None:
    of = curves.curve("pt1000-3850")
    if abs(one - two) > 1e-6:
        assert (of.ohms(one) < of.ohms(two)) == (one < two)


def test_fixed_points_of_fahrenheit() -> None:
    """Ice and steam point, by definition of the scale."""
    assert units.fahrenheit(0.0) == 32.0
    assert units.fahrenheit(100.0) == 212.0
    assert units.fahrenheit(-40.0) == -40.0
    assert units.fahrenheit_difference(5.0) == 9.0
