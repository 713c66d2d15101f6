"""The commands `ticket ...`: correct what the records say about a job."""

from __future__ import annotations

import getpass

import click

from probeledger.cli._options import archive_option, json_option
from probeledger.cli._output import emit, say
from probeledger.text import clean

__all__ = ["command"]


@click.group()
def command() -> None:
    """Correct a job's records: wrong ticket, void, note.

    \b
    Example:
      probeledger ticket amend pl-3f9a1c 1042 --ticket T-17 --reason "typed wrong"
    """


@command.command()
@click.argument("tester", metavar="TESTER")
@click.argument("sequence", type=click.IntRange(min=1), metavar="RECORD")
@click.option("--ticket", metavar="NUMBER", help="The right ticket.")
@click.option("--no-ticket", is_flag=True, help="It belongs to no ticket.")
@click.option("--void", is_flag=True, help="The record does not count; needs --reason.")
@click.option("--note", metavar="TEXT", help="Add a note.")
@click.option("--reason", metavar="TEXT", help="Why.")
@click.option("--by", "author", metavar="NAME", help="Who says so.  [default: your login name]")
@click.option("--ledger", metavar="ID", help="Which ledger, where the tester has had several.")
@archive_option
@json_option
def amend(
    tester: str,
    sequence: int,
    ticket: str | None,
    no_ticket: bool,
    void: bool,
    note: str | None,
    reason: str | None,
    author: str | None,
    ledger: str | None,
    archive: str | None,
    as_json: bool,
) -> None:
    """Append a correction to one record.

    The record itself stays as it came from the tester, for ever; lists and day sheets show both. TESTER and RECORD are
    the tester's id and the record's number, as 'probeledger records' shows them. A correction cannot be taken back; a
    later one counts.

    \b
    Examples:
      probeledger ticket amend pl-3f9a1c 1042 --ticket T-17 --reason "typed wrong"
      probeledger ticket amend pl-3f9a1c 1043 --void --reason "clips were on the wrong part"
      probeledger ticket amend pl-3f9a1c 1044 --note "customer away, come again"
    """
    from probeledger.archive import open_archive

    asked = [ticket is not None, no_ticket, void, note is not None]
    if sum(asked) != 1:
        raise click.UsageError("Give one of --ticket, --no-ticket, --void and --note.")
    if void and not (reason or "").strip():
        raise click.UsageError("--void needs --reason: say why the record does not count.")
    if ticket is not None and not ticket.strip():
        raise click.UsageError("The ticket is empty. Give its number, or --no-ticket.")
    kind, value = ("void", None) if void else ("note", note) if note is not None else ("ticket", ticket)
    with open_archive(archive) as opened:
        made = opened.amend(
            tester, sequence, kind, ledger=ledger, value=value, reason=reason, author=author or _login()
        )
    if as_json:
        emit({"tester": tester, "sequence": sequence, **vars(made)})
        return
    said = {
        "ticket": f"belongs to ticket {clean(made.value, 60)}" if made.value else "belongs to no ticket",
        "void": "is void",
        "note": "has a note",
    }[made.kind]
    say(f"Record {sequence} of {clean(tester, 40)} now {said}. The record itself is unchanged.")


def _login() -> str:
    try:
        return getpass.getuser()
    except (KeyError, OSError):
        raise click.UsageError("Say who makes the correction: --by NAME.") from None
