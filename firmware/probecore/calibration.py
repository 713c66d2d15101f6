"""The tester's calibration: what turns a ratio into ohms, and how well it is known.

Low range: ohms = offset + gain * raw, with raw = ratio * the reference resistor's nominal value.
High range: in conductance, 1/ohms = high_gain / raw + high_offset, because what disturbs there (the input currents and
the leakage across the probe) adds up in conductance. A gain alone leaves 1.3 % at 1 Mohm; see docs/uncertainty.md.
"""

from collections import namedtuple

from . import maths
from .errors import StoredDataError

CALIBRATED = "calibrated"
UNCALIBRATED = "uncalibrated"
DAMAGED = "damaged"
OVERDUE = "overdue"

Calibration = namedtuple(
    "Calibration",
    (
        "id",
        "state",
        "offset_ohms",
        "gain",
        "u_offset_ohms",
        "u_gain",
        "high_gain",
        "high_offset_siemens",
        "u_high_gain",
        "u_high_offset_siemens",
        "celsius",
        "tempco_ppm_per_k",
        "u_linearity_ohms",
    ),
)

_NUMBERS = (
    "offset_ohms",
    "gain",
    "u_offset_ohms",
    "u_gain",
    "high_gain",
    "high_offset_siemens",
    "u_high_gain",
    "u_high_offset_siemens",
    "celsius",
    "tempco_ppm_per_k",
    "u_linearity_ohms",
)

# Without a calibration, the high range is off by up to 0.15 % at 10 kohm and 1.3 % at 1 Mohm (simulation of the
# circuit with its tolerances): half-widths, divided by the square root of three below.
_HIGH_GAIN_HALF_WIDTH = 1.5e-3
_HIGH_OFFSET_HALF_WIDTH_SIEMENS = 1.3e-8

# The parts' values hold at this temperature.
_NOMINAL_CELSIUS = 23

_ROOT_3 = 1.7320508


def uncalibrated(tolerance_ppm, tempco_ppm_per_k, linearity_half_width_ohms, state=UNCALIBRATED):
    """Return what holds before any calibration: nominal values, and uncertainties from the parts' tolerances.

    tolerance_ppm, tempco_ppm_per_k: of the reference resistor; linearity_half_width_ohms: the ADC's, in the low range
    [ohm]. A tolerance is taken as a rectangular distribution (GUM 4.3.7).
    """
    return Calibration(
        None,
        state,
        0.0,
        1.0,
        0.0,
        tolerance_ppm * 1e-6 / _ROOT_3,
        1.0,
        0.0,
        _HIGH_GAIN_HALF_WIDTH / _ROOT_3,
        _HIGH_OFFSET_HALF_WIDTH_SIEMENS / _ROOT_3,
        float(_NOMINAL_CELSIUS),
        float(tempco_ppm_per_k),
        linearity_half_width_ohms / _ROOT_3,
    )


def low_ohms(calibration, ratio, reference_ohms):
    """Return ohms of the low range from a ratio and the reference resistor's nominal value [ohm]."""
    return calibration.offset_ohms + calibration.gain * (ratio * reference_ohms)


def high_ohms(calibration, ratio, reference_ohms):
    """Return ohms of the high range from a ratio and the reference resistor's nominal value [ohm]."""
    raw = ratio * reference_ohms
    return raw / (calibration.high_gain + calibration.high_offset_siemens * raw)


def to_map(calibration):
    """Return the map that is stored in a slot, in a record, and sent over the link."""
    stored = {"id": calibration.id, "state": calibration.state}
    for name in _NUMBERS:
        stored[name] = getattr(calibration, name)
    return stored


def from_map(stored):
    """Read a stored map. Raises StoredDataError when a number is missing, not finite, or has no sense."""
    if not isinstance(stored, dict):
        raise StoredDataError("calibration-damaged", "The stored calibration is damaged: it is no map.")
    found = Calibration(stored.get("id"), stored.get("state"), *[_number(stored, name) for name in _NUMBERS])
    if not 0.5 < found.gain < 2 or not 0.5 < found.high_gain < 2:
        raise StoredDataError("calibration-damaged", "The stored calibration's gain is not near one.")
    if found.state not in (CALIBRATED, UNCALIBRATED, DAMAGED, OVERDUE):
        raise StoredDataError("calibration-damaged", "The stored calibration has no known state.")
    return found


def _number(stored, name):
    """Return one number of a stored map as a float."""
    value = stored.get(name)
    if not maths.finite(value):
        raise StoredDataError("calibration-damaged", "The stored calibration is damaged at %s." % name)
    if name.startswith("u_") and value < 0:
        raise StoredDataError("calibration-damaged", "The stored calibration has a negative %s." % name)
    return float(value)
