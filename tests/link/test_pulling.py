"""Pulling: resumes, repeats without harm, confirms only what is stored, and never takes one history for another."""

import pytest
from scripted_tester import LEDGER, TESTER, FakePort, ScriptedTester, items, probe_body

from probecore import record
from probeledger.archive import Archive, open_archive
from probeledger.errors import ArchiveError, ConflictError, DeviceError, VanishedError
from probeledger.link.session import Session
from probeledger.pulling import pull_ledger


@pytest.fixture
def archive(tmp_path):
    with open_archive(tmp_path / "archive.sqlite", create=True) as made:
        yield made


def pull(tester, archive, **faults):
    """Pull once over a new session."""
    port = FakePort(tester, **faults)
    session = Session(port, now=port.now)
    session.greet(tries=10)
    return pull_ledger(session, archive)


def test_a_pull_stores_everything_and_tells_the_tester(archive):
    sent = items(70)
    tester = ScriptedTester(sent)
    result = pull(tester, archive)
    assert (result.new_records, result.known_records, result.verified) == (70, 0, True)
    assert result.item_bytes == sum(map(len, sent))
    assert [one.item for one in archive.search()] == sent
    assert (tester.confirmed, result.confirmed) == (70, True)
    (kept,) = archive.pulls()
    assert (kept["from_sequence"], kept["to_sequence"], kept["head"]) == (1, 70, record.digest(sent[-1]))


def test_pulling_twice_changes_nothing(archive):
    tester = ScriptedTester(items(20))
    pull(tester, archive)
    before = archive.search()
    tester.requests.clear()
    result = pull(tester, archive)
    assert (result.new_records, result.known_records, result.item_bytes) == (0, 20, 0)
    assert archive.search() == before
    assert [verb for verb, _ in tester.requests] == ["hello"]


def test_a_second_pull_fetches_what_is_new(archive):
    sent = items(30)
    pull(ScriptedTester(sent[:20]), archive)
    tester = ScriptedTester(sent, confirmed=20)
    result = pull(tester, archive)
    assert (result.new_records, result.known_records) == (10, 20)
    # One record is asked for again, to see that tester and archive agree.
    assert ("pull", ["20", "11"]) in tester.requests
    assert tester.confirmed == 30


def test_a_pull_that_was_cut_off_goes_on_where_it_stopped(archive):
    sent = items(60)
    tester = ScriptedTester(sent)
    with pytest.raises(VanishedError) as caught:
        pull(tester, archive, gone_after=9000)
    stored = len(archive.search())
    assert 0 < stored < 60
    assert caught.value.message.endswith(f"{stored} new records were stored before that.")
    assert tester.confirmed == 0
    result = pull(tester, archive)
    assert (result.new_records, result.known_records) == (60 - stored, stored)
    assert [one.item for one in archive.search()] == sent
    assert tester.confirmed == 60


@pytest.mark.parametrize("cut", range(200, 20_000, 1700))
def test_cut_off_anywhere_no_wrong_byte_is_stored(archive, cut):
    sent = items(25)
    tester = ScriptedTester(sent)
    try:
        pull(tester, archive, gone_after=cut)
    except DeviceError:
        pass
    assert [one.item for one in archive.search()] == sent[: len(archive.search())]
    assert tester.confirmed in (0, 25)
    if tester.confirmed:
        assert len(archive.search()) == 25


def test_holes_in_the_archive_are_filled(archive):
    sent = items(20)
    archive.add([(number, sent[number - 1]) for number in (1, 2, 3, 9, 10, 15)], TESTER, LEDGER)
    result = pull(ScriptedTester(sent), archive)
    assert (result.new_records, result.known_records, result.verified) == (14, 6, True)
    assert [one.item for one in archive.search()] == sent


def test_records_that_went_to_another_shop_are_named_and_the_rest_is_good(archive):
    result = pull(ScriptedTester(items(30), first=11, confirmed=15), archive)
    assert (result.new_records, result.gone, result.verified) == (20, [(1, 10)], True)


def test_a_record_that_the_tester_does_not_send_is_named(archive):
    tester = ScriptedTester(items(12))
    del tester.items[5]
    result = pull(tester, archive)
    assert (result.new_records, result.lost, result.verified) == (11, [5], False)


def test_a_broken_chain_is_reported_stored_and_not_confirmed(archive):
    tester = ScriptedTester(items(10))
    tester.items[4] = items(10, body=lambda number: probe_body(number, ohms=9.0))[3]
    result = pull(tester, archive)
    assert (result.breaks, result.verified, result.confirmed) == ([4, 5], False, False)
    assert len(archive.search()) == 10
    assert tester.confirmed == 0


def test_a_head_that_is_not_that_of_the_last_record_is_a_break(archive):
    tester = ScriptedTester(items(6), head=bytes(range(32)))
    assert pull(tester, archive).breaks == [7]


def test_a_tester_with_another_history_is_a_conflict_and_nothing_is_stored(archive):
    pull(ScriptedTester(items(10)), archive)
    before = archive.search()
    other = ScriptedTester(items(15, body=lambda number: probe_body(number, ohms=500.0)))
    with pytest.raises(ConflictError, match=f"^Record 10 of tester {TESTER} is not the one"):
        pull(other, archive)
    assert archive.search() == before
    assert other.confirmed == 0


def test_the_same_number_of_records_with_another_head_is_a_conflict(archive):
    pull(ScriptedTester(items(10)), archive)
    other = ScriptedTester(items(10, body=lambda number: probe_body(number, ohms=500.0)))
    with pytest.raises(ConflictError, match="^Record 10 "):
        pull(other, archive)


def test_a_tester_that_was_set_back_is_a_conflict(archive):
    sent = items(10)
    pull(ScriptedTester(sent), archive)
    with pytest.raises(ConflictError, match="has 10 records of this ledger, but tester .* has only 6"):
        pull(ScriptedTester(sent[:6]), archive)


def test_the_tester_is_told_nothing_where_the_archive_refuses(archive, monkeypatch):
    def full(self, *args):
        raise ArchiveError("The disk is full.")

    monkeypatch.setattr(Archive, "_insert", full)
    tester = ScriptedTester(items(10))
    with pytest.raises(ArchiveError):
        pull(tester, archive)
    assert "confirm" not in [verb for verb, _ in tester.requests]


def test_a_tester_without_a_ledger_is_named(archive):
    with pytest.raises(DeviceError, match="keeps no ledger"):
        pull(ScriptedTester([], ledger=None, store="none"), archive)


def test_an_empty_ledger_is_no_failure(archive):
    result = pull(ScriptedTester([]), archive)
    assert (result.new_records, result.known_records, result.verified) == (0, 0, True)


def test_a_confirmation_that_does_not_arrive_is_made_up_for_by_the_next_pull(archive, monkeypatch):
    tester = ScriptedTester(items(5))
    monkeypatch.setattr(tester, "_do_confirm", lambda tag, args: b"", raising=False)
    result = pull(tester, archive)
    assert (result.new_records, result.confirmed) == (5, False)
    assert "does not answer any more" in result.trouble
    monkeypatch.undo()
    assert pull(tester, archive).confirmed is True
    assert tester.confirmed == 5


def test_a_disturbed_line_stores_the_same_as_a_clean_one(archive):
    sent = items(50)
    tester = ScriptedTester(sent)
    result = pull(tester, archive, flips=0.0005, losses=0.0005, doubles=0.2, seed=11)
    assert (result.new_records, result.verified) == (50, True)
    assert [one.item for one in archive.search()] == sent


def test_progress_is_reported_up_to_the_end(archive):
    port = FakePort(ScriptedTester(items(90)))
    session = Session(port, now=port.now)
    session.greet()
    seen = []
    pull_ledger(session, archive, lambda done, total, item_bytes: seen.append((done, total)))
    assert seen[-1] == (90, 90)
    assert len(seen) > 1
