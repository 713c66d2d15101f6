"""The computer's end of the link, without I/O: request lines out, typed answers in.

The caller moves the bytes and keeps the time. An answer carries the tag of its request; a tag is not used again until
its request has been answered or given up, so that a late answer is never taken for another's.
"""

import struct
from collections.abc import Mapping
from typing import Any, NamedTuple

from probecore import cbor, frames, record
from probecore.errors import ProbeError

__all__ = [
    "Answer",
    "Client",
    "DAMAGED_REQUEST_TAG",
    "Failure",
    "Hello",
    "PullEnd",
    "RecordData",
    "Result",
]

# The tester answers with this tag where it could not read the tag of the request.
DAMAGED_REQUEST_TAG = 255


class Result(NamedTuple):
    """The tester did what was asked and answers with a map."""

    tag: int
    values: dict[str, Any]


class Failure(NamedTuple):
    """The tester refuses, with a code for programs and a message for people."""

    tag: int
    code: str
    message: str


class RecordData(NamedTuple):
    """One record of a pull: its sequence number and its bytes."""

    tag: int
    sequence: int
    item: bytes


class PullEnd(NamedTuple):
    """The end of one pull request: the next number to ask for, the tester's last record and the digest of it."""

    tag: int
    next: int
    last: int
    head: bytes


Answer = Result | Failure | RecordData | PullEnd


class Hello(NamedTuple):
    """What a tester says of itself.

    Attributes:
        tester, firmware: texts as the tester sent them: clean them before showing.
        ledger: the ledger's id, or None where the tester has none.
        store: "flash", "internal" or "none".
        first, last, confirmed: sequence numbers; 0 where there is none.
        head: SHA-256 of the last record's item.
        boot: number of the present start; ms: time since it [ms]; time: its clock [s since 1970, UTC] or None.
        cell_volts: of its cell [V], or None.
        raw: the whole answer.
    """

    protocol: int
    tester: str
    firmware: str
    ledger: bytes | None
    store: str
    first: int
    last: int
    confirmed: int
    head: bytes
    boot: int
    ms: int
    time: int | None
    clock_set: bool
    calibration: str | None
    calibration_state: str
    cell_volts: float | None
    raw: dict[str, Any]

    @classmethod
    def read(cls, values: Mapping[str, Any]) -> "Hello | None":
        """Return the answer to `hello` as a Hello, or None where it cannot be one."""

        def number(name: str) -> int | None:
            value = values.get(name, 0)
            value = 0 if value is None else value
            return value if type(value) is int and 0 <= value < 2**53 else None

        tester, firmware, protocol = values.get("tester"), values.get("firmware"), values.get("protocol")
        ledger, head, time = values.get("ledger"), values.get("head"), values.get("time")
        numbers = [number(name) for name in ("first", "last", "confirmed", "boot", "ms")]
        if not isinstance(tester, str) or not tester or type(protocol) is not int or None in numbers:
            return None
        if ledger is not None and not (isinstance(ledger, bytes) and len(ledger) == 8):
            return None
        if not isinstance(head, bytes) or len(head) != 32:
            head = record.GENESIS
        cell = values.get("cell_volts")
        calibration = values.get("calibration")
        first, last, confirmed, boot, ms = (value or 0 for value in numbers)
        return cls(
            protocol=protocol,
            tester=tester,
            firmware=firmware if isinstance(firmware, str) else "",
            ledger=ledger,
            store=str(values.get("store") or "none"),
            first=first,
            last=last,
            confirmed=confirmed,
            head=head,
            boot=boot,
            ms=ms,
            time=time if type(time) is int and 0 <= time < 2**40 else None,
            clock_set=bool(values.get("clock_set")),
            calibration=calibration if isinstance(calibration, str) else None,
            calibration_state=str(values.get("calibration_state") or ""),
            cell_volts=float(cell) if isinstance(cell, (int, float)) and not isinstance(cell, bool) else None,
            raw=dict(values),
        )


class Client:
    """Make request lines and read answers. Counts what it leaves out.

    `malformed` counts intact frames whose content makes no sense, `strays` answers to no request that is open.
    """

    def __init__(self, first_tag: int = 0) -> None:
        """Begin with no request open; the first will have the tag `first_tag`."""
        self._replies = frames.Replies()
        self._open: dict[int, str] = {}
        self._given_up: set[int] = set()
        self._next_tag = first_tag % DAMAGED_REQUEST_TAG
        self.malformed = 0
        self.strays = 0

    @property
    def damaged(self) -> int:
        """How many pieces between delimiters were no reply [1]; text of MicroPython's prompt counts too."""
        return int(self._replies.damaged + self._replies.overlong)

    def request(self, verb: str, *args: object) -> tuple[int, bytes]:
        """Open a request.

        Returns:
            its tag and the line to send.
        """
        for _ in range(DAMAGED_REQUEST_TAG):
            tag = self._next_tag
            self._next_tag = (tag + 1) % DAMAGED_REQUEST_TAG
            if tag not in self._open:
                break
        self._open[tag] = verb
        self._given_up.discard(tag)
        return tag, frames.request(tag, verb, *args)

    def give_up(self, tag: int) -> None:
        """Close a request that will not be waited for.

        What still comes for it is a stray, but for records: an intact one is what the tester has, however late.
        """
        if self._open.pop(tag, None) is not None:
            self._given_up.add(tag)

    def feed(self, data: bytes) -> list[Answer]:
        """Take bytes as they came from the port; return the answers that they complete."""
        answers = []
        for reply in self._replies.feed(data):
            answer = self._read(reply)
            if answer is not None:
                answers.append(answer)
        return answers

    def _read(self, reply: frames.Reply) -> Answer | None:
        tag = reply.tag
        late = reply.kind == frames.DATA and tag in self._given_up
        if tag not in self._open and not late and not (reply.kind == frames.ERROR and tag == DAMAGED_REQUEST_TAG):
            self.strays += 1
            return None
        if reply.kind == frames.DATA:
            if len(reply.payload) <= 4:
                self.malformed += 1
                return None
            return RecordData(tag, struct.unpack("<I", reply.payload[:4])[0], bytes(reply.payload[4:]))
        try:
            values = cbor.loads(reply.payload)
        except ProbeError:
            values = None
        if not isinstance(values, dict):
            self.malformed += 1
            return None
        if reply.kind == frames.RESULT:
            self.give_up(tag)
            return Result(tag, values)
        if reply.kind == frames.ERROR:
            if tag != DAMAGED_REQUEST_TAG:
                self.give_up(tag)
            return Failure(tag, str(values.get("code")), str(values.get("message")))
        following, last, head = values.get("next"), values.get("last"), values.get("head")
        if type(following) is not int or type(last) is not int or not isinstance(head, bytes) or len(head) != 32:
            self.malformed += 1
            return None
        self.give_up(tag)
        return PullEnd(tag, following, last, head)
