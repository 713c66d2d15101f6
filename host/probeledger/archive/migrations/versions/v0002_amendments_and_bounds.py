"""Version 2: amendments, bounds of times in doubt, pulls that show when they were cut off, other indexes."""

import sqlalchemy as sa
from alembic import op

revision = "0002"
down_revision = "0001"


def _partial(name: str, table: str, columns: list[str], where: str) -> None:
    op.create_index(name, table, columns, sqlite_where=sa.text(where), postgresql_where=sa.text(where))


def upgrade() -> None:
    """Add what version 2 has; the records' bytes stay as they are."""
    op.add_column("records", sa.Column("time_earliest", sa.BigInteger))
    op.add_column("records", sa.Column("time_latest", sa.BigInteger))
    op.drop_index("records_by_time", "records")
    op.drop_index("records_by_ticket", "records")
    op.drop_index("records_by_boot", "records")
    op.create_index("records_by_time", "records", ["time", "ledger_id", "sequence"])
    _partial("records_by_ticket", "records", ["ticket"], "ticket IS NOT NULL")
    _partial("records_by_curve", "records", ["curve", "time", "verdict"], "curve IS NOT NULL")
    _partial("records_other_kinds", "records", ["kind", "time"], "kind <> 'probe'")
    _partial("records_without_time", "records", ["kind"], "time IS NULL")
    op.create_table(
        "amendments",
        sa.Column("ledger_id", sa.Integer, primary_key=True, autoincrement=False),
        sa.Column("sequence", sa.BigInteger, primary_key=True, autoincrement=False),
        sa.Column("number", sa.Integer, primary_key=True, autoincrement=False),
        sa.Column("kind", sa.Text, nullable=False),
        sa.Column("value", sa.Text),
        sa.Column("reason", sa.Text),
        sa.Column("author", sa.Text, nullable=False),
        sa.Column("written", sa.BigInteger, nullable=False),
        sa.Column("digest", sa.LargeBinary, nullable=False),
        sa.ForeignKeyConstraint(["ledger_id", "sequence"], ["records.ledger_id", "records.sequence"]),
    )
    _partial("amendments_by_ticket", "amendments", ["value"], "kind = 'ticket'")
    op.add_column("clock_points", sa.Column("last", sa.BigInteger))
    op.add_column("pulls", sa.Column("finished", sa.Boolean))
    op.add_column("pulls", sa.Column("digest", sa.LargeBinary))
    op.create_index("pulls_by_ledger", "pulls", ["ledger_id", "id"])
    op.execute("UPDATE probeledger_info SET value = '2' WHERE name = 'schema'")
