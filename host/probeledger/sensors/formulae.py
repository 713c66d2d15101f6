"""Sensor curves by formula: thermistors by Beta and by Steinhart-Hart, and a polynomial.

Each has what a platinum curve has (`name`, `low_celsius`, `high_celsius`, `ohms`, `celsius`, `ohms_per_celsius`), and
the same over arrays. Nothing is extrapolated: outside its range a curve raises an error with the range in it.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from numpy import float64
from numpy.typing import ArrayLike, NDArray

from probecore.errors import RangeError
from probeledger.errors import InputError

__all__ = ["BetaCurve", "PolynomialCurve", "SensorCurve", "SteinhartHartCurve"]

# ITS-90: 0 degC is 273.15 K by definition.
_ZERO_CELSIUS_KELVIN = 273.15

# Half a digit in the fourth place, as thermistor tables are printed: a rounded end value may lie that far outside the
# exact range. On a thermistor that is about a hundredth of a degree.
_TABLE_ROUNDING = 5e-4

# Where a curve is looked at for turning points before it is accepted.
_MONOTONIC_KNOTS = 2001

# A resistance must lead back to its temperature this closely, or the curve is refused.
_ROUND_TRIP_CELSIUS = 1e-9

# Halvings between two knots or rows before Newton's steps, which they keep from going astray where a curve is flat.
HALVINGS = 10
NEWTON_STEPS = 5
# Where a curve without 0 degC tells its resistance.
_ROOM_CELSIUS = 25.0


class SensorCurve:
    """What every curve here shares: its range, its checks, and single values by way of arrays.

    `low_ohms`, `high_ohms` are the resistances [ohm] at the range's ends, `r0_ohms` that at `r0_celsius`, which is
    0 degC where the range has it.
    """

    def __init__(self, name: str, low_celsius: float, high_celsius: float) -> None:
        """Keep name and range [degC]. Raises InputError for a range that is none."""
        if not (-_ZERO_CELSIUS_KELVIN < low_celsius < high_celsius < math.inf):
            raise InputError(
                f"{name}: the range must rise from above -273.15 degrees C; it is {low_celsius:g} to {high_celsius:g}."
            )
        self.name = name
        self.low_celsius = float(low_celsius)
        self.high_celsius = float(high_celsius)

    def _forward(self, celsius: NDArray[float64]) -> NDArray[float64]:
        raise NotImplementedError

    def _backward(self, ohms: NDArray[float64]) -> NDArray[float64]:
        raise NotImplementedError

    def _slope(self, celsius: NDArray[float64]) -> NDArray[float64]:
        raise NotImplementedError

    def _finish(self, also_celsius: Sequence[float] = ()) -> None:
        """Compute the ends and check that the curve rises or falls throughout, also at these. Raises InputError."""
        t = np.linspace(self.low_celsius, self.high_celsius, _MONOTONIC_KNOTS)
        t = np.sort(np.append(t, [x for x in also_celsius if self.low_celsius < x < self.high_celsius]))
        with np.errstate(all="ignore"):
            ohms = self._forward(t)
            slope = self._slope(t)
        if not np.isfinite(ohms).all() or ohms.min() <= 0.0:
            bad = t[~(np.isfinite(ohms) & (ohms > 0.0))][0]
            raise InputError(
                f"{self.name}: the resistance is not above 0 ohm, or beyond any number, at {bad:.4g} "
                "degrees C; check the numbers or the range."
            )
        wrong = ~(slope > 0.0) if ohms[-1] > ohms[0] else ~(slope < 0.0)
        if wrong.any():
            raise InputError(
                f"{self.name}: the resistance turns round near {t[wrong][0]:.4g} degrees C; a curve must rise or fall "
                "over its whole range, so check the numbers or narrow the range."
            )
        self._knots = (t, ohms) if ohms[-1] > ohms[0] else (t[::-1], ohms[::-1])
        self.low_end_ohms, self.high_end_ohms = float(ohms[0]), float(ohms[-1])
        self.least_ohms, self.most_ohms = sorted((self.low_end_ohms, self.high_end_ohms))
        # What a verdict asks of a curve, as of the core's.
        self.low_ohms, self.high_ohms = self.low_end_ohms, self.high_end_ohms
        has_zero = self.low_celsius <= 0.0 <= self.high_celsius
        self.r0_celsius = 0.0 if has_zero else min(max(_ROOM_CELSIUS, self.low_celsius), self.high_celsius)
        self.r0_ohms = float(self._forward(np.array([self.r0_celsius]))[0])
        lost = np.abs(self.celsius_array(ohms) - t)
        if not lost.max() < _ROUND_TRIP_CELSIUS:
            raise InputError(
                f"{self.name}: the curve is too flat near {t[lost.argmax()]:.4g} degrees C to give a temperature; "
                "check the numbers or narrow the range."
            )

    def ohms(self, celsius: float) -> float:
        """Return the resistance [ohm] at a temperature [degC]. Raises RangeError outside the curve's range."""
        return float(self.ohms_array(celsius))

    def celsius(self, ohms: float) -> float:
        """Return the temperature [degC] at a resistance [ohm]. Raises RangeError outside the curve's range."""
        return float(self.celsius_array(ohms))

    def ohms_per_celsius(self, celsius: float) -> float:
        """Return the slope [ohm/degC] at a temperature [degC]. Raises RangeError outside the curve's range."""
        return float(self._slope(self._within(celsius)))

    def ohms_array(self, celsius: ArrayLike) -> NDArray[float64]:
        """Return resistances [ohm] at temperatures [degC], the same shape. Raises RangeError for any outside."""
        return self._forward(self._within(celsius))

    def _within(self, celsius: ArrayLike) -> NDArray[float64]:
        """Return temperatures [degC] as an array. Raises RangeError for any outside, and for what is no number."""
        t = np.asarray(celsius, dtype=np.float64)
        outside = ~((t >= self.low_celsius) & (t <= self.high_celsius))
        if outside.any():
            raise RangeError(
                "celsius-range",
                f"{self.name} holds from {self.low_celsius:g} to {self.high_celsius:g} degrees C; "
                f"{t[outside].flat[0]:g} is outside.",
            )
        return t

    def celsius_array(self, ohms: ArrayLike) -> NDArray[float64]:
        """Return temperatures [degC] at resistances [ohm], the same shape. Raises RangeError for any outside."""
        r = np.asarray(ohms, dtype=np.float64)
        low, high = self.least_ohms * (1.0 - _TABLE_ROUNDING), self.most_ohms * (1.0 + _TABLE_ROUNDING)
        outside = ~((r >= low) & (r <= high))
        if outside.any():
            raise RangeError(
                "ohms-range",
                f"{self.name} holds from {self.least_ohms:.6g} to {self.most_ohms:.6g} ohm "
                f"({self.low_celsius:g} to {self.high_celsius:g} degrees C); {r[outside].flat[0]:g} ohm is outside.",
            )
        # A rounded end value stands for the end itself: nothing is computed outside the range.
        t = self._backward(np.clip(r, self.least_ohms, self.most_ohms))
        return np.clip(t, self.low_celsius, self.high_celsius)


class BetaCurve(SensorCurve):
    """A thermistor by two numbers: R = R_ref exp(B (1/T - 1/T_ref)), T in kelvin."""

    def __init__(
        self,
        name: str,
        reference_ohms: float,
        beta_kelvin: float,
        low_celsius: float,
        high_celsius: float,
        reference_celsius: float = 25.0,
    ) -> None:
        """Keep resistance [ohm] at a reference temperature [degC], Beta [K] and range [degC]. Raises InputError."""
        super().__init__(name, low_celsius, high_celsius)
        self.reference_ohms, self.beta_kelvin = reference_ohms, beta_kelvin
        self.reference_celsius = reference_celsius
        self._inverse_reference = 1.0 / (reference_celsius + _ZERO_CELSIUS_KELVIN)
        self._finish()

    def _forward(self, celsius: NDArray[float64]) -> NDArray[float64]:
        inverse = 1.0 / (celsius + _ZERO_CELSIUS_KELVIN)
        return self.reference_ohms * np.exp(self.beta_kelvin * (inverse - self._inverse_reference))

    def _backward(self, ohms: NDArray[float64]) -> NDArray[float64]:
        inverse = self._inverse_reference + np.log(ohms / self.reference_ohms) / self.beta_kelvin
        return 1.0 / inverse - _ZERO_CELSIUS_KELVIN

    def _slope(self, celsius: NDArray[float64]) -> NDArray[float64]:
        return -self.beta_kelvin * self._forward(celsius) / (celsius + _ZERO_CELSIUS_KELVIN) ** 2


class SteinhartHartCurve(SensorCurve):
    """A thermistor by three: 1/T = A + B ln R + C (ln R)^3, T in kelvin (Steinhart and Hart, 1968)."""

    def __init__(self, name: str, a: float, b: float, c: float, low_celsius: float, high_celsius: float) -> None:
        """Keep A, B, C [1/K, R in ohm] and range [degC]. Raises InputError."""
        super().__init__(name, low_celsius, high_celsius)
        if not b > 0.0 or not c >= 0.0:
            raise InputError(f"{name}: b must be above 0 and c at least 0; they are {b:g} and {c:g}.")
        self.a, self.b, self.c = a, b, c
        self._finish()

    def _log_ohms(self, celsius: NDArray[float64]) -> NDArray[float64]:
        rest = self.a - 1.0 / (celsius + _ZERO_CELSIUS_KELVIN)
        if self.c == 0.0:
            return -rest / self.b
        # c x^3 + b x + rest = 0 has one real root for b, c > 0; with the hyperbolic sine it loses no digits.
        p = self.b / self.c
        argument = -rest / (2.0 * self.c) * (3.0 / p) ** 1.5
        x = 2.0 * math.sqrt(p / 3.0) * np.sinh(np.arcsinh(argument) / 3.0)
        x -= (rest + x * (self.b + self.c * x * x)) / (self.b + 3.0 * self.c * x * x)
        return np.asarray(x)

    def _forward(self, celsius: NDArray[float64]) -> NDArray[float64]:
        return np.exp(self._log_ohms(celsius))

    def _backward(self, ohms: NDArray[float64]) -> NDArray[float64]:
        x = np.log(ohms)
        return 1.0 / (self.a + x * (self.b + self.c * x * x)) - _ZERO_CELSIUS_KELVIN

    def _slope(self, celsius: NDArray[float64]) -> NDArray[float64]:
        x = self._log_ohms(celsius)
        kelvin = celsius + _ZERO_CELSIUS_KELVIN
        return -np.exp(x) / (kelvin * kelvin * (self.b + 3.0 * self.c * x * x))


class PolynomialCurve(SensorCurve):
    """Resistance [ohm] in powers of (t - t0): R = k0 + k1 (t - t0) + k2 (t - t0)^2 + ..."""

    def __init__(
        self,
        name: str,
        coefficients: Sequence[float],
        low_celsius: float,
        high_celsius: float,
        reference_celsius: float = 0.0,
    ) -> None:
        """Keep the coefficients [ohm/degC^n], lowest first, t0 [degC] and range [degC]. Raises InputError."""
        super().__init__(name, low_celsius, high_celsius)
        self.reference_celsius = reference_celsius
        self.coefficients = tuple(float(each) for each in coefficients)
        self._polynomial = np.polynomial.Polynomial(self.coefficients)
        self._derivative = self._polynomial.deriv()
        # The slope is least or greatest where its own derivative is zero: a turn between two knots shows there.
        self._finish(self._slope_extremes_celsius())

    def _slope_extremes_celsius(self) -> list[float]:
        bend = self._derivative.deriv().trim()
        try:
            roots = bend.roots() if bend.degree() > 0 else np.empty(0)
        except (np.linalg.LinAlgError, ArithmeticError):
            # Coefficients too far apart in size; the knots refuse what they do to the resistance.
            return []
        return [float(each.real) + self.reference_celsius for each in roots]

    def _forward(self, celsius: NDArray[float64]) -> NDArray[float64]:
        return np.asarray(self._polynomial(celsius - self.reference_celsius))

    def _slope(self, celsius: NDArray[float64]) -> NDArray[float64]:
        return np.asarray(self._derivative(celsius - self.reference_celsius))

    def _backward(self, ohms: NDArray[float64]) -> NDArray[float64]:
        # Knots in the order of rising resistance, so that one search finds the two that a resistance lies between.
        t, knots = self._knots
        above = np.clip(np.searchsorted(knots, ohms), 1, len(knots) - 1)
        low, high = np.minimum(t[above - 1], t[above]), np.maximum(t[above - 1], t[above])
        rising = self.high_end_ohms > self.low_end_ohms
        for _ in range(HALVINGS):
            t = 0.5 * (low + high)
            over = (self._forward(t) > ohms) == rising
            high, low = np.where(over, t, high), np.where(over, low, t)
        t = 0.5 * (low + high)
        for _ in range(NEWTON_STEPS):
            t = np.clip(t - (self._forward(t) - ohms) / self._slope(t), low, high)
        return t
