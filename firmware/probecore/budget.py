"""The uncertainty of one resistance: the tester's own sum, small enough for its heap.

Standard uncertainties are added in quadrature (GUM 5.1.2, uncorrelated inputs). The host makes the full budget, with
degrees of freedom, from the same numbers.
"""

from collections import namedtuple

from . import maths

Line = namedtuple("Line", ("name", "u_ohms"))

# Residue of the input currents after reversal, three times the typical curves at 50 degC [ppm of the reading]
# (simulation of the circuit: up to 58 ppm at 4 kohm, 12 at 1 kohm).
_INPUT_CURRENT_PPM = 12
# Wander of the supply between the reads of a pair, after interleaving [ppm].
_SUPPLY_PPM = 5

_ROOT_3 = 1.7320508


def lines(ohms, u_readings_ohms, calibration, tester_celsius, high_range):
    """Return the budget of one resistance as a list of Line(name, u_ohms).

    ohms: the value [ohm]; u_readings_ohms: standard uncertainty from the readings' own spread [ohm]; calibration:
    Calibration; tester_celsius: temperature of the tester [degC], or None where it is not known; high_range: bool.
    """
    if high_range:
        u_gain = calibration.u_high_gain * ohms
        u_offset = calibration.u_high_offset_siemens * ohms * ohms
    else:
        u_gain = calibration.u_gain * ohms
        u_offset = calibration.u_offset_ohms
    # A tester of unknown temperature is somewhere between 8 and 38 degC.
    kelvin = 15.0 if tester_celsius is None else maths.fabs(tester_celsius - calibration.celsius)
    return [
        Line("readings", u_readings_ohms),
        Line("reference resistor and gain", u_gain),
        Line("offset", u_offset),
        Line("linearity of the ADC", 0.0 if high_range else calibration.u_linearity_ohms),
        Line("temperature of the tester", calibration.tempco_ppm_per_k * 1e-6 * kelvin / _ROOT_3 * ohms),
        Line("input currents", _INPUT_CURRENT_PPM * 1e-6 * ohms),
        Line("supply between reads", _SUPPLY_PPM * 1e-6 * ohms),
    ]


def u_ohms(ohms, u_readings_ohms, calibration, tester_celsius=None, high_range=False):
    """Return the standard uncertainty [ohm] of one resistance; arguments as in `lines`."""
    total = 0.0
    for line in lines(ohms, u_readings_ohms, calibration, tester_celsius, high_range):
        total += line.u_ohms * line.u_ohms
    return maths.sqrt(total)
