"""Control charts: the lines, the rules over two years of drifting testers, and which tickets may be affected.

Sources: the chart of individuals follows NIST/SEMATECH e-Handbook 6.3.2.2 with its example (from memory); the demands
on detection (within ten checks) and on false alarms (under 1 in 200) are the project's own.
"""

import datetime
import math

import numpy as np
import pytest
from scipy import stats
from two_years import DAYS, DRIFT_PER_DAY, MORNINGS, TwoYears, jobs

from probeledger.calibrating import charts
from probeledger.calibrating.charts import Check, Expected, affected, chart, limits_of, onset_of
from probeledger.errors import InputError

WITHIN = 10


def run_length(slack, limit, states=300):
    """Return the mean number of checks to a false alarm of a one-sided CUSUM (Markov chain, Brook and Evans 1972)."""
    width = 2 * limit / (2 * states - 1)
    middles = np.arange(states) * width
    moves = stats.norm.cdf(middles + width / 2 - middles[:, None] + slack)
    moves[:, 1:] -= stats.norm.cdf(middles[1:] - width / 2 - middles[:, None] + slack)
    return float(np.linalg.solve(np.eye(states) - moves, np.ones(states))[0])


def latency(on_chart, onset):
    """Return how many checks an onset took to be found, None where it was not."""
    return next((alarm.index - onset + 1 for alarm in on_chart.alarms if alarm.index >= onset), None)


def test_lines_of_the_handbooks_flow_rates():
    limits = limits_of([49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1])
    assert limits.center == pytest.approx(50.81, abs=5e-5)
    assert (limits.lower, limits.upper) == pytest.approx((45.8159, 55.8041), abs=5e-5)
    assert limits.mean_range == pytest.approx(1.8778, abs=5e-5)
    assert limits.upper_range == pytest.approx(3.267 * 1.8778, abs=5e-4)


@pytest.mark.parametrize("known", [True, False])
def test_scores_of_a_steady_tester_are_standard_normal(known):
    scores = []
    for seed in range(40):
        random = np.random.default_rng(seed)
        celsius = random.normal(20, 2, 200)
        read = 3e-4 + 5e-6 * (celsius - 20) * known + random.normal(0, 20e-6, 200)
        checks = [
            Check(day, value, 2e-5, degree if known else None)
            for day, value, degree in zip(MORNINGS, read, celsius, strict=False)
        ]
        found = chart(checks).scores
        assert found[:9] == (None,) * 9
        scores += [score for score in found if score is not None]
    assert np.mean(scores) == pytest.approx(0.0, abs=0.05)
    assert stats.kstest(scores, "norm").pvalue > 0.01


def false_alarms(seeds):
    checks = alarms = 0
    for seed in seeds:
        on_chart = chart(TwoYears(seed).checks())
        checks += len(on_chart.checks)
        alarms += len(on_chart.alarms)
    return checks, alarms


def test_theory_of_false_alarms():
    # NIST/SEMATECH e-Handbook, 6.3.2.3: 168 and 465 for both sides at h = 4 and 5, k = 0.5 (from memory)
    assert [run_length(0.5, limit) / 2 for limit in (4, 5)] == pytest.approx([168, 465], rel=3e-3)
    per_check = 2 / run_length(charts._SLACK, charts._SUM_LIMIT) + 2 * stats.norm.sf(charts._SCORE_LIMIT)
    assert 1 / per_check == pytest.approx(661, abs=1)


@pytest.mark.long
def test_false_alarms_and_detection_in_full():
    checks, alarms = false_alarms(range(10000, 10400))
    assert checks > 200_000 and alarms < checks / 200
    # the theory above, and no more, for all that is learned on the way
    assert alarms == pytest.approx(checks / 661, rel=0.2)
    found = []
    for seed in range(20000, 20600):
        tester = TwoYears(seed)
        onset = int(tester.random.integers(40, 480))
        direction = 1 if seed % 2 else -1
        found.append(latency(chart(tester.drift_from(onset, direction).checks(onset + 40)), onset))
    assert None not in found and max(found) <= WITHIN


def test_false_alarms_of_steady_testers_are_rarer_than_one_in_two_hundred():
    checks, alarms = false_alarms(range(60))
    assert checks > 30000
    assert alarms < checks / 200
    # as many as the module's documentation says, within a factor of two
    assert checks / 1400 < alarms < checks / 350


@pytest.mark.parametrize("direction", [1, -1])
def test_a_step_of_a_tenth_of_a_percent_is_found_at_once(direction):
    for seed in range(100, 130):
        tester = TwoYears(seed)
        onset = int(tester.random.integers(20, 480))
        on_chart = chart(tester.step_at(onset, direction).checks(onset + 20))
        found = latency(on_chart, onset)
        assert found == 1
        alarm = next(alarm for alarm in on_chart.alarms if alarm.index >= onset)
        assert alarm.up is (direction > 0)


@pytest.mark.parametrize("direction", [1, -1])
def test_a_drift_of_two_hundredths_of_a_percent_a_month_is_found_within_ten_checks(direction):
    found = []
    for seed in range(200, 240):
        tester = TwoYears(seed)
        onset = int(tester.random.integers(40, 480))
        found.append(latency(chart(tester.drift_from(onset, direction).checks(onset + 40)), onset))
    assert None not in found
    assert max(found) <= WITHIN
    # not by being nervous: the drift is 90 ppm after ten checks, and a check scatters by up to 25
    assert min(found) >= 2


def test_a_drift_from_the_calibration_on_is_found_by_what_the_calibration_tells():
    found = []
    for seed in range(300, 360):
        tester = TwoYears(seed)
        expected = tester.after_calibration()
        found.append(latency(chart(tester.drift_from(0).checks(60), expected), 0))
        # it can be seen once it is larger than what a check scatters by
        visible = int(np.argmax(2 * tester.noise < DRIFT_PER_DAY * (DAYS + 1)))
        assert found[-1] - visible <= WITHIN
    assert np.mean(np.array(found) <= WITHIN) >= 0.9


def test_without_a_calibration_a_drift_from_the_first_check_is_found_soon_after_the_chart_has_learned():
    for seed in range(300, 340):
        found = latency(chart(TwoYears(seed).drift_from(0).checks(60)), 0)
        # nine checks teach; the rules speak from the tenth
        assert found is not None and found <= 9 + WITHIN


def test_without_temperatures_seasons_are_taken_for_drift_and_with_them_they_are_not():
    def alarms(known):
        return sum(len(chart(TwoYears(seed, temperatures_known=known).checks()).alarms) for seed in range(400, 430))

    assert alarms(known=False) > 3 * alarms(known=True)


def test_the_temperature_coefficient_is_learned():
    random = np.random.default_rng(1)
    celsius = random.normal(21, 2, 250)
    read = 1e-4 + 7e-6 * celsius + random.normal(0, 20e-6, 250)
    on_chart = chart(Check(day, v, 2e-5, c) for day, v, c in zip(MORNINGS, read, celsius, strict=False))
    assert on_chart.ppm_per_kelvin == pytest.approx(7.0, abs=3 * 20 / (2 * math.sqrt(250)))
    missing = [Check(day, v) for day, v in zip(MORNINGS, read, strict=False)]
    assert chart(missing).ppm_per_kelvin is None


def test_tickets_since_the_last_good_check_are_listed_for_a_step():
    everything = jobs()
    exact = 0
    for seed in range(500, 530):
        tester = TwoYears(seed)
        onset = int(tester.random.integers(30, 480))
        on_chart = chart(tester.step_at(onset).checks(onset + 1))
        alarm = on_chart.alarms[-1]
        since = onset_of(on_chart, alarm)
        listed = affected(everything, since, until=alarm.check.time)
        wanted = [job for job in everything if MORNINGS[onset - 1] < job.time <= MORNINGS[onset]]
        assert len(wanted) == 4
        assert set(wanted) <= set(listed)
        exact += listed == wanted
    assert exact >= 27


def test_tickets_since_the_onset_are_listed_for_a_drift():
    everything = jobs()
    complete, lengths = 0, []
    for seed in range(600, 640):
        tester = TwoYears(seed)
        onset = int(tester.random.integers(60, 480))
        on_chart = chart(tester.drift_from(onset).checks(onset + 40))
        alarm = next(alarm for alarm in on_chart.alarms if alarm.index >= onset)
        since = onset_of(on_chart, alarm)
        listed = affected(everything, since, until=alarm.check.time)
        touched = [job for job in everything if MORNINGS[onset - 1] < job.time <= alarm.check.time]
        complete += set(touched) <= set(listed)
        lengths.append(alarm.index - since.earliest + 1)
        assert listed == sorted(listed, key=lambda job: job.time)
        assert all(job.ticket for job in listed)
    assert complete >= 38
    # and it does not simply list everything: half of the lists reach back less than two months
    assert np.median(lengths) < 40


def test_tests_without_a_good_check_before_them_are_all_listed():
    checks = [Check(day, 0.01 if n >= 1 else 0.0, 2e-5) for n, day in enumerate(MORNINGS[:6])]
    on_chart = chart(checks, Expected(-0.01, 1e-5, 2e-5, 30))
    since = onset_of(on_chart, on_chart.alarms[0])
    assert since.good_until is None
    assert affected(jobs()[:12], since) == jobs()[:12]


def test_a_tolerance_is_a_rule_of_its_own_even_while_learning():
    checks = [Check(day, 5e-4 if n == 3 else 0.0, 2e-5) for n, day in enumerate(MORNINGS[:6])]
    on_chart = chart(checks, tolerance=3.5e-4)
    assert [(alarm.index, alarm.rule) for alarm in on_chart.alarms] == [(3, charts.TOLERANCE)]
    assert on_chart.learning == 10 - 5
    assert chart(checks).alarms == ()


def test_an_alarm_teaches_the_chart_nothing():
    random = np.random.default_rng(3)
    read = random.normal(0, 20e-6, 60)
    spoilt = read.copy()
    spoilt[40] = 5e-3
    plain = chart(Check(day, v) for day, v in zip(MORNINGS, np.delete(read, 40), strict=False))
    with_it = chart(Check(day, v) for day, v in zip(MORNINGS, spoilt, strict=False))
    assert [alarm.index for alarm in with_it.alarms] == [40]
    assert with_it.scores[50] == pytest.approx(plain.scores[49], rel=1e-6)
    assert with_it.limits.sigma == pytest.approx(plain.limits.sigma, rel=1e-9)
    assert 40 in with_it.ranges_beyond and 41 in with_it.ranges_beyond


def test_order_does_not_matter_and_nonsense_is_refused():
    checks = TwoYears(1).checks(80)
    assert chart(reversed(checks)) == chart(checks)
    with pytest.raises(InputError, match="must be finite"):
        chart([*checks, Check(MORNINGS[90], math.nan)])
    with pytest.raises(InputError, match="the same time"):
        chart([*checks, checks[3]])
    with pytest.raises(InputError, match="two checks at least; there is 1"):
        limits_of([1.0])
    assert chart([]).alarm is None
    still = chart(Check(day, 1e-4) for day in MORNINGS[:30])
    assert still.alarms == () and still.scores[-1] == pytest.approx(0.0, abs=0.1)
    # a display that shows whole ppm: one more is no alarm
    coarse = chart(Check(day, 1e-4 + 1e-6 * (n % 13 == 12)) for n, day in enumerate(MORNINGS[:30]))
    assert coarse.alarms == ()
    moment = datetime.datetime(2026, 1, 1, tzinfo=datetime.UTC)
    assert chart([Check(moment, 1e-5)]).limits is None
