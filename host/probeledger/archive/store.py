"""Write the archive and search it.

Storing is idempotent: a record that is there already changes nothing, and a record that differs from the one under the
same key is refused with the whole batch it came in. A batch is one transaction.
"""

import itertools
import os
import time as clock
from collections import Counter
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from types import TracebackType
from typing import Any

from sqlalchemy import Connection, Engine, delete, func, insert, select, update

from probeledger.archive import amendments, copies, rows, schema
from probeledger.archive import engine as engines
from probeledger.archive.amendments import Amendment
from probeledger.archive.copies import Copied
from probeledger.archive.engine import default_path
from probeledger.archive.records import UNREADABLE, Record, Search, columns_of
from probeledger.archive.seals import storable
from probeledger.archive.storing import Storing
from probeledger.archive.verifying import Verified, verify_archive
from probeledger.errors import ArchiveError, ConflictError
from probeledger.text import clean

__all__ = ["Added", "Archive", "PullEntry", "default_path", "open_archive"]


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
        finished: whether the pull came to its end.
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
    finished: bool = True


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

    def add(self, items: Iterable[tuple[int, bytes]], tester: str, ledger: bytes, pull: int | None = None) -> Added:
        """Store records in one transaction.

        Args:
            items: pairs (sequence number, the record's bytes), as they came from one tester.
            tester: the id of the tester that sent them, for records that cannot be read.
            ledger: the id of the ledger that they stand in, eight bytes.
            pull: the number of the pull that they came with, which is kept up to date in the same transaction.

        Returns:
            how many were new and how many were known.

        Raises:
            ConflictError: if a record differs from the one kept under its key; then nothing of the batch is stored.
            ArchiveError: if a record belongs to another ledger or number than it was sent as, or the database refuses.
        """
        prepared = self._prepared(items, tester, ledger)
        with engines.sentences(self.name), self._writer.begin() as connection:
            return self._insert(connection, prepared, ledger, pull)

    def storing(self, tester: str, ledger: bytes, pull: int | None = None) -> Storing[Added]:
        """Return what stores batch after batch, each as `add` does, while the one before reaches the disk.

        Args:
            tester, ledger, pull: as of `add`.
        """
        return Storing(
            self._writer,
            self.name,
            lambda items: self._prepared(items, tester, ledger),
            lambda connection, prepared: self._insert(connection, prepared, ledger, pull),
        )

    def _prepared(
        self, items: Iterable[tuple[int, bytes]], tester: str, ledger: bytes
    ) -> dict[str, dict[int, dict[str, Any]]]:
        """Return a batch's rows by tester and number, all checked that can be checked without the database."""
        tester = storable(tester)
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
        return by_tester

    def _insert(
        self,
        connection: Connection,
        by_tester: Mapping[str, Mapping[int, dict[str, Any]]],
        ledger: bytes,
        pull: int | None,
    ) -> Added:
        """Insert what is new of a prepared batch, inside a transaction."""
        new = known = 0
        kinds: Counter[tuple[str, str | None]] = Counter()
        # In one order, so that two writers never wait for each other.
        for owner in sorted(by_tester):
            batch = by_tester[owner]
            number = rows.ledger_id(connection, owner, ledger.hex())
            kept = rows.kept_items(connection, number, list(batch))
            for sequence, item in kept.items():
                if item != batch[sequence]["item"]:
                    raise self._conflict(owner, sequence)
            fresh = [row for sequence, row in batch.items() if sequence not in kept]
            if fresh:
                rows.insert_records(connection, number, fresh)
            kinds.update([(row["kind"], row["verdict"]) for row in fresh])
            new += len(fresh)
            known += len(kept)
            if pull is not None:
                rows.extend_pull(connection, pull, fresh, len(kept), sum(len(row["item"]) for row in batch.values()))
        return Added(new, known, kinds)

    def _conflict(self, tester: str, sequence: int) -> ConflictError:
        return ConflictError(
            f"Record {sequence} of tester {clean(tester)} differs from the one in the archive {self.name}. The kept "
            "one was not changed and nothing more was stored; keep the tester as it is until both were looked at."
        )

    def note_tester(self, hello: Mapping[str, Any], now: int | None = None) -> None:
        """Keep what a tester said of itself, and the wall time of its present boot by the shop's clock.

        Args:
            hello: the tester's answer to `hello`.
            now: seconds since 1970 in UTC by the shop's clock when it answered [s]; None is now.
        """
        now = int(clock.time()) if now is None else now
        tester = storable(str(hello["tester"]))
        values = {
            "firmware": _kept_text(hello.get("firmware")),
            "calibration": _kept_text(hello.get("calibration")),
            "last_seen": now,
        }
        with engines.sentences(self.name), self._writer.begin() as connection:
            rows.insert_or_ignore(connection, schema.testers, {"tester": tester, "first_seen": now, **values})
            connection.execute(update(schema.testers).where(schema.testers.c.tester == tester).values(values))
            ledger = hello.get("ledger")
            boot, ms = hello.get("boot"), hello.get("ms")
            if ledger is None or not isinstance(boot, int) or not isinstance(ms, int):
                return
            last = hello.get("last")
            rows.insert_or_ignore(
                connection,
                schema.clock_points,
                {
                    "ledger_id": rows.ledger_id(connection, tester, bytes(ledger).hex()),
                    "boot": boot,
                    "ms": ms,
                    "time": now,
                    "last": last if isinstance(last, int) else None,
                },
            )

    def reconstruct_times(self, ledger: bytes) -> int:
        """Work out the times of a ledger's records that its clock did not tell, or told wrong.

        Returns:
            how many records got another time [1].
        """
        with engines.sentences(self.name), self._writer.begin() as connection:
            numbers = rows.ledger_ids(connection, ledger, lock=True)
            return rows.set_times(connection, numbers)

    def add_pull(self, tester: str, ledger: bytes, entry: PullEntry) -> int:
        """Keep what one pull did, or that it began; return its number."""
        values = vars(entry)
        tester = storable(tester)
        with engines.sentences(self.name), self._writer.begin() as connection:
            number = rows.ledger_id(connection, tester, ledger.hex())
            digest = rows.seal_pull(tester, ledger.hex(), values)
            done = connection.execute(insert(schema.pulls), {"ledger_id": number, "digest": digest, **values})
            key = done.inserted_primary_key
            assert key is not None
            return int(key[0])

    def end_pull(self, pull: int, *, seconds: float, verified: bool, known_records: int, finished: bool) -> None:
        """Keep how a pull ended.

        Args:
            pull: its number; seconds: how long it took [s]; verified: whether the chain held.
            known_records: how many of the tester's records were there already [1].
            finished: everything that the tester has was asked for.
        """
        changes = {"seconds": seconds, "verified": verified, "known_records": known_records, "finished": finished}
        with engines.sentences(self.name), self._writer.begin() as connection:
            rows.change_pull(connection, pull, changes)

    def forget_pull(self, pull: int) -> None:
        """Remove what was kept of a pull that stored nothing because the tester's history is another one."""
        table = schema.pulls.c
        with engines.sentences(self.name), self._writer.begin() as connection:
            connection.execute(delete(schema.pulls).where(table.id == pull, table.to_sequence.is_(None)))

    def amend(
        self,
        tester: str,
        sequence: int,
        kind: str,
        *,
        ledger: str | None = None,
        value: str | None = None,
        reason: str | None = None,
        author: str,
        now: int | None = None,
    ) -> Amendment:
        """Append a correction to a record, which itself stays as it is; see `amendments.add`."""
        key = (tester, ledger, sequence)
        return amendments.add(self._engine, self.name, key, kind, value=value, reason=reason, author=author, now=now)

    # Copies and checks

    def backup(self, path: Path, *, replace: bool = False) -> Copied:
        """Copy the archive into a file; see `copies.backup`."""
        return copies.backup(self._engine, self.name, path, replace=replace)

    def verify(self, heads: Iterable[bytes] = (), report: Callable[[int, int], None] | None = None) -> Verified:
        """Check every record, chain and digest; see `verifying.verify_archive`."""
        return verify_archive(self._engine, self.name, heads, report)

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
                table.ledger_id.in_(rows.ledger_ids(connection, ledger)),
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
                    table.ledger_id.in_(rows.ledger_ids(connection, ledger)), table.sequence == sequence
                )
            ).scalar()
        return None if digest is None else bytes(digest)

    def previous_at(self, ledger: bytes, sequence: int) -> bytes | None:
        """Return what a kept record says of the one before it, or None where it is not kept or cannot be read."""
        table = schema.records.c
        with engines.sentences(self.name), self._engine.connect() as connection:
            previous = connection.execute(
                select(table.prev).where(
                    table.ledger_id.in_(rows.ledger_ids(connection, ledger)), table.sequence == sequence
                )
            ).scalar()
        return None if previous is None else bytes(previous)

    def last_sequence(self, ledger: bytes) -> int:
        """Return the number of the newest record kept of a ledger, 0 where there is none."""
        table = schema.records.c
        with engines.sentences(self.name), self._engine.connect() as connection:
            last = connection.execute(
                select(func.max(table.sequence)).where(table.ledger_id.in_(rows.ledger_ids(connection, ledger)))
            ).scalar()
        return int(last or 0)

    def search(self, search: Search | None = None) -> list[Record]:
        """Return the records that a search finds, oldest first; those without a time come first of all."""
        search = search or Search()
        with engines.sentences(self.name), self._engine.connect() as connection:
            query = rows.narrowed(
                select(*rows.RECORD_COLUMNS).join_from(
                    schema.records, schema.ledgers, schema.records.c.ledger_id == schema.ledgers.c.id
                ),
                search,
                connection,
            )
            if search.limit is not None:
                query = rows.newest_first(query).limit(search.limit)
            else:
                query = rows.oldest_first(query)
            found = connection.execute(query).all()
            amended = amendments.of_records(connection, ((row.ledger_id, row.sequence) for row in found))
        records = []
        for row in found:
            values = dict(row._mapping)
            key = (values.pop("ledger_id"), row.sequence)
            records.append(Record(**values, amendments=tuple(amended.get(key, ()))))
        if search.limit is not None:
            records.reverse()
        return records

    def count(self, search: Search | None = None) -> int:
        """Return how many records a search would find without its limit [1]."""
        search = search or Search()
        source: Any = schema.records
        if search.tester is not None or search.ledger is not None:
            source = schema.records.join(schema.ledgers, schema.records.c.ledger_id == schema.ledgers.c.id)
        with engines.sentences(self.name), self._engine.connect() as connection:
            query = rows.narrowed(select(func.count()).select_from(source), search, connection)
            return int(connection.execute(query).scalar() or 0)

    def history(self, curve: str, bounds: Sequence[int]) -> list[dict[str | None, int]]:
        """Count the probe tests with sensors of one curve, by verdict, in spans of time.

        Args:
            curve: its name.
            bounds: where the spans begin and the last one ends [s since 1970, UTC], rising.

        Returns:
            for each span: verdict -> how many [1].
        """
        table = schema.records.c
        spans = []
        with engines.sentences(self.name), self._engine.connect() as connection:
            for start, end in itertools.pairwise(bounds):
                counted = connection.execute(
                    select(table.verdict, func.count())
                    .where(table.curve == curve, table.time >= start, table.time < end)
                    .group_by(table.verdict)
                ).all()
                spans.append({row[0]: int(row[1]) for row in counted})
        return spans

    def time_span(self, search: Search | None = None) -> tuple[int, int] | None:
        """Return the first and the last known time of what a search finds [s since 1970, UTC], or None."""
        with engines.sentences(self.name), self._engine.connect() as connection:
            ends: list[int] = []
            for end in (schema.records.c.time.asc(), schema.records.c.time.desc()):
                query = rows.narrowed(
                    select(schema.records.c.time).join_from(
                        schema.records, schema.ledgers, schema.records.c.ledger_id == schema.ledgers.c.id
                    ),
                    search or Search(),
                    connection,
                )
                time = connection.execute(
                    query.where(schema.records.c.time.is_not(None)).order_by(end).limit(1)
                ).scalar()
                if time is None:
                    return None
                ends.append(int(time))
        return ends[0], ends[1]

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
            *(column for column in table.c if column.name not in ("id", "ledger_id", "digest")),
        ).join_from(table, schema.ledgers, table.c.ledger_id == schema.ledgers.c.id)
        if ledger is not None:
            query = query.where(schema.ledgers.c.ledger == ledger.hex())
        with engines.sentences(self.name), self._engine.connect() as connection:
            return [dict(row._mapping) for row in connection.execute(query.order_by(table.c.id))]


def _kept_text(value: object) -> str | None:
    return None if value is None else storable(str(value))


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
