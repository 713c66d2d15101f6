"""Open a database as an archive: find it, check that it is one, make it where it may be made.

Nothing is written to a file that is not an archive of ours.
"""

import os
import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import platformdirs
from sqlalchemy import Connection, Engine, create_engine, event, exc, insert, inspect, select
from sqlalchemy.engine import URL, make_url

from probeledger.archive import schema
from probeledger.errors import ArchiveError, NotAnArchiveError
from probeledger.text import clean

__all__ = ["connect", "default_path", "sentences", "url_of", "writer"]

_SQLITE_HEADER = b"SQLite format 3\0"
# How long one program waits for another that is writing [ms].
_BUSY_MS = 15_000


def default_path() -> Path:
    """Return where the archive is kept unless told otherwise: archive.sqlite in the user's data folder."""
    return Path(platformdirs.user_data_dir("probeledger", appauthor=False)) / "archive.sqlite"


def url_of(place: str | os.PathLike[str] | None) -> URL:
    """Return the database URL of a path, a URL, or None (the default path).

    Raises:
        NotAnArchiveError: if the text looks like a URL and is none.
    """
    if place is None:
        place = default_path()
    if isinstance(place, str) and "://" in place:
        try:
            return make_url(place)
        except exc.ArgumentError as error:
            raise NotAnArchiveError(
                f"{clean(place)!r} is no database URL. Give a file's path, or a URL like postgresql://user@host/name."
            ) from error
    return URL.create("sqlite", database=os.fspath(Path(place).expanduser()))


def _name(url: URL) -> str:
    if url.get_backend_name() == "sqlite":
        return url.database or ":memory:"
    return url.render_as_string(hide_password=True)


@contextmanager
def sentences(name: str) -> Iterator[None]:
    """Turn a database's errors into one sentence that names the archive."""
    try:
        yield
    except (exc.DBAPIError, sqlite3.Error) as error:
        reason = clean(str(getattr(error, "orig", error))).rstrip(".")
        if "locked" in reason:
            raise ArchiveError(
                f"The archive {name} is in use by another program. Wait until it has finished, then try again."
            ) from error
        if "readonly" in reason or "read-only" in reason:
            raise ArchiveError(
                f"The archive {name} cannot be written: it is read-only. Nothing was changed; allow writing or "
                "choose another with --archive."
            ) from error
        if "is full" in reason:
            raise ArchiveError(
                f"The disk of the archive {name} is full. What was not yet stored is still on the tester; make room, "
                "then try again."
            ) from error
        if "malformed" in reason or "not a database" in reason:
            raise ArchiveError(
                f"The archive {name} is damaged ({reason}). Put a copy of it aside before anything else."
            ) from error
        raise ArchiveError(f"The archive {name} cannot be used: {reason}.") from error


def _prepare_sqlite(engine: Engine) -> None:
    """Let SQLAlchemy, not the driver, begin transactions, and make each commit reach the disk."""

    @event.listens_for(engine, "connect")
    def _on_connect(connection: Any, _: Any) -> None:
        connection.isolation_level = None
        cursor = connection.cursor()
        cursor.execute("PRAGMA foreign_keys = ON")
        cursor.execute("PRAGMA synchronous = FULL")
        cursor.execute(f"PRAGMA busy_timeout = {_BUSY_MS}")
        cursor.close()

    @event.listens_for(engine, "begin")
    def _on_begin(connection: Connection) -> None:
        # A writer takes its lock at once: one that read first could be refused later.
        writing = connection.get_execution_options().get("writing", False)
        connection.exec_driver_sql("BEGIN IMMEDIATE" if writing else "BEGIN")


def writer(engine: Engine) -> Engine:
    """Return the same engine, whose transactions take the lock for writing when they begin."""
    return engine.execution_options(writing=True)


def connect(place: str | os.PathLike[str] | None, *, create: bool) -> tuple[Engine, str]:
    """Open the archive at a place.

    Args:
        place: a file's path, a database URL, or None for the default path.
        create: make a new archive where there is nothing yet.

    Returns:
        the engine and the archive's name for messages.

    Raises:
        NotAnArchiveError: if there is something else at that place, a newer version's archive, or nothing and `create`
            is false.
        ArchiveError: if the database refuses.
    """
    url = url_of(place)
    name = _name(url)
    if url.get_backend_name() == "sqlite":
        _check_file(url, name, create)
    try:
        engine = create_engine(url)
    except exc.NoSuchModuleError as error:
        raise NotAnArchiveError(
            f"There is no database kind {clean(url.drivername)!r}. Give a file's path, or a URL like "
            "postgresql://user@host/name."
        ) from error
    except ModuleNotFoundError as error:
        raise ArchiveError(
            f"The archive {name} needs the Python package {error.name}, which is not installed. Install it, or use a "
            "file."
        ) from error
    if url.get_backend_name() == "sqlite":
        _prepare_sqlite(engine)
    try:
        _check_tables(engine, name, create)
    except BaseException:
        engine.dispose()
        raise
    return engine, name


def _check_file(url: URL, name: str, create: bool) -> None:
    """Refuse a file that is no SQLite database before SQLite touches it; make the folder of a new one."""
    if url.database in (None, "", ":memory:"):
        return
    path = Path(str(url.database))
    try:
        if path.is_dir():
            raise NotAnArchiveError(f"{name} is a folder, not an archive. Name a file in it.")
        if not path.exists():
            if not create:
                raise NotAnArchiveError(
                    f"There is no archive at {name} yet. 'probeledger pull PORT' makes it, or name another with "
                    "--archive."
                )
            path.parent.mkdir(parents=True, exist_ok=True)
            return
        with path.open("rb") as file:
            head = file.read(len(_SQLITE_HEADER))
    except OSError as error:
        raise ArchiveError(f"The archive {name} cannot be opened: {error.strerror}.") from error
    if head and head != _SQLITE_HEADER:
        raise NotAnArchiveError(
            f"{name} is not a probeledger archive. Nothing was changed; name the archive's file, or a new one."
        )


def _check_tables(engine: Engine, name: str, create: bool) -> None:
    with sentences(name):
        tables = set(inspect(engine).get_table_names())
    if schema.info.name not in tables:
        if tables:
            raise NotAnArchiveError(
                f"{name} is a database, but not a probeledger archive. Nothing was changed; name the archive's file, "
                "or a new one."
            )
        if not create:
            raise NotAnArchiveError(
                f"The archive {name} is empty. 'probeledger pull PORT' fills it, or name another with --archive."
            )
        with sentences(name):
            _make(engine)
    with sentences(name), engine.connect() as connection:
        rows = connection.execute(select(schema.info.c.name, schema.info.c.value))
        found = {row.name: row.value for row in rows}
    if found.get("format") != schema.FORMAT_NAME or not found.get("schema", "").isdigit():
        raise NotAnArchiveError(f"{name} is a database, but not a probeledger archive. Nothing was changed.")
    if int(found["schema"]) > schema.SCHEMA_VERSION:
        raise NotAnArchiveError(
            f"The archive {name} was written by a newer probeledger (its tables have version {found['schema']}, this "
            f"program knows {schema.SCHEMA_VERSION}). Update probeledger; nothing was changed."
        )


def _make(engine: Engine) -> None:
    """Make the tables. Two programs that do so at once both end with one set of them."""
    if engine.dialect.name == "sqlite":
        # Outside of any transaction; the file keeps the mode.
        raw = engine.raw_connection()
        try:
            raw.cursor().execute("PRAGMA journal_mode = WAL")
        finally:
            raw.close()
    with writer(engine).begin() as connection:
        schema.metadata.create_all(connection)
        if connection.execute(select(schema.info.c.name).limit(1)).first() is None:
            connection.execute(
                insert(schema.info),
                [
                    {"name": "format", "value": schema.FORMAT_NAME},
                    {"name": "schema", "value": str(schema.SCHEMA_VERSION)},
                ],
            )
