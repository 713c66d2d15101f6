"""One record of the archive, and what to look for among them."""

import datetime
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property
from typing import Any

from probecore import record as core_record
from probecore.errors import ProbeError
from probeledger import fastcbor

__all__ = ["UNREADABLE", "Record", "Search", "columns_of"]

# The kind under which an item is kept that this version cannot read: from a newer tester, or damaged in its flash.
UNREADABLE = "unreadable"

_MOST = 2**62
# How deep in a body a text is still found: the body itself is the first level.
_TEXT_LEVELS = 4
_LAST_SECOND = 253_402_300_799  # of the year 9999, beyond which no calendar of ours goes


_UNREADABLE_COLUMNS: dict[str, Any] = {
    **dict.fromkeys(
        (
            *("tester", "ledger", "sequence", "item", "digest", "prev", "boot", "ms", "time", "firmware"),
            *("calibration", "ticket", "job", "place", "mode", "curve", "verdict", "ohms", "celsius"),
        )
    ),
    "kind": UNREADABLE,
    "time_reconstructed": False,
    "words": "",
}


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
    found: dict[str, None] = {}
    level: list[Any] = [body]
    for _ in range(_TEXT_LEVELS):
        below: list[Any] = []
        for holder in level:
            for value in holder.values() if type(holder) is dict else holder:
                kind = type(value)
                # Most are numbers: they are passed over first.
                if kind is int or kind is float:
                    continue
                if kind is str:
                    found[value] = None
                elif kind is dict or kind is list:
                    below.append(value)
        level = below
    return " ".join(found).replace("\0", "\ufffd").lower()


def columns_of(item: bytes) -> dict[str, Any]:
    """Return what the table `records` keeps of an item, without its key, and `tester` and `ledger` for the key.

    An item that cannot be read gets the kind "unreadable" and no `tester`, `ledger` or `sequence`: it is kept for a
    later version to read.
    """
    digest = core_record.digest(item)
    try:
        record = fastcbor.decode(item)
    except ProbeError:
        return {**_UNREADABLE_COLUMNS, "item": item, "digest": digest}
    body = record["body"]
    part = body.get
    time = _integer(record.get("time"))
    return {
        "tester": _text(record["tester"]),
        "ledger": record["ledger"].hex(),
        "sequence": record["seq"],
        "item": item,
        "digest": digest,
        "prev": record["prev"],
        "kind": _text(record["kind"]),
        "boot": _integer(record["boot"]),
        "ms": _integer(record["ms"]),
        "time": time if time is not None and 0 <= time <= _LAST_SECOND else None,
        "time_reconstructed": False,
        "firmware": _text(record["fw"]),
        "calibration": _text(record.get("cal")),
        "ticket": _text(part("ticket")),
        "job": _integer(part("job")),
        "place": _text(part("place")),
        "mode": _text(part("mode")),
        "curve": _text(part("curve")),
        "verdict": _text(part("verdict")),
        "ohms": _number(part("ohms")),
        "celsius": _number(part("celsius")),
        "words": _words(body),
    }


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
            body = fastcbor.decode(self.item)["body"]
        except ProbeError:
            return {}
        return dict(body)

    def moment(self, zone: datetime.tzinfo | None = None) -> datetime.datetime | None:
        """Return the record's time in a zone (this computer's own if None), or None where it is not known."""
        if self.time is None:
            return None
        return datetime.datetime.fromtimestamp(self.time, datetime.UTC).astimezone(zone)
