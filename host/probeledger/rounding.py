"""Rounding for people: the only place where a figure loses digits on its way to a screen or a page.

An expanded uncertainty is given to two significant digits, and the value to the same decimal place (GUM, JCGM 100:2008,
7.2.6). It is rounded to nearest, halves to even, on the decimal digits that Python shows.
"""

import math
from decimal import ROUND_HALF_EVEN, Decimal

__all__ = ["COVERAGE_FACTOR", "fixed", "significant", "with_uncertainty"]

# Expanded uncertainties are stated with k = 2, about 95 % for a normal distribution (GUM G.1.3).
COVERAGE_FACTOR = 2.0


def fixed(value: float | None, decimals: int) -> str:
    """Return a value with so many decimals [1], or "-" for None and what is not finite.

    >>> fixed(1097.346, 2), fixed(-0.001, 1)
    ('1097.35', '0.0')
    """
    if value is None or not math.isfinite(value):
        return "-"
    quantum = Decimal(1).scaleb(-decimals)
    rounded = Decimal(repr(float(value))).quantize(quantum, rounding=ROUND_HALF_EVEN)
    return f"{abs(rounded) if rounded.is_zero() else rounded:f}"


def significant(value: float | None, digits: int = 3) -> str:
    """Return a value to so many significant digits [1], without an exponent, or "-" for None.

    >>> significant(40123.0), significant(0.012345, 2)
    ('40100', '0.012')
    """
    if value is None or not math.isfinite(value):
        return "-"
    if value == 0.0:
        return "0"
    exponent = _exponent(value, digits)
    rounded = Decimal(repr(float(value))).quantize(Decimal(1).scaleb(exponent - digits + 1), rounding=ROUND_HALF_EVEN)
    return f"{rounded:f}"


def _exponent(value: float, digits: int) -> int:
    """Return the decimal exponent of the first digit after rounding to so many digits (9.96 to two is 10)."""
    return int(f"{abs(value):.{digits - 1}e}".rpartition("e")[2])


def with_uncertainty(value: float | None, u: float | None) -> tuple[str, str]:
    """Return a value and its expanded uncertainty (k = 2), both as text.

    Args:
        value: the value, in any unit.
        u: its standard uncertainty in the same unit, or None where it is not known.

    Returns:
        the value rounded to the uncertainty's second digit, and that uncertainty; ("-", "-") where there is no value.

    >>> with_uncertainty(1097.3467, 0.1049)
    ('1097.35', '0.21')
    >>> with_uncertainty(-244.0, 5000.0)
    ('0', '10000')
    """
    if value is None or not math.isfinite(value):
        return "-", "-"
    if u is None or not math.isfinite(u) or u <= 0.0:
        return fixed(value, 2), "-"
    expanded = COVERAGE_FACTOR * u
    decimals = 1 - _exponent(expanded, 2)
    if decimals <= 0:
        quantum = Decimal(1).scaleb(-decimals)
        whole = [
            Decimal(repr(float(number))).quantize(quantum, rounding=ROUND_HALF_EVEN) for number in (value, expanded)
        ]
        return f"{Decimal(0) if whole[0].is_zero() else whole[0]:f}", f"{whole[1]:f}"
    return fixed(value, decimals), fixed(expanded, decimals)
