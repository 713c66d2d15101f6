"""From fits to the tester's calibration set, and what a set indicates."""

import binascii
import datetime
import math
from collections.abc import Sequence
from typing import Any

import numpy as np

from probecore import calibration as core
from probecore import cbor
from probecore.calibration import Calibration
from probecore.errors import ProbeError
from probeledger import circuit
from probeledger.errors import InputError
from probeledger.text import clean

__all__ = ["FitNumbers", "calibration_set", "change_lines", "fit_numbers", "indicated_ohms", "same_numbers"]

_MODELS = ("line", "quadratic")
# A tester keeps single floats.
_SINGLE = 1e-6


class FitNumbers:
    """One range's coefficients with their covariance, lowest order first; in siemens for the high range."""

    def __init__(self, range_name: str, coefficients: Any, covariance: Any) -> None:
        """Take the numbers. Raises InputError where they have no sense."""
        self.range = range_name
        try:
            self.coefficients = np.asarray(coefficients, dtype=float)
            self.covariance = np.asarray(covariance, dtype=float)
        except (TypeError, ValueError):
            raise InputError("The fit's coefficients and covariance have to be numbers; make the fit again.") from None
        number = len(self.coefficients) if self.coefficients.ndim == 1 else 0
        if number not in (2, 3) or self.covariance.shape != (number, number):
            raise InputError(
                "The fit needs two or three coefficients and a covariance matrix of the same size; make the fit again."
            )
        if not np.isfinite(self.coefficients).all() or not np.isfinite(self.covariance).all():
            raise InputError("The fit has coefficients that are no finite numbers; make the fit again.")
        if (np.diag(self.covariance) < 0).any() or not np.allclose(self.covariance, self.covariance.T, rtol=1e-6):
            raise InputError("The fit's covariance matrix has negative variances or is not symmetric; make it again.")
        if range_name == "high" and number == 3:
            raise InputError(
                "The high range keeps a straight line in conductance, and this fit is quadratic; fit it with "
                "--model line."
            )
        if not 0.9 < self.coefficients[1] < 1.1:
            raise InputError(
                f"The fit's gain of {self.coefficients[1]:g} is not near one; were reference and raw values exchanged, "
                "or are they in different units?"
            )


def fit_numbers(document: Any) -> FitNumbers:
    """Return the numbers of a document as `calibrate fit --json` writes it. Raises InputError."""
    if not isinstance(document, dict) or "coefficients" not in document or "covariance" not in document:
        raise InputError("This is no fit: it has no coefficients and covariance; make one with calibrate fit --json.")
    if document.get("range") not in ("low", "high") or document.get("model") not in _MODELS:
        raise InputError("This fit does not tell its range and model; make it again with calibrate fit --json.")
    return FitNumbers(document["range"], document["coefficients"], document["covariance"])


def calibration_set(
    fits: Sequence[FitNumbers],
    previous: str | None,
    date: datetime.datetime,
    due: datetime.datetime | None,
    tester_celsius: float | None,
) -> dict[str, Any]:
    """Return the map of a new calibration; a range without a fit has nominal values and the parts' tolerances.

    Args:
        fits: of one range each.
        previous: id of the set in force, None without one.
        date, due: of the calibration and of the next one.
        tester_celsius: temperature of the tester during the calibration [degC].

    Returns:
        The map, as the tester keeps it; its id is made of the date and of its numbers.

    Raises:
        InputError: numbers that a tester refuses.
    """
    made = core.to_map(circuit.uncalibrated())
    made.update(state=core.CALIBRATED, previous=previous, date=int(date.timestamp()))
    made["due"] = None if due is None else int(due.timestamp())
    if tester_celsius is not None:
        made["celsius"] = tester_celsius
    for fit in fits:
        values, u = fit.coefficients, np.sqrt(np.diag(fit.covariance))
        if fit.range == "high":
            made.update(
                high_offset_siemens=values[0],
                high_gain=values[1],
                u_high_offset_siemens=u[0],
                u_high_gain=u[1],
                high_covariance_siemens=fit.covariance[0, 1],
            )
            continue
        made.update(
            offset_ohms=values[0],
            gain=values[1],
            u_offset_ohms=u[0],
            u_gain=u[1],
            covariance_offset_gain_ohms=fit.covariance[0, 1],
        )
        if len(values) == 3:
            made.update(
                quadratic_per_ohm=values[2],
                u_quadratic_per_ohm=u[2],
                covariance_offset_quadratic=fit.covariance[0, 2],
                covariance_gain_quadratic_per_ohm=fit.covariance[1, 2],
            )
    made = {name: float(value) if isinstance(value, np.floating) else value for name, value in made.items()}
    made["id"] = f"{date:%Y%m%d}-{binascii.crc32(cbor.dumps(made)) & 0xFFFFFF:06x}"
    try:
        core.from_map(made)
    except ProbeError as error:
        raise InputError(f"A tester would refuse these numbers: {error.message}") from None
    return made


def indicated_ohms(used: Calibration, range_name: str, raw_ohms: float) -> float:
    """Return what a tester indicates [ohm] for a raw value [ohm] with a calibration."""
    to_ohms = core.high_ohms if range_name == "high" else core.low_ohms
    return float(to_ohms(used, raw_ohms, 1.0))


def same_numbers(sent: dict[str, Any], read_back: object) -> bool:
    """Tell whether a set that was read back is the one that was sent, in the single precision of a tester."""
    if not isinstance(read_back, dict):
        return False
    for name, value in sent.items():
        other = read_back.get(name)
        if isinstance(value, float):
            if not isinstance(other, (int, float)) or not math.isclose(value, other, rel_tol=_SINGLE, abs_tol=1e-30):
                return False
        elif name != "report" and value != other:
            return False
    return True


def change_lines(before: dict[str, Any], after: dict[str, Any]) -> list[str]:
    """Return a sentence for each coefficient that changes."""
    lines = []
    for name, label, unit, form in (
        ("offset_ohms", "offset", " Ω", "+.5f"),
        ("gain", "gain", "", ".7f"),
        ("quadratic_per_ohm", "quadratic", " per Ω", "+.3g"),
        ("high_gain", "gain in the high range", "", ".6f"),
        ("high_offset_siemens", "offset in the high range", " S", "+.3g"),
    ):
        old, new = before.get(name) or 0.0, after.get(name) or 0.0
        if old != new:
            lines.append(f"{label} {format(old, form)}{unit} to {format(new, form)}{unit}")
    return [clean(line) for line in lines]
