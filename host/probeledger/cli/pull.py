"""The command `pull`: a tester's ledger into the archive."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

from probeledger.cli._options import archive_option, json_option, port_argument
from probeledger.cli._output import emit, note, progress, say
from probeledger.text import clean, plural, span

if TYPE_CHECKING:
    from probeledger.pulling import PullResult

__all__ = ["command"]

_CLOCK_TOLERANCE_S = 60

# kind -> (one, many), in the order in which they are told.
_KINDS = {
    "probe": ("probe test", "probe tests"),
    "flex": ("flex test", "flex tests"),
    "bake": ("part of a bake log", "parts of bake logs"),
    "check": ("morning check", "morning checks"),
    "calibration": ("change of calibration", "changes of calibration"),
    "clock": ("setting of the clock", "settings of the clock"),
    "boot": ("switching-on", "switchings-on"),
    "fault": ("fault of the tester", "faults of the tester"),
    "unreadable": ("record that this version cannot read", "records that this version cannot read"),
}


@click.command()
@port_argument
@archive_option
@json_option
def command(port: str, archive: str | None, as_json: bool) -> None:
    """Copy a tester's records into the archive.

    Only what the archive lacks is fetched; each record is checked, and the tester is told that its records are kept
    once they are. Nothing else on the tester changes. Pulling twice does no harm, and a pull that was cut off goes on
    where it stopped.

    \b
    Examples:
      probeledger pull /dev/ttyACM0
      probeledger pull /dev/ttyACM0 --archive shop.sqlite
    """
    from probeledger.archive import open_archive
    from probeledger.errors import DeviceError
    from probeledger.link import open_session
    from probeledger.pulling import pull_ledger

    with open_session(port) as session, open_archive(archive, create=True) as kept:
        with progress(quiet=as_json, speed=True) as bar:
            task = bar.add_task("Pulling", total=None, bytes=0)

            def report(done: int, total: int, item_bytes: int) -> None:
                bar.update(task, completed=done, total=total, bytes=item_bytes)

            result = pull_ledger(session, kept, report)
        place = kept.name
    hello = result.hello
    if as_json:
        emit(
            {
                "tester": hello.tester,
                "new_records": result.new_records,
                "known_records": result.known_records,
                "bytes": result.item_bytes,
                "seconds": result.seconds,
                "verified": result.verified,
                "ledger": hello.ledger,
                "first": hello.first,
                "last": hello.last,
                "confirmed": result.confirmed is not False,
                "no_longer_on_tester": result.gone,
                "lost": result.lost,
                "chain_breaks": result.breaks,
                "archive": place,
            }
        )
    else:
        for line in _story(result, place):
            say(line)
    for line in _cautions(result, session.hello_time):
        note(line)
    if not result.verified:
        raise DeviceError(_failure(result), "not-verified")


def _story(result: PullResult, place: str) -> list[str]:
    hello = result.hello
    name = clean(hello.tester, 40)
    if hello.last == 0:
        return [f"{name}: no records yet."]
    known = f"{plural(result.known_records, 'record')} already in the archive"
    if not result.new_records:
        lines = [f"{name}: nothing new; {known}."]
    else:
        duration = f"{result.seconds:.1f} s" if result.seconds >= 0.1 else "less than 0.1 s"
        lines = [
            f"{name}: {plural(result.new_records, 'new record')}{', ' + known if result.known_records else ''}.",
            f"  {_listed(result)}.",
            f"  {result.item_bytes / 1000:.1f} kB in {duration}.",
        ]
    if result.verified:
        told = " The tester knows that they are kept." if result.confirmed else ""
        lines.append(f"Each record was checked; the chain holds up to record {hello.last}.{told}")
    lines.append(f"Archive: {place}")
    return lines


def _listed(result: PullResult) -> str:
    """Return the new records by kind, with the verdicts of the tests."""
    totals: dict[str, int] = {}
    verdicts: dict[str, int] = {}
    for (kind, verdict), number in result.kinds.items():
        totals[kind] = totals.get(kind, 0) + number
        if kind == "probe" and verdict:
            verdicts[verdict] = verdicts.get(verdict, 0) + number
    parts = []
    for kind in sorted(totals, key=lambda kind: (list(_KINDS).index(kind) if kind in _KINDS else len(_KINDS), kind)):
        one, many = _KINDS.get(kind, (f"{clean(kind, 20)} record", f"{clean(kind, 20)} records"))
        part = plural(totals[kind], one, many)
        if kind == "probe" and verdicts:
            part += f" ({', '.join(f'{verdicts[name]} {clean(name, 20)}' for name in sorted(verdicts))})"
        parts.append(part)
    return ", ".join(parts)


def _runs(runs: list[tuple[int, int]]) -> str:
    return ", ".join(f"{first}" if first == last else f"{first} to {last}" for first, last in runs)


def _cautions(result: PullResult, hello_time: int) -> list[str]:
    hello = result.hello
    lines = []
    if result.gone:
        lines.append(
            f"Note: records {_runs(result.gone)} are no longer on the tester and not in this archive; they were "
            "confirmed to another one."
        )
    if result.trouble:
        lines.append(
            f"Note: all records are stored, but the tester could not be told ({result.trouble.rstrip('.')}). It keeps "
            "them until the next pull."
        )
    if not hello.clock_set or hello.time is None:
        lines.append("Note: the tester's clock is not set. Times that could be worked out are marked as reconstructed.")
    elif abs(hello.time - hello_time) > _CLOCK_TOLERANCE_S:
        ahead_s = hello.time - hello_time
        lines.append(
            f"Note: the tester's clock is {span(abs(ahead_s))} {'ahead of' if ahead_s > 0 else 'behind'} this "
            "computer's."
        )
    if hello.raw.get("full"):
        lines.append("Note: the tester's ledger was full; what it measured since then was not saved.")
    notes = hello.raw.get("notes")
    if isinstance(notes, list):
        lines.extend(f"Note from the tester: {clean(text, 200)}" for text in notes[:10])
    if hello.store == "internal":
        lines.append(
            "Note: the tester keeps its records on the board itself, not on its flash chip. Have the chip checked."
        )
    return lines


def _failure(result: PullResult) -> str:
    """Return the sentence for a ledger that did not hold."""
    name = clean(result.hello.tester, 40)
    parts = []
    if result.breaks:
        at = result.breaks[0]
        holds = "end as the tester says it does" if at > result.hello.last else f"hold at record {at}"
        parts.append(f"The chain of {name} does not {holds}.")
    if result.lost:
        many = "" if len(result.lost) == 1 else f" and {len(result.lost) - 1} more"
        parts.append(f"Tester {name} does not send its record {result.lost[0]}{many}.")
    stored = "What came is stored" if result.confirmed else "What came is stored and was not confirmed"
    return f"{' '.join(parts)} {stored}; keep the tester as it is until somebody has looked at it."
