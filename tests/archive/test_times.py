"""Times: what a boot's known moments tell of its other records, and the bounds of a local day."""

import datetime
import zoneinfo

import pytest
from scripted_tester import LEDGER, MORNING, TESTER, ScriptedTester, items

from probeledger.archive import Search, day_bounds, open_archive, utc_text
from probeledger.archive.times import ClockPoint, Moment, Timing, reconstruct, work_out


def numbered(made, first=1):
    return list(enumerate(made, start=1))[first - 1 :]


def test_times_before_the_clock_was_set_follow_from_the_boot(place):
    # Boot 1 never learns the time; in boot 2 the clock is set after two records.
    made = items(2, boot=1, time=None)
    made = items(2, boot=2, start_ms=10_000, time=None, after=made)
    made = items(1, boot=2, start_ms=250_000, time=MORNING, after=made)
    with open_archive(place, create=True) as archive:
        archive.add(numbered(made), TESTER, LEDGER)
        assert archive.reconstruct_times(LEDGER) == 2
        found = {one.sequence: one for one in archive.search()}
        assert (found[1].time, found[2].time) == (None, None)
        # 10 s and 70 s after the start; the clock said MORNING 250 s after it.
        assert (found[3].time, found[4].time) == (MORNING - 240, MORNING - 180)
        assert [found[number].time_reconstructed for number in range(1, 6)] == [False, False, True, True, False]
        assert archive.reconstruct_times(LEDGER) == 0
        assert [one.sequence for one in archive.search(Search(until=MORNING - 200))] == [3]


def test_the_clock_of_the_shop_serves_the_present_boot_only(place):
    made = items(1, boot=4, start_ms=0, time=None)
    made = items(1, boot=5, start_ms=100_000, time=None, after=made)
    hello = ScriptedTester(made, boot=5, ms=400_000, time=None, clock_set=False).hello()
    with open_archive(place, create=True) as archive:
        archive.note_tester(hello, now=MORNING)
        archive.add(numbered(made), TESTER, LEDGER)
        assert archive.reconstruct_times(LEDGER) == 1
        assert [one.time for one in archive.search()] == [None, MORNING - 300]


def test_a_batch_that_comes_later_can_tell_the_times_of_an_earlier_one(place):
    made = items(1, boot=1, start_ms=1000, time=None)
    made = items(1, boot=1, start_ms=61_000, time=MORNING, after=made)
    with open_archive(place, create=True) as archive:
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


# What one ledger tells


def moment(sequence, boot, ms, time=None, **more):
    return Moment(sequence, (1, boot), ms, time, **more)


def test_a_boot_that_tells_no_time_lies_between_its_neighbours():
    found = work_out(
        [
            moment(1, 1, 10_000, MORNING),
            moment(2, 2, 30_000),  # half a minute after a start that came after record 1
            moment(3, 2, 90_000),
            moment(4, 3, 20_000),
            moment(5, 4, 40_000, MORNING + 3600),
        ]
    )
    assert found[1] == Timing(MORNING)
    # Boot 4 began 40 s before record 5; boot 3 lasted 20 s at least, boot 2 90 s.
    assert found[2] == Timing(None, False, MORNING + 30, MORNING + 3560 - 20 - 60)
    assert found[3] == Timing(None, False, MORNING + 90, MORNING + 3560 - 20)
    assert found[4] == Timing(None, False, MORNING + 90 + 20, MORNING + 3560)


def test_before_the_first_and_after_the_last_known_time_one_bound_is_left():
    found = work_out([moment(1, 1, 5000), moment(2, 2, 6000, MORNING), moment(3, 3, 7000)])
    assert found[1] == Timing(None, False, None, MORNING - 6)
    assert found[3] == Timing(None, False, MORNING + 7, None)


def test_the_pull_bounds_what_the_tester_had_then():
    point = ClockPoint((1, 5), 100_000, MORNING + 1000, 2)
    found = work_out([moment(1, 1, 5000, MORNING), moment(2, 2, 6000), moment(3, 5, 200_000)], [point])
    # The boot in which it was pulled had begun 100 s before.
    assert found[2] == Timing(None, False, MORNING + 6, MORNING + 900)
    # Record 3 is of that boot: its time follows from the shop's clock.
    assert found[3] == Timing(MORNING + 1100, True)


def test_nothing_known_is_nothing_said():
    assert set(work_out([moment(1, 1, 0), moment(2, 2, 0)]).values()) == {Timing(None)}


def test_clocks_that_contradict_each_other_give_no_bounds():
    found = work_out([moment(1, 1, 0, MORNING + 86400), moment(2, 2, 50_000), moment(3, 3, 1000, MORNING)])
    assert found[2] == Timing(None)


def test_a_record_that_cannot_be_read_lies_between_its_neighbours():
    found = work_out([moment(1, 1, 1000, MORNING), Moment(2, None, None, None), moment(3, 1, 61_000, MORNING + 60)])
    assert found[2] == Timing(None, False, MORNING, MORNING + 60)
    # It does not part the boot around it.
    found = work_out([moment(1, 1, 1000), Moment(2, None, None, None), moment(3, 1, 61_000, MORNING)])
    assert found[1] == Timing(MORNING - 60, True)


def test_the_counter_wraps_at_2_to_the_30():
    # MicroPython's ticks_ms on the board end at 2^30; a tester that was on for 12.4 days goes through it.
    wrap = 2**30
    found = work_out(
        [moment(1, 1, 1000), moment(2, 1, wrap - 60_000), moment(3, 1, 60_000), moment(4, 1, 120_000, MORNING)]
    )
    assert [found[number].time for number in (3, 2, 1)] == [
        MORNING - 60,
        MORNING - 180,
        MORNING - (wrap + 120_000 - 1000) // 1000 - 1,
    ]
    # The shop meets the tester after the wrap: its count is below that of records already written.
    point = ClockPoint((1, 1), 30_000, MORNING, 2)
    found = work_out([moment(1, 1, wrap - 90_000), moment(2, 1, wrap - 30_000)], [point])
    assert found == {1: Timing(MORNING - 120, True), 2: Timing(MORNING - 60, True)}


def test_records_a_moment_out_of_order_are_no_wrap():
    found = work_out([moment(1, 1, 5000), moment(2, 1, 4990), moment(3, 1, 65_000, MORNING)])
    assert found[1] == Timing(MORNING - 60, True)


def setting(sequence, boot, ms, time, step_s):
    return moment(sequence, boot, ms, time, step_s=step_s, sets=True)


def test_a_clock_that_was_wrong_puts_its_times_in_doubt_back_to_its_last_setting():
    # Set right, then an hour behind by the next setting, two boots later.
    found = work_out(
        [
            moment(1, 1, 1000, MORNING - 7000),
            setting(2, 1, 2000, MORNING, 5),
            moment(3, 1, 3000, MORNING + 1),
            moment(4, 2, 1000, MORNING + 100),
            setting(5, 3, 1000, MORNING + 7200, 3600),
            moment(6, 3, 2000, MORNING + 7201),
        ]
    )
    assert found[1] == Timing(MORNING - 7000)
    assert found[2] == Timing(MORNING)
    assert found[3] == Timing(MORNING + 1, False, MORNING + 1, MORNING + 3601)
    assert found[4] == Timing(MORNING + 100, False, MORNING + 100, MORNING + 3700)
    assert (found[5], found[6]) == (Timing(MORNING + 7200), Timing(MORNING + 7201))


def test_a_clock_set_back_puts_the_bound_before_the_time_it_told():
    found = work_out([moment(1, 1, 1000, MORNING), setting(2, 1, 2000, MORNING - 86400, -86401)])
    assert found[1] == Timing(MORNING, False, MORNING - 86401, MORNING)


def test_small_corrections_put_nothing_in_doubt():
    found = work_out([moment(1, 1, 1000, MORNING), setting(2, 1, 2000, MORNING + 31, 30)])
    assert found[1] == Timing(MORNING)


def test_the_shop_finds_a_wrong_clock_at_the_pull():
    # The tester says MORNING + 10 at the pull; the shop's clock says a day later.
    point = ClockPoint((1, 1), 20_000, MORNING + 86_410, 2)
    found = work_out([moment(1, 1, 1000, MORNING - 9), moment(2, 1, 10_000, MORNING)], [point])
    assert found[2] == Timing(MORNING, False, MORNING, MORNING + 86_400)
    # One that agrees says nothing.
    point = ClockPoint((1, 1), 20_000, MORNING + 12, 2)
    assert work_out([moment(1, 1, 10_000, MORNING)], [point])[1] == Timing(MORNING)


def test_a_dead_cell_loses_the_time_until_the_clock_is_set(place):
    # Boot 1 knew the time; the cell died; boot 2 and 3 did not; in boot 3 the clock was set.
    made = items(1, boot=1, start_ms=10_000, time=MORNING)
    made = items(1, boot=2, start_ms=20_000, time=None, after=made)
    made = items(1, boot=3, start_ms=30_000, time=None, after=made)
    made = items(
        1,
        boot=3,
        start_ms=90_000,
        time=MORNING + 7200,
        kind="clock",
        body=lambda number: {"before": None, "after": MORNING + 7200},
        after=made,
    )
    with open_archive(place, create=True) as archive:
        archive.add(numbered(made), TESTER, LEDGER)
        archive.reconstruct_times(LEDGER)
        found = {one.sequence: one for one in archive.search()}
        assert (found[3].time, found[3].time_reconstructed) == (MORNING + 7140, True)
        # Boot 3 began 90 s before its clock was set.
        assert (found[2].time, found[2].time_earliest, found[2].time_latest) == (None, MORNING + 20, MORNING + 7110)
        assert archive.search(Search(undated=True)) == [found[2]]
        assert archive.verify().findings == []


def test_a_wrong_clock_is_marked_in_the_archive_and_its_record_is_unchanged(place):
    made = items(2, time=MORNING)
    body = {"before": MORNING + 180, "after": MORNING + 86_580}
    made = items(1, start_ms=185_000, time=MORNING + 86_580, kind="clock", body=lambda number: body, after=made)
    with open_archive(place, create=True) as archive:
        archive.add(numbered(made), TESTER, LEDGER)
        archive.reconstruct_times(LEDGER)
        first, second, set_at = sorted(archive.search(), key=lambda one: one.sequence)
        assert (first.time, first.time_earliest, first.time_latest) == (MORNING, MORNING, MORNING + 86_400)
        assert (first.time_in_doubt, second.time_in_doubt, set_at.time_in_doubt) == (True, True, False)
        assert [first.item, second.item, set_at.item] == made
        # Searches go by what the clock said.
        assert archive.count(Search(since=MORNING, until=MORNING + 60)) == 1
        assert archive.verify().findings == []


@pytest.mark.parametrize(
    ("zone", "day", "hours"),
    [
        # European Union: Directive 2000/84/EC. United States: Energy Policy Act of 2005, section 110.
        ("Europe/Berlin", datetime.date(2026, 3, 29), 23),
        ("Europe/Berlin", datetime.date(2026, 10, 25), 25),
        ("America/Denver", datetime.date(2026, 3, 8), 23),
        ("America/Denver", datetime.date(2026, 11, 1), 25),
        ("America/Denver", datetime.date(2026, 10, 25), 24),
    ],
)
def test_a_local_day_has_each_of_its_records_once(place, zone, day, hours):
    own = zoneinfo.ZoneInfo(zone)
    start, end = day_bounds(day, own)
    assert end - start == hours * 3600
    # One record every half hour from the day before to the day after.
    made = []
    first = start - 12 * 3600
    for index in range((hours + 24) * 2):
        made = items(1, boot=index + 1, time=first + 1800 * index, after=made)
    with open_archive(place, create=True) as archive:
        archive.add(numbered(made), TESTER, LEDGER)
        found = archive.search(Search(since=start, until=end))
        days = [
            archive.count(Search(since=day_bounds(each, own)[0], until=day_bounds(each, own)[1]))
            for each in (day - datetime.timedelta(days=1), day, day + datetime.timedelta(days=1))
        ]
    assert len(found) == hours * 2
    assert {one.moment(own).date() for one in found} == {day}
    assert days == [24, hours * 2, 24]
