"""What a tester's morning checks say of the tests around them.

Between two good checks a tester was right at both ends. Where a check failed between them, nobody knows from when on it
was off: every test since the good check before is in doubt, up to the next good one.
"""

import datetime
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from probeledger.archive import Record, utc_text
from probeledger.reports.words import time_text

__all__ = ["Doubt", "DayChecks", "counts", "day_checks", "doubt_of", "document"]


@dataclass(frozen=True)
class Doubt:
    """Why a test is in doubt: the check that failed, the good ones before and after it, None where there is none."""

    failed: Record
    good_before: Record | None
    good_after: Record | None


@dataclass(frozen=True)
class DayChecks:
    """The checks of one tester as far as a day's sheet needs them.

    of_day: made on the day; newest, good: the newest and the newest good one by the end of the day, None for none.
    """

    of_day: tuple[Record, ...] = ()
    newest: Record | None = None
    good: Record | None = None

    def sentence(self, day: datetime.date, zone: datetime.tzinfo | None) -> str:
        """Say in a few words how the tester stood at the end of the day."""
        if self.newest is None:
            return "never checked"
        said = f"check {'passed' if passed(self.newest) else 'FAILED'} {_when(self.newest, day, zone)}"
        if not passed(self.newest):
            said += f", last good one {_when(self.good, day, zone)}" if self.good else ", never a good one"
        return said


def passed(check: Record) -> bool:
    """Tell whether a check was good."""
    return check.body.get("passed") is True


def counts(check: Record) -> bool:
    """Tell whether a check says something of the tester: not where a voltage on the leads stopped it."""
    foreign = check.body.get("foreign")
    return not (isinstance(foreign, dict) and foreign.get("seen") is True)


def _when(check: Record, day: datetime.date, zone: datetime.tzinfo | None) -> str:
    moment = check.moment(zone)
    if moment is None:
        return "at an unknown time"
    shown = time_text(moment, check.time_reconstructed)
    return f"at {shown}" if moment.date() == day else f"on {moment:%Y-%m-%d} at {shown}"


def _is_before(one: Record, other: Record) -> bool:
    """Tell whether one record is older: by number in one ledger, else by time."""
    if one.ledger == other.ledger:
        return one.sequence < other.sequence
    return (one.time or 0) < (other.time or 0)


def doubt_of(test: Record, checks: Sequence[Record]) -> Doubt | None:
    """Tell whether a failed check puts a test in doubt.

    Args:
        test: a probe test.
        checks: all checks of the same tester that count, oldest first.

    Returns:
        The doubt, None where there is none.
    """
    before = [check for check in checks if _is_before(check, test)]
    after = [check for check in checks if not _is_before(check, test)]
    good_before = next((check for check in reversed(before) if passed(check)), None)
    good_after = next((check for check in after if passed(check)), None)
    between = [
        check
        for check in checks
        if not passed(check)
        and (good_before is None or _is_before(good_before, check))
        and (good_after is None or _is_before(check, good_after))
    ]
    return Doubt(between[0], good_before, good_after) if between else None


def day_checks(checks: Sequence[Record], since: int, until: int) -> DayChecks:
    """Return the checks as a day's sheet needs them.

    Args:
        checks: all checks of a tester that count, oldest first.
        since, until: the day's first second and that of the next day [s since 1970].
    """
    known = [check for check in checks if check.time is not None and check.time < until]
    return DayChecks(
        of_day=tuple(check for check in known if (check.time or 0) >= since),
        newest=known[-1] if known else None,
        good=next((check for check in reversed(known) if passed(check)), None),
    )


def failed_steps(check: Record) -> list[str]:
    """Return the names of the steps that failed."""
    steps = check.body.get("steps")
    return [
        str(step.get("step"))
        for step in (steps if isinstance(steps, list) else [])
        if isinstance(step, dict) and step.get("passed") is not True
    ][:5]


def document(check: Record | None) -> dict[str, Any] | None:
    """Return a check as JSON types."""
    if check is None:
        return None
    return {
        "sequence": check.sequence,
        "ledger": check.ledger,
        "time": utc_text(check.time),
        "passed": passed(check),
        "failed_steps": failed_steps(check),
    }
