"""The tables of the archive, as the newest version has them.

The item bytes of a record are kept as they came, for ever; the other columns are parsed from them so that they can be
searched, and may be parsed again. A record's key is (tester, ledger, sequence); tester and ledger stand once, in
`ledgers`, whose number stands in for the two.

Whoever changes a table here raises SCHEMA_VERSION and adds a step to `migrations/versions`; a test compares the two.
"""

from sqlalchemy import (
    BigInteger,
    Boolean,
    Column,
    Float,
    ForeignKey,
    ForeignKeyConstraint,
    Index,
    Integer,
    LargeBinary,
    MetaData,
    String,
    Table,
    Text,
    UniqueConstraint,
    text,
)

__all__ = [
    "FORMAT_NAME",
    "SCHEMA_VERSION",
    "alembic_version",
    "amendments",
    "clock_points",
    "info",
    "ledgers",
    "metadata",
    "pulls",
    "records",
    "revision",
    "testers",
]

FORMAT_NAME = "probeledger archive"
SCHEMA_VERSION = 2

metadata = MetaData()


def revision(version: int) -> str:
    """Return alembic's name of a version of the tables.

    >>> revision(2)
    '0002'
    """
    return f"{version:04d}"


# Two rows: "format" (FORMAT_NAME) and "schema" (the version).
info = Table(
    "probeledger_info",
    metadata,
    Column("name", Text, primary_key=True),
    Column("value", Text, nullable=False),
)

# Alembic's own note of the same version.
alembic_version = Table("alembic_version", metadata, Column("version_num", String(32), primary_key=True))

testers = Table(
    "testers",
    metadata,
    Column("tester", Text, primary_key=True),
    Column("firmware", Text),
    Column("calibration", Text),
    Column("first_seen", BigInteger, nullable=False),  # seconds since 1970, UTC, by the shop's clock
    Column("last_seen", BigInteger, nullable=False),
)

ledgers = Table(
    "ledgers",
    metadata,
    Column("id", Integer, primary_key=True),
    Column("tester", Text, nullable=False),
    Column("ledger", Text, nullable=False),  # the ledger's id, 16 hexadecimal digits
    UniqueConstraint("tester", "ledger", name="one_row_a_ledger"),
)

records = Table(
    "records",
    metadata,
    Column("ledger_id", Integer, ForeignKey("ledgers.id"), primary_key=True, autoincrement=False),
    Column("sequence", BigInteger, primary_key=True, autoincrement=False),
    Column("item", LargeBinary, nullable=False),  # the record as it came
    Column("digest", LargeBinary, nullable=False),  # SHA-256 of the item
    Column("prev", LargeBinary),  # what the record says of the one before
    Column("kind", Text, nullable=False),
    Column("boot", BigInteger),
    Column("ms", BigInteger),  # since that boot [ms]
    Column("time", BigInteger),  # seconds since 1970, UTC; null where it is not known
    Column("time_reconstructed", Boolean, nullable=False),
    Column("firmware", Text),
    Column("calibration", Text),
    Column("ticket", Text),
    Column("job", BigInteger),
    Column("place", Text),
    Column("mode", Text),
    Column("curve", Text),
    Column("verdict", Text),
    Column("ohms", Float),
    Column("celsius", Float),
    Column("words", Text, nullable=False),  # what a text search looks through, in lower case
    Column("time_earliest", BigInteger),  # bounds of a time that is not known or in doubt; null where there are none
    Column("time_latest", BigInteger),
    # With the key behind the time, an index gives the order of a list as it stands.
    Index("records_by_time", "time", "ledger_id", "sequence"),
    Index(
        "records_by_ticket",
        "ticket",
        sqlite_where=text("ticket IS NOT NULL"),
        postgresql_where=text("ticket IS NOT NULL"),
    ),
    # A sensor type's history is counted from this index alone.
    Index(
        "records_by_curve",
        "curve",
        "time",
        "verdict",
        sqlite_where=text("curve IS NOT NULL"),
        postgresql_where=text("curve IS NOT NULL"),
    ),
    # All but the probe tests are few, and often asked for by their kind.
    Index(
        "records_other_kinds",
        "kind",
        "time",
        sqlite_where=text("kind <> 'probe'"),
        postgresql_where=text("kind <> 'probe'"),
    ),
    Index("records_without_time", "kind", sqlite_where=text("time IS NULL"), postgresql_where=text("time IS NULL")),
)

# A correction by the shop of what a record says. It never changes the record.
amendments = Table(
    "amendments",
    metadata,
    Column("ledger_id", Integer, primary_key=True, autoincrement=False),
    Column("sequence", BigInteger, primary_key=True, autoincrement=False),
    Column("number", Integer, primary_key=True, autoincrement=False),  # from 1, of this record
    Column("kind", Text, nullable=False),  # "ticket", "void" or "note"
    Column("value", Text),  # the right ticket, or the note
    Column("reason", Text),
    Column("author", Text, nullable=False),
    Column("written", BigInteger, nullable=False),  # seconds since 1970, UTC, by the shop's clock
    Column("digest", LargeBinary, nullable=False),  # of all of it, the record's digest and the amendment before
    ForeignKeyConstraint(["ledger_id", "sequence"], ["records.ledger_id", "records.sequence"]),
    Index(
        "amendments_by_ticket", "value", sqlite_where=text("kind = 'ticket'"), postgresql_where=text("kind = 'ticket'")
    ),
)

# What is known of a boot's wall time from outside the ledger: at `ms` since the boot, it was `time`.
clock_points = Table(
    "clock_points",
    metadata,
    Column("ledger_id", Integer, ForeignKey("ledgers.id"), primary_key=True, autoincrement=False),
    Column("boot", BigInteger, primary_key=True, autoincrement=False),
    Column("ms", BigInteger, nullable=False),
    Column("time", BigInteger, nullable=False),
    Column("last", BigInteger),  # the newest record at that moment; null where it was not kept
)

pulls = Table(
    "pulls",
    metadata,
    Column("id", Integer, primary_key=True),
    Column("ledger_id", Integer, ForeignKey("ledgers.id"), nullable=False),
    Column("started", BigInteger, nullable=False),  # seconds since 1970, UTC, by the shop's clock
    Column("seconds", Float, nullable=False),
    Column("from_sequence", BigInteger),  # null where nothing was new
    Column("to_sequence", BigInteger),
    Column("new_records", Integer, nullable=False),
    Column("known_records", Integer, nullable=False),
    Column("item_bytes", BigInteger, nullable=False),
    Column("last", BigInteger, nullable=False),  # the tester's last record at that time
    Column("head", LargeBinary, nullable=False),  # and the SHA-256 of its item
    Column("verified", Boolean, nullable=False),
    # False from the start of a pull to its end, so that a pull that was cut off shows; null where it was not kept.
    Column("finished", Boolean),
    Column("digest", LargeBinary),  # of all of it; null where it was not kept
    Index("pulls_by_ledger", "ledger_id", "id"),
)
