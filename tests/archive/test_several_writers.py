"""Two hosts pull the same tester, two shops share an archive: whoever comes first, the outcome is the same."""

import multiprocessing
import threading

import pytest
from scripted_tester import LEDGER, MORNING, TESTER, FakePort, ScriptedTester, items

from probeledger.archive import Search, open_archive
from probeledger.errors import ConflictError
from probeledger.link.session import Session
from probeledger.pulling import pull_ledger

OTHER_LEDGER = bytes.fromhex("fedcba9876543210")


def pull(archive, tester):
    port = FakePort(tester)
    session = Session(port, now=port.now)
    session.greet()
    return pull_ledger(session, archive)


def together(*actions):
    """Run actions in threads that start at once; return what they returned, or raise what one raised."""
    outcomes = [None] * len(actions)
    start = threading.Barrier(len(actions))

    def run(number, action):
        start.wait()
        try:
            outcomes[number] = action()
        except BaseException as error:
            outcomes[number] = error

    threads = [threading.Thread(target=run, args=each) for each in enumerate(actions)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    for outcome in outcomes:
        if isinstance(outcome, BaseException):
            raise outcome
    return outcomes


def test_two_hosts_that_pull_the_same_tester_at_once_store_it_once(place):
    sent = items(200)
    open_archive(place, create=True).close()

    def host():
        # Each plugs the tester in by itself: what one stored, the other finds known.
        with open_archive(place) as archive:
            return pull(archive, ScriptedTester(sent))

    results = together(host, host, host)
    assert sum(result.new_records for result in results) == 200
    assert all(result.verified and result.confirmed for result in results)
    with open_archive(place) as archive:
        assert [one.item for one in archive.search()] == sent
        assert archive.verify().findings == []
        assert sorted(one["finished"] for one in archive.pulls()) == [True] * 3


def test_two_shops_with_two_testers_share_an_archive(place):
    first = items(120)
    second = items(120, ledger=OTHER_LEDGER, tester="pl-other", time=MORNING + 86400)
    open_archive(place, create=True).close()

    def shop(made, **hello):
        def run():
            with open_archive(place) as archive:
                for upto in (40, 80, 120):
                    pull(archive, ScriptedTester(made[:upto], **hello))
            return True

        return run

    together(shop(first), shop(second, tester="pl-other", ledger=OTHER_LEDGER))
    with open_archive(place) as archive:
        assert [one.item for one in archive.search(Search(tester=TESTER))] == first
        assert [one.item for one in archive.search(Search(tester="pl-other"))] == second
        assert archive.verify().findings == []


def _store(place, made, step, done):
    """Store a ledger in batches of a step, from a process of its own."""
    with open_archive(place, create=True) as archive:
        numbered = list(enumerate(made, start=1))
        new = sum(archive.add(numbered[at : at + step], TESTER, LEDGER).new for at in range(0, len(numbered), step))
    done.put(new)


def test_processes_that_make_and_fill_an_archive_at_once_end_with_one(place):
    made = items(90)
    context = multiprocessing.get_context("spawn")
    done = context.Queue()
    steps = (7, 11, 30)
    processes = [context.Process(target=_store, args=(place, made, step, done)) for step in steps]
    for process in processes:
        process.start()
    for process in processes:
        process.join(60)
    assert [process.exitcode for process in processes] == [0, 0, 0]
    assert sum(done.get(timeout=5) for _ in steps) == 90
    with open_archive(place) as archive:
        archive.reconstruct_times(LEDGER)
        assert [one.item for one in archive.search()] == made
        assert archive.verify().findings == []


def test_two_histories_at_once_leave_one_whole(place):
    honest = items(60)
    forged = items(60, start_ms=6000)
    open_archive(place, create=True).close()
    refused = []

    def store(made):
        def run():
            with open_archive(place) as archive:
                try:
                    archive.add(list(enumerate(made, start=1)), TESTER, LEDGER)
                except ConflictError as error:
                    refused.append(error)

        return run

    together(store(honest), store(forged))
    assert len(refused) == 1
    with open_archive(place) as archive:
        assert [one.item for one in archive.search()] in (honest, forged)


def test_amendments_from_two_places_get_numbers_of_their_own(place):
    with open_archive(place, create=True) as archive:
        archive.add(list(enumerate(items(1), start=1)), TESTER, LEDGER)

    def shop(name):
        def run():
            with open_archive(place) as archive:
                for number in range(5):
                    archive.amend(TESTER, 1, "note", value=f"{name} {number}", author=name)

        return run

    together(shop("a"), shop("b"))
    with open_archive(place) as archive:
        (found,) = archive.search()
        assert [amendment.number for amendment in found.amendments] == list(range(1, 11))
        assert sorted(amendment.value for amendment in found.amendments) == sorted(
            f"{name} {number}" for name in "ab" for number in range(5)
        )
        assert archive.verify().findings == []


def test_a_reader_sees_whole_batches_while_another_writes(place):
    made = list(enumerate(items(200), start=1))
    open_archive(place, create=True).close()
    seen = []
    ended = threading.Event()

    def write():
        with open_archive(place) as archive:
            for at in range(0, 200, 20):
                archive.add(made[at : at + 20], TESTER, LEDGER)
        ended.set()

    def read():
        with open_archive(place) as archive:
            while not ended.is_set():
                seen.append(archive.count())
            seen.append(archive.count())

    together(write, read)
    assert all(number % 20 == 0 for number in seen)
    assert seen == sorted(seen)
    assert seen[-1] == 200


@pytest.mark.parametrize("times", [3])
def test_pulling_again_and_again_changes_nothing(place, times):
    sent = items(30)
    with open_archive(place, create=True) as archive:
        for _ in range(times):
            pull(archive, ScriptedTester(sent))
        assert [one.item for one in archive.search()] == sent
        assert [one["new_records"] for one in archive.pulls()] == [30, *[0] * (times - 1)]
        assert archive.verify().findings == []
