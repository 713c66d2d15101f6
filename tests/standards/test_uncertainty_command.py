"""`probeledger measure --budget`: what a person and a script get."""

import json
import math
from contextlib import contextmanager
from types import SimpleNamespace

import pytest
from budget_cases import CALIBRATED, PT1000, REFERENCE_OHMS, readings_of
from click.testing import CliRunner

from probecore import calibration as calibrations
from probeledger import circuit, cli, uncertainty

OHMS = PT1000.ohms(25.0)


def answer(**parts):
    """Return what a tester answers to `measure`."""
    made = {
        "readings": readings_of(OHMS),
        "range": "low",
        "gain": 4,
        "rate_hz": 20,
        "ratio": OHMS / REFERENCE_OHMS,
        "ohms": OHMS,
        "u_ohms": 0.318,
        "leads": "connected",
        "tester_celsius": 25.0,
        "reference_ohms": 1500,
        "calibration": None,
        "ambient": {"celsius": 24.5, "u_celsius": 0.25, "source": "sensor"},
    }
    return {**made, **parts}


@pytest.fixture
def measure(monkeypatch):
    """Return a function that runs `measure` with a tester that gives one answer."""

    def run(given, *options):
        @contextmanager
        def session(port):
            yield SimpleNamespace(hello=SimpleNamespace(tester="pl-000001"), measure=lambda readings: given)

        monkeypatch.setattr("probeledger.link.open_session", session)
        return CliRunner().invoke(cli.main, ["measure", "/dev/a", *options])

    return run


def test_the_table(measure):
    done = measure(answer(), "--budget")
    assert done.exit_code == 0, done.output
    lines = done.stdout.splitlines()
    assert max(map(len, lines)) <= 80
    made = uncertainty.budget(readings_of(OHMS), 1500.0, circuit.uncalibrated(), 25.0, ohms_per_celsius=3.8793)
    for line in made.lines:
        (row,) = [row for row in lines if row.startswith(line.name)]
        assert float(row.split()[-2]) == pytest.approx(1e3 * line.u_ohms, abs=0.01)
    shares = [float(row.split()[-1]) for row in lines if row.startswith(tuple(line.name for line in made.lines))]
    assert sum(shares) == pytest.approx(100, abs=0.7)
    found = made.estimate
    whole = " ".join(lines)
    assert f"Resistance 1097.35 Ω, combined standard uncertainty u = {found.u:.2f} Ω" in whole
    assert f"95 %: k = {found.coverage_factor():.2f}, U = {found.expanded():.2f} Ω" in whole
    assert "JCGM 101" in whole and "minus ambient (24.50 °C)" in whole
    (row,) = [row for row in lines if row.startswith("with the sensor's class B")]
    assert "± 0.425 °C" in row


def test_the_same_as_data(measure):
    done = measure(answer(), "--budget", "--json", "--class", "A")
    assert done.exit_code == 0, done.output
    found = json.loads(done.stdout)["budget"]
    resistance = found["resistance_ohms"]
    made = uncertainty.budget(readings_of(OHMS), 1500.0, circuit.uncalibrated(), 25.0, ohms_per_celsius=3.8793)
    assert resistance["u"] == pytest.approx(made.u_ohms, rel=1e-5)
    assert [item["name"] for item in resistance["inputs"]] == [line.name for line in made.lines]
    assert math.fsum(item["share"] ** 2 for item in resistance["inputs"]) == pytest.approx(resistance["u"] ** 2)
    assert math.fsum(item["variance_percent"] for item in resistance["inputs"]) == pytest.approx(100)
    for item in resistance["inputs"]:
        assert item["share"] == pytest.approx(abs(item["sensitivity"]) * item["u"])
        assert (item["half_width"] is None) == (item["shape"] == "normal")
    assert resistance["high"] - resistance["value"] == pytest.approx(resistance["expanded"])
    # Infinitely many degrees of freedom have no number in JSON
    assert resistance["degrees_of_freedom"] is None and resistance["interval"] == "JCGM 101"
    # IEC 60751, class A: 0.15 + 0.002 |t|
    tolerance = found["temperature_with_sensor_celsius"]["inputs"][-1]
    assert tolerance["half_width"] == pytest.approx(0.2, abs=1e-4)
    assert found["minus_ambient_celsius"]["value"] == pytest.approx(0.5, abs=1e-3)
    assert found["temperature_celsius"]["u"] == pytest.approx(made.u_ohms / 3.8793, rel=1e-4)


@pytest.mark.parametrize("key", ["calibration", "calibration_values"])
def test_a_calibrated_tester_that_sends_its_numbers(measure, key):
    sent = {"calibration": CALIBRATED.id, key: calibrations.to_map(CALIBRATED)}
    done = measure(answer(**sent), "--budget", "--json")
    assert done.exit_code == 0, done.output
    inputs = json.loads(done.stdout)["budget"]["resistance_ohms"]["inputs"]
    gain = next(item for item in inputs if item["name"] == "reference resistor and gain")
    assert gain["shape"] == "normal" and gain["u"] == pytest.approx(50, rel=1e-3)


def test_a_resistance_off_the_curve_has_ohms_only(measure):
    given = answer(readings=readings_of(47_000.0, gain=2, high_range=True), ohms=47_000.0, gain=2, range="high")
    done = measure(given, "--budget", "--json")
    found = json.loads(done.stdout)["budget"]
    assert found["temperature_celsius"] is None and found["minus_ambient_celsius"] is None
    assert found["resistance_ohms"]["value"] == pytest.approx(47_000, rel=1e-4)
    assert measure(given, "--budget").exit_code == 0


def test_no_value_no_budget(measure):
    done = measure(answer(leads="open", ohms=None, u_ohms=None, readings=[]), "--budget")
    assert (done.exit_code, done.stdout) == (0, "No value: open: nothing is clipped on, or no current flows.\n")
    done = measure(answer(leads="open", ohms=None, u_ohms=None, readings=[]), "--budget", "--json")
    assert json.loads(done.stdout)["budget"] is None


@pytest.mark.parametrize(
    ("parts", "sentence"),
    [
        ({"calibration": "c-1"}, "works with calibration c-1 and does not send its numbers"),
        ({"calibration": "c-1", "calibration_values": {"id": "c-1"}}, "The stored calibration is damaged"),
        ({"readings": []}, "sent no counts with its value"),
        ({"readings": [[1, 2, 3]]}, "sent no counts with its value"),
        ({"reference_ohms": None}, "sent no counts with its value"),
        ({"readings": [[0] * 8]}, "counts make no sense"),
        ({"gain": -4}, "counts make no sense"),
    ],
)
def test_what_has_no_budget_says_why(measure, parts, sentence):
    done = measure(answer(**parts), "--budget")
    assert done.exit_code == 1
    assert sentence in done.stderr and done.stderr.count("\n") == 1
