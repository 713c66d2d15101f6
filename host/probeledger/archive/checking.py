"""Check one ledger of the archive: each record, its neighbours, its times, its pulls and amendments."""

from collections.abc import Callable, Iterator, Mapping, Sequence
from typing import Any

from sqlalchemy import select

from probecore import record as core_record
from probeledger.archive import rows, schema
from probeledger.archive.amendments import Amendment, digest_of
from probeledger.archive.asread import ROWS, Reader, same
from probeledger.archive.findings import Finding, LedgerState, Verified
from probeledger.archive.records import UNREADABLE, clock_setting, columns_of
from probeledger.archive.times import ClockPoint, Moment, utc_text, work_out
from probeledger.text import clean, plural

__all__ = ["LedgerCheck"]

_TIME_COLUMNS = ("time", "time_reconstructed", "time_earliest", "time_latest")
_COLUMNS = tuple(column.name for column in schema.records.c)
_PARSED = tuple(
    name for name in _COLUMNS if name not in ("ledger_id", "sequence", "item", "digest", "kind", *_TIME_COLUMNS)
)


class LedgerCheck:
    """The check of one ledger."""

    def __init__(
        self,
        reader: Reader,
        found: Verified,
        wanted: set[bytes],
        ledger: str,
        testers: Mapping[int, str],
        tell: Callable[[], object],
    ) -> None:
        """Take what to check.

        Args:
            reader: of the archive's tables; found: gets the findings and the ledger's state.
            wanted: heads noted elsewhere; those that are found are taken out.
            ledger: its id; testers: number in the archive -> tester's id.
            tell: called now and then.
        """
        self._reader = reader
        self._found = found
        self._wanted = wanted
        self._ledger = ledger
        self._testers = testers
        self._tell = tell
        self._state = LedgerState(ledger, tuple(sorted(clean(tester, 60) for tester in testers.values())))
        self._digests: dict[int, bytes] = {}
        self._missing: list[tuple[int, int]] = []
        self._moments: list[Moment] = []
        self._times: list[tuple[int, tuple[Any, ...]]] = []

    @property
    def _name(self) -> str:
        return " and ".join(self._state.testers)

    def run(self) -> None:
        """Check everything; findings go to what was handed in."""
        found, state = self._found, self._state
        found.ledgers.append(state)
        pulls = list(
            self._reader.table(
                schema.pulls, where=schema.pulls.c.ledger_id.in_(list(self._testers)), order=[schema.pulls.c.id]
            )
        )
        amended = self._amendments()
        self._records()
        self._check_times(settled=not pulls or pulls[-1]["finished"] != 0)
        self._check_pulls(pulls)
        self._check_amendments(amended)

    def _add(self, code: str, message: str, sequence: int | None = None) -> None:
        self._found.findings.append(Finding(code, message, self._name, self._ledger, sequence))

    # The records

    def _records(self) -> None:
        table = schema.records
        state = self._state
        before: dict[str, Any] | None = None
        query = select(*(table.c[name] for name in _COLUMNS)).where(table.c.ledger_id.in_(list(self._testers)))
        for row in self._reader.rows(query.order_by(table.c.sequence, table.c.ledger_id), _COLUMNS):
            self._found.records += 1
            state.records += 1
            if self._found.records % ROWS == 0:
                self._tell()
            looked = self._one(row)
            sequence = row["sequence"]
            if not isinstance(sequence, int):
                self._add("key", f"A record of {self._name} is kept under {clean(sequence, 40)!r}, which is no number.")
                continue
            state.first = sequence if state.first is None else state.first
            if before is not None and before["sequence"] == sequence:
                self._add("twice", f"There are two records {sequence} of ledger {self._ledger}.", sequence)
            elif before is not None and before["sequence"] + 1 < sequence:
                self._missing.append((before["sequence"] + 1, sequence - 1))
                before = None
            elif before is None and sequence > 1:
                self._missing.append((1, sequence - 1))
            self._follows(before, looked, first=sequence == 1)
            state.last, state.head = sequence, looked["true_digest"]
            before = looked
            self._digests[sequence] = looked["true_digest"]
            self._wanted.discard(looked["true_digest"])

    def _one(self, row: Mapping[str, Any]) -> dict[str, Any]:
        """Check one record by itself; return what its neighbours are compared with."""
        sequence = row["sequence"]
        item = row["item"] if isinstance(row["item"], bytes) else b""
        owner = self._testers.get(row["ledger_id"], "")
        true_digest = core_record.digest(item)
        looked = {"sequence": sequence, "true_digest": true_digest, "digest": row["digest"], "readable": False}
        if not isinstance(row["item"], bytes):
            self._add("altered", f"Record {sequence} of {self._name} was altered: it holds no bytes.", sequence)
        looked["digest_holds"] = row["digest"] == true_digest
        parsed = columns_of(item)
        if isinstance(sequence, int):
            self._keep_time(row, parsed, item)
        wrong = [name for name in _PARSED if not same(parsed[name], row[name])]
        if not same(parsed["kind"], row["kind"]):
            wrong.append("kind")
        if wrong:
            name = wrong[0]
            more = f" and {len(wrong) - 1} more" if len(wrong) > 1 else ""
            self._add(
                "parsed",
                f"Record {sequence} of {self._name}: what was read from it was altered; {name}{more} is "
                f"{clean(row[name], 40)!r}, its bytes say {clean(parsed[name], 40)!r}.",
                sequence,
            )
        if parsed["kind"] == UNREADABLE:
            return looked
        looked |= {"readable": True, "prev": parsed["prev"], "boot": parsed["boot"], "ms": parsed["ms"]}
        if (parsed["tester"], parsed["ledger"], parsed["sequence"]) != (owner, self._ledger, sequence):
            self._add(
                "key",
                f"The record kept as number {sequence} of {clean(owner, 60)} (ledger {clean(self._ledger, 40)}) says "
                f"that it is number {parsed['sequence']} of {clean(parsed['tester'], 60)} (ledger "
                f"{parsed['ledger']}): it was moved, swapped or put in.",
                sequence,
            )
        return looked

    def _keep_time(self, row: Mapping[str, Any], parsed: Mapping[str, Any], item: bytes) -> None:
        boot, sets = parsed["boot"], parsed["kind"] == "clock"
        self._moments.append(
            Moment(
                row["sequence"],
                None if boot is None else (row["ledger_id"], boot),
                parsed["ms"],
                parsed["time"],
                clock_setting(item) if sets else None,
                sets,
            )
        )
        self._times.append((row["sequence"], tuple(row[name] for name in _TIME_COLUMNS)))

    def _follows(self, before: Mapping[str, Any] | None, looked: Mapping[str, Any], *, first: bool) -> None:
        """Check a record against the one before it, and tell which of the two was altered."""
        sequence = looked["sequence"]
        expected = before["true_digest"] if before is not None else core_record.GENESIS if first else None
        follows = looked["readable"] and expected is not None and looked["prev"] == expected
        breaks = looked["readable"] and expected is not None and looked["prev"] != expected
        if before is not None:
            self._judge_digest(before, follows, breaks and looked["prev"] == before["digest"])
        if breaks:
            what = "the one before it" if before is not None else "the beginning of a ledger"
            self._add("order", f"Record {sequence} of {self._name} does not follow from {what}.", sequence)
        if not looked.get("digest_holds", True) and self._is_last(looked):
            self._judge_digest(looked, False, False)

    def _is_last(self, looked: Mapping[str, Any]) -> bool:
        """Tell whether no other record follows, which would judge this one."""
        table = schema.records.c
        query = select(table.sequence).where(
            table.ledger_id.in_(list(self._testers)), table.sequence == looked["sequence"] + 1
        )
        return next(self._reader.rows(query, ["sequence"]), None) is None

    def _judge_digest(self, looked: Mapping[str, Any], borne_out: bool, digest_borne_out: bool) -> None:
        if looked.get("digest_holds", True):
            return
        sequence = looked["sequence"]
        if borne_out:
            said = "the digest kept with it was altered; its bytes are those that the next record follows from"
        elif digest_borne_out:
            said = "its bytes were altered; the next record follows from what they were"
        else:
            said = "its bytes do not give the digest kept with them"
        self._add("altered", f"Record {sequence} of {self._name}: {said}.", sequence)

    # What goes across the records

    def _check_times(self, *, settled: bool) -> None:
        """Check times; settled: they were worked out after the newest record came, as the end of a pull does."""
        try:
            timings = work_out(self._moments, list(self._points()))
        except (TypeError, ValueError, ArithmeticError) as error:
            self._add("time", f"The times of {self._name} cannot be worked out ({clean(error, 120)}).")
            return
        told = {moment.sequence: moment.time for moment in self._moments}
        unsettled = 0
        for sequence, stands in self._times:
            timing = timings[sequence]
            right = (timing.time, int(timing.reconstructed), timing.earliest, timing.latest)
            if all(same(one, other) for one, other in zip(stands, right, strict=True)):
                continue
            # As it came, or what followed from fewer records.
            untouched = all(
                same(one, other) for one, other in zip(stands, (told[sequence], 0, None, None), strict=True)
            )
            recorded = told[sequence] is None or all(
                same(one, other) for one, other in zip(stands[:2], (told[sequence], 0), strict=True)
            )
            if untouched or (recorded and not settled):
                unsettled += 1
            else:
                self._add(
                    "time",
                    f"Record {sequence} of {self._name}: its time was altered, or what it was worked out from.",
                    sequence,
                )
        if unsettled:
            self._state.unknown.append(
                f"The times of {plural(unsettled, 'record')} of {self._name} were not worked out yet, because the last "
                "pull was cut off: whether they were altered cannot be known until the next one."
            )

    def _points(self) -> Iterator[ClockPoint]:
        table = schema.clock_points
        where = table.c.ledger_id.in_(list(self._testers))
        for row in self._reader.table(table, where=where, order=[table.c.time]):
            yield ClockPoint((row["ledger_id"], row["boot"]), row["ms"], row["time"], row["last"])

    def _check_pulls(self, pulls: Sequence[Mapping[str, Any]]) -> None:
        state = self._state
        arrived = 0
        for pull in pulls:
            tester = self._testers.get(pull["ledger_id"], "")
            if pull["digest"] is not None and not self._sealed(tester, pull):
                self._add("pull", f"What was kept of a pull of {self._name} (number {pull['id']}) was altered.")
                continue
            last, head = pull["last"], pull["head"]
            arrived = max(arrived, pull["to_sequence"] or 0, last if pull["finished"] and pull["verified"] else 0)
            if last in self._digests:
                if self._digests[last] == head:
                    state.kept_head = max(state.kept_head or 0, last)
                elif head != core_record.GENESIS:
                    self._add(
                        "head",
                        f"Record {last} of {self._name} is not the one that was the tester's last at the pull of "
                        f"{_day(pull['started'])}: it or records before it were rewritten.",
                        last,
                    )
        self._check_gaps(pulls, arrived)
        self._say_unknown(pulls, arrived)

    def _sealed(self, tester: str, pull: Mapping[str, Any]) -> bool:
        values = dict(pull)
        for flag in ("verified", "finished"):
            if values[flag] not in (0, 1, None):
                return False
            values[flag] = None if values[flag] is None else bool(values[flag])
        try:
            return bool(pull["digest"] == rows.seal_pull(tester, self._ledger, values))
        except (KeyError, TypeError, ValueError):
            return False

    def _check_gaps(self, pulls: Sequence[Mapping[str, Any]], arrived: int) -> None:
        last = self._state.last or 0
        gaps = [*self._missing, *([(last + 1, arrived)] if arrived > last else [])]
        for first, end in gaps:
            came = any(
                pull["from_sequence"] is not None
                and pull["from_sequence"] <= end
                and first <= (pull["to_sequence"] or 0)
                for pull in pulls
            )
            which = _numbers(first, end)
            if not came and first <= last:
                self._state.unknown.append(
                    f"{which.capitalize()} of {self._name} never came with a pull that was kept: what was there, and "
                    f"whether record {end + 1} follows from it, cannot be known here."
                )
            else:
                verb = "is" if first == end else "are"
                self._add("missing", f"{which.capitalize()} of {self._name} {verb} missing.", first)

    def _say_unknown(self, pulls: Sequence[Mapping[str, Any]], arrived: int) -> None:
        state = self._state
        if state.last is None:
            return
        if not pulls:
            state.unknown.append(
                f"No head of {self._name} was ever kept: whether records at its end were removed, or all of it was "
                "made anew, cannot be known."
            )
            return
        # An earlier version kept a pull only at its end, so that one which was killed left records without it.
        if state.last > arrived and all(pull["finished"] is not None for pull in pulls):
            which = _numbers(arrived + 1, state.last)
            self._add(
                "unpulled",
                f"{which.capitalize()} of {self._name} came with no pull that was kept: put in, or what was kept of "
                "the pull was removed.",
                arrived + 1,
            )
        covered = state.kept_head or 0
        if state.last > covered:
            which = _numbers(covered + 1, state.last)
            state.unknown.append(
                f"No kept head covers {which} of {self._name}: whether they were rewritten together cannot be known "
                "until the next pull."
            )

    # Amendments

    def _amendments(self) -> list[tuple[int, dict[str, Any]]]:
        table = schema.amendments
        found = self._reader.table(
            table,
            where=table.c.ledger_id.in_(list(self._testers)),
            order=[table.c.ledger_id, table.c.sequence, table.c.number],
        )
        return [(row["sequence"], row) for row in found]

    def _check_amendments(self, amended: Sequence[tuple[int, Mapping[str, Any]]]) -> None:
        before: tuple[Any, Any] = (None, None)
        number, previous = 0, None
        for sequence, row in amended:
            key = (row["ledger_id"], sequence)
            if key != before:
                before, number, previous = key, 0, None
            number += 1
            made = Amendment(row["number"], row["kind"], row["value"], row["reason"], row["author"], row["written"])
            try:
                right = row["number"] == number and row["digest"] == digest_of(
                    self._digests.get(sequence, b""), previous, made
                )
            except (TypeError, ValueError):
                right = False
            if not right:
                self._add(
                    "amendment",
                    f"Amendment {clean(row['number'], 20)} of record {sequence} of {self._name} was altered, or one "
                    "before it was removed.",
                    sequence if isinstance(sequence, int) else None,
                )
            previous = row["digest"]


def _numbers(first: int, last: int) -> str:
    return f"record {first}" if first == last else f"records {first} to {last}"


def _day(time: Any) -> str:
    try:
        return (utc_text(time) or "an unknown day")[:10]
    except (TypeError, ValueError, OverflowError, OSError):
        return "an unknown day"
