"""Sensor curves on the host: by name, with a helpful error, and over whole arrays.

The coefficients and the scalar conversion are the core's (probecore.curves), which the tester runs too. Over arrays,
the inverse is the same closed form from 0 degC up, and Newton's method in a fixed number of steps below.
"""

import difflib
import math
from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from probecore.curves import BUILT_IN, PlatinumCurve
from probecore.curves import curve as _core_curve
from probecore.errors import MisuseError, RangeError
from probeledger.units import celsius as celsius_of_fahrenheit
from probeledger.units import fahrenheit as fahrenheit_of_celsius

# The quadratic alone is 2.5 degrees off at -200 degC; each of Newton's steps squares the rest, and four end below
# the rounding of a double.
_NEWTON_STEPS = 4

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


def ohms_array(of: PlatinumCurve, celsius: ArrayLike) -> NDArray[np.float64]:
    """Convert temperatures to resistances.

    Args:
        of: the curve.
        celsius: temperatures [degC], any shape.

    Returns:
        Resistances [ohm], the same shape.

    Raises:
        RangeError: a value is outside the curve's range or no number; the message has the range and the first such.
    """
    t = np.asarray(celsius, dtype=np.float64)
    _refuse(of, t, of.low_celsius, of.high_celsius, "degrees C")
    ohms = np.asarray(of.r0_ohms + of.r0_ohms * t * (of.a + of.b * t))
    below = t < 0.0
    if below.any():
        cold = t[below]
        ohms[below] += of.r0_ohms * of.c * (cold - 100.0) * cold**3
    return ohms


def celsius_array(of: PlatinumCurve, ohms: ArrayLike) -> NDArray[np.float64]:
    """Convert resistances to temperatures.

    Args:
        of: the curve.
        ohms: resistances [ohm], any shape.

    Returns:
        Temperatures [degC], the same shape, within 1e-9 degC of the equation's root.

    Raises:
        RangeError: a value is outside the curve's range or no number; the message has the range and the first such.
    """
    r = np.asarray(ohms, dtype=np.float64)
    slack = of.r0_ohms * _TABLE_ROUNDING
    _refuse(of, r, of.low_ohms - slack, of.high_ohms + slack, "ohm")
    rise = (r - of.r0_ohms) / of.r0_ohms
    t = np.asarray(2.0 * rise / (of.a + np.sqrt(of.a * of.a + 4.0 * of.b * rise)))
    below = rise < 0.0
    if below.any():
        cold = t[below]
        goal = rise[below]
        for _ in range(_NEWTON_STEPS):
            error = cold * (of.a + of.b * cold) + of.c * (cold - 100.0) * cold**3 - goal
            cold = cold - error / (of.a + 2.0 * of.b * cold + of.c * (4.0 * cold - 300.0) * cold**2)
        t[below] = cold
    return t


def _refuse(of: PlatinumCurve, values: NDArray[np.float64], low: float, high: float, unit: str) -> None:
    inside = (values >= low) & (values <= high)
    if inside.all():
        return
    first = values[~inside].flat[0] if values.ndim else values[()]
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
