"""The morning check: what each step has to show, its history, and what a check says of later tests."""

from probecore import checking, limits

SETUP = checking.DEFAULT_SETUP


def past(values, celsius=None, step=checking.RESISTOR):
    found = {"celsius": celsius or [23.0] * len(values)}
    for name in checking.CHARTED:
        found[name] = values if name == step else [0.0] * len(values)
    return found


def steady(count, spread=10e-6):
    """Return values that step up and down by twice the spread."""
    return [spread if index % 2 else -spread for index in range(count)]


# step, ohms, u_ohms, passed. Limits: common practice, no source.
STEPS = (
    (checking.TOGETHER, 0.003, 0.004, True),
    (checking.TOGETHER, -0.003, 0.004, True),
    (checking.TOGETHER, 0.25, 0.004, False),
    (checking.TOGETHER, None, None, False),
    (checking.OPEN, 2.5e6, None, True),
    (checking.OPEN, 2.0e6, None, False),
    (checking.RESISTOR, 1000.9, 0.1, True),
    # within the limit of 0.1 % and two standard uncertainties more
    (checking.RESISTOR, 1001.1, 0.1, True),
    (checking.RESISTOR, 1001.3, 0.1, False),
    (checking.RESISTOR, 998.7, 0.1, False),
    (checking.ISOLATION, 1.04e6, 1e4, True),
    (checking.ISOLATION, 1.06e6, 1e4, False),
    (checking.JAWS, 0.7, None, True),
    (checking.JAWS, 150.0, None, False),
    (checking.JAWS, None, None, False),
)


def test_steps_by_their_limits():
    for step, ohms, u_ohms, passed in STEPS:
        result = checking.judge_step(step, ohms, u_ohms, SETUP)
        assert result["passed"] is passed, (step, ohms, result)
        assert result["why"] == (None if passed else checking.LIMIT)
        assert result["step"] == step and result["ohms"] == ohms


def test_history_speaks_from_ten_checks_on():
    # 0.06 % more than every morning before is within the limit of 0.1 %
    for count, passed in ((0, True), (9, True), (10, False), (20, False)):
        result = checking.judge_step(checking.RESISTOR, 1000.6, 0.1, SETUP, past(steady(count)), 23.0)
        assert result["passed"] is passed, count
        assert result["why"] == (None if passed else checking.HISTORY)
    assert checking.judge_step(checking.RESISTOR, 1000.05, 0.1, SETUP, past(steady(20)), 23.0)["passed"]


def test_a_warm_tester_is_no_step():
    # 10 ppm/K and 30 K are 300 ppm
    values = past(steady(20), [5.0] * 20)
    for celsius, passed in ((35.0, True), (5.0, False), (None, False)):
        result = checking.judge_step(checking.RESISTOR, 1000.3, 0.1, SETUP, values, celsius, 10.0)
        assert result["passed"] is passed, celsius


def test_history_grows_and_forgets():
    history = None
    for number in range(30):
        results = [
            checking.judge_step(checking.TOGETHER, 0.001 * number, 0.01, SETUP),
            checking.judge_step(checking.OPEN, 2.5e6, None, SETUP),
            checking.judge_step(checking.RESISTOR, 1000.0 + 0.01 * number, 0.1, SETUP),
            checking.judge_step(checking.ISOLATION, 1e6, 1e4, SETUP),
            checking.judge_step(checking.JAWS, 1.0, None, SETUP),
        ]
        history = checking.extended(history, results, 20.0 + number, SETUP)
    for name in ("celsius", checking.TOGETHER, checking.RESISTOR, checking.ISOLATION):
        assert len(history[name]) == checking.WINDOW
    assert history["celsius"][0] == 30.0 and history["celsius"][-1] == 49.0
    assert abs(history[checking.RESISTOR][-1] - 2.9e-4) < 1e-6


def test_what_is_recognised():
    assert checking.is_resistor(1002.0, SETUP) and not checking.is_resistor(1200.0, SETUP)
    assert checking.is_isolation(1.1e6, SETUP) and not checking.is_isolation(4e4, SETUP)
    assert not checking.is_isolation(5e7, SETUP)


def test_settings_that_make_no_sense_are_the_default():
    made = checking.setup_of({"check_resistor": "R7", "check_ohms": 999.987, "check_limit_ppm": 200})
    assert made == checking.Setup("R7", 999.987, 200.0, 1e6)
    for value in (None, "x", -1, 0, 1e9, float("nan"), True, []):
        bad = {"check_resistor": value, "check_ohms": value, "check_limit_ppm": value, "check_isolation_ohms": value}
        assert checking.setup_of(bad)[1:] == SETUP[1:], value


def test_what_a_check_says_of_a_test():
    day = 24 * 3600
    # check, calibration's state, codes
    for check, state, codes in (
        (None, None, []),
        ({"passed": True, "age_s": 60}, "calibrated", []),
        ({"passed": True, "age_s": day}, "calibrated", []),
        ({"passed": True, "age_s": day + 1}, "calibrated", ["check-overdue"]),
        ({"passed": True, "age_s": None}, "calibrated", ["check-overdue"]),
        ({"passed": False, "age_s": 60}, "calibrated", ["check-failed"]),
        ({"passed": None, "age_s": None}, "calibrated", ["check-never"]),
        ({}, "calibrated", ["check-never"]),
        ({"passed": True, "age_s": 60}, "uncalibrated", ["uncalibrated"]),
        ({"passed": True, "age_s": 60}, "damaged", ["uncalibrated"]),
        ({"passed": False, "age_s": 60}, "overdue", ["check-failed", "calibration-overdue"]),
    ):
        body = {"check": check, "calibration": {"state": state}}
        assert checking.findings_of(body, limits.DOMESTIC_1000) == codes, (check, state)
    shorter = limits.complete({"check_hours": 8})
    assert checking.findings_of({"check": {"passed": True, "age_s": 9 * 3600}}, shorter) == ["check-overdue"]
