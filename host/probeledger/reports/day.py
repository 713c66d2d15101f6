"""The day sheet's contents: what one local day's records say, judged again, with what needs care first.

Everything here is data; `render` makes the page. Records come from testers and may be damaged: a test that cannot be
judged stands on the sheet with the reason.
"""

import datetime
import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from probecore import findings as core_findings
from probecore import verdict as core_verdict
from probecore.errors import ProbeError
from probeledger.archive import Archive, Record, Search, day_bounds, utc_text
from probeledger.judging import effect as oven_effect
from probeledger.judging.again import Again, judge_again
from probeledger.judging.chassis import isolation_of
from probeledger.judging.typed import Explained
from probeledger.reports import checks as morning
from probeledger.reports import words
from probeledger.reports.attention import Attention, attention
from probeledger.reports.checks import DayChecks, Doubt
from probeledger.reports.conclusion import conclusion
from probeledger.reports.differences import Difference, differences
from probeledger.sending.archived import Definitions
from probeledger.text import clean

# The setting at which the effect on baking is said, by habit 350 degF.
_BAKING_CELSIUS = 175.0

VIRTUAL_REMARK = (
    "Invented: a virtual tester had a part in this day, at ovens that do not exist. "
    "No real oven, customer or person stands behind its tests."
)


@dataclass(frozen=True)
class Entry:
    """One probe test: its record and the judgement at the shop; doubt: a failed check before or after it."""

    record: Record
    again: Again
    moment: datetime.datetime | None
    effect: oven_effect.Effect | None
    doubt: Doubt | None = None

    @property
    def about_probe(self) -> tuple[Explained, ...]:
        """Return the findings that explain the verdict."""
        return tuple(each for each in self.again.findings if each.code not in core_findings.ABOUT_TESTER)

    @property
    def about_tester(self) -> tuple[Explained, ...]:
        """Return the findings that speak of the tester: its check and its calibration."""
        return tuple(each for each in self.again.findings if each.code in core_findings.ABOUT_TESTER)

    @property
    def anchor(self) -> str:
        """Return the test's id within the page; only digits and hexadecimal from the ledger."""
        return f"t-{self.record.ledger}-{self.record.sequence}"

    @property
    def verdict(self) -> str:
        """Return the shop's verdict; "undecided" where none could be reached."""
        return self.again.verdict or core_verdict.UNDECIDED

    @property
    def ticket(self) -> str | None:
        """Return the ticket's number as far as it can be shown: the right one, where the shop amended it."""
        return clean(self.record.ticket_now, 40) or None


@dataclass(frozen=True)
class Visit:
    """The tests of one job, in order of time."""

    job: int | None
    tests: tuple[Entry, ...]

    @property
    def ticket(self) -> str | None:
        """Return the ticket of the job: that of the last test that has one."""
        return next((test.ticket for test in reversed(self.tests) if test.ticket), None)

    @property
    def _last(self) -> dict[str | None, Entry]:
        """Return the last test at each place."""
        return {test.again.body.place: test for test in self.tests}

    @property
    def conclusion(self) -> str | None:
        """Return where the tests together say to look next, or None."""
        return conclusion(self._last, self.differences)

    @property
    def differences(self) -> tuple[Difference, ...]:
        """Return what the harness alone does, where the job has a test at both ends."""
        sensor, control = self._last.get("sensor"), self._last.get("control-end")
        if sensor is None or control is None:
            return ()
        return differences(sensor.again, control.again, sensor.record.sequence)

    @property
    def open_end(self) -> Entry | None:
        """Return the test that leaves the job unfinished, or None.

        A job is finished by a pass after fitting, or where the last test at each place passed and at least one of
        them was made on the oven and not on a part in the hand.
        """
        last = self._last
        after = last.get("after-fitting")
        if after is not None:
            return None if after.verdict == core_verdict.PASS else after
        failing = [test for test in last.values() if test.verdict != core_verdict.PASS]
        if failing:
            return failing[-1]
        return last["new-part"] if set(last) == {"new-part"} else None


@dataclass(frozen=True)
class TesterDay:
    """What one tester did on the day."""

    tester: str
    firmware: str | None
    calibration: str | None
    virtual: bool
    visits: tuple[Visit, ...]
    faults: tuple[Record, ...]
    starts: int
    cell_volts: float | None
    pulled: datetime.datetime | None
    chain_holds: bool | None
    checks: DayChecks = DayChecks()
    check_state: str = ""
    cut_off: bool = False

    @property
    def tests(self) -> tuple[Entry, ...]:
        """Return all tests in order of the visits."""
        return tuple(test for visit in self.visits for test in visit.tests)


@dataclass(frozen=True)
class DaySheet:
    """Everything on the sheet."""

    day: datetime.date
    zone: str
    archive: str
    written: datetime.datetime
    remark: str | None
    testers: tuple[TesterDay, ...]
    undated: int
    attention: tuple[Attention, ...] = field(default=())

    @property
    def tests(self) -> tuple[Entry, ...]:
        """Return all tests of the day in order of time."""
        found = [test for tester in self.testers for test in tester.tests]
        return tuple(sorted(found, key=lambda test: (test.record.time or 0, test.record.sequence)))

    def count(self, verdict: str) -> int:
        """Return how many tests have a verdict [1]."""
        return sum(1 for test in self.tests if test.verdict == verdict)


def day_sheet(
    archive: Archive,
    day: datetime.date,
    zone: datetime.tzinfo | None = None,
    remark: str | None = None,
    profiles: Mapping[str, Mapping[str, Any]] | None = None,
    written: datetime.datetime | None = None,
) -> DaySheet:
    """Collect and judge one local day.

    Args:
        archive: open archive.
        day: the day in the shop's time zone.
        zone: the shop's time zone; None is this computer's own.
        remark: a line under the title; None says where a virtual tester had a part in the day.
        profiles: limits by name, beside the built-in ones.
        written: when the sheet is written; None is now.

    Returns:
        The sheet's contents.
    """
    since, until = day_bounds(day, zone)
    records = archive.search(Search(since=since, until=until))
    written = written or datetime.datetime.now(datetime.UTC)
    by_tester: dict[str, list[Record]] = {}
    for record in records:
        by_tester.setdefault(record.tester, []).append(record)
    pulls = archive.pulls()
    definitions = Definitions(archive)
    testers = tuple(
        _tester_day(
            tester,
            found,
            [pull for pull in pulls if pull["tester"] == tester],
            [check for check in archive.search(Search(kind="check", tester=tester)) if morning.counts(check)],
            (day, since, until),
            zone,
            profiles,
            definitions,
        )
        for tester, found in sorted(by_tester.items())
    )
    if remark is None and any(tester.virtual for tester in testers):
        remark = VIRTUAL_REMARK
    noon = datetime.datetime.combine(day, datetime.time(12))
    local = noon.astimezone() if zone is None else noon.replace(tzinfo=zone)
    sheet = DaySheet(
        day=day,
        zone=local.tzname() or "",
        archive=archive.name,
        written=written.astimezone(zone),
        remark=remark,
        testers=testers,
        undated=_undated(archive),
    )
    return DaySheet(**{**vars(sheet), "attention": tuple(attention(sheet))})


def _undated(archive: Archive) -> int:
    """Return how many probe tests have no known time: they belong to no day and must not get lost."""
    return archive.count(Search(kind="probe", undated=True))


def _tester_day(
    tester: str,
    records: Sequence[Record],
    pulls: Sequence[Mapping[str, Any]],
    checks: Sequence[Record],
    bounds: tuple[datetime.date, int, int],
    zone: datetime.tzinfo | None,
    profiles: Mapping[str, Mapping[str, Any]] | None,
    definitions: Definitions,
) -> TesterDay:
    tests = [_test(record, zone, profiles, checks, definitions) for record in records if record.kind == "probe"]
    day, since, until = bounds
    found_checks = morning.day_checks(checks, since, until)
    volts = [test.again.body.cell_volts for test in tests if test.again.body.cell_volts is not None]
    last = pulls[-1] if pulls else None
    newest = records[-1]
    return TesterDay(
        tester=tester,
        firmware=newest.firmware,
        calibration=newest.calibration,
        virtual=any(_is_virtual(record) for record in records),
        visits=_visits(tests),
        faults=tuple(record for record in records if record.kind == "fault"),
        starts=sum(1 for record in records if record.kind == "boot"),
        cell_volts=volts[-1] if volts else None,
        pulled=(datetime.datetime.fromtimestamp(last["started"], datetime.UTC).astimezone(zone) if last else None),
        chain_holds=all(bool(pull["verified"]) for pull in pulls) if pulls else None,
        checks=found_checks,
        check_state=found_checks.sentence(day, zone),
        cut_off=last is not None and last["finished"] is False,
    )


def _is_virtual(record: Record) -> bool:
    """Tell whether a start was that of a virtual tester: MicroPython's platform is "rp2" on a board."""
    platform = record.body.get("platform") if record.kind == "boot" and isinstance(record.body, dict) else None
    return isinstance(platform, str) and platform != "rp2"


def _test(
    record: Record,
    zone: datetime.tzinfo | None,
    profiles: Mapping[str, Mapping[str, Any]] | None,
    checks: Sequence[Record],
    definitions: Definitions,
) -> Entry:
    again = judge_again(record.body, record.calibration, profiles, definitions)
    return Entry(record, again, record.moment(zone), _effect(again), morning.doubt_of(record, checks))


def _effect(again: Again) -> oven_effect.Effect | None:
    """Compute the effect at a baking temperature, where the reading allows it."""
    seen, curve = again.body, again.curve
    if (
        curve is None
        # What a falling curve does to an oven is not told.
        or curve.low_ohms > curve.high_ohms
        or again.ohms is None
        or again.u_ohms is None
        or again.celsius is None
        or seen.ambient is None
        or (seen.settling is not None and not seen.settling.settled)
        or not again.requirements
        or dict(again.requirements).get(core_verdict.CONTINUITY) == 0.0
    ):
        return None
    try:
        u_ambient = 1.0 if seen.ambient.u_celsius is None else seen.ambient.u_celsius
        point = oven_effect.Point(again.ohms, again.u_ohms, seen.ambient.celsius, u_ambient)
        harness = seen.harness
        series = (harness.ohms, harness.u_ohms or 0.0) if harness else None
        leaks = [
            None if leak is None or leak.ohms is None else (leak.ohms, leak.u_ohms or 0.0, bool(leak.greater))
            for leak in (seen.leak_a, seen.leak_b)
        ]
        found = oven_effect.hypotheses(curve, [point], series=series, isolation=isolation_of(*leaks))
        if found[0].compatible:
            # As far as this reading goes nothing is wrong with the resistance.
            return None
        return oven_effect.effects(curve, found, [_BAKING_CELSIUS], seen.ambient.celsius)[0]
    except (ProbeError, ArithmeticError):
        return None


def _visits(tests: Iterable[Entry]) -> tuple[Visit, ...]:
    """Group tests by ledger and job; a test without a job number stands alone."""
    groups: dict[tuple[object, ...], list[Entry]] = {}
    for test in tests:
        job = test.record.job
        key: tuple[object, ...] = (
            (test.record.ledger, job) if job is not None else (test.record.ledger, None, test.record.sequence)
        )
        groups.setdefault(key, []).append(test)
    return tuple(Visit(found[0].record.job, tuple(found)) for found in groups.values())


# --------------------------------------------------------------------------------------- for scripts


def document(sheet: DaySheet) -> dict[str, Any]:
    """Return the sheet as JSON types, numbers not rounded."""
    return {
        "date": sheet.day.isoformat(),
        "zone": sheet.zone,
        "archive": sheet.archive,
        "remark": sheet.remark,
        "attention": [
            {
                "title": each.title,
                "text": each.text,
                "tests": [{"tester": t.record.tester, "sequence": t.record.sequence} for t in each.tests],
            }
            for each in sheet.attention
        ],
        "undated": sheet.undated,
        "testers": [
            {
                "tester": tester.tester,
                "virtual": tester.virtual,
                "firmware": tester.firmware,
                "calibration": tester.calibration,
                "cell_volts": tester.cell_volts,
                "starts": tester.starts,
                "faults": [record.sequence for record in tester.faults],
                "chain_holds": tester.chain_holds,
                "pull_cut_off": tester.cut_off,
                "check_state": tester.check_state,
                "checks": [morning.document(check) for check in tester.checks.of_day],
                "last_good_check": morning.document(tester.checks.good),
                "jobs": [
                    {
                        "job": visit.job,
                        "conclusion": visit.conclusion,
                        "harness": [vars(difference) for difference in visit.differences],
                    }
                    for visit in tester.visits
                ],
                "tests": [_test_document(test) for test in tester.tests],
            }
            for tester in sheet.testers
        ],
    }


def _test_document(test: Entry) -> dict[str, Any]:
    again, seen = test.again, test.again.body
    u_ambient = seen.ambient.u_celsius if seen.ambient else None
    both = None
    if again.u_celsius is not None and u_ambient is not None:
        both = math.hypot(again.u_celsius, u_ambient)
    return {
        "tester": test.record.tester,
        "ledger": test.record.ledger,
        "sequence": test.record.sequence,
        "time": utc_text(test.record.time),
        "time_reconstructed": test.record.time_reconstructed,
        "time_earliest": utc_text(test.record.time_earliest),
        "time_latest": utc_text(test.record.time_latest),
        "job": test.record.job,
        "ticket": test.record.ticket,
        "ticket_now": test.record.ticket_now,
        "void": test.record.voided,
        "amendments": [{**vars(each), "written": utc_text(each.written)} for each in test.record.amendments],
        "place": seen.place,
        "mode": seen.mode,
        "curve": seen.curve,
        "verdict": again.verdict,
        "tester_verdict": seen.verdict,
        "differs": again.differs,
        "reasons": list(again.reasons),
        "probability_conforming": again.probability,
        "requirements": [{"name": name, "probability": p} for name, p in again.requirements],
        "guard_bands": [vars(guard) for guard in again.guards],
        "findings": [vars(finding) for finding in again.findings],
        "not_checked": list(again.not_checked),
        "ohms": again.ohms,
        "u_ohms": again.u_ohms,
        "celsius": again.celsius,
        "expanded_celsius": words.expanded(again.u_celsius),
        "ambient_celsius": seen.ambient.celsius if seen.ambient else None,
        "expanded_ambient_celsius": words.expanded(u_ambient),
        "expanded_difference_celsius": words.expanded(both),
        "expected_ohms": again.expected_ohms,
        "leak_a_ohms": seen.leak_a.ohms if seen.leak_a else None,
        "leak_b_ohms": seen.leak_b.ohms if seen.leak_b else None,
        "harness_ohms": seen.harness.ohms if seen.harness else None,
        "budget": (
            [{"name": line.name, "u_ohms": line.u_ohms} for line in again.budget.lines] if again.budget else None
        ),
        "effect": (
            {
                "set_celsius": test.effect.set_celsius,
                "low_celsius": test.effect.low_celsius,
                "high_celsius": test.effect.high_celsius,
            }
            if test.effect
            else None
        ),
        "check": seen.raw.get("check"),
        "in_doubt": test.doubt is not None,
        "failed_check": morning.document(test.doubt.failed) if test.doubt else None,
        "unsound": list(seen.unsound),
    }
