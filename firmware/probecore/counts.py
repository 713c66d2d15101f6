"""From counts of the ADC to a ratio, in integers.

A reading is eight signed counts, taken in this order (F forward, R reverse excitation):

    F: reference, probe    R: probe, reference    R: reference, probe    F: probe, reference

The signs below add up to zero, which cancels an offset or a thermal EMF, and so do signs times position, which cancels
one that drifts in a straight line; reference and probe are taken at the same mean time, which cancels a drift of the
excitation.

A count has 24 bits, a single float no more than 24 of precision: sums of counts stay integers, and the division is a
long division whose parts stay below 2^30, the small integers of the Pico.
"""

from .errors import RangeError

COUNTS_IN_READING = 8
FULL_SCALE_COUNTS = 8388607

REFERENCE_POSITIONS = (0, 3, 4, 7)
PROBE_POSITIONS = (1, 2, 5, 6)
REFERENCE_SIGNS = (1, -1, -1, 1)
PROBE_SIGNS = (1, -1, -1, 1)

# Six bits a step: a remainder is below the divisor, 2^24 with the scaling of `divide`, and 2^24 * 2^6 = 2^30 is not
# reached.
_STEP_BITS = 6
_STEPS = 4
_SMALL = 1 << 24


def sums(reading):
    """Add a reading up.

    reading: eight counts. Returns (reference_counts, probe_counts), each four times the mean of one direction.
    """
    reference = 0
    probe = 0
    for index in range(4):
        reference += REFERENCE_SIGNS[index] * reading[REFERENCE_POSITIONS[index]]
        probe += PROBE_SIGNS[index] * reading[PROBE_POSITIONS[index]]
    return reference, probe


def divide(numerator, denominator):
    """Divide two integers below 2^29 into a float, without a wider integer and without a count in a float.

    The quotient's whole part and 24 bits of its fraction are found by long division. Returns the float.
    Raises RangeError when the denominator is zero.
    """
    if denominator == 0:
        raise RangeError("no-current", "No current flows through the reference resistor.")
    negative = (numerator < 0) != (denominator < 0)
    rest = abs(numerator)
    divisor = abs(denominator)
    while divisor >= _SMALL:
        # Halving both costs less than one part in 2^23 of the quotient, half a count.
        divisor = (divisor + 1) >> 1
        rest = (rest + 1) >> 1
    whole = rest // divisor
    rest -= whole * divisor
    fraction = 0
    for _ in range(_STEPS):
        rest <<= _STEP_BITS
        digit = rest // divisor
        rest -= digit * divisor
        fraction = fraction << _STEP_BITS | digit
    value = whole + fraction / 16777216
    return -value if negative else value


def ratio(reading):
    """Return probe voltage over reference voltage of one reading, both gains being equal."""
    reference, probe = sums(reading)
    return divide(probe, reference)


def mean_ratio(readings):
    """Return the mean ratio of several readings, and the standard uncertainty of that mean.

    readings: list of readings, at least one. Returns (ratio, u_ratio); u_ratio is None for a single reading.
    The spread is that of differences from the first reading, which are small and lose nothing in a single float.
    """
    first = ratio(readings[0])
    differences = [ratio(reading) - first for reading in readings]
    count = len(differences)
    mean = sum(differences) / count
    if count < 2:
        return first + mean, None
    variance = sum([(value - mean) * (value - mean) for value in differences]) / (count - 1)
    return first + mean, (variance / count) ** 0.5


def saturated(reading, limit=FULL_SCALE_COUNTS):
    """Tell whether any count of a reading stands at the end of the ADC's scale."""
    for count in reading:
        if count >= limit or count <= -limit:
            return True
    return False
