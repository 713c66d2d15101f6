"""Bake logs: a temperature each second for hours, in whole hundredths of a degree.

A chunk of a log is a base, the first temperature that it holds, and one entry for each second in a byte string: the
difference from the temperature before.

    0 to 248      the difference plus 124: -1.24 to +1.24 degC in a second
    249 n         n seconds without a temperature, n from 1 to 255
    250 b b b     the difference as three bytes, two's complement, high byte first

The first temperature has the difference 0. An oven changes by some hundredths in a second, so a second takes a byte.

`Cycles` follows the swings of an on-off control for the display: a turn counts once the temperature has gone back by
`TURN_CENTICELSIUS`. A cycle runs from one lowest temperature to the next; the first one begins after the first peak, so
that the heating-up and its overshoot are in none. Sums stay in integers below 2^30: 43,200 temperatures of 30,000 are
more, so a sum has two parts.
"""

from .errors import MisuseError, StoredDataError

CHUNK_SECONDS = 300

# How far the temperature goes back before a turn counts (chosen: above the flicker of moving air, below the swing of a
# fast control).
TURN_CENTICELSIUS = 60
# A longer gap may hide a turn, and the cycle around it counts nowhere [s].
LONGEST_GAP_S = 30

_ZERO = 124
_GAP = 249
_WIDE = 250
_LONGEST_RUN = 255
_WIDE_LIMIT = 1 << 23
# Differences of two such fit their three bytes [0.01 degC].
_HOTTEST = 4000000

_LOW_BITS = 20
_LOW_MASK = (1 << _LOW_BITS) - 1
_HALF_BITS = 10


def centicelsius(celsius):
    """Return a temperature [degC] in whole hundredths, rounded to the nearest. Floats below 1000 keep it exact."""
    hundredths = celsius * 100
    whole = int(hundredths)
    rest = hundredths - whole
    if rest >= 0.5:
        return whole + 1
    if rest < -0.5:
        return whole - 1
    return whole


class Chunk:
    """One chunk that fills up: its buffer is made once, and adding a temperature allocates nothing."""

    def __init__(self, seconds=CHUNK_SECONDS):
        """seconds: how many it holds at most."""
        self.capacity = seconds
        # Even where every difference needs its four bytes.
        self._buffer = bytearray(4 * seconds)
        self.begin(0)

    def begin(self, first_s):
        """Empty the chunk; its first entry is that of second `first_s` of the log."""
        self.first_s = first_s
        self.seconds = 0
        self.base_centicelsius = None
        self._used = 0
        self._last = 0
        self._gap = 0

    @property
    def full(self):
        """Tell whether nothing more goes in."""
        return self.seconds == self.capacity

    def add(self, value):
        """Add the next second. value: temperature [0.01 degC], or None where there is none.

        Raises MisuseError when the chunk is full or the temperature is beyond 40,000 degC.
        """
        if self.full:
            raise MisuseError("bake-full", "The chunk is full.")
        if value is None:
            self.seconds += 1
            self._gap += 1
            if self._gap == _LONGEST_RUN:
                self._close_gap()
            return
        if not -_HOTTEST < value < _HOTTEST:
            raise MisuseError("bake-range", "%d hundredths of a degree are no temperature." % value)
        if self.base_centicelsius is None:
            self.base_centicelsius = self._last = value
        difference = value - self._last
        self._close_gap()
        self.seconds += 1
        self._last = value
        if -_ZERO <= difference <= _ZERO:
            self._put(difference + _ZERO)
            return
        self._put(_WIDE)
        self._put(difference >> 16 & 0xFF)
        self._put(difference >> 8 & 0xFF)
        self._put(difference & 0xFF)

    def _put(self, byte):
        self._buffer[self._used] = byte
        self._used += 1

    def _close_gap(self):
        if self._gap:
            self._put(_GAP)
            self._put(self._gap)
            self._gap = 0

    def differences(self):
        """Return the coded entries as bytes; the chunk goes on from there unharmed."""
        self._close_gap()
        return bytes(self._buffer[: self._used])


def decode(base, data, seconds):
    """Return a chunk's temperatures [0.01 degC], one each second, None where there is none.

    base: first temperature [0.01 degC], None where the chunk has none; data: its coded entries; seconds: how many they
    are. Raises StoredDataError where the entries are damaged or of another number.
    """
    values: list = []
    last = base
    at = 0
    first = True
    while at < len(data):
        byte = data[at]
        if byte == _GAP:
            if at + 1 >= len(data) or data[at + 1] == 0:
                raise StoredDataError("bake-damaged", "A gap of a bake log has no length.")
            if len(values) + data[at + 1] > seconds:
                raise _wrong_number(seconds)
            values.extend([None] * data[at + 1])
            at += 2
            continue
        if byte == _WIDE:
            if at + 3 >= len(data):
                raise StoredDataError("bake-damaged", "The last temperature of a bake log is cut short.")
            difference = data[at + 1] << 16 | data[at + 2] << 8 | data[at + 3]
            if difference >= _WIDE_LIMIT:
                difference -= 2 * _WIDE_LIMIT
            at += 4
        elif byte < _GAP:
            difference = byte - _ZERO
            at += 1
        else:
            raise StoredDataError("bake-damaged", "The byte %d means nothing in a bake log." % byte)
        if last is None:
            raise StoredDataError("bake-damaged", "A chunk of a bake log has temperatures and no base.")
        if first and difference:
            raise StoredDataError("bake-damaged", "The first temperature of a chunk is not its base.")
        first = False
        last += difference
        values.append(last)
        if len(values) > seconds:
            raise _wrong_number(seconds)
    if len(values) != seconds:
        raise _wrong_number(seconds)
    return values


def _wrong_number(seconds):
    return StoredDataError("bake-damaged", "A chunk of a bake log does not hold its %d seconds." % seconds)


class Total:
    """A sum of whole numbers in two parts, high * 2^20 + low, and how many they are."""

    def __init__(self):
        """Begin with nothing."""
        self.clear()

    def clear(self):
        """Forget everything."""
        self.high = 0
        self.low = 0
        self.count = 0

    def add(self, value):
        """Add a number below 2^29. Allocates nothing."""
        low = self.low + value
        self.high += low >> _LOW_BITS
        self.low = low & _LOW_MASK
        self.count += 1

    def copy(self, other):
        """Take over another total."""
        self.high = other.high
        self.low = other.low
        self.count = other.count

    def extend(self, later, earlier):
        """Add what came between two states of another total."""
        low = self.low + later.low - earlier.low
        self.high += later.high - earlier.high + (low >> _LOW_BITS)
        self.low = low & _LOW_MASK
        self.count += later.count - earlier.count

    def mean(self):
        """Return the mean, rounded to a whole number, None where there is nothing. Up to 2^19 numbers."""
        count = self.count
        if count == 0:
            return None
        low = self.low + count // 2
        high = self.high + (low >> _LOW_BITS)
        low &= _LOW_MASK
        # Long division, ten bits a step: a remainder is below the count, 2^19 * 2^10 stays below 2^30.
        quotient = high // count
        rest = high - quotient * count
        for shift in (_HALF_BITS, 0):
            rest = rest << _HALF_BITS | low >> shift & (1 << _HALF_BITS) - 1
            digit = rest // count
            rest -= digit * count
            quotient = (quotient << _HALF_BITS) + digit
        return quotient


class Cycles:
    """The cycles of an on-off control, as they go by.

    Attributes: `highest`, `lowest` of the newest turns [0.01 degC], None until they are known; `count` of whole cycles.
    """

    def __init__(self, turn_centicelsius=TURN_CENTICELSIUS):
        """turn_centicelsius: how far back makes a turn [0.01 degC]."""
        self._turn = turn_centicelsius
        self._sum = Total()
        self._at_lowest = Total()
        self._cycle_from = Total()
        self._whole = Total()
        self._rising = True
        self._extreme = None
        self._origin = None
        self._peaked = False
        self._in_cycle = False
        self._gap_s = 0
        self.highest = None
        self.lowest = None
        self.count = 0

    def add(self, value):
        """Take the next second. value: temperature [0.01 degC], or None where there is none. Allocates nothing."""
        if value is None:
            self._gap_s += 1
            if self._gap_s == LONGEST_GAP_S:
                self._lose_cycle()
            return
        self._gap_s = 0
        if self._extreme is None:
            self._extreme = self._origin = value
        if self._rising:
            if value > self._extreme:
                self._extreme = value
            elif self._extreme - value >= self._turn:
                if self._extreme - self._origin >= self._turn:
                    # Not where a log or a gap ended while it fell.
                    self.highest = self._extreme
                    self._peaked = True
                self._origin = self._extreme
                self._rising = False
                self._new_lowest(value)
        elif value < self._extreme:
            self._new_lowest(value)
        elif value - self._extreme >= self._turn:
            self._end_cycle()
            self._rising = True
            self._extreme = value
        self._sum.add(value)

    def _new_lowest(self, value):
        self._extreme = value
        # Before this temperature is added: it belongs to the cycle that it begins.
        self._at_lowest.copy(self._sum)

    def _end_cycle(self):
        """The lowest temperature is passed: a cycle ends there and the next one begins."""
        self._origin = self._extreme
        if not self._peaked:
            # What comes before the first peak is heating up.
            return
        self.lowest = self._extreme
        if self._in_cycle:
            self._whole.extend(self._at_lowest, self._cycle_from)
            self.count += 1
        self._cycle_from.copy(self._at_lowest)
        self._in_cycle = True

    def _lose_cycle(self):
        self._in_cycle = False
        self._rising = True
        self._extreme = None
        self.highest = None
        self.lowest = None

    @property
    def swing(self):
        """Return the newest peak minus the newest trough [0.01 degC], None until both are known."""
        if self.highest is None or self.lowest is None:
            return None
        return self.highest - self.lowest

    def mean(self):
        """Return the mean over all whole cycles [0.01 degC], None until there is one."""
        return self._whole.mean()
