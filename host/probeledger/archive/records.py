"""One record of the archive, and what to look for among them."""

import datetime
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property
from typing import Any

from probecore import record as core_record
from probecore.errors import ProbeError

__all__ = ["UNREADABLE", "Record", "Search", "columns_of"]

# The kind under which an item is kept that this version cannot read: from a newer tester, or damaged in its flash.
UNREADABLE = "unreadable"

_MOST = 2**62
_LAST_SECOND = 253_402_300_799  # of the year 9999, beyond which no calendar of ours goes


def _text(value: object) -> str | None:
    # A zero character is legal in CBOR and refused by PostgreSQL.
    return value.replace("\0", "\ufffd") if isinstance(value, str) else None


def _integer(value: object) -> int | None:
    if isinstance(value, int) and not isinstance(value, bool) and -_MOST <= value <= _MOST:
        return value
    return None


def _number(value: object) -> float | None:
    if isinstance(value, (int, float)) and not isinstance(value, bool) and abs(value) < 1e300:
        return float(value)
    return None


def _words(body: Mapping[str, Any]) -> str:
    """Return the texts of a body, lower case, as one line for searching."""
    found: list[str] = []

    def walk(value: object, depth: int) -> None:
        if isinstance(value, str):
            found.append(value)
        elif isinstance(value, dict) and depth < 4:
            for item in value.values():
                walk(item, depth + 1)
        elif isinstance(value, list) and depth < 4:
            for item in value:
                walk(item, depth + 1)

    walk(dict(body), 0)
    return " ".join(dict.fromkeys(found)).replace("\0", "\ufffd").lower()


def columns_of(item: bytes) -> dict[str, Any]:
    """Return what the table `records` keeps of an item, without its key, and `tester` and `ledger` for the key.

    An item that cannot be read gets the kind "unreadable" and no `tester`, `ledger` or `sequence`: it is kept for a
    later version to read.
    """
    base: dict[str, Any] = {
        "tester": None,
        "ledger": None,
        "sequence": None,
        "item": item,
        "digest": core_record.digest(item),
        "prev": None,
        "kind": UNREADABLE,
        "boot": None,
        "ms": None,
        "time": None,
        "time_reconstructed": False,
        "firmware": None,
        "calibration": None,
        "ticket": None,
        "job": None,
        "place": None,
        "mode": None,
        "curve": None,
        "verdict": None,
        "ohms": None,
        "celsius": None,
        "words": "",
    }
    try:
        record = core_record.decode(item)
    except ProbeError:
        return base
    body = record["body"]
    time = _integer(record.get("time"))
    base.update(
        tester=_text(record["tester"]),
        ledger=record["ledger"].hex(),
        sequence=record["seq"],
        prev=record["prev"],
        kind=_text(record["kind"]),
        boot=_integer(record["boot"]),
        ms=_integer(record["ms"]),
        time=time if time is not None and 0 <= time <= _LAST_SECOND else None,
        firmware=_text(record["fw"]),
        calibration=_text(record.get("cal")),
        ticket=_text(body.get("ticket")),
        job=_integer(body.get("job")),
        place=_text(body.get("place")),
        mode=_text(body.get("mode")),
        curve=_text(body.get("curve")),
        verdict=_text(body.get("verdict")),
        ohms=_number(body.get("ohms")),
        celsius=_number(body.get("celsius")),
        words=_words(body),
    )
    return base


@dataclass(frozen=True)
class Search:
    """Say which records to find; what is None does not narrow.

    Attributes:
        tester, ticket, verdict, kind, place: exact texts.
        job: the tester's job number.
        ledger: the ledger's id as 16 hexadecimal digits.
        since, until: seconds since 1970 in UTC [s]; `until` is not included. A record whose time is not known is found
            only where neither is given.
        text: found anywhere in the record's texts, in any case.
        limit: at most so many records [1], the newest.
    """

    tester: str | None = None
    ledger: str | None = None
    ticket: str | None = None
    job: int | None = None
    verdict: str | None = None
    kind: str | None = None
    place: str | None = None
    since: int | None = None
    until: int | None = None
    text: str | None = None
    limit: int | None = None


@dataclass(frozen=True)
class Record:
    """One record of the archive. Every text in it came from a tester: clean or escape it before showing it.

    Attributes:
        time: seconds since 1970 in UTC [s], recorded or reconstructed, or None where it is not known.
        ohms, celsius: as the tester computed them [ohm, degrees C].
        item: the record's bytes as they came from the tester.
    """

    tester: str
    ledger: str
    sequence: int
    kind: str
    boot: int | None
    ms: int | None
    time: int | None
    time_reconstructed: bool
    ticket: str | None
    job: int | None
    place: str | None
    mode: str | None
    curve: str | None
    verdict: str | None
    ohms: float | None
    celsius: float | None
    firmware: str | None
    calibration: str | None
    prev: bytes | None
    digest: bytes
    item: bytes

    @cached_property
    def body(self) -> dict[str, Any]:
        """The record's body as the tester wrote it; empty where it cannot be read."""
        try:
            body = core_record.decode(self.item)["body"]
        except ProbeError:
            return {}
        return dict(body)

    def moment(self, zone: datetime.tzinfo | None = None) -> datetime.datetime | None:
        """Return the record's time in a zone (this computer's own if None), or None where it is not known."""
        if self.time is None:
            return None
        return datetime.datetime.fromtimestamp(self.time, datetime.UTC).astimezone(zone)
