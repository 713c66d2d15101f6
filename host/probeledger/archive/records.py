"""One record of the archive, and what to look for among them."""

import datetime
from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import cached_property
from typing import Any

from probecore import record as core_record
from probecore.errors import ProbeError
from probeledger import fastcbor
from probeledger.archive.amendments import NOTE, TICKET, VOID, Amendment
from probeledger.archive.seals import storable

__all__ = ["UNREADABLE", "Record", "Search", "clock_setting", "columns_of"]

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
    "time_earliest": None,
    "time_latest": None,
}


def _text(value: object) -> str | None:
    return storable(value) if isinstance(value, str) else None


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
    return storable(" ".join(found)).lower()


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
        "time_earliest": None,
        "time_latest": None,
    }


def clock_setting(item: bytes) -> int | None:
    """Return by how much a record of a clock's setting moved the clock [s], None where it was not set before."""
    try:
        body = fastcbor.decode(item)["body"]
    except ProbeError:
        return None
    before, after = _integer(body.get("before")), _integer(body.get("after"))
    return None if before is None or after is None else after - before


@dataclass(frozen=True)
class Search:
    """Say which records to find; what is None does not narrow.

    Attributes:
        tester, ticket, verdict, kind, place, curve: exact texts. A record is found by the ticket that it names and by
            one that an amendment gave it.
        job: the tester's job number.
        ledger: the ledger's id as 16 hexadecimal digits.
        since, until: seconds since 1970 in UTC [s]; `until` is not included. A record whose time is not known is found
            only where neither is given.
        text: found anywhere in the record's texts, in any case.
        undated: only records whose time is not known.
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
    curve: str | None = None
    undated: bool = False


@dataclass(frozen=True)
class Record:
    """One record of the archive. Every text in it came from a tester: clean or escape it before showing it.

    Attributes:
        time: seconds since 1970 in UTC [s], recorded or reconstructed, or None where it is not known.
        time_earliest, time_latest: bounds of a time that is not known or in doubt [s since 1970, UTC], or None.
        ohms, celsius: as the tester computed them [ohm, degrees C].
        item: the record's bytes as they came from the tester.
        amendments: what the shop corrected, oldest first; the other fields are the record's own all the same.
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
    time_earliest: int | None = None
    time_latest: int | None = None
    amendments: tuple[Amendment, ...] = field(default=())

    @property
    def ticket_now(self) -> str | None:
        """The ticket by the last amendment that gives one, else the record's own."""
        for amendment in reversed(self.amendments):
            if amendment.kind == TICKET:
                return amendment.value
        return self.ticket

    @property
    def voided(self) -> bool:
        """Whether the shop declared the record void."""
        return any(amendment.kind == VOID for amendment in self.amendments)

    @property
    def notes(self) -> tuple[Amendment, ...]:
        """The notes that the shop added."""
        return tuple(amendment for amendment in self.amendments if amendment.kind == NOTE)

    @property
    def time_in_doubt(self) -> bool:
        """Whether the time is known, but by a clock that was found wrong later."""
        return self.time is not None and (self.time_earliest is not None or self.time_latest is not None)

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
