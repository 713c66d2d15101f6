"""Is there a foreign voltage on the leads? Direct and alternating parts from a scan with the drivers off.

A scan reads several channels in turn, about a thousand readings a second for a tenth of a second (five periods of
50 Hz, six of 60 Hz). Each channel is fitted with a constant and a sine of the mains' frequency (least squares); because
the fit keeps the phase, voltages between two channels come out right although they were never read at the same time.

What a scan without load shows is not yet a voltage: leakage of the tester's own pins makes up to 0.3 V on leads that
hang on 235 kohm, and an open lead picks up hum. A source worth the name holds its voltage when the leads are loaded;
leakage and pick-up give way. So anything from SUSPICION_VOLTS on is looked at again under load, and `stiff` compares.

Values are integers of a tenth of a millivolt: exact in a single float, fine enough for a question about 0.3 V.
"""

from collections import namedtuple


from . import maths

# A source of 0.3 V shows as 0.299 V (simulation of the circuit); the rest is room for noise.
SUSPICION_VOLTS = 0.25

# Under load a stiff source keeps its direct voltage within this share and this many volts ...
_DC_SHARE = 0.35
_DC_SLACK_VOLTS = 0.05
# ... and this much of its alternating voltage: pick-up falls to half and less, a large stiff source is cut by the
# clamps and keeps 0.7 (simulation of the circuit).
_AC_SHARE = 0.6

# Closer than this to a rail, a clamp may be conducting: the voltage is then larger than what shows.
_RAIL_MARGIN_VOLTS = 0.05

MAINS_HZ = (50, 60)

_US_PER_S = 1000000
_PER_VOLT = 10000.0

Channel = namedtuple("Channel", ("dc_volts", "ac_volts", "cos_volts", "sin_volts", "low_volts", "high_volts"))
Pair = namedtuple("Pair", ("at", "dc_volts", "ac_volts"))

# Names of channels.
JAW_1 = "jaw 1"
JAW_2 = "jaw 2"
FORCE_A = "F+"
SENSE_A = "S+"
SENSE_B = "S-"
TOP = "T"

# What is looked at: text for people, first channel, second channel. Lead b is seen through its sense jaw.
_PAIRS = (
    ("lead a to chassis", FORCE_A, JAW_1),
    ("lead b to chassis", SENSE_B, JAW_1),
    ("lead a to lead b", FORCE_A, SENSE_B),
    ("lead a to chassis", FORCE_A, JAW_2),
    ("lead b to chassis", SENSE_B, JAW_2),
    ("lead a to chassis", SENSE_A, JAW_1),
    ("lead a to lead b", SENSE_A, SENSE_B),
    ("lead a to lead b", TOP, SENSE_B),
)


def fit(times_us, tenths_millivolts, first, stride, hz):
    """Fit a constant and a sine to every `stride`-th value of a scan, beginning with `first`.

    times_us: times [us]; tenths_millivolts: values [0.1 mV]. Returns (constant, cosine, sine) [V].
    """
    # Sums for the normal equations of 1, cos, sin; the values are taken as differences from the first.
    base = tenths_millivolts[first]
    count = 0
    c = s = cc = cs = ss = y = yc = ys = 0.0
    for index in range(first, len(times_us), stride):
        angle = (times_us[index] * hz % _US_PER_S) * (2 * maths.pi / _US_PER_S)
        cosine = maths.cos(angle)
        sine = maths.sin(angle)
        value = (tenths_millivolts[index] - base) / _PER_VOLT
        count += 1
        c += cosine
        s += sine
        cc += cosine * cosine
        cs += cosine * sine
        ss += sine * sine
        y += value
        yc += value * cosine
        ys += value * sine
    # Eliminate the constant, then solve for the two waves.
    cc -= c * c / count
    cs -= c * s / count
    ss -= s * s / count
    yc -= y * c / count
    ys -= y * s / count
    determinant = cc * ss - cs * cs
    if determinant <= 1e-3 * count:
        # Fewer samples than a wave needs: a mean is all there is.
        return base / _PER_VOLT + y / count, 0.0, 0.0
    cosine = (yc * ss - ys * cs) / determinant
    sine = (ys * cc - yc * cs) / determinant
    return base / _PER_VOLT + (y - c * cosine - s * sine) / count, cosine, sine


def analyse(times_us, tenths_millivolts, names):
    """Turn a scan into channels.

    times_us: when each value was read [us]; tenths_millivolts: the values [0.1 mV]; both in turn over the channels
    called `names`, whole rounds only. Returns a dict of Channel by name: dc_volts; ac_volts rms of all that alternates;
    cos_volts, sin_volts at the mains' frequency that fits better; low_volts and high_volts, the extremes.
    """
    stride = len(names)
    best: list = []
    best_power = -1.0
    for hz in MAINS_HZ:
        fits = [fit(times_us, tenths_millivolts, first, stride, hz) for first in range(stride)]
        power = sum([cosine * cosine + sine * sine for _, cosine, sine in fits])
        if power > best_power:
            best = fits
            best_power = power
    channels = {}
    for first in range(stride):
        constant, cosine, sine = best[first]
        low = high = tenths_millivolts[first]
        squares = 0.0
        count = 0
        for index in range(first, len(times_us), stride):
            value = tenths_millivolts[index]
            low = min(low, value)
            high = max(high, value)
            difference = value / _PER_VOLT - constant
            squares += difference * difference
            count += 1
        ac = maths.sqrt(max(squares / count, (cosine * cosine + sine * sine) / 2))
        channels[names[first]] = Channel(constant, ac, cosine, sine, low / _PER_VOLT, high / _PER_VOLT)
    return channels


def second_jaw(jaw_1, jaw_difference):
    """Return the Channel of jaw 2 from that of jaw 1 and that of jaw 1 minus jaw 2."""
    return Channel(
        jaw_1.dc_volts - jaw_difference.dc_volts,
        maths.sqrt(jaw_1.ac_volts * jaw_1.ac_volts + jaw_difference.ac_volts * jaw_difference.ac_volts),
        jaw_1.cos_volts - jaw_difference.cos_volts,
        jaw_1.sin_volts - jaw_difference.sin_volts,
        jaw_1.low_volts - jaw_difference.high_volts,
        jaw_1.high_volts - jaw_difference.low_volts,
    )


def pairs(channels):
    """Return the list of Pair between the channels that were read: direct [V] and rms alternating [V]."""
    found = []
    for at, first, second in _PAIRS:
        if first in channels and second in channels:
            one = channels[first]
            other = channels[second]
            cosine = one.cos_volts - other.cos_volts
            sine = one.sin_volts - other.sin_volts
            ac = maths.sqrt((cosine * cosine + sine * sine) / 2)
            found.append(Pair(at, one.dc_volts - other.dc_volts, ac))
    return found


def size(pair):
    """Return the rms size of a pair's voltage, direct and alternating together [V]."""
    return maths.sqrt(pair.dc_volts * pair.dc_volts + pair.ac_volts * pair.ac_volts)


def largest(found):
    """Return the Pair with the largest voltage."""
    worst = found[0]
    for pair in found:
        if size(pair) > size(worst):
            worst = pair
    return worst


def over_range(channels, supply_volts):
    """Tell whether any channel reaches a rail, where a clamp cuts what shows."""
    for channel in channels.values():
        if channel.low_volts < _RAIL_MARGIN_VOLTS or channel.high_volts > supply_volts - _RAIL_MARGIN_VOLTS:
            return True
    return False


def stiff(free, low, high, middle):
    """Return the largest Pair that holds its voltage under load, or None.

    free: pairs without load; low, high: pairs with everything pulled down, and up; middle: pairs with every loop pulled
    to the middle. All four lists hold the same pairs in the same order. Direct voltages are compared at low and high,
    alternating ones in the middle.
    """
    worst = None
    for index in range(len(free)):
        pair = free[index]
        dc_limit = _DC_SHARE * maths.fabs(pair.dc_volts) + _DC_SLACK_VOLTS
        dc = (
            maths.fabs(pair.dc_volts) >= SUSPICION_VOLTS
            and maths.fabs(low[index].dc_volts - pair.dc_volts) <= dc_limit
            and maths.fabs(high[index].dc_volts - pair.dc_volts) <= dc_limit
        )
        ac = pair.ac_volts >= SUSPICION_VOLTS and middle[index].ac_volts >= _AC_SHARE * pair.ac_volts
        if (dc or ac) and (worst is None or size(pair) > size(worst)):
            worst = pair
    return worst
