"""The numbers in docs/uncertainty.md, computed again."""

import math
import re
import runpy
from pathlib import Path

import pytest
from budget_cases import CALIBRATED, PT1000, readings_of

from probecore import budget as core_budget
from probecore import selfheat as core_selfheat
from probeledger import circuit, gum, inputcurrents, uncertainty
from probeledger.cli import _budget

ROOT = Path(__file__).resolve().parents[2]
PAGE = (ROOT / "docs" / "uncertainty.md").read_text(encoding="utf-8")
OHMS = PT1000.ohms(25.0)
SLOPE = PT1000.ohms_per_celsius(25.0)


def table(heading):
    """Return the rows of the table of the page that begins with this heading row."""
    lines = PAGE[PAGE.index(heading) :].splitlines()[2:]
    rows = []
    for line in lines:
        if not line.startswith("|"):
            return rows
        rows.append([cell.strip() for cell in line.strip("|").split("|")])
    return rows


def budget_of(used):
    return uncertainty.budget(readings_of(OHMS), 1500.0, used, 25.0, ohms_per_celsius=SLOPE)


@pytest.fixture(scope="module")
def made():
    return _budget.ReadingBudget(
        budget_of(circuit.uncalibrated()), PT1000, "B", {"celsius": 25.0, "u_celsius": circuit.u_ambient_celsius()}, 4.0
    )


def digits(text):
    """Return a number of the page and half of its last digit."""
    decimals = len(text.partition(".")[2])
    return pytest.approx(float(text), abs=0.5001 * 10**-decimals)


def test_the_budget_table(made):
    rows = table("| input | width | shape | degrees of freedom |")
    lines = made.resistance.contributions
    assert [row[0] for row in rows] == [line.input.name for line in lines]
    for row, line in zip(rows, lines, strict=True):
        item = line.input
        scale = 1.0 if item.unit else 1e6
        mark, number, unit = row[1].split(" ", 2)
        assert mark == ("u" if item.shape == gum.NORMAL else "±")
        width = item.u if item.half_width is None else item.half_width
        assert scale * width == digits(number) and unit == (item.unit or "10⁻⁶")
        assert row[2] == {"normal": "normal", "rectangular": "even"}[item.shape]
        assert row[3] == "∞" and math.isinf(item.degrees_of_freedom)
        assert 1e3 * line.sensitivity / scale == digits(row[4])
        assert 1e3 * line.u == digits(row[5])
        assert 100 * made.resistance.share(line) == digits(row[6])


def test_the_results(made):
    rows = table("| result | value | u | k | U |")
    estimates = (made.resistance, made.celsius, made.sensor_celsius, made.difference_celsius)
    assert len(rows) == len(estimates)
    for row, found in zip(rows, estimates, strict=True):
        # The counts are whole numbers: half a count is 3e-5 ohm
        assert found.value == pytest.approx(float(row[1]), abs=5.1e-3)
        assert [found.u, found.coverage_factor(0.95), found.expanded(0.95)] == [digits(text) for text in row[2:]]


def test_the_result_after_a_calibration():
    (row,) = [row for row in re.findall(r"^\| (.*) \|$", PAGE, re.MULTILINE) if row.startswith("resistance after")]
    name, value, *numbers = row.split(" | ")
    # As on the page: gain to 50 ppm, offset to 8 mohm, linearity to 12 mohm
    assert (CALIBRATED.u_gain, CALIBRATED.u_offset_ohms, CALIBRATED.u_linearity_ohms) == (50e-6, 8e-3, 12e-3)
    used = CALIBRATED._replace(gain=1.0, offset_ohms=0.0)
    found = budget_of(used).estimate
    assert found.value == pytest.approx(float(value), abs=5.1e-3)
    assert [found.u, found.coverage_factor(0.95), found.expanded(0.95)] == [digits(text) for text in numbers]
    largest = max(found.contributions, key=lambda line: line.u)
    assert largest.input.name == uncertainty.SELF_HEATING
    assert f"with {100 * found.share(largest):.0f} % of the variance" in PAGE


def test_numbers_in_the_text():
    amps = circuit.excitation_amps(OHMS)
    assert f"{1e3 * amps:.3f} mA flow, and {1e6 * amps**2 * OHMS:.1f} µW warm the element" in PAGE
    adc = circuit.description()["chips"]["adc"]
    reference = next(part for part in circuit.description()["parts"] if part["ref"] == "R_REF")
    assert f"{1e6 * circuit.noise_volts(20, 4):.2f} µV at gain 4" in PAGE
    assert f"At most {adc['inl_ppm_full_scale_max']:.0f} ppm of full scale (SBAS501; typically " in PAGE
    assert f"typically {adc['inl_ppm_full_scale']:.0f})" in PAGE
    assert f"tolerance, {100 * reference['tolerance']:.2f} %" in PAGE
    assert f"up to {reference['tempco_ppm_per_k']} ppm a kelvin" in PAGE
    assert f"the pigtail: {circuit.u_ambient_celsius():.2f} °C" in PAGE
    amplified, bypassed = circuit.input_slopes_siemens()
    assert f"typically {1e9 * amplified:.2f} nS with the amplifier on, {1e9 * bypassed:.0f} nS bypassed" in PAGE
    # A factor between 0.3 and 3, its logarithm even: the mean of its square.
    assert math.sqrt((3.0**2 - 0.3**2) / (2.0 * math.log(10.0))) == pytest.approx(1.4, abs=0.02)
    assert circuit._from_middle_volts(1e5, True)[1] == pytest.approx(0.0, abs=0.05)
    # Chi-squared with 3 degrees of freedom: 11.345 at 99 % (NIST/SEMATECH e-Handbook, 1.3.6.7.4)
    assert math.sqrt(11.345 / 3) == pytest.approx(1.94, abs=0.005)
    assert uncertainty._most_chi2(3) == pytest.approx(11.345, abs=0.001)
    # GUM table G.2: 3.18 for 3 degrees of freedom, 1.96 for infinitely many
    assert gum.student_factor(0.95, math.inf) == pytest.approx(1.96, abs=0.005)
    assert gum.student_factor(0.95, 3) == pytest.approx(3.18, abs=0.005)
    rectangle = gum.evaluate(lambda x: x, [gum.bounded("x", 0.0, 1.0)])
    assert 0.95 * math.sqrt(3.0) == pytest.approx(1.65, abs=0.005) == rectangle.coverage_factor(0.95)
    # One side of a limit: a quantile of the normal distribution, and 0.9 of the rectangle's half-width
    assert gum.student_factor(0.90, math.inf) == pytest.approx(1.64, abs=0.005)
    assert 0.9 * math.sqrt(3.0) == pytest.approx(1.56, abs=0.005)
    # A thermal voltage E that fades with t: what the signs of probecore.counts leave, 52.5 ms apart
    signs = {1: 1, 2: -1, 5: -1, 6: 1}
    rest = sum(sign * 20e-6 * math.exp(-place * 0.0525 / 10.0) for place, sign in signs.items()) / 4
    assert abs(rest) < 1e-9


def test_power_in_the_element():
    rows = table("| element | range | µW | at most, °C |")
    assert len(rows) == 9
    for element, range_, microwatts, most in rows:
        number, unit = element.split()
        ohms = float(number) * {"Ω": 1.0, "kΩ": 1e3, "MΩ": 1e6}[unit]
        watts = circuit.excitation_amps(ohms, range_ == "high") ** 2 * ohms
        assert 1e6 * watts == digits(microwatts)
        assert 1e3 * watts * uncertainty._SELF_HEATING_MOST_K_PER_MW == digits(most)


def test_what_zero_power_leaves():
    board = runpy.run_path(str(ROOT / "firmware" / "board.py"))
    ohms = 1100.0
    faint_amps = board["FAINT_LOOP_MICROVOLTS"] * 1e-6 / (board["FAINT_LOOP_OHMS"] + ohms)
    both = math.hypot(1.0, ohms / board["REFERENCE_OHMS"]) / math.sqrt(16)
    faint = circuit.noise_volts(20, 64) / faint_amps * both
    noise = math.hypot(faint, circuit.noise_volts(20, 4) / circuit.excitation_amps(ohms) * both)
    others = (core_selfheat._U_FAINT_VOLTS / faint_amps, core_selfheat._U_LEVELS_PPM * 1e-6 * ohms)
    rows = [float(row[1]) for row in table("| from | mΩ |")]
    assert [1e3 * u for u in (noise, *others, math.hypot(noise, *others))] == [
        pytest.approx(u, abs=0.051) for u in rows
    ]
    assert f"kΩ:\n{1e3 * faint:.1f} mΩ; 10 mΩ would be enough" in PAGE
    assert f"({1e6 * faint_amps:.0f} µA, {1e6 * faint_amps**2 * ohms:.1f} µW\nin a sensor of 1.1 kΩ)" in PAGE
    kelvin_per_milliwatt = 1e-3 * rows[-1] / (1e3 * circuit.excitation_amps(ohms) ** 2 * ohms) / SLOPE
    assert f"That is {kelvin_per_milliwatt:.2f} K/mW" in PAGE
    assert f"0.15 K/mW stands out of it by a factor of {0.15 / kelvin_per_milliwatt:.1f}" in PAGE
    # Both half-widths are even: ± 0.5 and ± 0.7 µV.
    assert math.hypot(0.5, 0.7) / math.sqrt(3) == pytest.approx(1e6 * core_selfheat._U_FAINT_VOLTS, rel=0.02)


def test_what_is_assumed_is_what_the_code_assumes():
    rows = {row[0]: float(row[1]) for row in table("| figure | value | what would prove it |")}
    code = uncertainty
    assert list(rows.values()) == [
        code._SELF_HEATING_MOST_K_PER_MW,
        code._THERMAL_RESIDUE_MICROVOLTS,
        code._DRIFT_PPM_AFTER_A_YEAR,
        code._AGE_YEARS["calibrated"],
        code._AGE_YEARS["overdue"],
        code._AGE_YEARS_NEVER_CALIBRATED,
        code._TESTER_HALF_WIDTH_CELSIUS,
        code._UNKNOWN_KELVIN,
        code._KELVIN_CLIPS_MILLIOHMS,
        code._TWO_WIRE_CLIPS_MILLIOHMS,
        1e3 * core_budget._INPUT_CURRENT_LEAST_OHMS,
        code._LINEARITY_BEND,
        inputcurrents._SPREAD,
        inputcurrents._GROWTH_SPREAD,
        inputcurrents._UNLIKE,
        inputcurrents._GROWTH_AMPLIFIED,
        inputcurrents._GROWTH_BYPASSED,
        inputcurrents._BENT_KELVIN,
        code._U_AMBIENT_ASSUMED_CELSIUS,
    ]


def test_every_line_is_explained():
    explained = PAGE[PAGE.index("### Line by line") : PAGE.index("## From u to an interval")]
    named = re.findall(r"\*\*(.+?)\.?\*\*", explained)
    two_wire = uncertainty.budget(readings_of(OHMS), 1500.0, CALIBRATED, 25.0, zero_ohms=0.1)
    for line in two_wire.lines:
        assert any(line.name == name or line.name.endswith(name) for name in named), line.name
