"""Wall time of records: days of the shop, and times that a tester's clock did not tell or told wrong.

A tester counts milliseconds from each start and numbers its starts. Rules, in this order:

1. Where any moment of a boot is known by the wall clock, every other moment of the same boot follows from it: the
   nearest known moment after the record counts, because a clock is usually set later than the record was written; else
   the nearest before it; else the moment at which the shop met the tester.
2. A count that falls by about 2^30 within a boot has wrapped, as the board's own counter does.
3. A clock that turns out wrong by more than a minute, when it is set or when the shop meets the tester, puts every time
   since it was last set in doubt: each gets the bounds of what it said and what it should have said.
4. A record whose time does not follow from anything lies between its neighbours in the chain, as far as they are
   known: after the last known moment of the boots before it, before the start of the next known boot.
"""

import datetime
from bisect import bisect_left
from collections.abc import Iterable, Iterator, Sequence
from itertools import groupby
from operator import itemgetter
from typing import NamedTuple

__all__ = ["ClockPoint", "Moment", "Timing", "day_bounds", "reconstruct", "utc_text", "work_out"]

# The board's millisecond counter ends here (MicroPython's ticks).
WRAP_MS = 2**30
# A clock may be off by this much [s] before the times it told are in doubt.
TOLERANCE_S = 60
_LAST_SECOND = 253_402_300_799  # of the year 9999, beyond which no calendar of ours goes


class Moment(NamedTuple):
    """What one record tells of time.

    Attributes:
        sequence: its number; boot: the tester's start, with whatever tells two testers apart, or None where it cannot
            be read; ms: since that start [ms], or None.
        time: by the tester's clock [s since 1970, UTC], or None where it was not set.
        step_s: of a setting of the clock: by how much it was moved [s]; None for other records, and where the clock
            was not set before.
        sets: whether the record is a setting of the clock.
    """

    sequence: int
    boot: tuple[int, int] | None
    ms: int | None
    time: int | None
    step_s: int | None = None
    sets: bool = False


class ClockPoint(NamedTuple):
    """A moment that the shop knows: the tester answered at `ms` [ms] of `boot`, when it was `time` [s since 1970, UTC].

    Attributes:
        last: the newest record at that moment, or None where that is not known.
    """

    boot: tuple[int, int]
    ms: int
    time: int
    last: int | None = None


class Timing(NamedTuple):
    """When a record was written.

    Attributes:
        time: [s since 1970, UTC], or None where it is not known.
        reconstructed: it is not what the tester's clock said.
        earliest, latest: bounds [s since 1970, UTC] of a time that is not known or in doubt; None for none.
    """

    time: int | None
    reconstructed: bool = False
    earliest: int | None = None
    latest: int | None = None


def day_bounds(day: datetime.date, zone: datetime.tzinfo | None = None) -> tuple[int, int]:
    """Return the first second of a local day and the first of the next one [s since 1970, UTC].

    On a day on which the clocks change the two are 23 or 25 hours apart.

    Args:
        day: the calendar day.
        zone: the shop's time zone; None is this computer's own.
    """

    def midnight(date: datetime.date) -> int:
        naive = datetime.datetime.combine(date, datetime.time.min)
        return int((naive if zone is None else naive.replace(tzinfo=zone)).timestamp())

    return midnight(day), midnight(day + datetime.timedelta(days=1))


def utc_text(time: int | None) -> str | None:
    """Return seconds since 1970 [s] as ISO 8601 text in UTC, or None for None.

    >>> utc_text(0)
    '1970-01-01T00:00:00Z'
    """
    if time is None:
        return None
    return datetime.datetime.fromtimestamp(time, datetime.UTC).strftime("%Y-%m-%dT%H:%M:%SZ")


def reconstruct(
    unknown: Iterable[tuple[int, int]], points: Sequence[tuple[int, int]], outside: tuple[int, int] | None = None
) -> dict[int, int]:
    """Work out the wall times of records of one boot.

    Args:
        unknown: pairs (sequence number, milliseconds since the boot [ms]) of records without a time.
        points: pairs (milliseconds since the boot [ms], seconds since 1970 [s]) of records with one.
        outside: such a pair from outside the ledger, or None.

    Returns:
        sequence number -> seconds since 1970 [s]; a record whose time cannot be known is left out.
    """
    known = sorted(points)
    if not known and outside is not None:
        known = [outside]
    if not known:
        return {}
    moments_ms = [ms for ms, _ in known]
    times = {}
    for sequence, ms in unknown:
        at = min(bisect_left(moments_ms, ms), len(known) - 1)
        point_ms, point_s = known[at]
        time = point_s + (ms - point_ms) // 1000
        if 0 <= time <= _LAST_SECOND:
            times[sequence] = time
    return times


def work_out(moments: Sequence[Moment], points: Iterable[ClockPoint] = ()) -> dict[int, Timing]:
    """Work out when the records of one ledger were written.

    Args:
        moments: of all its records that are kept, in the order of their numbers.
        points: moments at which the shop met the tester.

    Returns:
        sequence number -> timing.
    """
    points = list(points)
    runs = [_Run([moment for _, moment in run]) for _, run in groupby(_with_boots(moments), key=itemgetter(0))]
    by_boot: dict[tuple[int, int], list[ClockPoint]] = {}
    for point in points:
        by_boot.setdefault(point.boot, []).append(point)
    for run in runs:
        if run.boot in by_boot:
            run.meet(by_boot[run.boot])
    found = {sequence: timing for run in runs for sequence, timing in run.timings()}
    _doubt(found, runs)
    _bound(found, runs, points)
    return found


def _with_boots(moments: Iterable[Moment]) -> Iterator[tuple[tuple[int, int] | None, Moment]]:
    """Yield each record with its boot; one that cannot be read counts to the boot before it."""
    boot = None
    for moment in moments:
        boot = moment.boot or boot
        yield boot, moment


class _Run:
    """Records of one boot, one behind the other."""

    def __init__(self, moments: list[Moment]) -> None:
        self.moments = moments
        self.boot = next((moment.boot for moment in moments if moment.boot is not None), None)
        # Unwrapped, by sequence number; empty where the records cannot be read.
        self.ms: dict[int, int] = {}
        self.met: list[tuple[int, ClockPoint]] = []
        previous, added = None, 0
        for moment in moments:
            if moment.ms is None:
                continue
            if previous is not None and previous - moment.ms > WRAP_MS // 2:
                added += WRAP_MS
            previous = moment.ms
            self.ms[moment.sequence] = moment.ms + added

    @property
    def last_ms(self) -> int:
        """How long the boot lasted at least [ms]."""
        return max(self.ms.values(), default=0)

    def meet(self, points: Iterable[ClockPoint]) -> None:
        """Take what the shop knows of this boot."""
        for point in points:
            ms = point.ms
            # The tester had written these records by then, so its count cannot be lower.
            before = [
                self.ms[m.sequence] for m in self.moments if m.sequence in self.ms and m.sequence <= (point.last or 0)
            ]
            while before and max(before) - ms > WRAP_MS // 2:
                ms += WRAP_MS
            self.met.append((ms, point))

    def timings(self) -> Iterator[tuple[int, Timing]]:
        """Yield each record with its time, where this boot alone tells it."""
        known = [(self.ms[m.sequence], m.time) for m in self.moments if m.time is not None and m.sequence in self.ms]
        unknown = [(m.sequence, self.ms[m.sequence]) for m in self.moments if m.time is None and m.sequence in self.ms]
        outside = (self.met[0][0], self.met[0][1].time) if self.met else None
        times = reconstruct(unknown, known, outside)
        for moment in self.moments:
            if moment.time is not None:
                yield moment.sequence, Timing(moment.time)
            elif moment.sequence in times:
                yield moment.sequence, Timing(times[moment.sequence], True)
            else:
                yield moment.sequence, Timing(None)

    def steps(self) -> Iterator[tuple[int, int]]:
        """Yield what showed the clock to be wrong: (the last record before that, by how much it was behind [s])."""
        known = [(self.ms[m.sequence], m.time) for m in self.moments if m.time is not None and m.sequence in self.ms]
        for moment in self.moments:
            if moment.step_s is not None:
                yield moment.sequence - 1, moment.step_s
        for ms, point in self.met:
            earlier = [pair for pair in known if pair[0] <= ms]
            if earlier and point.last is not None:
                at_ms, said_s = max(earlier)
                yield point.last, point.time - (said_s + (ms - at_ms) // 1000)


def _doubt(found: dict[int, Timing], runs: Sequence[_Run]) -> None:
    """Give bounds to the times that a clock told which was wrong."""
    order = [moment.sequence for run in runs for moment in run.moments]
    set_at = [moment.sequence for run in runs for moment in run.moments if moment.sets]
    for run in runs:
        for last, step_s in run.steps():
            if abs(step_s) <= TOLERANCE_S:
                continue
            earlier_set = bisect_left(set_at, last + 1) - 1
            # The setting itself told the right time.
            first = set_at[earlier_set] + 1 if earlier_set >= 0 else 0
            for sequence in order[bisect_left(order, first) : bisect_left(order, last + 1)]:
                timing = found[sequence]
                if timing.time is None:
                    continue
                seen = [timing.time, timing.time + step_s]
                seen += [bound for bound in (timing.earliest, timing.latest) if bound is not None]
                earliest, latest = max(min(seen), 0), min(max(seen), _LAST_SECOND)
                found[sequence] = timing._replace(earliest=earliest, latest=latest)


def _low(timing: Timing) -> int | None:
    return timing.earliest if timing.earliest is not None else timing.time


def _high(timing: Timing) -> int | None:
    return timing.latest if timing.latest is not None else timing.time


def _bound(found: dict[int, Timing], runs: Sequence[_Run], points: Sequence[ClockPoint]) -> None:
    """Give bounds to the records without a time, from their neighbours in the chain."""
    lows: dict[int, int] = {}
    end_s: int | None = None  # the run before ended no earlier
    for run in runs:
        known = [low for m in run.moments if (low := _low(found[m.sequence])) is not None]
        reached = end_s
        for moment in run.moments:
            low = _low(found[moment.sequence])
            if low is not None:
                reached = low
            elif reached is not None:
                since_start_s = run.ms.get(moment.sequence, 0) // 1000
                lows[moment.sequence] = reached if known else (end_s or 0) + since_start_s
        if known:
            end_s = known[-1]
        elif end_s is not None:
            end_s += run.last_ms // 1000
    highs: dict[int, int] = {}
    start_s: int | None = None  # the run after began no later
    for run in reversed(runs):
        known_run = next((m for m in run.moments if _high(found[m.sequence]) is not None), None)
        last_ms = run.last_ms
        reached = start_s
        for moment in reversed(run.moments):
            high = _high(found[moment.sequence])
            if high is not None:
                reached = high
                continue
            for point in points:
                if point.last is None or point.last < moment.sequence or point.boot == run.boot:
                    continue
                # It was written in a boot before that one, which had begun by then.
                by_s = point.time - point.ms // 1000
                reached = by_s if reached is None else min(reached, by_s)
            if reached is not None:
                left_ms = last_ms - run.ms.get(moment.sequence, last_ms)
                highs[moment.sequence] = reached - (0 if known_run else left_ms // 1000)
        if known_run is not None:
            high = _high(found[known_run.sequence])
            assert high is not None
            start_s = high - run.ms.get(known_run.sequence, 0) // 1000
        elif reached is not None:
            start_s = reached - last_ms // 1000
    for sequence in lows.keys() | highs.keys():
        low, high = lows.get(sequence), highs.get(sequence)
        if low is not None and high is not None and low > high:
            # The clocks contradict each other: nothing is certain.
            continue
        if low is not None and not 0 <= low <= _LAST_SECOND:
            low = None
        if high is not None and not 0 <= high <= _LAST_SECOND:
            high = None
        found[sequence] = found[sequence]._replace(earliest=low, latest=high)
