"""A day from the oven to the day sheet, on the real firmware: verdicts follow the oven's file and nothing else.

Outside checks: IEC 60751 gives the resistance at 25 degC (1097.35 ohm), which the reference oven has exactly; the
resistances and temperatures of the other ovens are what their files say.
"""

import datetime
import json
import pathlib
import re
import tomllib
from typing import Any

import pytest
from click.testing import CliRunner

from probecore.findings import ABOUT_TESTER
from probeledger import demo
from probeledger.archive import open_archive
from probeledger.cli import main
from probeledger.demo import Clipped, Visit
from probeledger.reports.day import document
from probeledger.virtual import scenario as scenarios

pytestmark = pytest.mark.usefixtures("micropython")

DATE = datetime.date(2026, 11, 25)
UTC = datetime.UTC


def live(folder: pathlib.Path, *visits: Visit, ovens: dict[str, Any] | None = None) -> demo.DemoDay:
    return demo.live(folder, DATE, lambda hour, text: None, visits, ovens, UTC)


def edited(name: str, **changes: Any) -> scenarios.Scenario:
    """Return a built-in oven with values of its file changed; `table__key` names a key, None removes the table."""
    table = tomllib.loads((scenarios.OVENS / f"{name}.toml").read_text(encoding="utf-8"))
    for path, value in changes.items():
        *tables, key = path.split("__")
        inner = table
        for step in tables:
            inner = inner.setdefault(step, {})
        if value is None:
            del inner[key]
        else:
            inner[key] = value
    return scenarios.from_table(table)


def found_in(lived: demo.DemoDay) -> list[dict[str, Any]]:
    return [test for tester in document(lived.sheet)["testers"] for test in tester["tests"]]


def codes(test: dict[str, Any]) -> set[str]:
    """Return the findings about the probe; what is said of the tester has a test of its own."""
    return {finding["code"] for finding in test["findings"]} - set(ABOUT_TESTER)


def test_25_degrees_comes_out_of_the_sheet(tmp_path: pathlib.Path) -> None:
    lived = live(tmp_path / "demo", Visit("reference-25", "a bath", (Clipped("sensor"),), 1))
    (test,) = found_in(lived)
    assert test["verdict"] == test["tester_verdict"] == "pass"
    assert test["expanded_celsius"] <= 0.3
    assert abs(test["celsius"] - 25.0) <= test["expanded_celsius"]
    assert abs(test["ohms"] - 1097.35) <= 2.0 * test["u_ohms"]
    page = lived.sheet_path.read_text(encoding="utf-8").replace("\u00a0", " ")
    shown = re.search(r"By the curve</dt><dd>(\d+\.\d+) ± (\d+\.\d+) °C", page)
    assert shown is not None
    assert float(shown[2]) <= 0.3 and abs(float(shown[1]) - 25.0) <= float(shown[2])
    assert "isolation a" not in test["not_checked"] and "isolation b" not in test["not_checked"]


def test_one_value_of_an_oven_changes_the_answer(tmp_path: pathlib.Path) -> None:
    """12 ohm in the harness, 40 kohm to the chassis, a sensor at 35 degC in a room of 23: each with it and without."""
    both_ends = (Clipped("sensor"), Clipped("control-end"))
    ovens = {
        "harness-12": edited("corroded-harness"),
        "harness-0": edited("corroded-harness", harness__series_ohms=0.0),
        "leak-40k": edited("leak-to-chassis"),
        "leak-none": edited("leak-to-chassis", leak=None),
        "at-23": edited("good-sensor", room__celsius=23.0),
        "at-35": edited("good-sensor", room__celsius=23.0, temperature__celsius=35.0),
    }
    visits = [
        Visit(name, "edited", both_ends if name.startswith("harness") else (Clipped("sensor"),), 30) for name in ovens
    ]
    lived = live(tmp_path / "demo", *visits, ovens=ovens)
    tests = found_in(lived)
    assert len({test["job"] for test in tests}) == len(visits)
    sensor_12, control_12, sensor_0, control_0, leaks, tight, cool, warm = tests
    assert [test["verdict"] for test in (sensor_12, sensor_0, control_0, tight, cool)] == ["pass"] * 5
    assert control_12["verdict"] == "fail" and codes(control_12) == {"harness-resistance"}
    assert control_12["harness_ohms"] == pytest.approx(12.16, abs=0.7)
    assert control_0["harness_ohms"] == pytest.approx(0.16, abs=0.7)
    assert leaks["verdict"] == "fail" and codes(leaks) == {"leak-to-chassis"}
    assert min(leaks["leak_a_ohms"], leaks["leak_b_ohms"]) == pytest.approx(40_000, rel=0.05)
    assert min(tight["leak_a_ohms"], tight["leak_b_ohms"]) > 1e6
    assert warm["verdict"] == "fail" and codes(warm) == {"ambient-disagrees"}
    assert warm["celsius"] == pytest.approx(35.0, abs=warm["expanded_celsius"] + 0.1)
    assert warm["ambient_celsius"] == pytest.approx(23.0, abs=0.5)


@pytest.fixture(scope="module")
def whole_day(tmp_path_factory: pytest.TempPathFactory, request: pytest.FixtureRequest) -> tuple[pathlib.Path, str]:
    """Run the command once; return its folder and its standard output."""
    request.getfixturevalue("micropython")
    folder = tmp_path_factory.mktemp("day") / "kept"
    result = CliRunner().invoke(main, ["demo", "--keep", str(folder), "--date", "2026-11-25"])
    assert result.exit_code == 0, result.output
    return folder, result.stdout


def test_the_demo_ends_with_two_paths(whole_day: tuple[pathlib.Path, str]) -> None:
    folder, output = whole_day
    *_, archive_line, sheet_line = output.strip().splitlines()
    archive = pathlib.Path(archive_line.removeprefix("archive: "))
    sheet = pathlib.Path(sheet_line.removeprefix("day sheet: "))
    assert archive.parent == folder and sheet.parent == folder
    assert sheet.read_text(encoding="utf-8").startswith("<!DOCTYPE html>")
    with open_archive(archive) as opened:
        assert opened.count() > len(demo.DAY)
    result = CliRunner().invoke(main, ["day", "--date", "2026-11-25", "--archive", str(archive), "--json"])
    assert result.exit_code == 0
    tests = [test for tester in json.loads(result.stdout)["testers"] for test in tester["tests"]]
    assert len(tests) >= sum(len(visit.tests) for visit in demo.DAY)


def test_each_oven_shows_its_fault(whole_day: tuple[pathlib.Path, str]) -> None:
    """What the ovens' files describe is what the sheet says; the faults stand in the files."""
    folder, _ = whole_day
    result = CliRunner().invoke(
        main, ["day", "--date", "2026-11-25", "--archive", str(folder / "archive.sqlite"), "--json"]
    )
    (tester,) = json.loads(result.stdout)["testers"]
    assert tester["chain_holds"] is True
    jobs: dict[int, list[dict[str, Any]]] = {}
    for test in tester["tests"]:
        jobs.setdefault(test["job"], []).append(test)
    assert len(jobs) == len(demo.DAY)
    by_oven = {visit.oven: tests for visit, tests in zip(demo.DAY, jobs.values(), strict=True)}
    last = {oven: (tests[-1]["verdict"], codes(tests[-1])) for oven, tests in by_oven.items()}
    assert last["reference-25"] == ("pass", set())
    assert last["good-sensor"] == ("pass", set())
    assert codes(by_oven["open-element"][0]) == {"open-circuit"}
    assert [test["verdict"] for test in by_oven["open-element"]] == ["fail", "pass", "pass"]
    assert last["shorted-sensor"] == ("fail", {"short-circuit"})
    assert by_oven["corroded-harness"][0]["verdict"] == "pass"
    assert last["corroded-harness"] == ("fail", {"harness-resistance"})
    assert last["leak-to-chassis"] == ("fail", {"leak-to-chassis"})
    assert last["intermittent-harness"] == ("fail", {"intermittent"})
    first, settled = by_oven["nearly-cool"]
    assert first["verdict"] == "undecided" and codes(first) == {"not-settled"}
    assert settled["verdict"] == "pass" and settled["celsius"] == pytest.approx(24.0, abs=0.5)
    assert last["voltage-on-leads"] == ("undecided", {"voltage-on-leads"})
    for tests in by_oven.values():
        for test in tests:
            assert test["verdict"] == test["tester_verdict"]


def test_the_day_begins_with_a_check_that_every_test_carries(whole_day: tuple[pathlib.Path, str]) -> None:
    folder, output = whole_day
    assert "check passed at 07:5" in output
    result = CliRunner().invoke(
        main, ["day", "--date", "2026-11-25", "--archive", str(folder / "archive.sqlite"), "--json"]
    )
    (tester,) = json.loads(result.stdout)["testers"]
    (check,) = tester["checks"]
    assert check["passed"] and check["time"] < tester["tests"][0]["time"]
    for test in tester["tests"]:
        assert test["check"]["passed"] is True and test["check"]["sequence"] == check["sequence"]
        assert not test["in_doubt"]
        about_tester = {finding["code"] for finding in test["findings"]} & set(ABOUT_TESTER)
        stopped = "voltage-on-leads" in codes(test)
        assert about_tester == (set() if stopped else {"uncalibrated"})


def test_a_folder_with_something_in_it_is_refused(tmp_path: pathlib.Path) -> None:
    (tmp_path / "mine.txt").write_text("x", encoding="utf-8")
    result = CliRunner().invoke(main, ["demo", "--keep", str(tmp_path)])
    assert result.exit_code == 2 and "is not empty" in result.stderr
    assert (tmp_path / "mine.txt").read_text(encoding="utf-8") == "x"
