"""Fetch a run of records, without I/O: which requests to send, and which records have arrived in order.

Rules, in this order:

1. Up to `WINDOW` requests are open at once, so that the line is never idle; a tester answers them in order.
2. Whatever a request did not bring is asked for again. A request ends with its own end frame, or when an answer to a
   later one shows that its end was lost, or when the session finds that nothing comes any more.
3. A record that two whole answers in a row leave out is absent: the tester does not have it.
4. Records leave in the order of their numbers, each checked against the digest of the one before it.
5. After damage the requests get shorter, after a whole answer longer again.
"""

from collections import deque
from dataclasses import dataclass
from typing import NamedTuple

from probecore import record
from probecore.errors import ProbeError
from probeledger import fastcbor
from probeledger.errors import DeviceError, SilentError
from probeledger.link.client import (
    DAMAGED_REQUEST_TAG,
    Answer,
    Client,
    Failure,
    PullEnd,
    RecordData,
)
from probeledger.text import clean

__all__ = ["Pulled", "Puller"]

WINDOW = 3
MOST_RECORDS_A_REQUEST = 32
# How often one stretch may fail, and nothing may come at all, before the pull is given up [1].
MOST_TRIES = 20
MOST_STALLS = 3

# How often whole answers have to leave a record out before the tester is taken not to have it.
_SURELY_ABSENT = 3


class Pulled(NamedTuple):
    """One record as it came.

    Attributes:
        sequence: its number; item: its bytes; digest: SHA-256 of them.
        follows: whether it carries the digest of the record before it; None where that one is not known or this one
            cannot be read.
    """

    sequence: int
    item: bytes
    digest: bytes
    follows: bool | None


@dataclass
class _Request:
    first: int
    last: int
    damaged_before: int
    began: bool = False


class Puller:
    """Fetch the records `first` to `last`.

    Attributes:
        absent: numbers of records that the tester does not have.
        repeats: how many records had to be asked for again [1]; duplicates: how many came twice [1].
    """

    def __init__(self, client: Client, first: int, last: int, previous: bytes | None) -> None:
        """Begin a run.

        Args:
            client: makes the requests and reads the answers.
            first, last: sequence numbers, both included.
            previous: digest of the record before `first` (GENESIS before the first of a ledger), or None where it is
                not known.
        """
        self._client = client
        self._last = last
        self._next = first
        self._unasked = first
        self._previous = previous
        self._again: deque[tuple[int, int]] = deque()
        self._open: dict[int, _Request] = {}
        self._early: dict[int, bytes] = {}
        self._left_out: dict[int, int] = {}
        self._count = MOST_RECORDS_A_REQUEST
        self._tries = 0
        self._stalls = 0
        self.absent: set[int] = set()
        self.repeats = 0
        self.duplicates = 0

    @property
    def done(self) -> bool:
        """Whether every record has arrived or is known to be absent."""
        return self._next > self._last

    @property
    def next(self) -> int:
        """The number of the record that is due next."""
        return self._next

    def requests(self) -> bytes:
        """Return the request lines to send now; empty where enough requests are open."""
        lines = []
        while len(self._open) < WINDOW and not self.done:
            if self._again:
                first, last = self._again.popleft()
                if last - first >= self._count:
                    self._again.appendleft((first + self._count, last))
                    last = first + self._count - 1
            elif self._unasked <= self._last:
                first = self._unasked
                last = min(first + self._count - 1, self._last)
                self._unasked = last + 1
            else:
                break
            tag, line = self._client.request("pull", first, last - first + 1)
            self._open[tag] = _Request(first, last, self._damage())
            lines.append(line)
        return b"".join(lines)

    def take(self, answers: list[Answer]) -> list[Pulled]:
        """Take answers of the tester; return the records that are next in order.

        Raises:
            DeviceError: if the tester refuses, or the same stretch fails again and again.
        """
        for answer in answers:
            if isinstance(answer, Failure):
                self._take_failure(answer)
                continue
            request = self._open.get(answer.tag)
            if request is None:
                if isinstance(answer, RecordData):
                    self._take_record(None, answer)
                continue
            self._close_before(answer.tag)
            if isinstance(answer, RecordData):
                request.began = True
                self._take_record(request, answer)
            elif isinstance(answer, PullEnd):
                self._finish(answer.tag, answer.next)
        return self._in_order()

    def stalled(self) -> None:
        """Give up the open requests, because nothing has come for too long.

        Raises:
            SilentError: if that has happened MOST_STALLS times without any record in between.
        """
        self._stalls += 1
        if self._stalls >= MOST_STALLS:
            raise SilentError(
                f"The tester stopped answering before record {self._next}. Check the cable and that it is switched on, "
                "then run the command again; it goes on from there."
            )
        for tag in list(self._open):
            self._finish(tag, None)

    def _damage(self) -> int:
        return self._client.damaged + self._client.malformed

    def _take_failure(self, failure: Failure) -> None:
        if failure.tag == DAMAGED_REQUEST_TAG:
            # Answers come in order: the tester is past the request it was answering, and the next one was unreadable.
            tags = list(self._open)
            for tag in tags[: 2 if tags and self._open[tags[0]].began else 1]:
                self._finish(tag, None)
        elif self._open.pop(failure.tag, None) is not None:
            raise DeviceError(
                f"The tester refuses to send its records: {clean(failure.message, 200)}", clean(failure.code, 40)
            )

    def _take_record(self, request: _Request | None, data: RecordData) -> None:
        """Keep a record for its turn. `request` is None where the one that it answers was closed before."""
        sequence = data.sequence
        first, last = (request.first, request.last) if request else (self._next, self._unasked - 1)
        if not first <= sequence <= last:
            self._client.strays += 1
        elif sequence < self._next or sequence in self._early:
            self.duplicates += 1
        else:
            self._early[sequence] = data.item
            self._tries = 0
            self._stalls = 0

    def _close_before(self, tag: int) -> None:
        for earlier in list(self._open):
            if earlier == tag:
                return
            self._finish(earlier, None)

    def _finish(self, tag: int, following: int | None) -> None:
        """Close a request. `following` is the next number by its end frame, None where no end frame came."""
        request = self._open.pop(tag)
        self._client.give_up(tag)
        missing = [
            number
            for number in range(max(request.first, self._next), request.last + 1)
            if number not in self._early and number not in self.absent
        ]
        whole = following is not None and self._damage() == request.damaged_before
        if whole:
            self._count = min(self._count * 2, MOST_RECORDS_A_REQUEST)
            covered = following if following is not None and following > request.first else request.last + 1
            for number in missing:
                if number < covered:
                    self._left_out[number] = self._left_out.get(number, 0) + 1
                    if self._left_out[number] >= _SURELY_ABSENT:
                        self.absent.add(number)
            missing = [number for number in missing if number not in self.absent]
        else:
            self._count = max(self._count // 2, 1)
        if not missing:
            return
        self._tries += 1
        if self._tries > MOST_TRIES:
            raise DeviceError(
                f"Record {missing[0]} does not come through: the line is too disturbed. Use another cable or socket, "
                "then run the command again; it goes on from there.",
                "disturbed",
            )
        self.repeats += len(missing)
        self._again.extend(_runs(missing))
        # The record that is due next must be asked for first, or the early ones would pile up.
        self._again = deque(sorted(self._again))

    def _in_order(self) -> list[Pulled]:
        ready = []
        while self._next <= self._last:
            if self._next in self.absent:
                self._previous = None
            elif self._next in self._early:
                ready.append(self._check(self._next, self._early.pop(self._next)))
            else:
                break
            self._left_out.pop(self._next, None)
            self._next += 1
        return ready

    def _check(self, sequence: int, item: bytes) -> Pulled:
        digest = record.digest(item)
        follows = None
        if self._previous is not None:
            try:
                follows = fastcbor.decode(item)["prev"] == self._previous
            except ProbeError:
                follows = None
        self._previous = digest
        return Pulled(sequence, item, digest, follows)


def _runs(numbers: list[int]) -> list[tuple[int, int]]:
    """Return ascending numbers as pairs (first, last) of those that follow one another."""
    runs: list[tuple[int, int]] = []
    for number in numbers:
        if runs and runs[-1][1] == number - 1:
            runs[-1] = (runs[-1][0], number)
        else:
            runs.append((number, number))
    return runs
