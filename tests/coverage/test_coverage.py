"""Do stated 95 % intervals hold the truth in 95 % of cases? A slice with fixed seeds; the whole is `run.py`.

JCGM 101:2008: a coverage interval of 95 % holds the quantity with that probability. Truth comes from the circuit,
solved node by node, and from the effects in truth.py, which the budget knows only as bounds.
"""

import re
from pathlib import Path

import numpy as np
import pytest
import run
import simulate
import solved
import truth

from probeledger import circuit
from probeledger.virtual.circuit import description as descriptions
from probeledger.virtual.circuit import specimen as specimens
from probeledger.virtual.circuit.netlist import Network
from probeledger.virtual.circuit.solver import Circuit

SEEDS = range(40)
DESCRIPTION = descriptions.load()
PAGE = (Path(__file__).resolve().parents[2] / "docs" / "uncertainty.md").read_text(encoding="utf-8")


@pytest.fixture(scope="module")
def found():
    return simulate.simulate(SEEDS)


def shares(found, factor=1.0):
    """Return the share of covered cases with all intervals wider by a factor, by range."""
    return {
        name: (np.abs(found.error[name]) <= factor * found.half_width[name]).mean() for name in simulate.VALUES_OHMS
    }


def test_the_slice_covers(found):
    """Forty testers use each cell once: 95 % have a standard deviation of 3.4 % in a cell, of about 1.5 % in all."""
    assert 0.92 < found.overall < 0.98
    for name in simulate.VALUES_OHMS:
        assert found.covered(name).mean(axis=0).min() >= 0.85
        # Neither idle nor bold: intervals of seven tenths would miss more, of half as much again hardly any.
        assert shares(found, 0.7)[name] < 0.92 < shares(found)[name] < 0.985 < shares(found, 1.5)[name]


def test_the_aim_of_the_low_range(found):
    """0.03 % + 0.05 ohm (k = 2) from 1000 to 2000 ohm, 10 to 40 degrees C."""
    rows = run.aim(found)
    assert [row[0] for row in rows[:: len(simulate.USE_CELSIUS)]] == [1000.0, 1500.0, 2000.0]
    for ohms, _, error, stated, allowed in rows:
        assert allowed == pytest.approx(3e-4 * ohms + 0.05)
        assert error < allowed and stated < allowed


def test_the_report_names_what_is_outside(found):
    text = "\n".join(run.report(found))
    assert f"Overall {100 * found.overall:.2f} %" in text and "aim of 0.03 %" in text
    bold = simulate.Results(
        found.error, {name: 0.3 * each for name, each in found.half_width.items()}, found.u, found.lines
    )
    said = run.faults(bold)
    assert any(each.endswith("overall") for each in said)
    assert any("1000 ohm" in each for each in said) and any("1e+06 ohm" in each for each in said)


def test_the_same_seed_is_the_same_tester():
    one, two = simulate.Tester(7), simulate.Tester(7)
    assert one.calibrate() == two.calibrate()
    assert one.read(1000.0, 40.0, 2, 0.0, 0.0) == two.read(1000.0, 40.0, 2, 0.0, 0.0)
    assert simulate.Tester(8).read(1000.0, 40.0, 2, 0.0, 0.0) != simulate.Tester(7).read(1000.0, 40.0, 2, 0.0, 0.0)


@pytest.mark.long
def test_the_whole():
    found = run.whole()
    assert run.faults(found) == []
    # What docs/uncertainty.md tells of it.
    shares = np.concatenate([found.covered(name).mean(axis=0).ravel() for name in simulate.VALUES_OHMS])
    told = re.search(r"in ([\d.]+) % of all cases, and\s+in ([\d.]+) to ([\d.]+) % of the cases of each", PAGE)
    assert [float(text) for text in told.groups()] == pytest.approx(
        [100 * found.overall, 100 * shares.min(), 100 * shares.max()], abs=0.3
    )
    for text, ohms, name in (
        ("1000 Ω", 1e3, "low"),
        ("2000 Ω", 2e3, "low"),
        ("100 kΩ", 1e5, "high"),
        ("1 MΩ", 1e6, "high"),
    ):
        (row,) = [line for line in PAGE.splitlines() if line.startswith(f"| 95 % of the errors at {text}, ppm")]
        column = simulate.VALUES_OHMS[name].index(ohms)
        errors = np.quantile(np.abs(found.error[name][:, :, column]), 0.95, axis=0) / ohms * 1e6
        kept = [errors[simulate.USE_CELSIUS.index(celsius)] for celsius in (10.0, 23.0, 40.0)]
        assert [float(cell) for cell in row.split("|")[2:5]] == pytest.approx(kept, rel=0.02)


# The quick solution against the virtual tester's own


@pytest.mark.parametrize("celsius", [10.0, 40.0])
@pytest.mark.parametrize("ohms", [0.001, 100.0, 4000.0, 1e4, 1e6])
def test_the_quick_solution_is_the_circuit_s(ohms, celsius):
    """One changed element instead of a whole solution, and clamps that only leak: ratios agree to 0.01 ppm."""
    specimen = specimens.draw(DESCRIPTION, 3)
    states = solved.states(DESCRIPTION, specimen, celsius)
    name = "low" if ohms < 5000 else "high"
    quick, whole = [], []
    for direction in (1, -1):
        made = Circuit(DESCRIPTION, specimen, celsius)
        made.set_power("awake")
        resistors = (*solved.CLIPS.resistors, ("TA", "TB", ohms))
        made.set_network(Network(("probe",), ("probe",), resistors))
        for pin, level in solved.STATES[name, direction].items():
            made.set_driver(pin, level)
        volts = made.direct()[[made.netlist.index[net] for net in solved.NETS]]
        whole.append(volts / volts[6])
        volts = states[name, direction].with_probe(ohms)[0]
        quick.append(volts / volts[6])

    def ratio(both):
        forward, reverse = both
        return ((forward[2] - forward[3]) - (reverse[2] - reverse[3])) / (
            (forward[0] - forward[1]) - (reverse[0] - reverse[1])
        )

    assert ratio(quick) == pytest.approx(ratio(whole), rel=1e-8)


# The formulas of the budget against the circuit


def read_ratio(name, ohms, siemens):
    """Return the ratio that a nominal tester reads with these slopes of its inputs' currents [S]."""
    states = solved.states(DESCRIPTION, specimens.nominal(DESCRIPTION), 23.0)
    forward, reverse = (states[name, way].inputs(ohms, np.zeros(4), np.array(siemens))[0] for way in (1, -1))
    reference, probe = forward - reverse
    return probe / reference


@pytest.mark.parametrize("ohms", [1e4, 3e4, 5e4, 1e5, 3e5, 1e6])
def test_alike_input_currents(ohms):
    """One slope of all inputs, typical: within 1 % of what the node equations say at its largest."""
    slope = circuit.input_slopes_siemens()[1]
    moved = read_ratio("high", ohms, [slope] * 4) / read_ratio("high", ohms, [0.0] * 4) - 1.0
    assert circuit.alike_inputs_ohms_squared(ohms) * slope / ohms == pytest.approx(moved, rel=0.01, abs=2e-6)


@pytest.mark.parametrize(
    ("name", "ohms"),
    [("low", 10.0), ("low", 100.0), ("low", 1000.0), ("low", 4000.0), ("high", 1e4), ("high", 3e5), ("high", 1e6)],
)
def test_unlike_input_currents(name, ohms):
    """Each input's slope by itself, added in squares. What flows in the loop besides is within a twelfth."""
    slope = 0.15e-9
    moved = [
        read_ratio(name, ohms, [slope if index == other else 0.0 for other in range(4)])
        / read_ratio(name, ohms, [0.0] * 4)
        - 1.0
        for index in range(4)
    ]
    expected = circuit.unlike_inputs_ohms_squared(ohms, name == "high") * slope / ohms
    assert expected == pytest.approx(np.sqrt(np.sum(np.square(moved))), rel=0.08)


# The truth keeps what it states


def test_drawn_nonlinearity_is_the_specimen_s():
    """Largest deviation between 6 and 15 ppm of full scale (SBAS501), no slope."""
    for seed in range(20):
        specimen = specimens.draw(DESCRIPTION, seed)
        own = truth.draw(DESCRIPTION, specimen, ((4, False), (1, True)))
        scale = np.linspace(-1.0, 1.0, 401)
        for setting in own.linearity:
            deviation = own.bent(scale, setting) - scale
            peak = np.max(np.abs(deviation))
            assert 6e-6 <= peak <= 15e-6
            assert peak == pytest.approx(abs(specimen.adc.inl_odd) + abs(specimen.adc.inl_even), rel=1e-3)
            assert abs(np.polynomial.polynomial.polyfit(scale, deviation, 1)[1]) < 0.02 * peak


def test_drawn_drift_and_currents_stay_in_their_bounds():
    slope = circuit.input_slopes_siemens()
    drawn = [truth.draw(DESCRIPTION, specimens.draw(DESCRIPTION, seed), ((4, False),)) for seed in range(200)]
    assert max(abs(each.drift) for each in drawn) <= 50e-6
    assert all(0.0 <= each.years <= 1.0 for each in drawn)
    amplified = np.abs([each.siemens[False] for each in drawn]) / slope[0]
    assert 0.3 <= amplified.min() < 0.35 and 2.7 < amplified.max() <= 3.0
    bypassed = np.array([each.siemens[True] for each in drawn])
    assert np.all(np.ptp(bypassed, axis=1) <= 0.2 * bypassed.mean(axis=1) / 0.9)
    assert all(each.current_factor(True, 40.0) > 1.0 > each.current_factor(True, 10.0) for each in drawn)
    # 50 degrees C over 25, from the simulation with the sheet's curves: 3624 over 2342 ppm at 1 Mohm
    typical = np.median([each.current_factor(True, 50.0) for each in drawn])
    assert typical == pytest.approx(3624 / 2342, rel=0.1)


def test_a_tester_is_used_as_the_firmware_plans():
    """SBAS501, 8.3.2.1: the amplifier only in the low range; each reading fits the scale at its gain."""
    for ohms in simulate.LOW_OHMS:
        assert (simulate.plan(ohms).range, simulate.plan(ohms).bypass) == ("low", False)
    for ohms in simulate.HIGH_OHMS:
        assert (simulate.plan(ohms).range, simulate.plan(ohms).bypass) == ("high", True)
    assert simulate.plan(1000.0).gain == 4 and simulate.plan(4000.0).gain == 2 and simulate.plan(1e6).gain == 1
