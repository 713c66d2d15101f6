"""The circuit's solver against ngspice on the project's own decks: transfer, isolation, settling."""

import re
import subprocess
from dataclasses import replace
from pathlib import Path

import pytest

from probeledger.virtual.circuit import description as descriptions
from probeledger.virtual.circuit import specimen as specimens
from probeledger.virtual.circuit.netlist import Network
from probeledger.virtual.circuit.solver import Circuit

pytestmark = pytest.mark.ngspice

SPICE = Path(__file__).resolve().parents[2] / "hardware" / "spice"
DESCRIPTION = descriptions.load()
CLIPS = (("F+", "TA", 0.02), ("S+", "TA", 0.02), ("S-", "TB", 0.02), ("F-", "TB", 0.02))


def numbers(text, key):
    return [float(x) for x in re.findall(rf"^{re.escape(key)} = (\S+)$", text, re.MULTILINE)]


def run(ngspice, deck):
    done = subprocess.run([ngspice, "-b", deck], cwd=SPICE, capture_output=True, text=True, timeout=120)
    assert "singular" not in done.stdout + done.stderr
    return done.stdout


def circuit():
    # The decks take the diodes' currents of 25 degrees C at ngspice's 27: undo the solver's own rise.
    nominal = specimens.nominal(DESCRIPTION)
    scale = {}
    for part in DESCRIPTION.parts:
        if part.kind == "clamp":
            share = 2.0 ** (-2.0 / DESCRIPTION.diodes[part.part].doubles_every_k)
            scale[part.ref] = (share, share)
    made = Circuit(DESCRIPTION, replace(nominal, diode_scale=scale), 27.0)
    made.set_power("awake")
    return made


def solve(made, resistors):
    made.set_network(Network(("deck",), tuple(resistors), tuple(resistors)))
    v = made.direct()
    return {name: float(v[k]) for name, k in made.netlist.index.items() if k >= 0}


def probe_values(deck):
    return [float(x) for x in re.findall(r"^alter RX = (\S+)$", (SPICE / deck).read_text(), re.MULTILINE)]


@pytest.mark.parametrize(("name", "pin"), [("low", "A_PIN"), ("high", "H_PIN")])
def test_transfer_agrees_to_20_ppm_and_2_milliohm(ngspice, name, pin):
    readings = {}
    for direction, (a, b) in {"forward": ("high", "low"), "reverse": ("low", "high")}.items():
        deck = f"transfer_{name}_{direction}.cir"
        text = run(ngspice, deck)
        references, probes = numbers(text, "v(ain3)-v(ain0)"), numbers(text, "v(ain1)-v(ain2)")
        made = circuit()
        made.set_driver(pin, a)
        made.set_driver("B_PIN", b)
        for ohms, reference, probe in zip(probe_values(deck), references, probes, strict=True):
            v = solve(made, (*CLIPS, ("TA", "TB", ohms)))
            readings.setdefault(ohms, []).append((reference, probe, v["AIN3"] - v["AIN0"], v["AIN1"] - v["AIN2"]))
    assert len(readings) >= 7
    for ohms, ((r1, p1, s1, q1), (r2, p2, s2, q2)) in readings.items():
        theirs = 1500.0 * (p1 - p2) / (r1 - r2)
        ours = 1500.0 * (q1 - q2) / (s1 - s2)
        assert ours == pytest.approx(theirs, rel=20e-6, abs=2e-3), ohms
        # And each voltage by itself, so that no common error hides in the ratio.
        assert s1 == pytest.approx(r1, rel=1e-4, abs=1e-6)


@pytest.mark.parametrize(("name", "level"), [("ground", "low"), ("supply", "high")])
def test_isolation_voltages_agree(ngspice, name, level):
    deck = f"isolation_{name}.cir"
    text = run(ngspice, deck)
    leaks = [float(x) for x in re.findall(r"^alter RLEAK = (\S+)$", (SPICE / deck).read_text(), re.MULTILINE)]
    keys = ("v(ain3)-v(ain0)", "v(ain2)", "v(refp0)")
    rows = list(zip(*(numbers(text, key) for key in keys), strict=True))
    assert len(rows) == len(leaks)
    made = circuit()
    made.set_driver("A_PIN", level)
    made.set_driver("B_PIN", level)
    for k, (leak, row) in enumerate(zip(leaks, rows, strict=True)):
        made.set_driver("C_PIN", "high" if k % 2 else "low")
        v = solve(
            made,
            (*CLIPS, ("TA", "TB", 1100.0), ("JAW1", "CHASSIS", 0.5), ("JAW2", "CHASSIS", 0.5), ("TA", "CHASSIS", leak)),
        )
        ours = (v["AIN3"] - v["AIN0"], v["AIN2"], v["REFP0"])
        # The rail of the deck is stiff, ours has 50 mohm: 20 ppm of 3.3 V.
        assert ours == pytest.approx(row, rel=1e-4, abs=7e-5), leak


@pytest.mark.parametrize(
    ("deck", "ohms", "pin"),
    [
        ("settling_low_1100.cir", 1100.0, "A_PIN"),
        ("settling_low_4000.cir", 4000.0, "A_PIN"),
        ("settling_high_10k.cir", 1e4, "H_PIN"),
        ("settling_high_1m.cir", 1e6, "H_PIN"),
    ],
)
def test_settling_follows_the_same_course(ngspice, deck, ohms, pin):
    text = run(ngspice, deck)
    # Index, reference and probe voltage, linearised to 10 us a row.
    rows = re.findall(r"^(\d+)\s+(-?\d\.\d+e[+-]\d+)\s+(-?\d\.\d+e[+-]\d+)\s*$", text, re.MULTILINE)
    course = [(int(k) * 1e-5, float(r), float(p)) for k, r, p in rows]
    assert len(course) > 100
    made = circuit()
    made.set_driver(pin, "high")
    made.set_driver("B_PIN", "low")
    resistors = (*CLIPS, ("TA", "TB", ohms))
    made.set_network(Network(("deck",), resistors, resistors))
    made.run_to(500_000)
    made.set_driver(pin, "low")
    made.set_driver("B_PIN", "high")
    begin = made.time_us
    span = abs(course[-1][2] - course[0][2])
    for after_us in (500, 1000, 2000, 4000, 8000):
        made.run_to(begin + after_us)
        at = 1e-3 + after_us * 1e-6
        nearest = min(course, key=lambda row: abs(row[0] - at))
        probe = made.volts("AIN1") - made.volts("AIN2")
        assert probe == pytest.approx(nearest[2], abs=0.006 * span), after_us
