"""Measuring on the bench, for the link: a value, the zero of two-wire leads, a value at zero power."""

import board
from probecore import calibration as calibrations
from probecore.errors import RangeError
from probecore.verdict import SATURATED

from . import bridge as bridges, ranges

# Contacts that move between the readings of a zero would move later ones too [ohm].
_STEADY_OHMS = 0.05
_ZERO_READINGS = 4
# Without sense jaws the first look, in one direction, is off by up to 22 ohm: 15 nA of input current in 470 kohm.
_LOOKS_SHORTED_OHMS = 50.0


async def measure(bridge, calibration, readings=1, zero_ohms=None, zero_power=False):
    """Measure what is clipped on. Returns the map of the link's `measure`.

    bridge: Bridge whose front end has looked for foreign voltages; calibration: Calibration; readings: how many [1];
    zero_ohms: of two-wire leads, taken off in the low range [ohm], None for four wires; zero_power: measure with the
    faint current as well (1.7 s more), and say what the element has at no power. Raises AdcFault, DriveRefused.
    """
    bridge.two_wire = zero_ohms is not None
    check = await bridge.check()
    look = await bridge.look()
    result = {
        "readings": [],
        "range": None,
        "gain": None,
        "bypass": None,
        "rate_hz": bridges.READING_HZ,
        "ratio": None,
        "ohms": None,
        "u_ohms": None,
        "element_microwatts": None,
        "self_heating": None,
        "two_wire": bridge.two_wire,
        "zero_ohms": zero_ohms or 0.0,
        "leads": look.leads,
        "note": look.note,
        "tester_celsius": check.celsius,
        "supply_volts": check.supply_volts,
        "offset_microvolts": check.offset_microvolts,
        "reference_ohms": board.REFERENCE_OHMS,
        "calibration": calibration.id,
        "calibration_values": calibrations.to_map(calibration),
    }
    plan = look.plan
    if plan is None:
        return result
    faint = None
    if zero_power:
        from . import selfheat  # only here: most measurements do without it

        if selfheat.can_measure(look):
            faint = await selfheat.take(bridge, look.ohms)
    taken = result["readings"]
    for _ in range(readings):
        reading = bridge.new_reading()
        await bridge.read(plan, reading)
        if bridges.is_saturated(reading):
            result["leads"] = SATURATED
            result["readings"] = [list(reading)]
            return result
        taken.append(list(reading))
    result["range"] = plan.range
    result["gain"] = plan.gain
    result["bypass"] = plan.bypass
    ratio, ohms, u_ohms = bridges.resistance(
        calibration, plan, taken, zero_ohms or 0.0, check.celsius, 0.0, bridge.two_wire
    )
    result["ratio"] = ratio
    result["ohms"] = ohms
    result["u_ohms"] = u_ohms
    result["element_microwatts"] = 1000 * bridges.milliwatts(plan, taken, ohms)
    if faint:
        result["self_heating"] = selfheat.record_map(
            calibration, (plan, taken), faint, zero_ohms or 0.0, check.celsius, bridge.two_wire
        )
    return result


async def zero(bridge, calibration):
    """Measure the resistance of two-wire leads whose clips hold each other. Returns the map of the link's `zero`.

    bridge, calibration: as in `measure`. Takes 2.7 s. Raises RangeError with code "not-shorted" where the clips don't,
    or not firmly; AdcFault, DriveRefused.
    """
    bridge.two_wire = True
    check = await bridge.check()
    look = await bridge.look()
    if look.plan is None or look.ohms > _LOOKS_SHORTED_OHMS:
        raise _not_together(look.ohms)
    taken = []
    values = []
    for _ in range(_ZERO_READINGS):
        reading = bridge.new_reading()
        await bridge.read(look.plan, reading)
        taken.append(list(reading))
        values.append(bridges.resistance(calibration, look.plan, taken[-1:])[1])
    if max(values) > ranges.SHORT_OHMS:
        raise _not_together(max(values))
    if max(values) - min(values) > _STEADY_OHMS:
        raise RangeError(
            "not-shorted",
            "The contact between the clips is not steady: it moved by %.2f ohm. Let one clip hold the other firmly, "
            "then zero again." % (max(values) - min(values)),
        )
    _, ohms, u_ohms = bridges.resistance(calibration, look.plan, taken, 0.0, check.celsius)
    return {"ohms": ohms, "u_ohms": u_ohms, "readings": taken, "gain": look.plan.gain}


def _not_together(ohms):
    return RangeError(
        "not-shorted",
        "The two clips are not together: %s, where two-wire leads have less than %d. Let one clip hold the other, then "
        "zero again." % ("no current flows" if ohms is None else "%.1f ohm" % ohms, ranges.SHORT_OHMS),
    )
