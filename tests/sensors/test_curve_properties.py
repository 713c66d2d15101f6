"""What holds for every curve that a file can describe, whatever its kind and its numbers."""

import math

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from probecore.errors import RangeError
from probeledger import curves
from probeledger.errors import InputError
from probeledger.judging.effect import Point
from probeledger.sensors import description, tolerance
from probeledger.sensors.apart import model, separation
from probeledger.sensors.identify import identify

EXAMPLES = 60


def text(kind: str, **keys: object) -> str:
    return f'name = "drawn"\nkind = "{kind}"\n' + "".join(f"{key} = {value!r}\n" for key, value in keys.items())


@st.composite
def platinum(draw):
    # About IEC 60751's coefficients, a few percent either way, as makers' curves lie.
    low = draw(st.sampled_from([-200.0, -100.0, -50.0, 0.0, 20.0]))
    return text(
        "platinum",
        r0_ohms=draw(st.sampled_from([10.0, 100.0, 500.0, 1000.0, 10000.0])),
        a=3.9083e-3 * draw(st.floats(0.95, 1.05)),
        b=-5.775e-7 * draw(st.floats(0.5, 1.5)),
        c=-4.183e-12 * draw(st.floats(0.0, 1.5)),
        low_celsius=low,
        high_celsius=draw(st.sampled_from([100.0, 300.0, 600.0])),
    )


@st.composite
def beta(draw):
    return text(
        "ntc-beta",
        reference_ohms=10.0 ** draw(st.floats(1.0, 6.0)),
        beta_kelvin=draw(st.floats(2500.0, 5000.0)),
        reference_celsius=draw(st.floats(0.0, 100.0)),
        low_celsius=draw(st.floats(-40.0, 20.0)),
        high_celsius=draw(st.floats(60.0, 300.0)),
    )


@st.composite
def steinhart_hart(draw):
    return text(
        "steinhart-hart",
        a=1.129241e-3 * draw(st.floats(0.9, 1.1)),
        b=2.341077e-4 * draw(st.floats(0.8, 1.2)),
        c=8.775468e-8 * draw(st.floats(0.0, 2.0)),
        low_celsius=draw(st.floats(-40.0, 20.0)),
        high_celsius=draw(st.floats(60.0, 150.0)),
    )


@st.composite
def table(draw):
    steps = draw(st.lists(st.tuples(st.floats(2.0, 40.0), st.floats(0.01, 0.6)), min_size=2, max_size=12))
    celsius, logs = (np.cumsum([each[column] for each in steps]) for column in (0, 1))
    falling = draw(st.booleans())
    ohms = 1000.0 * np.exp(-logs if falling else 0.3 * logs)
    return text("table", rows=[[float(t - 50.0), float(r)] for t, r in zip(celsius, ohms, strict=True)])


@st.composite
def polynomial(draw):
    slope = draw(st.sampled_from([-1.0, 1.0])) * draw(st.floats(1.0, 8.0))
    return text(
        "polynomial",
        # The bend takes at most four fifths of the slope off over 100 degC either way.
        coefficients=[1000.0, slope, slope * draw(st.floats(-0.004, 0.004))],
        reference_celsius=25.0,
        low_celsius=-75.0,
        high_celsius=125.0,
    )


KINDS = {
    "platinum": platinum,
    "ntc-beta": beta,
    "steinhart-hart": steinhart_hart,
    "table": table,
    "polynomial": polynomial,
}


def loaded(drawn: str):
    try:
        return description.from_text(drawn)
    except InputError:
        # Numbers that describe no curve, as a resistance that goes below nothing.
        assume(False)


def both_ways(of):
    """Return the functions that convert arrays to ohms and to degrees C."""
    if isinstance(of, curves.PlatinumCurve):
        return (lambda t: curves.ohms_array(of, t)), (lambda r: curves.celsius_array(of, r))
    return of.ohms_array, of.celsius_array


def test_every_kind_is_drawn() -> None:
    assert set(KINDS) == set(description.KINDS)


def each_kind(function):
    function = settings(max_examples=EXAMPLES, deadline=None, derandomize=True)(given(st.data())(function))
    return pytest.mark.parametrize("kind", KINDS)(function)


@each_kind
def test_there_and_back_and_one_direction(kind: str, data) -> None:
    of = loaded(data.draw(KINDS[kind]()))
    to_ohms, to_celsius = both_ways(of)
    t = np.linspace(of.low_celsius, of.high_celsius, 501)
    ohms = to_ohms(t)
    assert np.abs(to_celsius(ohms) - t).max() < 1e-9
    steps = np.diff(ohms)
    assert (steps > 0.0).all() or (steps < 0.0).all()
    for at in (0, 17, 250, 500):
        assert of.ohms(float(t[at])) == pytest.approx(ohms[at], rel=1e-12)
        assert of.celsius(float(ohms[at])) == pytest.approx(t[at], abs=1e-9)


@each_kind
def test_the_slope_is_that_of_a_chord(kind: str, data) -> None:
    of = loaded(data.draw(KINDS[kind]()))
    share = data.draw(st.floats(0.05, 0.95))
    t = of.low_celsius + share * (of.high_celsius - of.low_celsius)
    if kind == "table" or (isinstance(of, curves.PlatinumCurve) and abs(t) < 0.01):
        # At a row, or where platinum's equation changes, the chord spans two pieces.
        assume(all(abs(t - row[0]) > 0.01 for row in getattr(of, "rows", ())))
    chord = (of.ohms(t + 1e-3) - of.ohms(t - 1e-3)) / 2e-3
    assert of.ohms_per_celsius(t) == pytest.approx(chord, rel=1e-3, abs=1e-9 * abs(of.ohms(t)))


@each_kind
def test_units_do_not_matter(kind: str, data) -> None:
    of = loaded(data.draw(KINDS[kind]()))
    t = of.low_celsius + data.draw(st.floats(0.01, 0.99)) * (of.high_celsius - of.low_celsius)
    # The scale's definition: 1.8 degF a degree, 32 degF at 0 degC.
    fahrenheit = 1.8 * t + 32.0
    in_celsius, in_fahrenheit = curves.point_at_celsius(of, t), curves.point_at_fahrenheit(of, fahrenheit)
    assert in_fahrenheit.ohms == pytest.approx(in_celsius.ohms, rel=1e-9)
    assert in_celsius.fahrenheit == pytest.approx(fahrenheit, abs=1e-9)
    assert curves.point_at_ohms(of, in_celsius.ohms).fahrenheit == pytest.approx(fahrenheit, abs=1e-8)


@each_kind
def test_errors_are_symmetric(kind: str, data) -> None:
    """A tolerance in ohms and the one in degrees that it makes are each other's, up and down, rising or falling."""
    of = loaded(data.draw(KINDS[kind]()))
    t = of.low_celsius + data.draw(st.floats(0.1, 0.9)) * (of.high_celsius - of.low_celsius)
    ohms = 1e-6 * of.ohms(t)
    width = tolerance.own(ohms=ohms).width(of, t)
    assert width.celsius > 0.0 and width.ohms > 0.0
    assert tolerance.own(celsius=width.celsius).width(of, t).ohms == pytest.approx(ohms)
    if kind != "table":
        up, down = (abs(of.celsius(of.ohms(t) + way * ohms) - t) for way in (1.0, -1.0))
        assert up == pytest.approx(width.celsius, rel=1e-3, abs=1e-9)
        assert down == pytest.approx(up, rel=1e-3, abs=2e-9)


@each_kind
def test_nothing_outside(kind: str, data) -> None:
    of = loaded(data.draw(KINDS[kind]()))
    to_ohms, to_celsius = both_ways(of)
    beyond = data.draw(st.floats(0.01, 1e6))
    for t in (of.low_celsius - beyond, of.high_celsius + beyond, math.nan):
        for ask in (of.ohms, lambda x: to_ohms([x])):
            with pytest.raises(RangeError):
                ask(t)
        if not isinstance(of, curves.PlatinumCurve):
            with pytest.raises(RangeError):
                of.ohms_per_celsius(t)
    ends = sorted((of.ohms(of.low_celsius), of.ohms(of.high_celsius)))
    for ohms in (ends[0] * 0.99, ends[1] * 1.01, math.nan, math.inf, -1.0):
        for ask in (of.celsius, lambda x: to_celsius([x])):
            with pytest.raises(RangeError):
                ask(ohms)


@each_kind
def test_identify_knows_its_own(kind: str, data) -> None:
    """Readings of a curve fit it with chi-square of nothing, and one as far above it fits as one below."""
    of = loaded(data.draw(KINDS[kind]()))
    t = of.low_celsius + data.draw(st.floats(0.2, 0.8)) * (of.high_celsius - of.low_celsius)
    ohms = of.ohms(t)
    off = data.draw(st.floats(0.0, 3.0)) * 1e-4 * ohms
    found = [identify([Point(ohms + way * off, 1e-4 * ohms, t, 0.01)], [of]).matches[0] for way in (0.0, 1.0, -1.0)]
    assert found[0].chi_square == pytest.approx(0.0, abs=1e-12)
    assert found[1].chi_square == pytest.approx(found[2].chi_square, rel=1e-6, abs=1e-9)
    assert separation([Point(ohms, 1e-4 * ohms, t, 0.01)], of, of, 1e-3) == 0.0
    _, covariance = model([Point(ohms, 1e-4 * ohms, t, 0.01)], of, 0.0)
    # Both parts of a point's uncertainty add, whatever the sign of the slope.
    assert covariance[0, 0] == pytest.approx((1e-4 * ohms) ** 2 + (0.01 * of.ohms_per_celsius(t)) ** 2)
