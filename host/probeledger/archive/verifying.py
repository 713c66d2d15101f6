"""Go through an archive and say in plain words what is missing, altered or out of order.

Of SQLite the whole file is checked first. Then, of each ledger: each record's bytes against the digest kept with them
and the one that the next record carries; what was parsed from them, parsed again; number, tester and ledger in the
bytes against the key that they are kept under; gaps in the numbers; the times, worked out again; the head that the
tester had at each pull; amendments and pulls against their own digests.

The heads stand in the archive itself. Whoever can write to it and takes the trouble can make all of it anew; a head
that was noted elsewhere, or the tester, still shows that.
"""

import sqlite3
from collections.abc import Callable, Iterable
from typing import Any

from sqlalchemy import Engine, exc, select

from probeledger.archive import copies, schema
from probeledger.archive import engine as engines
from probeledger.archive.asread import Reader
from probeledger.archive.checking import LedgerCheck
from probeledger.archive.findings import Finding, LedgerState, Verified
from probeledger.text import clean

__all__ = ["Finding", "LedgerState", "Verified", "verify_archive"]


def verify_archive(
    engine: Engine,
    name: str,
    heads: Iterable[bytes] = (),
    report: Callable[[int, int], None] | None = None,
) -> Verified:
    """Check everything that an archive keeps.

    Args:
        engine: of the archive; name: for messages.
        heads: SHA-256 of records, noted elsewhere; each has to be that of a record of the archive.
        report: called with records done and records in all [1], or None.

    Raises:
        ArchiveError: if the database cannot be asked at all.
    """
    found = Verified()
    for line in copies.damage(engine):
        found.findings.append(Finding("file", f"The archive's file itself is damaged: {line}."))
    wanted = {bytes(head) for head in heads}
    with engines.sentences(name), engine.connect() as connection:
        reader = Reader(connection)
        try:
            _all(reader, found, wanted, report)
        except (exc.DatabaseError, sqlite3.DatabaseError, UnicodeDecodeError) as error:
            reason = clean(str(getattr(error, "orig", error)), 200)
            found.findings.append(
                Finding(
                    "file", f"The archive's file could not be read to its end ({reason}): what follows is not known."
                )
            )
    for head in sorted(wanted):
        message = (
            f"No record of the archive has the head {head.hex()}: its record was removed or altered since it was noted."
        )
        found.findings.append(Finding("head", message))
    return found


def _all(reader: Reader, found: Verified, wanted: set[bytes], report: Callable[[int, int], None] | None) -> None:
    total = reader.count() if report is not None else 0
    numbers: dict[str, list[tuple[int, str]]] = {}
    for row in reader.table(schema.ledgers, order=[schema.ledgers.c.id]):
        numbers.setdefault(_word(row["ledger"]), []).append((row["id"], _word(row["tester"])))
    known = {number for group in numbers.values() for number, _ in group}
    for ledger, group in sorted(numbers.items()):
        LedgerCheck(reader, found, wanted, ledger, dict(group), lambda: report and report(found.records, total)).run()
    strays = select(schema.records.c.ledger_id, schema.records.c.sequence)
    if known:
        strays = strays.where(schema.records.c.ledger_id.not_in(known))
    for row in reader.rows(strays, ["ledger_id", "sequence"]):
        found.findings.append(
            Finding("key", f"A record with the number {row['sequence']} belongs to no tester and no ledger.")
        )


def _word(value: Any) -> str:
    return value if isinstance(value, str) else clean(value, 60)
