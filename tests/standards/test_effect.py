"""What a sensor's error does to the oven, against values computed outside this project.

Shifts and leaks of a Pt1000 after IEC 60751 were derived by a root solver outside this project (closed form and an
independent numerical check); the alpha-0.00375 sensor has the makers' five-digit coefficients.
"""

import math

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats
from scipy.optimize import brentq

from probecore.errors import MisuseError
from probeledger import curves
from probeledger.judging import customer, effect

NOMINAL = curves.curve("pt1000-3850")
FILM_3750 = curves.curve("pt1000-3750")


def only(kind: str, quantity: float | None, other: curves.PlatinumCurve | None = None) -> effect.Hypothesis:
    return effect.Hypothesis(kind, kind, quantity, 0.0, None, 0.0, True, other)


@pytest.mark.parametrize(
    ("kind", "quantity", "other", "set_celsius", "expected", "tolerance"),
    [
        ("series-resistance", 1.0, None, 100.0, -0.263647, 1e-5),
        ("series-resistance", 1.0, None, 250.0, -0.276265, 1e-5),
        ("shunt", 1e-6, None, 180.0, 0.768464, 1e-5),
        ("shunt", 1e-6, None, 200.0, 0.842572, 1e-5),
        ("scaled-element", 1.0012, None, 100.0, -0.437662, 1e-5),
        ("scaled-element", 1.0012, None, 180.0, -0.545656, 1e-5),
        ("scaled-element", 1.0012, None, 200.0, -0.573125, 1e-5),
        ("scaled-element", 1.0012, None, 250.0, -0.642662, 1e-5),
        ("other-curve", None, FILM_3750, 100.0, 2.72597, 1e-4),
        ("other-curve", None, FILM_3750, 180.0, 5.13815, 1e-4),
        ("other-curve", None, FILM_3750, 250.0, 7.43249, 1e-4),
    ],
)
def test_published_shifts(
    kind: str,
    quantity: float | None,
    other: curves.PlatinumCurve | None,
    set_celsius: float,
    expected: float,
    tolerance: float,
) -> None:
    assert effect.shift(NOMINAL, only(kind, quantity, other), set_celsius) == pytest.approx(expected, abs=tolerance)


@pytest.mark.parametrize(("shunt_ohms", "error"), [(1e5, -8.253759), (1e6, -0.839392), (1e7, -0.084082)])
def test_published_leak_errors(shunt_ohms: float, error: float) -> None:
    """Reading minus true temperature at 200 degC with a resistance across the element, from outside this project."""
    seen_ohms = 1.0 / (1.0 / NOMINAL.ohms(200.0) + 1.0 / shunt_ohms)
    seen_celsius = NOMINAL.celsius(seen_ohms)
    assert seen_celsius - 200.0 == pytest.approx(error, abs=1e-5)
    # The control that sees this resistance believes it to be at that temperature: the element is at 200 degC.
    assert effect.shunt_temperature(NOMINAL, seen_ohms, 1.0 / shunt_ohms) == pytest.approx(200.0, abs=1e-9)


def test_chi_square_table() -> None:
    """scipy's quantiles as the independent source."""
    for freedom, value in enumerate(effect._CHI_SQUARE_95, start=1):
        assert value == pytest.approx(stats.chi2.ppf(0.95, freedom), abs=6e-4)


@pytest.mark.parametrize("u_ohms", [0.3, 1.0, 3.7])
def test_twelve_ohm_at_22_degrees_is_under_8_degrees_wide(u_ohms: float) -> None:
    point = effect.Point(NOMINAL.ohms(22.0) + 12.0, u_ohms, 22.0, 0.5)
    found = effect.hypotheses(NOMINAL, [point], curves.others(NOMINAL))
    (answer,) = effect.effects(NOMINAL, found, [175.0], 22.0)
    assert answer.low_celsius is not None and answer.high_celsius is not None
    assert answer.high_celsius - answer.low_celsius < 8.0
    # Too much resistance makes the control believe in a hotter oven: it stays too cold.
    assert answer.high_celsius < 0.0
    assert {h.kind for h in found if h.compatible} == {"series-resistance", "scaled-element"}


def test_a_second_point_tells_series_from_scaled() -> None:
    """12 ohm at 22 degC and again 12 ohm at 200 degC is a resistance in series, no larger element."""
    cold = effect.Point(NOMINAL.ohms(22.0) + 12.0, 0.1, 22.0, 0.2)
    hot = effect.Point(NOMINAL.ohms(200.0) + 12.0, 0.1, 200.0, 0.3)
    found = {h.kind: h for h in effect.hypotheses(NOMINAL, [cold, hot]) if h.compatible}
    assert set(found) == {"series-resistance"}
    (answer,) = effect.effects(NOMINAL, list(found.values()), [175.0])
    assert answer.low_celsius == pytest.approx(-3.24, abs=0.4)
    assert answer.high_celsius == pytest.approx(-3.24, abs=0.4)


def test_a_second_point_shows_the_other_curve() -> None:
    cold = effect.Point(FILM_3750.ohms(22.0), 0.2, 22.0, 0.5)
    hot = effect.Point(FILM_3750.ohms(180.0), 0.2, 180.0, 0.5)
    found = [h for h in effect.hypotheses(NOMINAL, [cold, hot], curves.others(NOMINAL)) if h.compatible]
    assert [h.other_curve.name for h in found if h.other_curve] == ["pt1000-3750"]
    assert "as-nominal" not in {h.kind for h in found}
    cold_alone = [h.kind for h in effect.hypotheses(NOMINAL, [cold], curves.others(NOMINAL)) if h.compatible]
    assert "as-nominal" in cold_alone and "other-curve" in cold_alone


def test_a_measured_harness_explains_the_rest() -> None:
    """12 ohm at the control's end of which 12 were measured in the harness: no larger element is looked for."""
    point = effect.Point(NOMINAL.ohms(22.0) + 12.0, 0.3, 22.0, 0.25)
    found = effect.hypotheses(NOMINAL, [point], curves.others(NOMINAL), series=(12.1, 0.3))
    assert {h.kind for h in found if h.compatible} == {"series-resistance"}
    other = effect.hypotheses(NOMINAL, [point], curves.others(NOMINAL), series=(0.1, 0.3))
    assert "scaled-element" in {h.kind for h in other if h.compatible}
    assert "series-resistance" not in {h.kind for h in other if h.compatible}


def test_nothing_explains_contradictory_points() -> None:
    points = [effect.Point(1085.7, 0.05, 22.0, 0.05), effect.Point(1000.0, 0.05, 22.0, 0.05)]
    found = effect.hypotheses(NOMINAL, points, curves.others(NOMINAL))
    assert not any(h.compatible for h in found)
    (answer,) = effect.effects(NOMINAL, found, [175.0])
    assert answer.low_celsius is None and answer.high_celsius is None
    assert "cannot be foretold" in customer.off(answer)


def test_a_shunt_that_the_control_cannot_see_past_has_no_limit() -> None:
    """1.5 kohm across the element: the circuit never reaches the 1666 ohm of 175 degC."""
    cold_ohms = 1.0 / (1.0 / NOMINAL.ohms(22.0) + 1.0 / 1500.0)
    found = effect.hypotheses(NOMINAL, [effect.Point(cold_ohms, 0.2, 22.0, 0.5)])
    (answer,) = effect.effects(NOMINAL, found, [175.0], 22.0)
    assert answer.high_celsius is None and answer.low_celsius is not None
    assert "go on heating" in customer.off(answer)


def test_no_oven_gets_colder_than_its_room() -> None:
    found = effect.hypotheses(NOMINAL, [effect.Point(4000.0, 1.0, 22.0, 0.5)])
    (answer,) = effect.effects(NOMINAL, found, [175.0], 22.0)
    assert answer.low_celsius == 22.0 - 175.0


@given(
    ohms=st.floats(0.0, 60.0),
    factor=st.floats(0.97, 1.03),
    leak_ohms=st.floats(3e4, 1e8),
    setting=st.floats(100.0, 300.0),
)
@settings(max_examples=100, derandomize=True, deadline=None)
def test_the_control_really_sees_the_set_resistance(
    ohms: float, factor: float, leak_ohms: float, setting: float
) -> None:
    """Solve each circuit by scipy's root finder instead of by the closed form."""
    wanted = NOMINAL.ohms(setting)
    circuits = {
        ("series-resistance", ohms): lambda t: NOMINAL.ohms(t) + ohms,
        ("scaled-element", factor): lambda t: factor * NOMINAL.ohms(t),
        ("shunt", 1.0 / leak_ohms): lambda t: 1.0 / (1.0 / NOMINAL.ohms(t) + 1.0 / leak_ohms),
    }
    for (kind, quantity), circuit in circuits.items():
        root = brentq(lambda t, c=circuit: c(t) - wanted, -100.0, 700.0, xtol=1e-12)
        assert effect.shift(NOMINAL, only(kind, quantity), setting) == pytest.approx(root - setting, abs=1e-8)


@given(u_ohms=st.floats(0.05, 5.0), excess=st.floats(-40.0, 40.0), setting=st.floats(100.0, 300.0))
@settings(max_examples=100, derandomize=True, deadline=None)
def test_more_uncertainty_never_narrows(u_ohms: float, excess: float, setting: float) -> None:
    ranges = []
    for u in (u_ohms, 2.0 * u_ohms):
        point = effect.Point(NOMINAL.ohms(22.0) + excess, u, 22.0, 0.5)
        found = effect.hypotheses(NOMINAL, [point], curves.others(NOMINAL))
        (answer,) = effect.effects(NOMINAL, found, [setting])
        assert answer.low_celsius is not None
        ranges.append((answer.low_celsius, math.inf if answer.high_celsius is None else answer.high_celsius))
    assert ranges[1][0] <= ranges[0][0] + 1e-9 and ranges[1][1] >= ranges[0][1] - 1e-9


def test_settings_and_points_are_checked() -> None:
    found = effect.hypotheses(NOMINAL, [effect.Point(1085.7, 0.3, 22.0, 0.5)])
    with pytest.raises(MisuseError) as caught:
        effect.effects(NOMINAL, found, [900.0])
    assert "-200 to 850" in caught.value.message
    with pytest.raises(MisuseError):
        effect.hypotheses(NOMINAL, [])


@pytest.mark.parametrize(
    ("low", "high", "said"),
    [
        (-4.2, -3.1, "runs 3 to 4 °C (6 to 8 °F) too cold"),
        (3.0, 3.2, "runs 3 °C (5 to 6 °F) too hot"),
        (-2.0, 5.0, "may be from 2 °C (4 °F) too cold to 5 °C (9 °F) too hot"),
        (-0.4, 0.4, "right within half a degree"),
    ],
)
def test_sentences(low: float, high: float, said: str) -> None:
    sentence = customer.off(effect.Effect(175.0, low, high, ()))
    assert sentence.startswith("Set to 175 °C (347 °F)")
    assert said in sentence
