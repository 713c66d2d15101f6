"""The command `records`: search the archive."""

from __future__ import annotations

import datetime
from collections.abc import Iterable
from typing import TYPE_CHECKING, Any

import click

from probeledger.cli._options import archive_option, json_option, jsonl_option
from probeledger.cli._output import cell, console, emit, emit_line, note, table
from probeledger.text import clean

if TYPE_CHECKING:
    from rich.text import Text

    from probeledger.archive import Amendment, Record

__all__ = ["command", "record_json"]

# A table longer than this is no table; --limit 0 shows it all the same.
_TABLE_ROWS = 200

_KINDS = ("boot", "clock", "check", "probe", "flex", "bake", "calibration", "fault", "unreadable")
_PLACES = ("sensor", "control-end", "new-part", "after-fitting")
_VERDICTS = ("pass", "fail", "undecided")
_WHAT = {"boot": "switched on", "clock": "clock set", "check": "morning check", "flex": "flex test", "bake": "bake log"}
_STYLES = {"pass": "green", "fail": "red", "undecided": "yellow"}


class Day(click.ParamType):
    """A local calendar day: YYYY-MM-DD, "today" or "yesterday"."""

    name = "day"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> datetime.date:
        """Return the day."""
        if isinstance(value, datetime.date):
            return value
        text = str(value).strip().lower()
        today = datetime.date.today()
        if text == "today":
            return today
        if text == "yesterday":
            return today - datetime.timedelta(days=1)
        try:
            day = datetime.date.fromisoformat(text)
        except ValueError:
            self.fail(f"{clean(value, 40)!r} is no day. Write it as 2026-11-25, 'today' or 'yesterday'.", param, ctx)
        if not 1970 <= day.year <= 9998:
            self.fail(f"The year {day.year} is out of range.", param, ctx)
        return day


@click.command()
@click.option("--tester", metavar="ID", help="Only this tester's.")
@click.option("--ticket", metavar="NUMBER", help="Only this ticket's.")
@click.option("--job", type=int, metavar="NUMBER", help="Only this job's (the number that the tester draws).")
@click.option("--kind", type=click.Choice(_KINDS), help="Only this kind.")
@click.option("--verdict", type=click.Choice(_VERDICTS), help="Only this verdict.")
@click.option("--place", type=click.Choice(_PLACES), help="Only tests at this place.")
@click.option("--curve", metavar="NAME", help="Only tests of sensors with this curve.")
@click.option("--day", type=Day(), metavar="DAY", help="Only this day: 2026-11-25, today or yesterday.")
@click.option("--since", type=Day(), metavar="DAY", help="From this day on.")
@click.option("--until", type=Day(), metavar="DAY", help="Up to this day, included.")
@click.option("--undated", is_flag=True, help="Only records whose time is not known.")
@click.option("--text", metavar="WORDS", help="Only records with this text in them.")
@click.option("--limit", type=click.IntRange(min=0), metavar="N", help="The newest N only; 0 for all.")
@click.option("--by-month", is_flag=True, help="Count the tests of one curve month by month; needs --curve.")
@archive_option
@json_option
@jsonl_option
def command(
    tester: str | None,
    ticket: str | None,
    job: int | None,
    kind: str | None,
    verdict: str | None,
    place: str | None,
    curve: str | None,
    day: datetime.date | None,
    since: datetime.date | None,
    until: datetime.date | None,
    undated: bool,
    text: str | None,
    limit: int | None,
    by_month: bool,
    archive: str | None,
    as_json: bool,
    as_jsonl: bool,
) -> None:
    """Search the records in the archive.

    Days are this computer's local days. A record whose time is not known is shown only where no day is given, with the
    times that it lies between. The table shows the newest 200; --json and --jsonl give all. A record that was amended
    is found by its own ticket and by the right one, and shows both.

    \b
    Examples:
      probeledger records --day today
      probeledger records --verdict fail --since 2026-11-01
      probeledger records --ticket 1042 --json
      probeledger records --curve pt1000-3750 --by-month
    """
    from probeledger.archive import Search, day_bounds, open_archive

    if as_json and as_jsonl:
        raise click.UsageError("Give --json or --jsonl, not both.")
    if day is not None and (since is not None or until is not None):
        raise click.UsageError("Give --day, or --since and --until, not both.")
    if by_month:
        others = (tester, ticket, job, kind, verdict, place, day, since, until, text, limit)
        if curve is None or undated or any(other is not None for other in others):
            raise click.UsageError("--by-month goes with --curve and nothing else that narrows.")
    if undated and (day is not None or since is not None or until is not None):
        raise click.UsageError("A record without a time is of no day: give --undated or a day, not both.")
    first, last = (day, day) if day is not None else (since, until)
    if first is not None and last is not None and last < first:
        raise click.UsageError(f"--until ({last}) is before --since ({first}).")
    machine = as_json or as_jsonl
    most = (None if machine else _TABLE_ROWS) if limit is None else (limit or None)
    search = Search(
        tester=tester,
        ticket=ticket,
        job=job,
        kind=kind,
        verdict=verdict,
        place=place,
        curve=curve,
        undated=undated,
        since=None if first is None else day_bounds(first)[0],
        until=None if last is None else day_bounds(last)[1],
        text=text,
        limit=most,
    )
    if by_month:
        from probeledger.cli._months import show_months

        assert curve is not None
        with open_archive(archive) as kept:
            show_months(kept, curve, as_json=as_json, as_jsonl=as_jsonl)
        return
    with open_archive(archive) as kept:
        found = kept.search(search)
        total = kept.count(search) if not machine and len(found) == most else len(found)
    if as_json:
        emit([record_json(record) for record in found])
    elif as_jsonl:
        for record in found:
            emit_line(record_json(record))
    elif not found:
        note("No record fits.")
    else:
        _show(found)
        if total > len(found):
            note(f"The newest {len(found)} of {total}; --limit 0 shows all.")


def record_json(record: Record) -> dict[str, Any]:
    """Return a record as `--json` gives it: its own columns, then the body as the tester wrote it."""
    from probeledger.archive import utc_text

    return {
        "tester": record.tester,
        "ledger": record.ledger,
        "sequence": record.sequence,
        "kind": record.kind,
        "time": utc_text(record.time),
        "time_reconstructed": record.time_reconstructed,
        "time_earliest": utc_text(record.time_earliest),
        "time_latest": utc_text(record.time_latest),
        "verdict": record.verdict,
        "ticket": record.ticket,
        "ticket_now": record.ticket_now,
        "void": record.voided,
        "amendments": [{**vars(amendment), "written": utc_text(amendment.written)} for amendment in record.amendments],
        "job": record.job,
        "place": record.place,
        "mode": record.mode,
        "curve": record.curve,
        "ohms": record.ohms,
        "celsius": record.celsius,
        "findings": record.body.get("findings"),
        "boot": record.boot,
        "ms": record.ms,
        "firmware": record.firmware,
        "calibration": record.calibration,
        "prev": record.prev,
        "digest": record.digest,
        "body": record.body,
    }


def _show(found: list[Record]) -> None:
    several = len({record.tester for record in found}) > 1
    tickets = any(record.ticket or record.ticket_now for record in found)
    times = {time for record in found for time in (record.time, record.time_earliest, record.time_latest)}
    years = {_local(time).year for time in times if time is not None}
    form = "%d %b %H:%M" if years == {datetime.date.today().year} else "%Y-%m-%d %H:%M"
    rows = []
    for record in found:
        row: list[object] = [_when(record, form)]
        if several:
            row.append(cell(record.tester, limit=12))
        row += [record.sequence, cell(_what(record), limit=14)]
        if tickets:
            row.append(_ticket(record))
        row += [_reading(record), _verdict(record)]
        rows.append(row)
    columns: list[str | tuple[str, str]] = ["Time"]
    if several:
        columns.append("Tester")
    columns += [("No.", "right"), "What"]
    if tickets:
        columns.append("Ticket")
    columns += [("Reading", "right"), "Verdict"]
    console().print(table(columns, rows, fold={"Verdict"}))
    if not several:
        note(f"All from tester {clean(found[0].tester, 40)}.")
    if any(record.time_reconstructed for record in found):
        note("~ The tester's clock was not set; the time was reconstructed.")
    if any(record.time_in_doubt for record in found):
        note("? The tester's clock was found wrong later; --json gives the times that this one lies between.")
    for record in found:
        for amendment in record.amendments:
            note(_amended(record, amendment))


def _when(record: Record, form: str) -> Text:
    """Return the time; of one that is not known the start it belongs to, and what it lies between."""
    moment = record.moment()
    if moment is not None:
        marks = f"{'~' if record.time_reconstructed else ''}{'?' if record.time_in_doubt else ''}"
        return cell(f"{moment:{form}}{marks}")
    shown = cell(f"start {record.boot}" if record.boot is not None else "unknown")
    for word, bound in (("after", record.time_earliest), ("before", record.time_latest)):
        if bound is not None:
            shown.append(f"\n{word} {_local(bound):{form}}", style="dim")
    return shown


def _local(time: int) -> datetime.datetime:
    return datetime.datetime.fromtimestamp(time, datetime.UTC).astimezone()


def _ticket(record: Record) -> Text:
    """Return the record's ticket, and the right one below it where it was amended."""
    shown = cell(record.ticket, limit=12)
    if record.ticket_now != record.ticket:
        shown.append(f"\nnow {clean(record.ticket_now, 12) or 'none'}", style="bold")
    return shown


def _amended(record: Record, amendment: Amendment) -> str:
    said = {
        "ticket": f"ticket {clean(amendment.value, 60)}" if amendment.value else "no ticket",
        "void": "void",
        "note": f"note: {clean(amendment.value, 200)}",
    }.get(amendment.kind, clean(amendment.kind, 20))
    reason = f" ({clean(amendment.reason, 200)})" if amendment.reason else ""
    return (
        f"Record {record.sequence} of {clean(record.tester, 40)}: {said}{reason}; by {clean(amendment.author, 40)}, "
        f"{_local(amendment.written):%Y-%m-%d}."
    )


def _what(record: Record) -> str:
    if record.kind == "probe" and record.place:
        return record.place.replace("-", " ")
    return _WHAT.get(record.kind, record.kind)


def _reading(record: Record) -> str:
    from probeledger.rounding import fixed, significant

    if record.ohms is None:
        return ""
    if record.ohms < 10_000:
        return f"{fixed(record.ohms, 2)} Ω"
    return f"{significant(record.ohms / 1000, 4)} kΩ"


def _verdict(record: Record) -> Text:
    """Return the verdict, coloured, and the findings behind it; of other kinds, what happened."""
    if record.kind in ("curve", "limits"):
        said = [record.body.get(key) for key in ("act", "name", "id")]
        return cell(" ".join(each for each in said if isinstance(each, str)), limit=60)
    if record.kind == "fault":
        return cell(record.body.get("text"), limit=60)
    shown = cell(record.verdict, style=_STYLES.get(record.verdict or "", ""), limit=10)
    if record.voided:
        shown = cell("void, was ", style="bold").append(" ").append(shown)
    codes: Iterable[object] = record.body.get("findings") or []
    if isinstance(codes, list) and codes:
        shown.append(f": {clean(', '.join(str(code).replace('-', ' ') for code in codes), 60)}", style="default")
    return shown
