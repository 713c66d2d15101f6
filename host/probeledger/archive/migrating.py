"""Bring an older archive's tables to the present version, with a copy made before.

The whole change is one transaction, on SQLite too: whatever stops it leaves the older version. The copy is a SQLite
file, also of a PostgreSQL archive.
"""

import contextlib
import datetime
import logging
from pathlib import Path

from alembic import command
from alembic.config import Config
from sqlalchemy import Connection, Engine, insert, select
from sqlalchemy.exc import SQLAlchemyError

from probeledger.archive import copies, rows, schema
from probeledger.archive.engine import default_path, lock_whole, path_of, sentences, writer

__all__ = ["backup_path", "migrate", "run_steps"]

_log = logging.getLogger(__name__)


def backup_path(engine: Engine, version: int, now: datetime.datetime | None = None) -> Path:
    """Return where the copy of an archive goes before it is brought up to date: beside a file, else in the data folder.

    Args:
        engine: of the archive.
        version: of its tables.
        now: None is now.
    """
    moment = now or datetime.datetime.now(datetime.UTC)
    path = path_of(engine.url)
    folder, stem = (default_path().parent, "shared-archive") if path is None else (path.parent, path.stem)
    base = f"{stem}-before-version-{schema.SCHEMA_VERSION}-{moment:%Y%m%dT%H%M%SZ}"
    made, number = folder / f"{base}.sqlite", 1
    while made.exists():
        number += 1
        made = folder / f"{base}-{number}.sqlite"
    return made


def run_steps(connection: Connection, target: str = "head") -> None:
    """Run the steps that are due, inside the connection's transaction."""
    config = Config()
    config.set_main_option("script_location", str(Path(__file__).parent / "migrations"))
    config.attributes["connection"] = connection
    command.upgrade(config, target)


def migrate(engine: Engine, name: str, version: int) -> None:
    """Copy an older archive, then bring its tables to the present version.

    Args:
        engine: of the archive.
        name: for messages.
        version: of its tables.

    Raises:
        ArchiveError: if it cannot be copied or written; then it stays as it is.
    """
    with sentences(name), writer(engine).begin() as connection:
        lock_whole(connection)
        # Another program may have done it while this one waited for the lock.
        found = connection.execute(select(schema.info.c.value).where(schema.info.c.name == "schema")).scalar_one()
        if int(found) >= schema.SCHEMA_VERSION:
            return
        copy = backup_path(engine, version)
        copies.copy_before(engine, connection, copy, name, lambda made: run_steps(made, schema.revision(version)))
        try:
            _note_version(connection, version)
            run_steps(connection)
            # The rules by which times are worked out may have changed with the tables.
            for ledger in connection.execute(select(schema.ledgers.c.ledger).distinct()).scalars().all():
                with contextlib.suppress(ValueError):
                    rows.set_times(connection, rows.ledger_ids(connection, bytes.fromhex(ledger)))
        except SQLAlchemyError:
            copy.unlink(missing_ok=True)
            raise
    _log.warning(
        "The archive %s was brought to version %d of its tables. A copy from before is kept: %s",
        name,
        schema.SCHEMA_VERSION,
        copy,
    )


def _note_version(connection: Connection, version: int) -> None:
    """Tell alembic the version of an archive from before it was used."""
    schema.alembic_version.create(connection, checkfirst=True)
    if connection.execute(select(schema.alembic_version)).first() is None:
        connection.execute(insert(schema.alembic_version), {"version_num": schema.revision(version)})
