"""Curves between the rows of a table.

A monotone piecewise cubic (scipy's PCHIP) runs through the rows. Where the resistance falls, as a thermistor's does,
it is ln R over 1/T, T in kelvin, which is nearly a straight line; where it rises, R over t in degrees C.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy import float64
from numpy.typing import NDArray

from probeledger.errors import InputError
from probeledger.sensors.formulae import HALVINGS, NEWTON_STEPS, SensorCurve

__all__ = ["TableCurve"]

_ZERO_CELSIUS_KELVIN = 273.15


class TableCurve(SensorCurve):
    """A curve through printed rows, its range that of the rows."""

    def __init__(self, name: str, celsius: Sequence[float], ohms: Sequence[float]) -> None:
        """Keep rows of temperature [degC] and resistance [ohm], in any order. Raises InputError."""
        from scipy.interpolate import CubicHermiteSpline, PchipInterpolator

        if len(celsius) != len(ohms) or len(celsius) < 2:
            raise InputError(f"{name}: a table needs at least two rows of a temperature and a resistance.")
        order = np.argsort(celsius, kind="stable")
        t = np.asarray(celsius, dtype=np.float64)[order]
        r = np.asarray(ohms, dtype=np.float64)[order]
        if (np.diff(t) == 0.0).any():
            twice = t[:-1][np.diff(t) == 0.0][0]
            raise InputError(f"{name}: two rows of the table are at {twice:g} degrees C; keep one.")
        super().__init__(name, float(t[0]), float(t[-1]))
        if not (r > 0.0).all():
            raise InputError(f"{name}: a resistance in the table is not above 0 ohm, {r[~(r > 0.0)][0]:g}.")
        falling = bool(r[-1] < r[0])
        steps = np.diff(r) * (-1.0 if falling else 1.0)
        if not (steps > 0.0).all():
            at = int(np.flatnonzero(~(steps > 0.0))[0])
            raise InputError(
                f"{name}: the table must rise or fall throughout; it does not between {t[at]:g} and {t[at + 1]:g} "
                f"degrees C ({r[at]:g} and {r[at + 1]:g} ohm)."
            )
        self.rows = tuple(zip(t.tolist(), r.tolist(), strict=True))
        self._falling = falling
        x, y = self._x(t), np.log(r) if falling else r
        if falling:
            # The interpolator wants x to rise; 1/T falls with t.
            x, y = x[::-1], y[::-1]
        slopes = PchipInterpolator(x, y).derivative()(x)
        # PCHIP lays an end flat where the rows bend strongly; a flat end has no inverse that keeps its digits. A third
        # of the chord keeps the piece monotone (any slope from 0 to three chords does; Fritsch and Carlson, 1980).
        for end, chord in ((0, (y[1] - y[0]) / (x[1] - x[0])), (-1, (y[-1] - y[-2]) / (x[-1] - x[-2]))):
            slopes[end] = max(slopes[end], chord / 3.0)
        self._curve = CubicHermiteSpline(x, y, slopes)
        self._derivative = self._curve.derivative()
        self._finish()

    def _x(self, celsius: NDArray[float64]) -> NDArray[float64]:
        return 1.0 / (celsius + _ZERO_CELSIUS_KELVIN) if self._falling else celsius

    def _forward(self, celsius: NDArray[float64]) -> NDArray[float64]:
        y = self._curve(self._x(celsius))
        return np.asarray(np.exp(y) if self._falling else y)

    def _slope(self, celsius: NDArray[float64]) -> NDArray[float64]:
        x = self._x(celsius)
        slope = self._derivative(x)
        return np.asarray(-np.exp(self._curve(x)) * slope * x * x if self._falling else slope)

    def _backward(self, ohms: NDArray[float64]) -> NDArray[float64]:
        y = np.log(ohms) if self._falling else ohms
        # In the interpolator's own variable y always rises: one search finds the piece, whose cubic then stands alone.
        rows = self._curve(self._curve.x)
        piece = np.clip(np.searchsorted(rows, y) - 1, 0, len(rows) - 2)
        third, second, first, at_row = (coefficients[piece] for coefficients in self._curve.c)
        low = np.zeros_like(y)
        high = np.diff(self._curve.x)[piece]
        # Halving comes close; Newton's steps then end it, never leaving the bracket.
        for _ in range(HALVINGS):
            x = 0.5 * (low + high)
            above = ((third * x + second) * x + first) * x + at_row > y
            high, low = np.where(above, x, high), np.where(above, low, x)
        x = 0.5 * (low + high)
        for _ in range(NEWTON_STEPS):
            over = ((third * x + second) * x + first) * x + at_row - y
            x = np.clip(x - over / ((3.0 * third * x + 2.0 * second) * x + first), low, high)
        x += self._curve.x[piece]
        return np.asarray(1.0 / x - _ZERO_CELSIUS_KELVIN if self._falling else x)
