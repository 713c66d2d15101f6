"""Read a bake log from a CSV file: `seconds,celsius`, one reading a line.

A spreadsheet has often had its hands on the file: a byte order mark, UTF-16, semicolons with decimal commas, empty
lines and further columns are taken as they come. What cannot be meant is refused with its line number.
"""

from __future__ import annotations

import csv
import math
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from probeledger.errors import InputError
from probeledger.text import clean

if TYPE_CHECKING:
    from numpy import float64
    from numpy.typing import NDArray

__all__ = ["MOST_READINGS", "BakeLog", "from_arrays", "from_text", "load"]

# 12 h at one reading a second are 43,200; this is 30 times that, and a minute's work at most.
MOST_READINGS = 1_300_000
_MOST_BYTES = 64 * 1024 * 1024
# No cavity is outside, self-cleaning included; a broken lead reads as such a value.
_LEAST_CELSIUS, _MOST_CELSIUS = -60.0, 700.0
_FEWEST = 3
_TIMES = ("seconds", "second", "time_s", "s")
_TEMPERATURES = ("celsius", "temperature_celsius", "degc", "c")


@dataclass(frozen=True)
class BakeLog:
    """Readings in rising order of time.

    Attributes:
        seconds: times [s], strictly rising, shape (n,).
        celsius: temperatures [degC], shape (n,).
        missing: lines that had a time and no usable temperature [1].
        repeated: readings that shared a time with another and went into its mean [1].
    """

    seconds: NDArray[float64]
    celsius: NDArray[float64]
    missing: int = 0
    repeated: int = 0


def load(path: Path) -> BakeLog:
    """Read a bake log.

    Args:
        path: the CSV file.

    Returns:
        The readings.

    Raises:
        InputError: the file cannot be read or is no bake log; the message says what and where.
    """
    try:
        if path.stat().st_size > _MOST_BYTES:
            raise InputError(
                f"{clean(path)} is larger than {_MOST_BYTES // 2**20} MB; a bake log of 12 h is under 1 MB."
            )
        raw = path.read_bytes()
    except OSError as error:
        raise InputError(
            f"Cannot read {clean(path)}: {error.strerror}. Name a CSV file with seconds,celsius."
        ) from error
    try:
        text = raw.decode("utf-16" if raw[:2] in (b"\xff\xfe", b"\xfe\xff") else "utf-8-sig")
    except UnicodeDecodeError:
        # Numbers are the same in every 8-bit code; only a heading can look odd.
        text = raw.decode("latin-1")
    try:
        return from_text(text)
    except InputError as error:
        raise InputError(f"{clean(path.name, 60)}: {error.message}") from None


def from_text(text: str) -> BakeLog:
    """Read a bake log from the text of a CSV file. Raises InputError, with the line number."""
    lines = text.splitlines()
    first = next((line for line in lines if line.strip()), "")
    if not first:
        raise InputError("It is empty. A bake log has the columns seconds,celsius and one reading a line.")
    delimiter = ";" if ";" in first else "\t" if "\t" in first else ","
    if any(ord(character) < 32 and character != "\t" for character in first):
        raise InputError("It is no text file. A bake log is a CSV file with the columns seconds,celsius.")
    seconds: list[float] = []
    celsius: list[float] = []
    where: tuple[int, int] | None = None
    missing = 0
    last = -math.inf
    reader = csv.reader(lines, delimiter=delimiter)
    while True:
        try:
            row = next(reader)
        except StopIteration:
            break
        except csv.Error as error:
            raise InputError(f"Line {reader.line_num} is no CSV: {clean(error, 80)}.") from None
        if not row or not any(cell.strip() for cell in row):
            continue
        if where is None:
            where = _columns(row)
            if where is not None:
                continue
            where = (0, 1)
        line = reader.line_num
        if len(row) <= max(where):
            raise InputError(f"Line {line} has {len(row)} cell where time and temperature should be.")
        time_s = _number(row[where[0]], delimiter, line, "a time in seconds")
        if not math.isfinite(time_s):
            raise InputError(f"Line {line} has no time; give seconds since the log began.")
        if time_s < last:
            raise InputError(
                f"Line {line} goes back in time, from {last:g} s to {time_s:g} s; sort the file by time, and give two "
                "logs as two files."
            )
        last = time_s
        reading = _number(row[where[1]], delimiter, line, "a temperature in degrees C")
        if not _LEAST_CELSIUS <= reading <= _MOST_CELSIUS:
            missing += 1
            continue
        seconds.append(time_s)
        celsius.append(reading)
        if len(seconds) > MOST_READINGS:
            raise InputError(
                f"It has more than {MOST_READINGS:,} readings; give one log of up to 12 h.".replace(",", " ", 1)
            )
    return from_arrays(seconds, celsius, missing)


def from_arrays(seconds: object, celsius: object, missing: int = 0) -> BakeLog:
    """Make a bake log of readings; those at one time become their mean.

    Args:
        seconds: times [s], rising or equal, array-like of shape (n,).
        celsius: temperatures [degC], array-like of shape (n,); not a number where there is none.
        missing: lines without a temperature that were left out already [1].

    Returns:
        The log.

    Raises:
        InputError: the times go back, or fewer than three readings are left.
    """
    import numpy as np

    times, values = np.asarray(seconds, np.float64), np.asarray(celsius, np.float64)
    known = np.isfinite(values) & np.isfinite(times)
    missing += int(known.size - known.sum())
    times, values = times[known], values[known]
    steps = np.diff(times)
    if (steps < 0.0).any():
        at = int((steps < 0.0).argmax())
        raise InputError(f"The times go back, from {times[at]:g} s to {times[at + 1]:g} s; sort the log by time.")
    repeated = int((steps == 0.0).sum())
    if repeated:
        times, place, many = np.unique(times, return_inverse=True, return_counts=True)
        values = np.bincount(place, values) / many
    if times.size < _FEWEST:
        raise InputError(
            f"It has {times.size} usable readings at different times, and {missing} without a temperature between "
            f"{_LEAST_CELSIUS:g} and {_MOST_CELSIUS:g} degrees C; a bake log has thousands."
        )
    return BakeLog(times, values, missing, repeated)


def _columns(row: list[str]) -> tuple[int, int] | None:
    """Return where time and temperature stand by the headings, None where the row has numbers already."""
    names = [cell.strip().lower() for cell in row]
    try:
        for cell in row:
            float(cell.strip().replace(",", ".") or "nan")
        return None
    except ValueError:
        pass
    found = []
    for wanted in (_TIMES, _TEMPERATURES):
        at = [place for place, name in enumerate(names) if name in wanted]
        if len(at) != 1:
            seen = clean(", ".join(names), 60)
            more = " Convert the readings to degrees C." if any("fahrenheit" in name for name in names) else ""
            raise InputError(
                f"Its headings ({seen}) have {'no' if not at else 'more than one'} column {wanted[0]}; the first line "
                f"should be seconds,celsius.{more}"
            )
        found.append(at[0])
    return found[0], found[1]


def _number(cell: str, delimiter: str, line: int, what: str) -> float:
    """Return a cell's number, not a number for an empty one. Raises InputError for anything else."""
    text = cell.strip()
    if not text:
        return math.nan
    try:
        return float(text)
    except ValueError:
        pass
    try:
        # With semicolons a comma is a decimal point.
        if delimiter != "," and text.count(",") == 1:
            return float(text.replace(",", "."))
    except ValueError:
        pass
    raise InputError(f"Line {line} has {clean(text, 30)!r} where {what} should be.")
