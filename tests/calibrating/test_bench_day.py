"""A calibration from the first resistor to the certificate, on the real firmware in a virtual tester with drawn parts.

Outside the project: the resistors' true values, which only the simulated circuit knows, and what the invented
certificates say of them.
"""

import json

import pytest
from click.testing import CliRunner

from bench import HIGH, REFERENCES, Person, bench, calibrate_run, pressing, records, reference_file, run, up_down
from probeledger.archive import open_archive
from probeledger.cli import main
from probeledger.judging.again import judge_again
from probeledger.resources import tester_file as description_file
from probeledger.virtual import scenario
from probeledger.virtual.circuit.description import load
from probeledger.virtual.circuit.specimen import draw

pytestmark = pytest.mark.usefixtures("micropython")

# A tester whose reference resistor is near the end of its tolerance.
SEED = 9
EVERYTHING = {**REFERENCES, **HIGH}
UP = [*EVERYTHING, "leak R1M"]
STEPS = [*up_down(list(EVERYTHING)), "leak R1M"]
# Fewer readings than by default: the high range would take 100 of them.
QUICK = ["--noise-ppm", 20]

DETAILS = """
number = "INV-0001"
place = "an invented bench"
authorised_by = "the maker"
next_agreed = 2099-01-01
[laboratory]
name = "Workshop of the invented town"
address = "1 Example Street, Nowhere"
"""


class Day:
    """What the one day left behind."""


def live(folder):
    """Live through the day; returns what it left behind."""
    made = Day()
    made.folder = folder
    file = reference_file(folder, EVERYTHING)
    with bench(folder, seed=SEED) as tester:
        made.found_result, made.found = calibrate_run(tester, folder, file, STEPS, output="found.json", more=QUICK)
        actor = tester.begin(pressing("ok"))
        made.apply_result = run(
            ["apply", tester.port, folder / "found.json", "--by", "the maker"], Person(tester, [yes])
        )
        assert actor.ended.wait(20) and actor.error is None
        made.show = json.loads(run(["show", tester.port, "--json"]).stdout)
        made.left_result, made.left = calibrate_run(
            tester, folder, file, UP, output="left.json", more=[*QUICK, "--order", "up"]
        )
        (folder / "shop.toml").write_text(DETAILS, encoding="utf-8")
        made.certificate_result = run(
            [
                "certificate",
                folder / "found.json",
                "--as-left",
                folder / "left.json",
                "--details",
                folder / "shop.toml",
                "--output",
                folder / "certificate.html",
                "--json",
            ]
        )
        tester.unplug_usb()
        tester.run(_test_a_probe)
        tester.plug_usb()
        made.archive, made.records = records(folder, tester.port)
    return made


def yes(tester):
    return "y"


def _test_a_probe(tester):
    """Test a good sensor as a technician does."""
    yield 3.0
    tester.world.visit(scenario.load(scenario.OVENS / "good-sensor.toml"))
    tester.world.clip("sensor")
    tester.world.clip_chassis()
    yield 1.0
    before = len(tester.world.beeps)
    tester.world.press("ok")
    yield lambda: len(tester.world.beeps) > before
    yield 1.0


def errors(document):
    return {(each["reference"], each["range"]): each for each in document["results"]["errors"]}


def check_as_found_is_the_true_error_of_this_tester(day):
    """The drawn reference resistor makes the error: a ratio to one that is too large reads too low by as much."""
    assert day.found_result.exit_code == 0, day.found_result.output
    found = errors(day.found)
    assert set(found) == {(name, "high" if name in HIGH else "low") for name in EVERYTHING} | {("R1M", "isolation")}
    deviation = draw(load(description_file()), SEED).values["R_REF"]
    assert abs(deviation) > 4e-4
    for name in REFERENCES:
        ohms, _, true = EVERYTHING[name]
        expected = true / (1 + deviation) - ohms
        # Beside it the converter's linearity, at most 12 uV at 0.2 to 0.3 mA, and its input currents
        assert found[name, "low"]["error_ohms"] == pytest.approx(expected, abs=0.01 + 6e-5 * ohms)
    outside = [name for name in REFERENCES if abs(found[name, "low"]["error_ohms"]) > found[name, "low"]["limit_ohms"]]
    assert {"R1000", "R2000", "R4000"} <= set(outside)
    assert all(found[name, "low"]["statement"] == "fail" for name in ("R2000", "R4000"))


def check_the_run_tells_what_it_did(day):
    assert "errors as found" in day.found_result.stdout
    assert "Tester pl-" in day.found_result.stderr and "17/17" not in day.found_result.stderr
    assert f"{len(STEPS)}/{len(STEPS)}  R1M" in day.found_result.stderr
    assert "from lead a to the chassis clip" in day.found_result.stderr
    assert day.found["complete"] is True and len(day.found["measured"]) == len(STEPS)
    assert all(len(each["ratios"]) >= 12 for each in day.found["measured"] if each["kind"] == "leads")


def check_it_takes_the_key_and_says_so(day):
    assert day.apply_result.exit_code == 0, day.apply_result.output
    named = day.show["in_force"]["id"]
    assert f"works with calibration {named} now, read back and verified; record 2 in its ledger." in (
        day.apply_result.stdout
    )
    assert day.show["in_force"]["state"] == "calibrated" and day.show["in_force"]["previous"] is None
    assert "its middle key takes the calibration" in day.apply_result.stderr


def check_as_left_is_within_its_uncertainty(day):
    """Against the truth that only the simulation knows."""
    assert day.left_result.exit_code == 0, day.left_result.output
    assert day.left["calibration"]["id"] == day.show["in_force"]["id"]
    before, after = errors(day.found), errors(day.left)
    for key, each in after.items():
        name, range_name = key
        ohms, expanded, true = EVERYTHING[name]
        if range_name == "isolation":
            continue
        off = each["indicated_ohms"] - true
        if range_name == "low":
            # k = 2 of certificates, converter's linearity (12 uV at 0.2 to 0.3 mA) and repeatability
            assert abs(off) <= 0.5 * (0.0003 * ohms + 0.05), (name, off)
        assert each["statement"] == "pass", each
        assert abs(each["error_ohms"]) <= abs(before[key]["error_ohms"]) + 2 * each["u_error_ohms"] + 0.01


def check_the_certificate(day):
    assert day.certificate_result.exit_code == 0, day.certificate_result.output
    made = json.loads(day.certificate_result.stdout)
    assert made["statement"] == "pass" and made["adjustment"]["after"] == day.show["in_force"]["id"]
    assert made["adjustment"]["before"] is None
    assert len(made["as_found"]) == len(made["as_left"]) == len(EVERYTHING) + 1
    assert {each["name"] for each in made["references"]} == set(EVERYTHING)
    page = (day.folder / "certificate.html").read_text(encoding="utf-8")
    assert "INV-0001" in page and "Workshop of the invented town" in page


def check_the_ledger_has_the_change(day):
    kinds = [each["kind"] for each in day.records]
    assert kinds.count("calibration") == 1 and kinds.count("probe") == 1
    named = day.show["in_force"]["id"]
    with open_archive(day.archive) as opened:
        stored = {record.kind: record for record in opened.search()}
    change = stored["calibration"].body
    assert change["before"]["id"] is None and change["after"]["id"] == named
    assert change["by"] == "the maker" and change["source"] == "found.json"
    # Single precision in the record
    found = errors(day.found)
    told = {round(line[0], 3): line for line in change["as_found"]}
    for (_, range_name), each in found.items():
        if range_name == "low":
            line = told[round(each["reference_ohms"], 3)]
            assert line[1] == pytest.approx(each["error_ohms"], rel=1e-6, abs=1e-6)
            assert line[2] == pytest.approx(each["u_error_ohms"], rel=1e-6)


def check_a_probe_test_carries_it_and_the_host_judges_again(day):
    named = day.show["in_force"]["id"]
    with open_archive(day.archive) as opened:
        probe = next(record for record in opened.search() if record.kind == "probe")
    assert probe.calibration == named and probe.body["calibration"]["id"] == named
    again = judge_again(probe.body, probe.calibration)
    assert again.verdict == probe.body["verdict"]
    assert again.ohms == pytest.approx(probe.body["ohms"], abs=2e-3)
    gain = day.show["in_force"]["gain"]
    raw = probe.body["ohms"] / gain
    assert abs(again.ohms - raw) == pytest.approx(abs(gain - 1) * raw, abs=0.05)
    assert any(line.name == "offset" and line.u_ohms > 0 for line in again.budget.lines)


def check_show_for_people_and_records_for_people(day):
    listed = CliRunner().invoke(main, ["records", "--archive", str(day.archive)])
    assert listed.exit_code == 0 and "calibration" in listed.stdout


def test_from_the_first_resistor_to_the_certificate(tmp_path):
    day = live(tmp_path)
    check_as_found_is_the_true_error_of_this_tester(day)
    check_the_run_tells_what_it_did(day)
    check_it_takes_the_key_and_says_so(day)
    check_as_left_is_within_its_uncertainty(day)
    check_the_certificate(day)
    check_the_ledger_has_the_change(day)
    check_a_probe_test_carries_it_and_the_host_judges_again(day)
    check_show_for_people_and_records_for_people(day)
