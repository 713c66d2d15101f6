"""The budget of a resistance: against another library, by drawing lots, and against the tester's own sum.

Sources: JCGM 100:2008 (GUM) 4.3.7, 5.1.2, F.2.4.5, G.4; JCGM 101:2008, 7 (propagation by drawing lots); GTC, the GUM
Tree Calculator (PyPI); IEC 60751:2022 for classes and curve.
"""

import math

import GTC
import numpy as np
import pytest
from budget_cases import CALIBRATED, PT1000, REFERENCE_OHMS, readings_of

from probecore import budget as tester_budget
from probecore import calibration as calibrations
from probecore import counts
from probecore.errors import RangeError
from probeledger import circuit, gum, uncertainty

ROOT_3 = math.sqrt(3.0)


def by_name(budget):
    return {line.name: line.contribution for line in budget.lines}


def test_the_value_is_the_tester_s():
    for ohms in (10.0, 1097.35, 4000.0):
        ratio = uncertainty.ratio_of(readings_of(ohms, gain=2))[0]
        made = uncertainty.budget(readings_of(ohms, gain=2), REFERENCE_OHMS, CALIBRATED, 23.0, gain=2)
        assert made.ohms == pytest.approx(calibrations.low_ohms(CALIBRATED, ratio, REFERENCE_OHMS), rel=1e-12)
    readings = readings_of(47_000.0, high_range=True, gain=2)
    ratio = uncertainty.ratio_of(readings)[0]
    made = uncertainty.budget(readings, REFERENCE_OHMS, CALIBRATED, 23.0, high_range=True, gain=2)
    assert made.ohms == pytest.approx(calibrations.high_ohms(CALIBRATED, ratio, REFERENCE_OHMS), rel=1e-12)


def test_every_input_of_the_model_has_a_line():
    made = uncertainty.budget(readings_of(1097.35), REFERENCE_OHMS, circuit.uncalibrated(), 23.0, zero_ohms=0.15)
    words = (
        "readings", "reference resistor", "offset", "temperature of the tester", "drift", "linearity of the converter",
        "supply", "input currents", "thermal voltages", "clips", "zero", "self-heating",
    )  # fmt: skip
    names = [line.name for line in made.lines]
    assert len(names) == len(words) == len(set(names))
    for word in words:
        assert sum(name.startswith(word) or word in name for name in names) == 1, word


def test_sensitivities_by_hand():
    """Partial derivatives of the model in docs/uncertainty.md, worked out on paper."""
    ohms, gain = 1097.35, 4
    made = uncertainty.budget(
        readings_of(ohms), REFERENCE_OHMS, circuit.uncalibrated(), 25.0, gain=gain, ohms_per_celsius=3.88
    )
    amps = circuit.excitation_amps(ohms)
    found = by_name(made)
    kelvin = math.hypot(25.0 - 23.0, 2.0 / ROOT_3)
    expected = {
        "readings": REFERENCE_OHMS,
        "reference resistor and gain": ohms * 1e-6,
        "offset": 1.0,
        "temperature of the tester": ohms * 1e-6 * kelvin,
        "drift since parts were new": ohms * 1e-6,
        "linearity of the converter": 1e-6 / amps,
        "supply between reads": ohms * 1e-6,
        "input currents": -1e-3,
        "thermal voltages": 1e-6 / amps,
        "leads and clips": -1e-3,
        "self-heating of the element": -(amps**2) * ohms * 1e3 * 3.88,
    }
    assert found.keys() == expected.keys()
    for name, sensitivity in expected.items():
        assert found[name].sensitivity == pytest.approx(sensitivity, rel=2e-5), name


def chord(most_volts, reference_volts, ohms):
    """Return how far a smooth curve may lie off the chord from zero to the reference's voltage [V]: 3 d x |r - x|."""
    full_scale = 3.3 / 4
    r = reference_volts / full_scale
    x = r * ohms / REFERENCE_OHMS
    return 3 * most_volts * x * abs(r - x)


def currents_ohms(ohms, kelvin):
    """Return what the input currents leave in the low range after a calibration, warmer by so much [ohm].

    Worked out on paper for a loop with both halves alike: half the supply lies in the middle of reference and probe, T
    and F- lie (R + Rref) / 2 from it, F+ lies (R - Rref) / 2. Each input's slope g makes 22 kohm g V, which adds up to
    22 kohm g (R^2 + Rref^2) / (sqrt(2) Rref) in the ratio.
    """
    growth = 2.0 ** (math.hypot(kelvin, 5.0) / 25.0) - 1.0
    return 1.1 * growth * 1.4 * 0.15e-9 * 22e3 * (ohms**2 + REFERENCE_OHMS**2) / (math.sqrt(2.0) * REFERENCE_OHMS)


def whole_in_gtc(made, ohms_per_celsius, kelvin, readings, used):
    """Write the same measurement down once more in GTC, input by input."""

    def rectangular(half_width):
        return GTC.ureal(0.0, half_width / ROOT_3)

    ratios = [counts.sums(reading)[1] / counts.sums(reading)[0] for reading in readings]
    ratio = GTC.type_a.estimate(ratios)
    reference_volts = sum(counts.sums(r)[0] for r in readings) / len(readings) / 4 / 2**23 * 3.3 / 4
    amps = reference_volts / 1500.0
    # The calibration states its linearity in ohms of a 1.1-kohm probe at gain 4.
    linearity_volts = chord(0.012 * ROOT_3 * circuit.excitation_amps(1100.0), reference_volts, made.ohms)
    reference = 1500.0 * (1 + 1e-6 * (rectangular(10.0) * kelvin + rectangular(50.0)))
    probe = ratio * reference_volts + rectangular(linearity_volts) + rectangular(0.5e-6)
    raw = reference * probe / reference_volts
    ppm = 1e-6
    raw = raw * (1 + GTC.ureal(0.0, 5 * ppm))
    cold = used.offset_ohms + GTC.ureal(0.0, used.u_offset_ohms)
    ohms = cold + used.gain * GTC.ureal(1.0, used.u_gain / used.gain) * raw
    milliwatts = amps**2 * made.ohms * 1e3
    currents = GTC.ureal(0.0, currents_ohms(made.ohms, kelvin))
    return ohms - currents - rectangular(2e-3) - rectangular(0.4) * milliwatts * ohms_per_celsius


def test_a_whole_budget_against_another_library():
    readings = readings_of(1097.35, number=5, noise_counts=60.0)
    made = uncertainty.budget(readings, REFERENCE_OHMS, CALIBRATED, 30.0, ohms_per_celsius=3.88)
    # Noise is set above the converter's own, so that it is type A on both sides.
    assert made.lines[0].degrees_of_freedom == 4
    theirs = whole_in_gtc(made, 3.88, math.hypot(7.0, 2.0 / ROOT_3), readings, CALIBRATED)
    found = made.estimate
    assert found.value == pytest.approx(GTC.value(theirs), rel=1e-12)
    assert found.u == pytest.approx(GTC.uncertainty(theirs), rel=1e-5)
    assert found.degrees_of_freedom == pytest.approx(GTC.dof(theirs), rel=1e-3)
    assert made.u_ohms == pytest.approx(found.u, rel=1e-12)


@pytest.mark.parametrize("used", [circuit.uncalibrated(), CALIBRATED], ids=["uncalibrated", "calibrated"])
def test_the_interval_by_drawing_lots(used):
    """JCGM 101, 7: the model itself is evaluated for draws of all inputs, without any derivative."""
    readings = readings_of(1097.35)
    made = uncertainty.budget(readings, REFERENCE_OHMS, used, 28.0, ohms_per_celsius=3.88)
    found = made.estimate
    assert found.shape_matters
    rng = np.random.default_rng(20261125)
    draws = 400_000

    def drawn(name):
        item = by_name(made)[name].input
        if item.half_width is not None:
            return rng.uniform(-item.half_width, item.half_width, draws)
        return rng.normal(0.0, item.u, draws)

    ratio, _ = uncertainty.ratio_of(readings)
    amps = circuit.excitation_amps(1097.35)
    volts = amps * REFERENCE_OHMS
    kelvin = math.hypot(5.0, 2.0 / ROOT_3)
    drift = next(name for name in by_name(made) if name.startswith("drift"))
    bent = drawn("linearity of the converter") + drawn("thermal voltages")
    probe = (ratio + drawn("readings")) * volts + 1e-6 * bent
    raw = REFERENCE_OHMS * (1 + 1e-6 * (drawn("temperature of the tester") * kelvin + drawn(drift))) * probe / volts
    raw = raw * (1 + 1e-6 * drawn("supply between reads"))
    ohms = used.offset_ohms + drawn("offset") + used.gain * (1 + 1e-6 * drawn("reference resistor and gain")) * raw
    ohms -= 1e-3 * (drawn("leads and clips") + drawn("input currents"))
    ohms -= drawn("self-heating of the element") * amps**2 * 1097.35e3 * 3.88
    half_width = np.quantile(np.abs(ohms - found.value), 0.95)
    assert found.expanded(0.95) == pytest.approx(half_width, rel=0.01)
    assert found.u == pytest.approx(ohms.std(), rel=0.005)
    # And the normal interval would have been wider or narrower by more than that.
    assert abs(1.96 * found.u / half_width - 1) > 0.015


def test_normal_inputs_get_the_student_factor():
    """Few readings, noisy beyond everything else: the factor is that of their degrees of freedom (GUM table G.2)."""
    readings = readings_of(1097.35, number=4, noise_counts=30_000.0, seed=3)
    found = uncertainty.budget(readings, REFERENCE_OHMS, CALIBRATED, 23.0).estimate
    assert not found.shape_matters
    assert found.degrees_of_freedom == pytest.approx(3.0, abs=0.1)
    assert found.coverage_factor(0.95) == pytest.approx(3.18, abs=0.06)


def test_readings_that_agree_by_chance():
    """Four equal readings still carry the converter's noise: SBAS501 table 1, 1.15 uV at gain 4, eight counts each."""
    made = uncertainty.budget(readings_of(1097.35), REFERENCE_OHMS, CALIBRATED, 23.0)
    amps = circuit.excitation_amps(1097.35)
    expected = 1.15e-6 / math.sqrt(4 * 4) / amps * math.hypot(1.0, 1097.35 / 1500.0)
    assert made.lines[0].u_ohms == pytest.approx(expected, rel=1e-3)
    assert made.lines[0].degrees_of_freedom == math.inf


def test_a_short_that_reads_below_zero_has_a_budget():
    made = uncertainty.budget(readings_of(-0.002), REFERENCE_OHMS, circuit.uncalibrated(), 23.0)
    assert made.ohms == pytest.approx(-0.002, abs=3e-4)
    # Noise of the converter, thermal voltages, clips and input currents are left: 1, 1, 1 and 6 mohm.
    assert 0.005 < made.u_ohms < 0.008


@pytest.mark.parametrize(
    ("rate_hz", "gain", "ohms"), [(20, 4, 1097.35), (20, 2, 3000.0), (20, 1, 1097.35), (90, 4, 1097.35)]
)
def test_noise_drawn_into_counts_comes_out_as_stated(rate_hz, gain, ohms):
    noise_counts = circuit.noise_volts(rate_hz, gain) / circuit.full_scale_volts(gain) * 2**23
    values = [
        uncertainty.ratio_of(readings_of(ohms, 4, gain, noise_counts, seed))[0] * REFERENCE_OHMS for seed in range(400)
    ]
    made = uncertainty.budget(readings_of(ohms, 4, gain), REFERENCE_OHMS, CALIBRATED, 23.0, gain=gain, rate_hz=rate_hz)
    # The spread of 400 values is known to 3.5 %: three times that.
    assert made.lines[0].u_ohms / CALIBRATED.gain == pytest.approx(np.std(values, ddof=1), rel=0.11)


# Host and tester


def shorter_u_ohms(ohms, used, celsius, gain, high_range, number=4, ohms_per_celsius=0.0):
    """Return the tester's own sum, with the noise that its bridge takes for so many readings (firmware/measure)."""
    share = ohms / REFERENCE_OHMS
    amps = circuit.excitation_amps(ohms, high_range)
    u_noise = circuit.noise_volts(20, gain) / amps * math.hypot(1.0, share)
    heating = 1e3 * amps**2 * ohms * ohms_per_celsius
    return tester_budget.u_ohms(ohms, u_noise / math.sqrt(4 * number), used, celsius, high_range, heating)


LOW_CASES = [(10.0, 4), (100.0, 4), (1000.0, 4), (1097.35, 4), (1385.1, 4), (1758.6, 4), (3000.0, 2), (4000.0, 2)]
HIGH_CASES = [(1e4, 4), (3e4, 2), (1e5, 2), (3e5, 1), (1e6, 1)]


@pytest.mark.parametrize("celsius", [None, 10.0, 23.0, 40.0])
@pytest.mark.parametrize("used", [circuit.uncalibrated(), CALIBRATED], ids=["uncalibrated", "calibrated"])
@pytest.mark.parametrize(
    ("ohms", "gain", "high_range"),
    [(*case, False) for case in LOW_CASES] + [(*case, True) for case in HIGH_CASES],
)
def test_host_and_tester_agree(ohms, gain, high_range, used, celsius):
    """The tester's shorter sum against the host's: for a plain resistor, hardly ever too small.

    The tester takes the linearity's limit for every value, and the input currents as before any calibration: too much
    far from 1 kohm. After a calibration it lacks what the temperature does to the input currents in the high range, a
    third of the whole at 1 Mohm.
    """
    readings = readings_of(ohms, gain=gain, high_range=high_range)
    host = uncertainty.budget(readings, REFERENCE_OHMS, used, celsius, high_range, gain)
    tester = shorter_u_ohms(host.ohms, used, celsius, gain, high_range)
    assert host.u_ohms < (1.4 if high_range else 1.16) * tester
    assert host.u_ohms > (1.0 if high_range else 0.84 if ohms >= 1000.0 else 0.25) * tester


@pytest.mark.parametrize(("ohms", "gain"), [(1000.0, 4), (1097.35, 4), (1758.6, 4)])
def test_host_and_tester_on_a_sensor(ohms, gain):
    """With the element's self-heating: 1.03 uncalibrated, 1.07 after a calibration."""
    slope = PT1000.ohms_per_celsius(PT1000.celsius(ohms))
    for used, factor in ((circuit.uncalibrated(), 1.03), (CALIBRATED, 1.07)):
        readings = readings_of(ohms, gain=gain)
        host = uncertainty.budget(readings, REFERENCE_OHMS, used, 25.0, gain=gain, ohms_per_celsius=slope)
        tester = shorter_u_ohms(host.ohms, used, 25.0, gain, False, ohms_per_celsius=slope)
        assert 1.0 <= host.u_ohms / tester <= factor


# Single lines


def test_older_calibrations_are_worth_less():
    def u_drift(**options):
        made = uncertainty.budget(readings_of(1097.35), REFERENCE_OHMS, CALIBRATED, 23.0, **options)
        return by_name(made)["drift since calibration"].u

    assert u_drift(age_years=0.0) == 0.0
    assert u_drift(age_years=4.0) == pytest.approx(2 * u_drift(age_years=1.0))
    assert u_drift() == u_drift(age_years=1.0)
    overdue = CALIBRATED._replace(state=calibrations.OVERDUE)
    assert uncertainty.ageing_years(overdue) > uncertainty.ageing_years(CALIBRATED)


def test_a_warm_tester_of_known_and_of_unknown_temperature():
    def u_temperature(celsius):
        made = uncertainty.budget(readings_of(1097.35), REFERENCE_OHMS, CALIBRATED, celsius)
        return by_name(made)["temperature of the tester"].u

    # 10 ppm/K over 17 K, rectangular
    assert u_temperature(40.0) == pytest.approx(1097.35 * 1e-5 * 17 / ROOT_3, rel=0.01)
    assert 0 < u_temperature(23.0) < u_temperature(30.0) < u_temperature(None) < u_temperature(40.0)


def test_two_wires_after_zeroing():
    four = uncertainty.budget(readings_of(1097.35), REFERENCE_OHMS, CALIBRATED, 23.0)
    two = uncertainty.budget(readings_of(1097.35), REFERENCE_OHMS, CALIBRATED, 23.0, zero_ohms=0.2)
    assert two.ohms == pytest.approx(four.ohms - 0.2)
    # Two contacts that close differently within 50 mohm, and the noise of the zero itself
    assert by_name(two)["leads and clips"].u == pytest.approx(0.05 / ROOT_3)
    amps = circuit.excitation_amps(1097.35)
    assert by_name(two)["zero of the leads"].u == pytest.approx(1.15e-6 / 4 / amps, rel=1e-3)
    assert "zero of the leads" not in by_name(four)
    told = uncertainty.budget(readings_of(1097.35), REFERENCE_OHMS, CALIBRATED, 23.0, two_wire=True)
    assert by_name(told)["leads and clips"].u == by_name(two)["leads and clips"].u


def test_self_heating_assumed_and_measured():
    """The uncorrected rise may be anything up to the largest: u is its root mean square (GUM F.2.4.5)."""
    slope = 3.88
    plain = uncertainty.budget(readings_of(1097.35), REFERENCE_OHMS, CALIBRATED, 23.0)
    assumed = uncertainty.budget(readings_of(1097.35), REFERENCE_OHMS, CALIBRATED, 23.0, ohms_per_celsius=slope)
    milliwatts = circuit.excitation_amps(1097.35) ** 2 * 1097.35e3
    rises = np.linspace(0.0, 0.4, 100_001) * milliwatts * slope
    assert by_name(assumed)["self-heating of the element"].u == pytest.approx(math.sqrt(np.mean(rises**2)), rel=1e-3)
    assert by_name(plain)["self-heating of the element"].u == 0.0
    measured = uncertainty.budget(
        readings_of(1097.35), REFERENCE_OHMS, CALIBRATED, 23.0, ohms_per_celsius=slope, self_heating=(0.15, 0.02)
    )
    assert assumed.ohms - measured.ohms == pytest.approx(0.15 * milliwatts * slope, rel=1e-3)
    assert by_name(measured)["self-heating of the element"].u == pytest.approx(0.02 * milliwatts * slope, rel=1e-3)


def test_readings_that_disagree_by_chance_and_not_by_chance():
    """Four readings may spread 1.94 times as much as the converter's noise (chi-squared, 99 %, 3 degrees: 11.34)."""
    amps = circuit.excitation_amps(1097.35)
    single = 1.15e-6 / 2 / amps * math.hypot(1.0, 1097.35 / 1500.0)
    found = []
    for seed in range(200):
        readings = readings_of(1097.35, noise_counts=22.0, seed=seed)
        values = [uncertainty.ratio_of([reading])[0] * REFERENCE_OHMS for reading in readings]
        spread = np.std(values, ddof=1)
        line = uncertainty.budget(readings, REFERENCE_OHMS, CALIBRATED, 23.0).lines[0]
        found.append(3 * spread**2 > 11.345 * single**2)
        if found[-1]:
            assert line.degrees_of_freedom == 3
            assert line.u_ohms == pytest.approx(CALIBRATED.gain * spread / 2, rel=1e-3)
        else:
            assert line.degrees_of_freedom == math.inf
            assert line.u_ohms == pytest.approx(CALIBRATED.gain * single / 2, rel=1e-3)
    assert 20 < sum(found) < 180


def test_linearity_counts_between_the_two_voltages():
    """At the reference's own voltage nothing bends, near zero hardly anything; SBAS501: 15 ppm of scale at most."""
    used = circuit.uncalibrated()

    def half_width(ohms, gain=4):
        made = uncertainty.budget(readings_of(ohms, gain=gain), REFERENCE_OHMS, used, 23.0, gain=gain)
        volts = circuit.excitation_amps(ohms) * REFERENCE_OHMS
        found = by_name(made)["linearity of the converter"].input.half_width
        most = chord(15e-6 * 3.3 / 4, volts, ohms) * (4 / gain) * (gain / 4) ** 2
        assert found == pytest.approx(1e6 * most, rel=1e-4, abs=1e-4)
        return found

    assert half_width(1500.0) == pytest.approx(0.0, abs=1e-4)
    assert half_width(1.0) < 0.05 * half_width(700.0)
    assert half_width(4000.0, gain=2) > half_width(2000.0)


def test_linearity_of_drawn_curves():
    """Curves up to the seventh order against the bound that the budget has: 3 d x |r - x|, even.

    Their largest deviation from the best straight line is anything from 6 (SBAS501, typical) to 15 ppm (d). The root
    mean square of their deviation from the chord is that of a rectangle of 2.4 to 3.1 d x |r - x|.
    """
    rng = np.random.default_rng(7)
    scale = np.linspace(-1.0, 1.0, 401)
    deviations = []
    cases = [(0.5, 0.05), (0.5, 0.2), (0.5, 0.35), (0.5, 0.7), (0.3, 0.6)]
    for _ in range(2000):
        coefficients = np.concatenate([[0.0, 0.0], rng.normal(size=6) / np.arange(2, 8)])
        largest = np.max(np.abs(np.polynomial.legendre.legval(scale, coefficients)))
        curve = np.polynomial.Legendre(coefficients / largest * rng.uniform(6.0, 15.0) / 15.0)
        # Reversal leaves the odd part.
        deviations.append([(curve(x) - curve(-x)) / 2 - x / r * (curve(r) - curve(-r)) / 2 for r, x in cases])
    rms = np.sqrt(np.mean(np.square(deviations), axis=0))
    bend = [ROOT_3 * u / (x * abs(r - x)) for u, (r, x) in zip(rms, cases, strict=True)]
    assert all(2.3 < each < 3.2 for each in bend)


def test_linearity_scales_with_the_full_scale():
    used = circuit.uncalibrated()
    made = {
        gain: by_name(uncertainty.budget(readings_of(1097.35, gain=gain), REFERENCE_OHMS, used, 23.0, gain=gain))
        for gain in (1, 2, 4)
    }
    # A smaller share of a larger scale: the deviation from the chord is its square's, times the scale.
    at_four = made[4]["linearity of the converter"].input.half_width
    for gain, found in made.items():
        assert found["linearity of the converter"].input.half_width == pytest.approx(at_four * gain / 4, rel=1e-4)


def test_the_high_range_budget_in_conductance():
    """1/R = gain/raw + offset: one nanosiemens is R^2 nano-ohm."""
    used = circuit.uncalibrated()
    for ohms, gain in HIGH_CASES:
        readings = readings_of(ohms, gain=gain, high_range=True)
        made = uncertainty.budget(readings, REFERENCE_OHMS, used, 23.0, high_range=True, gain=gain)
        found = by_name(made)
        assert abs(found["offset"].sensitivity) == pytest.approx(made.ohms**2 * 1e-9, rel=1e-4)
        assert abs(found["reference resistor and gain"].sensitivity) == pytest.approx(made.ohms * 1e-6, rel=1e-4)
        # Aims after a calibration in conductance: 0.1 % to 100 kohm, 0.3 % at 1 Mohm, as expanded uncertainty; the
        # calibration above is taken to be as good as that.
        good = CALIBRATED._replace(u_high_gain=2e-4, u_high_offset_siemens=0.8e-9)
        left = uncertainty.budget(readings, REFERENCE_OHMS, good, 23.0, high_range=True, gain=gain).estimate
        assert left.expanded() < (1e-3 if ohms <= 1e5 else 3e-3) * ohms


# Degrees


def test_the_temperature_carries_the_whole_budget():
    made = uncertainty.budget(readings_of(1097.35), REFERENCE_OHMS, CALIBRATED, 23.0, ohms_per_celsius=3.88)
    # IEC 60751, table: 109.735 ohm at 25 degrees C, 110.123 at 26
    slope = 3.879
    exact = uncertainty.temperature(made, PT1000, None)
    assert exact.value == pytest.approx(25.0 + (made.ohms - 1097.35) / slope, abs=2e-3)
    assert exact.u == pytest.approx(made.u_ohms / slope, rel=1e-3)
    assert exact.coverage_factor() == pytest.approx(made.estimate.coverage_factor(), rel=1e-3)
    # IEC 60751, class B: 0.3 + 0.005 |t|, 0.425 degrees C at 25
    whole = uncertainty.temperature(made, PT1000, "B")
    assert whole.contributions[-1].input.half_width == pytest.approx(0.425, abs=1e-3)
    assert whole.u == pytest.approx(math.hypot(exact.u, 0.425 / ROOT_3), rel=1e-3)
    against = uncertainty.minus_ambient(whole, 24.2, 0.25)
    assert against.value == pytest.approx(whole.value - 24.2)
    assert against.u == pytest.approx(math.hypot(whole.u, 0.25))
    assert uncertainty.minus_ambient(whole, 24.2).contributions[-1].u == 1.0
    assert len(against.contributions) == len(made.lines) + 2


@pytest.mark.parametrize(("name", "at_100"), [("AA", 0.27), ("A", 0.35), ("B", 0.8), ("C", 1.6)])
def test_classes_of_the_standard(name, at_100):
    # IEC 60751: tolerance at 100 degrees C, as printed for A (0.35) and B (0.8); AA and C from their formulas
    fixed, growing = uncertainty.SENSOR_CLASSES[name]
    assert fixed + growing * 100 == pytest.approx(at_100)


def test_off_the_curve_there_is_no_temperature():
    made = uncertainty.budget(readings_of(3950.0, gain=2), REFERENCE_OHMS, CALIBRATED, 23.0, gain=2)
    with pytest.raises(RangeError, match="outside"):
        uncertainty.temperature(made, PT1000)


# What makes no sense


@pytest.mark.parametrize(
    ("readings", "options"),
    [
        ([], {}),
        ([[0] * 8], {}),
        (readings_of(1000.0), {"gain": 0}),
        (readings_of(1000.0), {"rate_hz": -1.0}),
        (readings_of(1000.0), {"zero_ohms": math.inf}),
    ],
)
def test_no_budget_without_sense(readings, options):
    with pytest.raises(RangeError):
        uncertainty.budget(readings, REFERENCE_OHMS, circuit.uncalibrated(), 23.0, **options)


def test_a_calibration_of_infinite_doubt_is_refused():
    for damaged in (CALIBRATED._replace(u_gain=math.inf), CALIBRATED._replace(u_offset_ohms=-1.0)):
        with pytest.raises(RangeError, match="no budget"):
            uncertainty.budget(readings_of(1000.0), REFERENCE_OHMS, damaged, 23.0)


def test_carrying_an_estimate_on():
    """y = 2 x + z: by hand, and against evaluating the whole at once."""
    inputs = [gum.bounded("a", 3.0, 0.3), gum.Input("b", 1.0, 0.2, degrees_of_freedom=5)]
    x = gum.evaluate(lambda a, b: a * b, inputs)
    z = gum.Input("z", 0.5, 0.1)
    carried = x.carried(2 * x.value + 0.5, 2.0, [z])
    whole = gum.evaluate(lambda a, b, c: 2 * a * b + c, [*inputs, z])
    assert carried.value == whole.value
    assert carried.u == pytest.approx(whole.u) and carried.degrees_of_freedom == pytest.approx(whole.degrees_of_freedom)
    assert sum(carried.share(line) for line in carried.contributions) == pytest.approx(1.0)
    correlated = gum.evaluate(lambda a, b: a + b, inputs, {("a", "b"): 0.5})
    assert not correlated.shape_matters
    with pytest.raises(ValueError, match="correlated"):
        correlated.carried(0.0, 1.0)
