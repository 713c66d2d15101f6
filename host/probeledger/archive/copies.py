"""Copies of an archive: `backup` into a file, `restore` from one, and the copy before a change of the tables.

A copy is always one SQLite file, whatever the archive is kept in, so that it can be carried, read and restored
anywhere. It gets its name only when it is whole.
"""

import os
import shutil
import sqlite3
import tempfile
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from sqlalchemy import Connection, Engine, MetaData, Table, create_engine, delete, func, insert, select, text

from probeledger.archive import engine as engines
from probeledger.archive import schema
from probeledger.errors import ArchiveError, InputError
from probeledger.text import clean

__all__ = ["Copied", "backup", "copy_before", "damage", "restore"]

_ROWS = 500
# In the order in which rows may go in: what is pointed at first.
_TABLES = (
    "probeledger_info",
    "alembic_version",
    "testers",
    "ledgers",
    "records",
    "amendments",
    "clock_points",
    "pulls",
)


@dataclass(frozen=True)
class Copied:
    """What a backup or a restoring did.

    Attributes:
        path: the file; records: how many it holds [1]; size_bytes: its size [1].
        aside: the copy of what the archive held before it was restored, or None.
    """

    path: Path
    records: int
    size_bytes: int
    aside: Path | None = None


def damage(engine: Engine) -> list[str]:
    """Return what SQLite itself finds wrong with an archive's file; nothing of other databases.

    It goes through every page and compares each index with its table.
    """
    if not engines.is_sqlite(engine):
        return []
    raw = engine.raw_connection()
    try:
        cursor = raw.cursor()
        cursor.connection.text_factory = _readable_text
        found = [str(row[0]) for row in cursor.execute("PRAGMA integrity_check(20)")]
        found += [f"{row[0]} points at nothing" for row in cursor.execute("PRAGMA foreign_key_check").fetchmany(20)]
    except (sqlite3.Error, UnicodeDecodeError) as error:
        found = [str(error)]
    finally:
        raw.detach()
        raw.close()
    return [clean(line, 200) for line in found if line != "ok"]


def _readable_text(data: bytes) -> str:
    return data.decode("utf-8", "replace")


def _refuse_damage(engine: Engine, name: str, done: str) -> None:
    found = damage(engine)
    if found:
        raise ArchiveError(f"{name} is damaged ({found[0]}). {done}", "damaged")


def _integrity_of(path: Path) -> None:
    """Check a finished copy and make it reach the disk."""
    with closing(sqlite3.connect(path)) as connection:
        connection.execute("PRAGMA journal_mode = DELETE")
        found = connection.execute("PRAGMA integrity_check(1)").fetchone()[0]
    if found != "ok":
        raise ArchiveError(f"The copy {path} is damaged ({clean(found, 200)}). Have the disk looked at.", "damaged")
    with path.open("rb+") as file:
        os.fsync(file.fileno())


@contextmanager
def _appearing(path: Path) -> Iterator[Path]:
    """Hand out a file's name beside `path`; let it appear as `path` at the end, or not at all."""
    part = path.with_name(f"{path.name}.part")
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        part.unlink(missing_ok=True)
        yield part
        _integrity_of(part)
        part.replace(path)
        folder = os.open(path.parent, os.O_RDONLY)
        try:
            os.fsync(folder)
        finally:
            os.close(folder)
    except OSError as error:
        raise ArchiveError(f"The copy {path} cannot be written: {error.strerror}.") from error
    except sqlite3.Error as error:
        reason = clean(str(error))
        advice = "The disk is full; make room, then try again" if "is full" in reason else reason
        raise ArchiveError(f"The copy {path} cannot be written: {advice}.") from error
    finally:
        for end in ("", "-journal", "-wal", "-shm"):
            with suppress(OSError):
                Path(f"{part}{end}").unlink(missing_ok=True)


def _copy_pages(engine: Engine, part: Path) -> None:
    """Copy a SQLite archive as it stands at one moment, also while others write to it."""
    raw = engine.raw_connection()
    try:
        source: Any = raw.driver_connection
        with closing(sqlite3.connect(part)) as target:
            source.backup(target)
    finally:
        raw.close()


def _copy_rows(source: Connection, target: Connection, tables: list[Table]) -> int:
    """Copy all rows of these tables; return how many there were [1]."""
    total = 0
    for table in tables:
        rows = source.execute(select(table), execution_options={"yield_per": _ROWS})
        for part in rows.mappings().partitions(_ROWS):
            target.execute(insert(table), [dict(row) for row in part])
            total += len(part)
    return total


def copy_before(
    engine: Engine, connection: Connection, path: Path, name: str, make_tables: Callable[[Connection], None]
) -> None:
    """Copy an archive of any version into a file, before its tables are changed.

    Args:
        engine: of the archive; connection: in the transaction that holds its lock.
        path: the file, which is not there yet.
        name: of the archive, for messages.
        make_tables: makes empty tables of the same version in a new file.

    Raises:
        ArchiveError: if the archive is damaged or the copy cannot be written.
    """
    _refuse_damage(engine, f"The archive {name}", "It was not changed. Restore a backup, or put a copy of it aside.")
    with _appearing(path) as part:
        if engines.is_sqlite(engine):
            _copy_pages(engine, part)
            return
        file = create_engine(f"sqlite:///{part}")
        try:
            with file.begin() as target:
                make_tables(target)
                found = MetaData()
                found.reflect(target)
                _copy_rows(connection, target, [found.tables[each] for each in _TABLES[2:] if each in found.tables])
        finally:
            file.dispose()


def _count(connection: Connection) -> int:
    return int(connection.execute(select(func.count()).select_from(schema.records)).scalar() or 0)


def backup(engine: Engine, name: str, path: Path, *, replace: bool = False) -> Copied:
    """Copy an open archive into a file.

    Args:
        engine: of the archive; name: for messages.
        path: the file.
        replace: write over an older copy of that name.

    Raises:
        InputError: if the file is there and `replace` is false, or is the archive itself.
        ArchiveError: if the archive is damaged, or the copy cannot be written or is not whole.
    """
    own = engines.path_of(engine.url)
    if own is not None and path.exists() and own.exists() and path.samefile(own):
        raise InputError(f"{path} is the archive itself. Name another file for the copy.")
    if path.exists() and not replace:
        raise InputError(f"{path} is there already. Name another file, or add --replace to write over it.")
    _refuse_damage(engine, f"The archive {name}", "No copy was made; restore an older one, or put the file aside.")
    with engines.sentences(name):
        with _appearing(path) as part:
            if engines.is_sqlite(engine):
                _copy_pages(engine, part)
            else:
                _copy_into_new(engine, part)
            with closing(sqlite3.connect(part)) as copy:
                records = int(copy.execute("SELECT count(*) FROM records").fetchone()[0])
        return Copied(path, records, path.stat().st_size)


def _copy_into_new(engine: Engine, part: Path) -> None:
    target, _ = engines.connect(part, create=True)
    try:
        tables = [table for table in _tables() if table not in (schema.info, schema.alembic_version)]
        with (
            engine.connect().execution_options(isolation_level="REPEATABLE READ") as source,
            engines.writer(target).begin() as connection,
        ):
            _copy_rows(source, connection, tables)
    finally:
        target.dispose()


def _tables() -> list[Table]:
    return [schema.metadata.tables[name] for name in _TABLES]


def restore(path: Path, place: str | None, *, replace: bool = False, verify: Any = None) -> Copied:
    """Put what a copy holds into an archive.

    Args:
        path: the copy, which is not changed.
        place: of the archive: a path, a URL, or None for the default path.
        replace: put it in the place of what the archive holds, of which a copy is kept.
        verify: called with the opened copy before anything is written, and may raise; None checks its pages only.

    Raises:
        InputError: if the archive holds records and `replace` is false, or is the copy itself.
        NotAnArchiveError: if the file is no archive, or one of a newer version.
        ArchiveError: if the copy is damaged, or the archive refuses; then it stays as it was.
    """
    if not path.exists():
        raise InputError(f"There is no file {path}. Name a copy that 'probeledger backup FILE' made.")
    own = engines.path_of(engines.url_of(place))
    if own is not None and own.exists() and path.samefile(own):
        raise InputError(f"{path} is the archive itself. Name a copy that 'probeledger backup FILE' made.")
    with tempfile.TemporaryDirectory(prefix="probeledger-") as name:
        work = Path(name) / "copy.sqlite"
        _fetch(path, work)
        try:
            source, _ = engines.connect(work, create=False)
        except ArchiveError as error:
            error.message = error.message.replace(str(work), str(path))
            raise
        try:
            _refuse_damage(source, f"The copy {path}", "Nothing was changed; take another copy.")
            if verify is not None:
                verify(source)
            target, target_name = engines.connect(place, create=True)
            try:
                return _put(source, target, target_name, path, replace)
            finally:
                target.dispose()
        finally:
            source.dispose()


def _fetch(path: Path, work: Path) -> None:
    """Copy a file to work on, so that the one that was named stays as it is."""
    try:
        shutil.copyfile(path, work)
        for end in ("-wal",):
            beside = Path(f"{path}{end}")
            if beside.exists():
                shutil.copyfile(beside, f"{work}{end}")
    except OSError as error:
        raise ArchiveError(f"The copy {path} cannot be read: {error.strerror}.") from error


def _put(source: Engine, target: Engine, name: str, path: Path, replace: bool) -> Copied:
    """Copy all rows in one transaction: another program sees the old archive or the new one."""
    aside = None
    with engines.sentences(name):
        with target.connect() as connection:
            held = _count(connection)
        if held and not replace:
            raise InputError(
                f"The archive {name} holds {held} records already. Restore into another with --archive, or add "
                "--replace; a copy of what it holds is kept then."
            )
        if held:
            own = engines.path_of(target.url) or engines.default_path()
            aside = _free_name(own.with_name(f"{own.stem}-before-restoring.sqlite"))
            backup(target, name, aside)
        tables = [table for table in _tables() if table not in (schema.info, schema.alembic_version)]
        with source.connect() as rows, engines.writer(target).begin() as connection:
            engines.lock_whole(connection)
            if not engines.is_sqlite(target):
                connection.exec_driver_sql("LOCK TABLE ledgers, records, amendments, pulls IN EXCLUSIVE MODE")
            if _count(connection) != held:
                raise ArchiveError(f"The archive {name} is being written to. Nothing was changed; try again later.")
            for table in reversed(tables):
                connection.execute(delete(table))
            _copy_rows(rows, connection, tables)
            _advance_numbers(connection)
            if _count(connection) != _count(rows):
                raise ArchiveError(f"The archive {name} did not take all records of {path}. Nothing was changed.")
    _refuse_damage(target, f"The archive {name}", "Restore it once more, to another disk.")
    with target.connect() as connection:
        return Copied(path, _count(connection), path.stat().st_size, aside)


def _free_name(path: Path) -> Path:
    made, number = path, 1
    while made.exists():
        number += 1
        made = path.with_name(f"{path.stem}-{number}{path.suffix}")
    return made


def _advance_numbers(connection: Connection) -> None:
    """Let PostgreSQL go on counting behind the numbers that came with the rows."""
    if connection.dialect.name != "postgresql":
        return
    for table in (schema.ledgers, schema.pulls):
        connection.execute(
            text(
                f"SELECT setval(pg_get_serial_sequence('{table.name}', 'id'), "
                f"coalesce((SELECT max(id) FROM {table.name}), 1))"
            )
        )
