"""The tester's calibration: what turns a ratio into ohms, and how well it is known.

Low range: ohms = offset + gain * raw + quadratic * raw^2, with raw = ratio * the reference resistor's nominal value;
the quadratic is zero unless the fit chose it.
High range: in conductance, 1/ohms = high_gain / raw + high_offset, because what disturbs there (the input currents and
the leakage across the probe) adds up in conductance. A gain alone leaves 1.3 % at 1 Mohm; see docs/uncertainty.md.

The coefficients of a fit hang together: a line that is steeper starts lower. Their covariances are kept, and `doubts`
turns them into parts that are independent.
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
        "date",
        "due",
        "previous",
        "quadratic_per_ohm",
        "u_quadratic_per_ohm",
        "covariance_offset_gain_ohms",
        "covariance_offset_quadratic",
        "covariance_gain_quadratic_per_ohm",
        "high_covariance_siemens",
    ),
)

# date, due: of the calibration and of the next one [s since 1970, UTC]; previous: id of the set that was in force when
# this one was taken.

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

# Zero where a stored map has none: maps of former versions had no such numbers.
_LATER_NUMBERS = (
    "quadratic_per_ohm",
    "u_quadratic_per_ohm",
    "covariance_offset_gain_ohms",
    "covariance_offset_quadratic",
    "covariance_gain_quadratic_per_ohm",
    "high_covariance_siemens",
)
_TIMES = ("date", "due")

# A quadratic that changes the gain by more than this over the low range is no correction of a sound tester.
_MOST_QUADRATIC_PER_OHM = 1e-5
_MOST_ID_CHARACTERS = 24

# Two covariances of rounded numbers may stand out of what their variances allow by this share.
_ROUNDED = 1.001

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
        None,
        None,
        None,
        *[0.0 for _ in _LATER_NUMBERS],
    )


def low_ohms(calibration, ratio, reference_ohms):
    """Return ohms of the low range from a ratio and the reference resistor's nominal value [ohm]."""
    raw = ratio * reference_ohms
    return calibration.offset_ohms + (calibration.gain + calibration.quadratic_per_ohm * raw) * raw


def high_ohms(calibration, ratio, reference_ohms):
    """Return ohms of the high range from a ratio and the reference resistor's nominal value [ohm]."""
    raw = ratio * reference_ohms
    return raw / (calibration.high_gain + calibration.high_offset_siemens * raw)


def independent(calibration, high_range):
    """Return what the coefficients' uncertainties are made of, as parts of independent origin.

    Returns (u_level, u_gain, centre, quadratic). At the abscissa x they make u_level, u_gain * (x + centre)
    and a + b x + c x^2 with quadratic = (a, b, c); their squares add up. In the low range x is in ohm; in the high all
    is in conductance. Without covariances the centre is 0 and the level is the offset.
    """
    if high_range:
        u_gain = calibration.u_high_gain
        centre, u_level = _centred(calibration.u_high_offset_siemens, u_gain, calibration.high_covariance_siemens)
        return u_level, u_gain, centre, (0.0, 0.0, 0.0)
    u_offset = calibration.u_offset_ohms
    u_gain = calibration.u_gain
    u_quadratic = calibration.u_quadratic_per_ohm
    covariance = calibration.covariance_offset_gain_ohms
    share_offset = 0.0
    share_gain = 0.0
    if u_quadratic > 0:
        # Take the part out of offset and gain that goes with the quadratic. Divided one after the other: the squares of
        # such small numbers would leave the range of single floats.
        share_offset = calibration.covariance_offset_quadratic / u_quadratic
        share_gain = calibration.covariance_gain_quadratic_per_ohm / u_quadratic
        covariance -= share_offset * share_gain
        u_offset = maths.sqrt(max(0.0, u_offset * u_offset - share_offset * share_offset))
        u_gain = maths.sqrt(max(0.0, u_gain * u_gain - share_gain * share_gain))
    centre, u_level = _centred(u_offset, u_gain, covariance)
    return u_level, u_gain, centre, (share_offset, share_gain, u_quadratic)


def doubts(calibration, ohms, high_range):
    """Return what the coefficients' uncertainties make of a value [ohm]: (level, gain, quadratic), independent.

    ohms: the value [ohm]. Returns signed standard uncertainties [ohm] whose squares add up.
    """
    u_level, u_gain, centre, quadratic = independent(calibration, high_range)
    if high_range:
        # In conductance, then to ohms.
        return u_level * ohms * ohms, u_gain * (1.0 + centre * ohms) * ohms, 0.0
    return u_level, u_gain * (ohms + centre), quadratic[0] + (quadratic[1] + quadratic[2] * ohms) * ohms


def _centred(u_offset, u_gain, covariance):
    """Return minus the abscissa where offset and gain are independent, and the level's uncertainty there."""
    if u_gain <= 0 or covariance == 0:
        return 0.0, u_offset
    share = covariance / u_gain
    return share / u_gain, maths.sqrt(max(0.0, u_offset * u_offset - share * share))


def with_state(calibration, state):
    """Return the same calibration in another state."""
    return Calibration(calibration.id, state, *calibration[2:])


def is_due(calibration, seconds):
    """Tell whether a calibration's next date has passed. seconds: now [s since 1970], None where it is not known."""
    return (
        calibration.state == CALIBRATED
        and calibration.due is not None
        and seconds is not None
        and seconds > calibration.due
    )


def to_map(calibration):
    """Return the map that is stored in a slot, in a record, and sent over the link."""
    stored = {"id": calibration.id, "state": calibration.state}
    for name in _NUMBERS + _LATER_NUMBERS + _TIMES + ("previous",):
        stored[name] = getattr(calibration, name)
    return stored


def from_map(stored):
    """Read a stored map; numbers that former versions did not have may be absent.

    Raises StoredDataError when a number is missing, not finite, or has no sense.
    """
    if not isinstance(stored, dict):
        raise StoredDataError("calibration-damaged", "The stored calibration is damaged: it is no map.")
    values = [stored.get("id"), stored.get("state")]
    values += [_number(stored, name) for name in _NUMBERS]
    values += [_time(stored, name) for name in _TIMES]
    values.append(stored.get("previous"))
    values += [_number(stored, name) if name in stored else 0.0 for name in _LATER_NUMBERS]
    found = Calibration(*values)
    if not 0.5 < found.gain < 2 or not 0.5 < found.high_gain < 2:
        raise StoredDataError("calibration-damaged", "The stored calibration's gain is not near one.")
    if maths.fabs(found.quadratic_per_ohm) > _MOST_QUADRATIC_PER_OHM:
        raise StoredDataError("calibration-damaged", "The stored calibration's quadratic is too large.")
    if found.state not in (CALIBRATED, UNCALIBRATED, DAMAGED, OVERDUE):
        raise StoredDataError("calibration-damaged", "The stored calibration has no known state.")
    for name in ("id", "previous"):
        if stored.get(name) is not None and not _is_id(stored[name]):
            raise StoredDataError("calibration-damaged", "The stored calibration's %s is no id." % name)
    for covariance, one, two in (
        (found.covariance_offset_gain_ohms, found.u_offset_ohms, found.u_gain),
        (found.covariance_offset_quadratic, found.u_offset_ohms, found.u_quadratic_per_ohm),
        (found.covariance_gain_quadratic_per_ohm, found.u_gain, found.u_quadratic_per_ohm),
        (found.high_covariance_siemens, found.u_high_offset_siemens, found.u_high_gain),
    ):
        if maths.fabs(covariance) > _ROUNDED * one * two:
            raise StoredDataError("calibration-damaged", "The stored calibration's covariances make no sense.")
    return found


def _is_id(value):
    """Tell whether a value is an id: up to 24 letters, digits and hyphens."""
    if not isinstance(value, str) or not 0 < len(value) <= _MOST_ID_CHARACTERS:
        return False
    for char in value:
        if not ("a" <= char <= "z" or "A" <= char <= "Z" or "0" <= char <= "9" or char == "-"):
            return False
    return True


def _time(stored, name):
    """Return a time of a stored map [s since 1970], None where it has none."""
    value = stored.get(name)
    if value is None:
        return None
    if not isinstance(value, int) or isinstance(value, bool) or not 0 <= value <= 0xFFFFFFFF:
        raise StoredDataError("calibration-damaged", "The stored calibration's %s is no time." % name)
    return value


def _number(stored, name):
    """Return one number of a stored map as a float."""
    value = stored.get(name)
    if not maths.finite(value):
        raise StoredDataError("calibration-damaged", "The stored calibration is damaged at %s." % name)
    if name.startswith("u_") and value < 0:
        raise StoredDataError("calibration-damaged", "The stored calibration has a negative %s." % name)
    return float(value)
