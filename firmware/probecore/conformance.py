"""The probability that a quantity conforms, given what was measured (JCGM 106:2012, clause 7).

The quantity lies about the estimate with a normal part and up to two rectangular ones, as stated by a plus-or-minus. A
requirement is a lower limit, an upper limit, or both.

With z in normal standard deviations, Phi's first and second antiderivatives give the mean over one and two rectangles.
They grow as z and z^2 / 2, whose differences would eat a single float's digits: that part is the rectangle or trapezoid
alone and is computed as such, and only what the normal part adds near its corners comes from error functions.
"""

from . import maths

_ROOT_2 = 1.4142135623730951
_ROOT_2_PI = 2.5066282746310002

# A rectangle narrower than this share of the normal part joins the variance. Its fourth cumulant, -2/15 half^4, then
# changes no probability by more than 2/15 / 24 * 0.551 * share^4 = 1e-7 (first term of Edgeworth's series).
_MERGED_SHARE = 0.075

# Beyond so many standard deviations nothing is left that a single float could add to 1.
_FAR = 6.5
_HALVINGS = 40


def normal_below(limit, estimate, u):
    """Return P(quantity <= limit) for a normal quantity; a step where u is zero."""
    if u <= 0:
        return 1.0 if estimate <= limit else 0.0
    return 0.5 * maths.erfc((estimate - limit) / (u * _ROOT_2))


def normal_above(limit, estimate, u):
    """Return P(quantity >= limit) for a normal quantity; a step where u is zero."""
    return normal_below(-limit, -estimate, u)


def below(limit, estimate, u, half=0.0, other_half=0.0):
    """Return P(quantity <= limit), from 0 to 1.

    u: standard uncertainty of the normal part; half, other_half: half-widths of rectangular parts, 0 for none; all in
    the unit of limit and estimate.
    """
    wide = max(half, other_half)
    narrow = min(half, other_half)
    if narrow < _MERGED_SHARE * u:
        u = maths.sqrt(u * u + narrow * narrow / 3)
        narrow = 0.0
    if wide < _MERGED_SHARE * u:
        u = maths.sqrt(u * u + wide * wide / 3)
        wide = 0.0
    if wide <= 0:
        return normal_below(limit, estimate, u)
    at = limit - estimate
    if narrow <= 0:
        found = min(1.0, max(0.0, (at + wide) / (2 * wide)))
        if u > 0:
            found += u / (2 * wide) * (_excess((at + wide) / u) - _excess((at - wide) / u))
    else:
        found = _trapezoid(at, wide, narrow)
        if u > 0:
            outer = _excess_sum((at + wide + narrow) / u) + _excess_sum((at - wide - narrow) / u)
            inner = _excess_sum((at + wide - narrow) / u) + _excess_sum((at - wide + narrow) / u)
            found += (u / wide) * (u / narrow) / 4 * (outer - inner)
    return min(1.0, max(0.0, found))


def above(limit, estimate, u, half=0.0, other_half=0.0):
    """Return P(quantity >= limit), from 0 to 1; arguments as for `below`."""
    return below(-limit, -estimate, u, half, other_half)


def within(low, high, estimate, u, half=0.0, other_half=0.0):
    """Return P(low <= quantity <= high) (JCGM 106:2012, 7.3); arguments as for `below`."""
    probability = below(high, estimate, u, half, other_half) + above(low, estimate, u, half, other_half) - 1.0
    return min(1.0, max(0.0, probability))


def guard(probability, u, half=0.0, other_half=0.0, width=None):
    """Return how far inside a limit an estimate has to lie to conform with a probability (JCGM 106:2012, 8.3).

    probability: of conformity, from 0 to 1; u, half, other_half: as for `below`; width: between two limits, None for
    one. The result is in their unit, negative where an estimate beyond the limit conforms often enough. None where two
    limits are so close that no estimate does.
    """

    def conforms(inside):
        if width is None:
            return below(inside, 0.0, u, half, other_half) >= probability
        return within(0.0, width, inside, u, half, other_half) >= probability

    high = _FAR * u + half + other_half
    low = -high
    if width is not None:
        high = min(high, width / 2)
        if not conforms(high):
            return None
    for _ in range(_HALVINGS):
        middle = (low + high) / 2
        if not low < middle < high:
            # Nothing lies between: a single float is there after half of the steps.
            break
        if conforms(middle):
            high = middle
        else:
            low = middle
    return high


def _excess(z):
    """Return the mean of max(N(z, 1), 0) less max(z, 0): what the normal part adds near a rectangle's end."""
    z = maths.fabs(z)
    if z > _FAR:
        return 0.0
    return maths.exp(-z * z / 2) / _ROOT_2_PI - z * maths.erfc(z / _ROOT_2) / 2


def _excess_sum(z):
    """Return the integral of _excess from 0 to z."""
    size = maths.fabs(z)
    found = 0.25
    if size <= _FAR:
        tail = (size * size + 1) * maths.erfc(size / _ROOT_2) / 2 - size * maths.exp(-size * size / 2) / _ROOT_2_PI
        found -= tail / 2
    return found if z >= 0 else -found


def _trapezoid(at, wide, narrow):
    """Return P(quantity <= at) for the sum of two rectangles about 0; both half-widths are above 0."""
    inside = wide + narrow - maths.fabs(at)
    if inside <= 0:
        corner = 0.0
    elif inside < 2 * narrow:
        corner = (inside / wide) * (inside / narrow) / 8
    else:
        return (at + wide) / (2 * wide)
    return corner if at < 0 else 1.0 - corner
