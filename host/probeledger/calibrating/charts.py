"""Control charts of a tester's checks: limits from the data, and rules that find a drift or a step early.

A check is the deviation of a known resistor's reading from its value, relative to it, each working morning. The
chart of individuals and moving ranges shows them with limits at three standard deviations, the standard deviation
from the mean moving range (NIST/SEMATECH e-Handbook, 6.3.2.2). Such limits alone find a slow drift late, and limits
from few checks give false alarms. The alarms therefore come from two rules on a scale that allows for how little is
known yet:

- each check is compared with all before it on its chart: (deviation - mean) / (s sqrt(1 + 1/n)) follows Student's
  distribution; turned into the normal variable of the same probability it gives a score that is standard normal from
  the first scored check on, however few there were (the self-starting scheme of Hawkins, Journal of Quality Technology
  19 (1987) 203). Where every check has its temperature, the tester's own temperature coefficient is learned along
  with the mean, so that a summer is no drift (the recursive residuals of a regression, in the same way);
- `limit`: a score beyond 3.7;
- `shift`: a cumulative sum of the scores, less 0.5 each, up or down, beyond 5.5 (Page's CUSUM; for both sides one false
  alarm in 465 checks at a limit of 5 by the table of the e-Handbook, 6.3.2.3, and in 771 at 5.5 by the same theory).

Together they should raise a false alarm in 661 checks. Over simulated testers with 10 to 25 ppm from check to check, up
to 10 ppm/K and a room with seasons: a false alarm in 735 checks (400 testers, two years each); a drift of 0.02 % a
month found after 5 checks (median; all of 600 within ten); a step of 0.1 % found by the first check after it. Without
temperatures the seasons raise an alarm in 50 checks. A drift that begins with the calibration itself needs `Expected`
to be found within ten checks (95 %), because a chart that knows nothing takes its first nine checks for normal.
"""

import datetime
import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np

from probeledger.errors import InputError

__all__ = [
    "LIMIT",
    "SHIFT",
    "TOLERANCE",
    "Alarm",
    "Chart",
    "Check",
    "Expected",
    "Job",
    "Limits",
    "Onset",
    "affected",
    "chart",
    "limits_of",
    "onset_of",
]

LIMIT, SHIFT, TOLERANCE = "limit", "shift", "tolerance"

# Mean and upper limit of a range of two, in standard deviations and in mean ranges (e-Handbook, 6.3.2.2 and 6.3.2.1).
_D2, _D4 = 1.128, 3.267
_SCORE_LIMIT = 3.7
_SLACK, _SUM_LIMIT = 0.5, 5.5
# A spread from fewer than ten values is a guess; until then only the tolerance alarms.
_LEAST_FREEDOM = 9
# Readings that agree to the last digit are a coarse display, not a tester without noise.
_LEAST_SIGMA = 1e-6
# Onset: checks looked back over, and the 99 % point of chi-squared with one degree of freedom.
_LOOK_BACK = 260
_ONSET_CHI2 = 6.635
# What is known of a level (nothing) and of a temperature coefficient (some 15 ppm/K at 30 ppm from check to check)
# before the first check, in standard deviations of a check.
_LEVEL_PRIOR = 1e4
_COEFFICIENT_PRIOR = 0.5


@dataclass(frozen=True)
class Check:
    """One check: when, and how far the reading lay off, relative to the resistor's value, with its u (k = 1).

    celsius: temperature of the tester [degC], None where it is not known.
    """

    time: datetime.datetime
    deviation: float
    u: float = 0.0
    celsius: float | None = None


@dataclass(frozen=True)
class Expected:
    """What is known before the first check of a chart.

    deviation, u: where a calibration left the tester, with its standard uncertainty; sigma: spread from check to check
    on an earlier chart, with its degrees_of_freedom.
    """

    deviation: float
    u: float
    sigma: float
    degrees_of_freedom: float


@dataclass(frozen=True)
class Limits:
    """Lines of a chart of individuals and moving ranges, relative."""

    center: float
    sigma: float
    lower: float
    upper: float
    mean_range: float
    upper_range: float


@dataclass(frozen=True)
class Alarm:
    """A check at which a rule spoke.

    index: of the check; rule: LIMIT, SHIFT or TOLERANCE; up: direction; score: of that check, None where it has none.
    """

    index: int
    check: Check
    rule: str
    up: bool
    score: float | None


@dataclass(frozen=True)
class Onset:
    """From when on a tester is off.

    likely, earliest: index of the check from which it most likely is, and of the earliest that the data leave open
    (99 %); good_until: time of the last check before the earliest, None where there is none.
    """

    likely: int
    earliest: int
    good_until: datetime.datetime | None


@dataclass(frozen=True)
class Chart:
    """Checks between two adjustments of a tester, in order of time, with what the rules say.

    scores, sums_up, sums_down: one for each check; ranges_beyond: indexes of checks whose range to the one before is
    beyond its limit (worth a look, no alarm); learning: checks that are still missing before the rules speak [1];
    ppm_per_kelvin: the temperature coefficient learned, None where temperatures are missing.
    """

    checks: tuple[Check, ...]
    scores: tuple[float | None, ...]
    sums_up: tuple[float, ...]
    sums_down: tuple[float, ...]
    limits: Limits | None
    ranges_beyond: tuple[int, ...]
    alarms: tuple[Alarm, ...]
    learning: int
    expected: Expected | None
    ppm_per_kelvin: float | None

    @property
    def alarm(self) -> Alarm | None:
        """Return the first alarm, which holds until the tester is put right and a new chart begins."""
        return self.alarms[0] if self.alarms else None


def limits_of(deviations: Sequence[float]) -> Limits:
    """Compute the lines of a chart of individuals and moving ranges.

    Args:
        deviations: at least two, in order of time, in any one unit.

    Returns:
        Center and limits at three standard deviations, in that unit.

    Raises:
        InputError: fewer than two values.
    """
    if len(deviations) < 2:
        raise InputError(f"A control chart needs two checks at least; there is {len(deviations)}.")
    values = np.asarray(deviations, dtype=float)
    mean_range = float(np.mean(np.abs(np.diff(values))))
    center, sigma = float(values.mean()), mean_range / _D2
    return Limits(center, sigma, center - 3 * sigma, center + 3 * sigma, mean_range, _D4 * mean_range)


def chart(checks: Iterable[Check], expected: Expected | None = None, tolerance: float | None = None) -> Chart:
    """Put checks on a control chart and apply the rules.

    Args:
        checks: those since the tester was last adjusted, in any order.
        expected: what is known before the first; None for nothing, then ten checks teach the chart.
        tolerance: largest deviation allowed, relative; None for no such rule.

    Returns:
        The chart. After an alarm the sums start again at zero, and the check that raised it teaches the chart nothing.

    Raises:
        InputError: a deviation is not finite, or two checks have the same time.
    """
    ordered = tuple(sorted(checks, key=lambda check: check.time))
    _refuse_nonsense(ordered)
    kelvins = _kelvins(ordered)
    spread = _Spread(expected, with_temperature=kelvins is not None)
    up = down = 0.0
    scores: list[float | None] = []
    sums: list[tuple[float, float]] = []
    alarms = []
    for index, check in enumerate(ordered):
        kelvin = 0.0 if kelvins is None else kelvins[index]
        score = spread.score(check.deviation, kelvin)
        scores.append(score)
        if score is not None:
            up, down = max(0.0, up + score - _SLACK), max(0.0, down - score - _SLACK)
        sums.append((up, down))
        rule = None
        if score is not None and abs(score) > _SCORE_LIMIT:
            rule, is_up = LIMIT, score > 0
        elif max(up, down) > _SUM_LIMIT:
            rule, is_up = SHIFT, up > down
        elif tolerance is not None and abs(check.deviation) > tolerance:
            rule, is_up = TOLERANCE, check.deviation > 0
        if rule is None:
            spread.learn(check.deviation, kelvin)
            continue
        up = down = 0.0
        alarms.append(Alarm(index, check, rule, is_up, score))
    rang = {alarm.index for alarm in alarms}
    quiet = [check.deviation for index, check in enumerate(ordered) if index not in rang]
    limits = limits_of(quiet) if len(quiet) >= 2 else None
    beyond: tuple[int, ...] = ()
    if limits is not None:
        beyond = tuple(
            index
            for index in range(1, len(ordered))
            if abs(ordered[index].deviation - ordered[index - 1].deviation) > limits.upper_range
        )
    return Chart(
        ordered,
        tuple(scores),
        tuple(pair[0] for pair in sums),
        tuple(pair[1] for pair in sums),
        limits,
        beyond,
        tuple(alarms),
        max(0, math.ceil(_LEAST_FREEDOM - spread.degrees)),
        expected,
        spread.ppm_per_kelvin,
    )


@dataclass(frozen=True)
class Job:
    """A probe test that a tester made: when, for which ticket (None for none), and what identifies its record."""

    time: datetime.datetime
    ticket: str | None
    record: str


def affected(jobs: Iterable[Job], onset: Onset, until: datetime.datetime | None = None) -> list[Job]:
    """List the tests that a tester's error may have touched.

    Args:
        jobs: tests of this tester.
        onset: from when on it is off.
        until: when the tester was put right; None for not yet.

    Returns:
        The tests after the last check that was surely good, up to `until`, in order of time.
    """
    return sorted(
        (
            job
            for job in jobs
            if (onset.good_until is None or job.time > onset.good_until) and (until is None or job.time <= until)
        ),
        key=lambda job: job.time,
    )


def onset_of(on_chart: Chart, alarm: Alarm) -> Onset:
    """Estimate from which check on a tester is off.

    Every check in turn is taken as the first of a step, or of a drift that is linear in time; what remains is compared
    by sums of squares (maximum likelihood for normal deviations, 99 % interval by the likelihood ratio).

    Args:
        on_chart: the chart.
        alarm: one of its alarms.

    Returns:
        The onset.
    """
    first = max(0, alarm.index + 1 - _LOOK_BACK)
    checks = on_chart.checks[first : alarm.index + 1]
    days = np.array([(check.time - checks[0].time).total_seconds() / 86400 for check in checks])
    values = np.array([check.deviation for check in checks])
    # What the tester does when nothing is wrong: its level, where no calibration tells it, and its temperature.
    known: list[np.ndarray] = []
    if on_chart.expected is None:
        known.append(np.ones(len(values)))
    else:
        values = values - on_chart.expected.deviation
    kelvins = _kelvins(checks)
    if kelvins is not None:
        known.append(np.array(kelvins))
    base = np.linalg.qr(np.stack(known, axis=1))[0] if known else np.zeros((len(values), 0))
    values = values - base @ (base.T @ values)
    left = np.full(len(values), math.inf)
    for start in range(len(values)):
        before = days[start - 1] if start else -1.0
        step = (np.arange(len(values)) >= start).astype(float)
        for shape in (step, np.maximum(0.0, days - before)):
            apart = shape - base @ (base.T @ shape)
            size = float(apart @ apart)
            # A step at the very first check cannot be told from the level itself.
            if size > 1e-9 * float(shape @ shape):
                off = values - apart * (float(apart @ values) / size)
                left[start] = min(left[start], float(off @ off))
    likely = int(np.argmin(left))
    variance = left[likely] / max(1, len(values) - 2 - base.shape[1])
    earliest = int(np.flatnonzero(left <= left[likely] + _ONSET_CHI2 * variance)[0])
    if earliest == 1 and on_chart.expected is None:
        earliest = 0
    good_until = on_chart.checks[first + earliest - 1].time if first + earliest > 0 else None
    return Onset(first + likely, first + earliest, good_until)


class _Spread:
    """Level, temperature coefficient and spread of the checks so far, with what was known before them.

    Conjugate updating of a normal regression whose variance is not known: `scale` times the variance is the
    covariance of (level, coefficient); degrees and squares are those of the variance.
    """

    def __init__(self, expected: Expected | None, with_temperature: bool) -> None:
        self._with_temperature = with_temperature
        coefficient = _COEFFICIENT_PRIOR**2 if with_temperature else 0.0
        if expected is None:
            # A level that nothing is known of; its one value teaches it, and the spread nothing.
            level, self.degrees, self.squares = _LEVEL_PRIOR**2, -1.0, 0.0
        else:
            level = (expected.u / expected.sigma) ** 2
            self.degrees = expected.degrees_of_freedom
            self.squares = expected.degrees_of_freedom * expected.sigma**2
        self._scale = np.diag([level, coefficient])
        self._mean = np.array([0.0 if expected is None else expected.deviation, 0.0])

    @property
    def ppm_per_kelvin(self) -> float | None:
        """Return the temperature coefficient [ppm/K], None where temperatures are missing."""
        return float(self._mean[1]) * 1e6 if self._with_temperature else None

    def score(self, value: float, kelvin: float) -> float | None:
        """Return the standard normal variable of a further value, None while the spread is not known."""
        from scipy import special

        if self.degrees < _LEAST_FREEDOM:
            return None
        here = np.array([1.0, kelvin])
        sigma = max(math.sqrt(self.squares / self.degrees), _LEAST_SIGMA)
        student = (value - float(here @ self._mean)) / (sigma * math.sqrt(1 + float(here @ self._scale @ here)))
        # The lower tail keeps its digits where the upper one would round to 1.
        score = -float(special.ndtri(max(special.stdtr(self.degrees, -abs(student)), 1e-300)))
        return math.copysign(score, student)

    def learn(self, value: float, kelvin: float) -> None:
        """Take a value into level, coefficient and spread."""
        here = np.array([1.0, kelvin])
        off = value - float(here @ self._mean)
        towards = self._scale @ here
        wider = 1 + float(here @ towards)
        if self.degrees >= 0:
            self.squares += off * off / wider
        self._mean = self._mean + towards * (off / wider)
        self._scale = self._scale - np.outer(towards, towards) / wider
        self.degrees += 1


def _kelvins(checks: Sequence[Check]) -> list[float] | None:
    """Return the temperatures against the first check's [K], None where one is missing."""
    celsius = [check.celsius for check in checks if check.celsius is not None]
    return [each - celsius[0] for each in celsius] if celsius and len(celsius) == len(checks) else None


def _refuse_nonsense(checks: Sequence[Check]) -> None:
    for check in checks:
        temperature = 0.0 if check.celsius is None else check.celsius
        if not (
            math.isfinite(check.deviation) and math.isfinite(check.u) and check.u >= 0 and math.isfinite(temperature)
        ):
            raise InputError(
                f"The check of {check.time:%Y-%m-%d %H:%M} has a deviation of {check.deviation}, an uncertainty of "
                f"{check.u} and a temperature of {check.celsius}; they must be finite, the uncertainty not negative."
            )
    for first, second in zip(checks, checks[1:], strict=False):
        if first.time == second.time:
            raise InputError(f"Two checks have the same time, {first.time:%Y-%m-%d %H:%M:%S}; one chart is one tester.")
