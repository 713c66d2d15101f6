"""The uncertainty of one resistance: the tester's own sum, small enough for its heap.

Standard uncertainties are added in quadrature (GUM 5.1.2, uncorrelated inputs). The host makes the full budget, with
degrees of freedom, from the same numbers.
"""

from collections import namedtuple

from . import calibration as calibrations, maths

Line = namedtuple("Line", ("name", "u_ohms"))

# Residue of the input currents after reversal, at three times the typical curves (simulation of the circuit): 12 ppm of
# the reading at 1 kohm, growing with the resistance beyond, and never below 10 mohm to either side.
_INPUT_CURRENT_PPM = 12
_INPUT_CURRENT_GROWS_FROM_OHMS = 1000.0
_INPUT_CURRENT_LEAST_OHMS = 0.010
# Wander of the supply between the reads of a pair, after interleaving [ppm].
_SUPPLY_PPM = 5
# Temperature rise of an element for the power in it, in still air: 0.05 to 0.4 K/mW between makes (assumed, no source).
# It is not corrected: u of a rectangle of plus or minus the largest is the root mean square of a rise that may lie
# anywhere from none to the largest (GUM F.2.4.5).
SELF_HEATING_MOST_K_PER_MW = 0.4
# Two-wire clips after zeroing: contacts that close differently each time (assumed, no source).
TWO_WIRE_CLIPS_OHMS = 0.050

_ROOT_3 = 1.7320508


def _input_current_ohms(ohms, high_range):
    if high_range:
        return _INPUT_CURRENT_PPM * 1e-6 * ohms
    grown = max(1.0, ohms / _INPUT_CURRENT_GROWS_FROM_OHMS)
    return max(_INPUT_CURRENT_LEAST_OHMS / _ROOT_3, _INPUT_CURRENT_PPM * 1e-6 * ohms * grown)


def lines(ohms, u_readings_ohms, calibration, tester_celsius, high_range, heating=0.0, two_wire=False):
    """Return the budget of one resistance as a list of Line(name, u_ohms).

    ohms: the value [ohm]; u_readings_ohms: standard uncertainty from the readings' own spread [ohm]; calibration:
    Calibration; tester_celsius: temperature of the tester [degC], or None where it is not known; high_range: bool;
    heating: power in a sensor's element times the slope of its curve [mW ohm/K], 0 for a plain resistor; two_wire:
    bool.
    """
    u_level, u_gain, u_quadratic = calibrations.doubts(calibration, ohms, high_range)
    # A tester of unknown temperature is somewhere between 8 and 38 degC.
    kelvin = 15.0 if tester_celsius is None else maths.fabs(tester_celsius - calibration.celsius)
    return [
        Line("readings", u_readings_ohms),
        Line("reference resistor and gain", maths.fabs(u_gain)),
        Line("offset", u_level),
        Line("quadratic", maths.fabs(u_quadratic)),
        Line("linearity of the ADC", 0.0 if high_range else calibration.u_linearity_ohms),
        Line("temperature of the tester", calibration.tempco_ppm_per_k * 1e-6 * kelvin / _ROOT_3 * ohms),
        Line("input currents", _input_current_ohms(ohms, high_range)),
        Line("supply between reads", _SUPPLY_PPM * 1e-6 * ohms),
        Line("self-heating of the element", SELF_HEATING_MOST_K_PER_MW / _ROOT_3 * maths.fabs(heating)),
        Line("leads and clips", TWO_WIRE_CLIPS_OHMS / _ROOT_3 if two_wire else 0.0),
    ]


def u_ohms(ohms, u_readings_ohms, calibration, tester_celsius=None, high_range=False, heating=0.0, two_wire=False):
    """Return the standard uncertainty [ohm] of one resistance; arguments as in `lines`."""
    total = 0.0
    for line in lines(ohms, u_readings_ohms, calibration, tester_celsius, high_range, heating, two_wire):
        total += line.u_ohms * line.u_ohms
    return maths.sqrt(total)
