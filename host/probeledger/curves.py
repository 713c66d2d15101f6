"""Sensor curves on the host: by name, with a helpful error, and over whole arrays.

The coefficients and the scalar conversion are the core's (probecore.curves), which the tester runs too. Over arrays,
the inverse is the same closed form from 0 degC up; below, a polynomial fitted to the curve comes close and one of
Newton's steps does the rest. Arrays are worked through in blocks that stay in the processor's cache: numpy's passes
over them are then several times as fast as over a whole large array.
"""

from __future__ import annotations

import difflib
import functools
import math
from collections.abc import Iterable
from dataclasses import dataclass
from typing import TYPE_CHECKING

from probecore.curves import BUILT_IN, PlatinumCurve
from probecore.curves import curve as _core_curve
from probecore.errors import MisuseError, RangeError
from probeledger.units import celsius as celsius_of_fahrenheit
from probeledger.units import fahrenheit as fahrenheit_of_celsius

if TYPE_CHECKING:
    # Imported where arrays are converted: it takes longer than all the rest of a command that converts one value.
    from numpy import float64
    from numpy.typing import ArrayLike, NDArray

# A polynomial of this degree is within 1e-4 degC of each built-in curve between -200 and 0 degC; Newton's step squares
# that (times 1e-4 per degC, half the curve's second derivative over its first), which ends below a double's rounding.
_COLD_DEGREE = 5
_COLD_KNOTS = 201

# Two arrays of so many doubles take 256 kB, which fits into the second-level cache of any present processor.
_BLOCK = 16384

# Half of the last digit of a table printed to 0.01 ohm on 100 ohm, relative to the resistance at 0 degC: a printed end
# value is accepted although the exact range ends before it.
_TABLE_ROUNDING = 5e-5


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
    lowest = _least_of(of, flat, of.low_celsius, of.high_celsius, "degrees C")
    ohms = np.empty_like(flat)
    for start in range(0, flat.size, _BLOCK):
        piece = flat[start : start + _BLOCK]
        rise = ohms[start : start + _BLOCK]
        np.multiply(piece, of.b, out=rise)
        rise += of.a
        rise *= piece
        rise *= of.r0_ohms
        rise += of.r0_ohms
    if lowest < 0.0:
        below = np.flatnonzero(flat < 0.0)
        cold = flat[below]
        ohms[below] += of.r0_ohms * of.c * (cold - 100.0) * (cold * cold * cold)
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
    lowest = _least_of(of, flat, of.low_ohms - slack, of.high_ohms + slack, "ohm")
    celsius = np.empty_like(flat)
    for start in range(0, flat.size, _BLOCK):
        _solve_quadratic(of, flat[start : start + _BLOCK], celsius[start : start + _BLOCK])
    if lowest < of.r0_ohms:
        below = np.flatnonzero(flat < of.r0_ohms)
        for start in range(0, below.size, _BLOCK):
            cold = below[start : start + _BLOCK]
            celsius[cold] = _cold_celsius(of, flat[cold])
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
    """Return temperatures below 0 degC [degC] at resistances [ohm]."""
    rise = ohms - of.r0_ohms
    rise *= 1.0 / of.r0_ohms
    start = _cold_start(of.a, of.b, of.c, of.low_celsius)
    t = rise * start[-1]
    for coefficient in start[-2:0:-1]:
        t += coefficient
        t *= rise
    t += start[0]
    # The equation and its slope, by Horner's rule: t (a + t (b + t c (t - 100))) and a + t (2 b + t c (4 t - 300)).
    error = t - 100.0
    error *= of.c
    error *= t
    error += of.b
    error *= t
    error += of.a
    error *= t
    error -= rise
    slope = t * (4.0 * of.c)
    slope -= 300.0 * of.c
    slope *= t
    slope += 2.0 * of.b
    slope *= t
    slope += of.a
    error /= slope
    t -= error
    return t


@functools.lru_cache(maxsize=64)
def _cold_start(a: float, b: float, c: float, low_celsius: float) -> tuple[float, ...]:
    """Return the coefficients, lowest first, of a polynomial in the relative rise that comes near to 0 degC and below.

    It is fitted at Chebyshev's points, so that its error is spread evenly.
    """
    import numpy as np

    # A curve that begins at 0 degC still takes a printed table's rounded end value, a little below.
    t = 0.5 * min(low_celsius, -1.0) * (1.0 + np.cos(np.linspace(0.0, np.pi, _COLD_KNOTS)))
    rise = t * (a + b * t) + c * (t - 100.0) * t**3
    fitted = np.polynomial.Polynomial.fit(rise, t, _COLD_DEGREE).convert()
    return tuple(fitted.coef.tolist())


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


def others(of: PlatinumCurve) -> tuple[PlatinumCurve, ...]:
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
