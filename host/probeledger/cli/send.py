"""The command `send`: curves and limits to a tester, each taken there by a key press; tickets and the mark without."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from probeledger.cli._options import json_option, port_argument
from probeledger.cli._output import console, emit, note, table
from probeledger.errors import InputError
from probeledger.text import clean, plural

if TYPE_CHECKING:
    from probeledger.link import Session
    from probeledger.sending.definition import Definition
    from probeledger.sending.inventory import Inventory
    from probeledger.sending.offering import Outcome
    from probeledger.sending.tickets import Held, Ticket

__all__ = ["command"]

_FILE = click.Path(dir_okay=False)


@click.command("send")
@port_argument
@click.option("--curve", "curve_file", type=_FILE, metavar="FILE", help="Send the curve of a TOML file.")
@click.option("--limits", "limits_file", type=_FILE, metavar="FILE", help="Send the limits of a TOML file.")
@click.option("--use", is_flag=True, help="Work with what is sent from now on.")
@click.option("--use-curve", metavar="NAME", help="Work with a curve that the tester has.")
@click.option("--use-limits", metavar="NAME", help="Work with limits that the tester has.")
@click.option("--drop-curve", metavar="NAME", help="Forget a curve that was sent.")
@click.option("--drop-limits", metavar="NAME", help="Forget limits that were sent.")
@click.option("--tickets", "tickets_file", type=_FILE, metavar="FILE", help="Send the tickets of a CSV file; no key.")
@click.option("--mark", metavar="TEXT", help="Send the technician's mark; '' forgets it.")
@click.option("--list", "listed", is_flag=True, help="Show what the tester has and works with.")
@json_option
def command(
    port: str,
    curve_file: str | None,
    limits_file: str | None,
    use: bool,
    use_curve: str | None,
    use_limits: str | None,
    drop_curve: str | None,
    drop_limits: str | None,
    tickets_file: str | None,
    mark: str | None,
    listed: bool,
    as_json: bool,
) -> None:
    """Send tickets, curves and limits to a tester.

    A curve or limits are one question on the tester's display: its middle key takes it, BACK refuses it, and without a
    key nothing changes. What was taken is read back and compared, and is a record in the tester's ledger, so that its
    tests can be judged again. A curve of the same name takes the place of the former. A tester keeps four curves and
    three limits beside the built-in ones.

    The day's tickets take the place of those before, at most 24, and want no key. The file is CSV with the column
    ticket and any of appliance, model, serial, cavity, message, present_offset_celsius; the tester keeps the number and
    appliance with cavity, at most 20 characters. The mark says in each test's record who made it.

    \b
    Examples:
      probeledger send /dev/ttyACM0 --tickets today.csv --mark KM
      probeledger send /dev/ttyACM0 --curve drawer.toml --use
      probeledger send /dev/ttyACM0 --limits shop.toml
      probeledger send /dev/ttyACM0 --use-curve pt1000-3850 --use-limits domestic-1000
      probeledger send /dev/ttyACM0 --list
    """
    if use and not (curve_file or limits_file):
        raise InputError("--use goes with --curve or --limits; --use-curve NAME chooses what the tester has already.")
    made = _definitions(curve_file, limits_file)
    tickets, mark = _tickets(tickets_file, mark)
    named = [
        ("use", "curve", use_curve),
        ("use", "limits", use_limits),
        ("drop", "curve", drop_curve),
        ("drop", "limits", drop_limits),
    ]
    asked = tickets is not None or mark is not None or listed or any(name for _, _, name in named)
    if not made and not asked:
        raise InputError(
            "Say what to send: --tickets FILE, --curve FILE or --limits FILE; --list shows what the tester has."
        )
    from probeledger.cli import FailureReport
    from probeledger.link import open_session
    from probeledger.sending.inventory import inventory
    from probeledger.sending.tickets import held

    with open_session(port) as session:
        work = _Work(session, as_json)
        work.check(made, named)
        work.carry(tickets, mark)
        failure = None
        for each in made:
            failure = failure or work.send(each, use)
        for act, kind, name in named:
            if name is not None:
                failure = failure or work.change(act, kind, name)
        after = inventory(session) if listed or as_json else None
        carried = held(session) if listed or as_json else None
        tester = session.hello.tester
    if after is not None and carried is not None:
        if as_json:
            emit({"tester": tester, "done": work.done, **_document(after, carried)})
        else:
            _show(tester, after, carried)
    if failure:
        raise FailureReport(failure)


def _definitions(curve_file: str | None, limits_file: str | None) -> list[Definition]:
    """Return what the files hold, checked before any tester is asked. Raises InputError."""
    made = []
    if curve_file is not None:
        from probeledger.sending.definition import of_curve
        from probeledger.sensors import description

        made.append(of_curve(description.load(Path(curve_file))))
    if limits_file is not None:
        from probeledger.judging import profiles
        from probeledger.sending.definition import of_limits

        made.append(of_limits(profiles.load(limits_file)))
    return made


def _tickets(tickets_file: str | None, mark: str | None) -> tuple[list[Ticket] | None, str | None]:
    """Return tickets and mark, checked before any tester is asked. Raises InputError."""
    if tickets_file is None and mark is None:
        return None, None
    from probeledger.sending import tickets

    found = None if tickets_file is None else tickets.load(Path(tickets_file))
    return found, None if mark is None else tickets.mark_of(mark)


class _Work:
    """One tester, and what is done with it; each act returns the sentence of its failure, or None."""

    def __init__(self, session: Session, as_json: bool) -> None:
        from probeledger.sending.inventory import inventory

        self._session = session
        self._as_json = as_json
        self._who = f"Tester {clean(session.hello.tester, 40)}"
        self._held: Inventory = inventory(session)
        self.done: list[dict[str, Any]] = []

    def check(self, made: list[Definition], named: list[tuple[str, str, str | None]]) -> None:
        """Raise InputError for a name that is not there, before anything is done."""
        coming = [(each.kind, each.name) for each in made]
        for act, kind, name in named:
            if name is None or (act == "use" and (kind, name) in coming):
                continue
            wanted = self._held.named(kind, name)
            if act == "drop" and wanted.id is None:
                raise InputError(f"{clean(name, 40)} is built in and cannot be dropped. Nothing was changed.")

    def carry(self, tickets: list[Ticket] | None, mark: str | None) -> None:
        """Send tickets and mark, which want no key."""
        if tickets is None and mark is None:
            return
        from probeledger.sending import tickets as sending

        if tickets is not None:
            count = len(sending.send(self._session, tickets).tickets)
            self._carried("tickets", str(count))
            self._say(f"{self._who} has {plural(count, 'ticket')} now, read back and verified; those before are gone.")
        if mark is not None:
            sending.send_mark(self._session, mark)
            self._carried("mark", mark)
            self._say(f"{self._who} has {f'the mark {mark}' if mark else 'no mark'} now, read back and verified.")

    def _carried(self, kind: str, name: str) -> None:
        done = {"act": "send", "kind": kind, "name": name, "id": None, "state": "taken", "record": None}
        self.done.append(done | {"verified": True})

    def send(self, made: Definition, use: bool) -> str | None:
        """Send a definition, unless the tester has just that."""
        from probeledger.sending import inventory

        same = [each for each in self._held.sent(made.kind) if each.id == made.id]
        if same:
            self._say(f"{self._who} has the {made.kind} {clean(made.name, 40)} ({made.id}) already.")
            if use:
                return self.change("use", made.kind, made.name)
            self._note("send", made.kind, made.name, made.id, None)
            return None
        former = [each for each in self._held.sent(made.kind) if each.name == made.name]
        full = len(self._held.sent(made.kind)) >= self._held.places[made.kind]
        if full and not former:
            names = ", ".join(clean(each.name, 40) for each in self._held.sent(made.kind))
            return (
                f"{self._who} keeps {self._held.places[made.kind]} {_many(made.kind)} already: {names}. Drop one with "
                f"--drop-{made.kind} NAME, then send again. Nothing was changed."
            )
        if not self._as_json:
            _show_definition(made)
        outcome = self._ask(lambda elsewhere: inventory.send(self._session, made, use, elsewhere))
        used = use or any(each.in_use for each in former)
        self._note("send", made.kind, made.name, made.id, outcome)
        if outcome.state != "taken":
            return self._failure(f"the {made.kind}", outcome)
        then = (
            "Its tests work with it now."
            if used
            else f"Its tests do not work with it yet: --use-{made.kind} does that."
        )
        self._say(
            f"{self._who} has the {made.kind} {clean(made.name, 40)} ({made.id}) now, read back and verified; "
            f"record {outcome.record} in its ledger. {then}"
        )
        return None

    def change(self, act: str, kind: str, name: str) -> str | None:
        """Choose or drop what the tester has."""
        from probeledger.sending import inventory

        wanted = self._held.named(kind, name)
        shown = f"the {kind} {clean(name, 40)}"
        if act == "use" and wanted.in_use and not self._held.lost:
            self._say(f"{self._who} works with {shown} already.")
            self._note(act, kind, name, wanted.id, None)
            return None
        if act == "drop" and wanted.in_use:
            return f"{clean(name, 40)} is in use and was not dropped; choose another first with --use-{kind}."
        ask = inventory.choose if act == "use" else inventory.drop
        outcome = self._ask(lambda elsewhere: ask(self._session, wanted, elsewhere))
        self._note(act, kind, name, wanted.id, outcome)
        if outcome.state != "taken":
            return self._failure(f"the choice of {shown}" if act == "use" else f"dropping {shown}", outcome)
        what = "works with" if act == "use" else "has dropped"
        self._say(f"{self._who} {what} {shown} now; record {outcome.record} in its ledger.")
        return None

    def _ask(self, asking: Callable[[Callable[[], None]], Outcome]) -> Outcome:
        from probeledger.sending.inventory import inventory

        def elsewhere() -> None:
            if not self._as_json:
                note("The tester shows another page; press BACK on it until its home page is there.")

        if not self._as_json:
            note("Look at the tester: its middle key takes it, BACK refuses it.")
        outcome = asking(elsewhere)
        if outcome.state == "taken":
            self._held = inventory(self._session)
        return outcome

    def _note(self, act: str, kind: str, name: str, wanted: str | None, outcome: Outcome | None) -> None:
        self.done.append(
            {
                "act": act,
                "kind": kind,
                "name": name,
                "id": wanted,
                "state": "already" if outcome is None else outcome.state,
                "record": None if outcome is None else outcome.record,
                "verified": outcome is None or outcome.state == "taken",
            }
        )

    def _failure(self, what: str, outcome: Outcome) -> str:
        why = {
            "refused": f"{what} was refused at the tester",
            "expired": "no key was pressed on the tester in time",
            "failed": f"the tester could not do it ({outcome.message or 'it gives no reason'})",
        }[outcome.state]
        return f"Nothing was changed: {why}."

    def _say(self, sentence: str) -> None:
        if not self._as_json:
            click.echo(sentence)


def _many(kind: str) -> str:
    return "curves" if kind == "curve" else "limits"


def _show_definition(made: Definition) -> None:
    """Say what is about to be sent."""
    size = f"{len(made.data)} bytes, id {made.id}"
    if made.worst_celsius is None:
        click.echo(f"Limits {clean(made.name, 40)}: {size}.")
        return
    knots = f" in {made.knots} knots" if made.knots else ""
    click.echo(
        f"Curve {clean(made.name, 40)}{knots}: {size}; on the tester within {1000 * made.worst_celsius:.1f} mK "
        "of the file."
    )


def _document(after: Inventory, carried: Held) -> dict[str, Any]:
    return {
        kind: [{"name": each.name, "id": each.id, "in_use": each.in_use} for each in after.of(kind)]
        for kind in ("curve", "limits")
    } | {
        "tickets": [{"ticket": number, "label": label} for number, label in carried.tickets],
        "mark": carried.mark,
        "damaged_slots": after.damaged_slots + carried.damaged_slots,
        "lost": after.lost,
    }


def _show(tester: str, after: Inventory, carried: Held) -> None:
    rows = [
        (each.kind, each.name, each.id or "built in", "in use" if each.in_use else "")
        for kind in ("curve", "limits")
        for each in after.of(kind)
    ]
    console().print(table(["Kind", "Name", "Id", ""], rows, title=f"On tester {clean(tester, 40)}"))
    if carried.tickets:
        console().print(table(["Ticket", "Label"], carried.tickets))
    click.echo(f"Technician's mark: {clean(carried.mark, 40)}." if carried.mark else "It has no technician's mark.")
    damaged = after.damaged_slots + carried.damaged_slots
    if damaged:
        note(f"* {damaged} of its slots cannot be read.")
    if after.lost:
        note(f"* {after.lost}")
