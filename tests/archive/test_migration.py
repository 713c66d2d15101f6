"""An older archive opens, is copied first and brought up to date; whatever stops that leaves it as it was."""

import logging
import os
import sqlite3
import threading
from pathlib import Path

import pytest
from alembic.autogenerate import compare_metadata
from alembic.migration import MigrationContext
from scripted_tester import LEDGER, MORNING, TESTER
from sqlalchemy import MetaData, create_engine, insert, inspect, select, text

from probeledger.archive import Search, migrating, open_archive, schema
from probeledger.archive.engine import url_of
from probeledger.errors import ArchiveError, NotAnArchiveError

# Written by version 1 of the tables; make_version_1.py beside it tells how.
VERSION_1 = Path(__file__).parent / "data" / "version-1.sql"


def old_file(path):
    """Make the file as version 1 left it, in WAL mode."""
    connection = sqlite3.connect(path)
    connection.execute("PRAGMA journal_mode = WAL")
    connection.executescript(VERSION_1.read_text())
    connection.close()
    return path


def old_rows():
    connection = sqlite3.connect(":memory:")
    connection.executescript(VERSION_1.read_text())
    rows = connection.execute("SELECT ledger_id, sequence, item, digest FROM records ORDER BY 1, 2").fetchall()
    connection.close()
    return rows


def old_postgresql(url, tmp_path):
    """Fill a database with version 1's tables, by the first step, and its rows."""
    file = create_engine(f"sqlite:///{old_file(tmp_path / 'old.sqlite')}")
    engine = create_engine(url_of(url))
    with file.connect() as source, engine.begin() as target:
        migrating.run_steps(target, "0001")
        tables = MetaData()
        tables.reflect(target)
        for name in ("testers", "ledgers", "records", "clock_points", "pulls"):
            rows = [dict(row._mapping) for row in source.execute(select(tables.tables[name]))]
            target.execute(insert(tables.tables[name]), rows)
        for name in ("ledgers", "pulls"):
            target.execute(text(f"SELECT setval(pg_get_serial_sequence('{name}', 'id'), 10)"))
        target.execute(text("DROP TABLE alembic_version"))
    file.dispose()
    engine.dispose()


@pytest.fixture(params=["sqlite", "postgresql"])
def old(request, tmp_path):
    """Return the place of an archive of version 1."""
    if request.param == "sqlite":
        (tmp_path / "shop").mkdir()
        return str(old_file(tmp_path / "shop" / "archive.sqlite"))
    url = request.getfixturevalue("postgresql")
    old_postgresql(url, tmp_path)
    return url


def test_an_older_archive_opens_and_keeps_every_byte(old, caplog):
    with caplog.at_level(logging.WARNING), open_archive(old) as archive:
        found = archive.search()
        assert len(found) == 14
        by_key = sorted((one.ledger == "fedcba9876543210", one.sequence, one.item, one.digest) for one in found)
        assert [row[1:] for row in by_key] == [row[1:] for row in old_rows()]
        # The boot whose clock was set later: 80 s after its start it was MORNING.
        second = next(one for one in found if (one.tester, one.sequence) == (TESTER, 2))
        assert (second.time, second.time_reconstructed) == (MORNING - 60, True)
        # The boot without a time lies between the one before it and the day of the pull.
        ninth = next(one for one in found if (one.tester, one.sequence) == (TESTER, 9))
        assert (ninth.time, ninth.time_earliest) == (None, MORNING + 7200 + 5)
        assert archive.verify().findings == []
        assert [pull["finished"] for pull in archive.pulls()] == [None]
    assert "was brought to version 2 of its tables. A copy from before is kept: " in caplog.text


def test_the_copy_from_before_is_whole_and_still_of_the_old_version(old, caplog):
    with caplog.at_level(logging.WARNING), open_archive(old):
        copy = Path(caplog.messages[0].rsplit(": ", 1)[1])
    connection = sqlite3.connect(copy)
    assert connection.execute("PRAGMA integrity_check").fetchone() == ("ok",)
    assert connection.execute("SELECT value FROM probeledger_info WHERE name = 'schema'").fetchone() == ("1",)
    rows = connection.execute("SELECT ledger_id, sequence, item, digest FROM records ORDER BY 1, 2").fetchall()
    assert rows == old_rows()
    connection.close()
    with open_archive(copy) as archive:
        assert archive.count() == 14


def test_opening_again_changes_nothing(old, caplog):
    open_archive(old).close()
    caplog.clear()
    with open_archive(old) as archive:
        assert archive.count(Search(kind="flex")) == 1
    assert caplog.text == ""


def test_a_new_archive_and_one_brought_up_to_date_have_the_same_tables(old):
    open_archive(old).close()
    engine = create_engine(url_of(old))
    with engine.connect() as connection:
        assert compare_metadata(MigrationContext.configure(connection), schema.metadata) == []
        versions = connection.execute(select(schema.alembic_version.c.version_num)).scalars().all()
        assert versions == [schema.revision(schema.SCHEMA_VERSION)]
        # What the comparison leaves out: which rows an index holds.
        made = {index["name"]: index for index in inspect(connection).get_indexes("records")}
        for index in schema.records.indexes:
            options = made[index.name]["dialect_options"]
            there = options.get("sqlite_where") is not None or options.get("postgresql_where") is not None
            assert there == (index.dialect_options["sqlite"]["where"] is not None)
    engine.dispose()


def test_a_step_that_fails_leaves_the_old_version(old, monkeypatch):
    steps = migrating.run_steps

    def fail(connection, target="head"):
        steps(connection, target)
        if target == "head":
            connection.execute(text("SELECT * FROM nothing_of_that_name"))

    monkeypatch.setattr(migrating, "run_steps", fail)
    with pytest.raises(ArchiveError, match="cannot be used"):
        open_archive(old)
    engine = create_engine(url_of(old))
    with engine.connect() as connection:
        assert connection.execute(text("SELECT value FROM probeledger_info WHERE name = 'schema'")).scalar() == "1"
        assert not inspect(connection).has_table("amendments")
        assert "finished" not in {column["name"] for column in inspect(connection).get_columns("pulls")}
    engine.dispose()
    monkeypatch.undo()
    with open_archive(old) as archive:
        assert archive.count() == 14


def test_two_programs_that_open_an_older_archive_at_once_both_get_it(old):
    outcomes = []
    start = threading.Barrier(4)

    def use():
        start.wait()
        with open_archive(old) as archive:
            outcomes.append(archive.count())

    threads = [threading.Thread(target=use) for _ in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert outcomes == [14] * 4


def test_a_damaged_older_archive_is_not_changed(tmp_path):
    path = old_file(tmp_path / "archive.sqlite")
    raw = bytearray(path.read_bytes())
    at = raw.index(b"pl-other")
    raw[at] ^= 1
    path.write_bytes(raw)
    with pytest.raises(ArchiveError, match="is damaged .* It was not changed"):
        open_archive(path)
    assert path.read_bytes() == bytes(raw)
    assert sorted(os.listdir(tmp_path)) == ["archive.sqlite"]


def test_a_newer_archive_is_refused_with_one_sentence(place):
    open_archive(place, create=True).close()
    engine = create_engine(url_of(place))
    with engine.begin() as connection:
        connection.execute(text("UPDATE probeledger_info SET value = '3' WHERE name = 'schema'"))
    engine.dispose()
    with pytest.raises(NotAnArchiveError) as caught:
        open_archive(place, create=True)
    assert caught.value.message.endswith(
        "was written by a newer probeledger (its tables have version 3, this program knows 2). Update probeledger; "
        "nothing was changed."
    )


def test_records_go_in_after_the_change(old):
    from scripted_tester import items

    with open_archive(old) as archive:
        kept = [one.item for one in archive.search(Search(tester=TESTER))]
        kept.sort(key=lambda item: next(one.sequence for one in archive.search() if one.item == item))
        more = items(2, boot=5, after=kept)
        assert archive.add([(11, more[10]), (12, more[11])], TESTER, LEDGER).new == 2
        archive.reconstruct_times(LEDGER)
        assert archive.verify().findings == []
