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

__all__ = ["connect", "default_path", "is_sqlite", "lock_whole", "path_of", "sentences", "url_of", "writer"]

_SQLITE_HEADER = b"SQLite format 3\0"
# How long one program waits for another that is writing [ms].
_BUSY_MS = 15_000
# Larger pages than SQLite's own 4 kB take a tenth less time to fill with records (measured).
_PAGE_BYTES = 8192
# Any number of our own: whoever holds this lock of PostgreSQL makes or changes the tables.
_TABLES_LOCK = 7_216_437_001


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
            url = make_url(place)
        except exc.ArgumentError as error:
            raise NotAnArchiveError(
                f"{clean(place)!r} is no database URL. Give a file's path, or a URL like postgresql://user@host/name."
            ) from error
        # The driver that this package's extra brings along.
        return url.set(drivername="postgresql+psycopg") if url.drivername in ("postgresql", "postgres") else url
    return URL.create("sqlite", database=os.fspath(Path(place).expanduser()))


def is_sqlite(engine: Engine) -> bool:
    """Tell whether an engine's database is SQLite."""
    return engine.dialect.name == "sqlite"


def path_of(url: URL) -> Path | None:
    """Return the file of a SQLite URL, None where there is none."""
    if url.get_backend_name() != "sqlite" or url.database in (None, "", ":memory:"):
        return None
    return Path(str(url.database).removeprefix("file:"))


def _name(url: URL) -> str:
    if url.get_backend_name() == "sqlite":
        path = path_of(url)
        return ":memory:" if path is None else str(path)
    return url.set(drivername=url.get_backend_name()).render_as_string(hide_password=True)


@contextmanager
def sentences(name: str) -> Iterator[None]:
    """Turn a database's errors into one sentence that names the archive."""
    try:
        yield
    except UnicodeDecodeError as error:
        # SQLite's own words, or a text that is none.
        raise ArchiveError(_sentence(name, "malformed text")) from error
    except (exc.DBAPIError, sqlite3.Error) as error:
        reason = clean(str(getattr(error, "orig", error))).rstrip(".")
        raise ArchiveError(_sentence(name, reason)) from error


def _sentence(name: str, reason: str) -> str:
    if "locked" in reason or "canceling statement due to lock timeout" in reason:
        return f"The archive {name} is in use by another program. Wait until it has finished, then try again."
    if "readonly" in reason or "read-only" in reason:
        return (
            f"The archive {name} cannot be written: it is read-only. Nothing was changed; allow writing or choose "
            "another with --archive."
        )
    if "is full" in reason or "No space left" in reason:
        return (
            f"The disk of the archive {name} is full. What was not yet stored is still on the tester; make room, then "
            "try again."
        )
    if "unable to open" in reason:
        return (
            f"The archive {name} cannot be opened or made there: its folder or its disk does not let it. Allow writing "
            "in the folder, or choose another with --archive."
        )
    if "disk I/O error" in reason:
        return (
            f"The disk of the archive {name} refused to read or write ({reason}). What was not yet stored is still on "
            "the tester; look at the disk, then try again."
        )
    if "malformed" in reason or "Could not decode" in reason or "not a database" in reason:
        return f"The archive {name} is damaged ({reason}). Put a copy of it aside before anything else."
    if "connection failed" in reason or "connection refused" in reason.lower():
        return f"The archive {name} does not answer: {reason}. See that the database runs and that the URL is right."
    return f"The archive {name} cannot be used: {reason}."


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


def lock_whole(connection: Connection) -> None:
    """Let no other program make or change the tables until this transaction ends."""
    if connection.dialect.name == "postgresql":
        connection.exec_driver_sql(f"SELECT pg_advisory_xact_lock({_TABLES_LOCK})")


def connect(place: str | os.PathLike[str] | None, *, create: bool) -> tuple[Engine, str]:
    """Open the archive at a place; bring an older one up to date.

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
        url = _readable(url)
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
    if is_sqlite(engine):
        _prepare_sqlite(engine)
    try:
        _check_tables(engine, name, create)
    except BaseException:
        engine.dispose()
        raise
    return engine, name


def _check_file(url: URL, name: str, create: bool) -> None:
    """Refuse a file that is no SQLite database before SQLite touches it; make the folder of a new one."""
    path = path_of(url)
    if path is None:
        return
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


def _readable(url: URL) -> URL:
    """Return the URL by which a file on a read-only disk can be read.

    SQLite keeps two files beside one in WAL mode. Where they cannot be made, and no change waits in them, the file
    itself is all there is.
    """
    path = path_of(url)
    if path is None or str(url.database).startswith("file:") or not path.exists() or os.access(path.parent, os.W_OK):
        return url
    waiting = Path(f"{path}-wal")
    if waiting.exists() and waiting.stat().st_size:
        return url
    quoted = str(path.absolute()).replace("%", "%25").replace("?", "%3f").replace("#", "%23")
    return url.set(database=f"file:{quoted}", query={"immutable": "1", "uri": "true"})


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
    version = _version(engine, name)
    if version > schema.SCHEMA_VERSION:
        raise NotAnArchiveError(
            f"The archive {name} was written by a newer probeledger (its tables have version {version}, this program "
            f"knows {schema.SCHEMA_VERSION}). Update probeledger; nothing was changed."
        )
    if version < schema.SCHEMA_VERSION:
        # Imported here: alembic takes long, and is needed once.
        from probeledger.archive.migrating import migrate

        migrate(engine, name, version)


def _version(engine: Engine, name: str) -> int:
    """Return the version of an archive's tables."""
    with sentences(name), engine.connect() as connection:
        rows = connection.execute(select(schema.info.c.name, schema.info.c.value))
        found = {row.name: row.value for row in rows}
    version = str(found.get("schema", ""))
    if found.get("format") != schema.FORMAT_NAME or not (version.isascii() and version.isdigit()) or int(version) < 1:
        raise NotAnArchiveError(f"{name} is a database, but not a probeledger archive. Nothing was changed.")
    return int(version)


def _make(engine: Engine) -> None:
    """Make the tables. Two programs that do so at once both end with one set of them."""
    if is_sqlite(engine):
        # Outside of any transaction; the file keeps both.
        raw = engine.raw_connection()
        try:
            raw.cursor().execute(f"PRAGMA page_size = {_PAGE_BYTES}")
            raw.cursor().execute("PRAGMA journal_mode = WAL")
        finally:
            raw.close()
    with writer(engine).begin() as connection:
        lock_whole(connection)
        schema.metadata.create_all(connection)
        if connection.execute(select(schema.info.c.name).limit(1)).first() is None:
            connection.execute(
                insert(schema.info),
                [
                    {"name": "format", "value": schema.FORMAT_NAME},
                    {"name": "schema", "value": str(schema.SCHEMA_VERSION)},
                ],
            )
            connection.execute(insert(schema.alembic_version), {"version_num": schema.revision(schema.SCHEMA_VERSION)})
