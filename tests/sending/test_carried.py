"""What can be carried to a tester: few knots, small errors, every kind of file; and what cannot is said."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from probecore import cbor, definition, verdict
from probecore.curves import PlatinumCurve
from probecore.errors import ProbeError
from probeledger.errors import InputError
from probeledger.sending.definition import of_curve, of_limits, single_error_celsius
from probeledger.sensors import description
from probeledger.sensors.formulae import BetaCurve, PolynomialCurve, SteinhartHartCurve
from probeledger.sensors.tabulated import TableCurve

# Data sheet of leaded 10 k NTC components, B25/85 = 3977 K, printed table [degC, ohm]
MAKER_TABLE = [
    (-40.0, 332094.0), (-30.0, 175200.0), (-20.0, 96358.0), (-10.0, 55046.0), (5.0, 25339.0), (10.0, 19872.0),
    (20.0, 12488.0), (30.0, 8059.0), (40.0, 5330.0), (60.0, 2490.0), (85.0, 1070.0), (90.0, 915.4), (100.0, 677.3),
    (120.0, 386.6), (125.0, 338.7),
]  # fmt: skip
CURVES = [
    (TableCurve("maker", *zip(*MAKER_TABLE, strict=True)), 16),
    (SteinhartHartCurve("three terms", 1.129241e-3, 2.341077e-4, 8.775468e-8, -40.0, 150.0), 10),
    (PolynomialCurve("silicon", [1000.0, 7.9, 0.019], -40.0, 125.0, 25.0), 12),
    (PolynomialCurve("iec", [100.0, 0.39083, -5.775e-5], 0.0, 850.0), 10),
    (BetaCurve("oven", 1e5, 3950.0, -40.0, 300.0), 14),
    (BetaCurve("never at zero", 1e5, 3950.0, 60.3, 300.7), 12),
    (PlatinumCurve("own", 1000.3, 3.9090e-3, -5.78e-7, -4.18e-12, -50.0, 500.0), 0),
]


@pytest.mark.parametrize(("of", "most_knots"), CURVES, ids=lambda each: getattr(each, "name", ""))
def test_a_ladder_with_few_knots_keeps_two_millikelvin(of, most_knots):
    made = of_curve(of)
    assert made.knots <= most_knots and len(made.data) <= definition.MOST_BYTES
    assert made.id == definition.identity(made.data) and cbor.dumps(dict(made.stored)) == made.data
    curve = definition.read("curve", made.data)
    assert curve.name == of.name
    assert (curve.low_celsius, curve.high_celsius) == pytest.approx((of.low_celsius, of.high_celsius), abs=1e-4)
    for celsius in np.linspace(curve.low_celsius, curve.high_celsius, 2777):
        held = min(max(float(celsius), of.low_celsius), of.high_celsius)
        assert curve.celsius(of.ohms(held)) == pytest.approx(held, abs=0.002)
        assert curve.celsius(curve.ohms(float(celsius))) == pytest.approx(celsius, abs=1e-9)
        assert curve.ohms_per_celsius(held) == pytest.approx(of.ohms_per_celsius(held), rel=0.01)
    assert made.worst_celsius < 0.005
    assert single_error_celsius(curve, of) == pytest.approx(made.worst_celsius)


@pytest.mark.parametrize(
    ("of", "celsius", "ohms"),
    [(CURVES[0][0], 0.0, 32560.0), (CURVES[5][0], 60.3, 24600.0), (CURVES[2][0], 0.0, 814.375)],
    ids=["has zero", "has neither", "rising"],
)
def test_where_its_resistance_is_told(of, celsius, ohms):
    """At 0 degC where the range has it, else at 25 degC or the end that is nearest to it."""
    stored = of_curve(of).stored
    assert stored["r0_celsius"] == pytest.approx(celsius, abs=1e-4)
    assert stored["r0_ohms"] == pytest.approx(of.ohms(max(celsius, of.low_celsius)), rel=1e-5)
    assert stored["r0_ohms"] == pytest.approx(ohms, rel=0.01)


@settings(max_examples=40, deadline=None)
@given(
    st.floats(2500, 5000),
    st.floats(2, 6),
    st.floats(-40, 80),
    st.floats(5, 200),
)
def test_any_thermistor(beta_kelvin, decade, low, width):
    of = BetaCurve("any", 10.0**decade, beta_kelvin, low, low + width)
    made = of_curve(of)
    curve = definition.read("curve", made.data)
    for share in np.linspace(0.001, 0.999, 37):
        celsius = low + width * float(share)
        assert abs(curve.celsius(of.ohms(celsius)) - celsius) < 0.0025
    assert made.worst_celsius < 0.005


@settings(max_examples=25, deadline=None)
@given(st.lists(st.tuples(st.floats(2, 30), st.floats(8, 200)), min_size=1, max_size=15), st.booleans())
def test_any_table_is_carried_or_refused_in_words(steps, falling):
    celsius, ohms = (
        [float(each) for each in start + np.cumsum(column)]
        for start, column in zip((-40.0, 500.0), zip((0.0, 0.0), *steps, strict=True), strict=True)
    )
    of = TableCurve("any", celsius, ohms[::-1] if falling else ohms)
    try:
        made = of_curve(of)
    except InputError as error:
        assert "any" in error.message and ("knots" in error.message or "carried" in error.message)
        return
    curve = definition.read("curve", made.data)
    for share in np.linspace(0.0, 1.0, 41):
        at = of.low_celsius + (of.high_celsius - of.low_celsius) * float(share)
        at = min(max(at, curve.low_celsius), curve.high_celsius)
        assert abs(curve.celsius(of.ohms(at)) - at) < 0.005


def test_a_table_that_scatters_cannot_be_carried():
    celsius = [float(each) for each in range(-40, 400)]
    for scatter_ohms, words in ((0.8, "needs more than the 150 knots that a tester takes"), (1.9, "too crooked near")):
        ohms = [1000.0 + 4.0 * t + scatter_ohms * math.sin(2.0 * t) for t in celsius]
        with pytest.raises(InputError, match=words):
            of_curve(TableCurve("scatter", celsius, ohms))


def test_a_curve_that_single_precision_cannot_hold():
    of = PolynomialCurve("flat", [1e6, 0.5], 0.0, 100.0)
    with pytest.raises(InputError, match=r"cannot be (carried|sent) to a tester"):
        of_curve(of)


@pytest.mark.parametrize("name", ["pt100-3850", "pt1000-3750"])
def test_a_name_of_a_built_in_curve(name):
    with pytest.raises(InputError, match="is the name of a built-in one"):
        of_curve(PlatinumCurve(name, 1000.0, 3.9083e-3, -5.775e-7, -4.183e-12, -50.0, 500.0))


def test_every_example_of_the_curves_page_is_carried():
    """The files of docs/curves.md, which a shop begins with."""
    import re
    from pathlib import Path

    page = (Path(__file__).resolve().parents[2] / "docs" / "curves.md").read_text(encoding="utf-8")
    files = re.findall(r"```toml\n(.*?)```", page, re.S)
    assert len(files) >= 5
    for text in files:
        of = description.from_text(text)
        made = of_curve(of)
        middle = 0.5 * (of.low_celsius + of.high_celsius)
        assert definition.read("curve", made.data).celsius(of.ohms(middle)) == pytest.approx(middle, abs=0.002)


def test_the_id_tells_every_number():
    of = CURVES[6][0]
    again = PlatinumCurve(of.name, of.r0_ohms, of.a, of.b, of.c, of.low_celsius, of.high_celsius)
    other = PlatinumCurve(of.name, of.r0_ohms + 0.001, of.a, of.b, of.c, of.low_celsius, of.high_celsius)
    assert of_curve(of).id == of_curve(again).id != of_curve(other).id


def test_limits():
    from probeledger.judging import profiles

    made = of_limits(profiles.check({"name": "our shop", "ambient_celsius": 3}, "x"))
    back = definition.read("limits", made.data)
    assert back["ambient_celsius"] == 3.0 and back["pass_probability"] == pytest.approx(0.95, abs=1e-7)
    assert made.id == definition.identity(made.data) and len(made.data) <= definition.MOST_BYTES


def body(ohms, ambient_celsius, u_ohms=5.0):
    return {
        "curve": "sent",
        "leads": "connected",
        "ohms": ohms,
        "u_ohms": u_ohms,
        "ambient": {"celsius": ambient_celsius, "u_celsius": 0.5},
        "settling": {"settled": True},
        "contact": {"proven": True},
        "isolation": {lead: {"ohms": 1e8, "u_ohms": 0.0, "greater": True} for lead in ("a", "b")},
    }


# The Beta equation by hand: 10 kohm, 3977 K: 11447 ohm at 22 degC, 1464 ohm at 75 degC; 26.35 degC at 9419 ohm
@pytest.mark.parametrize(
    ("ohms", "ambient_celsius", "leads", "said"),
    [
        (11447.0, 22.0, True, "pass"),
        (9419.0, 22.0, True, "undecided"),
        (1464.0, 22.0, True, "fail"),
        (1464.0, 75.0, True, "pass"),
        (120.0, 22.0, False, "fail"),
        (5e6, 22.0, False, "fail"),
    ],
)
def test_the_verdict_by_a_falling_curve(ohms, ambient_celsius, leads, said):
    curve = definition.read("curve", of_curve(BetaCurve("sent", 1e4, 3977.0, -40.0, 125.0)).data)
    judged = verdict.judge(body(ohms, ambient_celsius), None, curve)
    assert judged.verdict == said
    assert (dict(judged.requirements)[verdict.CONTINUITY] == 1.0) is leads
    if leads:
        assert judged.u_celsius == pytest.approx(5.0 * (judged.celsius + 273.15) ** 2 / (3977.0 * ohms), rel=0.01)
        assert judged.expected_ohms == pytest.approx(
            1e4 * math.exp(3977.0 * (1 / (ambient_celsius + 273.15) - 1 / 298.15)), rel=1e-3
        )
    assert verdict.WINDOW in judged.not_checked


def test_the_service_window_is_for_what_has_its_resistance_at_0_degrees():
    """1000 ohm at 25 degC, as silicon sensors have, or at 0 degC and falling, is not what the window speaks of."""
    rising = of_curve(PolynomialCurve("rising", [1000.0, 3.9083, -5.775e-4], -20.0, 300.0))
    silicon = of_curve(PolynomialCurve("silicon", [1000.0, 7.9, 0.019], 10.0, 125.0, 25.0))
    falling = of_curve(BetaCurve("falling", 1000.0, 3500.0, 0.0, 100.0, 0.0))
    assert [made.stored["r0_ohms"] for made in (rising, silicon, falling)] == [1000.0] * 3
    for made, judged in ((rising, True), (silicon, False), (falling, False)):
        curve = definition.read("curve", made.data)
        names = [name for name, _ in verdict.judge(body(curve.ohms(22.0), 22.0), None, curve).requirements]
        assert (verdict.WINDOW in names) is judged


@settings(max_examples=600, deadline=None)
@given(
    st.sampled_from(range(len(CURVES))),
    st.lists(st.tuples(st.integers(0, 10_000), st.integers(1, 255)), min_size=1, max_size=4),
)
def test_damage_is_refused_or_makes_another_sound_curve(number, flips):
    """No byte of a definition can make a tester stumble: it is refused in words, or it is a curve with one answer."""
    data = bytearray(SENT[number])
    for at, bits in flips:
        data[at % len(data)] ^= bits
    try:
        curve = definition.read("curve", bytes(data))
    except ProbeError as error:
        assert error.code and error.message.endswith(".")
        return
    assert curve.low_celsius < curve.high_celsius and curve.low_ohms > 0 and curve.high_ohms > 0
    for share in (0.0, 0.3, 0.7, 1.0):
        celsius = curve.low_celsius + (curve.high_celsius - curve.low_celsius) * share
        celsius = min(max(celsius, curve.low_celsius), curve.high_celsius)
        assert math.isfinite(curve.ohms(celsius)) and math.isfinite(curve.ohms_per_celsius(celsius))


@settings(max_examples=300, deadline=None)
@given(st.binary(max_size=200), st.sampled_from(["curve", "limits"]))
def test_nonsense_is_refused(data, kind):
    with pytest.raises(ProbeError):
        definition.read(kind, data)


SENT = [of_curve(of).data for of, _ in CURVES]
