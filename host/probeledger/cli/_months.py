"""A sensor type's history: its tests, month by month."""

from __future__ import annotations

import datetime
from typing import TYPE_CHECKING

from probeledger.cli._output import console, emit, emit_line, note, table
from probeledger.text import clean

if TYPE_CHECKING:
    from probeledger.archive import Archive

__all__ = ["months", "show_months"]

_VERDICTS = ("pass", "fail", "undecided")


def months(archive: Archive, curve: str) -> list[tuple[datetime.date, dict[str | None, int]]]:
    """Return the local months from the first to the last test with a curve, and its tests by verdict in each."""
    from probeledger.archive import Search, day_bounds

    span = archive.time_span(Search(curve=curve))
    if span is None:
        return []
    first, last = (datetime.datetime.fromtimestamp(time).date().replace(day=1) for time in span)
    starts = [first]
    while starts[-1] <= last:
        starts.append((starts[-1] + datetime.timedelta(days=32)).replace(day=1))
    counted = archive.history(curve, [day_bounds(start)[0] for start in starts])
    return list(zip(starts[:-1], counted, strict=True))


def show_months(archive: Archive, curve: str, *, as_json: bool, as_jsonl: bool) -> None:
    """Write the history as a table or as JSON."""
    found = months(archive, curve)
    documents = [
        {
            "curve": curve,
            "month": f"{start:%Y-%m}",
            "tests": sum(counted.values()),
            **{verdict: counted.get(verdict, 0) for verdict in _VERDICTS},
        }
        for start, counted in found
    ]
    if as_json:
        emit(documents)
        return
    if as_jsonl:
        for document in documents:
            emit_line(document)
        return
    if not documents:
        note(f"No test with the curve {clean(curve, 40)}.")
        return
    columns: list[str | tuple[str, str]] = [
        "Month",
        ("Tests", "right"),
        *((verdict.capitalize(), "right") for verdict in _VERDICTS),
    ]
    rows = [[document[name] for name in ("month", "tests", *_VERDICTS)] for document in documents if document["tests"]]
    console().print(table(columns, rows))
