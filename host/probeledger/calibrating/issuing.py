"""A certificate from the runs: as found, as left, and what a person has to say of the calibration.

The person's part stands in a TOML file:

    number = "PL-2026-0007"
    place = "bench of the workshop"
    authorised_by = "the maker"
    description = "pocket tester for oven probes"    # optional, like all below
    condition = "no damage seen"
    humidity_percent = 41.0
    next_agreed = 2027-11-20
    received = 2026-11-24
    remarks = ["..."]
    [laboratory]
    name = "..."
    address = "..."
    [customer]       # the laboratory where it is left out
    name = "..."
"""

import datetime
import difflib
import math
from typing import Any

from probeledger import tomlfile
from probeledger.calibrating import outcome
from probeledger.calibrating.certificate import (
    Adjustment,
    BudgetLine,
    Certificate,
    Conditions,
    Item,
    Party,
    UsedReference,
)
from probeledger.calibrating.coefficients import change_lines
from probeledger.calibrating.runfile import Run
from probeledger.errors import InputError
from probeledger.rounding import COVERAGE_FACTOR
from probeledger.text import clean

__all__ = ["Details", "certificate_of", "read_details"]

_TEXTS = ("number", "place", "authorised_by", "description", "condition")
_NEEDED = ("number", "place", "authorised_by", "laboratory")
_DAYS = ("next_agreed", "received", "issued")
_TABLES = ("laboratory", "customer")
_KEYS = (*_TEXTS, *_DAYS, *_TABLES, "humidity_percent", "remarks")
_PARTY_KEYS = ("name", "address")
# The budget is told for the reference nearest to a platinum element in a room.
_BUDGET_OHMS = 1000.0

Details = dict[str, Any]


def read_details(text: str, shown: str) -> Details:
    """Read the person's part of a certificate. Raises InputError: which entry, what was seen, what would be right."""
    found: Details = tomlfile.parse(text, shown)
    _check_keys(found, _KEYS, shown)
    for key in _NEEDED:
        if key not in found:
            raise InputError(f"{shown} has no {key}; a certificate needs it.")
    for key in _TEXTS:
        if key in found and not isinstance(found[key], str):
            raise InputError(f"{shown}: {key} must be a text in quotes, not {clean(found[key], 40)}.")
    for key in _DAYS:
        if key in found and (type(found[key]) is not datetime.date):
            raise InputError(f"{shown}: {key} must be a day without quotes such as 2027-11-20.")
    for key in _TABLES:
        table = found.get(key, {})
        if not isinstance(table, dict) or not all(isinstance(value, str) for value in table.values()):
            raise InputError(f"{shown}: [{key}] must be a table with name and address as texts.")
        _check_keys(table, _PARTY_KEYS, f"{shown}, {key}")
        if key in found and not table.get("name"):
            raise InputError(f"{shown}: [{key}] has no name.")
    humidity = found.get("humidity_percent")
    if humidity is not None and (isinstance(humidity, bool) or not isinstance(humidity, (int, float))):
        raise InputError(f"{shown}: humidity_percent must be a number.")
    if humidity is not None and not 0 <= humidity <= 100:
        raise InputError(f"{shown}: humidity_percent is {humidity:g}; it lies between 0 and 100.")
    remarks = found.get("remarks", [])
    if not isinstance(remarks, list) or not all(isinstance(each, str) for each in remarks):
        raise InputError(f"{shown}: remarks must be a list of texts.")
    return found


def _check_keys(table: dict[str, Any], known: tuple[str, ...], shown: str) -> None:
    for key in table:
        if key not in known:
            near = difflib.get_close_matches(key, known, n=1, cutoff=0.5)
            advice = f"did you mean {near[0]}?" if near else f"known: {', '.join(known)}."
            raise InputError(f"{shown} has an unknown entry {clean(key, 40)!r}; {advice}")


def certificate_of(found: Run, left: Run | None, details: Details, today: datetime.date) -> Certificate:
    """Return the certificate of a calibration.

    Args:
        found: the run before any adjustment.
        left: the run after it, None where nothing was adjusted.
        details: the person's part.
        today: day of issue, unless the details tell one.

    Returns:
        The certificate.

    Raises:
        InputError: the runs do not belong together, are not complete, or the certificate would lack something.
    """
    _check_together(found, left)
    runs = [found] if left is None else [found, left]
    as_found = outcome.as_found(found)
    as_left = [] if left is None else outcome.as_found(left)
    laboratory = Party(**details["laboratory"])
    customer = Party(**details["customer"]) if "customer" in details else laboratory
    nearest = min(
        (each for each in as_left or as_found if each.result.range == "low"),
        key=lambda each: abs(each.result.reference_ohms - _BUDGET_OHMS),
    )
    begun = datetime.datetime.fromisoformat(found.begun).date()
    return Certificate(
        number=details["number"],
        issued=details.get("issued", max(today, runs[-1].day)),
        begun=begun,
        ended=runs[-1].day,
        laboratory=laboratory,
        place=details["place"],
        customer=customer,
        item=Item(
            found.tester,
            details.get("description", "pocket tester for the resistance of oven probes"),
            found.firmware,
            details.get("condition", "in working order"),
        ),
        method=_method(found, left),
        references=_references(found),
        conditions=_conditions(runs, details),
        as_found=tuple(each.result for each in as_found),
        as_left=tuple(each.result for each in as_left),
        adjustment=None if left is None else _adjustment(found, left),
        budget_ohms=nearest.result.reference_ohms,
        budget=tuple(BudgetLine(name, u_ohms) for name, u_ohms in nearest.parts.items()),
        authorised_by=details["authorised_by"],
        received=details.get("received"),
        next_agreed=details.get("next_agreed"),
        remarks=(*details.get("remarks", ()), *_remarks(runs)),
    )


def _check_together(found: Run, left: Run | None) -> None:
    if left is None:
        return
    if found.tester != left.tester:
        raise InputError(
            f"The two runs are of different testers, {clean(found.tester, 40)} and {clean(left.tester, 40)}."
        )
    if left.calibration.get("previous") != found.calibration.get("id") or left.calibration.get("id") is None:
        raise InputError(
            "The run as left was not made with the calibration that followed the run as found; apply it, then measure "
            "again."
        )
    if left.begun < (found.ended or found.begun):
        raise InputError("The run as left was begun before the run as found ended; exchange the two files.")


def _method(found: Run, left: Run | None) -> str:
    ways = {step.way for step in found.steps}
    order = "going up and down again" if len(ways) > 1 else "each once"
    method = f"comparison with reference resistors, {order}"
    if left is not None:
        method += "; coefficients by generalised least squares (ISO/TS 28037)"
    return method


def _references(run: Run) -> tuple[UsedReference, ...]:
    references = run.references
    values = outcome.values_of(run, references)
    used = {each.reference for each in run.measured}
    return tuple(
        UsedReference(
            each.name,
            float(ohms),
            COVERAGE_FACTOR * math.sqrt(float(values.covariance[index, index])),
            each.certificate,
            each.date,
        )
        for index, (each, ohms) in enumerate(zip(references.references, values.ohms, strict=True))
        if each.name in used
    )


def _conditions(runs: list[Run], details: Details) -> Conditions:
    temperatures = [outcome.temperature_of(run) for run in runs]
    inside = [each.tester_celsius for run in runs for each in run.measured if each.tester_celsius is not None]
    humidity = details.get("humidity_percent")
    return Conditions(
        min(each.low for each in temperatures),
        max(each.high for each in temperatures),
        max(each.u for each in temperatures),
        math.fsum(inside) / len(inside) if inside else None,
        None if humidity is None else float(humidity),
    )


def _adjustment(found: Run, left: Run) -> Adjustment:
    before = found.calibration.get("id")
    lines = change_lines(found.calibration, left.calibration) or ["the coefficients stayed as they were"]
    return Adjustment(None if before is None else clean(before, 40), clean(left.calibration["id"], 40), tuple(lines))


def _remarks(runs: list[Run]) -> list[str]:
    said: list[str] = []
    for run in runs:
        for each in run.measured:
            said += [clean(remark, 200) for remark in each.remarks if clean(remark, 200) not in said]
    claims = runs[0].references.claims()
    return said + [claim for claim in claims if "not supported" in claim or "Nothing above" in claim]
