"""The element without its self-heating: a row of readings with the faint current, which warms it a hundredth as much.

The faint row comes first, while the element is cold, and the ordinary readings after it; so the order needs no wait for
an element to cool, whatever its time constant. Where the low range's current flowed a moment ago, it waits first.

The faint current is made by the pull resistors of both drive pins. The third pin's 100 kohm would give a like current,
but with lead b at a rail: the amplifier has to be bypassed there, and the input currents, which differ between the
rails, make ohms of error where self-heating makes hundredths. With pull resistors on both sides the probe stays at half
the supply in either direction, and the amplifier can have a gain of 64, with a tenth of the noise (board.py).
"""

from asyncio import sleep_ms
from time import ticks_diff, ticks_ms

from probecore import budget, selfheat as rules
from probecore.verdict import CONNECTED

from . import bridge as bridges, ranges

# Four readings of 2.5 mohm at 1.1 kohm.
READINGS = 4
# After this long an element in its tube (time constants of seconds, assumed 4 s) has given its warmth off.
_REST_MS = 20000
_REST_STEP_MS = 250


def can_measure(look):
    """Tell whether two levels can be compared: in the high range the ordinary current is faint already."""
    return look.leads == CONNECTED and look.plan.range == ranges.LOW


async def take(bridge, ohms, cancelled=None):
    """Take the row with the faint current. Returns (Plan, readings), or None where it is disturbed or cancelled.

    bridge: Bridge; ohms: first look's resistance [ohm]; cancelled: returns True to stop, or None. Takes 1.7 s, and up
    to 20 s more where the element may still be warm from an earlier measurement. Raises AdcFault, DriveRefused.
    """
    while _may_be_warm(bridge):
        if cancelled and cancelled():
            return None
        await sleep_ms(_REST_STEP_MS)
    plan = ranges.faint_plan(ohms)
    taken = []
    for _ in range(READINGS):
        reading = bridge.new_reading()
        await bridge.read(plan, reading)
        if bridges.is_saturated(reading):
            return None
        taken.append(list(reading))
    return plan, taken


def _may_be_warm(bridge):
    if bridge.warmed_ms is None:
        return False
    # A time of long ago may have wrapped round to a negative difference.
    if 0 <= ticks_diff(ticks_ms(), bridge.warmed_ms) < _REST_MS:
        return True
    bridge.warmed_ms = None
    return False


def record_map(calibration, strong, faint, zero_ohms=0.0, tester_celsius=None, two_wire=False):
    """Return the map of both rows: what the element has without power, and what a milliwatt makes of it.

    calibration: Calibration; strong, faint: (Plan, readings); zero_ohms, two_wire: of two-wire leads; tester_celsius:
    [degC] or None. The newest ordinary readings tell the rise: the first ones are taken while the element warms up.
    """
    levels = []
    for plan, readings in (strong, faint):
        newest = readings[-READINGS:]
        ohms = bridges.resistance(calibration, plan, newest, zero_ohms)[1]
        noise = bridges.noise_ohms(plan, ohms, len(newest))
        levels.append(rules.Level(ohms, bridges.milliwatts(plan, newest, ohms), noise))
    amps = bridges.amps(faint[0], faint[1])
    found = rules.compare(levels[0], levels[1], amps)
    u_other = budget.u_ohms(found.ohms, 0.0, calibration, tester_celsius, False, 0.0, two_wire)
    return {
        "ohms_zero_power": found.ohms,
        "u_ohms": rules.root_sum(found.u_ohms, u_other),
        "milliwatts": levels[0].milliwatts,
        "faint_milliwatts": levels[1].milliwatts,
        "ohms_per_milliwatt": found.ohms_per_milliwatt,
        "u_ohms_per_milliwatt": found.u_ohms_per_milliwatt,
        "gain": faint[0].gain,
        "readings": faint[1],
    }
