"""Lines of the uncertainty budget against the circuit: ngspice on decks made from tester.toml, and drawn testers.

Each bound in the budget that the circuit decides is tried at its worst here: excitation and power, currents into the
converter's inputs, the supply, contact resistance in four-wire clips.
"""

import itertools
import re
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest

from probecore import counts
from probeledger import circuit, uncertainty
from probeledger.virtual.circuit import description as descriptions
from probeledger.virtual.circuit import specimen as specimens
from probeledger.virtual.circuit.netlist import Network
from probeledger.virtual.circuit.solver import Circuit

HARDWARE = Path(__file__).resolve().parents[2] / "hardware"
PRINTED = re.compile(r"^\S+ = (\S+)$", re.MULTILINE)
REFERENCE_OHMS = 1500.0
INPUTS = ("AIN3", "AIN0", "AIN1", "AIN2")
DESCRIPTION = descriptions.load()


@pytest.fixture(scope="module")
def spice():
    """The generator of the project's decks, with the circuit's description."""
    sys.path.insert(0, str(HARDWARE))
    try:
        import generate
        import spice as made
    finally:
        sys.path.remove(str(HARDWARE))
    made.loaded = generate.load()
    return made


def run_spice(ngspice, folder, spice, body, control):
    """Run one deck of our own on the generated circuit and return the numbers that it printed."""
    (folder / "tester.cir").write_text(spice.circuit(spice.loaded))
    head = ["* budget", ".include tester.cir", f".option {spice.EXACT}"]
    deck = "\n".join([*head, *body, ".control", "set numdgt=12", *control, ".endc", ".end", ""])
    (folder / "deck.cir").write_text(deck)
    done = subprocess.run([ngspice, "-b", "deck.cir"], cwd=folder, capture_output=True, text=True, timeout=120)
    assert "Error" not in done.stdout + done.stderr and "singular" not in done.stdout + done.stderr
    return [float(value) for value in PRINTED.findall(done.stdout)]


def both_ways(spice, setup, high_range=False):
    """Return the control lines that print both voltages in both directions after `setup`."""
    pin = "H" if high_range else "A"
    control = list(setup)
    for level, other in ((3.3, 0.0), (0.0, 3.3)):
        control += [f"alter V{pin}_PIN dc = {level}", f"alter VB_PIN dc = {other}", "op"]
        control.append("print v(AIN3)-v(AIN0) v(AIN1)-v(AIN2)")
    return control


def driven(spice, high_range=False):
    levels = {"H_PIN" if high_range else "A_PIN": 1, "B_PIN": 0}
    return ["VRAIL RAIL 0 3.3", *spice.drivers(spice.loaded, levels), *spice.clips()]


def ohms_of(printed):
    """Return the resistance [ohm] from reference and probe voltage, forward and reverse."""
    reference, probe, back, probe_back = printed
    return REFERENCE_OHMS * (probe - probe_back) / (reference - back)


@pytest.mark.ngspice
@pytest.mark.parametrize(("high_range", "probes"), [(False, (10, 1000, 1100, 4000)), (True, (1e4, 1e5, 1e6))])
def test_excitation_and_power(ngspice, spice, tmp_path, high_range, probes):
    control = []
    for ohms in probes:
        control += both_ways(spice, [f"alter RX = {ohms:g}"], high_range)
    printed = run_spice(ngspice, tmp_path, spice, driven(spice, high_range), control)
    for ohms, rows in zip(probes, np.reshape(printed, (-1, 4)), strict=True):
        amps = (rows[0] - rows[2]) / 2 / REFERENCE_OHMS
        assert circuit.excitation_amps(ohms, high_range) == pytest.approx(amps, rel=5e-4)
    if not high_range:
        # The element's power, which self-heating is reckoned from: 94 uW at 1.1 kohm.
        reference, probe = printed[8:10]
        assert probe * reference / REFERENCE_OHMS == pytest.approx(circuit.excitation_amps(1100) ** 2 * 1100, rel=1e-3)


@pytest.mark.ngspice
def test_currents_into_the_inputs(ngspice, spice, tmp_path):
    """Whatever flows into the converter's inputs, at three times typical and on any of them, stays in its line.

    A constant current cancels on reversal. What does not is a current that changes with the input's voltage: all of
    it within one volt is taken, which is more than the sheet's typical curves show with the amplifier on.
    """
    nanoamps = 3 * float(DESCRIPTION.chips["adc"]["input_current_nanoamps_pga"])
    off = 1e15
    body = driven(spice) + ["VMID MID 0 1.65"]
    for pin in INPUTS:
        body += [f"RIN_{pin} {pin} MID {off:g}", f"IIN_{pin} {pin} 0 0"]
    probes = (100, 1000, 2000, 4000)
    sets = list(itertools.product((0, 1), repeat=4))
    control = []
    for ohms in probes:
        for chosen in sets:
            slopes = [
                f"alter RIN_{pin} = {1e9 / nanoamps if on else off:g}" for pin, on in zip(INPUTS, chosen, strict=True)
            ]
            control += both_ways(spice, [f"alter RX = {ohms}", *slopes])
        # And constant currents, every other input the other way round.
        steady = [f"alter RIN_{pin} = {off:g}" for pin in INPUTS]
        steady += [
            f"alter IIN_{pin} dc = {nanoamps * sign:g}n" for pin, sign in zip(INPUTS, (1, -1, 1, -1), strict=True)
        ]
        control += both_ways(spice, steady)
        control += [f"alter IIN_{pin} dc = 0" for pin in INPUTS]
    printed = np.reshape(run_spice(ngspice, tmp_path, spice, body, control), (len(probes), len(sets) + 1, 4))
    for ohms, rows in zip(probes, printed, strict=True):
        found = np.array([ohms_of(row) for row in rows])
        deviations_milliohms = 1e3 * (found - found[0])
        assert abs(deviations_milliohms[-1]) < 0.1
        worst = np.max(np.abs(deviations_milliohms[:-1]))
        bound = next(line for line in budget_of(ohms).lines if line.name == "input currents").contribution.input
        # docs/uncertainty.md names these
        assert worst == pytest.approx({100: 8.0, 1000: 12.6, 2000: 23.6, 4000: 77.1}[ohms], abs=0.1)
        assert 0.2 * bound.half_width < worst < bound.half_width


@pytest.mark.ngspice
def test_the_supply_cancels(ngspice, spice, tmp_path):
    """The whole supply 1 % off moves the ratio by far less than the 5 ppm that its noise is given."""

    def readings(volts):
        control = [f"alter VRAIL dc = {volts:g}", "alter RX = 1100"]
        for level, other in ((volts, 0.0), (0.0, volts)):
            control += [f"alter VA_PIN dc = {level}", f"alter VB_PIN dc = {other}", "op"]
            control.append("print v(AIN3)-v(AIN0) v(AIN1)-v(AIN2)")
        return control

    printed = run_spice(ngspice, tmp_path, spice, driven(spice), readings(3.3) + readings(3.333))
    assert printed[4] / printed[0] == pytest.approx(1.01, rel=1e-3)
    assert ohms_of(printed[4:]) == pytest.approx(ohms_of(printed[:4]), rel=1e-6)


@pytest.mark.ngspice
def test_contact_resistance_of_four_wire_clips(ngspice, spice, tmp_path):
    """An ohm in every contact moves the reading by less than a hundredth of the clips' line."""
    worse = [f"alter RCLIP_{clip} = 1" for clip in ("FP", "SP", "FM", "SM")]
    control = both_ways(spice, ["alter RX = 1100"]) + both_ways(spice, worse)
    printed = run_spice(ngspice, tmp_path, spice, driven(spice), control)
    line = next(line for line in budget_of(1100.0).lines if line.name == "leads and clips")
    assert abs(ohms_of(printed[4:]) - ohms_of(printed[:4])) < 0.01 * line.contribution.input.half_width * 1e-3


def counts_of(reference_volts, probe_volts, gain=4):
    """Return one reading of counts from both voltages, forward and reverse."""
    scale = (counts.FULL_SCALE_COUNTS + 1) / circuit.full_scale_volts(gain)
    reading = [0] * 8
    for index in range(4):
        back = counts.REFERENCE_SIGNS[index] < 0
        reading[counts.REFERENCE_POSITIONS[index]] = round(reference_volts[back] * scale)
        reading[counts.PROBE_POSITIONS[index]] = round(probe_volts[back] * scale)
    return reading


def budget_of(ohms):
    amps = circuit.excitation_amps(ohms)
    volts = amps * REFERENCE_OHMS, amps * ohms
    gain = 4 if ohms < 2500 else 2
    reading = counts_of((volts[0], -volts[0]), (volts[1], -volts[1]), gain)
    return uncertainty.budget([reading] * 4, REFERENCE_OHMS, circuit.uncalibrated(), 23.0, gain=gain)


def measured(seed, ohms, celsius):
    """Let a drawn tester measure a resistor and return its reading of counts.

    Parts from their tolerances, input currents from 0.3 to 3 times typical, the converter's offset, gain error and
    nonlinearity in the shape that the virtual chip has; no noise, which the readings show themselves.
    """
    drawn = specimens.draw(DESCRIPTION, seed)
    made = Circuit(DESCRIPTION, drawn, celsius)
    made.set_power("awake")
    clips = (("F+", "TA", 0.05), ("S+", "TA", 0.05), ("S-", "TB", 0.05), ("F-", "TB", 0.05), ("TA", "TB", ohms))
    made.set_network(Network(("drawn",), clips, clips))
    adc = drawn.adc
    volts = {"reference": [], "probe": []}
    for a, b in (("high", "low"), ("low", "high")):
        made.set_driver("A_PIN", a)
        made.set_driver("B_PIN", b)
        at = made.direct()
        supply = float(at[made.netlist.index["3V3"]])
        for name, (positive, negative) in (("reference", ("AIN3", "AIN0")), ("probe", ("AIN1", "AIN2"))):
            pins = (positive, negative)
            free = np.array([float(at[made.netlist.index[pin]]) for pin in pins])
            amps = np.array([adc.input_amps_pga[pin] for pin in pins])
            loaded = free - made.source_ohms(pins) @ amps
            x = ((loaded[0] - loaded[1]) * (1 + adc.gain_error[4]) + adc.offset_volts[4]) / (supply / 4)
            x += adc.inl_odd * 2.598 * x * (1 - x * x) + adc.inl_even * 4 * x * x * (1 - x * x)
            volts[name].append(x * circuit.full_scale_volts(4))
    return counts_of(volts["reference"], volts["probe"])


@pytest.mark.parametrize(("ohms", "celsius"), [(1097.35, 25.0), (100.0, 10.0), (1758.6, 40.0)])
def test_drawn_testers_stay_in_their_interval(ohms, celsius):
    """Of testers drawn from the parts' tolerances, 95 % or more are right within the stated interval.

    Without a calibration, for a plain resistor, without ageing. 600 testers, with fixed seeds.
    """
    inside = 0
    errors = []
    for seed in range(600):
        reading = measured(seed, ohms, celsius)
        made = uncertainty.budget([reading] * 4, REFERENCE_OHMS, circuit.uncalibrated(), celsius, age_years=0.0)
        low, high = made.estimate.interval(0.95)
        inside += low <= ohms <= high
        errors.append(made.ohms - ohms)
    assert inside >= 570
    # Nor is the interval idle: the errors come near to what it allows.
    assert max(map(abs, errors)) > 0.4 * (high - low) / 2
