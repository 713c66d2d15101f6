"""Fitting a curve's ladder: as few knots as keep a tester's temperature within two millikelvin of the curve.

The tester's form is probecore.ladder. Knots are laid from one end to the other, each as far from the one before as the
error allows. Each knot's x is a single float to begin with, and temperature and slope are those of the curve there: a
knot's own rounding then costs nothing but the temperature's last digit.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from numpy import float64
from numpy.typing import NDArray

from probecore.ladder import MOST_KNOTS
from probeledger.errors import InputError
from probeledger.text import clean

if TYPE_CHECKING:
    from probeledger.sensors.formulae import SensorCurve

__all__ = ["MOST_ERROR_CELSIUS", "falls", "fit"]

# Asked of the ladder in double precision; single precision adds its own rounding.
MOST_ERROR_CELSIUS = 0.002
# What is left is for the places between those that are looked at.
_ALLOWED_CELSIUS = 0.8 * MOST_ERROR_CELSIUS
_PLACES = 4000
_BETWEEN = 8
# Inside the limits of probecore.ladder, for the rounding of a knot's numbers.
_FLATTEST, _STEEPEST = 0.02, 2.9


def falls(of: SensorCurve) -> bool:
    """Tell whether a curve's resistance falls with the temperature."""
    return of.high_end_ohms < of.low_end_ohms


def fit(of: SensorCurve) -> bytes:
    """Return the knots of a curve's ladder as probecore.ladder.LadderCurve takes them.

    Args:
        of: a curve of a file.

    Returns:
        All x, then all temperatures [degC], then all slopes, as single floats, low byte first.

    Raises:
        InputError: the curve bends too often for as many knots as a tester takes; says what to do.
    """
    x, celsius, slopes = _candidates(of)
    at = [0]
    while at[-1] < len(x) - 1:
        following = _farthest(of, x, celsius, slopes, at[-1])
        if following is None:
            raise InputError(
                f"The curve {clean(of.name, 40)} is too crooked near {celsius[at[-1]]:.4g} degrees C to be carried to "
                "a tester; check its rows there."
            )
        at.append(following)
        if len(at) > MOST_KNOTS:
            raise InputError(
                f"The curve {clean(of.name, 40)} bends so often that it needs more than the {MOST_KNOTS} knots that a "
                "tester takes; narrow its range, or leave out rows that scatter."
            )
    return b"".join(np.asarray(part[at], dtype="<f4").tobytes() for part in (x, celsius, slopes))


def _candidates(of: SensorCurve) -> tuple[NDArray[float64], NDArray[float64], NDArray[float64]]:
    """Return where knots may stand: x, rising and each a single float, the temperatures [degC] and slopes there."""
    t = np.linspace(of.low_celsius, of.high_celsius, _PLACES + 1)
    rows = getattr(of, "rows", ())
    t = np.union1d(t, [celsius for celsius, _ in rows])
    ohms = of.ohms_array(t)
    x = np.unique(_x(of, ohms).astype(np.float32)).astype(np.float64)
    celsius = of.celsius_array(_ohms(of, x))
    per_celsius = np.array([of.ohms_per_celsius(each) for each in celsius])
    slopes = (_ohms(of, x) if falls(of) else 1.0) / per_celsius
    # An end's x as a single float lies a little beside it; the temperature of the end itself stays the range's.
    ends = (of.low_celsius, of.high_celsius)
    celsius[0], celsius[-1] = reversed(ends) if falls(of) else ends
    return x, celsius, slopes


def _x(of: SensorCurve, ohms: NDArray[float64]) -> NDArray[float64]:
    return np.log(ohms) if falls(of) else ohms


def _ohms(of: SensorCurve, x: NDArray[float64]) -> NDArray[float64]:
    return np.asarray(np.exp(x) if falls(of) else x)


def _farthest(
    of: SensorCurve, x: NDArray[float64], celsius: NDArray[float64], slopes: NDArray[float64], start: int
) -> int | None:
    """Return the farthest candidate to which one cubic from `start` is close enough, None where none is."""
    last = len(x) - 1
    good, step = start, 1
    while good < last and _fits(of, x, celsius, slopes, start, min(good + step, last)):
        good = min(good + step, last)
        step *= 2
    bad = min(good + step, last + 1)
    while bad - good > 1:
        middle = (good + bad) // 2
        if _fits(of, x, celsius, slopes, start, middle):
            good = middle
        else:
            bad = middle
    return good if good > start else None


def _fits(
    of: SensorCurve,
    x: NDArray[float64],
    celsius: NDArray[float64],
    slopes: NDArray[float64],
    start: int,
    end: int,
) -> bool:
    width, rise = x[end] - x[start], celsius[end] - celsius[start]
    if rise == 0.0 or not all(_FLATTEST < slopes[each] * width / rise <= _STEEPEST for each in (start, end)):
        return False
    # All candidates between, and places between those where there are few.
    if end - start >= _BETWEEN:
        seen, wanted = x[start : end + 1], celsius[start : end + 1]
    else:
        seen = np.linspace(x[start], x[end], _BETWEEN + 1)
        wanted = of.celsius_array(_ohms(of, seen))
    s = (seen - x[start]) / width
    first, second = width * slopes[start], width * slopes[end]
    found = celsius[start] + s * (first + s * (3.0 * rise - 2.0 * first - second + s * (first + second - 2.0 * rise)))
    return bool(np.abs(found - wanted).max() <= _ALLOWED_CELSIUS)
