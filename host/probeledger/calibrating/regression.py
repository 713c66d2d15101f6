"""Polynomials through points with uncertainty on both axes and correlations, as in ISO/TS 28037:2010.

The model is y = b0 + b1 x (+ b2 x^2 ...). Found are the coefficients b and the true abscissas for which

    (x - true x, y - f(true x))  V^-1  (x - true x, y - f(true x))'

is least, V being the joint covariance matrix of all x and y: the generalised Gauss-Markov regression of clause 10,
with weighted least squares (6), both axes (7) and correlated ordinates (9) as its special cases. V is never
inverted: the conditions are solved (Gauss-Helmert), so that a coordinate may also be exact.

Which estimator the parameters' covariance matrix comes from: (A' M^-1 A)^-1, where A is the Jacobian to the
coefficients at the *adjusted* points and M the covariance matrix of y - f(x) there, from the stated uncertainties
alone. It is that of ISO/TS 28037 and of York et al., Am. J. Phys. 72 (2004) 367. Other published values of the same
data differ: taken at the observed points it is 0.7 % larger for the Pearson-York data, Kalantar's exact variance
(Meas. Sci. Technol. 3 (1992) 1113) is 1 % smaller, and least-squares programs often multiply by the residual variance
chi2/(m - n), here `scaled_covariance`; that one is right where the size of the uncertainties is not known, only their
ratios (GUM H.3, NIST StRD).
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

__all__ = ["NoFitError", "Polynomial", "fit_polynomial"]

_MOST_ROUNDS = 200
# Adjusted points and coefficients stand still to this share of their own scale.
_CONVERGED = 1e-12


class NoFitError(ValueError):
    """Say in one sentence why these points have no fit."""


@dataclass(frozen=True)
class Polynomial:
    """A fitted polynomial.

    coefficients: lowest order first, n; covariance: n by n, from the stated uncertainties; chi2: least sum of squares;
    degrees_of_freedom: points minus coefficients; adjusted_x: estimates of the true abscissas, m; residuals: y minus
    the polynomial at the observed x, to first order about the adjusted points, m; residuals_covariance: matrix M of
    these residuals before the fit, m by m; all in the units of x and y.
    """

    coefficients: np.ndarray
    covariance: np.ndarray
    chi2: float
    degrees_of_freedom: int
    adjusted_x: np.ndarray
    residuals: np.ndarray
    residuals_covariance: np.ndarray
    design: np.ndarray

    @property
    def scaled_covariance(self) -> np.ndarray:
        """Return the covariance with the size of all uncertainties taken from the residuals; NaN without freedom."""
        if self.degrees_of_freedom == 0:
            return np.full_like(self.covariance, math.nan)
        return self.covariance * (self.chi2 / self.degrees_of_freedom)

    @property
    def probability(self) -> float:
        """Return the probability of a chi-squared at least as large, if model and uncertainties are right."""
        from scipy import special

        if self.degrees_of_freedom == 0:
            return 1.0
        return float(special.chdtrc(self.degrees_of_freedom, self.chi2))

    def __call__(self, x: float) -> float:
        """Return the polynomial at x."""
        return float(np.polynomial.polynomial.polyval(x, self.coefficients))

    def slope(self, x: float) -> float:
        """Return the derivative at x."""
        return float(_slopes(self.coefficients, np.array([x]))[0])

    def standard_uncertainty(self, x: float, u_x: float = 0.0) -> float:
        """Return the standard uncertainty of the polynomial at x.

        Args:
            x: a further abscissa, independent of the points fitted.
            u_x: its standard uncertainty.

        Returns:
            Standard uncertainty in the unit of y.
        """
        powers = x ** np.arange(len(self.coefficients))
        return math.sqrt(max(0.0, float(powers @ self.covariance @ powers)) + (self.slope(x) * u_x) ** 2)

    def deviations(self) -> np.ndarray:
        """Return for each point how far it lies off, in its own standard deviations; signed, m.

        This is the test quantity for a single wrong ordinate among correlated ones (Baarda's w, Pope 1976): standard
        normal if nothing is wrong, and largest at the wrong one. Zero where the other points cannot check it.
        """
        inverse = np.linalg.inv(self.residuals_covariance)
        reduced = inverse @ self.residuals
        own = inverse - inverse @ self.design @ self.covariance @ self.design.T @ inverse
        variance = np.diag(own)
        checked = variance > 1e-9 * np.diag(inverse)
        return np.where(checked, reduced / np.sqrt(np.where(checked, variance, 1.0)), 0.0)


def fit_polynomial(
    x: Sequence[float] | np.ndarray,
    y: Sequence[float] | np.ndarray,
    covariance_x: np.ndarray,
    covariance_y: np.ndarray,
    degree: int = 1,
    covariance_xy: np.ndarray | None = None,
) -> Polynomial:
    """Fit a polynomial to points with uncertainty on both axes.

    Args:
        x: observed abscissas, shape (m,).
        y: observed ordinates, shape (m,).
        covariance_x: of x, shape (m, m); zero where x is exact.
        covariance_y: of y, shape (m, m); zero where y is exact.
        degree: of the polynomial [1].
        covariance_xy: of x with y, shape (m, m), rows for x; None for none.

    Returns:
        The fit, in the units given.

    Raises:
        NoFitError: too few points, all at too few abscissas, a point without any uncertainty, or no convergence.
    """
    x, y = np.asarray(x, dtype=float), np.asarray(y, dtype=float)
    number = degree + 1
    if len(x) < number or len(np.unique(x)) < number:
        raise NoFitError(f"A polynomial of degree {degree} needs {number} points with different abscissas.")
    # Scaled, so that the powers of x have one size and no digits are lost.
    x_scale = float(np.max(np.abs(x))) or 1.0
    y_scale = float(np.max(np.abs(y))) or 1.0
    joint = np.zeros_like(covariance_x) if covariance_xy is None else covariance_xy
    v_x, v_y, v_xy = covariance_x / x_scale**2, covariance_y / y_scale**2, joint / (x_scale * y_scale)
    x_unit, y_unit = x / x_scale, y / y_scale

    adjusted = x_unit.copy()
    # The plain fit is near enough to start from: what is fitted here is nearly straight.
    b = np.linalg.lstsq(np.vander(x_unit, number, increasing=True), y_unit, rcond=None)[0]
    for _ in range(_MOST_ROUNDS):
        slopes = _slopes(b, adjusted)
        m = v_y + slopes[:, None] * v_x * slopes[None, :] - slopes[:, None] * v_xy - (slopes[:, None] * v_xy).T
        design = np.vander(adjusted, number, increasing=True)
        target = y_unit - slopes * (x_unit - adjusted)
        lower = _cholesky(m)
        # numpy's solver: for a handful of points, faster than a triangular one that wakes several threads
        whitened = np.linalg.solve(lower, np.column_stack([design, target]))
        white, white_target = whitened[:, :-1], whitened[:, -1]
        q, r = np.linalg.qr(white)
        before, b = b, np.linalg.solve(r, q.T @ white_target)
        residuals = target - design @ b
        # y - f(x) is off by e - slope d: the share of it that belongs to x.
        errors_x = (v_xy - v_x * slopes[None, :]) @ np.linalg.solve(lower.T, white_target - white @ b)
        moved = x_unit - errors_x
        still = np.max(np.abs(moved - adjusted)) <= _CONVERGED and np.max(np.abs(b - before)) <= _CONVERGED * max(
            1.0, float(np.max(np.abs(b)))
        )
        adjusted = moved
        if still:
            break
    else:
        raise NoFitError("The fit does not settle; the uncertainties of the abscissas are too large for these points.")
    scales = y_scale / x_scale ** np.arange(number)
    r_inverse = np.linalg.inv(r)
    chi2 = float(np.sum((white_target - white @ b) ** 2))
    return Polynomial(
        b * scales,
        (r_inverse @ r_inverse.T) * np.outer(scales, scales),
        chi2,
        len(x) - number,
        adjusted * x_scale,
        residuals * y_scale,
        m * y_scale**2,
        design * x_scale ** np.arange(number),
    )


def _slopes(coefficients: np.ndarray, x: np.ndarray) -> np.ndarray:
    """Return the derivative of a polynomial at each x."""
    orders = np.arange(1, len(coefficients))
    return np.polynomial.polynomial.polyval(x, orders * coefficients[1:]) * np.ones_like(x)


def _cholesky(matrix: np.ndarray) -> np.ndarray:
    try:
        return np.linalg.cholesky(matrix)
    except np.linalg.LinAlgError:
        raise NoFitError(
            "Every point needs an uncertainty of its own, in the abscissa or the ordinate; at least one has none."
        ) from None
