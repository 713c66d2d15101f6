"""Fit an element's own curve to points, with uncertainty in resistance and in temperature.

The estimator is least squares with effective variance: each point's residual is weighted by the variance that both of
its uncertainties give it, u^2 = u_y^2 + (dy/dx u_x)^2, with the slope of the fit before, until nothing moves. Every
model is linear in its parameters once written as below, so each round is a linear problem, solved by the singular value
decomposition of the design with columns of equal length.

    r0, r0-a, r0-a-b   R = R0 (1 + A t + B t^2 + C (t - 100) t^3 below 0 degC)   in R0, R0 A, R0 B
    steinhart-hart     1/T = a + b ln R + c (ln R)^3                            in a, b, c

Sources: J. Orear, "Least squares when both variables have uncertainties", Am. J. Phys. 50 (1982) 912, from memory;
IEC 60751:2022, clause 5; J. S. Steinhart and S. R. Hart, Deep-Sea Research 15 (1968) 497, from memory.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.stats import chi2

from probecore.curves import PlatinumCurve
from probeledger.errors import InputError
from probeledger.judging.effect import Point

MODELS = ("r0", "r0-a", "r0-a-b", "steinhart-hart")
ESTIMATOR = "least squares with effective variance, iterated"
KELVIN = 273.15

_NAMES = {
    "r0": ("r0_ohms",),
    "r0-a": ("r0_ohms", "a_per_celsius"),
    "r0-a-b": ("r0_ohms", "a_per_celsius", "b_per_celsius2"),
    "steinhart-hart": ("a_per_kelvin", "b_per_kelvin", "c_per_kelvin"),
}
# Narrower than this a fit bends with the noise of its points. Common practice, no source.
_LEAST_SPAN_CELSIUS = {"r0": 0.0, "r0-a": 50.0, "r0-a-b": 120.0, "steinhart-hart": 40.0}
_ADD = {
    "r0": "the ice point",
    "r0-a": "the ice point and one above 150 °C",
    "r0-a-b": "the ice point, boiling water and one above 175 °C",
    "steinhart-hart": "the ice point, one near 50 °C and boiling water",
}
_WORST_CONDITION = 1e6
# Known platinum curves differ by 4 % in A; a fit that leaves a tenth of A open says nothing about it.
_MOST_U_A_RATIO = 0.1
_ROUNDS = 100
_SETTLED = 1e-12
_POOR_PROBABILITY = 0.05
# Two readings nearer than this count as one temperature.
_SAME_CELSIUS = 0.5

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Fit:
    """A fitted curve.

    `parameters` and their standard uncertainties `u_parameters` in the units that `names` end with; `covariance` in
    products of these; `residuals_ohms` reading minus fit; `degrees_of_freedom`; `probability` of so large a
    `chi_square` or a larger one, None where no freedom is left and nothing is checked.
    """

    model: str
    base: str | None
    names: tuple[str, ...]
    parameters: tuple[float, ...]
    u_parameters: tuple[float, ...]
    covariance: tuple[tuple[float, ...], ...]
    residuals_ohms: tuple[float, ...]
    deviations: tuple[float, ...]
    chi_square: float
    degrees_of_freedom: int
    probability: float | None
    low_celsius: float
    high_celsius: float
    rounds: int
    estimator: str
    remarks: tuple[str, ...]


def fit(model: str, points: Sequence[Point], base: PlatinumCurve) -> Fit:
    """Fit a model to points.

    Args:
        model: one of MODELS.
        points: each with its uncertainties [ohm] and [degC], at least one of them above 0.
        base: the platinum curve that lends the coefficients that are not fitted; unused by steinhart-hart.

    Returns:
        The fit with its covariance and checks.

    Raises:
        InputError: an unknown model, a number without meaning, or points that cannot carry the model.
    """
    if model not in MODELS:
        raise InputError(f"There is no model {model!r}; give one of {', '.join(MODELS)}.")
    _check(model, points)
    ohms = np.array([p.ohms for p in points])
    celsius = np.array([p.celsius for p in points])
    u_ohms = np.array([p.u_ohms for p in points])
    u_celsius = np.array([p.u_celsius for p in points])
    thermistor = model == "steinhart-hart"
    if thermistor:
        raw, covariance, sigma, rounds = _thermistor(ohms, celsius, u_ohms, u_celsius)
        predicted = _thermistor_residuals(raw, ohms, celsius)
        deviations = predicted / sigma
        # dR/R = d(1/T) / (b + 3 c (ln R)^2)
        residuals = -predicted * ohms / (raw[1] + 3.0 * raw[2] * np.log(ohms) ** 2)
        parameters = raw
    else:
        raw, raw_covariance, sigma, rounds = _platinum(model, base, ohms, celsius, u_ohms, u_celsius)
        residuals = ohms - _platinum_ohms(model, base, raw, celsius)
        deviations = residuals / sigma
        parameters, covariance = _divided(raw, raw_covariance)
    u = np.sqrt(np.diag(covariance))
    _check_carried(model, parameters, u)
    chi_square = float(deviations @ deviations)
    freedom = len(points) - len(parameters)
    probability = float(chi2.sf(chi_square, freedom)) if freedom else None
    low, high = float(celsius.min()), float(celsius.max())
    return Fit(
        model,
        None if thermistor else base.name,
        _NAMES[model],
        tuple(parameters.tolist()),
        tuple(u.tolist()),
        tuple(tuple(row) for row in covariance.tolist()),
        tuple(residuals.tolist()),
        tuple(deviations.tolist()),
        chi_square,
        freedom,
        probability,
        low,
        high,
        rounds,
        ESTIMATOR,
        _remarks(probability, deviations, points, low, high),
    )


def _check(model: str, points: Sequence[Point]) -> None:
    for p in points:
        finite = all(math.isfinite(x) for x in (p.ohms, p.u_ohms, p.celsius, p.u_celsius))
        if not finite or p.ohms <= 0.0 or p.celsius <= -KELVIN:
            raise InputError(
                f"The point {p.ohms:g} ohm at {p.celsius:g} degrees C is no measurement; give finite numbers, a "
                "resistance above 0 and a temperature above -273.15."
            )
        if min(p.u_ohms, p.u_celsius) < 0.0 or p.u_ohms + p.u_celsius == 0.0:
            raise InputError(f"The point at {p.celsius:g} degrees C has no uncertainty above 0; give one.")
    needed = len(_NAMES[model])
    ordered = sorted(p.celsius for p in points)
    apart = 0
    last = -math.inf
    for value in ordered:
        if value - last >= _SAME_CELSIUS:
            apart += 1
            last = value
    if apart < needed:
        raise InputError(
            f"The model {model} has {needed} parameters and these points are at {apart} different temperatures; "
            f"add {_ADD[model]}."
        )
    span = ordered[-1] - ordered[0]
    if span < _LEAST_SPAN_CELSIUS[model]:
        raise InputError(
            f"The points span {span:.1f} degrees C, and the model {model} needs {_LEAST_SPAN_CELSIUS[model]:g}; "
            f"add {_ADD[model]}."
        )


def _check_carried(model: str, parameters: Array, u: Array) -> None:
    if model in ("r0-a", "r0-a-b") and u[1] > _MOST_U_A_RATIO * abs(parameters[1]):
        raise InputError(
            f"These points leave A uncertain by {100.0 * u[1] / abs(parameters[1]):.0f} %, which is no result; "
            f"add {_ADD[model]}, or measure them better."
        )
    if model == "r0-a-b" and u[2] > abs(parameters[2]):
        raise InputError(
            f"These points leave B ({parameters[2]:.2g}) more uncertain ({u[2]:.2g}) than it is large; "
            f"add {_ADD[model]}, measure them better, or fit r0-a."
        )


def _solve(design: Array, target: Array, sigma: Array, model: str) -> tuple[Array, Array]:
    """Return parameters and covariance of a weighted linear problem. Raises InputError where it is ill-conditioned."""
    weighted = design / sigma[:, None]
    lengths = np.sqrt((weighted**2).sum(axis=0))
    scaled = weighted / lengths
    left, singular, right = np.linalg.svd(scaled, full_matrices=False)
    if singular[-1] <= singular[0] / _WORST_CONDITION:
        raise InputError(
            f"These points lie so that the parameters of {model} cannot be told from each other; add {_ADD[model]}."
        )
    inverse = right.T / singular
    solved: Array = (inverse @ (left.T @ (target / sigma))) / lengths
    covariance: Array = (inverse @ inverse.T) / np.outer(lengths, lengths)
    return solved, covariance


def _design(model: str, base: PlatinumCurve, celsius: Array) -> Array:
    t = celsius
    cold = np.where(t < 0.0, base.c * (t - 100.0) * t**3, 0.0)
    if model == "r0":
        return np.stack([1.0 + base.a * t + base.b * t**2 + cold], axis=1)
    if model == "r0-a":
        return np.stack([1.0 + base.b * t**2 + cold, t], axis=1)
    return np.stack([1.0 + cold, t, t**2], axis=1)


def _slope(model: str, base: PlatinumCurve, raw: Array, celsius: Array) -> Array:
    t = celsius
    slope: Array = raw[0] * np.where(t < 0.0, base.c * (4.0 * t - 300.0) * t**2, 0.0)
    slope += raw[0] * base.a if model == "r0" else raw[1]
    slope += 2.0 * t * (raw[2] if model == "r0-a-b" else raw[0] * base.b)
    return slope


def _platinum_ohms(model: str, base: PlatinumCurve, raw: Array, celsius: Array) -> Array:
    ohms: Array = _design(model, base, celsius) @ raw
    return ohms


def _platinum(
    model: str, base: PlatinumCurve, ohms: Array, celsius: Array, u_ohms: Array, u_celsius: Array
) -> tuple[Array, Array, Array, int]:
    """Return R0, R0 A, R0 B as far as fitted, their covariance, the points' effective deviations [ohm], the rounds."""
    design = _design(model, base, celsius)
    # The base curve's slope, scaled to these readings, is the first guess.
    slope = np.array([base.ohms_per_celsius(t) for t in celsius]) * float(np.median(ohms)) / base.r0_ohms
    raw = np.zeros(design.shape[1])
    for rounds in range(1, _ROUNDS + 1):
        sigma = np.hypot(u_ohms, slope * u_celsius)
        new, covariance = _solve(design, ohms, sigma, model)
        if np.all(np.abs(new - raw) <= _SETTLED * np.abs(new)):
            return new, covariance, sigma, rounds
        raw = new
        slope = _slope(model, base, raw, celsius)
    raise InputError(
        f"The fit of {model} does not settle; check the points for one that is wrong, or add {_ADD[model]}."
    )


def _divided(raw: Array, covariance: Array) -> tuple[Array, Array]:
    """Turn R0, R0 A, R0 B into R0, A, B with their covariance, by the law of propagation."""
    parameters = raw.copy()
    parameters[1:] /= raw[0]
    jacobian = np.eye(raw.size) / raw[0]
    jacobian[0, 0] = 1.0
    jacobian[1:, 0] = -parameters[1:] / raw[0]
    return parameters, jacobian @ covariance @ jacobian.T


def _thermistor_residuals(raw: Array, ohms: Array, celsius: Array) -> Array:
    log = np.log(ohms)
    residuals: Array = 1.0 / (celsius + KELVIN) - (raw[0] + raw[1] * log + raw[2] * log**3)
    return residuals


def _thermistor(ohms: Array, celsius: Array, u_ohms: Array, u_celsius: Array) -> tuple[Array, Array, Array, int]:
    """Return a, b, c [1/K], their covariance, the points' effective deviations [1/K], the rounds."""
    log = np.log(ohms)
    kelvin = celsius + KELVIN
    design = np.stack([np.ones_like(log), log, log**3], axis=1)
    # Between the two outermost points, for the first guess.
    ends = [int(np.argmin(kelvin)), int(np.argmax(kelvin))]
    if log[ends[0]] == log[ends[1]]:
        raise InputError("The resistance does not change with temperature; check the points.")
    slope = np.full_like(log, (1.0 / kelvin[ends[1]] - 1.0 / kelvin[ends[0]]) / (log[ends[1]] - log[ends[0]]))
    raw = np.zeros(3)
    for rounds in range(1, _ROUNDS + 1):
        sigma = np.hypot(u_celsius / kelvin**2, slope * u_ohms / ohms)
        new, covariance = _solve(design, 1.0 / kelvin, sigma, "steinhart-hart")
        if np.all(np.abs(new - raw) <= 1e-10 * np.abs(new)):
            return new, covariance, sigma, rounds
        raw = new
        slope = raw[1] + 3.0 * raw[2] * log**2
    raise InputError("The fit of steinhart-hart does not settle; check the points for one that is wrong.")


def _remarks(
    probability: float | None, deviations: Array, points: Sequence[Point], low: float, high: float
) -> tuple[str, ...]:
    said = [f"The curve is known between the points, from {low:g} to {high:g} °C, and guessed outside."]
    if probability is None:
        said.append("As many parameters as points: the curve passes through them and nothing checks it; add a point.")
    elif probability < _POOR_PROBABILITY:
        worst = points[int(np.argmax(np.abs(deviations)))]
        said.append(
            f"The points scatter more than their uncertainties allow (probability {probability:.2g}); look first at "
            f"the one at {worst.celsius:g} °C."
        )
    return tuple(said)


__all__ = ["ESTIMATOR", "MODELS", "Fit", "fit"]
