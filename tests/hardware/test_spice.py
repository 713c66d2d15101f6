"""The circuit in ngspice, from the generated decks: transfer, settling, and what faults do to the parts."""

import re

import pytest

pytestmark = pytest.mark.ngspice

PRINTED = re.compile(r"^(\S+) = (\S+)$", re.MULTILINE)

# SBAS501 section 6.1: current into any pin at most 10 mA. BAT54S and BAV199 sheets: 200 mA, 215 mA.
ADC_PIN_AMPS = 0.010
CLAMP_AMPS = 0.200
# RP2040 data sheet, table 624: IOVDD at most 3.63 V.
RAIL_VOLTS = 3.63


def values(output):
    return [float(value) for _, value in PRINTED.findall(output)]


def ohms(description, *refs):
    return sum(description["by_ref"][ref]["ohms"] for ref in refs)


@pytest.mark.parametrize("direction", ["forward", "reverse"])
@pytest.mark.parametrize("name", ["low", "high"])
def test_ratio_of_the_loop_is_the_probe_over_the_reference(run_deck, description, name, direction):
    import spice

    probes = spice.HIGH_OHMS if name == "high" else spice.LOW_OHMS
    printed = values(run_deck(f"transfer_{name}_{direction}.cir"))
    assert len(printed) == 2 * len(probes)
    for probe, reference_volts, probe_volts in zip(probes, printed[0::2], printed[1::2], strict=True):
        found = probe_volts / reference_volts * ohms(description, "R_REF")
        # Sense ties, bleeds and clamps lie outside the ratio: at most a few ppm, and at high ohms the ties' 940 kohm
        # carries no current because the sense clips follow the probe.
        assert found == pytest.approx(probe, rel=20e-6, abs=2e-3)


def test_excitation_is_what_the_loop_says(run_deck, description):
    # Ohm's law round the loop: 3.3 V over pins, protection, reference, probe
    import spice

    printed = values(run_deck("transfer_low_forward.cir"))
    fixed = ohms(description, "RG_A", "RP_A", "R_REF", "RP_B", "RG_B") + 2 * 30 + 2 * spice.CLIP_OHMS
    for probe, reference_volts in zip(spice.LOW_OHMS, printed[0::2], strict=True):
        amps = reference_volts / ohms(description, "R_REF")
        # The bleeds take a little at the driver nodes.
        assert amps == pytest.approx(3.3 / (fixed + probe), rel=5e-3)


@pytest.mark.parametrize("name", ["low", "high"])
def test_the_firmwares_loop_is_the_circuits(run_deck, description, name):
    """What board.py says of the current, bleeds included, against ngspice; clips and diodes are not in the loop."""
    import generate
    import spice

    volts, loop_ohms = generate.loop(description, name)
    probes = spice.HIGH_OHMS if name == "high" else spice.LOW_OHMS
    printed = values(run_deck(f"transfer_{name}_forward.cir"))
    for probe, reference_volts in zip(probes, printed[0::2], strict=True):
        assert reference_volts / ohms(description, "R_REF") == pytest.approx(volts / (loop_ohms + probe), rel=1e-3)


@pytest.mark.parametrize(
    ("deck", "wait"), [("low_1100", "low"), ("low_4000", "low"), ("high_10k", "high"), ("high_1m", "high")]
)
def test_the_wait_after_reversal_is_long_enough(run_deck, description, deck, wait):
    import generate
    import spice

    output = run_deck(f"settling_{deck}.cir")
    rows = [
        tuple(map(float, row))
        for row in re.findall(r"^\d+\s+([-+.e\d]+)[,\s]+([-+.e\d]+)[,\s]*$", output, re.MULTILINE)
    ]
    assert len(rows) > 4000
    # 10 us a row, reversal at 1 ms. A conversion that starts after the wait sees less than 10 ppm of the step.
    wait_us = generate.settle_us(
        description, spice.LOW_OHMS[-1] if wait == "low" else spice.HIGH_OHMS[-1], wait == "high"
    )
    at = 100 + wait_us // 10
    for column in (0, 1):
        step = abs(rows[-1][column] - rows[0][column])
        assert abs(rows[at][column] - rows[-1][column]) < 10e-6 * step
        # and the wait is needed: a tenth of it is not enough
        assert abs(rows[100 + wait_us // 100][column] - rows[-1][column]) > 10e-6 * step


@pytest.mark.parametrize("state", ["awake", "asleep", "off", "driving"])
def test_no_part_leaves_its_rating_in_a_fault(run_deck, description, state):
    import spice

    cases = re.split(r"^case ", run_deck(f"fault_{state}.cir"), flags=re.MULTILINE)[1:]
    assert len(cases) == 2 * len(spice.fault_cases())
    for case in cases:
        title = case.splitlines()[0]
        found = {name: float(value) for name, value in PRINTED.findall(case)}
        assert found["rail"] <= RAIL_VOLTS, title
        for part in description["parts"]:
            ref = part["ref"].lower()
            if part["kind"] == "resistor":
                assert found[f"p_{ref}"] <= 0.5 * part["watts"], (title, ref)
            elif part["kind"] == "clamp":
                assert abs(found[f"i_{ref}"]) <= CLAMP_AMPS / 10, (title, ref)
            elif part["kind"] == "shunt":
                assert abs(found[f"i_{ref}"]) <= part["amps"] / 2, (title, ref)
        for pin in spice.ADC_PINS:
            assert abs(found[f"i_{pin.lower()}"]) <= ADC_PIN_AMPS / 2, (title, pin)


def test_no_part_leaves_its_rating_with_an_alternating_voltage(run_deck, description):
    import spice

    cases = re.split(r"^case ", run_deck("fault_alternating.cir"), flags=re.MULTILINE)[1:]
    assert len(cases) == len(spice.fault_cases())
    for case in cases:
        title = case.splitlines()[0]
        measured = re.findall(r"^(\w+)_(mean|max)\s+=\s+(\S+) (?:from=|at=).*?(\S+)$", case, re.MULTILINE)
        found = {name: float(value) for name, _, value, _ in measured}
        # A run that ended early would have been measured over less than the whole period.
        assert all(end == "4.000000e-02" for _, what, _, end in measured if what == "mean"), title
        assert found["rail"] <= RAIL_VOLTS, title
        for part in description["parts"]:
            if part["kind"] == "resistor":
                assert found[f"p_{part['ref'].lower()}"] <= 0.5 * part["watts"], (title, part["ref"])
        for pin in spice.ADC_PINS:
            assert found[f"i_{pin.lower()}"] <= ADC_PIN_AMPS / 2, (title, pin)


def test_without_the_shunt_the_rail_would_climb(run_deck, tmp_path, description, ngspice):
    """The shunt is what holds the rail: taken out, the same fault drives it past its limit."""
    import subprocess

    import spice

    deck = spice.fault_deck(description, "asleep", False)
    circuit = spice.circuit(description).replace("DU_SHUNT 0 RAIL SHUNT", "DU_SHUNT 0 RAIL ESD")
    (tmp_path / "tester.cir").write_text(circuit)
    (tmp_path / "deck.cir").write_text(deck)
    output = subprocess.run([ngspice, "-b", "deck.cir"], cwd=tmp_path, capture_output=True, text=True).stdout
    assert max(float(value) for name, value in PRINTED.findall(output) if name == "rail") > 8
