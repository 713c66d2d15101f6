"""The command `verify`: check the archive's chains."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import click

from probeledger.cli._options import archive_option, json_option
from probeledger.cli._output import emit, note, progress, say
from probeledger.text import clean, plural

if TYPE_CHECKING:
    from probeledger.archive import LedgerState, Verified

__all__ = ["HEAD", "command"]

_MOST_FINDINGS = 40
_FOUND = 1


class _Head(click.ParamType):
    """A record's SHA-256 in hexadecimal."""

    name = "head"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Any:
        """Return the bytes."""
        if isinstance(value, bytes):
            return value
        try:
            head = bytes.fromhex(str(value).strip())
        except ValueError:
            head = b""
        if len(head) != 32:
            self.fail(f"{clean(value, 70)!r} is no head; it has 64 hexadecimal digits.", param, ctx)
        return head


HEAD = _Head()


@click.command()
@click.option("--head", "heads", type=HEAD, multiple=True, metavar="HEX", help="A head that was noted; repeatable.")
@archive_option
@json_option
def command(heads: tuple[bytes, ...], archive: str | None, as_json: bool) -> None:
    """Check that no record in the archive is missing or altered.

    Every record is read and compared with its digest, its neighbours in the chain, what was parsed from it, and the
    head that its tester had at each pull. What is wrong is said in plain words, and the command ends with 1; what
    cannot be known is said too. The last head of each ledger is shown: one that you note on paper shows later, with
    --head, whether the archive as a whole was made anew.

    \b
    Examples:
      probeledger verify
      probeledger verify --archive shop.sqlite --json
    """
    from probeledger.archive import open_archive

    with open_archive(archive) as opened:
        with progress(quiet=as_json) as bar:
            task = bar.add_task("Checking", total=None)
            found = opened.verify(heads, lambda done, total: bar.update(task, completed=done, total=total))
        place = opened.name
    if as_json:
        emit(document(found, place))
    else:
        _show(found, place)
    if not found.holds:
        click.get_current_context().exit(_FOUND)


def document(found: Verified, place: str) -> dict[str, Any]:
    """Return what was found as `--json` gives it."""
    return {
        "archive": place,
        "holds": found.holds,
        "records": found.records,
        "findings": [vars(finding) for finding in found.findings],
        "ledgers": [vars(ledger) for ledger in found.ledgers],
    }


def _show(found: Verified, place: str) -> None:
    for finding in found.findings[:_MOST_FINDINGS]:
        say(f"* {clean(finding.message, 400)}")
    if len(found.findings) > _MOST_FINDINGS:
        say(f"* ... and {len(found.findings) - _MOST_FINDINGS} more; --json lists all.")
    for ledger in found.ledgers:
        say(_state(ledger))
        for line in ledger.unknown:
            say(f"  {clean(line, 400)}")
    said = f"{plural(found.records, 'record')} of {plural(len(found.ledgers), 'ledger')} checked"
    if found.holds:
        say(f"{said}: nothing is missing, altered or out of order, as far as can be known.")
    else:
        say(f"{said}: {plural(len(found.findings), 'finding')}.")
        note("Put a copy of the archive aside as it is before anything else, and keep the testers as they are.")
    say(f"Archive: {clean(place)}")


def _state(ledger: LedgerState) -> str:
    name = " and ".join(ledger.testers) or "no tester"
    if ledger.last is None or ledger.head is None:
        return f"{name}, ledger {clean(ledger.ledger, 40)}: no records."
    numbers = f"record {ledger.first}" if ledger.records == 1 else f"records {ledger.first} to {ledger.last}"
    return f"{name}, ledger {clean(ledger.ledger, 40)}: {numbers}. Head: {ledger.head.hex()}"
