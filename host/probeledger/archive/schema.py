"""The tables of the archive.

The item bytes of a record are kept as they came, for ever; the other columns are parsed from them so that they can be
searched, and may be parsed again. A record's key is (tester, ledger, sequence); tester and ledger stand once, in
`ledgers`, whose number stands in for the two.
"""

from sqlalchemy import (
    BigInteger,
    Boolean,
    Column,
    Float,
    ForeignKey,
    Index,
    Integer,
    LargeBinary,
    MetaData,
    Table,
    Text,
    UniqueConstraint,
)

__all__ = [
    "FORMAT_NAME",
    "SCHEMA_VERSION",
    "clock_points",
    "info",
    "ledgers",
    "metadata",
    "pulls",
    "records",
    "testers",
]

FORMAT_NAME = "probeledger archive"
SCHEMA_VERSION = 1

metadata = MetaData()

# Two rows: "format" (FORMAT_NAME) and "schema" (the version).
info = Table(
    "probeledger_info",
    metadata,
    Column("name", Text, primary_key=True),
    Column("value", Text, nullable=False),
)

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
    Index("records_by_time", "time"),
    Index("records_by_ticket", "ticket"),
    Index("records_by_boot", "ledger_id", "boot"),
)

# What is known of a boot's wall time from outside the ledger: at `ms` since the boot, it was `time`.
clock_points = Table(
    "clock_points",
    metadata,
    Column("ledger_id", Integer, ForeignKey("ledgers.id"), primary_key=True, autoincrement=False),
    Column("boot", BigInteger, primary_key=True, autoincrement=False),
    Column("ms", BigInteger, nullable=False),
    Column("time", BigInteger, nullable=False),
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
)
