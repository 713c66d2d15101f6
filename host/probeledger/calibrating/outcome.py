"""What a complete run says: the errors as they were found, and the fits of both ranges.

Errors are indication minus reference. Their uncertainty holds the reference, the readings, clips and thermal voltages,
and what the value moved between the way up and the way down; the tester's own linearity is part of the error itself.
A fit knows more: the converter's linearity and input currents are the same each time a resistor is read, and belong to
no straight line, so that they count as the resistor's own for the fit, and the coefficients' uncertainties hold them.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from probeledger.calibrating import fitting
from probeledger.calibrating.certificate import SPECIFICATIONS, Result
from probeledger.calibrating.coefficients import indicated_ohms
from probeledger.calibrating.points import Point
from probeledger.calibrating.references import LEAST_HIGH, ReferenceSet, Values
from probeledger.calibrating.runfile import LEAK, Measured, Run
from probeledger.errors import InputError
from probeledger.text import clean

__all__ = [
    "Found",
    "Temperature",
    "as_found",
    "fits_of",
    "notes_of",
    "points_of",
    "short_summary",
    "temperature_of",
    "values_of",
]

# A resistor on the bench against the tester's pigtail sensor (assumed, no source).
_U_BESIDE_CELSIUS = 0.5
_U_UNKNOWN_CELSIUS = 2.0
_NOMINAL_CELSIUS = 23.0
_ROOT_12 = math.sqrt(12.0)
# A record in the tester's ledger has room for so many lines.
_MOST_SUMMARY = 12


@dataclass(frozen=True)
class Temperature:
    """The resistors' temperature during a run [degC]: lowest, highest, mean and its standard uncertainty."""

    low: float
    high: float
    mean: float
    u: float


@dataclass(frozen=True)
class Found:
    """One reference's error: its result, what it comes from, and the standard uncertainties [ohm] of its parts."""

    name: str
    result: Result
    raw_ohms: float
    parts: dict[str, float]


def temperature_of(run: Run) -> Temperature:
    """Return the temperature of the references: as told, else by the tester's ambient sensor."""
    if run.celsius is not None:
        u = _U_BESIDE_CELSIUS if run.u_celsius is None else run.u_celsius
        return Temperature(run.celsius, run.celsius, run.celsius, u)
    seen = [each.ambient_celsius for each in run.measured if each.ambient_celsius is not None]
    if not seen:
        return Temperature(_NOMINAL_CELSIUS, _NOMINAL_CELSIUS, _NOMINAL_CELSIUS, _U_UNKNOWN_CELSIUS)
    u_sensor = max((each.u_ambient_celsius or 0.0 for each in run.measured), default=0.0)
    spread = (max(seen) - min(seen)) / _ROOT_12
    mean = math.fsum(seen) / len(seen)
    return Temperature(min(seen), max(seen), mean, math.hypot(u_sensor, spread, _U_BESIDE_CELSIUS))


def values_of(run: Run, references: ReferenceSet | None = None) -> Values:
    """Return the references' values at the run's day and temperature. Raises InputError."""
    found = temperature_of(run)
    return (references or run.references).values(run.day, found.mean, found.u)


def as_found(run: Run) -> list[Found]:
    """Return the error of each reference that was measured, in ascending order, leaks last.

    Raises:
        InputError: the run is not complete.
    """
    if not run.complete:
        raise InputError(
            f"The run is not complete: {len(run.measured)} of {len(run.steps)} steps are done. Go on with it first."
        )
    references = run.references
    values = values_of(run, references)
    used = run.used
    found = []
    for kind in (None, LEAK):
        for index, reference in enumerate(references.references):
            group = [
                each
                for each in run.measured
                if each.reference == reference.name and (each.kind == LEAK) == (kind == LEAK)
            ]
            if not group:
                continue
            u_reference = math.sqrt(float(values.covariance[index, index]))
            found.append(_error(group, float(values.ohms[index]), u_reference, used))
    return found


def _error(group: Sequence[Measured], reference_ohms: float, u_reference: float, used: Any) -> Found:
    number = len(group)
    range_name = "isolation" if group[0].kind == LEAK else group[0].range
    raws = [each.raw_ohms for each in group]
    raw = math.fsum(raws) / number

    def mean_of(values: Sequence[float]) -> float:
        return math.sqrt(math.fsum(value**2 for value in values)) / number

    indicated = (
        math.fsum(each.indicated_ohms for each in group) / number
        if range_name == "isolation"
        else indicated_ohms(used, range_name, raw)
    )
    parts = {
        "reference resistor": u_reference,
        "readings": mean_of([each.u_noise_ohms for each in group]),
        "leads, clips and thermal voltages": mean_of([each.u_clips_ohms for each in group]),
        "supply between reads": mean_of([each.u_supply_ohms for each in group]),
        "between up and down": (max(raws) - min(raws)) / _ROOT_12,
    }
    specification = next(each for each in SPECIFICATIONS if each.range == range_name)
    u = math.sqrt(math.fsum(value**2 for value in parts.values()))
    result = Result(range_name, reference_ohms, indicated, u, specification.allowed_ohms(reference_ohms))
    return Found(group[0].reference, result, raw, parts)


def points_of(run: Run, range_name: str) -> list[Point]:
    """Return the points of one range for the fit, in the order in which they were taken."""
    references = run.references
    values = values_of(run, references)
    index_of = {each.name: index for index, each in enumerate(references.references)}
    points = []
    for number, each in enumerate(run.measured, start=1):
        if each.kind == LEAK or each.range != range_name:
            continue
        index = index_of[each.reference]
        shared = float(values.u_shared_ohms[index])
        own = math.sqrt(max(0.0, float(values.covariance[index, index]) - shared**2))
        points.append(
            Point(
                line=number,
                reference_ohms=float(values.ohms[index]),
                u_reference_ohms=math.hypot(own, each.u_systematic_ohms),
                raw_ohms=each.raw_ohms,
                u_raw_ohms=math.hypot(each.u_noise_ohms, each.u_clips_ohms, each.u_supply_ohms),
                shared_group=values.groups[index],
                u_shared_ohms=shared,
                resistor=each.reference,
            )
        )
    return points


def fits_of(run: Run) -> dict[str, fitting.Fitted]:
    """Return the fit of each range that the run supports.

    Raises:
        InputError: the low range has no fit.
    """
    made = {fitting.LOW: fitting.fit(points_of(run, fitting.LOW), fitting.LOW)}
    high = points_of(run, fitting.HIGH)
    if len({point.resistor for point in high}) >= LEAST_HIGH:
        # The tester keeps a straight line in conductance there.
        made[fitting.HIGH] = fitting.fit(high, fitting.HIGH, fitting.LINE)
    return made


def notes_of(fit: fitting.Fitted) -> list[str]:
    """Return what a person should know of a run's fit.

    Its points hold bounds on what the converter may do, so that they may well scatter less: no reason for a remark.
    """
    return [each for each in fit.notes if each != fitting.SCATTER_LESS]


def short_summary(found: Sequence[Found]) -> list[list[float]]:
    """Return reference, error and its standard uncertainty [ohm] of so many results as a record holds.

    Where there are more, those with the largest share of their limit are taken.
    """
    lines = sorted(found, key=lambda each: -abs(each.result.error_ohms) / each.result.limit_ohms)[:_MOST_SUMMARY]
    lines.sort(key=lambda each: each.result.reference_ohms)
    return [
        [float(each.result.reference_ohms), float(each.result.error_ohms), float(each.result.u_error_ohms)]
        for each in lines
    ]


def document(run: Run) -> dict[str, Any]:
    """Return a complete run's results as JSON types."""
    found = as_found(run)
    fits = fits_of(run)
    temperature = temperature_of(run)
    return {
        "errors": [
            {
                "reference": clean(each.name),
                "range": each.result.range,
                "reference_ohms": each.result.reference_ohms,
                "raw_ohms": each.raw_ohms,
                "indicated_ohms": each.result.indicated_ohms,
                "error_ohms": each.result.error_ohms,
                "u_error_ohms": each.result.u_error_ohms,
                "limit_ohms": each.result.limit_ohms,
                "statement": each.result.statement,
                "parts": each.parts,
            }
            for each in found
        ],
        "celsius": temperature.mean,
        "u_celsius": temperature.u,
        "claims": run.references.claims(),
        "fits": {name: _fit_document(fit) for name, fit in fits.items()},
    }


def _fit_document(fit: fitting.Fitted) -> dict[str, Any]:
    polynomial = fit.polynomial
    return {
        "range": fit.range,
        "model": fit.model,
        "coefficients": np.asarray(polynomial.coefficients).tolist(),
        "covariance": np.asarray(polynomial.covariance).tolist(),
        "chi2": float(polynomial.chi2),
        "degrees_of_freedom": int(polynomial.degrees_of_freedom),
        "chi2_probability": float(polynomial.probability),
        "consistent": bool(fit.consistent),
        "outliers": [clean(each.point.resistor) for each in fit.outliers],
        "notes": notes_of(fit),
    }
