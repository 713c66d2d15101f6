"""From a calibration's points to its coefficients: which model, how sure, and what looks wrong.

Low range: reference = offset + gain raw (+ quadratic raw^2). High range, in conductance, because what disturbs there
adds up in conductance: 1/reference = offset + gain/raw (+ quadratic/raw^2), offset in siemens.

Which model: the straight line, unless the quadratic lowers chi-squared by more than 6.63, the 99 % point of its
distribution with one degree of freedom (likelihood-ratio test at 1 %; the points hardly ever buy a curve by chance).
A wrong point can look like a curve: either model may also set aside single points (one in eight), and each costs what
chance alone reaches in one set of 20 (see below); the cheaper of the two explanations is taken. Where even then the
quadratic does not pass the chi-squared test, the gain is measured against its residual variance (F test at 1 %), so
that understated uncertainties buy no curve either.

Outliers: points whose deviation (Baarda's w) is beyond what the largest of all m reaches by chance in 5 % of sets
(Bonferroni). They are named, and what the coefficients would be without them is told, but every point stays in the fit.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from probeledger.calibrating.points import Point, covariances, repeated_references
from probeledger.calibrating.regression import NoFitError, Polynomial, fit_polynomial
from probeledger.errors import InputError
from probeledger.rounding import fixed, significant
from probeledger.text import plural

__all__ = [
    "CRITERION",
    "ESTIMATOR",
    "HIGH",
    "LINE",
    "LOW",
    "QUADRATIC",
    "SCATTER_LESS",
    "Fitted",
    "Hysteresis",
    "PointResult",
    "fit",
]

LOW, HIGH = "low", "high"
LINE, QUADRATIC = "line", "quadratic"
_DEGREES = {LINE: 1, QUADRATIC: 2}

CRITERION = (
    "likelihood ratio at 1 %: the quadratic is taken where it lowers chi-squared by more than 6.63 "
    "(by the F test at 1 % where it fails the chi-squared test itself)"
)
SCATTER_LESS = "The points scatter much less than their uncertainties say; are these expanded uncertainties?"
ESTIMATOR = "generalised least squares at the adjusted points, from the stated uncertainties (ISO/TS 28037, York 2004)"

# 99 % point of chi-squared with one degree of freedom (NIST/SEMATECH e-Handbook, 1.3.6.7.4).
_CURVE_COST = 6.635
# The chi-squared test of ISO/TS 28037, 6.4: at the 95 % quantile.
_CHI2_LEVEL = 0.05
_OUTLIER_LEVEL = 0.05
_HYSTERESIS_LEVEL = 0.01
# More than these are no outliers but a wrong idea of the uncertainties.
_MOST_OUTLIERS = 8


@dataclass(frozen=True)
class PointResult:
    """What the fit makes of one point [ohm]; deviation in its own standard deviations."""

    point: Point
    fitted_ohms: float
    residual_ohms: float
    u_ohms: float
    u_fit_ohms: float
    deviation: float
    outlier: bool


@dataclass(frozen=True)
class Hysteresis:
    """Going down minus going up, over the references that were reached from both sides [ohm]."""

    references: int
    largest_ohms: float
    u_largest_ohms: float
    at_reference_ohms: float
    significant: bool


@dataclass(frozen=True)
class Candidate:
    """One model: its fit to all points, the points it would set aside, and its fit without them."""

    model: str
    fit: Polynomial
    outliers: tuple[int, ...]
    without: Polynomial

    def explained_chi2(self, points: int) -> float:
        """Return chi-squared without its outliers, plus what these cost."""
        return self.without.chi2 + sum(_outlier_limit(points - taken) ** 2 for taken in range(len(self.outliers)))


@dataclass(frozen=True)
class Fitted:
    """A calibration's fit: all points are in it."""

    range: str
    model: str
    chosen: bool
    candidates: dict[str, Candidate]
    points: tuple[PointResult, ...]
    hysteresis: Hysteresis | None
    notes: tuple[str, ...]

    @property
    def polynomial(self) -> Polynomial:
        """Return the model's fit to all points."""
        return self.candidates[self.model].fit

    @property
    def outliers(self) -> tuple[PointResult, ...]:
        """Return the points that look wrong."""
        return tuple(result for result in self.points if result.outlier)

    @property
    def consistent(self) -> bool:
        """Tell whether model and uncertainties pass the chi-squared test at 5 %."""
        return self.polynomial.probability >= _CHI2_LEVEL

    def ohms(self, raw_ohms: float, u_raw_ohms: float = 0.0) -> tuple[float, float]:
        """Return the corrected resistance and its standard uncertainty [ohm], from a raw value and its own."""
        return corrected(self.range, self.polynomial, raw_ohms, u_raw_ohms)


def corrected(range_name: str, polynomial: Polynomial, raw_ohms: float, u_raw_ohms: float) -> tuple[float, float]:
    """Return the resistance that a fit gives for a raw value, with its standard uncertainty [ohm]."""
    if range_name == LOW:
        return polynomial(raw_ohms), polynomial.standard_uncertainty(raw_ohms, u_raw_ohms)
    siemens = 1.0 / raw_ohms
    ohms = 1.0 / polynomial(siemens)
    return ohms, polynomial.standard_uncertainty(siemens, u_raw_ohms * siemens**2) * ohms**2


def fit(points: Sequence[Point], range_name: str = LOW, model: str | None = None) -> Fitted:
    """Fit a calibration's points.

    Args:
        points: at least three, in the order in which they were taken.
        range_name: LOW or HIGH.
        model: LINE or QUADRATIC; None lets the evidence choose.

    Returns:
        The fit.

    Raises:
        InputError: these points have no such fit; says why.
    """
    arrays = _arrays(points, range_name)
    try:
        candidates = {LINE: _candidate(LINE, *arrays)}
        levels = len({point.reference_ohms for point in points})
        if levels > _DEGREES[QUADRATIC] + 1 or (model == QUADRATIC and levels > _DEGREES[QUADRATIC]):
            candidates[QUADRATIC] = _candidate(QUADRATIC, *arrays)
    except NoFitError as error:
        raise InputError(f"These points have no fit: {error}") from None
    if model is None:
        name = QUADRATIC if QUADRATIC in candidates and _curve_wins(candidates, len(points)) else LINE
    elif model in candidates:
        name = model
    else:
        raise InputError("A quadratic needs at least three different references; take the line, or add references.")
    results = _results(points, range_name, candidates[name])
    hysteresis = look_for_hysteresis(points)
    notes = _notes(points, candidates, name, results, hysteresis, levels)
    return Fitted(range_name, name, model is None, candidates, results, hysteresis, tuple(notes))


def look_for_hysteresis(points: Sequence[Point]) -> Hysteresis | None:
    """Compare readings of the same reference on the way up with those on the way down.

    Args:
        points: in the order in which they were taken; a row is on the way up where its reference is larger than that
            of the row before.

    Returns:
        The comparison, or None where no reference was reached from both sides. Drift over the time of the run looks
        the same.
    """
    ways: dict[object, dict[bool, list[Point]]] = {}
    changes = [second.reference_ohms - first.reference_ohms for first, second in zip(points, points[1:], strict=False)]
    up = next((change > 0 for change in changes if change), True)
    for point, change in zip(points, [0.0, *changes], strict=True):
        up = change > 0 if change else up
        ways.setdefault(point.resistor or point.reference_ohms, {}).setdefault(up, []).append(point)
    found = []
    for by_way in ways.values():
        if len(by_way) == 2:
            means = {way: math.fsum(point.raw_ohms for point in group) / len(group) for way, group in by_way.items()}
            variance = sum(sum(point.u_raw_ohms**2 for point in group) / len(group) ** 2 for group in by_way.values())
            found.append((means[False] - means[True], math.sqrt(variance), by_way[True][0].reference_ohms))
    if not found:
        return None
    ratios = [
        difference / u if u > 0 else math.copysign(math.inf, difference) if difference else 0.0
        for difference, u, _ in found
    ]
    largest = max(range(len(found)), key=lambda index: abs(ratios[index]))
    difference, u, at_ohms = found[largest]
    together = abs(math.fsum(ratios)) / math.sqrt(len(ratios)) if all(map(math.isfinite, ratios)) else math.inf
    significant_one = abs(ratios[largest]) > _normal_limit(_HYSTERESIS_LEVEL / 2 / len(found))
    significant_all = together > _normal_limit(_HYSTERESIS_LEVEL / 2)
    return Hysteresis(len(found), difference, u, at_ohms, significant_one or significant_all)


def _ratio(difference: float, u: float) -> float:
    if u > 0:
        return difference / u
    return math.copysign(math.inf, difference) if difference else 0.0


_Arrays = tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]


def _arrays(points: Sequence[Point], range_name: str) -> _Arrays:
    """Return abscissas, ordinates and their covariances, in ohms or, in the high range, in siemens."""
    x = np.array([point.raw_ohms for point in points])
    y = np.array([point.reference_ohms for point in points])
    covariance_x, covariance_y = covariances(points)
    if range_name == LOW:
        return x, y, covariance_x, covariance_y
    for point in points:
        if point.reference_ohms <= 0 or point.raw_ohms <= 0:
            raise InputError(
                f"Line {point.line}: {point.reference_ohms:g} ohm read as {point.raw_ohms:g} ohm has no place in the "
                "high range, which is fitted in conductance; leave the short out."
            )
    return 1 / x, 1 / y, covariance_x / np.outer(x, x) ** 2, covariance_y / np.outer(y, y) ** 2


def _candidate(
    model: str, x: np.ndarray, y: np.ndarray, covariance_x: np.ndarray, covariance_y: np.ndarray
) -> Candidate:
    """Fit one model, and set aside in turn the points that lie outside, to see what it would be without them."""
    degree = _DEGREES[model]
    everything = without = fit_polynomial(x, y, covariance_x, covariance_y, degree)
    kept = list(range(len(x)))
    outliers: list[int] = []
    most = min(max(1, len(x) // 4), _MOST_OUTLIERS)
    while len(outliers) < most and without.degrees_of_freedom >= 2:
        deviations = np.abs(without.deviations())
        worst = int(np.argmax(deviations))
        if deviations[worst] <= _outlier_limit(len(kept)):
            break
        fewer = kept[:worst] + kept[worst + 1 :]
        block = np.ix_(fewer, fewer)
        if len(set(x[fewer])) <= degree + 1:
            break
        without = fit_polynomial(x[fewer], y[fewer], covariance_x[block], covariance_y[block], degree)
        outliers.append(kept[worst])
        kept = fewer
    return Candidate(model, everything, tuple(outliers), without)


def _normal_limit(upper: float) -> float:
    from scipy import special

    return float(-special.ndtri(upper))


def _outlier_limit(points: int) -> float:
    """Return the deviation that the largest of so many points [1] reaches by chance in 5 % of sets."""
    return _normal_limit(_OUTLIER_LEVEL / 2 / points)


def _curve_wins(candidates: dict[str, Candidate], points: int) -> bool:
    """Tell whether the quadratic explains the points so much better that the line has to go."""
    from scipy import stats

    line, curve = candidates[LINE], candidates[QUADRATIC]
    degrees = curve.fit.degrees_of_freedom
    if degrees < 1:
        return False
    few = max(1, points // 8)
    if max(len(line.outliers), len(curve.outliers)) <= few and curve.without.probability >= _CHI2_LEVEL:
        return line.explained_chi2(points) - curve.explained_chi2(points) > _CURVE_COST
    gained = line.fit.chi2 - curve.fit.chi2
    return gained / (curve.fit.chi2 / degrees) > float(stats.f.ppf(0.99, 1, degrees))


def _results(points: Sequence[Point], range_name: str, candidate: Candidate) -> tuple[PointResult, ...]:
    polynomial = candidate.fit
    deviations = polynomial.deviations()
    u_points = np.sqrt(np.diag(polynomial.residuals_covariance))
    results = []
    for index, point in enumerate(points):
        fitted_ohms, u_fit_ohms = corrected(range_name, polynomial, point.raw_ohms, 0.0)
        u_ohms = float(u_points[index]) * (1.0 if range_name == LOW else fitted_ohms**2)
        results.append(
            PointResult(
                point,
                fitted_ohms,
                point.reference_ohms - fitted_ohms,
                u_ohms,
                u_fit_ohms,
                float(deviations[index]),
                index in candidate.outliers,
            )
        )
    return tuple(results)


def _notes(
    points: Sequence[Point],
    candidates: dict[str, Candidate],
    name: str,
    results: Sequence[PointResult],
    hysteresis: Hysteresis | None,
    levels: int,
) -> list[str]:
    """Return what a person should know of this fit, one sentence each."""
    candidate = candidates[name]
    polynomial = candidate.fit
    notes = []
    for result in results:
        if result.outlier:
            notes.append(
                f"Line {result.point.line} lies outside: {significant(result.point.reference_ohms, 6)} ohm is off by "
                f"{significant(result.residual_ohms, 2)} ohm, {fixed(abs(result.deviation), 1)} standard deviations. "
                "It stays in the fit: measure that resistor again."
            )
    if polynomial.probability < _CHI2_LEVEL:
        ratio = math.sqrt(polynomial.chi2 / polynomial.degrees_of_freedom)
        left = candidate.without
        if candidate.outliers and left.probability >= _CHI2_LEVEL:
            cause = "The points named above are the cause."
        else:
            cause = (
                f"They scatter {significant(ratio, 2)} times as much as stated: uncertainties too small, or another "
                "shape; the coefficients' uncertainties are too small by as much."
            )
        notes.append(
            f"The chi-squared test fails: {significant(polynomial.chi2, 3)} with "
            f"{plural(polynomial.degrees_of_freedom, 'degree')} of freedom. {cause}"
        )
    elif polynomial.degrees_of_freedom and polynomial.probability > 0.999:
        notes.append(SCATTER_LESS)
    if polynomial.degrees_of_freedom == 0:
        notes.append("The curve goes through every point, so that nothing checks it; add references.")
    if levels == 2:
        notes.append("There are two different references only: whether the tester is straight remains unknown.")
    if hysteresis is not None and hysteresis.significant:
        notes.append(
            f"Readings going down differ from those going up, by {significant(hysteresis.largest_ohms, 2)} ohm at "
            f"{significant(hysteresis.at_reference_ohms, 6)} ohm: drift during the run or hysteresis; let everything "
            "settle and repeat."
        )
    repeated = repeated_references(points)
    if repeated:
        listed = ", ".join(f"{ohms:g}" for ohms in repeated[:5]) + (", ..." if len(repeated) > 5 else "")
        notes.append(
            f"The references {listed} ohm stand in several rows, and their u_reference_ohms count as independent; "
            "where it is one resistor, name it in a column resistor."
        )
    return notes
