"""What stands first on the day sheet: what is unfinished, in doubt or broken, the most urgent first."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import TYPE_CHECKING

from probeledger.reports import checks as morning
from probeledger.text import clean, plural

if TYPE_CHECKING:
    from probeledger.reports.day import DaySheet, Entry

__all__ = ["Attention", "attention"]

_MOST_TEXT = 80


@dataclass(frozen=True)
class Attention:
    """One thing to do first: what, and the anchors of the tests that it is about."""

    title: str
    text: str
    tests: tuple[Entry, ...] = ()


def attention(sheet: DaySheet) -> Iterable[Attention]:
    """Say what is unfinished, the most urgent first."""
    tests = sheet.tests
    voltage = tuple(test for test in tests if _has_finding(test, "voltage-on-leads"))
    if voltage:
        yield Attention(
            "Voltage was on the leads",
            "Nothing was measured there. The oven has to be switched off at the breaker and verified with a tester "
            "made for mains before anybody clips on again.",
            voltage,
        )
    broken = [tester for tester in sheet.testers if tester.chain_holds is False]
    for tester in broken:
        yield Attention(
            f"Tester {clean(tester.tester, _MOST_TEXT)}: the chain of its records is broken",
            "A record is missing, altered or out of order. Keep the tester as it is until it has been looked at.",
        )
    for tester in sheet.testers:
        if tester.cut_off:
            yield Attention(
                f"Tester {clean(tester.tester, _MOST_TEXT)}: its last pull was cut off",
                "Tests of this day may still be on it. Pull it again, then write this sheet anew.",
            )
    for tester in sheet.testers:
        for fault in tester.faults[:5]:
            parts = [clean(fault.body.get(name), _MOST_TEXT) for name in ("task", "error", "text")]
            said = ": ".join(part for part in parts if part)
            yield Attention(
                f"Tester {clean(tester.tester, _MOST_TEXT)} stored a fault",
                f"{said or 'It gave no reason'}. Check it before it goes out again.",
            )
    yield from _checks_attention(sheet)
    stopped = tuple(test for test in tests if _has_finding(test, "adc-fault"))
    if stopped:
        yield Attention(
            "A tester's converter did not answer as it should",
            "No verdict was reached. Take the tester out of service until it has been checked.",
            stopped,
        )
    ends = [visit.open_end for tester in sheet.testers for visit in tester.visits]
    open_ends = tuple(end for end in ends if end is not None)
    if open_ends:
        yield Attention(
            f"{plural(len(open_ends), 'job')} not finished",
            "No pass after fitting, and a test that failed or was undecided: plan the repair or a second visit.",
            open_ends,
        )
    without = tuple(visit.tests[0] for tester in sheet.testers for visit in tester.visits if visit.ticket is None)
    if without:
        yield Attention(
            f"{plural(len(without), 'job')} without a ticket",
            "Assign each to its ticket while everybody remembers whose oven it was.",
            without,
        )
    differing = tuple(test for test in tests if test.again.differs)
    if differing:
        yield Attention(
            f"{plural(len(differing), 'test')} with another answer here than on the tester",
            "The reasons stand at the test.",
            differing,
        )
    damaged = tuple(test for test in tests if test.again.body.unsound or test.again.problem)
    if damaged:
        yield Attention(
            f"{plural(len(damaged), 'record')} with damaged parts",
            "What could be read was judged, the rest counts as not checked.",
            damaged,
        )
    for tester in sheet.testers:
        if tester.calibration is None and tester.tests:
            yield Attention(
                f"Tester {clean(tester.tester, _MOST_TEXT)} is not calibrated",
                "Its readings stand on the tolerance of its parts; the uncertainties on this sheet are those.",
            )
    if sheet.undated:
        yield Attention(
            f"{plural(sheet.undated, 'test')} in the archive without a time",
            "The tester's clock was not set and the time could not be worked out; they are on no day sheet.",
        )


def _checks_attention(sheet: DaySheet) -> Iterable[Attention]:
    """Say which testers failed a check, and which worked without one."""
    for tester in sheet.testers:
        name = clean(tester.tester, _MOST_TEXT)
        doubtful = tuple(test for test in tester.tests if test.doubt)
        if doubtful:
            doubt = doubtful[-1].doubt
            assert doubt is not None
            failed = doubt.failed.moment(sheet.written.tzinfo)
            good = doubt.good_before.moment(sheet.written.tzinfo) if doubt.good_before else None
            steps = ", ".join(clean(step, 20) for step in morning.failed_steps(doubt.failed))
            text = "Every test since the last good check is in doubt"
            text += f" ({good:%Y-%m-%d %H:%M}); " if good else "; there was none before; "
            text += "those whose result was close come first, also on the sheets of the days before. "
            text += "It passed again afterwards." if doubt.good_after else "Take it out of service."
            when = f" on {failed:%Y-%m-%d at %H:%M}" if failed else ""
            yield Attention(
                f"Tester {name} failed its check{when}{f' ({steps})' if steps else ''}: "
                f"{plural(len(doubtful), 'test')} of this day in doubt",
                text,
                doubtful,
            )
        elif tester.checks.newest is not None and not morning.passed(tester.checks.newest):
            yield Attention(f"Tester {name} failed its check", "Clean the clips, check again; else out of service.")
        unchecked = tuple(
            test
            for test in tester.tests
            if {"check-never", "check-overdue"} & {each.code for each in test.about_tester}
        )
        if unchecked:
            yield Attention(
                f"Tester {name} worked without a good check: {plural(len(unchecked), 'test')}",
                "Check it now: half a minute with the check resistor says whether these tests hold.",
                unchecked,
            )


def _has_finding(test: Entry, code: str) -> bool:
    return any(finding.code == code for finding in test.again.findings)
