"""The archive: storing twice changes nothing, nothing is overwritten, and what is no archive is left alone."""

import os
import sqlite3

import pytest
from scripted_tester import LEDGER, MORNING, TESTER, items, probe_body

from probecore import cbor, record
from probeledger.archive import PullEntry, Search, open_archive
from probeledger.errors import ArchiveError, ConflictError, NotAnArchiveError

OTHER_LEDGER = bytes.fromhex("fedcba9876543210")


def numbered(made):
    return list(enumerate(made, start=1))


def test_records_come_back_byte_for_byte_and_parsed(archive):
    made = items(3)
    added = archive.add(numbered(made), TESTER, LEDGER)
    assert (added.new, added.known) == (3, 0)
    assert added.kinds == {("probe", "pass"): 3}
    found = archive.search()
    assert [one.item for one in found] == made
    assert [one.sequence for one in found] == [1, 2, 3]
    one = found[1]
    assert (one.tester, one.ledger, one.kind, one.boot, one.ms) == (TESTER, LEDGER.hex(), "probe", 1, 65000)
    assert (one.time, one.time_reconstructed) == (MORNING + 60, False)
    assert (one.ticket, one.job, one.place, one.mode) == ("T002", 7002, "sensor", "guided")
    assert (one.curve, one.verdict, one.ohms, one.celsius) == ("pt1000-3850", "pass", 1085.75, 22.0)
    assert one.prev == record.digest(made[0])
    assert one.digest == record.digest(made[1])
    assert one.body == probe_body(2)


def test_storing_twice_changes_nothing(archive):
    made = numbered(items(5))
    archive.add(made, TESTER, LEDGER)
    before = archive.search()
    added = archive.add(made[2:] + made[:1], TESTER, LEDGER)
    assert (added.new, added.known) == (0, 4)
    assert archive.search() == before


def test_a_differing_record_is_refused_with_its_batch_and_the_kept_one_stays(archive):
    made = items(5)
    archive.add(numbered(made[:3]), TESTER, LEDGER)
    forged = items(5, body=lambda number: probe_body(number, verdict="fail"))
    with pytest.raises(ConflictError) as caught:
        archive.add([(4, made[3]), (3, forged[2])], TESTER, LEDGER)
    assert caught.value.message.startswith(f"Record 3 of tester {TESTER} differs from the one in the archive ")
    assert [one.item for one in archive.search()] == made[:3]


def test_two_versions_of_a_record_in_one_batch_are_refused(archive):
    made, forged = items(1), items(1, body=lambda number: {})
    with pytest.raises(ConflictError):
        archive.add([(1, made[0]), (1, forged[0])], TESTER, LEDGER)
    assert archive.search() == []


def test_a_record_that_says_another_number_than_it_was_sent_as_is_refused(archive):
    with pytest.raises(ArchiveError, match="sent record 2 .* says that it is record 1"):
        archive.add([(2, items(1)[0])], TESTER, LEDGER)
    assert archive.search() == []


def test_a_record_of_another_ledger_is_refused(archive):
    with pytest.raises(ArchiveError, match="of ledger fedcba9876543210"):
        archive.add(numbered(items(1)), TESTER, OTHER_LEDGER)


@pytest.mark.parametrize("item", [b"\xff\x00\x01", cbor.dumps({"v": 99, "what": "from the future"})])
def test_an_item_that_cannot_be_read_is_kept_for_later(archive, item):
    archive.add([(1, item)], TESTER, LEDGER)
    archive.add([(1, item)], TESTER, LEDGER)
    (found,) = archive.search()
    assert (found.kind, found.tester, found.sequence, found.item) == ("unreadable", TESTER, 1, item)
    assert found.body == {}


@pytest.mark.parametrize(
    ("kept", "missing"),
    [
        ([], [(1, 10)]),
        ([1, 2, 3], [(4, 10)]),
        ([3, 4], [(1, 2), (5, 10)]),
        ([1, 2, 5, 6, 10], [(3, 4), (7, 9)]),
        (list(range(1, 11)), []),
    ],
)
def test_missing_runs(archive, kept, missing):
    made = items(10)
    archive.add([(number, made[number - 1]) for number in kept], TESTER, LEDGER)
    assert archive.missing(LEDGER, 1, 10) == missing
    assert archive.missing(LEDGER, 1, 0) == []


def test_records_of_a_flash_moved_to_another_board_belong_to_one_ledger(archive):
    first = items(2)
    both = items(2, tester="pl-ffffff", time=MORNING + 600, after=first)
    archive.add(numbered(both), "pl-ffffff", LEDGER)
    assert [one.tester for one in archive.search()] == [TESTER, TESTER, "pl-ffffff", "pl-ffffff"]
    assert archive.missing(LEDGER, 1, 4) == []
    assert archive.last_sequence(LEDGER) == 4


def test_search_narrows_by_each_field(archive):
    def body(number):
        return probe_body(
            number,
            verdict=("pass", "fail", "undecided")[number % 3],
            place="control-end" if number == 4 else "sensor",
            findings=["open-circuit"] if number == 1 else [],
            ticket="100%_sure" if number == 5 else f"T{number}",
        )

    archive.add(numbered(items(6, body=body)), TESTER, LEDGER)
    archive.add(
        numbered(items(2, ledger=OTHER_LEDGER, tester="pl-other", time=MORNING + 86400, kind="flex")),
        "pl-other",
        OTHER_LEDGER,
    )

    def numbers(**search):
        return [(one.tester[-3:], one.sequence) for one in archive.search(Search(**search))]

    assert numbers(tester="pl-other") == [("her", 1), ("her", 2)]
    assert numbers(ledger=OTHER_LEDGER.hex()) == [("her", 1), ("her", 2)]
    assert numbers(verdict="undecided") == [("0de", 2), ("0de", 5)]
    assert numbers(place="control-end") == [("0de", 4)]
    assert numbers(ticket="T3") == [("0de", 3)]
    assert numbers(job=7001, tester=TESTER) == [("0de", 1)]
    assert numbers(kind="flex") == [("her", 1), ("her", 2)]
    assert numbers(text="OPEN-circ") == [("0de", 1)]
    assert numbers(text="%_") == [("0de", 5)]
    assert numbers(text="'; drop table records; --") == []
    assert numbers(since=MORNING + 60, until=MORNING + 180) == [("0de", 2), ("0de", 3)]
    assert numbers(limit=3) == [("0de", 6), ("her", 1), ("her", 2)]
    assert archive.count(Search(verdict="undecided", limit=1)) == 2


def test_hostile_values_are_stored_as_they_are_and_harm_nothing(archive):
    def body(number):
        return probe_body(
            number,
            ticket="a\0b\x1b[31m\u202e<script>" + "x" * 500,
            verdict=["not", "a", "text"],
            ohms=float("inf"),
            celsius="hot",
            job=2**63,
            findings={"deep": {"deep": {"deep": {"deep": {"deep": "deep"}}}}},
        )

    made = items(1, body=body, time=2**60, boot=2**63 + 5)
    archive.add(numbered(made), TESTER, LEDGER)
    (found,) = archive.search()
    assert found.item == made[0]
    assert found.body == body(1)
    assert (found.verdict, found.ohms, found.celsius, found.job, found.time) == (None, None, None, None, None)
    archive.reconstruct_times(LEDGER)


def test_pulls_are_kept(archive):
    entry = PullEntry(MORNING, 1.5, 1, 3, 3, 0, 900, 3, bytes(range(32)), True)
    archive.add_pull(TESTER, LEDGER, entry)
    (kept,) = archive.pulls(LEDGER)
    assert kept == {"tester": TESTER, "ledger": LEDGER.hex(), **vars(entry)}
    assert archive.pulls(OTHER_LEDGER) == []


def test_sqlite_is_set_to_lose_nothing(tmp_path):
    with open_archive(tmp_path / "a.sqlite", create=True) as archive, archive._engine.connect() as connection:
        assert connection.exec_driver_sql("PRAGMA journal_mode").scalar() == "wal"
        assert connection.exec_driver_sql("PRAGMA synchronous").scalar() == 2


# What is no archive


def refused(path, **options):
    with pytest.raises(NotAnArchiveError) as caught:
        open_archive(path, **options)
    assert caught.value.exit_status == 2
    return caught.value.message


def test_a_text_file_is_no_archive_and_stays_as_it_is(tmp_path):
    path = tmp_path / "notes.txt"
    path.write_text("milk, bread, a 1000-ohm sensor\n" * 100)
    assert "is not a probeledger archive" in refused(path, create=True)
    assert path.read_text().startswith("milk")
    assert os.listdir(tmp_path) == ["notes.txt"]


def test_another_database_is_no_archive_and_stays_as_it_is(tmp_path):
    path = tmp_path / "other.sqlite"
    with sqlite3.connect(path) as connection:
        connection.execute("CREATE TABLE songs (name TEXT)")
    before = path.read_bytes()
    assert "is a database, but not a probeledger archive" in refused(path, create=True)
    assert path.read_bytes() == before


def test_a_damaged_database_is_named(tmp_path):
    path = tmp_path / "archive.sqlite"
    with open_archive(path, create=True) as archive:
        archive.add(numbered(items(3)), TESTER, LEDGER)
    raw = bytearray(path.read_bytes())
    raw[16:4096] = bytes(4080)
    path.write_bytes(raw)
    with pytest.raises(ArchiveError, match=r"is damaged \(.*\)\. Put a copy of it aside"):
        open_archive(path)


def test_a_folder_is_no_archive(tmp_path):
    assert "is a folder, not an archive" in refused(tmp_path, create=True)


def test_nothing_there_is_said_and_nothing_is_made(tmp_path):
    assert "There is no archive at" in refused(tmp_path / "none" / "archive.sqlite")
    assert os.listdir(tmp_path) == []


def test_an_empty_file_may_become_an_archive(tmp_path):
    path = tmp_path / "archive.sqlite"
    path.touch()
    assert "is empty" in refused(path)
    with open_archive(path, create=True) as archive:
        assert archive.search() == []


def test_an_archive_of_a_newer_version_is_left_alone(tmp_path):
    path = tmp_path / "archive.sqlite"
    open_archive(path, create=True).close()
    with sqlite3.connect(path) as connection:
        connection.execute("UPDATE probeledger_info SET value = '7' WHERE name = 'schema'")
    connection.close()
    message = refused(path, create=True)
    assert "written by a newer probeledger (its tables have version 7, this program knows 2)" in message


@pytest.mark.parametrize(
    ("place", "sentence"),
    [
        ("nothing://here", "There is no database kind 'nothing'"),
        ("://", "is no database URL"),
    ],
)
def test_a_url_that_is_none_is_named(place, sentence):
    assert sentence in refused(place, create=True)


def test_a_url_of_sqlite_is_the_same_as_its_path(tmp_path):
    path = tmp_path / "archive.sqlite"
    with open_archive(f"sqlite:///{path}", create=True) as archive:
        archive.add(numbered(items(1)), TESTER, LEDGER)
    with open_archive(path) as archive:
        assert len(archive.search()) == 1


def test_another_program_that_writes_is_waited_for_or_named(tmp_path, monkeypatch):
    monkeypatch.setattr("probeledger.archive.engine._BUSY_MS", 10)
    path = tmp_path / "archive.sqlite"
    with open_archive(path, create=True) as archive:
        other = sqlite3.connect(path, isolation_level=None)
        other.execute("BEGIN IMMEDIATE")
        with pytest.raises(ArchiveError, match="in use by another program"):
            archive.add(numbered(items(1)), TESTER, LEDGER)
        other.execute("ROLLBACK")
        other.close()
        assert archive.add(numbered(items(1)), TESTER, LEDGER).new == 1
