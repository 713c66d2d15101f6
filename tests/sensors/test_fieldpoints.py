"""Field points: against IAPWS's own verification values, the standard atmosphere's table and a simulated cooling."""

import math
import os

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from probeledger import curves
from probeledger.errors import InputError
from probeledger.sensors.fieldpoints import boiling_water, hot_pair, ice_bath, saturation_celsius, standard_pascals

CURVE = curves.curve("pt1000-3850")


# IAPWS R7-97(2012), table 36.
@pytest.mark.parametrize(("pascals", "kelvin"), [(0.1e6, 372.755919), (1e6, 453.035632), (10e6, 584.149488)])
def test_saturation_has_the_release_s_verification_values(pascals: float, kelvin: float) -> None:
    assert saturation_celsius(pascals) + 273.15 == pytest.approx(kelvin, abs=5.1e-7)


# IAPWS R7-97(2012), table 35: the pressures at 500 and 600 K, back to these.
@pytest.mark.parametrize(("pascals", "kelvin"), [(2.63889776e6, 500.0), (12.3443146e6, 600.0)])
def test_saturation_inverts_the_pressures_of_the_release(pascals: float, kelvin: float) -> None:
    assert saturation_celsius(pascals) + 273.15 == pytest.approx(kelvin, abs=1e-5)


@settings(deadline=None)
@given(st.floats(60e3, 105e3))
def test_saturation_agrees_with_another_implementation(pascals: float) -> None:
    if os.environ.get("CI") == "true":
        import iapws
    else:
        iapws = pytest.importorskip("iapws")
    assert saturation_celsius(pascals) + 273.15 == pytest.approx(iapws.iapws97._TSat_P(pascals * 1e-6), abs=1e-6)


# ISO 2533:1975, table by geometric altitude (the same as U.S. Standard Atmosphere 1976 here).
@pytest.mark.parametrize(
    ("altitude_m", "pascals"),
    [(0.0, 101325.0), (500.0, 95461.0), (1000.0, 89876.0), (1500.0, 84560.0), (2500.0, 74692.0), (3000.0, 70121.0)],
)
def test_pressure_at_altitude(altitude_m: float, pascals: float) -> None:
    assert standard_pascals(altitude_m) == pytest.approx(pascals, abs=1.0)


# Standard atmosphere with IAPWS-95, by closed formula.
@pytest.mark.parametrize(
    ("altitude_m", "celsius"), [(0.0, 99.974), (500.0, 98.313), (1500.0, 94.984), (2500.0, 91.648)]
)
def test_boiling_at_altitude(altitude_m: float, celsius: float) -> None:
    assert boiling_water(altitude_m=altitude_m).celsius == pytest.approx(celsius, abs=0.002)


def test_budgets_are_the_root_of_their_squares_and_cautions_are_there() -> None:
    for point in (ice_bath(), boiling_water(altitude_m=0.0), boiling_water(pascals=98000.0)):
        assert point.u_celsius == pytest.approx(math.hypot(*(line.u_celsius for line in point.lines)))
        assert any("no mains" in line for line in point.cautions)
    assert any("Scald" in line for line in boiling_water(altitude_m=0.0).cautions)
    # IAPWS-95: 0.27651 K/kPa at 101.325 kPa; 1 kPa of weather.
    assert boiling_water(altitude_m=0.0).lines[0].u_celsius == pytest.approx(0.2765, abs=5e-4)


def cooling(lag_s: float, tau_s: float = 2000.0) -> list[tuple[float, float, float]]:
    """Return a log of an oven cooling from 230 to 30 degC; ours lags behind a probe that follows at once."""
    log = []
    for step in range(300):
        t = 10.0 * step
        oven = 30.0 + 200.0 * math.exp(-t / tau_s)
        # A first-order lag's answer to an exponential, after starting in step with it.
        k = tau_s / (tau_s - lag_s) if lag_s else 1.0
        ours = 30.0 + 200.0 * (k * math.exp(-t / tau_s) + ((1.0 - k) * math.exp(-t / lag_s) if lag_s else 0.0))
        log.append((t, CURVE.ohms(ours), oven))
    return log


@pytest.mark.parametrize("lag_s", [0.0, 10.0, 30.0])
def test_hot_pair_covers_the_lag_that_it_allows(lag_s: float) -> None:
    point = hot_pair(cooling(lag_s), CURVE, 0.0, lag_s=30.0)
    assert point.ohms is not None and point.at_s is not None
    assert point.celsius >= 150.0
    error = CURVE.celsius(point.ohms) - point.celsius
    # A rectangle's half width is sqrt(3) of its standard deviations.
    assert abs(error) <= math.sqrt(3.0) * point.u_celsius + 1e-6
    assert (error > 0.05) == (lag_s > 5.0)


def test_hot_pair_refuses_probes_that_do_not_move_together() -> None:
    log = [(10.0 * step, CURVE.ohms(200.0 - 0.2 * step), 200.0 - 0.8 * step) for step in range(100)]
    with pytest.raises(InputError, match="same rate"):
        hot_pair(log, CURVE, 1.0)


@pytest.mark.parametrize(
    ("call", "word"),
    [
        (lambda: boiling_water(), "either"),
        (lambda: boiling_water(pascals=1013.0), "no pressure in a kitchen"),
        (lambda: boiling_water(altitude_m=9000.0), "altitude"),
        (lambda: saturation_celsius(1.0), "outside"),
        (lambda: hot_pair([(0.0, 1000.0, 0.0)], CURVE, 1.0), "at least 5"),
        (lambda: hot_pair([(0.0, 1500.0, 130.0)] * 9, CURVE, 1.0), "do not rise"),
    ],
)
def test_bad_input_gets_one_sentence(call, word: str) -> None:  # type: ignore[no-untyped-def]
    with pytest.raises(InputError, match=word):
        call()
