"""Sensor curves on the host: by name, with a helpful error, and over whole arrays.

The coefficients and the scalar conversion are the core's (probecore.curves), which the tester runs too. Over arrays,
the inverse is the same closed form from 0 degC up; below, it is a polynomial fitted to the curve, of as high a degree
as it takes. Arrays are worked through in blocks, all passes over one before the next, so that a block stays in the
processor's cache; fewer and larger blocks would be slower by what memory is slower, more and smaller ones by what each
call of numpy costs.
"""

from __future__ import annotations

import difflib
import functools
import math
from collections.abc import Iterable
from dataclasses import dataclass
from typing import TYPE_CHECKING, Protocol

from probecore.curves import BUILT_IN, PlatinumCurve
from probecore.curves import curve as _core_curve
from probecore.errors import MisuseError, RangeError
from probeledger.units import celsius as celsius_of_fahrenheit
from probeledger.units import fahrenheit as fahrenheit_of_celsius

if TYPE_CHECKING:
    # Imported where arrays are converted: it takes longer than all the rest of a command that converts one value.
    from numpy import float64
    from numpy.typing import ArrayLike, NDArray

# Degrees that are tried for the inverse below 0 degC, and how near [degC] one must come: what the equation itself loses
# in doubles is a tenth of it. After the last degree Newton's steps follow, each of which squares what is left. IEC
# 60751's curve takes degree twelve and no step.
_COLD_DEGREES = (6, 8, 10, 12, 14)
_COLD_CELSIUS = 1e-11
_MOST_STEPS = 8
_SETTLED_CELSIUS = 1e-7
_COLD_KNOTS = 401
_COLD_LOOKS = 4001

# Two arrays of so many doubles take 1 MB, the second-level cache of a present processor.
_BLOCK = 65536

# Half of the last digit of a table printed to 0.01 ohm on 100 ohm, relative to the resistance at 0 degC: a printed end
# value is accepted although the exact range ends before it.
_TABLE_ROUNDING = 5e-5


class _Named(Protocol):
    name: str
    r0_ohms: float


@dataclass(frozen=True)
class CurvePoint:
    """One point of a curve: resistance [ohm], temperature [degC] and [degF]."""

    ohms: float
    celsius: float
    fahrenheit: float


def curve(name: str) -> PlatinumCurve:
    """Return a built-in curve.

    Args:
        name: its name, as `BUILT_IN` lists them.

    Returns:
        The curve.

    Raises:
        MisuseError: there is none of that name; the message has the nearest ones.
    """
    if name in BUILT_IN:
        return _core_curve(name)
    near = difflib.get_close_matches(name.lower(), BUILT_IN, n=2, cutoff=0.5)
    hint = "Did you mean {}? ".format(" or ".join(near)) if near else ""
    raise MisuseError(
        "unknown-curve", "There is no curve {!r}. {}Built in: {}.".format(name, hint, ", ".join(BUILT_IN))
    )


def point_at_ohms(of: PlatinumCurve, ohms: float) -> CurvePoint:
    """Return the point of a curve at a resistance [ohm]. Raises RangeError outside, with the range in it."""
    if not math.isfinite(ohms):
        raise RangeError("ohms-range", f"A resistance must be a finite number of ohms, this is {ohms}.")
    celsius = of.celsius(ohms)
    return CurvePoint(ohms, celsius, fahrenheit_of_celsius(celsius))


def point_at_celsius(of: PlatinumCurve, celsius: float) -> CurvePoint:
    """Return the point of a curve at a temperature [degC]. Raises RangeError outside, with the range in it."""
    if not math.isfinite(celsius):
        raise RangeError("celsius-range", f"A temperature must be a finite number, this is {celsius}.")
    return CurvePoint(of.ohms(celsius), celsius, fahrenheit_of_celsius(celsius))


def point_at_fahrenheit(of: PlatinumCurve, fahrenheit: float) -> CurvePoint:
    """Return the point of a curve at a temperature [degF]. Raises RangeError outside, with the range in it."""
    point = point_at_celsius(of, celsius_of_fahrenheit(fahrenheit))
    return CurvePoint(point.ohms, point.celsius, fahrenheit)


def ohms_array(of: PlatinumCurve, celsius: ArrayLike) -> NDArray[float64]:
    """Convert temperatures to resistances.

    Args:
        of: the curve.
        celsius: temperatures [degC], any shape.

    Returns:
        Resistances [ohm], the same shape.

    Raises:
        RangeError: a value is outside the curve's range or no number; the message has the range and the first such.
    """
    import numpy as np

    t = np.asarray(celsius, dtype=np.float64)
    flat = t.reshape(-1)
    ohms = np.empty_like(flat)
    for start in range(0, flat.size, _BLOCK):
        piece, rise = flat[start : start + _BLOCK], ohms[start : start + _BLOCK]
        least = _least_of(of, piece, of.low_celsius, of.high_celsius, "degrees C")
        np.multiply(piece, of.b, out=rise)
        rise += of.a
        rise *= piece
        rise *= of.r0_ohms
        rise += of.r0_ohms
        if least < 0.0:
            below = (piece < 0.0).nonzero()[0]
            cold = piece.take(below)
            more = cold - 100.0
            for _ in range(3):
                more *= cold
            more *= of.r0_ohms * of.c
            rise[below] += more
    return ohms.reshape(t.shape)


def celsius_array(of: PlatinumCurve, ohms: ArrayLike) -> NDArray[float64]:
    """Convert resistances to temperatures.

    Args:
        of: the curve.
        ohms: resistances [ohm], any shape.

    Returns:
        Temperatures [degC], the same shape, within 1e-9 degC of the equation's root.

    Raises:
        RangeError: a value is outside the curve's range or no number; the message has the range and the first such.
    """
    import numpy as np

    r = np.asarray(ohms, dtype=np.float64)
    flat = r.reshape(-1)
    slack = of.r0_ohms * _TABLE_ROUNDING
    celsius = np.empty_like(flat)
    for start in range(0, flat.size, _BLOCK):
        piece, found = flat[start : start + _BLOCK], celsius[start : start + _BLOCK]
        least = _least_of(of, piece, of.low_ohms - slack, of.high_ohms + slack, "ohm")
        _solve_quadratic(of, piece, found)
        if least < of.r0_ohms:
            # Picking places out by number is several times as fast as by a mask.
            below = (piece < of.r0_ohms).nonzero()[0]
            found[below] = _cold_celsius(of, piece.take(below))
    return celsius.reshape(r.shape)


def _solve_quadratic(of: PlatinumCurve, ohms: NDArray[float64], celsius: NDArray[float64]) -> None:
    """Solve the equation from 0 degC up for resistances [ohm]; write the temperatures [degC] into `celsius`."""
    import numpy as np

    if of.b < 0.0:
        # (sqrt(a^2 + 4 b rise) - a) / 2b with 1/2b drawn into the root: four passes and no division. In doubles the
        # difference loses 1e-12 degC.
        half = 0.5 / of.b
        np.multiply(ohms, 4.0 * of.b * half * half / of.r0_ohms, out=celsius)
        celsius += (of.a * of.a - 4.0 * of.b) * half * half
        np.sqrt(celsius, out=celsius)
        np.subtract(-of.a * half, celsius, out=celsius)
        return
    # A curve that bends upwards, or not at all: the form of the core, which divides by nothing that may be zero.
    rise = (ohms - of.r0_ohms) / of.r0_ohms
    np.divide(2.0 * rise, of.a + np.sqrt(of.a * of.a + 4.0 * of.b * rise), out=celsius)


def _cold_celsius(of: PlatinumCurve, ohms: NDArray[float64]) -> NDArray[float64]:
    """Return temperatures below 0 degC [degC] at resistances [ohm], of which there is at least one."""
    import numpy as np

    rise = (ohms - of.r0_ohms) / of.r0_ohms
    fitted, close = _cold_fit(of.a, of.b, of.c, of.low_celsius)
    t = rise * fitted[-1]
    for coefficient in fitted[-2:0:-1]:
        t += coefficient
        t *= rise
    t += fitted[0]
    if close:
        return t
    for _ in range(_MOST_STEPS):
        # The equation and its slope, by Horner's rule: t (a + t (b + t c (t - 100))) and a + t (2 b + t c (4 t - 300)).
        step = ((of.c * (t - 100.0) * t + of.b) * t + of.a) * t - rise
        step /= ((4.0 * of.c * t - 300.0 * of.c) * t + 2.0 * of.b) * t + of.a
        t -= step
        if np.abs(step).max() < _SETTLED_CELSIUS:
            break
    return t


@functools.lru_cache(maxsize=64)
def _cold_fit(a: float, b: float, c: float, low_celsius: float) -> tuple[tuple[float, ...], bool]:
    """Return a polynomial in the relative rise that gives 0 degC and below, lowest coefficient first.

    It is fitted at Chebyshev's points, so that its error is spread evenly. The second value tells whether it comes
    near enough by itself.
    """
    import numpy as np

    # A curve that begins at 0 degC still takes a printed table's rounded end value, a little below.
    coldest = min(low_celsius, -1.0)
    knots = 0.5 * coldest * (1.0 + np.cos(np.linspace(0.0, np.pi, _COLD_KNOTS)))
    looked_at = np.linspace(coldest, 0.0, _COLD_LOOKS)

    def rise(t: NDArray[float64]) -> NDArray[float64]:
        return np.asarray(t * (a + b * t) + c * (t - 100.0) * t**3)

    for degree in _COLD_DEGREES:
        fitted = np.polynomial.Polynomial.fit(rise(knots), knots, degree).convert()
        close = bool(np.abs(fitted(rise(looked_at)) - looked_at).max() < _COLD_CELSIUS)
        if close:
            break
    return tuple(fitted.coef.tolist()), close


def _least_of(of: PlatinumCurve, values: NDArray[float64], low: float, high: float, unit: str) -> float:
    """Return the smallest of the values, `high` for none. Raises RangeError where one is outside or no number."""
    if not values.size:
        return high
    lowest = float(values.min())
    # A value that is no number makes both comparisons false.
    if lowest >= low and values.max() <= high:
        return lowest
    first = values[~((values >= low) & (values <= high))][0]
    raise RangeError(
        "ohms-range" if unit == "ohm" else "celsius-range",
        f"{of.name} holds from {low:.2f} to {high:.2f} {unit}; {first:g} is outside.",
    )


def others(of: _Named) -> tuple[PlatinumCurve, ...]:
    """Return the built-in curves that an element could follow instead: same resistance at 0 degC, another slope."""
    candidates: Iterable[PlatinumCurve] = (_core_curve(name) for name in BUILT_IN)
    return tuple(c for c in candidates if c.name != of.name and c.r0_ohms == of.r0_ohms)


__all__ = [
    "BUILT_IN",
    "CurvePoint",
    "PlatinumCurve",
    "celsius_array",
    "curve",
    "ohms_array",
    "others",
    "point_at_celsius",
    "point_at_fahrenheit",
    "point_at_ohms",
]
