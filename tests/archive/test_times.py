"""Times: what a boot's known moments tell of its other records, and the bounds of a local day."""

import datetime
import zoneinfo

import pytest
from scripted_tester import LEDGER, MORNING, TESTER, ScriptedTester, items

from probeledger.archive import Search, day_bounds, open_archive, utc_text
from probeledger.archive.times import reconstruct


def numbered(made, first=1):
    return list(enumerate(made, start=1))[first - 1 :]


def test_times_before_the_clock_was_set_follow_from_the_boot(tmp_path):
    # Boot 1 never learns the time; in boot 2 the clock is set after two records.
    made = items(2, boot=1, time=None)
    made = items(2, boot=2, start_ms=10_000, time=None, after=made)
    made = items(1, boot=2, start_ms=250_000, time=MORNING, after=made)
    with open_archive(tmp_path / "a.sqlite", create=True) as archive:
        archive.add(numbered(made), TESTER, LEDGER)
        assert archive.reconstruct_times(LEDGER) == 2
        found = {one.sequence: one for one in archive.search()}
        assert (found[1].time, found[2].time) == (None, None)
        # 10 s and 70 s after the start; the clock said MORNING 250 s after it.
        assert (found[3].time, found[4].time) == (MORNING - 240, MORNING - 180)
        assert [found[number].time_reconstructed for number in range(1, 6)] == [False, False, True, True, False]
        assert archive.reconstruct_times(LEDGER) == 0
        assert [one.sequence for one in archive.search(Search(until=MORNING - 200))] == [3]


def test_the_clock_of_the_shop_serves_the_present_boot_only(tmp_path):
    made = items(1, boot=4, start_ms=0, time=None)
    made = items(1, boot=5, start_ms=100_000, time=None, after=made)
    hello = ScriptedTester(made, boot=5, ms=400_000, time=None, clock_set=False).hello()
    with open_archive(tmp_path / "a.sqlite", create=True) as archive:
        archive.note_tester(hello, now=MORNING)
        archive.add(numbered(made), TESTER, LEDGER)
        assert archive.reconstruct_times(LEDGER) == 1
        assert [one.time for one in archive.search()] == [None, MORNING - 300]


def test_a_batch_that_comes_later_can_tell_the_times_of_an_earlier_one(tmp_path):
    made = items(1, boot=1, start_ms=1000, time=None)
    made = items(1, boot=1, start_ms=61_000, time=MORNING, after=made)
    with open_archive(tmp_path / "a.sqlite", create=True) as archive:
        archive.add(numbered(made)[:1], TESTER, LEDGER)
        assert archive.reconstruct_times(LEDGER) == 0
        archive.add(numbered(made)[1:], TESTER, LEDGER)
        assert archive.reconstruct_times(LEDGER) == 1
        assert [one.time for one in archive.search()] == [MORNING - 60, MORNING]


@pytest.mark.parametrize(
    ("points", "expected"),
    [
        ([(2000, 100)], 99),
        ([(500, 100)], 100),
        # The nearest later moment counts, also where an earlier one is known.
        ([(0, 50), (3000, 200), (9000, 999)], 198),
        ([], None),
    ],
)
def test_reconstruct(points, expected):
    assert reconstruct([(7, 1000)], points).get(7) == expected


def test_a_time_before_1970_is_not_made_up():
    assert reconstruct([(1, 0)], [(10_000_000, 5)]) == {}


def test_days_on_which_the_clocks_change_have_23_and_25_hours():
    # Directive 2000/84/EC: summer time from the last Sunday of March to that of October; 29 March and 25 October 2026.
    berlin = zoneinfo.ZoneInfo("Europe/Berlin")
    hours = [
        (end - start) / 3600
        for start, end in (
            day_bounds(datetime.date(2026, 3, 29), berlin),
            day_bounds(datetime.date(2026, 10, 25), berlin),
            day_bounds(datetime.date(2026, 11, 25), berlin),
        )
    ]
    assert hours == [23, 25, 24]


def test_a_day_begins_at_local_midnight():
    start, end = day_bounds(datetime.date(2026, 11, 25), zoneinfo.ZoneInfo("America/Denver"))
    assert (utc_text(start), utc_text(end)) == ("2026-11-25T07:00:00Z", "2026-11-26T07:00:00Z")
