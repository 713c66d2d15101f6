"""The tables of version 1: records, testers, clock points, pulls."""

import sqlalchemy as sa
from alembic import op

revision = "0001"
down_revision = None


def upgrade() -> None:
    """Make the tables as the first version had them."""
    op.create_table(
        "probeledger_info",
        sa.Column("name", sa.Text, primary_key=True),
        sa.Column("value", sa.Text, nullable=False),
    )
    op.create_table(
        "testers",
        sa.Column("tester", sa.Text, primary_key=True),
        sa.Column("firmware", sa.Text),
        sa.Column("calibration", sa.Text),
        sa.Column("first_seen", sa.BigInteger, nullable=False),
        sa.Column("last_seen", sa.BigInteger, nullable=False),
    )
    op.create_table(
        "ledgers",
        sa.Column("id", sa.Integer, primary_key=True),
        sa.Column("tester", sa.Text, nullable=False),
        sa.Column("ledger", sa.Text, nullable=False),
        sa.UniqueConstraint("tester", "ledger", name="one_row_a_ledger"),
    )
    op.create_table(
        "records",
        sa.Column("ledger_id", sa.Integer, sa.ForeignKey("ledgers.id"), primary_key=True, autoincrement=False),
        sa.Column("sequence", sa.BigInteger, primary_key=True, autoincrement=False),
        sa.Column("item", sa.LargeBinary, nullable=False),
        sa.Column("digest", sa.LargeBinary, nullable=False),
        sa.Column("prev", sa.LargeBinary),
        sa.Column("kind", sa.Text, nullable=False),
        sa.Column("boot", sa.BigInteger),
        sa.Column("ms", sa.BigInteger),
        sa.Column("time", sa.BigInteger),
        sa.Column("time_reconstructed", sa.Boolean, nullable=False),
        sa.Column("firmware", sa.Text),
        sa.Column("calibration", sa.Text),
        sa.Column("ticket", sa.Text),
        sa.Column("job", sa.BigInteger),
        sa.Column("place", sa.Text),
        sa.Column("mode", sa.Text),
        sa.Column("curve", sa.Text),
        sa.Column("verdict", sa.Text),
        sa.Column("ohms", sa.Float),
        sa.Column("celsius", sa.Float),
        sa.Column("words", sa.Text, nullable=False),
    )
    op.create_index("records_by_time", "records", ["time"])
    op.create_index("records_by_ticket", "records", ["ticket"])
    op.create_index("records_by_boot", "records", ["ledger_id", "boot"])
    op.create_table(
        "clock_points",
        sa.Column("ledger_id", sa.Integer, sa.ForeignKey("ledgers.id"), primary_key=True, autoincrement=False),
        sa.Column("boot", sa.BigInteger, primary_key=True, autoincrement=False),
        sa.Column("ms", sa.BigInteger, nullable=False),
        sa.Column("time", sa.BigInteger, nullable=False),
    )
    op.create_table(
        "pulls",
        sa.Column("id", sa.Integer, primary_key=True),
        sa.Column("ledger_id", sa.Integer, sa.ForeignKey("ledgers.id"), nullable=False),
        sa.Column("started", sa.BigInteger, nullable=False),
        sa.Column("seconds", sa.Float, nullable=False),
        sa.Column("from_sequence", sa.BigInteger),
        sa.Column("to_sequence", sa.BigInteger),
        sa.Column("new_records", sa.Integer, nullable=False),
        sa.Column("known_records", sa.Integer, nullable=False),
        sa.Column("item_bytes", sa.BigInteger, nullable=False),
        sa.Column("last", sa.BigInteger, nullable=False),
        sa.Column("head", sa.LargeBinary, nullable=False),
        sa.Column("verified", sa.Boolean, nullable=False),
    )
    op.execute("INSERT INTO probeledger_info (name, value) VALUES ('format', 'probeledger archive'), ('schema', '1')")
