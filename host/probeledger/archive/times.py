"""Wall time of records: days of the shop, and times from before a tester's clock was set.

A tester counts milliseconds from each start and numbers its starts. Where any moment of a boot is known by the wall
clock, every other moment of the same boot follows from it.
"""

import datetime
from bisect import bisect_left
from collections.abc import Iterable, Sequence

__all__ = ["day_bounds", "reconstruct", "utc_text"]


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

    The nearest known moment after the record counts, because a clock is usually set later than the record was
    written; else the nearest before it; else what is known from outside the ledger.

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
        if time >= 0:
            times[sequence] = time
    return times
