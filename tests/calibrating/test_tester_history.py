"""The tester's own comparison with its history, over two invented years: rarely wrong, and quick to see a step.

The demand (false alarms under 1 in 200 checks) is the project's own.
"""

from two_years import STEP, TwoYears

from probecore import checking

SETUP = checking.Setup("check resistor", 1000.0, 1500.0, 1e6)


def mornings(checks):
    """Return which checks fail by history, as the tester makes them one after the other."""
    history, failed = None, []
    for number, check in enumerate(checks):
        ohms = SETUP.resistor_ohms * (1 + check.deviation)
        result = checking.judge_step(checking.RESISTOR, ohms, 0.02, SETUP, history, check.celsius)
        assert result["why"] != checking.LIMIT
        if not result["passed"]:
            failed.append(number)
            continue
        others = [
            checking.judge_step(checking.TOGETHER, 0.0, 0.01, SETUP),
            checking.judge_step(checking.ISOLATION, 1e6, 1e4, SETUP),
        ]
        history = checking.extended(history, [result, *others], check.celsius, SETUP)
    return failed


def test_false_alarms_are_rare():
    checks = failed = 0
    for seed in range(800, 820):
        made = TwoYears(seed).checks()
        checks += len(made)
        failed += len(mornings(made))
    assert checks > 10_000 and failed < checks / 200


def test_a_step_of_a_tenth_of_a_percent_fails_at_once():
    assert STEP == 1e-3
    for seed in range(820, 840):
        tester = TwoYears(seed)
        onset = int(tester.random.integers(20, 400))
        failed = mornings(tester.step_at(onset, 1 if seed % 2 else -1).checks(onset + 3))
        assert {onset, onset + 1, onset + 2} <= set(failed)
