"""The functions of `math` that the core uses, in one place.

All arithmetic of the core goes through here, so that a test can put single-precision versions in their place and run
the very code of the tester with every result rounded as on the Pico.
"""

from math import cos, erf, erfc, exp, fabs, log, pi, sin, sqrt

__all__ = ["cos", "erf", "erfc", "exp", "fabs", "finite", "log", "pi", "sin", "sqrt"]


def finite(value):
    """Tell whether a value is a number with a size: neither None nor text, neither infinite nor NaN."""
    if value is True or value is False or not isinstance(value, (int, float)):
        return False
    return value - value == 0
