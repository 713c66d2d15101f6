"""The points file of a calibration: what the tester read on each reference resistor, as CSV.

Columns, in any order: reference_ohms, u_reference_ohms, raw_ohms, u_raw_ohms; where references share an uncertainty
also shared_group and u_shared_ohms; where several rows are of one resistor also resistor. All uncertainties are
standard uncertainties (k = 1) in ohms. They add: u_reference_ohms is a row's own part, u_shared_ohms comes on top and
is common to the rows of its group. Rows that name the same resistor have their u_reference_ohms in common.
"""

import csv
import dataclasses
import difflib
import io
import math
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from probeledger.errors import InputError
from probeledger.text import clean, plural

__all__ = ["COLUMNS", "LEAST_POINTS", "OPTIONAL_COLUMNS", "Point", "covariances", "read_points", "repeated_references"]

COLUMNS = ("reference_ohms", "u_reference_ohms", "raw_ohms", "u_raw_ohms")
OPTIONAL_COLUMNS = ("shared_group", "u_shared_ohms", "resistor")
_KNOWN = COLUMNS + OPTIONAL_COLUMNS

LEAST_POINTS = 3
# The matrices have this many rows squared.
_MOST_POINTS = 1000
_MOST_OHMS = 1e9


@dataclass(frozen=True)
class Point:
    """One row: a reference resistor, and what the tester read on it before any correction.

    line: number in the file; u_*: standard uncertainties [ohm]; shared_group, resistor: names, None for none.
    """

    line: int
    reference_ohms: float
    u_reference_ohms: float
    raw_ohms: float
    u_raw_ohms: float
    shared_group: str | None = None
    u_shared_ohms: float = 0.0
    resistor: str | None = None


def read_points(text: str, shown: str) -> tuple[list[Point], list[str]]:
    """Read a points file.

    Args:
        text: the file's content; commas, or semicolons with decimal commas; lines that begin with # are left out.
        shown: how a message names the file.

    Returns:
        The points in the order of their rows, and warnings, one sentence each.

    Raises:
        InputError: one sentence: which line, what was seen, what would be right.
    """
    lines = [(number, line) for number, line in enumerate(text.removeprefix("\ufeff").splitlines(), start=1)]
    lines = [(number, line) for number, line in lines if line.strip() and not line.lstrip().startswith("#")]
    if not lines:
        raise InputError(f"{shown} is empty; it needs a heading with the columns {', '.join(COLUMNS)}.")
    delimiter = ";" if ";" in lines[0][1] else "\t" if "\t" in lines[0][1] else ","
    try:
        rows = [next(csv.reader(io.StringIO(line), delimiter=delimiter, strict=True)) for _, line in lines]
    except csv.Error as error:
        raise InputError(f"{shown} is not a CSV file: {clean(error, 80)}.") from None
    heading = [cell.strip() for cell in rows[0]]
    warnings = _check_heading(heading, shown)
    if len(rows) - 1 > _MOST_POINTS:
        raise InputError(f"{shown} has {len(rows) - 1} rows; a calibration has at most {_MOST_POINTS}.")
    points = []
    for (number, _), row in zip(lines[1:], rows[1:], strict=True):
        if len(row) != len(heading):
            raise InputError(
                f"{shown}, line {number}: {plural(len(row), 'value')} where the heading has {len(heading)}; "
                f"{'decimal commas need semicolons between the columns' if delimiter == ',' else 'check that line'}."
            )
        cells = {name: cell.strip() for name, cell in zip(heading, row, strict=True)}
        points.append(_point(cells, number, f"{shown}, line {number}", decimal_comma=delimiter == ";"))
    _check_set(points, shown)
    return points, warnings + _identical_rows(points)


def covariances(points: Sequence[Point]) -> tuple[np.ndarray, np.ndarray]:
    """Return the covariance matrices of a set of points.

    Args:
        points: m of them.

    Returns:
        That of the raw values and that of the references, each of shape (m, m) [ohm^2].
    """
    raw = np.diag([point.u_raw_ohms**2 for point in points])
    reference = np.diag([point.u_reference_ohms**2 for point in points])
    for one, first in enumerate(points):
        for two, second in enumerate(points):
            if one != two and first.resistor is not None and first.resistor == second.resistor:
                reference[one, two] += first.u_reference_ohms * second.u_reference_ohms
            if first.shared_group is not None and first.shared_group == second.shared_group:
                reference[one, two] += first.u_shared_ohms * second.u_shared_ohms
    return raw, reference


def _check_heading(heading: list[str], shown: str) -> list[str]:
    """Return warnings about columns that are not used. Raises InputError where one is missing or stands twice."""
    twice = [name for name, count in Counter(heading).items() if count > 1 and name]
    if twice:
        raise InputError(f"{shown} has the column {clean(twice[0], 40)} twice; keep one.")
    unknown = [name for name in heading if name not in _KNOWN]
    for name in COLUMNS:
        if name not in heading:
            near = difflib.get_close_matches(name, unknown, n=1, cutoff=0.6)
            seen = f"there is {clean(near[0], 40)}" if near else f"there are {clean(', '.join(heading), 120)}"
            raise InputError(f"{shown} has no column {name}; {seen}. All values are in ohm, uncertainties with k = 1.")
    for name, other in (("shared_group", "u_shared_ohms"), ("u_shared_ohms", "shared_group")):
        if name in heading and other not in heading:
            raise InputError(f"{shown} has the column {name} but not {other}; the two belong together.")
    warnings = []
    for name in unknown:
        near = difflib.get_close_matches(name, OPTIONAL_COLUMNS, n=1, cutoff=0.7)
        if near and near[0] not in heading:
            raise InputError(f"{shown} has a column {clean(name, 40)!r}; did you mean {near[0]}?")
        warnings.append(f"The column {clean(name, 40)!r} is not used.")
    return warnings


def _number(cells: dict[str, str], name: str, where: str, decimal_comma: bool) -> float:
    text = cells[name]
    try:
        value = float(text.replace(",", ".") if decimal_comma else text)
    except ValueError:
        seen = "nothing" if not text else repr(clean(text, 40))
        raise InputError(f"{where}: {name} must be a number of ohm such as 1000.0, not {seen}.") from None
    if not math.isfinite(value):
        raise InputError(f"{where}: {name} must be a finite number of ohm, not {clean(text, 40)}.")
    if abs(value) > _MOST_OHMS:
        raise InputError(f"{where}: {name} is {value:g} ohm, which no tester reads; is it in another unit?")
    return value


def _point(cells: dict[str, str], line: int, where: str, decimal_comma: bool) -> Point:
    values = {name: _number(cells, name, where, decimal_comma) for name in COLUMNS}
    group = cells.get("shared_group") or None
    if group is not None or cells.get("u_shared_ohms"):
        shared = _number(cells, "u_shared_ohms", where, decimal_comma)
    else:
        shared = 0.0
    for name, value in (*values.items(), ("u_shared_ohms", shared)):
        if name.startswith("u_") and value < 0:
            raise InputError(f"{where}: {name} is {value:g} ohm; an uncertainty cannot be negative.")
    if values["reference_ohms"] < 0:
        raise InputError(f"{where}: reference_ohms is {values['reference_ohms']:g}; a resistor is not below 0 ohm.")
    if group is None and shared > 0:
        raise InputError(f"{where}: u_shared_ohms is {shared:g} and shared_group is empty; name the group.")
    if values["u_reference_ohms"] == 0 and values["u_raw_ohms"] == 0:
        raise InputError(
            f"{where}: u_reference_ohms and u_raw_ohms are both 0; every row needs an uncertainty of its own."
        )
    resistor = cells.get("resistor") or None
    return Point(
        line,
        values["reference_ohms"],
        values["u_reference_ohms"],
        values["raw_ohms"],
        values["u_raw_ohms"],
        group,
        shared,
        resistor,
    )


def _check_set(points: Sequence[Point], shown: str) -> None:
    if len(points) < LEAST_POINTS:
        raise InputError(
            f"{shown} has {plural(len(points), 'point')}; at least {LEAST_POINTS} are needed, "
            "so that the fit can be checked."
        )
    for name, what in (("reference_ohms", "references"), ("raw_ohms", "raw values")):
        values = {getattr(point, name) for point in points}
        if len(values) == 1:
            raise InputError(
                f"{shown}: all {what} are identical ({values.pop():g} ohm); a fit needs resistors of different values."
            )


def _identical_rows(points: Sequence[Point]) -> list[str]:
    """Return warnings about rows that stand twice."""
    lines: dict[Point, list[int]] = {}
    for point in points:
        lines.setdefault(dataclasses.replace(point, line=0), []).append(point.line)
    return [
        f"Lines {', '.join(map(str, numbers[:10]))} are identical; two readings hardly agree in every digit, so look "
        "for a copied row. All are used."
        for numbers in lines.values()
        if len(numbers) > 1
    ]


def repeated_references(points: Sequence[Point]) -> list[float]:
    """Return the references [ohm] that stand in several rows whose own uncertainties are taken as independent."""
    counts = Counter(
        (point.reference_ohms, point.u_reference_ohms)
        for point in points
        if point.resistor is None and point.u_reference_ohms > 0
    )
    return [ohms for (ohms, _), count in counts.items() if count > 1]
