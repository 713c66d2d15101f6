"""The probability that a quantity conforms, given what was measured (JCGM 106:2012, clause 7).

The quantity is normal about the estimate with its standard uncertainty; a requirement is a lower limit, an upper
limit, or both.
"""

from . import maths

_ROOT_2 = 1.4142135623730951


def normal_below(limit, estimate, u):
    """Return P(quantity <= limit) for a normal quantity; a step where u is zero."""
    if u <= 0:
        return 1.0 if estimate <= limit else 0.0
    return 0.5 * (1.0 + maths.erf((limit - estimate) / (u * _ROOT_2)))


def normal_above(limit, estimate, u):
    """Return P(quantity >= limit) for a normal quantity; a step where u is zero."""
    if u <= 0:
        return 1.0 if estimate >= limit else 0.0
    return 0.5 * (1.0 + maths.erf((estimate - limit) / (u * _ROOT_2)))


def within(low, high, estimate, u):
    """Return P(low <= quantity <= high) for a normal quantity (JCGM 106:2012, 7.3)."""
    probability = normal_below(high, estimate, u) + normal_above(low, estimate, u) - 1.0
    return min(1.0, max(0.0, probability))
