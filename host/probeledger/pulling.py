"""Pull a tester's ledger into the archive: only what is missing, checked record by record, confirmed at the end.

The tester is told that its records are kept only after they are committed. Whatever stops a pull, what was checked by
then is stored, and the next pull goes on from there.
"""

import time
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, field

from probecore.record import GENESIS
from probeledger.archive import Added, Archive, PullEntry
from probeledger.archive.storing import Storing
from probeledger.errors import ConflictError, DeviceError
from probeledger.link.client import Hello
from probeledger.link.session import Session
from probeledger.text import clean, plural

__all__ = ["PullResult", "Report", "pull_ledger"]

# A batch is one transaction: as much as a segment file of a tester holds [1].
BATCH_BYTES = 16 * 1024

# Called with records done, records to fetch, and bytes of them so far [1].
Report = Callable[[int, int, int], None]


@dataclass
class PullResult:
    """What a pull did.

    Attributes:
        new_records, known_records: counts [1]; bytes: of the records that came over the line [1]; seconds: [s].
        verified: every check that could be made held: frames, numbers, the chain from record to record, its head.
        kinds: (kind, verdict) -> how many of the new records [1].
        gone: runs (first, last) of records that the archive lacks and the tester no longer has because they were
            confirmed to somebody else.
        lost: numbers of records that the tester should have and does not send.
        breaks: numbers of records that do not follow from the one before.
        confirmed: the tester knows that its records are kept; None where there was nothing to tell.
    """

    hello: Hello
    new_records: int = 0
    known_records: int = 0
    item_bytes: int = 0
    seconds: float = 0.0
    verified: bool = True
    kinds: Counter[tuple[str, str | None]] = field(default_factory=Counter)
    gone: list[tuple[int, int]] = field(default_factory=list)
    lost: list[int] = field(default_factory=list)
    breaks: list[int] = field(default_factory=list)
    confirmed: bool | None = None
    trouble: str | None = None


def pull_ledger(session: Session, archive: Archive, report: Report | None = None) -> PullResult:
    """Fetch what the archive lacks of a tester's ledger, store it, and tell the tester.

    Args:
        session: greeted.
        archive: open for writing.
        report: called as records arrive, or None.

    Raises:
        ConflictError: if the archive holds other records under the same numbers; nothing is stored then.
        DeviceError: if the tester has no ledger, refuses, goes silent or goes away; what had come is stored.
        ArchiveError: if the archive refuses; the tester is not told anything.
    """
    return _Pull(session, archive, report or _no_report).run()


def _no_report(done: int, total: int, item_bytes: int) -> None:
    pass


class _Pull:
    def __init__(self, session: Session, archive: Archive, report: Report) -> None:
        self._session = session
        self._archive = archive
        self._report = report
        self._result = PullResult(session.hello)
        self._new: list[int] = []
        self._started = time.time()
        self._clock = time.perf_counter()
        self._ledger = b""
        self._number = 0
        self._storing: Storing[Added]

    def run(self) -> PullResult:
        hello, archive = self._session.hello, self._archive
        if hello.ledger is None:
            raise DeviceError(
                f"Tester {clean(hello.tester)} keeps no ledger (its store is {clean(hello.store)!r}), so there is "
                "nothing to pull. Have its flash chip checked.",
                "no-ledger",
            )
        self._ledger = hello.ledger
        archive.note_tester(hello.raw, self._session.hello_time)
        # Kept from the start, and with each batch, so that one that is cut off by whatever cause shows, and the head
        # that the tester had.
        self._number = archive.add_pull(hello.tester, self._ledger, self._entry())
        try:
            with archive.storing(hello.tester, self._ledger, self._number) as self._storing:
                return self._compare_and_fetch()
        except ConflictError:
            archive.forget_pull(self._number)
            raise

    def _compare_and_fetch(self) -> PullResult:
        hello, archive, result = self._session.hello, self._archive, self._result
        if hello.last == 0:
            return self._end(finished=True)
        first = max(hello.first, 1)
        kept = archive.last_sequence(self._ledger)
        if kept > hello.last:
            raise ConflictError(
                f"The archive has {kept} records of this ledger, but tester {clean(hello.tester)} has only "
                f"{hello.last}: it was set back. Nothing was changed; keep the tester as it is until somebody has "
                "looked at it."
            )
        result.gone = archive.missing(self._ledger, 1, first - 1)
        runs = archive.missing(self._ledger, first, hello.last)
        self._total = sum(last - start + 1 for start, last in runs)
        result.known_records = hello.last - first + 1 - self._total
        if not runs and hello.head not in (GENESIS, archive.digest_at(self._ledger, hello.last)):
            raise self._conflict(hello.last)
        try:
            for start, last in runs:
                self._fetch(start, last)
        except DeviceError as error:
            self._end(finished=False)
            error.message += f" {self._stored_so_far()}"
            raise
        except KeyboardInterrupt:
            self._end(finished=False)
            raise
        self._end(finished=True)
        self._confirm()
        return result

    def _conflict(self, sequence: int) -> ConflictError:
        return ConflictError(
            f"Record {sequence} of tester {clean(self._session.hello.tester)} is not the one that the archive "
            f"{self._archive.name} keeps under this number. Nothing was changed and nothing more was stored; keep the "
            "tester as it is until somebody has looked at both."
        )

    def _fetch(self, first: int, last: int) -> None:
        """Fetch and store one run of missing records."""
        hello, result = self._session.hello, self._result
        before = GENESIS if first == 1 else self._archive.digest_at(self._ledger, first - 1)
        # The kept record before the run is fetched once more where the tester still has it: as the chain covers all
        # that came before, one comparison shows whether tester and archive still agree.
        overlap = first > max(hello.first, 1)
        batch: list[tuple[int, bytes]] = []
        batch_bytes = 0
        digest: bytes | None = None
        try:
            for arrived in self._session.pull(first - overlap, last, None if overlap else before):
                for pulled in arrived:
                    digest = pulled.digest
                    if pulled.sequence < first:
                        if digest != before:
                            raise self._conflict(pulled.sequence)
                        continue
                    if pulled.follows is False:
                        result.breaks.append(pulled.sequence)
                    batch.append((pulled.sequence, pulled.item))
                    batch_bytes += len(pulled.item)
                if batch_bytes >= BATCH_BYTES:
                    self._store(batch)
                    batch, batch_bytes = [], 0
        except (DeviceError, KeyboardInterrupt):
            self._store(batch)
            raise
        self._store(batch)
        absent = self._session.absent
        result.lost.extend(sorted(number for number in absent if number >= first))
        if last not in absent:
            follower = self._archive.previous_at(self._ledger, last + 1)
            if (last == hello.last and hello.head not in (GENESIS, digest)) or follower not in (None, digest):
                result.breaks.append(last + 1)

    def _store(self, batch: list[tuple[int, bytes]]) -> None:
        if not batch:
            return
        added = self._storing.add(batch)
        result = self._result
        result.new_records += added.new
        result.known_records += added.known
        result.item_bytes += sum(len(item) for _, item in batch)
        result.kinds.update(added.kinds)
        self._new.extend(sequence for sequence, _ in batch)
        self._report(len(self._new), self._total, result.item_bytes)

    def _entry(self) -> PullEntry:
        """Return what is kept of this pull as it begins."""
        hello = self._session.hello
        return PullEntry(
            started=int(self._started),
            seconds=0.0,
            from_sequence=None,
            to_sequence=None,
            new_records=0,
            known_records=0,
            item_bytes=0,
            last=hello.last,
            head=hello.head,
            verified=True,
            finished=False,
        )

    def _end(self, *, finished: bool) -> PullResult:
        """Work out times, and keep how this pull ended."""
        # From here on all that came is stored.
        self._storing.flush()
        result = self._result
        result.verified = not result.breaks and not result.lost
        self._archive.reconstruct_times(self._ledger)
        result.seconds = time.perf_counter() - self._clock
        self._archive.end_pull(
            self._number,
            seconds=result.seconds,
            verified=result.verified,
            known_records=result.known_records,
            finished=finished,
        )
        return result

    def _stored_so_far(self) -> str:
        number = self._result.new_records
        return f"{plural(number, 'new record')} {'was' if number == 1 else 'were'} stored before that."

    def _confirm(self) -> None:
        """Tell the tester, where its chain held, that everything is kept."""
        hello, result = self._session.hello, self._result
        if hello.confirmed >= hello.last:
            return
        digest = self._archive.digest_at(self._ledger, hello.last)
        if result.breaks or digest is None:
            result.confirmed = False
            return
        try:
            result.confirmed = self._session.confirm(hello.last, digest) >= hello.last
        except DeviceError as error:
            result.confirmed = False
            result.trouble = error.message
