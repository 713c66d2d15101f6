"""How fast a tester drifts, and when to calibrate it next.

The drift is the slope of a weighted straight line through deviations over time; where every check has its temperature,
the tester's temperature coefficient is fitted along with it, so that half a summer is no drift. Neighbouring checks
resemble each other (weather, a slowly ageing part), and stated uncertainties may be too small: the slope's uncertainty
is widened by the residuals where they scatter more than stated, and by their correlation from check to check, as
sqrt((1 + r)/(1 - r)), the widening of a mean of a first-order autoregressive series.

The interval follows from the error that is left, the drift and the limit: the longest from a short list at whose end
the tester still conforms with 95 % probability (JCGM 106:2012, 7.3). It never grows by more than one step, nor beyond a
year before two intervals have been seen.
"""

import datetime
import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from probecore.conformance import within
from probeledger.calibrating.charts import Alarm, Check
from probeledger.errors import InputError
from probeledger.rounding import significant

__all__ = ["INTERVALS_MONTHS", "START_MONTHS", "Advice", "Calibration", "Drift", "advise", "drift_of", "unadjusted"]

_DAYS_PER_YEAR = 365.25
# Common practice, no source: a year to start with, then by history.
INTERVALS_MONTHS = (3, 6, 9, 12, 18, 24)
START_MONTHS = 12
_INTERVALS_BEFORE_LONGER = 2
_CONFORMING = 0.95
# From so many checks on, the tester's temperature coefficient can be told from a drift.
_LEAST_FOR_TEMPERATURE = 20


@dataclass(frozen=True)
class Drift:
    """Change of a deviation per year, relative, with its standard uncertainty.

    level, u_level: of the line at the last time; significant: whether it is beyond two standard uncertainties.
    """

    per_year: float
    u_per_year: float
    level: float
    u_level: float
    points: int
    span_years: float

    @property
    def significant(self) -> bool:
        """Tell whether the drift is beyond what chance gives (95 %)."""
        return abs(self.per_year) > 2 * self.u_per_year


@dataclass(frozen=True)
class Calibration:
    """One calibration: relative errors as found and as left, each with the standard uncertainty u of the bench."""

    time: datetime.datetime
    as_found: float
    as_left: float
    u: float


@dataclass(frozen=True)
class Advice:
    """Months until the next calibration, 0 for now, with the reason in a sentence and the probability at its end."""

    months: int
    reason: str
    probability_conforming: float


def drift_of(checks: Sequence[Check]) -> Drift:
    """Estimate the drift of a series of deviations.

    Args:
        checks: at least three at different times, each with an uncertainty above zero.

    Returns:
        The drift per year, relative, with its standard uncertainty.

    Raises:
        InputError: too few checks, or one without uncertainty.
    """
    ordered = sorted(checks, key=lambda check: check.time)
    if len({check.time for check in ordered}) < 3:
        raise InputError(f"A drift needs three checks at different times; there are {len(ordered)}.")
    if not all(check.u > 0 for check in ordered):
        raise InputError("A drift needs an uncertainty above zero for every check.")
    last = ordered[-1].time
    years = np.array([(check.time - last).total_seconds() / 86400 / _DAYS_PER_YEAR for check in ordered])
    u = np.array([check.u for check in ordered])
    columns = [np.ones(len(u)), years]
    celsius = [check.celsius for check in ordered if check.celsius is not None]
    if len(celsius) == len(ordered) >= _LEAST_FOR_TEMPERATURE and max(celsius) - min(celsius) > 1:
        columns.append(np.array(celsius) - celsius[-1])
    white = np.stack(columns, axis=1) / u[:, None]
    values = np.array([check.deviation for check in ordered]) / u
    q, r = np.linalg.qr(white)
    found = np.linalg.solve(r, q.T @ values)
    inverse = np.linalg.inv(r)
    normalised = values - white @ found
    squares = float(normalised @ normalised)
    scatter = math.sqrt(max(1.0, squares / (len(u) - len(columns))))
    alike = float(normalised[1:] @ normalised[:-1]) / squares if squares > 0 else 0.0
    alike = min(max(alike, 0.0), 0.95) if len(ordered) >= 10 else 0.0
    widening = scatter * math.sqrt((1 + alike) / (1 - alike))
    u_level, u_slope = (widening * math.sqrt(float(row @ row)) for row in inverse[:2])
    return Drift(float(found[1]), u_slope, float(found[0]), u_level, len(ordered), float(-years[0]))


def unadjusted(calibrations: Sequence[Calibration]) -> list[Check]:
    """Return what the errors would have been without any adjustment, so that their drift can be seen.

    Args:
        calibrations: in any order.

    Returns:
        As many deviations, in order of time: each as found, with all earlier adjustments taken back.
    """
    taken_off = 0.0
    found = []
    for each in sorted(calibrations, key=lambda calibration: calibration.time):
        found.append(Check(each.time, each.as_found + taken_off, each.u))
        taken_off += each.as_found - each.as_left
    return found


def advise(
    limit: float,
    drift: Drift | None,
    error: float,
    u_error: float,
    intervals_seen: int = 0,
    present_months: int = START_MONTHS,
    alarm: Alarm | None = None,
    u_drift_typical: float = 50e-6,
) -> Advice:
    """Advise when to calibrate next, and say why.

    Args:
        limit: largest relative error allowed.
        drift: of this tester; None where its history is too short.
        error: relative error now, as left.
        u_error: its standard uncertainty.
        intervals_seen: whole intervals between calibrations in its history [1].
        present_months: interval that holds now [months].
        alarm: on its control chart, if any.
        u_drift_typical: standard uncertainty of the drift where it is not known, per year (assumed, no source).

    Returns:
        The advice.
    """
    per_year, u_per_year = (drift.per_year, drift.u_per_year) if drift else (0.0, u_drift_typical)

    def conforming(months: int) -> float:
        years = months / 12
        return float(within(-limit, limit, error + per_year * years, math.hypot(u_error, u_per_year * years)))

    allowed = f"the limit of {_percent(limit)}"
    if alarm is not None:
        return Advice(0, f"Now: its control chart raised an alarm on {alarm.check.time:%Y-%m-%d}.", conforming(0))
    if conforming(0) < _CONFORMING:
        return Advice(
            0,
            f"Now: at {_percent(error)} with u = {_percent(u_error)} it is not surely within {allowed}.",
            conforming(0),
        )
    known = (
        f"a drift of {_percent(per_year)} a year with u = {_percent(u_per_year)}"
        if drift
        else f"no history, and a drift of some {_percent(u_drift_typical)} a year assumed"
    )
    holding = [months for months in INTERVALS_MONTHS if conforming(months) >= _CONFORMING]
    if not holding:
        return Advice(0, f"Now, and look for the cause: {known} breaks {allowed} within 3 months.", conforming(0))
    longer = [months for months in INTERVALS_MONTHS if months > present_months]
    most = longer[0] if longer else INTERVALS_MONTHS[-1]
    if intervals_seen < _INTERVALS_BEFORE_LONGER:
        most = min(most, START_MONTHS)
    months = max(each for each in holding if each <= max(most, holding[0]))
    reason = f"{months} months: with {known} it stays within {allowed} until then (95 %)"
    if months < holding[-1]:
        if intervals_seen < _INTERVALS_BEFORE_LONGER:
            reason += f"; {holding[-1]} would do, but a longer interval waits for more history"
        else:
            reason += f"; {holding[-1]} would do, but an interval grows one step at a time"
    return Advice(months, reason + ".", conforming(months))


def _percent(relative: float) -> str:
    return f"{significant(100 * relative, 2)} %"
