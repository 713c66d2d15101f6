"""The power cut at the operations of a scripted day, on the real littlefs in the real MicroPython.

`make test` makes each sixteenth cut, `make test-long` every one. A cut is replayed by its number:
`.venv/bin/python tests/ledger/powercut.py --cut K --seed S`.
"""

import importlib.util
import subprocess
import sys
from pathlib import Path

import pytest

SCRIPT = Path(__file__).resolve().parent / "powercut.py"
_spec = importlib.util.spec_from_file_location("powercut", SCRIPT)
powercut = importlib.util.module_from_spec(_spec)
sys.modules["powercut"] = powercut
_spec.loader.exec_module(powercut)

EVERY = 16
# At least 30 probe tests, a flex, an hour of bake log, a check, two calibrations: their records alone are more.
LEAST_RECORDS = 70


def told(outcome):
    print(f"operations {outcome.operations}, cuts {outcome.cuts}, losses {outcome.losses}")
    return "\n".join(outcome.details)


def test_nothing_shown_as_saved_is_lost_at_each_sixteenth_cut():
    outcome = powercut.cut(first=3, every=EVERY)
    assert outcome.losses == 0, told(outcome)
    assert outcome.cuts == len(range(3, outcome.operations + 1, EVERY)) > 50
    assert outcome.records >= LEAST_RECORDS


def test_a_second_cut_during_the_start_that_follows():
    outcome = powercut.cut(first=5, every=200, mode="again")
    assert outcome.second_losses == outcome.losses == 0, told(outcome)
    # A start writes at least its record.
    assert outcome.second_cuts >= 3 * outcome.cuts > 15


def test_the_log_leaves_what_a_cut_in_the_living_day_leaves():
    outcome = powercut.cut(first=2, every=180, mode="living")
    assert outcome.living == outcome.cuts > 5
    assert outcome.unlike == 0


def test_a_cut_is_replayed_by_its_number():
    done = subprocess.run([sys.executable, str(SCRIPT), "--cut", "140"], capture_output=True, text=True, timeout=120)
    assert done.returncode == 0, done.stdout + done.stderr
    assert "cuts 1, losses 0" in done.stdout


def test_a_number_beyond_the_day_is_refused():
    done = subprocess.run([sys.executable, str(SCRIPT), "--cut", "999999"], capture_output=True, text=True, timeout=120)
    assert done.returncode == 2
    assert "there is no operation 999999" in done.stderr


@pytest.mark.long
@pytest.mark.parametrize("seed", [1, 2, 3])
def test_nothing_shown_as_saved_is_lost_at_any_cut(seed):
    outcome = powercut.cut(seed=seed)
    details = told(outcome)
    assert outcome.losses == 0, details
    assert outcome.cuts == outcome.operations > 1000


@pytest.mark.long
def test_a_second_cut_at_every_operation_after_each_twenty_fifth_cut():
    outcome = powercut.cut(every=25, mode="again")
    assert outcome.second_losses == outcome.losses == 0, told(outcome)
    assert outcome.second_cuts > 500
