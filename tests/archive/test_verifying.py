"""`verify` finds what was done to an archive, says it in plain words, and says what it cannot know."""

import json
import sqlite3
import struct

import pytest
from click.testing import CliRunner
from scripted_tester import LEDGER, MORNING, TESTER, FakePort, ScriptedTester, items, probe_body
from sqlalchemy import create_engine, text

from probecore import record
from probeledger import cli
from probeledger.archive import PullEntry, open_archive
from probeledger.archive.engine import url_of
from probeledger.errors import ArchiveError
from probeledger.link.session import Session
from probeledger.pulling import pull_ledger

# Columns whose every byte is flipped, with the SQL that takes the value as bytes apart.
TEXTS = ("kind", "firmware", "calibration", "ticket", "place", "mode", "curve", "verdict", "words")
INTEGERS = ("sequence", "boot", "ms", "time", "time_reconstructed", "job", "time_earliest", "time_latest")
FLOATS = ("ohms", "celsius")
BLOBS = ("item", "digest", "prev")


def sample():
    """Return a few records of each sort: without a time, a setting of the clock, tests with and without a ticket."""
    made = items(1, kind="boot", body=lambda number: {"cause": "power"}, time=None)
    made = items(1, kind="clock", body=lambda number: {"before": None, "after": MORNING}, start_ms=80_000, after=made)
    made = items(2, start_ms=100_000, time=MORNING + 20, after=made)
    return items(1, boot=2, time=None, after=made)


def pull(archive, made, **hello):
    port = FakePort(ScriptedTester(made, **hello))
    session = Session(port, now=port.now)
    session.greet()
    return pull_ledger(session, archive)


def fill(place):
    with open_archive(place, create=True) as archive:
        pull(archive, sample(), boot=3)
        archive.amend(TESTER, 3, "ticket", value="T-9", reason="typed wrong", author="shop", now=MORNING)
        archive.amend(TESTER, 3, "note", value="came again", author="shop", now=MORNING)


def change(place, *statements):
    """Change an archive behind the program's back."""
    engine = create_engine(url_of(place))
    with engine.begin() as connection:
        for statement, values in statements:
            connection.execute(text(statement), values)
    engine.dispose()


def findings(place, heads=()):
    with open_archive(place) as archive:
        return archive.verify(heads)


def said(place):
    return [finding.message for finding in findings(place).findings]


def test_a_sound_archive_has_no_finding(place):
    fill(place)
    found = findings(place)
    assert (found.findings, found.records, found.holds) == ([], 5, True)
    (ledger,) = found.ledgers
    assert (ledger.first, ledger.last, ledger.kept_head, ledger.unknown) == (1, 5, 5, [])
    assert ledger.head == record.digest(sample()[-1])


# Every single byte


def flips(value):
    """Yield the value with each of its bytes changed by one bit."""
    for at in range(len(value)):
        yield value[:at] + bytes([value[at] ^ (1 << at % 8)]) + value[at + 1 :]


def each_flip(connection):
    """Yield (key, column, SQL expression, value) of every single flipped byte in the table of records."""
    names = ", ".join((*TEXTS, *BLOBS, *INTEGERS, *FLOATS))
    for row in connection.execute(f"SELECT {names} FROM records").fetchall():
        values = dict(zip((*TEXTS, *BLOBS, *INTEGERS, *FLOATS), row, strict=True))
        key = values["sequence"]
        for column, value in values.items():
            if value is None:
                continue
            if column in TEXTS:
                yield from ((key, column, "CAST(? AS TEXT)", flipped) for flipped in flips(value.encode()))
            elif column in BLOBS:
                yield from ((key, column, "?", flipped) for flipped in flips(value))
            else:
                form = "<d" if column in FLOATS else "<q"
                for flipped in flips(struct.pack(form, value)):
                    yield key, column, "?", struct.unpack(form, flipped)[0]


def count_unfound_flips(path, step, start=0):
    """Flip every `step`th byte in turn; return how many were tried, and those that were not found."""
    connection = sqlite3.connect(path, isolation_level=None)
    connection.execute("PRAGMA foreign_keys = OFF")
    tried, unfound = 0, []
    with open_archive(path) as archive:
        for key, column, expression, value in list(each_flip(connection))[start::step]:
            connection.execute("BEGIN")
            kept = connection.execute(f"SELECT {column} FROM records WHERE sequence = ?", (key,)).fetchone()[0]
            try:
                connection.execute(f"UPDATE records SET {column} = {expression} WHERE sequence = ?", (value, key))
            except sqlite3.IntegrityError:
                # A number that is taken: the database lets no two records have it.
                connection.execute("ROLLBACK")
                continue
            connection.execute("COMMIT")
            if archive.verify().holds:
                unfound.append((key, column, value))
            now = value if column == "sequence" else key
            connection.execute(f"UPDATE records SET {column} = ? WHERE sequence = ?", (kept, now))
            tried += 1
        assert archive.verify().holds
    connection.close()
    return tried, unfound


def test_a_flipped_byte_in_raw_or_parsed_is_found(tmp_path):
    path = tmp_path / "archive.sqlite"
    fill(path)
    tried, unfound = count_unfound_flips(path, 11)
    assert (tried > 200, unfound) == (True, [])


@pytest.mark.long
def test_every_flipped_byte_in_raw_and_parsed_is_found(tmp_path):
    path = tmp_path / "archive.sqlite"
    fill(path)
    tried, unfound = count_unfound_flips(path, 1)
    print(f"{tried} bytes flipped, {len(unfound)} not found")
    assert (tried > 2000, unfound) == (True, [])


def contents(path):
    with open_archive(path) as archive:
        return archive.search(), archive.pulls()


def count_unfound_in_file(tmp_path, monkeypatch, step):
    """Flip bytes of an archive's file; what is not found must not have changed anything."""
    # Small pages, so that the file is small and most of it is filled.
    monkeypatch.setattr("probeledger.archive.engine._PAGE_BYTES", 512)
    path = tmp_path / "archive.sqlite"
    fill(path)
    connection = sqlite3.connect(path)
    connection.execute("PRAGMA journal_mode = DELETE")
    connection.execute("VACUUM")
    connection.close()
    raw = path.read_bytes()
    before = contents(path)
    flipped = tmp_path / "flipped.sqlite"
    tried = found = 0
    unfound = []
    for at in range(0, len(raw), step):
        flipped.write_bytes(raw[:at] + bytes([raw[at] ^ (1 << at % 8)]) + raw[at + 1 :])
        tried += 1
        try:
            if not findings(flipped).holds:
                found += 1
                continue
            after = contents(flipped)
        except ArchiveError:
            found += 1
            continue
        finally:
            for end in ("-wal", "-shm", "-journal"):
                (tmp_path / f"flipped.sqlite{end}").unlink(missing_ok=True)
        if after != before:
            unfound.append(at)
    return tried, found, unfound


def test_a_flipped_byte_in_the_file_is_found_or_changes_nothing(tmp_path, monkeypatch):
    tried, found, unfound = count_unfound_in_file(tmp_path, monkeypatch, 89)
    assert unfound == []
    assert found > tried / 4


@pytest.mark.long
def test_every_flipped_byte_in_the_file_is_found_or_changes_nothing(tmp_path, monkeypatch):
    tried, found, unfound = count_unfound_in_file(tmp_path, monkeypatch, 1)
    print(
        f"{tried} bytes flipped, {found} found, {tried - found - len(unfound)} without effect, {len(unfound)} unfound"
    )
    assert unfound == []


# What somebody did on purpose


def replace(place, sequence, item):
    """Put other bytes in the place of a record's, with everything that is parsed from them."""
    from probeledger.archive.records import columns_of

    row = {name: value for name, value in columns_of(item).items() if name not in ("tester", "ledger")}
    row.pop("sequence")
    names = ", ".join(f"{name} = :{name}" for name in row)
    change(place, (f"UPDATE records SET {names} WHERE sequence = :key", {**row, "key": sequence}))


def long_ledger(place, number=8, upto=None):
    made = items(number)
    with open_archive(place, create=True) as archive:
        pull(archive, made[:upto] if upto else made)
    return made


@pytest.mark.parametrize("sequence", [1, 4, 8])
def test_a_removed_record_is_missing(place, sequence):
    long_ledger(place)
    change(place, ("DELETE FROM records WHERE sequence = :key", {"key": sequence}))
    assert said(place) == [f"Record {sequence} of {TESTER} is missing."]


def test_a_removed_run_is_told_at_once(place):
    long_ledger(place)
    change(place, ("DELETE FROM records WHERE sequence BETWEEN 3 AND 5", {}))
    assert said(place) == [f"Records 3 to 5 of {TESTER} are missing."]


def test_a_swapped_pair_is_out_of_order(place):
    long_ledger(place)
    change(
        place,
        ("UPDATE records SET sequence = 100 WHERE sequence = 3", {}),
        ("UPDATE records SET sequence = 3 WHERE sequence = 4", {}),
        ("UPDATE records SET sequence = 4 WHERE sequence = 100", {}),
    )
    messages = said(place)
    assert f"The record kept as number 3 of {TESTER} (ledger {LEDGER.hex()}) says that it is number 4 " in messages[0]
    assert "it was moved, swapped or put in." in messages[0]
    assert f"Record 3 of {TESTER} does not follow from the one before it." in messages


def test_an_altered_record_is_told_from_an_altered_digest(place):
    made = long_ledger(place)
    other = made[3].replace(b"\x64pass", b"\x64fail")
    assert other != made[3]
    change(place, ("UPDATE records SET item = :item WHERE sequence = 4", {"item": other}))
    messages = said(place)
    assert f"Record 4 of {TESTER}: its bytes were altered; the next record follows from what they were." in messages
    change(
        place,
        ("UPDATE records SET item = :item, digest = :wrong WHERE sequence = 4", {"item": made[3], "wrong": bytes(32)}),
    )
    assert said(place) == [
        f"Record 4 of {TESTER}: the digest kept with it was altered; its bytes are those that the next record follows "
        "from."
    ]


def test_a_record_that_was_replaced_with_all_that_belongs_to_it_breaks_the_chain(place):
    made = long_ledger(place)
    replace(place, 4, items(1, after=made[:3], start_ms=185_000, body=lambda number: probe_body(number, ohms=999.0))[3])
    assert said(place) == [f"Record 5 of {TESTER} does not follow from the one before it."]


def test_an_inserted_record_shows_against_the_kept_head(place):
    made = long_ledger(place, 8)
    # One more in the middle, and all after it made anew with the next number: a chain that holds.
    forged = items(1, after=made[:3], start_ms=150_000, body=lambda number: probe_body(number, verdict="fail"))
    forged = items(5, after=forged, start_ms=185_000, body=lambda number: probe_body(number - 1))
    for sequence in range(4, 9):
        replace(place, sequence, forged[sequence - 1])
    with open_archive(place) as archive:
        archive.add([(9, forged[8])], TESTER, LEDGER)
        archive.reconstruct_times(LEDGER)
    head, unpulled = said(place)
    assert head.startswith(f"Record 8 of {TESTER} is not the one that was the tester's last at the pull of ")
    assert unpulled == (
        f"Record 9 of {TESTER} came with no pull that was kept: put in, or what was kept of the pull was removed."
    )


def test_a_rewritten_tail_shows_against_the_kept_head(place):
    made = long_ledger(place, 8)
    forged = items(4, after=made[:4], start_ms=245_000, body=lambda number: probe_body(number, verdict="fail"))
    for sequence in range(5, 9):
        replace(place, sequence, forged[sequence - 1])
    with open_archive(place) as archive:
        archive.reconstruct_times(LEDGER)
    (message,) = said(place)
    assert message.startswith(f"Record 8 of {TESTER} is not the one that was the tester's last at the pull of ")
    assert message.endswith("it or records before it were rewritten.")


def test_without_a_kept_head_it_says_what_cannot_be_known(place):
    made = items(8)
    with open_archive(place, create=True) as archive:
        archive.add(list(enumerate(made, start=1)), TESTER, LEDGER)
    change(place, ("DELETE FROM records WHERE sequence = 8", {}))
    found = findings(place)
    assert found.findings == []
    assert found.ledgers[0].unknown == [
        f"No head of {TESTER} was ever kept: whether records at its end were removed, or all of it was made anew, "
        "cannot be known."
    ]
    # A head that was noted elsewhere knows it.
    head = record.digest(made[7])
    (finding,) = findings(place, [head, record.digest(made[2])]).findings
    assert finding.message == (
        f"No record of the archive has the head {head.hex()}: its record was removed or altered since it was noted."
    )


def test_records_that_no_kept_head_covers_are_named(place):
    made = items(8)
    with open_archive(place, create=True) as archive:
        pull(archive, made[:5])
        head = record.digest(items(9)[8])
        entry = PullEntry(MORNING, 1.0, None, None, 0, 0, 0, 9, head, True, False)
        number = archive.add_pull(TESTER, LEDGER, entry)
        archive.add([(6, made[5]), (7, made[6])], TESTER, LEDGER, number)
    found = findings(place)
    assert found.findings == []
    assert found.ledgers[0].unknown == [
        f"No kept head covers records 6 to 7 of {TESTER}: whether they were rewritten together cannot be known until "
        "the next pull."
    ]


def test_records_that_never_came_are_no_finding_but_are_told(place):
    made = items(8)
    with open_archive(place, create=True) as archive:
        port = FakePort(ScriptedTester(made, first=4, confirmed=3))
        session = Session(port, now=port.now)
        session.greet()
        pull_ledger(session, archive)
    found = findings(place)
    assert found.findings == []
    assert found.ledgers[0].unknown == [
        f"Records 1 to 3 of {TESTER} never came with a pull that was kept: what was there, and whether record 4 "
        "follows from it, cannot be known here."
    ]


def test_an_altered_amendment_and_an_altered_pull_are_found(place):
    fill(place)
    change(place, ("UPDATE amendments SET value = 'T-8' WHERE number = 1", {}))
    assert said(place) == [f"Amendment 1 of record 3 of {TESTER} was altered, or one before it was removed."]
    change(place, ("DELETE FROM amendments WHERE number = 1", {}))
    assert said(place) == [f"Amendment 2 of record 3 of {TESTER} was altered, or one before it was removed."]
    change(place, ("DELETE FROM amendments", {}), ("UPDATE pulls SET last = 4", {}))
    assert any(message.startswith(f"What was kept of a pull of {TESTER} ") for message in said(place))


def test_a_record_of_no_ledger_is_found(tmp_path):
    path = tmp_path / "archive.sqlite"
    fill(path)
    change(path, ("DELETE FROM ledgers", {}))
    messages = said(path)
    assert "A record with the number 5 belongs to no tester and no ledger." in messages


def test_an_item_that_cannot_be_read_is_checked_all_the_same(place):
    made = [*items(2), b"\xff\x00\x01"]
    with open_archive(place, create=True) as archive:
        archive.add(list(enumerate(made, start=1)), TESTER, LEDGER)
    assert findings(place).findings == []
    change(place, ("UPDATE records SET item = :item WHERE sequence = 3", {"item": b"\xff\x00\x02"}))
    assert said(place) == [f"Record 3 of {TESTER}: its bytes do not give the digest kept with them."]


# The command


def run(*args):
    return CliRunner().invoke(cli.main, ["verify", *args])


def test_the_command_ends_with_0_where_all_holds_and_shows_the_head(place):
    fill(place)
    done = run("--archive", place)
    assert done.exit_code == 0, done.output
    assert f"records 1 to 5. Head: {record.digest(sample()[-1]).hex()}" in done.stdout
    assert "5 records of 1 ledger checked: nothing is missing, altered or out of order" in done.stdout


def test_the_command_ends_with_1_where_something_is_wrong(place):
    long_ledger(place)
    change(place, ("DELETE FROM records WHERE sequence = 2", {}))
    done = run("--archive", place)
    assert done.exit_code == 1
    assert f"* Record 2 of {TESTER} is missing.\n" in done.stdout
    told = run("--archive", place, "--json")
    assert told.exit_code == 1
    document = json.loads(told.stdout)
    assert (document["holds"], document["records"]) == (False, 7)
    assert document["findings"] == [
        {
            "code": "missing",
            "message": f"Record 2 of {TESTER} is missing.",
            "tester": TESTER,
            "ledger": LEDGER.hex(),
            "sequence": 2,
        }
    ]
    assert document["ledgers"][0]["last"] == 8


def test_a_head_that_is_none_is_wrong_use(place):
    fill(place)
    done = run("--archive", place, "--head", "abc")
    assert done.exit_code == 2
    assert "'abc' is no head; it has 64 hexadecimal digits." in done.stderr
    assert run("--archive", place, "--head", record.digest(sample()[1]).hex()).exit_code == 0
