"""A tester's history: its control chart, its drift and its next calibration together; several testers side by side.

Checks come as plain lists, or from a CSV file with the columns time, deviation_ppm, u_ppm and optionally tester and
celsius: deviation of a known resistor's reading relative to its value, standard uncertainty (k = 1), temperature
inside the tester.
"""

import csv
import datetime
import difflib
import io
import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from probeledger.calibrating.charts import Chart, Check, Expected, Job, Onset, affected, chart, onset_of
from probeledger.calibrating.drift import START_MONTHS, Advice, Calibration, Drift, advise, drift_of, unadjusted
from probeledger.errors import InputError
from probeledger.text import clean

__all__ = ["LIMIT", "TesterHistory", "history_of", "read_checks"]

# Largest relative error allowed at 1000 ohm: 0.03 % + 0.05 ohm, what the tester is made to keep.
LIMIT = 3.5e-4

_COLUMNS = ("time", "deviation_ppm", "u_ppm")
_OPTIONAL = ("tester", "celsius")
_MOST_ROWS = 100_000
_LEAST_DAYS_FOR_DRIFT = 60


@dataclass(frozen=True)
class TesterHistory:
    """What the history of one tester says.

    onset: None without an alarm; drift: None where the history is too short; affected: tests that may be touched.
    """

    tester: str
    chart: Chart
    onset: Onset | None
    drift: Drift | None
    advice: Advice
    affected: tuple[Job, ...]


def history_of(
    tester: str,
    checks: Sequence[Check],
    calibrations: Sequence[Calibration] = (),
    expected: Expected | None = None,
    jobs: Iterable[Job] = (),
    limit: float = LIMIT,
    present_months: int = START_MONTHS,
) -> TesterHistory:
    """Compute what a tester's history says.

    Args:
        tester: its id.
        checks: since its last adjustment.
        calibrations: all of its calibrations.
        expected: what the last calibration left, see charts.
        jobs: its probe tests.
        limit: largest relative error allowed.
        present_months: interval that holds now [months].

    Returns:
        Chart, drift, advice and the tests that may be affected. The drift is that of the calibrations where there are
        three or more, else that of the checks over at least 60 days (tester and check resistor together).

    Raises:
        InputError: there are no checks, or one has no meaning.
    """
    if not checks:
        raise InputError(f"There are no checks of tester {clean(tester, 40)}; do one each working morning.")
    on_chart = chart(checks, expected)
    alarm = on_chart.alarm
    onset = onset_of(on_chart, alarm) if alarm else None
    series = unadjusted(calibrations) if len(calibrations) >= 3 else list(on_chart.checks)
    days = (series[-1].time - series[0].time).total_seconds() / 86400
    drift = drift_of(series) if days >= _LEAST_DAYS_FOR_DRIFT and len(series) >= 3 else None
    if len(calibrations) >= 3:
        last = max(calibrations, key=lambda each: each.time)
        error, u_error = last.as_left, last.u
    elif drift is not None:
        error, u_error = drift.level, drift.u_level
    else:
        latest = on_chart.checks[-1]
        error, u_error = latest.deviation, latest.u
    advice = advise(limit, drift, error, u_error, max(0, len(calibrations) - 1), present_months, alarm)
    touched = tuple(affected(jobs, onset)) if onset else ()
    return TesterHistory(tester, on_chart, onset, drift, advice, touched)


def read_checks(text: str, shown: str) -> dict[str, list[Check]]:
    """Read a file of checks.

    Args:
        text: its content, CSV.
        shown: how a message names it.

    Returns:
        The checks of each tester, testers in the order of the file; "" where the file has no column tester.

    Raises:
        InputError: one sentence: which line, what was seen, what would be right.
    """
    reader = csv.reader(io.StringIO(text.removeprefix("\ufeff")))
    try:
        rows = [(reader.line_num, row) for row in reader if any(cell.strip() for cell in row)]
    except csv.Error as error:
        raise InputError(f"{shown} is not a CSV file: {clean(error, 80)}.") from None
    if len(rows) < 2:
        raise InputError(f"{shown} has no checks; it needs a heading with {', '.join(_COLUMNS)} and a row a check.")
    if len(rows) > _MOST_ROWS:
        raise InputError(f"{shown} has {len(rows) - 1} rows; at most {_MOST_ROWS} are read.")
    heading = [cell.strip() for cell in rows[0][1]]
    for name in _COLUMNS:
        if name not in heading:
            near = difflib.get_close_matches(name, heading, n=1, cutoff=0.5)
            seen = f"there is {clean(near[0], 40)}" if near else f"there are {clean(', '.join(heading), 100)}"
            raise InputError(f"{shown} has no column {name}; {seen}.")
    found: dict[str, list[Check]] = {}
    for number, row in rows[1:]:
        where = f"{shown}, line {number}"
        if len(row) != len(heading):
            raise InputError(f"{where}: {len(row)} values where the heading has {len(heading)}.")
        cells = {name: cell.strip() for name, cell in zip(heading, row, strict=True)}
        u = _number(cells, "u_ppm", where)
        if u <= 0:
            raise InputError(f"{where}: u_ppm is {u:g}; a standard uncertainty is above zero.")
        celsius = _number(cells, "celsius", where) if cells.get("celsius") else None
        check = Check(_time(cells["time"], where), 1e-6 * _number(cells, "deviation_ppm", where), 1e-6 * u, celsius)
        found.setdefault(clean(cells.get("tester", ""), 40), []).append(check)
    return found


def _number(cells: dict[str, str], name: str, where: str) -> float:
    try:
        value = float(cells[name])
    except ValueError:
        value = math.nan
    if not math.isfinite(value):
        raise InputError(f"{where}: {name} must be a finite number, not {clean(cells[name], 40) or 'nothing'!r}.")
    return value


def _time(text: str, where: str) -> datetime.datetime:
    try:
        moment = datetime.datetime.fromisoformat(text)
    except ValueError:
        raise InputError(f"{where}: time must be like 2026-11-25T07:55, not {clean(text, 40)!r}.") from None
    return moment if moment.tzinfo else moment.replace(tzinfo=datetime.UTC)
