"""Rows of the archive's tables: how they go in, and how a search narrows what comes out."""

from collections.abc import Mapping, Sequence
from operator import itemgetter
from typing import Any

from sqlalchemy import ColumnElement, Connection, Select, and_, bindparam, exists, insert, or_, select, text, update
from sqlalchemy.dialects import postgresql, sqlite

from probeledger.archive import amendments, schema
from probeledger.archive.records import Search, clock_setting
from probeledger.archive.seals import seal, storable
from probeledger.archive.times import ClockPoint, Moment, Timing, work_out

__all__ = [
    "PULL_FIELDS",
    "RECORD_COLUMNS",
    "change_pull",
    "extend_pull",
    "insert_or_ignore",
    "insert_records",
    "kept_items",
    "ledger_id",
    "ledger_ids",
    "moments",
    "narrowed",
    "newest_first",
    "oldest_first",
    "seal_pull",
    "set_times",
]

# What a search brings along.
RECORD_COLUMNS = (
    schema.ledgers.c.tester,
    schema.ledgers.c.ledger,
    *(column for column in schema.records.c if column.name != "words"),
)

# The columns that a record's row brings along, in the table's order.
_ROW_COLUMNS = tuple(column.name for column in schema.records.c if column.name != "ledger_id")
_row_values = itemgetter(*_ROW_COLUMNS)
_INSERT = (
    f"INSERT INTO records (ledger_id, {', '.join(_ROW_COLUMNS)}) VALUES ({', '.join('?' * (1 + len(_ROW_COLUMNS)))})"
)

# So many keys of amended records are named in a query; more are left to the database.
_MOST_KEYS = 200


def insert_records(connection: Connection, number: int, rows: Sequence[Mapping[str, Any]]) -> None:
    """Insert records of the ledger of this number, the rows of `columns_of`."""
    if connection.dialect.name != "sqlite":
        values = [{"ledger_id": number, **{name: row[name] for name in _ROW_COLUMNS}} for row in rows]
        connection.execute(insert(schema.records), values)
        return
    # The driver takes these values as they are; having SQLAlchemy look at each would take longer than storing them.
    connection.exec_driver_sql(_INSERT, [(number, *_row_values(row)) for row in rows])


def insert_or_ignore(connection: Connection, table: Any, values: Mapping[str, Any]) -> None:
    """Insert a row unless one with its key is there."""
    dialect = postgresql if connection.dialect.name == "postgresql" else sqlite
    connection.execute(dialect.insert(table).values(dict(values)).on_conflict_do_nothing())


def ledger_id(connection: Connection, tester: str, ledger: str) -> int:
    """Return the number of a (tester, ledger), giving it one where it has none, and lock it.

    Until the transaction ends, no other can write to the same ledger: SQLite has one writer, PostgreSQL locks the row.
    """
    table = schema.ledgers
    query = select(table.c.id).where(table.c.tester == tester, table.c.ledger == ledger).with_for_update()
    found = connection.execute(query).scalar()
    if found is None:
        insert_or_ignore(connection, table, {"tester": tester, "ledger": ledger})
        found = connection.execute(query).scalar_one()
    return int(found)


def ledger_ids(connection: Connection, ledger: bytes, *, lock: bool = False) -> list[int]:
    """Return the numbers of a ledger, locked if asked for: several where its flash was moved to another board."""
    table = schema.ledgers
    query = select(table.c.id).where(table.c.ledger == ledger.hex()).order_by(table.c.tester)
    return list(connection.execute(query.with_for_update() if lock else query).scalars())


def kept_items(connection: Connection, number: int, sequences: Sequence[int]) -> dict[int, bytes]:
    """Return the bytes kept under these sequence numbers of a ledger."""
    table = schema.records.c
    low, high = min(sequences), max(sequences)
    query = select(table.sequence, table.item).where(table.ledger_id == number)
    if high - low < 2 * len(sequences):
        wanted = set(sequences)
        rows = connection.execute(query.where(table.sequence >= low, table.sequence <= high))
        return {row.sequence: bytes(row.item) for row in rows if row.sequence in wanted}
    kept: dict[int, bytes] = {}
    for start in range(0, len(sequences), 500):
        rows = connection.execute(query.where(table.sequence.in_(sequences[start : start + 500])))
        kept.update({row.sequence: bytes(row.item) for row in rows})
    return kept


def narrowed(query: Select[Any], search: Search, connection: Connection) -> Select[Any]:
    """Return a query on `records` and `ledgers` that finds what a search asks for, in any order."""
    table = schema.records.c
    for column, value in (
        (schema.ledgers.c.tester, search.tester),
        (schema.ledgers.c.ledger, search.ledger),
        (table.job, search.job),
        (table.verdict, search.verdict),
        (table.place, search.place),
        (table.curve, search.curve),
        (table.kind, search.kind),
    ):
        if value is not None:
            query = query.where(column == (storable(value) if isinstance(value, str) else value))
    if search.kind not in (None, "probe"):
        # So that the database sees that the small index of the other kinds will do.
        query = query.where(text("records.kind <> 'probe'"))
    if search.ticket is not None:
        query = query.where(_has_ticket(storable(search.ticket), connection))
    if search.since is not None:
        query = query.where(table.time >= search.since)
    if search.until is not None:
        query = query.where(table.time < search.until)
    if search.undated:
        query = query.where(table.time.is_(None))
    if search.text:
        query = query.where(table.words.contains(storable(search.text).lower(), autoescape=True))
    return query


def _has_ticket(ticket: str, connection: Connection) -> ColumnElement[bool]:
    table, amended = schema.records.c, schema.amendments.c
    keys = amendments.with_ticket(connection, ticket)
    if len(keys) > _MOST_KEYS:
        return or_(
            table.ticket == ticket,
            exists().where(
                amended.ledger_id == table.ledger_id,
                amended.sequence == table.sequence,
                amended.kind == text("'ticket'"),
                amended.value == ticket,
            ),
        )
    named = [and_(table.ledger_id == number, table.sequence == sequence) for number, sequence in keys]
    return or_(table.ticket == ticket, *named)


def newest_first(query: Select[Any]) -> Select[Any]:
    """Order a query on `records` by time, newest first, records without a time last."""
    table = schema.records.c
    return query.order_by(table.time.desc().nulls_last(), table.ledger_id.desc(), table.sequence.desc())


def oldest_first(query: Select[Any]) -> Select[Any]:
    """Order a query on `records` by time, records without a time first."""
    table = schema.records.c
    return query.order_by(table.time.asc().nulls_first(), table.ledger_id, table.sequence)


# What a pull's digest covers beside tester and ledger, in this order.
PULL_FIELDS = (
    "started",
    "seconds",
    "from_sequence",
    "to_sequence",
    "new_records",
    "known_records",
    "item_bytes",
    "last",
    "head",
    "verified",
    "finished",
)


def seal_pull(tester: str, ledger: str, values: Mapping[str, Any]) -> bytes:
    """Return the digest that the row of a pull carries."""
    return seal(tester, ledger, *(values[name] for name in PULL_FIELDS))


def change_pull(connection: Connection, pull: int, changes: Mapping[str, Any]) -> None:
    """Change the row of a pull, and its digest with it."""
    table = schema.pulls
    row = connection.execute(
        select(schema.ledgers.c.tester, schema.ledgers.c.ledger, table)
        .join_from(table, schema.ledgers, table.c.ledger_id == schema.ledgers.c.id)
        .where(table.c.id == pull)
    ).one()
    values = {**row._mapping, **changes}
    digest = seal_pull(row.tester, row.ledger, values)
    connection.execute(update(table).where(table.c.id == pull).values(digest=digest, **changes))


def extend_pull(
    connection: Connection, pull: int, fresh: Sequence[Mapping[str, Any]], known_records: int, item_bytes: int
) -> None:
    """Add to the row of a pull what one batch brought.

    Args:
        connection: in the batch's transaction.
        pull: its number.
        fresh: rows of the new records.
        known_records: how many came that were there already [1]; item_bytes: of all that came [1].
    """
    table = schema.pulls
    now = connection.execute(select(table).where(table.c.id == pull)).one()
    came = [row["sequence"] for row in fresh]
    ends = [end for end in (now.from_sequence, now.to_sequence) if end is not None]
    change_pull(
        connection,
        pull,
        {
            "from_sequence": min(came + ends, default=None),
            "to_sequence": max(came + ends, default=None),
            "new_records": now.new_records + len(fresh),
            "known_records": now.known_records + known_records,
            "item_bytes": now.item_bytes + item_bytes,
        },
    )


def moments(connection: Connection, numbers: Sequence[int]) -> tuple[list[Moment], list[ClockPoint], dict[int, Any]]:
    """Return what tells the times of a ledger's records: its records, what the shop knows, and the times kept now.

    Args:
        numbers: of the ledger, one for each tester that it was in.

    Returns:
        moments in order; clock points; sequence -> row with ledger_id, time, time_reconstructed and the bounds.
    """
    table = schema.records.c
    rows = connection.execute(
        select(
            table.ledger_id,
            table.sequence,
            table.boot,
            table.ms,
            table.time,
            table.time_reconstructed,
            table.time_earliest,
            table.time_latest,
            table.kind,
        )
        .where(table.ledger_id.in_(numbers))
        .order_by(table.sequence)
    ).all()
    settings = {}
    if any(row.kind == "clock" for row in rows):
        found = connection.execute(
            select(table.sequence, table.item).where(table.ledger_id.in_(numbers), table.kind == "clock")
        )
        settings = {row.sequence: clock_setting(bytes(row.item)) for row in found}
    made = [
        Moment(
            row.sequence,
            None if row.boot is None else (row.ledger_id, row.boot),
            row.ms,
            None if row.time_reconstructed else row.time,
            settings.get(row.sequence),
            row.sequence in settings,
        )
        for row in rows
    ]
    clock = schema.clock_points
    points = [
        ClockPoint((row.ledger_id, row.boot), row.ms, row.time, row.last)
        for row in connection.execute(select(clock).where(clock.c.ledger_id.in_(numbers)).order_by(clock.c.time))
    ]
    return made, points, {row.sequence: row for row in rows}


def set_times(connection: Connection, numbers: Sequence[int]) -> int:
    """Work out the times of a ledger's records anew; return how many got another one [1]."""
    made, points, kept = moments(connection, numbers)
    changes = []
    changed = 0
    for sequence, timing in work_out(made, points).items():
        row = kept[sequence]
        if timing != Timing(row.time, bool(row.time_reconstructed), row.time_earliest, row.time_latest):
            changes.append({"in_ledger": row.ledger_id, "in_sequence": sequence, **_time_columns(timing)})
            changed += timing.time != row.time
    if changes:
        table = schema.records
        connection.execute(
            update(table)
            .where(table.c.ledger_id == bindparam("in_ledger"), table.c.sequence == bindparam("in_sequence"))
            .values({name: bindparam(name) for name in _time_columns(Timing(None))}),
            changes,
        )
    return changed


def _time_columns(timing: Timing) -> dict[str, Any]:
    return {
        "time": timing.time,
        "time_reconstructed": timing.reconstructed,
        "time_earliest": timing.earliest,
        "time_latest": timing.latest,
    }
