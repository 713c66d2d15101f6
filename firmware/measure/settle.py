"""Readings until the probe rests: each goes to probecore.settling, which tells the slope and how long to wait.

A quick test takes as many readings as a slope needs and reports what it found; a patient one goes on until the probe
has settled or the patience ends. While there is long to wait, it reads only every few seconds, with the drivers off in
between. Leads are looked at again for foreign voltages every thirty seconds.

The measuring current warms the element itself, by some ten millikelvin within seconds of the first reading. That shows
as a rise which has nothing to do with the room (of a thermistor: as a fall): one no steeper than typical self-heating
makes counts as settled, a somewhat steeper one gets further windows of readings to die away. A probe that cools gets no
such allowance.
"""

from asyncio import sleep_ms
from collections import namedtuple
from time import ticks_diff, ticks_ms

from probecore.settling import FEWEST, WINDOW, Settled, Settling

from . import bridge as bridges, ranges

# Readings of one direction that differ by more than this were disturbed: a contact that opened for a moment.
_DISTURBED_SHARE = 200
_DISTURBED_COUNTS = 2000
_MOST_DISTURBED = 6
# With less on the reference resistor no current flows: the clips came off. An open circuit's limit has twice as many.
_FEWEST_REFERENCE_COUNTS = 2000

_LOOK_AGAIN_MS = 30000

# While the probe clearly moves, a twentieth of the expected wait passes between readings, within these bounds [ms].
# Once there were pauses they go on to the end: without them the element would warm up just then, and hide a fall.
_SHORTEST_PAUSE_MS = 2000
_LONGEST_PAUSE_MS = 10000
_PAUSES_IN_WAIT = 20
_PAUSE_STEP_MS = 250

# Typical of an element in its tube in still air (assumed: 0.05 to 0.4 K/mW, seconds).
_SELF_HEATING_KELVIN_PER_MILLIWATT = 0.15
_SELF_HEATING_S = 4.0
# A rise up to so many times the typical one is worth waiting for, for so many further windows.
_STEEP_RISE = 4
_FURTHER_WINDOWS = 3

# readings: the newest, of which the value is formed; state: Settled; waited_s; disturbed: readings thrown away;
# foreign: map of a look that saw a voltage, or None; saturated: no usable reading came.
Outcome = namedtuple("Outcome", ("readings", "state", "waited_s", "disturbed", "foreign", "saturated"))

# The two readings of one quantity in one direction, which should agree.
_TWINS = ((0, 7), (1, 6), (2, 5), (3, 4))


def is_disturbed(reading):
    """Tell whether a reading says nothing: no current, a count at the end of the scale, or twins that disagree."""
    if bridges.is_saturated(reading) or abs(reading[0]) < _FEWEST_REFERENCE_COUNTS:
        return True
    for first, second in _TWINS:
        if abs(reading[first] - reading[second]) > abs(reading[first]) // _DISTURBED_SHARE + _DISTURBED_COUNTS:
            return True
    return False


def self_heating_ohms_per_minute(plan, ohms, ohms_per_celsius):
    """Return how fast the measuring current typically makes the reading rise at first [ohm/min], negative for a fall.

    plan: Plan; ohms: the probe's resistance [ohm]; ohms_per_celsius: slope of its curve [ohm/degC].
    """
    milliamps = ranges.amps(plan.range, ohms) * 1000
    milliwatts = milliamps * milliamps * ohms / 1000
    kelvin = milliwatts * _SELF_HEATING_KELVIN_PER_MILLIWATT
    return kelvin * ohms_per_celsius * 60 / _SELF_HEATING_S


async def settle(bridge, plan, calibration, limits, patience_s=0, foreign=None, cancelled=None, progress=None):
    """Read until the probe rests or the patience ends. Returns Outcome.

    bridge: Bridge; plan: Plan of the first look; calibration: Calibration; limits: (slope that counts as settled, rise
    that self-heating explains) [ohm/min]; patience_s: how long to go on beyond the first readings [s]; foreign:
    ForeignVoltage for looks in between, or None; cancelled: returns True to stop, or None; progress: called with ohms
    and Settled after each reading, or None. A reading takes 0.42 s. Raises AdcFault, DriveRefused.
    """
    limit, rise = limits
    settling = Settling(limit)
    newest: list = []
    begun_ms = ticks_ms()
    looked_ms = begun_ms
    disturbed = 0
    in_a_row = 0
    taken = 0
    windows = 0
    pausing = False
    while True:
        reading = bridge.new_reading()
        await bridge.read(plan, reading)
        past_ms = ticks_diff(ticks_ms(), begun_ms)
        if is_disturbed(reading):
            disturbed += 1
            in_a_row += 1
            if in_a_row >= _MOST_DISTURBED or (cancelled and cancelled()):
                return Outcome(newest, settling.state(), past_ms // 1000, disturbed, None, not newest)
            continue
        in_a_row = 0
        taken += 1
        newest.append(list(reading))
        if len(newest) > FEWEST:
            newest.pop(0)
        ohms = bridges.resistance(calibration, plan, newest[-1:])[1]
        settling.add(past_ms, ohms)
        # With pauses every reading begins with a cool element, and its warmth is no slope.
        state = _allow_rise(settling.state(), limit, 0.0 if pausing else rise)
        if progress:
            progress(ohms, state)
        if cancelled and cancelled():
            return Outcome(newest, state, past_ms // 1000, disturbed, None, False)
        if state.settled or (past_ms >= patience_s * 1000 and _is_clear(state, taken, limit)):
            if state.settled or windows >= _FURTHER_WINDOWS or not _may_be_self_heating(state, limit, rise):
                return Outcome(newest, state, past_ms // 1000, disturbed, None, False)
            # The steep beginning is left out.
            windows += 1
            taken = 0
            settling = Settling(limit)
        if foreign and ticks_diff(ticks_ms(), looked_ms) > _LOOK_AGAIN_MS:
            found = await foreign.look(full=False)
            looked_ms = ticks_ms()
            if found["seen"]:
                return Outcome(newest, state, past_ms // 1000, disturbed, found, False)
        pausing = pausing or _moves_clearly(state, limit)
        pause_ms = _pause_ms(state) if pausing else 0
        while pause_ms > 0 and not (cancelled and cancelled()):
            await sleep_ms(_PAUSE_STEP_MS)
            pause_ms -= _PAUSE_STEP_MS


def _moves_clearly(state, limit):
    """Tell whether the probe is far from settled, so that it is worth resting between readings."""
    slope = state.slope_ohms_per_minute
    return slope is not None and abs(slope) > 2 * limit


def _pause_ms(state):
    """Return how long to rest before the next reading [ms]: the closer to the end, the shorter."""
    if state.wait_s is None:
        return _SHORTEST_PAUSE_MS
    return max(_SHORTEST_PAUSE_MS, min(_LONGEST_PAUSE_MS, state.wait_s * 1000 // _PAUSES_IN_WAIT))


def _allow_rise(state, limit, rise):
    """Return the state, settled also where self-heating alone explains the rise."""
    slope = state.slope_ohms_per_minute
    if slope is None or state.settled:
        return state
    warming = -slope if rise < 0 else slope
    u_slope = state.u_slope_ohms_per_minute
    if warming >= 0 and warming + 2 * u_slope <= limit + abs(rise):
        return Settled(True, slope, u_slope, 0)
    return state


def _may_be_self_heating(state, limit, rise):
    warming = -state.slope_ohms_per_minute if rise < 0 else state.slope_ohms_per_minute
    return 0 < warming <= limit + _STEEP_RISE * abs(rise)


def _is_clear(state, taken, limit):
    """Tell whether the slope stands out of its noise, or the whole window is taken."""
    if state.slope_ohms_per_minute is None:
        return False
    return taken >= WINDOW or abs(state.slope_ohms_per_minute) - 2 * state.u_slope_ohms_per_minute > limit
