"""A leak to the chassis in the effect on the oven: Kirchhoff's current law, derived shifts, and the isolation check."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import optimize

from probeledger import curves
from probeledger.judging import chassis, effect, weighing
from probeledger.judging.chassis import Isolation

NOMINAL = curves.curve("pt1000-3850")
GOOD = effect.Point(float(NOMINAL.ohms(22.0)), 0.1, 22.0, 0.5)


def inferred_ohms(ohms, siemens, pull_up_ohms, share):
    """Solve the node by its equation for a supply of 1 V, and infer as the control does."""
    (volts,) = np.linalg.solve([[1.0 / pull_up_ohms + 1.0 / ohms + siemens]], [1.0 / pull_up_ohms + siemens * share])
    return pull_up_ohms * volts / (1.0 - volts)


@given(st.floats(800, 4000), st.floats(0, 1e-4), st.floats(500, 10000), st.floats(0, 1))
def test_kirchhoff(ohms, siemens, pull_up_ohms, share):
    expected = inferred_ohms(ohms, siemens, pull_up_ohms, share)
    assert chassis.apparent_ohms(ohms, siemens, pull_up_ohms, share) == pytest.approx(expected, rel=1e-9)


@pytest.mark.parametrize("kind", effect.CHASSIS_KINDS)
@pytest.mark.parametrize("setting", [100.0, 175.0, 260.0])
def test_the_oven_is_where_the_control_is_content(kind, setting):
    """Root of the faulty circuit, found by bracketing, against the closed forms."""
    siemens = 1.0 / 150e3
    found = {each.kind: each for each in effect.hypotheses(NOMINAL, [GOOD], isolation=Isolation(siemens, 0.0, False))}
    share = 0.0 if kind == "chassis-grounded" else 1.0
    pull_up_ohms = chassis.PULL_UP_MULTIPLE * 1000.0

    def excess(celsius):
        seen = inferred_ohms(float(NOMINAL.ohms(celsius)), siemens, pull_up_ohms, share)
        return seen - float(NOMINAL.ohms(setting))

    expected = optimize.brentq(excess, 0.0, 500.0, xtol=1e-12) - setting
    assert effect.shift(NOMINAL, found[kind], setting) == pytest.approx(expected, abs=1e-7)


@pytest.mark.parametrize(("setting", "shift"), [(180.0, 0.768464), (200.0, 0.842572)])
def test_derived_shifts(setting, shift):
    """One megohm across a 1000-ohm platinum element (IEC 60751, parallel resistance, root solve)."""
    found = effect.hypotheses(NOMINAL, [GOOD], isolation=Isolation(1e-6, 0.0, False))
    (grounded,) = [each for each in found if each.kind == "chassis-grounded"]
    assert effect.shift(NOMINAL, grounded, setting) == pytest.approx(shift, abs=1e-5)


def kinds(found):
    return [each.kind for each in found if each.compatible]


def test_isolation_excludes_a_leak():
    far = chassis.isolation_of((100e6, 0.0, True), (80e6, 0.0, True))
    found = effect.hypotheses(NOMINAL, [GOOD], isolation=far)
    assert "as-nominal" in kinds(found) and not set(effect.CHASSIS_KINDS) & set(kinds(found))
    near = chassis.isolation_of((1e6, 0.0, True), (80e6, 0.0, True))
    found = effect.hypotheses(NOMINAL, [GOOD], isolation=near)
    assert "as-nominal" in kinds(found) and set(effect.CHASSIS_KINDS) <= set(kinds(found))
    # At most a megohm's leak: up to 0.84 degrees at 200, with the reading's own width.
    (one,) = effect.effects(NOMINAL, [each for each in found if each.kind in effect.CHASSIS_KINDS], [200.0])
    assert 0.8 < one.high_celsius < 1.0 and one.low_celsius < 0.0


def test_a_leak_that_was_found_is_what_is_wrong():
    found = effect.hypotheses(
        NOMINAL, [GOOD], curves.others(NOMINAL), isolation=chassis.isolation_of((200e3, 4e3, False), (50e6, 0, True))
    )
    assert kinds(found) == list(effect.CHASSIS_KINDS)
    (one,) = effect.effects(NOMINAL, found, [200.0])
    assert one.low_celsius < -4.0 and one.high_celsius > 4.0


def test_a_wrong_element_is_not_explained_by_the_chassis():
    """The leads are free when the reading is taken: a leak to the chassis cannot make it 12 ohm too high."""
    point = effect.Point(GOOD.ohms + 12.0, 0.1, 22.0, 0.5)
    found = effect.hypotheses(NOMINAL, [point], isolation=chassis.isolation_of((200e3, 4e3, False), (50e6, 0.0, True)))
    assert not set(effect.CHASSIS_KINDS) & set(kinds(found)) and "series-resistance" in kinds(found)


def test_a_lead_that_was_not_measured_tells_nothing():
    assert chassis.isolation_of((100e6, 0.0, True), None) is None
    assert "chassis-grounded" not in [each.kind for each in effect.hypotheses(NOMINAL, [GOOD])]


def test_weights_and_mixture_hold_the_leak():
    """Drawn ovens of each kind, by their weights: the mixture's mean and ends."""
    isolation = chassis.isolation_of((300e3, 15e3, False), (50e6, 0.0, True))
    points = [GOOD, effect.Point(float(NOMINAL.ohms(0.0)), 0.1, 0.0, 0.2)]
    found = weighing.weigh(NOMINAL, effect.hypotheses(NOMINAL, points, isolation=isolation), points)
    weights = {each.kind: each.weight for each in found if each.compatible}
    assert weights == pytest.approx({"chassis-grounded": 0.5, "chassis-biased": 0.5})
    effects = effect.effects(NOMINAL, found, [200.0], 22.0)
    (mixed,) = weighing.mix(NOMINAL, found, points, effects, 22.0)
    draws = np.random.default_rng(5).normal(isolation.siemens, isolation.u_siemens, 40000)
    ohms = float(NOMINAL.ohms(200.0))
    element = np.concatenate([1.0 / (1.0 / ohms - draws), ohms / (1.0 + 2000.0 * draws)])
    errors = curves.celsius_array(NOMINAL, element) - 200.0
    assert mixed.weighted.mean_celsius == pytest.approx(errors.mean(), abs=0.05)
    assert mixed.weighted.low_celsius == pytest.approx(np.quantile(errors, 0.025), abs=0.05)
    assert mixed.weighted.high_celsius == pytest.approx(np.quantile(errors, 0.975), abs=0.05)
