"""A certificate from runs: what belongs together, and what a person has to add. Runs here are invented."""

import dataclasses
import datetime

import pytest

from bench import REFERENCES, reference_file
from probecore import calibration as core
from probeledger import circuit
from probeledger.calibrating import outcome
from probeledger.calibrating.issuing import certificate_of, read_details
from probeledger.calibrating.references import read_references
from probeledger.calibrating.runfile import Measured, begin, read_run, write_run
from probeledger.errors import InputError

BEGUN = datetime.datetime(2026, 11, 25, 9, tzinfo=datetime.UTC)
TODAY = datetime.date(2026, 11, 26)
DETAILS = """
number = "INV-1"
place = "bench"
authorised_by = "the maker"
[laboratory]
name = "Invented workshop"
address = "1 Example Street, Nowhere"
"""


def made_run(folder, reads=1.0, begun=BEGUN, **calibration):
    """Return a finished run of a tester that reads `reads` times the true value, before its calibration."""
    text = reference_file(folder).read_text(encoding="utf-8")
    in_force = {**core.to_map(circuit.uncalibrated()), **calibration}
    run = begin("pl-00000a", "0.1.0", in_force, read_references(text, "file"), text, "file", begun)
    for number, step in enumerate(run.steps):
        raw = REFERENCES[step.reference][2] * reads
        run.measured.append(
            Measured(
                step.reference,
                step.way,
                step.kind,
                (begun + datetime.timedelta(minutes=number)).isoformat(),
                "low",
                raw,
                0.001,
                raw,
                12,
                4,
                0.001,
                0.001,
                0.01,
                24.5,
                23.0 + 0.1 * number,
                0.25,
            )
        )
    run.ended = (begun + datetime.timedelta(minutes=30)).isoformat()
    return run


LATER = BEGUN + datetime.timedelta(hours=2)
NEW = {"id": "20261125-000001", "state": "calibrated", "gain": 1 / 0.9995}


def refused(*args):
    with pytest.raises(InputError) as caught:
        certificate_of(*args)
    return caught.value.message


def test_as_found_alone(tmp_path):
    found = made_run(tmp_path, 0.9995)
    made = certificate_of(found, None, read_details(DETAILS, "shop.toml"), TODAY)
    assert made.adjustment is None and made.as_left == () and len(made.as_found) == len(REFERENCES)
    assert made.issued == TODAY and made.begun == made.ended == BEGUN.date()
    assert made.customer == made.laboratory
    # 1000.021 ohm read 0.05 % low, against a certificate of 1000.012: by hand
    thousand = next(each for each in made.as_found if 900 < each.reference_ohms < 1100)
    assert thousand.error_ohms == pytest.approx(1000.021 * 0.9995 - 1000.012, abs=1e-9)
    assert made.budget_ohms == thousand.reference_ohms
    assert made.u_budget_ohms == pytest.approx(thousand.u_error_ohms)
    assert (made.conditions.celsius_low, made.conditions.celsius_high) == (23.0, pytest.approx(23.8))
    assert any("High range: not supported" in each for each in made.remarks)


def test_as_left_too(tmp_path):
    found, left = made_run(tmp_path, 0.9995), made_run(tmp_path, 0.9995, LATER, **NEW)
    made = certificate_of(found, left, read_details(DETAILS, "shop.toml"), TODAY)
    assert made.adjustment.after == NEW["id"] and made.adjustment.before is None
    assert made.statement == "pass" and all(each.statement == "pass" for each in made.as_left)
    assert any("gain 1.0000000 to 1.0005003" in line for line in made.adjustment.lines)


def test_runs_that_do_not_belong_together(tmp_path):
    details = read_details(DETAILS, "shop.toml")
    found, left = made_run(tmp_path, 0.9995), made_run(tmp_path, 0.9995, LATER, **NEW)
    assert "different testers" in refused(found, dataclasses.replace(left, tester="pl-00000b"), details, TODAY)
    assert "apply it, then measure again" in refused(found, made_run(tmp_path, 1.0, LATER), details, TODAY)
    other = made_run(tmp_path, 1.0, LATER, **NEW, previous="20250101-ffffff")
    assert "apply it, then measure again" in refused(found, other, details, TODAY)
    early = made_run(tmp_path, 0.9995, BEGUN - datetime.timedelta(hours=3), **NEW)
    assert "exchange the two files" in refused(found, early, details, TODAY)
    short = dataclasses.replace(found, measured=found.measured[:-1])
    assert "8 of 9 steps" in refused(short, None, details, TODAY)


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ('number = "INV-1"', "", "has no number"),
        ('number = "INV-1"', "number = 7", "must be a text in quotes"),
        ('place = "bench"', 'palce = "bench"', "did you mean place?"),
        ("[laboratory]", 'laboratory = "x"\n[customer]', "must be a table"),
        ('name = "Invented workshop"', "", "[laboratory] has no name"),
        ('place = "bench"', 'place = "bench"\nnext_agreed = "2027-01-01"', "must be a day without quotes"),
        ('place = "bench"', 'place = "bench"\nhumidity_percent = 140.0', "between 0 and 100"),
        ('place = "bench"', 'place = "bench"\nremarks = "x"', "list of texts"),
        ('place = "bench"', "place = ", "not valid TOML"),
    ],
)
def test_details_in_one_sentence(old, new, words):
    assert old in DETAILS
    with pytest.raises(InputError) as caught:
        read_details(DETAILS.replace(old, new), "shop.toml")
    assert words in caught.value.message and caught.value.message.startswith("shop.toml")


def test_a_run_file_there_and_back(tmp_path):
    run = made_run(tmp_path, 0.9995)
    run.results = outcome.document(run)
    write_run(tmp_path / "run.json", run)
    again = read_run((tmp_path / "run.json").read_text(encoding="utf-8"), "run.json")
    assert again == run and again.complete


def test_hysteresis_counts_in_the_error(tmp_path):
    run = made_run(tmp_path)
    for each in run.measured:
        if each.reference == "R1000" and each.way == "down":
            each.raw_ohms += 0.1
    found = {each.name: each for each in outcome.as_found(run)}
    # A rectangle of 0.1 ohm between up and down: 0.1 over the root of twelve
    assert found["R1000"].parts["between up and down"] == pytest.approx(0.02887, abs=1e-5)
    assert found["R2000"].parts["between up and down"] == 0.0
    assert len(outcome.short_summary(list(found.values()))) == len(REFERENCES)
