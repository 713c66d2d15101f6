"""The analysis against model ovens whose cycles are known by closed forms (bake_ovens.py), and logs that never settle.

The closed forms' figures were computed apart from this program, by the formulas and by numerical integration.
"""

import bake_faults
import numpy as np
import pytest
from bake_ovens import Oven, draw, draw_log, run

from probeledger.baking import logfile, outcome

# tau, T_end, T_low, T_high; t_on, t_off, period, duty, mean: room at 20 degC, heat capacity 6000 J/K.
CASES = [
    ((2400.0, 900.0, 190.0, 210.0), (68.576094, 266.941524, 335.517618, 0.204389, 199.862276)),
    ((2400.0, 900.0, 195.0, 205.0), (34.286297, 133.367643, 167.65394, 0.204506, 199.965599)),
    ((2400.0, 420.0, 240.0, 260.0), (282.679286, 208.827305, 491.50659, 0.575128, 250.051268)),
    ((1500.0, 395.0, 140.0, 180.0), (255.938276, 431.523109, 687.461384, 0.372295, 159.610537)),
]
LOGS = 800


def analysed(log):
    return outcome.analyse(logfile.from_arrays(log.seconds, log.celsius), log.mean_celsius, *log.u_parts)


@pytest.fixture(scope="module")
def drawn():
    logs = [draw_log(seed) for seed in range(LOGS)]
    return [(log, analysed(log)) for log in logs]


@pytest.mark.parametrize(("given", "known"), CASES)
def test_closed_forms(given, known):
    oven = Oven(*given)
    found = (oven.t_on_s, oven.t_off_s, oven.period_s, oven.duty, oven.mean_celsius)
    assert found == pytest.approx(known, abs=1e-4)


@pytest.mark.parametrize(("given", "known"), CASES)
@pytest.mark.parametrize("noise", [0.0, 0.3])
def test_known_ovens(given, known, noise):
    oven = Oven(*given)
    course = run(oven, 9000.0)
    celsius = course.celsius + np.random.default_rng(7).normal(0.0, noise, course.seconds.size)
    found = outcome.analyse(logfile.from_arrays(course.seconds, celsius), 200.0)
    _, _, period_s, duty, mean = known
    assert found.steady
    assert found.mean_celsius == pytest.approx(mean, abs=0.01 if noise == 0.0 else 0.05)
    assert found.period_s == pytest.approx(period_s, rel=0.003)
    assert found.swing_celsius == pytest.approx(given[3] - given[2], rel=0.05)
    assert found.duty == pytest.approx(duty, abs=0.03)
    assert found.offset_celsius == pytest.approx(found.mean_celsius - 200.0)
    assert found.first_peak_celsius == pytest.approx(given[3], abs=0.5)
    assert found.overshoot_celsius == pytest.approx(found.first_peak_celsius - found.mean_celsius)
    # The preheat is one exponential from the room to the mean.
    preheat_s = oven.tau_s * np.log((oven.end_celsius - 20.0) / (oven.end_celsius - mean))
    assert found.preheat_end_s == pytest.approx(preheat_s, abs=15.0)
    # The middle between extremes is no mean: here they differ by what the closed forms say.
    middle = np.mean([cycle.midpoint_celsius for cycle in found.cycles if cycle.state == "used"])
    assert middle == pytest.approx((given[2] + given[3]) / 2.0, abs=0.15)


def test_means_of_drawn_ovens(drawn):
    errors = [found.mean_celsius - log.error_celsius - log.mean_celsius for log, found in drawn if found.steady]
    print(f"{len(errors)} of {LOGS} steady, largest error {np.abs(errors).max():.3f} K, rms {np.std(errors):.4f} K")
    assert len(errors) >= 500
    assert np.abs(errors).max() < 0.2
    assert np.std(errors) < 0.02


def test_the_stated_interval_holds_the_mean(drawn):
    held = [
        abs(found.mean_celsius - log.mean_celsius) <= 2.0 * found.u_mean_celsius for log, found in drawn if found.steady
    ]
    print(f"{np.mean(held):.4f} of {len(held)} intervals hold the mean")
    assert 0.93 <= np.mean(held) <= 0.97


def test_cycles_are_counted(drawn):
    right = [len(found.cycles) == len(log.rises_s) - 1 for log, found in drawn if not log.doors and not log.gap]
    print(f"{sum(right)} of {len(right)} logs counted right")
    assert len(right) > 250
    assert np.mean(right) >= 0.99


def test_cycles_are_where_they_are(drawn):
    for log, found in drawn:
        if log.doors or log.gap or not found.steady:
            continue
        for cycle in found.cycles[1:]:
            # The level that cuts is near the mean, not at it.
            assert np.abs(log.rises_s - cycle.start_s).min() < 0.2 * log.period_s


def test_undisturbed_ovens_are_steady(drawn):
    quiet = [found for log, found in drawn if not log.doors and not log.gap]
    assert np.mean([found.steady for found in quiet]) >= 0.99
    several = [found for log, found in drawn if log.doors == 1 and not log.gap and len(log.rises_s) > 10]
    assert len(several) > 40
    assert np.mean([found.steady for found in several]) >= 0.95


def test_swing_and_period(drawn):
    for log, found in drawn:
        if found.steady and not log.gap:
            assert found.period_s == pytest.approx(log.period_s, rel=0.08 if log.doors else 0.03)
            # The logging probe's lag takes off some of the swing, the noise adds a little.
            assert found.swing_celsius < 1.15 * log.swing_celsius + 0.4


@pytest.mark.parametrize("kind", bake_faults.KINDS, ids=lambda kind: kind.__name__)
def test_never_a_wrong_steady(kind):
    for seed in range(90):
        seconds, celsius = kind(np.random.default_rng(seed))
        found = outcome.analyse(logfile.from_arrays(seconds, celsius), 180.0)
        assert not found.steady, (seed, found.why)
        assert found.mean_celsius is None and found.offset_celsius is None and found.u_mean_celsius is None
        assert found.why.endswith(".") and len(found.why) > 40


def test_scatter_alone_is_stated_honestly():
    """Thresholds that jitter from switch to switch: twice the cycles' own uncertainty holds the mean."""
    held = []
    for seed in range(250):
        random = np.random.default_rng(seed)
        oven = draw(random)
        swing = oven.high_celsius - oven.low_celsius
        jitter = random.normal(0.0, min(0.04 * swing, 0.4), 4000)
        first_s = run(oven, 6 * 3600.0, 60.0, most_switches=1).switched_s[0]
        lasts_s = first_s + max(random.uniform(6.0, 20.0) * oven.period_s, 1500.0)
        course = run(oven, lasts_s, shifts=lambda number, now, jitter=jitter: jitter[number])
        celsius = course.celsius + random.normal(0.0, 0.05, course.seconds.size)
        found = outcome.analyse(logfile.from_arrays(course.seconds, celsius), 180.0, 0.0, 0.0, 0.0)
        if found.steady:
            held.append(abs(found.mean_celsius - oven.mean_celsius) <= 2.0 * found.u_mean_celsius)
    print(f"{np.mean(held):.3f} of {len(held)}")
    assert len(held) > 200
    assert 0.92 <= np.mean(held) <= 0.99


def test_fast_convection_with_a_small_swing():
    oven = Oven(900.0, 320.0, 179.2, 180.8)
    course = run(oven, 3600.0)
    celsius = course.celsius + np.random.default_rng(3).normal(0.0, 0.25, course.seconds.size)
    found = outcome.analyse(logfile.from_arrays(course.seconds, celsius), 180.0)
    assert oven.period_s < 25.0 and found.steady
    assert found.mean_celsius == pytest.approx(oven.mean_celsius, abs=0.05)
    assert found.period_s == pytest.approx(oven.period_s, rel=0.02)


def test_walls_that_follow_and_then_are_still():
    """A probe that sees walls still warming: the cycles of the approach are left out."""
    oven = Oven(1500.0, 395.0, 170.0, 180.0)
    course = run(oven, 14400.0)
    celsius = course.celsius - 25.0 * np.exp(-course.seconds / 1200.0)
    found = outcome.analyse(logfile.from_arrays(course.seconds, celsius), 175.0)
    assert found.steady
    assert found.cycles[0].state == "before steady state"
    assert abs(found.mean_celsius - oven.mean_celsius) < 0.2
    assert abs(found.mean_celsius - oven.mean_celsius) < 2.0 * found.u_mean_celsius


def test_an_oven_switched_off_at_the_end_is_told():
    oven = Oven(1500.0, 395.0, 170.0, 180.0)
    course = run(oven, 9000.0, doors=[(7000.0, 9001.0, 2000.0)])
    found = outcome.analyse(logfile.from_arrays(course.seconds, course.celsius), 175.0)
    assert found.steady and found.mean_celsius == pytest.approx(oven.mean_celsius, abs=0.05)
    assert any("no whole cycles any more" in line for line in found.remarks)


def test_twelve_hours():
    oven = Oven(2400.0, 900.0, 190.0, 210.0)
    course = run(oven, 43200.0)
    celsius = course.celsius + np.random.default_rng(1).normal(0.0, 0.1, course.seconds.size)
    found = outcome.analyse(logfile.from_arrays(course.seconds, celsius), 200.0)
    assert len(found.cycles) == int((43200.0 - found.preheat_end_s) / oven.period_s)
    assert found.mean_celsius == pytest.approx(oven.mean_celsius, abs=0.01)
