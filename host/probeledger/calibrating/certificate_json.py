"""A certificate as a JSON document, and back. Numbers are never rounded; what follows from the rest is recomputed."""

import dataclasses
import datetime
import difflib
import math
import types
import typing
from collections.abc import Mapping
from typing import Any

from probeledger.calibrating import certificate as content
from probeledger.calibrating.certificate import Certificate, Result
from probeledger.errors import InputError
from probeledger.rounding import COVERAGE_FACTOR
from probeledger.text import clean

__all__ = ["FORMAT", "TITLE", "document", "read_document"]

FORMAT = 1
TITLE = "Calibration certificate"

_RESULT_DERIVED = ("error_ohms", "expanded_ohms", "probability_conforming", "statement")
_TOP_DERIVED = (
    "format",
    "title",
    "statement",
    "traceability",
    "decision_rule",
    "coverage_factor",
    "u_budget_ohms",
    "disclaimers",
    "accredited",
    "end_mark",
)


def document(certificate: Certificate) -> dict[str, Any]:
    """Return a certificate as a document of JSON types, dates as ISO 8601, an infinite number as null."""
    made = _plain(certificate)
    assert isinstance(made, dict)
    made.update(
        format=FORMAT,
        title=TITLE,
        statement=certificate.statement,
        traceability=certificate.traceability,
        decision_rule=content.DECISION_RULE,
        coverage_factor=COVERAGE_FACTOR,
        u_budget_ohms=certificate.u_budget_ohms,
        disclaimers=list(content.DISCLAIMERS),
        accredited=False,
        end_mark=f"End of certificate {certificate.number}",
    )
    return made


def read_document(made: object) -> Certificate:
    """Return the certificate of a document.

    Args:
        made: as `document` gives it; entries that follow from others may be missing.

    Returns:
        The certificate, checked.

    Raises:
        InputError: one sentence: which entry, what was seen, what would be right.
    """
    if not isinstance(made, Mapping):
        raise InputError("A certificate's document has to be a JSON object; this is none.")
    if made.get("format", FORMAT) != FORMAT:
        raise InputError(f"This certificate has format {clean(made['format'], 20)}; this program reads {FORMAT}.")
    kept = {key: value for key, value in made.items() if key not in _TOP_DERIVED}
    found = _load(Certificate, kept, "certificate")
    assert isinstance(found, Certificate)
    return found


def _plain(value: Any) -> Any:
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        made = {field.name: _plain(getattr(value, field.name)) for field in dataclasses.fields(value)}
        if isinstance(value, Result):
            made.update({name: getattr(value, name) for name in _RESULT_DERIVED})
        return made
    if isinstance(value, tuple):
        return [_plain(item) for item in value]
    if isinstance(value, datetime.date):
        return value.isoformat()
    if isinstance(value, float) and math.isinf(value):
        return None
    return value


def _load(kind: Any, value: Any, where: str) -> Any:
    """Return a value of the kind that an annotation tells. Raises InputError in one sentence."""
    origin, parts = typing.get_origin(kind), typing.get_args(kind)
    if origin in (typing.Union, types.UnionType):
        if value is None:
            return None
        (other,) = (part for part in parts if part is not types.NoneType)
        return _load(other, value, where)
    if origin is tuple:
        if not isinstance(value, list):
            raise InputError(f"{where} must be a list, not {clean(value, 40)!r}.")
        return tuple(_load(parts[0], item, f"{where} {number}") for number, item in enumerate(value, start=1))
    if dataclasses.is_dataclass(kind):
        return _load_table(kind, value, where)
    if kind is datetime.date:
        try:
            return datetime.date.fromisoformat(value)
        except (TypeError, ValueError):
            raise InputError(f"{where} must be a day such as 2026-03-14, not {clean(value, 40)!r}.") from None
    if kind is float:
        if isinstance(value, bool) or not isinstance(value, (int, float)) or not math.isfinite(value):
            raise InputError(f"{where} must be a finite number, not {clean(value, 40)!r}.")
        return float(value)
    if not isinstance(value, str):
        raise InputError(f"{where} must be a text, not {clean(value, 40)!r}.")
    return value


def _load_table(kind: Any, value: Any, where: str) -> Any:
    if not isinstance(value, Mapping):
        raise InputError(f"{where} must be an object with entries, not {clean(value, 40)!r}.")
    hints = typing.get_type_hints(kind)
    known = {field.name: field for field in dataclasses.fields(kind)}
    values = {}
    for key, item in value.items():
        if kind is Result and key in _RESULT_DERIVED:
            continue
        if key not in known:
            near = difflib.get_close_matches(key, known, n=1, cutoff=0.5)
            advice = f"did you mean {near[0]}?" if near else f"known: {', '.join(known)}."
            raise InputError(f"{where} has an unknown entry {clean(key, 40)!r}; {advice}")
        if key == "degrees_of_freedom" and item is None:
            item = math.inf
            values[key] = item
            continue
        values[key] = _load(hints[key], item, f"{where}, {key}")
    for name, field in known.items():
        if name not in values and field.default is dataclasses.MISSING:
            raise InputError(f"{where} has no entry {name}; add it.")
    return kind(**values)
