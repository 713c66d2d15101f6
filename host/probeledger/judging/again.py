"""Judging a stored record again: the same rules, with full precision and the fuller uncertainty.

The tester computes in single precision with the budget that fits its heap. Here the value is formed again from the
stored counts and the calibration that was in force, and the verdict is the very same function
(probecore.verdict.judge). Where the answer differs from the tester's, the reasons are said in words.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Protocol

from probecore import calibration as core_calibration
from probecore import limits as core_limits
from probecore import verdict as core_verdict
from probecore.curves import curve as core_curve
from probecore.errors import MisuseError, ProbeError
from probeledger import circuit, uncertainty
from probeledger.judging.body import ProbeBody, probe_body
from probeledger.judging.guards import Guard, guards_of
from probeledger.judging.typed import Explained, explain
from probeledger.text import clean

# Single precision carries 6e-8 relative; counts divided and scaled in it stay within a few of these, and a stored
# value that differs by more was computed with something else.
_SAME_FRACTION = 2e-6
_SAME_OHMS = 2e-3
# Uncertainties that agree to this share are called the same.
_SAME_U_FRACTION = 0.02
_LEADS = ("connected", "open", "short", "sense-lost", "saturated")


class Lookup(Protocol):
    """Where the curves and limits that a tester was sent are found, by their ids."""

    def curve(self, wanted: str) -> Any | None:
        """Return the curve of an id, None where it is not known."""

    def limits(self, wanted: str) -> Mapping[str, Any] | None:
        """Return the complete limits of an id, None where they are not known."""


@dataclass(frozen=True)
class Again:
    """A record judged again.

    `verdict` is None where it could not be judged, and `problem` says why. `reasons` says in what the answer
    differs from the tester's and why; empty where it does not. `guards` has how far inside its limit each requirement
    is met. `curve` is the curve by which it was judged, None where it was not.
    """

    body: ProbeBody
    verdict: str | None
    probability: float | None
    requirements: tuple[tuple[str, float], ...]
    findings: tuple[Explained, ...]
    not_checked: tuple[str, ...]
    ohms: float | None
    u_ohms: float | None
    celsius: float | None
    u_celsius: float | None
    expected_ohms: float | None
    budget: uncertainty.Budget | None
    differs: bool
    reasons: tuple[str, ...]
    problem: str | None = None
    guards: tuple[Guard, ...] = ()
    curve: Any = None


def judge_again(
    body: object,
    calibration_id: str | None = None,
    profiles: Mapping[str, Mapping[str, Any]] | None = None,
    definitions: Lookup | None = None,
) -> Again:
    """Judge the body of a "probe" record.

    Args:
        body: as decoded, of any type: it came from a device.
        calibration_id: the calibration that the record names; None where the tester had none.
        profiles: limits by name, beside the built-in ones.
        definitions: curves and limits that testers were sent; None where there are none.

    Returns:
        The answer; never raises for whatever the body holds.
    """
    seen = probe_body(body)
    notes: list[str] = []
    if seen.unsound:
        notes.append("parts of the record are damaged and were left out: " + ", ".join(seen.unsound[:6]))
    profile = _profile(seen, profiles or {}, definitions, notes)
    try:
        curve = _curve(seen, definitions)
    except ProbeError as error:
        return _unjudged(seen, error.message)
    budget = _measure(seen, curve, calibration_id, notes)
    ohms = budget.ohms if budget else seen.ohms
    u_ohms = budget.u_ohms if budget else seen.u_ohms
    try:
        judgement = core_verdict.judge(_clean(seen, ohms, u_ohms), profile, curve)
    except (ProbeError, ArithmeticError, TypeError, ValueError) as error:
        return _unjudged(seen, f"The record cannot be judged: {error}.")
    differs = seen.verdict is not None and judgement.verdict != seen.verdict
    findings = tuple(judgement.findings)
    reasons = _reasons(seen, judgement, budget, differs, profile) if differs or findings != seen.findings else []
    if budget and seen.ohms is not None and not _same_ohms(budget.ohms, seen.ohms):
        reasons.insert(
            0,
            f"the stored counts give {budget.ohms:.3f} Ω here, the tester had {seen.ohms:.3f} Ω",
        )
    return Again(
        body=seen,
        verdict=judgement.verdict,
        probability=judgement.probability,
        requirements=tuple((name, float(p)) for name, p in judgement.requirements),
        findings=explain(findings),
        not_checked=tuple(judgement.not_checked),
        ohms=ohms,
        u_ohms=u_ohms,
        celsius=judgement.celsius,
        u_celsius=judgement.u_celsius,
        expected_ohms=judgement.expected_ohms,
        budget=budget,
        differs=differs,
        reasons=tuple(reasons + notes),
        guards=guards_of(judgement, profile),
        curve=curve,
    )


def _unjudged(seen: ProbeBody, problem: str) -> Again:
    return Again(
        body=seen,
        verdict=None,
        probability=None,
        requirements=(),
        findings=(),
        not_checked=tuple(core_verdict.REQUIREMENTS),
        ohms=seen.ohms,
        u_ohms=seen.u_ohms,
        celsius=None,
        u_celsius=None,
        expected_ohms=None,
        budget=None,
        differs=seen.verdict is not None,
        reasons=(problem,),
        problem=problem,
    )


def _curve(seen: ProbeBody, definitions: Lookup | None) -> Any:
    """Return the curve of a record. Raises ProbeError with a sentence where it is not known here."""
    wanted = seen.raw.get("curve_id")
    if wanted is None:
        return core_curve(seen.curve or "pt1000-3850")
    found = definitions.curve(wanted) if definitions and isinstance(wanted, str) else None
    if found is None:
        raise MisuseError(
            "unknown-curve",
            f"The curve {clean(seen.curve, 40)} ({clean(wanted, 16)}) was sent to the tester, and the record that says "
            "what it is is not in this archive; pull the tester's whole ledger.",
        )
    return found


def _profile(
    seen: ProbeBody, profiles: Mapping[str, Mapping[str, Any]], definitions: Lookup | None, notes: list[str]
) -> dict[str, Any]:
    default = core_limits.DOMESTIC_1000
    wanted = seen.raw.get("profile_id")
    if wanted is not None:
        found = definitions.limits(wanted) if definitions and isinstance(wanted, str) else None
        if found is not None:
            return dict(found)
        notes.append(
            f"the limits {clean(seen.profile, 40)} ({clean(wanted, 16)}) were sent to the tester, and the record that "
            f"says what they are is not in this archive; judged by {default['name']}"
        )
        return dict(default)
    if seen.profile is None or seen.profile == default["name"]:
        return dict(default)
    if seen.profile in profiles:
        try:
            return dict(core_limits.complete(dict(profiles[seen.profile])))
        except ProbeError:
            pass
    notes.append(f"the limits {seen.profile!r} are not known here; judged by {default['name']}")
    return dict(default)


def _measure(seen: ProbeBody, curve: Any, calibration_id: str | None, notes: list[str]) -> uncertainty.Budget | None:
    """Form the value again from its counts; None where the record has none or they cannot be used."""
    if not seen.readings or not seen.reference_ohms or seen.ohms is None:
        return None
    stored = seen.raw.get("calibration")
    try:
        if stored is None and calibration_id is None:
            used = circuit.uncalibrated()
        else:
            used = core_calibration.from_map(stored)
    except ProbeError:
        notes.append("the calibration in the record is missing or damaged; the tester's own value was used")
        return None
    try:
        slope = curve.ohms_per_celsius(curve.celsius(seen.ohms))
    except ProbeError:
        slope = 0.0
    try:
        return uncertainty.budget(
            seen.readings,
            seen.reference_ohms,
            used,
            seen.tester_celsius,
            high_range=seen.range == "high",
            gain=seen.gain or 1,
            rate_hz=seen.rate_hz or 20.0,
            ohms_per_celsius=slope,
            zero_ohms=seen.zero_ohms or 0.0,
        )
    except (ProbeError, ArithmeticError, ValueError):
        notes.append("the stored counts make no sense; the tester's own value was used")
        return None


def _same_ohms(one: float, other: float) -> bool:
    return abs(one - other) <= max(_SAME_OHMS, _SAME_FRACTION * abs(one))


def _clean(seen: ProbeBody, ohms: float | None, u_ohms: float | None) -> dict[str, Any]:
    """Return a body of sound parts only, in the record's form, with the value formed here."""
    body: dict[str, Any] = {
        "curve": seen.curve,
        "leads": seen.leads if seen.leads in _LEADS else None,
        "ohms": ohms,
        "u_ohms": u_ohms,
        "half_ohms": seen.half_ohms,
        "fault": seen.fault,
        "refused": seen.raw.get("refused") if isinstance(seen.raw.get("refused"), str) else None,
        "tester_celsius": seen.tester_celsius,
    }
    check = seen.raw.get("check")
    if isinstance(check, Mapping):
        body["check"] = {"passed": check.get("passed"), "age_s": check.get("age_s")}
    calibration = seen.raw.get("calibration")
    if isinstance(calibration, Mapping) and isinstance(calibration.get("state"), str):
        body["calibration"] = {"state": calibration["state"]}
    if seen.foreign:
        body["foreign"] = {"seen": seen.foreign.seen}
    if seen.ambient:
        body["ambient"] = {
            "celsius": seen.ambient.celsius,
            "u_celsius": seen.ambient.u_celsius,
            "half_celsius": seen.ambient.half_celsius,
        }
    if seen.settling:
        body["settling"] = {"settled": seen.settling.settled}
    if seen.contact_proven is not None:
        body["contact"] = {"proven": seen.contact_proven, "ohms": seen.contact_ohms}
    leaks = {
        lead: {"ohms": leak.ohms, "u_ohms": leak.u_ohms, "greater": leak.greater}
        for lead, leak in (("a", seen.leak_a), ("b", seen.leak_b))
        if leak
    }
    if leaks:
        body["isolation"] = leaks
    if seen.harness:
        body["harness"] = {"ohms": seen.harness.ohms, "u_ohms": seen.harness.u_ohms}
    if seen.flex:
        body["flex"] = {"dropouts": seen.flex.dropouts, "steps": seen.flex.steps}
    return body


def _reasons(
    seen: ProbeBody,
    judgement: Any,
    budget: uncertainty.Budget | None,
    differs: bool,
    profile: Mapping[str, Any],
) -> list[str]:
    said = []
    if differs:
        said.append(f"the tester said {seen.verdict}, here it is {judgement.verdict}")
    theirs = dict(seen.requirements)
    ours = {name: float(p) for name, p in judgement.requirements}
    for name in sorted(set(theirs) | set(ours)):
        if name not in ours:
            said.append(f"{name} was judged by the tester and cannot be judged from what is stored")
        elif name not in theirs:
            said.append(f"{name} is judged here and was not by the tester")
        elif _zone(theirs[name], profile) != _zone(ours[name], profile):
            said.append(
                f"{name}: conformance probability {100 * ours[name]:.1f} % here, "
                f"{100 * theirs[name]:.1f} % on the tester"
            )
    if budget and seen.u_ohms is not None and abs(budget.u_ohms - seen.u_ohms) > _SAME_U_FRACTION * budget.u_ohms:
        said.append(
            f"standard uncertainty {budget.u_ohms:.3f} Ω here, {seen.u_ohms:.3f} Ω on the tester, which leaves out "
            "drift and thermal voltages"
        )
    gone = [code for code in seen.findings if code not in judgement.findings]
    new = [code for code in judgement.findings if code not in seen.findings]
    if gone:
        said.append("findings of the tester that do not stand here: " + ", ".join(gone[:6]))
    if new:
        said.append("findings that the tester did not have: " + ", ".join(new))
    return said


def _zone(probability: float, profile: Mapping[str, Any]) -> int:
    """Tell whether a probability misses (0), leaves open (1) or meets (2) a requirement."""
    low, high = profile["fail_probability"], profile["pass_probability"]
    return 0 if probability <= low else 2 if probability >= high else 1


__all__ = ["Again", "judge_again"]
