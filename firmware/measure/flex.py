"""A fast capture while somebody bends the harness: 346 readings a second of the probe's voltage alone.

The drive stays forward, the amplifier bypassed (an open lead goes to the rails). The current is not read along: from a
known resistance at the beginning follows the rest of the loop, and from that and the voltage's share of the supply the
resistance of every reading, in integers. The loop allocates nothing; every quarter of a second the other tasks get a
turn. What they take is a gap in the capture, so a progress callback has to be short (5 ms).
"""

from asyncio import sleep_ms
from time import ticks_diff, ticks_ms

from micropython import const

from parts import ads1220
from probecore.flex import OPEN, FlexCounter

from . import frontend, ranges

# 175 a second in normal mode, twice that in turbo mode: 346 in fact (SBAS501C, 8.3.5).
_RATE_HZ = 175
READINGS_PER_S = 346

# How many readings make one period of the mains.
BLOCKS = {50: 7, 60: 6}

_SLICE_MS = 250

# A resistance needs room to grow on the scale before it counts as open.
_ROOM = 2

# Counts are shortened so that the scale has 22 bits: every step of the division below stays below 2^30, and a count is
# still 3 milliohm.
_SCALE = const(4194304)
_DIGIT_BITS = const(6)
_DIGIT_MASK = const(63)

# A loop of 16.7 kohm at most, and a probe of nine times the loop, beyond which it is open.
_LARGEST_LOOP_MILLIOHMS = const(16777215)
_OPEN_MULTIPLE = const(9)


def milliohms(share, loop_milliohms):
    """Return loop * share / (scale - share), or OPEN. Allocates nothing.

    share: the probe's part of the supply, on a scale of 2^22; loop_milliohms: the rest of the loop, below 2^24 [mohm].
    Long division in digits of six bits: a remainder below 2^23 times 2^6, plus 63 times 2^22, stays below 2^30.
    """
    if share <= 0:
        return 0
    rest = _SCALE - share
    if share >= rest * _OPEN_MULTIPLE:
        return OPEN
    quotient = 0
    remainder = 0
    shift = 18
    while shift >= 0:
        remainder = (remainder << _DIGIT_BITS) + (loop_milliohms >> shift & _DIGIT_MASK) * share
        quotient = (quotient << _DIGIT_BITS) + remainder // rest
        remainder %= rest
        shift -= _DIGIT_BITS
    return quotient


def gain_for(ohms):
    """Return the largest gain at which twice the resistance stays on the scale."""
    total = ranges.LOW_LOOP_OHMS + _ROOM * int(ohms)
    for gain in (4, 2):
        if _ROOM * int(ohms) <= total // gain:
            return gain
    return 1


def _shift(gain):
    # Full scale 2^23 times the gain becomes 2^22.
    return 3 if gain == 4 else gain


def loop_of(count, gain, ohms):
    """Return the rest of the loop [mohm] from a count at a known resistance [ohm]; the nominal one for a short."""
    share = count >> _shift(gain)
    if ohms < 10 or share < 1000:
        return ranges.LOW_LOOP_OHMS * 1000
    # The quotient of two short counts is near ten: a single float has room for it.
    return min(int(ohms * 1000 * ((_SCALE - share) / share)), _LARGEST_LOOP_MILLIOHMS)


async def capture(front, ohms, seconds, mains_hz=50, cancelled=None, progress=None):
    """Capture and return the record's map of the flex test.

    front: FrontEnd whose last look was clean; ohms: the probe's resistance in the low range [ohm]; seconds: how long
    [s]; mains_hz: 50 or 60; cancelled: returns True when the capture shall end early, or None; progress: called twice a
    second with the seconds past and the FlexCounter, or None. Raises AdcFault, DriveRefused.
    """
    counter = FlexCounter(block=BLOCKS[mains_hz])
    adc = front.adc
    gain = gain_for(ohms)
    try:
        async with front.lock_bus:
            front.drive(frontend.FORWARD)
            await sleep_ms(frontend.SETTLE_LOW_MS)
            adc.setup(20)
            adc.select(ads1220.AIN1_AIN2, gain, True)
            adc.start()
            await sleep_ms(adc.rest_ms)
            loop = loop_of(adc.finish(), gain, ohms)
            adc.setup(_RATE_HZ, turbo=True, continuous=True)
            adc.start()
            begun_ms = ticks_ms()
            end_ms = int(seconds * 1000)
            past_ms = 0
            slices = 0
            while past_ms < end_ms and not (cancelled and cancelled()):
                past_ms = take(adc, counter, _shift(gain), loop, begun_ms, min(past_ms + _SLICE_MS, end_ms))
                slices += 1
                if progress and slices % 2 == 0:
                    progress(past_ms / 1000, counter)
                await sleep_ms(0)
            adc.setup(20)
    finally:
        front.off()
    adc.verify()
    counter.finish()
    return counter.result()


def take(adc, counter, shift, loop_milliohms, begun_ms, until_ms):
    """Take readings until a time [ms] after begun_ms; return the time past [ms]. Allocates nothing; blocks."""
    past_ms = ticks_diff(ticks_ms(), begun_ms)
    while past_ms < until_ms:
        count = adc.next()
        past_ms = ticks_diff(ticks_ms(), begun_ms)
        if ads1220.saturated(count):
            counter.add(past_ms, OPEN)
        else:
            counter.add(past_ms, milliohms(count >> shift, loop_milliohms))
    return past_ms
