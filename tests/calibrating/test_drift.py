"""Drift per year with its uncertainty, the advice for the next interval, and the command `calibrate history`."""

import datetime
import json
import math

import numpy as np
import pytest
from click.testing import CliRunner
from scipy import stats
from two_years import MORNINGS, TwoYears

from probeledger.calibrating.charts import Check, chart
from probeledger.calibrating.drift import INTERVALS_MONTHS, Calibration, Drift, advise, drift_of, unadjusted
from probeledger.calibrating.history import history_of
from probeledger.cli import main
from probeledger.errors import InputError


def yearly(values, u=2e-5):
    return [Check(datetime.datetime(2020 + n, 1, 1, tzinfo=datetime.UTC), value, u) for n, value in enumerate(values)]


def test_drift_is_the_weighted_slope_of_another_program():
    random = np.random.default_rng(2)
    days = np.sort(random.uniform(0, 900, 40))
    u = random.uniform(1e-5, 4e-5, 40)
    values = 1e-4 + 5e-5 * days / 365.25 + random.normal(0, 0.2 * u)
    start = datetime.datetime(2024, 1, 1, tzinfo=datetime.UTC)
    checks = [
        Check(start + datetime.timedelta(days=float(d)), float(v), float(s))
        for d, v, s in zip(days, values, u, strict=True)
    ]
    found = drift_of(checks)
    slope, covariance = np.polyfit(days / 365.25, values, 1, w=1 / u, cov="unscaled")
    assert found.per_year == pytest.approx(slope[0], rel=1e-8)
    # less scatter than stated, and no likeness from check to check: the stated uncertainties decide
    assert math.sqrt(covariance[0, 0]) <= found.u_per_year < 1.4 * math.sqrt(covariance[0, 0])
    assert found.level == pytest.approx(np.polyval(slope, days[-1] / 365.25), rel=1e-8)
    assert found.points == 40 and found.significant


def test_drift_covers_the_truth_even_where_checks_resemble_each_other():
    inside = {0.0: 0, 0.6: 0}
    for alike in inside:
        for seed in range(200):
            random = np.random.default_rng(seed)
            noise = random.normal(0, 20e-6 * math.sqrt(1 - alike**2), 150)
            for n in range(1, 150):
                noise[n] += alike * noise[n - 1]
            checks = [Check(day, v, 20e-6) for day, v in zip(MORNINGS[:450:3], noise, strict=True)]
            found = drift_of(checks)
            inside[alike] += abs(found.per_year) <= 2 * found.u_per_year
    assert inside[0.0] >= 183 and inside[0.6] >= 176


def test_a_season_is_no_drift_where_temperatures_are_known():
    inside = {True: 0, False: 0}
    for known in inside:
        for seed in range(60):
            # half a year, in which the room warms or cools
            found = drift_of(TwoYears(seed, temperatures_known=known).checks(130))
            inside[known] += abs(found.per_year) <= 2 * found.u_per_year
    assert inside[True] >= 53 and inside[False] < 45


def test_a_known_drift_is_found_with_its_size():
    random = np.random.default_rng(4)
    checks = [Check(day, 1e-4 * n / 261 + random.normal(0, 2e-5), 2e-5) for n, day in enumerate(MORNINGS)]
    found = drift_of(checks)
    assert found.per_year == pytest.approx(1e-4, abs=4 * found.u_per_year) and found.u_per_year < 5e-6


def test_adjustments_are_taken_back_before_the_drift_is_seen():
    calibrations = [
        Calibration(datetime.datetime(2022 + n, 3, 1, tzinfo=datetime.UTC), 1e-4 if n else 0.0, 0.0, 1e-5)
        for n in range(4)
    ]
    series = unadjusted(calibrations)
    assert [each.deviation for each in series] == pytest.approx([0.0, 1e-4, 2e-4, 3e-4])
    assert drift_of(series).per_year == pytest.approx(1e-4, rel=2e-3)


def test_too_little_for_a_drift_is_said():
    with pytest.raises(InputError, match="three checks at different times; there are 2"):
        drift_of(yearly([0.0, 1e-4]))
    with pytest.raises(InputError, match="uncertainty above zero"):
        drift_of(yearly([0.0, 1e-4, 2e-4], u=0.0))


def made(per_year, u_per_year):
    return Drift(per_year, u_per_year, 0.0, 1e-5, 100, 2.0)


def test_advice_is_the_longest_interval_that_conforms_at_its_end():
    limit, u_error = 3.5e-4, 5e-5
    for per_year in (0.0, 1e-4, 2e-4, 3e-4):
        drift = made(per_year, 3e-5)
        advice = advise(limit, drift, 0.0, u_error, intervals_seen=3, present_months=18)

        def conforming(months, per_year=per_year):
            # JCGM 106:2012, 7.3, by scipy
            years = months / 12
            spread = stats.norm(per_year * years, math.hypot(u_error, 3e-5 * years))
            return spread.cdf(limit) - spread.cdf(-limit)

        expected = max(months for months in INTERVALS_MONTHS if conforming(months) >= 0.95)
        assert advice.months == expected
        assert advice.probability_conforming == pytest.approx(conforming(expected), rel=1e-9)
        assert "drift of" in advice.reason and advice.reason.startswith(f"{expected} months")


def test_advice_never_runs_ahead_of_its_history():
    steady = made(1e-6, 1e-6)
    first = advise(3.5e-4, steady, 0.0, 2e-5)
    assert first.months == 12 and "waits for more history" in first.reason
    assert advise(3.5e-4, steady, 0.0, 2e-5, intervals_seen=2, present_months=12).months == 18
    one_step = advise(3.5e-4, steady, 0.0, 2e-5, intervals_seen=5, present_months=6)
    assert one_step.months == 9 and "one step at a time" in one_step.reason
    assert "no history" in advise(3.5e-4, None, 0.0, 2e-5).reason


def test_advice_is_now_where_it_has_to_be():
    out = advise(3.5e-4, made(0.0, 1e-5), 4e-4, 2e-5)
    assert out.months == 0 and "not surely within" in out.reason
    fast = advise(3.5e-4, made(3e-3, 1e-4), 0.0, 2e-5)
    assert fast.months == 0 and "look for the cause" in fast.reason
    tester = TwoYears(7).step_at(100)
    alarm = chart(tester.checks(105)).alarms[-1]
    alarmed = advise(3.5e-4, made(0.0, 1e-6), 0.0, 2e-5, alarm=alarm)
    assert alarmed.months == 0 and "alarm on" in alarmed.reason


def test_history_puts_chart_drift_advice_and_tickets_together():
    from two_years import jobs

    steady = history_of("pl-a", TwoYears(2).checks(300))
    assert steady.chart.alarm is None and steady.onset is None and steady.affected == ()
    assert steady.drift is not None and steady.advice.months > 0
    bad = history_of("pl-b", TwoYears(2).step_at(200).checks(210), jobs=jobs())
    assert bad.advice.months == 0 and bad.onset is not None
    assert bad.onset.good_until == MORNINGS[199]
    assert bad.affected[0].time > MORNINGS[199] and len(bad.affected) > 4
    with pytest.raises(InputError, match="no checks of tester pl-c"):
        history_of("pl-c", [])
    calibrations = [
        Calibration(datetime.datetime(2021 + n, 1, 5, tzinfo=datetime.UTC), 5e-5 * n, 5e-5 * n, 1e-5) for n in range(4)
    ]
    by_calibrations = history_of("pl-d", TwoYears(2).checks(30), calibrations)
    assert by_calibrations.drift is not None and by_calibrations.drift.points == 4
    assert by_calibrations.drift.per_year == pytest.approx(5e-5, rel=2e-3)


def csv_of(testers):
    lines = ["tester,time,deviation_ppm,u_ppm,celsius"]
    for name, checks in testers.items():
        for check in checks:
            lines.append(f"{name},{check.time.isoformat()},{check.deviation * 1e6!r},25,{check.celsius!r}")
    return "\n".join(lines) + "\n"


def run(tmp_path, text, *options):
    path = tmp_path / "checks.csv"
    path.write_text(text, encoding="utf-8")
    return CliRunner().invoke(main, ["calibrate", "history", str(path), *options])


def test_command_shows_testers_side_by_side(tmp_path):
    text = csv_of({"pl-a": TwoYears(2).checks(300), "pl-b": TwoYears(3).step_at(150).checks(160)})
    found = json.loads(run(tmp_path, text, "--json").stdout)
    assert [each["tester"] for each in found] == ["pl-a", "pl-b"]
    assert found[0]["alarms"] == [] and found[0]["advice"]["months"] > 0
    assert found[1]["alarms"][0]["index"] == 150 and found[1]["advice"]["months"] == 0
    assert found[1]["onset"]["good_until"] == MORNINGS[149].isoformat()
    shown = " ".join(run(tmp_path, text).stdout.split())
    assert "pl-a" in shown and "tests after 2025-" in shown and "may be affected" in shown


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("", "has no checks"),
        ("time,deviation_ppm\n2026-01-01,1\n", "no column u_ppm"),
        ("time,deviation,u_ppm\n2026-01-01,1,1\n", "no column deviation_ppm; there is deviation"),
        ("time,deviation_ppm,u_ppm\nyesterday,1,1\n", "line 2: time must be like"),
        ("time,deviation_ppm,u_ppm\n2026-01-01,nan,1\n", "line 2: deviation_ppm must be a finite number, not 'nan'"),
        ("time,deviation_ppm,u_ppm\n2026-01-01,1,-1\n", "line 2: u_ppm is -1"),
        ("time,deviation_ppm,u_ppm\n2026-01-01,1\n", "line 2: 2 values where the heading has 3"),
        ("time,deviation_ppm,u_ppm\n2026-01-01,1,1\n2026-01-01,2,1\n", "the same time"),
    ],
)
def test_command_bad_input(tmp_path, text, said):
    done = run(tmp_path, text, "--json")
    assert done.exit_code == 2 and done.stdout == ""
    assert said in done.stderr and done.stderr.count("\n") == 1
