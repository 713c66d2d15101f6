"""The archive of a chain of shops over years: a million probe tests, and what a person asks of it."""

from __future__ import annotations

import datetime
import random
import shutil
import tempfile
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from figures import AT_LEAST, BELOW, Figure, Group, figure, timed
from ledgers import EPOCH, FIRMWARE, Stencil, make_bodies

from probecore import record
from probeledger.archive import Archive, Search, open_archive
from probeledger.cli._months import months
from probeledger.reports.day import day_sheet
from probeledger.reports.render import render

_TESTERS = 40
_RECORDS = 25_000  # of each
_BATCH = 1_000
_DAYS = 3_650
_RARE = "pt1000-3750"
_EACH_RARE = 10
_RUNS = 5
_LEAST_FREE_BYTES = 5_000_000_000


def _name(number: int) -> tuple[str, bytes]:
    return f"pl-{number:06x}", b"chain%03d" % number


def _ledger(number: int, stencils: list[Stencil]) -> Iterator[tuple[int, bytes]]:
    """Yield a tester's records: (sequence, item)."""
    tester, ledger = _name(number)
    drawn = random.Random(number)
    previous = record.GENESIS
    day_s = 86_400
    for sequence in range(1, _RECORDS + 1):
        time = EPOCH - _DAYS * day_s + sequence * _DAYS * day_s // _RECORDS + drawn.randrange(600)
        stencil = stencils[(sequence * 7 + number) % len(stencils)]
        item = stencil.item(
            ledger=ledger,
            sequence=sequence,
            boot=sequence // 6 + 1,
            ms=61_000 + 1000 * (sequence % 6),
            time=time,
            tester=tester,
            firmware=FIRMWARE,
            previous=previous,
            job=sequence // 2 + 1,
            ticket=f"{number:02d}-{sequence // 2:05d}",
        )
        previous = record.digest(item)
        yield sequence, item


def _fill(archive: Archive, stencils: list[Stencil]) -> tuple[list[float], int]:
    """Store all records; return records a second of each ledger, and the items' bytes [1]."""
    rates, raw_bytes = [], 0
    for number in range(_TESTERS):
        tester, ledger = _name(number)
        items = list(_ledger(number, stencils))
        raw_bytes += sum(len(item) for _, item in items)

        def store(items: list[tuple[int, bytes]] = items, tester: str = tester, ledger: bytes = ledger) -> None:
            with archive.storing(tester, ledger) as storing:
                for at in range(0, len(items), _BATCH):
                    storing.add(items[at : at + _BATCH])

        rates.append(len(items) / timed(store))
    return rates, raw_bytes


def _stencils() -> list[Stencil]:
    bodies: list[dict[str, Any]] = make_bodies(200)
    for at in range(0, len(bodies), _EACH_RARE):
        bodies[at]["curve"] = _RARE
    return [Stencil(body) for body in bodies]


def _asked(archive: Archive) -> list[Figure]:
    """Time each question, after one that fills the caches."""
    day = datetime.date.fromtimestamp(EPOCH - 400 * 86_400)
    ticket = f"17-{_RECORDS // 4:05d}"
    found: dict[str, int] = {}

    def sheet() -> None:
        made = day_sheet(archive, day)
        render(made)
        found["tests of the day"] = len(made.tests)

    def by_ticket() -> None:
        found["records of the ticket"] = len(archive.search(Search(ticket=ticket)))

    def newest_of_type() -> None:
        found["newest of the type"] = len(archive.search(Search(curve=_RARE, limit=200)))

    def by_month() -> None:
        counted = months(archive, _RARE)
        found["tests of the type"] = sum(sum(each.values()) for _, each in counted)

    def newest() -> None:
        archive.search(Search(limit=200))

    asked = (
        ("day sheet, one day of all shops", sheet),
        ("search of a ticket", by_ticket),
        ("a sensor type's history: newest 200", newest_of_type),
        ("a sensor type's history: month by month", by_month),
        ("newest 200 of all", newest),
        ("first question after opening", lambda: open_archive(archive.name).close()),
    )
    figures = []
    for name, action in asked:
        action()
        figures.append(figure(name, [timed(action) for _ in range(_RUNS)], "s", (BELOW, 0.5)))
    if found["records of the ticket"] != 2 or found["newest of the type"] != 200:
        raise RuntimeError(f"the archive does not find what is in it: {found}")
    if found["tests of the type"] != _TESTERS * _RECORDS // _EACH_RARE or not found["tests of the day"]:
        raise RuntimeError(f"the archive does not find what is in it: {found}")
    figures.append(figure("tests on that day sheet", float(found["tests of the day"]), "tests"))
    figures.append(figure("tests of the sensor type", float(found["tests of the type"]), "tests"))
    return figures


def measure() -> list[Group]:
    """Build the archive once, then ask it."""
    with tempfile.TemporaryDirectory() as name:
        if shutil.disk_usage(name).free < _LEAST_FREE_BYTES:
            raise RuntimeError("there is not enough room for an archive of a million tests")
        path = Path(name) / "archive.sqlite"
        with open_archive(path, create=True) as archive:
            rates, raw_bytes = _fill(archive, _stencils())
            figures = _asked(archive)
            number = archive.count()
        stored_bytes = path.stat().st_size
    return [
        Group(
            "An archive of a million tests",
            f"{number:,} records of invented probe tests by {_TESTERS} testers over ten years stand in one SQLite file "
            "(a chain of shops). Each answer is what a command computes, without its start; the file was just "
            "written, so that it comes from the system's memory where it fits.",
            [
                figure("ingest, while it grows", rates, "records/s", (AT_LEAST, 20_000.0)),
                *figures,
                figure("a record as it came", raw_bytes / number, "bytes"),
                figure("its room in the archive's file", stored_bytes / number, "bytes"),
                figure("room against the raw bytes", stored_bytes / raw_bytes, "times"),
            ],
        )
    ]
