"""The host's uncertainty budget of one resistance, after the GUM (JCGM 100:2008) and its Supplement 1 (JCGM 101).

One model holds every input; docs/uncertainty.md explains it line by line:

    raw = R_ref (1 + a dT + d) (V_probe + l + e) / V_ref (1 + s)
    R = offset + gain raw + quadratic raw^2 - i - zero - clips - h P S

    V_probe / V_ref  the ratio that was read (type A)     a dT  tempco of the reference resistor times the distance from
    d    drift since the calibration                            the calibration's temperature
    l    linearity of the converter: how far the probe's  e     thermal voltages left after reversal
         voltage lies off the straight line through       i     currents into the converter's inputs
         zero and the reference's                         s     the supply's noise between the reads
    h P S  self-heating: kelvin per milliwatt, times the power in the element, times its slope in ohms per kelvin

In the high range offset and gain act in conductance (probecore.calibration). All corrections are estimated at zero
unless one is known. Figures of parts stand in hardware/tester.toml; the others stand here, each marked as assumed.

The tester adds up what fits its heap (probecore.budget); this sum holds the same lines and what that one leaves out.
"""

import functools
import math
from collections.abc import Sequence
from dataclasses import dataclass

from probecore import budget as core_budget
from probecore import calibration, counts
from probecore.curves import PlatinumCurve
from probecore.errors import RangeError
from probeledger import circuit, gum, inputcurrents

__all__ = ["SENSOR_CLASSES", "Budget", "Line", "ageing_years", "budget", "minus_ambient", "ratio_of", "temperature"]

READINGS = "readings"
GAIN = "reference resistor and gain"
OFFSET = "offset"
QUADRATIC = "quadratic"
TESTER_TEMPERATURE = "temperature of the tester"
DRIFT = "drift since calibration"
DRIFT_SINCE_NEW = "drift since parts were new"
LINEARITY = "linearity of the converter"
SUPPLY = "supply between reads"
INPUT_CURRENTS = "input currents"
THERMAL = "thermal voltages"
CLIPS = "leads and clips"
ZERO = "zero of the leads"
SELF_HEATING = "self-heating of the element"

# Self-heating and two-wire clips: the tester's own figures.
_SELF_HEATING_MOST_K_PER_MW = core_budget.SELF_HEATING_MOST_K_PER_MW
_TWO_WIRE_CLIPS_MILLIOHMS = 1e3 * core_budget.TWO_WIRE_CLIPS_OHMS
# Left of contacts' thermal voltages after reversal and the interleaved order, half-width (assumed: a voltage of 20 uV
# that fades within 10 s leaves 1 nV, draughts and handling the rest).
_THERMAL_RESIDUE_MICROVOLTS = 0.5
# Ageing of a 10 ppm/K foil or thin-film resistor in a warm van, half-width after a year; it grows with the square root
# of time (assumed, no source).
_DRIFT_PPM_AFTER_A_YEAR = 50.0
# Age where none is known, in years: a calibration holds for one, an overdue one is taken as twice as old; the parts of
# a tester that was never calibrated may be as old as that (assumed).
_AGE_YEARS = {calibration.CALIBRATED: 1.0, calibration.OVERDUE: 2.0}
_AGE_YEARS_NEVER_CALIBRATED = 4.0
# The converter's thermometer against the reference resistor's true temperature, half-width [K] (assumed: 1 K of the
# chip's own, 1 K of distance on the board).
_TESTER_HALF_WIDTH_CELSIUS = 2.0
# A tester of unknown temperature, distance from its calibration [K]; the same as in probecore.budget.
_UNKNOWN_KELVIN = 15.0
# What the sense jaws add by where they bite: 1 cm of a lead of 0.2 mm2 on either side (assumed).
_KELVIN_CLIPS_MILLIOHMS = 2.0
# Only the ratio of two voltages counts, so that only what bends between them matters. A smooth curve whose largest
# deviation is d lies off the chord from zero to the share r of the scale by at most about 3 d x |r - x| at the share x
# (assumed: no steps. A cubic has 2.6 d x |r - x| (r + x). Drawn curves up to the seventh order, whose largest deviation
# is anything from typical to d, have the root mean square of a rectangle of 2.4 to 3.1).
_LINEARITY_BEND = 3.0
# Thermometer tolerance, half-width a + b |t| [degC] (IEC 60751:2022, table of thermometer classes).
SENSOR_CLASSES = {"AA": (0.1, 0.0017), "A": (0.15, 0.002), "B": (0.3, 0.005), "C": (0.6, 0.01)}
# Ambient from a thermometer that nobody vouches for (common practice, no source).
_U_AMBIENT_ASSUMED_CELSIUS = 1.0

_MICRO = 1e-6


@dataclass(frozen=True)
class Line:
    """One line of the budget: its share of the standard uncertainty [ohm], its degrees of freedom, where it is from."""

    name: str
    u_ohms: float
    degrees_of_freedom: float = math.inf
    contribution: gum.Contribution | None = None


@dataclass(frozen=True)
class Budget:
    """A resistance with its budget [ohm]."""

    ohms: float
    lines: tuple[Line, ...]

    @property
    def estimate(self) -> gum.Estimate:
        """Return the result with its coverage factor and interval [ohm]."""
        return gum.combined(
            self.ohms,
            [
                line.contribution
                or gum.Contribution(gum.Input(line.name, 0.0, line.u_ohms, gum.NORMAL, line.degrees_of_freedom), 1.0)
                for line in self.lines
            ],
        )

    @property
    def u_ohms(self) -> float:
        """Return the combined standard uncertainty [ohm]."""
        return math.sqrt(math.fsum(line.u_ohms**2 for line in self.lines))

    @property
    def degrees_of_freedom(self) -> float:
        """Return the effective degrees of freedom (GUM G.4.1, Welch-Satterthwaite)."""
        return gum.effective_degrees_of_freedom(
            self.u_ohms, [(line.u_ohms, line.degrees_of_freedom) for line in self.lines]
        )


def ratio_of(readings: Sequence[Sequence[int]]) -> tuple[float, float | None]:
    """Form the ratio from counts in double precision.

    Args:
        readings: each eight signed counts in the order of probecore.counts.

    Returns:
        Mean ratio, and the standard uncertainty of that mean from the readings' spread (None for a single one).

    Raises:
        probecore.errors.RangeError: no current flows through the reference resistor.
    """
    ratios = []
    for reading in readings:
        reference, probe = counts.sums(reading)
        ratios.append(probe / reference if reference else counts.divide(probe, reference))
    mean = math.fsum(ratios) / len(ratios)
    if len(ratios) < 2:
        return mean, None
    variance = math.fsum((value - mean) ** 2 for value in ratios) / (len(ratios) - 1)
    return mean, math.sqrt(variance / len(ratios))


def ageing_years(with_calibration: calibration.Calibration) -> float:
    """Return how long ago a tester was last known to be right, in years, where nobody tells (assumed)."""
    return _AGE_YEARS.get(with_calibration.state, _AGE_YEARS_NEVER_CALIBRATED)


def budget(
    readings: Sequence[Sequence[int]],
    reference_ohms: float,
    with_calibration: calibration.Calibration,
    tester_celsius: float | None = None,
    high_range: bool = False,
    gain: int = 4,
    rate_hz: float = 20.0,
    ohms_per_celsius: float = 0.0,
    zero_ohms: float = 0.0,
    *,
    two_wire: bool | None = None,
    age_years: float | None = None,
    self_heating: tuple[float, float] | None = None,
) -> Budget:
    """Compute a resistance from its counts, with the budget.

    Args:
        readings: each eight signed counts in the order of probecore.counts.
        reference_ohms: nominal value of the reference resistor [ohm].
        with_calibration: the calibration that held when they were taken.
        tester_celsius: temperature of the tester [degC], None where unknown.
        high_range: range in which they were taken.
        gain: the converter's gain.
        rate_hz: the converter's data rate [1/s].
        ohms_per_celsius: slope of the sensor's curve there [ohm/degC], for self-heating; 0 for a plain resistor.
        zero_ohms: resistance of two-wire leads, taken off in the low range [ohm].
        two_wire: whether the leads are two-wire; None tells it from a zero that was taken off.
        age_years: since the calibration [years]; None takes what `ageing_years` assumes.
        self_heating: the element's rise per power and its standard uncertainty [K/mW] where they were measured; the
            value is then corrected to zero power.

    Returns:
        The resistance and its budget.

    Raises:
        probecore.errors.RangeError: no current flows through the reference resistor, or a figure makes no sense.
    """
    if not (gain > 0 and rate_hz > 0 and reference_ohms > 0 and readings):
        raise RangeError("no-budget", "Readings, gain, data rate and reference resistor are needed, above zero.")
    ratio, u_ratio = ratio_of(readings)
    volts = _reference_volts(readings, gain)
    if volts == 0.0:
        raise RangeError("no-current", "No current flows through the reference resistor.")
    try:
        made = _Measurement(
            ratio, volts, reference_ohms, with_calibration, high_range, gain, ohms_per_celsius, zero_ohms
        )
        if two_wire is None:
            two_wire = zero_ohms != 0.0
        inputs = (
            _readings(ratio, u_ratio, len(readings), volts, circuit.noise_volts(rate_hz, gain)),
            *made.calibration_inputs(tester_celsius, age_years),
            *made.converter_inputs(tester_celsius),
            *made.outside_inputs(two_wire, len(readings), circuit.noise_volts(rate_hz, gain), self_heating),
        )
        kelvin = _kelvin(tester_celsius, with_calibration.celsius)
        found = gum.evaluate(lambda *values: made.ohms(kelvin, *values), inputs)
    except (ValueError, OverflowError) as error:
        # Stored figures that no tester has: an infinite one, a negative uncertainty.
        raise RangeError("no-budget", f"There is no budget for these figures: {error}") from None
    return Budget(
        found.value,
        tuple(
            Line(line.input.name, line.u, line.input.degrees_of_freedom, line)
            for line in found.contributions
            if (line.input.name != ZERO or two_wire) and (line.input.name != QUADRATIC or line.input.u > 0)
        ),
    )


def temperature(of: Budget, curve: PlatinumCurve, sensor_class: str | None = "B") -> gum.Estimate:
    """Return the element's temperature by its curve, with the budget [degC].

    Args:
        of: the resistance with its budget.
        curve: the sensor's curve.
        sensor_class: its tolerance class, a key of SENSOR_CLASSES; None leaves the tolerance out, which says how well
            the tester measures, not how true the sensor is.

    Returns:
        The temperature with all inputs.

    Raises:
        probecore.errors.RangeError: the resistance is outside the curve's range.
        KeyError: there is no such class.
    """
    celsius = curve.celsius(of.ohms)
    more = []
    if sensor_class is not None:
        fixed, growing = SENSOR_CLASSES[sensor_class]
        name = f"tolerance of the sensor (class {sensor_class})"
        more.append(gum.bounded(name, 0.0, fixed + growing * abs(celsius), unit="°C"))
    return of.estimate.carried(celsius, 1.0 / curve.ohms_per_celsius(celsius), more)


def minus_ambient(of: gum.Estimate, ambient_celsius: float, u_ambient_celsius: float | None = None) -> gum.Estimate:
    """Return how much warmer the probe is than its surroundings, with the budget [degC].

    Args:
        of: the element's temperature.
        ambient_celsius: temperature at the probe by another thermometer [degC].
        u_ambient_celsius: its standard uncertainty [degC]; None for a thermometer that nobody vouches for.

    Returns:
        The difference with all inputs.
    """
    u = _U_AMBIENT_ASSUMED_CELSIUS if u_ambient_celsius is None else u_ambient_celsius
    return of.carried(
        of.value - ambient_celsius, 1.0, [gum.Input("ambient temperature", ambient_celsius, u, unit="°C")]
    )


def _reference_volts(readings: Sequence[Sequence[int]], gain: int) -> float:
    """Return the mean voltage across the reference resistor [V], from its counts."""
    total = math.fsum(counts.sums(reading)[0] for reading in readings)
    return abs(total) / (4 * len(readings)) / (counts.FULL_SCALE_COUNTS + 1) * circuit.full_scale_volts(gain)


def _kelvin(tester_celsius: float | None, calibration_celsius: float) -> float:
    """Return how far the reference resistor is from its calibration's temperature, its doubt included [K].

    The sensitivity to the resistor's temperature is its tempco, which is estimated at zero: the product of the two
    uncertainties is all that there is, and counts (JCGM 100, 5.1.2, note).
    """
    if tester_celsius is None:
        return _UNKNOWN_KELVIN
    u_celsius = _TESTER_HALF_WIDTH_CELSIUS / gum.HALF_WIDTH[gum.RECTANGULAR]
    return math.hypot(tester_celsius - calibration_celsius, u_celsius)


@functools.cache
def _most_chi2(degrees_of_freedom: int) -> float:
    """Return the 99 % point of the chi-squared distribution."""
    from scipy import special

    return float(special.chdtri(degrees_of_freedom, 0.01))


def _readings(ratio: float, u_ratio: float | None, number: int, volts: float, noise_volts: float) -> gum.Input:
    """Evaluate the readings: the converter's noise, or their own spread where it is significantly larger.

    Of each reading, four counts make the probe's voltage and four the reference's. A few readings agree or disagree by
    chance; what the converter's noise explains (chi-squared test at 1 %) is not worth a factor of 3.18 for four of them
    (JCGM 100, 4.2.4: a process that is known and under control).
    """
    u_converter = noise_volts / (2.0 * math.sqrt(number)) / volts * math.hypot(1.0, ratio)
    if u_ratio is not None and (number - 1) * u_ratio**2 > _most_chi2(number - 1) * u_converter**2:
        return gum.Input(READINGS, ratio, u_ratio, gum.NORMAL, number - 1)
    return gum.Input(READINGS, ratio, u_converter)


@dataclass(frozen=True)
class _Measurement:
    """What one measurement is about: the model's fixed figures, and its inputs about them."""

    ratio: float
    reference_volts: float
    reference_ohms: float
    calibration: calibration.Calibration
    high_range: bool
    gain: int
    ohms_per_celsius: float
    zero_ohms: float

    @property
    def amps(self) -> float:
        return self.reference_volts / self.reference_ohms

    @property
    def nominal_ohms(self) -> float:
        """Return the resistance without doubt, and before a correction for self-heating [ohm]."""
        to_ohms = calibration.high_ohms if self.high_range else calibration.low_ohms
        ohms = float(to_ohms(self.calibration, self.ratio, self.reference_ohms))
        return ohms if self.high_range else ohms - self.zero_ohms

    @property
    def milliwatts(self) -> float:
        """Return the power in the element [mW]."""
        return self.amps**2 * max(self.nominal_ohms, 0.0) * 1e3

    def ohms(
        self,
        kelvin: float,
        ratio: float,
        gain_ppm: float,
        offset: float,
        quadratic: float,
        tempco_ppm_per_k: float,
        drift_ppm: float,
        linearity_microvolts: float,
        supply_ppm: float,
        currents_milliohms: float,
        thermal_microvolts: float,
        clips_milliohms: float,
        zero_ohms: float,
        heating_k_per_mw: float,
    ) -> float:
        """Return the resistance [ohm]: the model. offset is in ohm in the low range, in nanosiemens in the high.

        Gain and offset stand for the independent parts of the coefficients' uncertainties (probecore.calibration): the
        gain turns about the middle of the points that were fitted; quadratic is in its own standard uncertainties.
        """
        used = self.calibration
        _, _, centre, bend = calibration.independent(used, self.high_range)
        probe_volts = ratio * self.reference_volts + _MICRO * (linearity_microvolts + thermal_microvolts)
        reference_ohms = self.reference_ohms * (1.0 + _MICRO * (tempco_ppm_per_k * kelvin + drift_ppm))
        raw_ohms = reference_ohms * probe_volts / self.reference_volts * (1.0 + _MICRO * supply_ppm)
        if self.high_range:
            turned = _MICRO * gain_ppm * used.high_gain
            siemens = used.high_offset_siemens + 1e-9 * offset + turned * centre
            ohms = raw_ohms / (used.high_gain + turned + siemens * raw_ohms)
        else:
            ohms = (
                used.offset_ohms
                + offset
                + used.gain * (raw_ohms + _MICRO * gain_ppm * (raw_ohms + centre))
                + used.quadratic_per_ohm * raw_ohms**2
                + quadratic * (bend[0] + bend[1] * raw_ohms + bend[2] * raw_ohms**2)
                - zero_ohms
            )
        return (
            ohms
            - 1e-3 * (currents_milliohms + clips_milliohms)
            - heating_k_per_mw * self.milliwatts * self.ohms_per_celsius
        )

    def calibration_inputs(self, tester_celsius: float | None, age_years: float | None) -> tuple[gum.Input, ...]:
        """Return gain, offset, quadratic, tempco and drift."""
        used = self.calibration
        known = used.state in (calibration.CALIBRATED, calibration.OVERDUE)
        # A fit's coefficients are normal; without a calibration they are limits that parts keep (JCGM 100, 4.3.7).
        shape = gum.NORMAL if known else gum.RECTANGULAR
        u_level, u_gain, _, bend = calibration.independent(used, self.high_range)
        if self.high_range:
            gain = gum.Input(GAIN, 0.0, u_gain / used.high_gain / _MICRO, shape, unit="ppm")
            offset = gum.Input(OFFSET, 0.0, u_level / 1e-9, shape, unit="nS")
        else:
            gain = gum.Input(GAIN, 0.0, u_gain / used.gain / _MICRO, shape, unit="ppm")
            offset = gum.Input(OFFSET, 0.0, u_level, shape, unit="Ω")
        years = ageing_years(used) if age_years is None else max(age_years, 0.0)
        drift = _DRIFT_PPM_AFTER_A_YEAR * math.sqrt(years)
        return (
            gain,
            offset,
            gum.Input(QUADRATIC, 0.0, 1.0 if bend[2] > 0 else 0.0, shape, unit="u"),
            gum.bounded(TESTER_TEMPERATURE, 0.0, abs(used.tempco_ppm_per_k), unit="ppm/K"),
            gum.bounded(DRIFT if known else DRIFT_SINCE_NEW, 0.0, drift, unit="ppm"),
        )

    def converter_inputs(self, tester_celsius: float | None) -> tuple[gum.Input, ...]:
        """Return linearity, the supply, the input currents and the thermal voltages."""
        ohms = self.nominal_ohms
        # These two stand in the tester's own sum; taken from there, they are the same on both sides.
        tester = {
            line.name: float(line.u_ohms)
            for line in core_budget.lines(abs(ohms), 0.0, self.calibration, tester_celsius, self.high_range)
        }
        per_ppm = abs(ohms) * _MICRO or _MICRO
        if self.calibration.state in (calibration.CALIBRATED, calibration.OVERDUE):
            currents = gum.Input(INPUT_CURRENTS, 0.0, 1e3 * self._u_currents_ohms(tester_celsius), unit="mΩ")
        else:
            half_width = gum.HALF_WIDTH[gum.RECTANGULAR] * tester[INPUT_CURRENTS]
            currents = gum.bounded(INPUT_CURRENTS, 0.0, 1e3 * half_width, unit="mΩ")
        return (
            gum.bounded(LINEARITY, 0.0, self._linearity_microvolts(), unit="µV"),
            gum.Input(SUPPLY, 0.0, tester[SUPPLY] / per_ppm, unit="ppm"),
            currents,
            gum.bounded(THERMAL, 0.0, _THERMAL_RESIDUE_MICROVOLTS, unit="µV"),
        )

    def _linearity_microvolts(self) -> float:
        """Return the half-width of the converter's deviation at the probe from the chord to the reference [uV]."""
        full_scale = circuit.full_scale_volts(self.gain)
        reference = self.reference_volts / full_scale
        probe = abs(self.ratio) * reference
        # The calibration states it in ohms of a typical probe at a typical gain; as a voltage it holds everywhere.
        u_volts = self.calibration.u_linearity_ohms * circuit.excitation_amps(circuit.TYPICAL_PROBE_OHMS)
        most = gum.HALF_WIDTH[gum.RECTANGULAR] * u_volts * circuit.TYPICAL_GAIN / self.gain
        return _LINEARITY_BEND * most * probe * abs(reference - probe) / _MICRO

    def _u_currents_ohms(self, tester_celsius: float | None) -> float:
        """Return the standard uncertainty from the input currents that a calibration leaves [ohm]."""
        kelvin = _kelvin(tester_celsius, self.calibration.celsius)
        colder = tester_celsius is not None and tester_celsius < self.calibration.celsius
        return inputcurrents.u_ohms(self.nominal_ohms, -kelvin if colder else kelvin, self.high_range)

    def outside_inputs(
        self, two_wire: bool, number: int, noise_volts: float, self_heating: tuple[float, float] | None
    ) -> tuple[gum.Input, ...]:
        """Return what clips, leads and the element itself add."""
        clips = _TWO_WIRE_CLIPS_MILLIOHMS if two_wire else _KELVIN_CLIPS_MILLIOHMS
        # The zero was read like any value, with the clips together: the converter's noise at no resistance.
        u_zero = noise_volts / (2.0 * math.sqrt(number)) / self.amps if two_wire and not self.high_range else 0.0
        if self_heating is None:
            heating = gum.bounded(SELF_HEATING, 0.0, _SELF_HEATING_MOST_K_PER_MW, unit="K/mW")
        else:
            heating = gum.Input(SELF_HEATING, *self_heating, unit="K/mW")
        return (
            gum.bounded(CLIPS, 0.0, clips, unit="mΩ"),
            gum.Input(ZERO, self.zero_ohms, u_zero, unit="Ω"),
            heating,
        )
