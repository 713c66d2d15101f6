"""A tester's checks, calibrations and jobs as its records in the archive tell them.

A chart holds what may be compared: checks with the same calibration, the same check resistor and the same value of it.
Records come from testers and may be damaged: what makes no sense is left out and counted.
"""

import datetime
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from probecore import calibration as core_calibration
from probecore.errors import ProbeError
from probeledger.archive import Archive, Record, Search
from probeledger.calibrating.charts import Check, Job
from probeledger.calibrating.drift import Calibration
from probeledger.calibrating.history import LIMIT, TesterHistory, history_of
from probeledger.errors import InputError
from probeledger.text import clean

__all__ = ["Setup", "Told", "histories", "setup_of", "told_by"]

# What a check differs by from one day to the next beside the tester's noise: contact, the check resistor's own
# temperature (assumed, relative).
_U_CONTACT = 10e-6
# Further off than this, something else was clipped on than the check resistor.
_OTHER_RESISTOR = 0.1
# The resistance at which a calibration's change is told, that of the usual element [ohm].
_AT_OHMS = 1000.0
_KINDS = ("check", "calibration", "probe")


@dataclass(frozen=True)
class Setup:
    """With what a check was made: calibration in force, check resistor and its value [ohm]."""

    calibration: str | None
    resistor: str
    resistor_ohms: float


@dataclass(frozen=True)
class Told:
    """What the archive tells of one tester.

    setup: that of the checks, the latest; checks: with that setup, in order of time; failed: how many of all checks did
    not pass; earlier: checks with other setups; left_out: checks without a time, a reading or sense.
    """

    tester: str
    setup: Setup | None
    checks: tuple[Check, ...]
    calibrations: tuple[Calibration, ...]
    jobs: tuple[Job, ...]
    failed: int
    earlier: int
    left_out: int


def _number(table: Mapping[str, Any], name: str) -> float | None:
    value = table.get(name)
    if isinstance(value, bool) or not isinstance(value, (int, float)) or not math.isfinite(value):
        return None
    return float(value)


def setup_of(record: Record) -> Setup | None:
    """Return with what a check was made, None where its record does not say so."""
    name, ohms = record.body.get("resistor"), _number(record.body, "resistor_ohms")
    if not isinstance(name, str) or ohms is None or ohms <= 0:
        return None
    return Setup(record.calibration, name, ohms)


def _check(record: Record, setup: Setup) -> Check | None:
    moment = record.moment(datetime.UTC)
    steps = record.body.get("steps")
    if moment is None or not isinstance(steps, list):
        return None
    for step in steps:
        if not isinstance(step, dict) or step.get("step") != "resistor":
            continue
        ohms = _number(step, "ohms")
        if ohms is None or abs(ohms - setup.resistor_ohms) > _OTHER_RESISTOR * setup.resistor_ohms:
            return None
        u_ohms = _number(step, "u_readings_ohms") or 0.0
        deviation = (ohms - setup.resistor_ohms) / setup.resistor_ohms
        u = math.hypot(u_ohms / setup.resistor_ohms, _U_CONTACT)
        return Check(moment, deviation, u, _number(record.body, "tester_celsius"))
    return None


def _calibration(record: Record) -> Calibration | None:
    """Return what a change of calibration says of the tester at 1000 ohm: off by how much before, right after."""
    moment = record.moment(datetime.UTC)
    if moment is None:
        return None
    try:
        before = core_calibration.from_map(record.body.get("before"))
        after = core_calibration.from_map(record.body.get("after"))
    except ProbeError:
        return None
    raw_ohms = _AT_OHMS
    for _ in range(4):
        raw_ohms += _AT_OHMS - core_calibration.low_ohms(after, raw_ohms, 1.0)
    as_found = core_calibration.low_ohms(before, raw_ohms, 1.0) / _AT_OHMS - 1.0
    u = math.hypot(*core_calibration.doubts(after, _AT_OHMS, False)) / _AT_OHMS
    return Calibration(moment, as_found, 0.0, u) if u > 0 else None


def _job(record: Record) -> Job | None:
    moment = record.moment(datetime.UTC)
    return None if moment is None else Job(moment, record.ticket, f"{record.ledger}/{record.sequence}")


def told_by(tester: str, records: Sequence[Record]) -> Told:
    """Collect what a tester's records tell.

    Args:
        tester: its id.
        records: its checks, calibrations and probe tests, oldest first.

    Returns:
        Checks with the latest setup, calibrations and jobs.
    """
    by_setup: dict[Setup, dict[datetime.datetime, Check]] = {}
    latest: Setup | None = None
    calibrations: list[Calibration] = []
    jobs: list[Job] = []
    failed = left_out = 0
    for record in records:
        if record.kind == "calibration":
            calibration = _calibration(record)
            calibrations += [calibration] if calibration else []
        elif record.kind == "probe":
            job = _job(record)
            jobs += [job] if job else []
        else:
            failed += record.body.get("passed") is not True
            setup = setup_of(record)
            check = _check(record, setup) if setup else None
            if setup is None or check is None:
                left_out += 1
                continue
            by_setup.setdefault(setup, {}).setdefault(check.time, check)
            latest = setup
    checks = tuple(by_setup[latest].values()) if latest else ()
    return Told(
        tester=tester,
        setup=latest,
        checks=checks,
        calibrations=tuple(calibrations),
        jobs=tuple(jobs),
        failed=failed,
        earlier=sum(len(each) for each in by_setup.values()) - len(checks),
        left_out=left_out,
    )


def histories(
    archive: Archive, testers: Sequence[str] = (), limit: float = LIMIT
) -> list[tuple[Told, TesterHistory | None]]:
    """Compute the history of testers from the archive.

    Args:
        archive: open archive.
        testers: ids; empty is every tester that has a check, a calibration or a probe test.
        limit: largest error allowed, relative.

    Returns:
        What is told of each tester and its history, None where it has no check that can be charted.

    Raises:
        InputError: the archive has no such tester.
    """
    by_tester: dict[str, list[Record]] = {tester: [] for tester in testers}
    for kind in _KINDS:
        for record in archive.search(Search(kind=kind)):
            if not testers or record.tester in by_tester:
                by_tester.setdefault(record.tester, []).append(record)
    found = []
    for tester, records in sorted(by_tester.items()):
        if not records:
            raise InputError(f"The archive has no records of tester {clean(tester, 40)}.")
        told = told_by(tester, records)
        history = (
            history_of(tester, told.checks, told.calibrations, jobs=told.jobs, limit=limit) if told.checks else None
        )
        found.append((told, history))
    return found
