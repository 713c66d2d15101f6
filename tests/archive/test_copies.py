"""`backup` and `restore`: whole or not at all, and nothing is overwritten silently."""

import json
import os
import sqlite3
from pathlib import Path

import pytest
from click.testing import CliRunner
from scripted_tester import LEDGER, MORNING, TESTER, FakePort, ScriptedTester, items, probe_body

from probeledger import cli
from probeledger.archive import open_archive
from probeledger.link.session import Session
from probeledger.pulling import pull_ledger

# Written by version 1 of the tables; make_version_1.py beside it tells how.
VERSION_1 = Path(__file__).parent / "data" / "version-1.sql"


def pull(archive, made):
    port = FakePort(ScriptedTester(made))
    session = Session(port, now=port.now)
    session.greet()
    return pull_ledger(session, archive)


def fill(place, number=12):
    made = items(number)
    with open_archive(place, create=True) as archive:
        pull(archive, made)
        archive.amend(TESTER, 2, "note", value="kept as well", author="shop", now=MORNING)
    return made


def contents(place):
    with open_archive(place) as archive:
        return archive.search(), archive.pulls(), archive.testers()


def run(*args):
    return CliRunner().invoke(cli.main, [str(arg) for arg in args])


def test_a_backup_holds_everything_in_one_file(place, tmp_path):
    fill(place)
    copy = tmp_path / "stick" / "copy.sqlite"
    done = run("backup", copy, "--archive", place)
    assert done.exit_code == 0, done.output
    assert "12 records copied" in done.stdout
    assert os.listdir(copy.parent) == ["copy.sqlite"]
    with sqlite3.connect(copy) as connection:
        assert connection.execute("PRAGMA journal_mode").fetchone() == ("delete",)
        assert connection.execute("PRAGMA integrity_check").fetchone() == ("ok",)
    connection.close()
    assert contents(copy) == contents(place)
    with open_archive(copy) as archive:
        assert archive.verify().findings == []


def test_a_backup_writes_over_nothing_unless_told(place, tmp_path):
    fill(place)
    copy = tmp_path / "copy.sqlite"
    copy.write_text("precious")
    done = run("backup", copy, "--archive", place)
    assert done.exit_code == 2
    assert "is there already. Name another file, or add --replace to write over it." in done.stderr
    assert copy.read_text() == "precious"
    assert run("backup", copy, "--archive", place, "--replace").exit_code == 0
    assert contents(copy) == contents(place)


def test_the_archive_is_no_place_for_its_own_backup(tmp_path):
    path = tmp_path / "archive.sqlite"
    fill(path)
    done = run("backup", path, "--archive", path, "--replace")
    assert done.exit_code == 2
    assert "is the archive itself. Name another file for the copy." in done.stderr


def test_a_damaged_archive_is_not_copied(tmp_path):
    path = tmp_path / "archive.sqlite"
    fill(path)
    raw = bytearray(path.read_bytes())
    # In the table of testers or its index: the other one says another id.
    at = raw.index(TESTER.encode())
    raw[at] ^= 1
    path.write_bytes(raw)
    done = run("backup", tmp_path / "copy.sqlite", "--archive", path)
    assert (done.exit_code, done.stdout) == (1, "")
    assert f"Error: The archive {path} is damaged (" in done.stderr
    assert "No copy was made" in done.stderr
    assert not (tmp_path / "copy.sqlite").exists()


def test_a_backup_where_nothing_can_be_written(place, tmp_path):
    fill(place)
    (tmp_path / "file").write_text("")
    done = run("backup", tmp_path / "file" / "copy.sqlite", "--archive", place)
    assert done.exit_code == 1
    assert "cannot be written: " in done.stderr


def test_a_backup_while_another_program_writes_is_of_one_moment(place, tmp_path):
    made = fill(place, 200)
    more = items(200, after=made)
    with open_archive(place) as archive:
        archive.add(list(enumerate(more, start=1))[200:300], TESTER, LEDGER)
        archive.backup(tmp_path / "copy.sqlite")
        archive.add(list(enumerate(more, start=1))[300:], TESTER, LEDGER)
    with open_archive(tmp_path / "copy.sqlite") as copy:
        assert sorted(one.sequence for one in copy.search()) == list(range(1, 301))


def test_a_copy_restores_into_a_new_archive(place, tmp_path):
    source = tmp_path / "source.sqlite"
    made = fill(source)
    copy = tmp_path / "copy.sqlite"
    assert run("backup", copy, "--archive", source).exit_code == 0
    before = copy.read_bytes()
    done = run("restore", copy, "--archive", place)
    assert done.exit_code == 0, done.output
    assert done.stdout == f"12 records restored from {copy}.\n"
    assert contents(place) == contents(source)
    assert copy.read_bytes() == before
    # It goes on where it was: numbers of pulls and ledgers too.
    with open_archive(place) as archive:
        assert pull(archive, items(3, after=made)).new_records == 3
        assert archive.verify().findings == []


def test_an_archive_that_holds_records_is_not_overwritten_silently(place, tmp_path):
    source = tmp_path / "source.sqlite"
    fill(source)
    run("backup", tmp_path / "copy.sqlite", "--archive", source)
    with open_archive(place, create=True) as archive:
        pull(archive, items(5, body=lambda number: probe_body(number, verdict="fail")))
    before = contents(place)
    done = run("restore", tmp_path / "copy.sqlite", "--archive", place)
    assert done.exit_code == 2
    assert "holds 5 records already. Restore into another with --archive, or add --replace" in done.stderr
    assert contents(place) == before
    done = run("restore", tmp_path / "copy.sqlite", "--archive", place, "--replace", "--json")
    assert done.exit_code == 0, done.output
    document = json.loads(done.stdout)
    assert document["records"] == 12
    assert contents(place) == contents(source)
    assert contents(document["kept_before"]) == before


def test_a_copy_with_a_finding_is_refused_unless_told(place, tmp_path):
    source = tmp_path / "source.sqlite"
    fill(source)
    copy = tmp_path / "copy.sqlite"
    run("backup", copy, "--archive", source)
    with sqlite3.connect(copy) as connection:
        connection.execute("DELETE FROM records WHERE sequence = 5")
    connection.close()
    done = run("restore", copy, "--archive", place)
    assert done.exit_code == 1
    assert f"does not hold: Record 5 of {TESTER} is missing. Nothing was changed" in done.stderr
    done = run("restore", copy, "--archive", place, "--anyway")
    assert done.exit_code == 0, done.output
    with open_archive(place) as archive:
        assert archive.count() == 11


def test_a_damaged_copy_is_refused(place, tmp_path):
    source = tmp_path / "source.sqlite"
    fill(source)
    copy = tmp_path / "copy.sqlite"
    run("backup", copy, "--archive", source)
    raw = bytearray(copy.read_bytes())
    raw[raw.index(TESTER.encode())] ^= 1
    copy.write_bytes(raw)
    done = run("restore", copy, "--archive", place, "--anyway")
    assert done.exit_code == 1
    assert f"The copy {copy} is damaged (" in done.stderr


def test_an_older_copy_restores_into_the_present_tables(place, tmp_path):
    copy = tmp_path / "old.sqlite"
    connection = sqlite3.connect(copy)
    connection.executescript(VERSION_1.read_text())
    connection.close()
    before = copy.read_bytes()
    done = run("restore", copy, "--archive", place)
    assert done.exit_code == 0, done.output
    assert copy.read_bytes() == before
    assert sorted(path.name for path in tmp_path.glob("old*")) == ["old.sqlite"]
    with open_archive(place) as archive:
        assert archive.count() == 14
        assert archive.verify().findings == []


@pytest.mark.parametrize("kind", ["text", "other", "none", "newer", "folder"])
def test_what_is_no_copy_is_refused(tmp_path, kind):
    path = tmp_path / "given"
    if kind == "text":
        path.write_text("notes " * 100)
    elif kind == "other":
        with sqlite3.connect(path) as connection:
            connection.execute("CREATE TABLE songs (name TEXT)")
        connection.close()
    elif kind == "newer":
        open_archive(path, create=True).close()
        with sqlite3.connect(path) as connection:
            connection.execute("UPDATE probeledger_info SET value = '99' WHERE name = 'schema'")
        connection.close()
    elif kind == "folder":
        path.mkdir()
    done = run("restore", path, "--archive", tmp_path / "archive.sqlite")
    assert (done.exit_code, done.stdout) == (2, "")
    assert "Traceback" not in done.stderr
    assert "/probeledger-" not in done.stderr
    assert str(path) in done.stderr
    assert not (tmp_path / "archive.sqlite").exists()


def test_the_copy_is_read_with_the_changes_that_wait_beside_it(tmp_path):
    source = tmp_path / "source.sqlite"
    made = items(3)
    archive = open_archive(source, create=True)
    archive.add(list(enumerate(made, start=1)), TESTER, LEDGER)
    # Copied as files, while the program that wrote it still ran.
    for end in ("", "-wal"):
        Path(f"{tmp_path}/copied.sqlite{end}").write_bytes(Path(f"{source}{end}").read_bytes())
    archive.close()
    done = run("restore", tmp_path / "copied.sqlite", "--archive", tmp_path / "new.sqlite")
    assert done.exit_code == 0, done.output
    with open_archive(tmp_path / "new.sqlite") as restored:
        assert [one.item for one in restored.search()] == made
