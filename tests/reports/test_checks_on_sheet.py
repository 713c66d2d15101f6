"""The day sheet and the tester's checks: who was checked, who was not, and which tests a failed check puts in doubt."""

import json

import builder
import pytest
from click.testing import CliRunner
from test_day_sheet import DAY, Page, sheet_of

from probecore.checking import DEFAULT_SETUP, judge_step
from probeledger.cli import main
from probeledger.reports.day import document
from probeledger.reports.render import render

HOUR = 3600
GOOD = {"passed": True, "age_s": 600, "sequence": 2, "good_sequence": 2}


def check(off_ppm=0.0, **parts):
    """Return the body of a check whose resistor reads off by so much."""
    ohms = {
        "together": 0.002,
        "open": 2.5e6,
        "resistor": 1000.0 * (1 + off_ppm * 1e-6),
        "isolation": 1.003e6,
        "jaws": 0.4,
    }
    steps = [judge_step(step, value, 0.02, DEFAULT_SETUP) for step, value in ohms.items()]
    return {
        "passed": all(step["passed"] for step in steps),
        "resistor": DEFAULT_SETUP.resistor,
        "resistor_ohms": DEFAULT_SETUP.resistor_ohms,
        "tester_celsius": 23.0,
        "foreign": None,
        "fault": None,
        "steps": steps,
        **parts,
    }


def a_probe(job, **parts):
    return builder.probe(job=job, ticket=f"T{job}", **{"check": dict(GOOD), **parts})


def ledger_of(*events):
    """Return a ledger of (hours from noon, kind, body)."""
    ledger = builder.Ledger()
    for hours, kind, body in events:
        ledger.add(kind, body, builder.NOON + round(hours * HOUR))
    return ledger


def by_job(sheet):
    return {test["job"]: test for tester in document(sheet)["testers"] for test in tester["tests"]}


def test_a_failed_check_marks_every_test_since_the_last_good_one(tmp_path):
    ledger = ledger_of(
        (-28.0, "check", check()),
        (-25.0, "probe", a_probe(1)),
        (-4.0, "check", check()),
        (-3.0, "probe", a_probe(2)),
        (-2.0, "probe", a_probe(3)),
        (-1.0, "check", check(2000.0)),
        (1.0, "probe", a_probe(4, check={**GOOD, "passed": False})),
        (2.0, "check", check()),
        (3.0, "probe", a_probe(5)),
    )
    sheet = sheet_of(tmp_path, ledger)
    found = by_job(sheet)
    assert {job: test["in_doubt"] for job, test in found.items()} == {2: True, 3: True, 4: True, 5: False}
    assert found[2]["failed_check"]["sequence"] == 6 and found[2]["failed_check"]["failed_steps"] == ["resistor"]
    # The verdict of the test stays what it was.
    assert {test["verdict"] for test in found.values()} == {"pass"}
    assert [finding["code"] for finding in found[4]["findings"]] == ["check-failed"]
    first = next(each for each in document(sheet)["attention"] if "failed its check" in each["title"])
    assert [test["sequence"] for test in first["tests"]] == [4, 5, 7]
    page = " ".join(Page(render(sheet)).text.split())
    assert page.count("in doubt: check failed") == 3
    assert "the tester failed its check at 11:00; its last good one was at 08:00, the next good one at 14:00" in page
    assert "3 tests of this day in doubt" in page


def test_a_check_of_the_next_morning_reaches_back_to_yesterdays_sheet(tmp_path):
    ledger = ledger_of(
        (-4.0, "check", check()),
        (-3.0, "probe", a_probe(1)),
        (20.0, "check", check(-1900.0)),
    )
    (test,) = by_job(sheet_of(tmp_path, ledger)).values()
    assert test["in_doubt"] and test["failed_check"]["time"] == "2026-11-26T08:00:00Z"


def test_good_checks_and_a_check_that_a_voltage_stopped_mark_nothing(tmp_path):
    stopped = check(passed=False, foreign={"seen": True, "at": "lead a"}, steps=[])
    ledger = ledger_of(
        (-4.0, "check", check()),
        (-3.0, "probe", a_probe(1)),
        (-2.0, "check", stopped),
        (-1.0, "probe", a_probe(2)),
        (20.0, "check", check()),
    )
    sheet = sheet_of(tmp_path, ledger)
    assert not any(test["in_doubt"] for test in by_job(sheet).values())
    assert not any("check" in each["title"] for each in document(sheet)["attention"])
    (tester,) = document(sheet)["testers"]
    assert tester["check_state"] == "check passed at 08:00" and len(tester["checks"]) == 1
    assert "check passed at 08:00" in Page(render(sheet)).text


@pytest.mark.parametrize(
    ("told", "state", "code"),
    [
        ({"passed": None, "age_s": None, "sequence": None, "good_sequence": None}, "never checked", "check-never"),
        ({"passed": True, "age_s": 26 * HOUR}, "check passed on 2026-11-24 at 09:00", "check-overdue"),
    ],
)
def test_a_tester_without_a_check_that_holds_is_named(tmp_path, told, state, code):
    events = [(-1.0, "probe", {**builder.probe(job=1, check=told)})]
    if told["passed"]:
        events.insert(0, (-27.0, "check", check()))
    sheet = sheet_of(tmp_path, ledger_of(*events))
    (tester,) = document(sheet)["testers"]
    assert tester["check_state"] == state
    (test,) = tester["tests"]
    assert [finding["code"] for finding in test["findings"]] == [code] and not test["in_doubt"]
    assert test["verdict"] == "pass"
    assert any("worked without a good check: 1 test" in each["title"] for each in document(sheet)["attention"])
    text = Page(render(sheet)).text
    assert state in text and "Within the limits in all that was checked." in text


def test_hostile_checks_do_not_break_the_sheet(tmp_path):
    for number, body in enumerate(
        (
            {},
            {"passed": "yes", "steps": "x"},
            {"passed": False, "steps": [1, None, {"step": ["<b>"], "passed": 2}]},
            {"passed": False, "foreign": 7, "steps": [{"step": "<script>alert(1)</script>"}]},
        )
    ):
        folder = tmp_path / str(number)
        folder.mkdir()
        odd = builder.probe(job=1, check={"passed": [], "age_s": "<i>"})
        source = render(sheet_of(folder, ledger_of((-2.0, "check", body), (-1.0, "probe", odd))))
        Page(source)
        assert "<script" not in source


def test_the_command_tells_it_to_scripts(tmp_path):
    ledger = ledger_of((-4.0, "check", check()), (-3.0, "probe", a_probe(1)), (-1.0, "check", check(2000.0)))
    builder.archive_of(tmp_path, ledger).close()
    told = CliRunner().invoke(
        main,
        ["day", "--date", DAY.isoformat(), "--archive", str(tmp_path / "archive.sqlite"), "--json"],
        env={"TZ": "UTC"},
    )
    assert told.exit_code == 0
    (tester,) = json.loads(told.stdout)["testers"]
    assert tester["last_good_check"]["sequence"] == 1 and tester["tests"][0]["in_doubt"] is True
