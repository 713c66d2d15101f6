"""The archive: how fast records go in, and how much room they take."""

from __future__ import annotations

import tempfile
from pathlib import Path

from figures import AT_LEAST, Group, figure, timed
from ledgers import LEDGER, chain, make_bodies

from probeledger.archive import Archive, Search, open_archive

_RECORDS = 20_000
_FEW = 2_000
_BATCH = 1_000
# What a pull stores in one transaction: a segment file of the tester.
_SEGMENT_BATCH = 10
_RUNS = 3
_TESTER = "pl-3f9a1c"


def _store(archive: Archive, items: list[tuple[int, bytes]], batch: int) -> None:
    with archive.storing(_TESTER, LEDGER) as storing:
        for start in range(0, len(items), batch):
            storing.add(items[start : start + batch])


def _rate(folder: Path, name: str, items: list[tuple[int, bytes]], batch: int) -> tuple[float, Path]:
    """Store records in a new archive; return records a second, and the archive's file."""
    place = folder / f"{name}.sqlite"
    with open_archive(place, create=True) as archive:
        seconds = timed(lambda: _store(archive, items, batch))
        if archive.count(Search(kind="probe")) != len(items):
            raise RuntimeError("the archive does not have all records")
    return len(items) / seconds, place


def measure() -> list[Group]:
    """Time ingest into SQLite files, each commit synced to the disk."""
    items = chain(make_bodies(300), _RECORDS, _TESTER)
    raw_bytes = sum(len(item) for _, item in items) / len(items)
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        large = [_rate(folder, f"large{number}", items, _BATCH) for number in range(_RUNS)]
        small = [_rate(folder, f"small{number}", items[:_FEW], _SEGMENT_BATCH)[0] for number in range(_RUNS)]
        stored_bytes = large[0][1].stat().st_size / len(items)
    return [
        Group(
            "The archive",
            f"{_RECORDS:,} records of invented probe tests go into a new SQLite archive, {_BATCH:,} in a transaction, "
            f"each read, checked and indexed; then {_FEW:,} in transactions of {_SEGMENT_BATCH}, as a pull makes them. "
            "Every commit waits for the disk (synchronous FULL). The archive keeps the raw bytes and what was parsed.",
            [
                figure("ingest, large transactions", [rate for rate, _ in large], "records/s", (AT_LEAST, 20_000.0)),
                figure("ingest, transactions of a pull", small, "records/s"),
                figure("a record as it came", raw_bytes, "bytes"),
                figure("its room in the archive's file", stored_bytes, "bytes"),
                figure("room against the raw bytes", stored_bytes / raw_bytes, "times"),
            ],
        )
    ]
