"""Write the archive and search it.

Storing is idempotent: a record that is there already changes nothing, and a record that differs from the one under the
same key is refused with the whole batch it came in. A batch is one transaction.
"""

import os
import time as clock
from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from operator import itemgetter
from pathlib import Path
from types import TracebackType
from typing import Any

from sqlalchemy import Connection, Engine, Select, func, insert, select, update
from sqlalchemy.dialects import postgresql, sqlite

from probeledger.archive import engine as engines
from probeledger.archive import schema
from probeledger.archive.engine import default_path
from probeledger.archive.records import UNREADABLE, Record, Search, columns_of
from probeledger.archive.times import reconstruct
from probeledger.errors import ArchiveError, ConflictError
from probeledger.text import clean

__all__ = ["Added", "Archive", "PullEntry", "default_path", "open_archive"]

_RECORD_COLUMNS = (
    schema.ledgers.c.tester,
    schema.ledgers.c.ledger,
    *(column for column in schema.records.c if column.name not in ("ledger_id", "words")),
)


@dataclass(frozen=True)
class Added:
    """What storing a batch did.

    Attributes:
        new, known: how many records were new, and how many were there already [1].
        kinds: (kind, verdict) -> how many of the new ones [1].
    """

    new: int
    known: int
    kinds: Counter[tuple[str, str | None]]


@dataclass(frozen=True)
class PullEntry:
    """What is kept of one pull: when, what came, and the head of the tester's chain at that time.

    Attributes:
        started: by the shop's clock [s since 1970, UTC]; seconds: how long it took [s].
        from_sequence, to_sequence: first and last new record, None where nothing was new.
        new_records, known_records: counts [1]; item_bytes: of the records that came over the line [1].
        last, head: the tester's last record and the SHA-256 of its item.
        verified: whether the chain held from end to end.
    """

    started: int
    seconds: float
    from_sequence: int | None
    to_sequence: int | None
    new_records: int
    known_records: int
    item_bytes: int
    last: int
    head: bytes
    verified: bool


class Archive:
    """An open archive. Use it in a `with` block, or call `close`."""

    def __init__(self, engine: Engine, name: str) -> None:
        """Take an engine from `open_archive`, and the archive's name for messages."""
        self._engine = engine
        self._writer = engines.writer(engine)
        self.name = name

    def __enter__(self) -> "Archive":
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def close(self) -> None:
        """Let go of the database."""
        self._engine.dispose()

    # Storing

    def add(self, items: Iterable[tuple[int, bytes]], tester: str, ledger: bytes) -> Added:
        """Store records in one transaction.

        Args:
            items: pairs (sequence number, the record's bytes), as they came from one tester.
            tester: the id of the tester that sent them, for records that cannot be read.
            ledger: the id of the ledger that they stand in, eight bytes.

        Returns:
            how many were new and how many were known.

        Raises:
            ConflictError: if a record differs from the one kept under its key; then nothing of the batch is stored.
            ArchiveError: if a record belongs to another ledger or number than it was sent as, or the database refuses.
        """
        by_tester: dict[str, dict[int, dict[str, Any]]] = {}
        for sequence, item in items:
            row = columns_of(bytes(item))
            if row["kind"] != UNREADABLE and (row["ledger"], row["sequence"]) != (ledger.hex(), sequence):
                raise ArchiveError(
                    f"The tester sent record {sequence} of ledger {ledger.hex()}, but it says that it is record "
                    f"{row['sequence']} of ledger {row['ledger']}. It was not stored."
                )
            row["sequence"] = sequence
            batch = by_tester.setdefault(row["tester"] or tester, {})
            if sequence in batch and batch[sequence]["item"] != row["item"]:
                raise self._conflict(row["tester"] or tester, sequence)
            batch[sequence] = row
        new = known = 0
        kinds: Counter[tuple[str, str | None]] = Counter()
        with engines.sentences(self.name), self._writer.begin() as connection:
            for owner, rows in by_tester.items():
                ledger_id = _ledger_id(connection, owner, ledger.hex())
                kept = self._kept(connection, ledger_id, list(rows))
                for sequence, item in kept.items():
                    if item != rows[sequence]["item"]:
                        raise self._conflict(owner, sequence)
                fresh = [row for sequence, row in rows.items() if sequence not in kept]
                if fresh:
                    _insert_records(connection, ledger_id, fresh)
                kinds.update((row["kind"], row["verdict"]) for row in fresh)
                new += len(fresh)
                known += len(kept)
        return Added(new, known, kinds)

    def _conflict(self, tester: str, sequence: int) -> ConflictError:
        return ConflictError(
            f"Record {sequence} of tester {clean(tester)} differs from the one in the archive {self.name}. The kept "
            "one was not changed and nothing more was stored; keep the tester as it is until both were looked at."
        )

    @staticmethod
    def _kept(connection: Connection, ledger_id: int, sequences: Sequence[int]) -> dict[int, bytes]:
        kept: dict[int, bytes] = {}
        for start in range(0, len(sequences), 500):
            rows = connection.execute(
                select(schema.records.c.sequence, schema.records.c.item)
                .where(schema.records.c.ledger_id == ledger_id)
                .where(schema.records.c.sequence.in_(sequences[start : start + 500]))
            )
            kept.update({row.sequence: bytes(row.item) for row in rows})
        return kept

    def note_tester(self, hello: Mapping[str, Any], now: int | None = None) -> None:
        """Keep what a tester said of itself, and the wall time of its present boot by the shop's clock.

        Args:
            hello: the tester's answer to `hello`.
            now: seconds since 1970 in UTC by the shop's clock when it answered [s]; None is now.
        """
        now = int(clock.time()) if now is None else now
        tester = str(hello["tester"])
        values = {
            "firmware": hello.get("firmware"),
            "calibration": hello.get("calibration"),
            "last_seen": now,
        }
        with engines.sentences(self.name), self._writer.begin() as connection:
            _insert_or_ignore(connection, schema.testers, {"tester": tester, "first_seen": now, **values})
            connection.execute(update(schema.testers).where(schema.testers.c.tester == tester).values(values))
            ledger = hello.get("ledger")
            boot, ms = hello.get("boot"), hello.get("ms")
            if ledger is None or not isinstance(boot, int) or not isinstance(ms, int):
                return
            ledger_id = _ledger_id(connection, tester, bytes(ledger).hex())
            _insert_or_ignore(
                connection, schema.clock_points, {"ledger_id": ledger_id, "boot": boot, "ms": ms, "time": now}
            )

    def reconstruct_times(self, ledger: bytes) -> int:
        """Work out the times of a ledger's records that have none, where another record of their boot has one.

        Returns:
            how many records got a time [1].
        """
        table = schema.records.c
        changed = 0
        with engines.sentences(self.name), self._writer.begin() as connection:
            for ledger_id in _ledger_ids(connection, ledger):
                rows = connection.execute(
                    select(table.boot, table.sequence, table.ms).where(
                        table.ledger_id == ledger_id, table.time.is_(None), table.boot.is_not(None)
                    )
                ).all()
                unknown: dict[int, list[tuple[int, int]]] = {}
                for row in rows:
                    unknown.setdefault(row.boot, []).append((row.sequence, row.ms))
                for boot, records in unknown.items():
                    times = self._times_of_boot(connection, ledger_id, boot, records)
                    for sequence, time in times.items():
                        connection.execute(
                            update(schema.records)
                            .where(table.ledger_id == ledger_id, table.sequence == sequence)
                            .values(time=time, time_reconstructed=True)
                        )
                    changed += len(times)
        return changed

    @staticmethod
    def _times_of_boot(
        connection: Connection, ledger_id: int, boot: int, unknown: list[tuple[int, int]]
    ) -> dict[int, int]:
        table = schema.records.c
        points = connection.execute(
            select(table.ms, table.time).where(
                table.ledger_id == ledger_id,
                table.boot == boot,
                table.time.is_not(None),
                table.time_reconstructed.is_(False),
            )
        ).all()
        outside = connection.execute(
            select(schema.clock_points.c.ms, schema.clock_points.c.time).where(
                schema.clock_points.c.ledger_id == ledger_id, schema.clock_points.c.boot == boot
            )
        ).first()
        return reconstruct(
            unknown,
            [(row.ms, row.time) for row in points],
            None if outside is None else (outside.ms, outside.time),
        )

    def add_pull(self, tester: str, ledger: bytes, entry: PullEntry) -> None:
        """Keep what one pull did."""
        with engines.sentences(self.name), self._writer.begin() as connection:
            ledger_id = _ledger_id(connection, tester, ledger.hex())
            connection.execute(insert(schema.pulls), {"ledger_id": ledger_id, **vars(entry)})

    # Asking

    def missing(self, ledger: bytes, first: int, last: int) -> list[tuple[int, int]]:
        """Return the runs of sequence numbers from `first` to `last` that the archive does not have.

        Returns:
            pairs (first, last), both included, in order.
        """
        if last < first:
            return []
        table = schema.records.c
        with engines.sentences(self.name), self._engine.connect() as connection:
            inside = [
                table.ledger_id.in_(_ledger_ids(connection, ledger)),
                table.sequence >= first,
                table.sequence <= last,
            ]
            count, low, high = connection.execute(
                select(func.count(), func.min(table.sequence), func.max(table.sequence)).where(*inside)
            ).one()
            if not count:
                return [(first, last)]
            if count == high - low + 1:
                runs = [(first, low - 1), (high + 1, last)]
                return [run for run in runs if run[0] <= run[1]]
            numbers = connection.execute(select(table.sequence).where(*inside).order_by(table.sequence)).scalars()
            runs = []
            expected = first
            for number in numbers:
                if number > expected:
                    runs.append((expected, number - 1))
                expected = max(expected, number + 1)
            if expected <= last:
                runs.append((expected, last))
            return runs

    def digest_at(self, ledger: bytes, sequence: int) -> bytes | None:
        """Return the SHA-256 of a kept record's item, or None where the archive does not have that record."""
        table = schema.records.c
        with engines.sentences(self.name), self._engine.connect() as connection:
            digest = connection.execute(
                select(table.digest).where(
                    table.ledger_id.in_(_ledger_ids(connection, ledger)), table.sequence == sequence
                )
            ).scalar()
        return None if digest is None else bytes(digest)

    def previous_at(self, ledger: bytes, sequence: int) -> bytes | None:
        """Return what a kept record says of the one before it, or None where it is not kept or cannot be read."""
        table = schema.records.c
        with engines.sentences(self.name), self._engine.connect() as connection:
            previous = connection.execute(
                select(table.prev).where(
                    table.ledger_id.in_(_ledger_ids(connection, ledger)), table.sequence == sequence
                )
            ).scalar()
        return None if previous is None else bytes(previous)

    def last_sequence(self, ledger: bytes) -> int:
        """Return the number of the newest record kept of a ledger, 0 where there is none."""
        table = schema.records.c
        with engines.sentences(self.name), self._engine.connect() as connection:
            last = connection.execute(
                select(func.max(table.sequence)).where(table.ledger_id.in_(_ledger_ids(connection, ledger)))
            ).scalar()
        return int(last or 0)

    def search(self, search: Search | None = None) -> list[Record]:
        """Return the records that a search finds, oldest first; those without a time come first of all."""
        search = search or Search()
        table = schema.records.c
        query = _narrowed(
            select(*_RECORD_COLUMNS).join_from(schema.records, schema.ledgers, table.ledger_id == schema.ledgers.c.id),
            search,
        )
        if search.limit is not None:
            query = query.order_by(
                func.coalesce(table.time, -1).desc(), table.ledger_id.desc(), table.sequence.desc()
            ).limit(search.limit)
        else:
            query = query.order_by(func.coalesce(table.time, -1), table.ledger_id, table.sequence)
        with engines.sentences(self.name), self._engine.connect() as connection:
            rows = connection.execute(query).all()
        found = [Record(**row._mapping) for row in rows]
        if search.limit is not None:
            found.reverse()
        return found

    def count(self, search: Search | None = None) -> int:
        """Return how many records a search would find without its limit [1]."""
        query = _narrowed(
            select(func.count()).select_from(
                schema.records.join(schema.ledgers, schema.records.c.ledger_id == schema.ledgers.c.id)
            ),
            search or Search(),
        )
        with engines.sentences(self.name), self._engine.connect() as connection:
            return int(connection.execute(query).scalar() or 0)

    def testers(self) -> list[dict[str, Any]]:
        """Return what is kept of each tester: tester, firmware, calibration, first_seen, last_seen [s since 1970]."""
        with engines.sentences(self.name), self._engine.connect() as connection:
            rows = connection.execute(select(schema.testers).order_by(schema.testers.c.tester)).all()
        return [dict(row._mapping) for row in rows]

    def pulls(self, ledger: bytes | None = None) -> list[dict[str, Any]]:
        """Return the pulls kept, oldest first: tester, ledger and the fields of PullEntry."""
        table = schema.pulls
        query = select(
            schema.ledgers.c.tester,
            schema.ledgers.c.ledger,
            *(column for column in table.c if column.name not in ("id", "ledger_id")),
        ).join_from(table, schema.ledgers, table.c.ledger_id == schema.ledgers.c.id)
        if ledger is not None:
            query = query.where(schema.ledgers.c.ledger == ledger.hex())
        with engines.sentences(self.name), self._engine.connect() as connection:
            return [dict(row._mapping) for row in connection.execute(query.order_by(table.c.id))]


# The columns that a record's row brings along, in the table's order.
_ROW_COLUMNS = tuple(column.name for column in schema.records.c if column.name != "ledger_id")
_row_values = itemgetter(*_ROW_COLUMNS)


def _insert_records(connection: Connection, ledger_id: int, rows: Sequence[Mapping[str, Any]]) -> None:
    """Insert records, the rows of `columns_of`."""
    if connection.dialect.name != "sqlite":
        table = insert(schema.records)
        connection.execute(table, [{"ledger_id": ledger_id, **_without_key(row)} for row in rows])
        return
    # The driver takes these values as they are; having SQLAlchemy look at each would take longer than storing them.
    names = ", ".join(("ledger_id", *_ROW_COLUMNS))
    marks = ", ".join("?" * (1 + len(_ROW_COLUMNS)))
    connection.exec_driver_sql(
        f"INSERT INTO {schema.records.name} ({names}) VALUES ({marks})",
        [(ledger_id, *_row_values(row)) for row in rows],
    )


def _without_key(row: Mapping[str, Any]) -> dict[str, Any]:
    return {name: value for name, value in row.items() if name not in ("tester", "ledger")}


def _insert_or_ignore(connection: Connection, table: Any, values: Mapping[str, Any]) -> None:
    dialect = postgresql if connection.dialect.name == "postgresql" else sqlite
    connection.execute(dialect.insert(table).values(dict(values)).on_conflict_do_nothing())


def _ledger_id(connection: Connection, tester: str, ledger: str) -> int:
    """Return the number of a (tester, ledger), giving it one where it has none."""
    table = schema.ledgers
    query = select(table.c.id).where(table.c.tester == tester, table.c.ledger == ledger)
    found = connection.execute(query).scalar()
    if found is None:
        _insert_or_ignore(connection, table, {"tester": tester, "ledger": ledger})
        found = connection.execute(query).scalar_one()
    return int(found)


def _ledger_ids(connection: Connection, ledger: bytes) -> list[int]:
    """Return the numbers of a ledger: more than one where its flash was moved to another board."""
    table = schema.ledgers
    return list(connection.execute(select(table.c.id).where(table.c.ledger == ledger.hex())).scalars())


def _narrowed(query: Select[Any], search: Search) -> Select[Any]:
    table = schema.records.c
    for column, value in (
        (schema.ledgers.c.tester, search.tester),
        (schema.ledgers.c.ledger, search.ledger),
        (table.ticket, search.ticket),
        (table.job, search.job),
        (table.verdict, search.verdict),
        (table.kind, search.kind),
        (table.place, search.place),
    ):
        if value is not None:
            query = query.where(column == value)
    if search.since is not None:
        query = query.where(table.time >= search.since)
    if search.until is not None:
        query = query.where(table.time < search.until)
    if search.text:
        query = query.where(table.words.contains(search.text.lower(), autoescape=True))
    return query


def open_archive(place: str | os.PathLike[str] | None = None, *, create: bool = False) -> Archive:
    """Open the archive at a place.

    Args:
        place: a file's path, a database URL, or None for the default path (`default_path()`).
        create: make a new archive where there is nothing yet.

    Raises:
        NotAnArchiveError: if there is something else at that place, an archive of a newer version, or nothing and
            `create` is false.
        ArchiveError: if the database refuses.
    """
    if isinstance(place, Path):
        place = os.fspath(place)
    return Archive(*engines.connect(place, create=create))
