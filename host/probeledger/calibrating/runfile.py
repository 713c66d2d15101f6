"""A calibration run on file: what is to be measured, what was, and with which tester, references and calibration.

The file is written after every step, whole or not at all, so that a run goes on after any break. It stands alone: the
reference file's text and the calibration that was in force are in it.
"""

import dataclasses
import datetime
import hashlib
import json
import math
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from probecore import calibration as core
from probecore.calibration import Calibration
from probecore.errors import ProbeError
from probeledger.calibrating.references import Reference, ReferenceSet, read_references
from probeledger.errors import InputError
from probeledger.text import clean

__all__ = ["FORMAT", "KIND", "LEADS", "LEAK", "Measured", "Run", "Step", "begin", "read_run", "steps_of", "write_run"]

KIND = "probeledger-calibration-run"
FORMAT = 1
LEADS, LEAK = "leads", "leak"
UP, DOWN = "up", "down"
# Leaks smaller than these are no reference for an isolation of a megohm.
_LEAK_LEAST_OHMS = 100e3
_MOST_BYTES = 20_000_000


@dataclass(frozen=True)
class Step:
    """One reference to be read: on the leads, or as a leak between lead a and the chassis clip."""

    reference: str
    way: str
    kind: str = LEADS


@dataclass
class Measured:
    """What a step gave; values as in `taking.Taken`, or the isolation that was indicated [ohm]."""

    reference: str
    way: str
    kind: str
    time: str
    range: str
    raw_ohms: float
    u_noise_ohms: float
    indicated_ohms: float
    readings: int
    gain: int | None = None
    u_clips_ohms: float = 0.0
    u_supply_ohms: float = 0.0
    u_systematic_ohms: float = 0.0
    tester_celsius: float | None = None
    ambient_celsius: float | None = None
    u_ambient_celsius: float | None = None
    ratios: list[float] = field(default_factory=list)
    remarks: list[str] = field(default_factory=list)


@dataclass
class Run:
    """A whole run. celsius, u_celsius: the resistors' temperature where a person told it [degC]."""

    tester: str
    firmware: str
    calibration: dict[str, Any]
    references_name: str
    references_text: str
    noise_ppm: float
    steps: list[Step]
    begun: str
    by: str = ""
    ended: str | None = None
    celsius: float | None = None
    u_celsius: float | None = None
    measured: list[Measured] = field(default_factory=list)
    results: dict[str, Any] | None = None

    @property
    def complete(self) -> bool:
        """Tell whether every step was done."""
        return len(self.measured) == len(self.steps)

    @property
    def references(self) -> ReferenceSet:
        """Return the reference set. Raises InputError where its text was damaged."""
        return read_references(self.references_text, self.references_name)

    @property
    def digest(self) -> str:
        """Return the SHA-256 of the reference file, in hexadecimal."""
        return hashlib.sha256(self.references_text.encode()).hexdigest()

    @property
    def used(self) -> Calibration:
        """Return the calibration that was in force. Raises InputError where it was damaged."""
        try:
            return core.from_map(self.calibration)
        except ProbeError as error:
            raise InputError(f"The run's calibration in force is damaged: {error.message}") from None

    @property
    def day(self) -> datetime.date:
        """Return the day on which it ended, or began."""
        return datetime.datetime.fromisoformat(self.ended or self.begun).date()

    def reference(self, name: str) -> Reference:
        """Return a reference by its name. Raises InputError where the file has none of that name."""
        for each in self.references.references:
            if each.name == name:
                return each
        raise InputError(f"The run names a reference {clean(name, 40)!r} that its reference file does not have.")


def steps_of(references: ReferenceSet, order: str) -> list[Step]:
    """Return the steps: the short first, then up, then down again; leaks last, once.

    Args:
        references: the set.
        order: "up-down", or "up" for each reference once.
    """
    ascending = [each for each in references.references if each.is_short or each.ohms >= 1.0]
    on_leads = [each for each in ascending if each.ohms <= 1.1e6]
    steps = [Step(each.name, UP) for each in on_leads]
    if order == "up-down":
        steps += [Step(each.name, DOWN) for each in reversed(on_leads[:-1])]
    leaks = [each for each in references.isolation() if each.ohms >= _LEAK_LEAST_OHMS]
    return steps + [Step(each.name, UP, LEAK) for each in leaks]


def begin(
    tester: str,
    firmware: str,
    calibration: dict[str, Any],
    references: ReferenceSet,
    text: str,
    shown: str,
    now: datetime.datetime,
    *,
    order: str = "up-down",
    noise_ppm: float = 5.0,
    by: str = "",
    celsius: float | None = None,
    u_celsius: float | None = None,
) -> Run:
    """Return a run with nothing measured yet; arguments as in `Run`."""
    return Run(
        tester=tester,
        firmware=firmware,
        calibration=calibration,
        references_name=shown,
        references_text=text,
        noise_ppm=noise_ppm,
        steps=steps_of(references, order),
        begun=now.isoformat(timespec="seconds"),
        by=by,
        celsius=celsius,
        u_celsius=u_celsius,
    )


def write_run(path: Path, run: Run) -> None:
    """Write a run, whole or not at all. Raises InputError where it cannot be written there."""
    document = {"kind": KIND, "format": FORMAT, "complete": run.complete, **dataclasses.asdict(run)}
    part = path.with_name(path.name + ".part")
    try:
        part.write_text(json.dumps(document, indent=1, allow_nan=False) + "\n", encoding="utf-8")
        part.replace(path)
    except OSError as error:
        raise InputError(f"The run cannot be written to {path}: {error.strerror or error}.") from None


def read_run(text: str, shown: str) -> Run:
    """Return the run of a file's text. Raises InputError in one sentence."""
    try:
        document = json.loads(text)
    except (ValueError, RecursionError) as error:
        raise InputError(f"{shown} is not valid JSON: {clean(error, 100)}.") from None
    return run_of(document, shown)


def run_of(document: Any, shown: str) -> Run:
    """Return the run of a document. Raises InputError in one sentence."""
    if not isinstance(document, dict) or document.get("kind") != KIND:
        raise InputError(f"{shown} is no calibration run; make one with calibrate run.")
    if document.get("format") != FORMAT:
        raise InputError(
            f"{shown} is a run of format {clean(document.get('format'), 20)}; this program reads {FORMAT}."
        )
    values = {key: value for key, value in document.items() if key not in ("kind", "format", "complete")}
    try:
        steps = [Step(**each) for each in values.pop("steps")]
        measured = [Measured(**each) for each in values.pop("measured")]
        run = Run(steps=steps, measured=measured, **values)
        _check(run)
    except (TypeError, ValueError, KeyError, AttributeError):
        raise InputError(f"{shown} is damaged: it does not hold what a run holds. Begin a new run.") from None
    return run


def _check(run: Run) -> None:
    """Raise ValueError where a run makes no sense."""
    for text in (run.tester, run.firmware, run.references_name, run.references_text, run.begun, run.by):
        if not isinstance(text, str):
            raise ValueError
    for time in (run.begun, run.ended, *(each.time for each in run.measured)):
        if time is not None:
            datetime.datetime.fromisoformat(time)
    if len(run.measured) > len(run.steps) or not math.isfinite(run.noise_ppm):
        raise ValueError
    for step, each in zip(run.steps, run.measured, strict=False):
        if (step.reference, step.way, step.kind) != (each.reference, each.way, each.kind):
            raise ValueError
        for value in (each.raw_ohms, each.u_noise_ohms, each.indicated_ohms, each.u_clips_ohms, each.u_systematic_ohms):
            if isinstance(value, bool) or not isinstance(value, (int, float)) or not math.isfinite(value):
                raise ValueError
