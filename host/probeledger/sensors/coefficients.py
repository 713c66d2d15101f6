"""A platinum element's two sets of numbers: alpha, delta, beta (Callendar-Van Dusen) and A, B, C (IEC 60751).

    A = alpha (1 + delta / 100)   B = -alpha delta / 1e4   C = -alpha beta / 1e8
    alpha = A + 100 B   delta = -1e4 B / alpha   beta = -1e8 C / alpha

Both write the same equation; the relations follow by comparing powers of t.
"""

from __future__ import annotations

import math
from typing import NamedTuple

from probeledger.errors import InputError

__all__ = ["Callendar", "Quadratic", "from_callendar", "to_callendar"]


class Quadratic(NamedTuple):
    """The coefficients `a` [1/degC], `b` [1/degC^2], `c` [1/degC^4]."""

    a: float
    b: float
    c: float


class Callendar(NamedTuple):
    """The constants `alpha` [1/degC], `delta` [degC], `beta` [degC]."""

    alpha: float
    delta: float
    beta: float


def from_callendar(alpha: float, delta: float, beta: float = 0.0) -> Quadratic:
    """Return A, B, C for alpha [1/degC], delta [degC], beta [degC]. Raises InputError where alpha is not above 0."""
    _check(alpha, delta, beta)
    return Quadratic(alpha * (1.0 + delta / 100.0), -alpha * delta / 1e4, -alpha * beta / 1e8)


def to_callendar(a: float, b: float, c: float = 0.0) -> Callendar:
    """Return alpha, delta, beta for A [1/degC], B [1/degC^2], C [1/degC^4]. Raises InputError for no alpha."""
    alpha = a + 100.0 * b
    _check(alpha, b, c)
    return Callendar(alpha, -1e4 * b / alpha, -1e8 * c / alpha)


def _check(alpha: float, second: float, third: float) -> None:
    if not (alpha > 0.0 and all(math.isfinite(each) for each in (alpha, second, third))):
        raise InputError(
            f"Alpha, the mean rise from 0 to 100 degrees C, must be a number above 0; it is {alpha:g}. Check the "
            "coefficients and their powers of ten."
        )
