"""Amendments: what the shop knows better than a record, kept beside it. The record itself never changes.

Each carries a digest of itself, of the record's and of the amendment before it, so that an altered one shows.
"""

import time as clock
from collections.abc import Iterable
from dataclasses import dataclass

from sqlalchemy import Connection, Engine, and_, func, insert, or_, select, text

from probeledger.archive import engine as engines
from probeledger.archive import schema
from probeledger.archive.seals import seal, storable
from probeledger.errors import InputError
from probeledger.text import clean

__all__ = ["KINDS", "Amendment", "add", "digest_of", "of_records", "with_ticket"]

TICKET, VOID, NOTE = KINDS = ("ticket", "void", "note")
_MOST_CHARACTERS = 1000
# So many keys are asked for in one query.
_KEYS = 300


@dataclass(frozen=True)
class Amendment:
    """One correction.

    Attributes:
        number: from 1, of its record; kind: "ticket", "void" or "note".
        value: the right ticket, None where it belongs to none; the note's text; None for a void.
        reason, author: why and by whom; written: by the shop's clock [s since 1970, UTC].
    """

    number: int
    kind: str
    value: str | None
    reason: str | None
    author: str
    written: int


def digest_of(record_digest: bytes, previous: bytes | None, amendment: Amendment) -> bytes:
    """Return the digest that an amendment carries, of the record's and the one before it."""
    return seal(record_digest, previous, *vars(amendment).values())


def _text(value: str | None, what: str, *, needed: bool) -> str | None:
    value = None if value is None else storable(value).strip()
    if needed and not value:
        raise InputError(f"An amendment needs {what}.")
    if value and len(value) > _MOST_CHARACTERS:
        raise InputError(f"{what.capitalize()} is too long: {len(value)} characters, at most {_MOST_CHARACTERS}.")
    if value and any("\ud800" <= character <= "\udfff" for character in value):
        raise InputError(f"{what.capitalize()} holds bytes that are no text. Type it again.")
    return value or None


def add(
    engine: Engine,
    name: str,
    key: tuple[str, str | None, int],
    kind: str,
    *,
    value: str | None = None,
    reason: str | None = None,
    author: str,
    now: int | None = None,
) -> Amendment:
    """Append an amendment to a record.

    Args:
        engine: of the archive; name: for messages.
        key: tester, ledger (16 hexadecimal digits; None where the tester has but one with that record), sequence.
        kind: "ticket", "void" or "note".
        value: the right ticket (None: it belongs to none) or the note's text.
        reason: why, needed for "void".
        author: who says so.
        now: by the shop's clock [s since 1970, UTC]; None is now.

    Raises:
        InputError: if there is no such record or more than one, or something that is needed was left out.
        ArchiveError: if the database refuses.
    """
    if kind not in KINDS:
        raise InputError(f"There is no amendment {clean(kind, 40)!r}. There are: {', '.join(KINDS)}.")
    value = _text(value, "the note" if kind == NOTE else "the ticket", needed=kind == NOTE)
    reason = _text(reason, "a reason", needed=kind == VOID)
    who = _text(author, "the name of who makes it", needed=True)
    assert who is not None
    with engines.sentences(name), engines.writer(engine).begin() as connection:
        ledger_id, record_digest = _find(connection, name, key)
        here = and_(schema.amendments.c.ledger_id == ledger_id, schema.amendments.c.sequence == key[2])
        last = connection.execute(
            select(schema.amendments.c.number, schema.amendments.c.digest)
            .where(here)
            .order_by(schema.amendments.c.number.desc())
            .limit(1)
        ).first()
        made = Amendment(
            number=1 if last is None else last.number + 1,
            kind=kind,
            value=None if kind == VOID else value,
            reason=reason,
            author=who,
            written=int(clock.time()) if now is None else now,
        )
        digest = digest_of(record_digest, None if last is None else bytes(last.digest), made)
        connection.execute(
            insert(schema.amendments), {"ledger_id": ledger_id, "sequence": key[2], "digest": digest, **vars(made)}
        )
    return made


def _find(connection: Connection, name: str, key: tuple[str, str | None, int]) -> tuple[int, bytes]:
    """Return a record's ledger number and digest, with the ledger's row locked against others who amend."""
    tester, ledger, sequence = key
    query = (
        select(schema.ledgers.c.id, schema.ledgers.c.ledger, schema.records.c.digest)
        .join_from(schema.records, schema.ledgers, schema.records.c.ledger_id == schema.ledgers.c.id)
        .where(schema.ledgers.c.tester == storable(tester), schema.records.c.sequence == sequence)
        .with_for_update(of=schema.ledgers)
    )
    if ledger is not None:
        query = query.where(schema.ledgers.c.ledger == ledger)
    rows = connection.execute(query).all()
    if not rows:
        raise InputError(
            f"The archive {name} has no record {sequence} of tester {clean(tester, 40)}. 'probeledger records' lists "
            "what it has."
        )
    if len(rows) > 1:
        ledgers = ", ".join(sorted(clean(row.ledger, 20) for row in rows))
        raise InputError(
            f"Tester {clean(tester, 40)} has {len(rows)} ledgers with a record {sequence}. Say which: {ledgers}."
        )
    return int(rows[0].id), bytes(rows[0].digest)


def of_records(connection: Connection, keys: Iterable[tuple[int, int]]) -> dict[tuple[int, int], list[Amendment]]:
    """Return the amendments of records, in order, by (ledger number, sequence)."""
    table = schema.amendments.c
    total = connection.execute(select(func.count()).select_from(schema.amendments)).scalar() or 0
    if not total:
        return {}
    wanted = set(keys)
    query = select(schema.amendments).order_by(table.number)
    found: dict[tuple[int, int], list[Amendment]] = {}

    def take(narrowed: object) -> None:
        for row in connection.execute(query if narrowed is None else query.where(narrowed)):  # type: ignore[arg-type]
            key = (row.ledger_id, row.sequence)
            if key in wanted:
                found.setdefault(key, []).append(
                    Amendment(row.number, row.kind, row.value, row.reason, row.author, row.written)
                )

    if total <= len(wanted):
        # Fewer than the records: all are read at once.
        take(None)
        return found
    ordered = sorted(wanted)
    for start in range(0, len(ordered), _KEYS):
        part = ordered[start : start + _KEYS]
        take(or_(*(and_(table.ledger_id == ledger_id, table.sequence == number) for ledger_id, number in part)))
    return found


def with_ticket(connection: Connection, ticket: str) -> list[tuple[int, int]]:
    """Return the keys (ledger number, sequence) of the records that an amendment gave this ticket."""
    table = schema.amendments.c
    rows = connection.execute(
        select(table.ledger_id, table.sequence).where(table.kind == text("'ticket'"), table.value == ticket).distinct()
    ).all()
    return [(row.ledger_id, row.sequence) for row in rows]
