"""The commands `calibrate apply` and `calibrate show`: what a tester works with, and giving it something new."""

from __future__ import annotations

import datetime
import json
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from probeledger.cli._options import json_option, port_argument
from probeledger.cli._output import console, emit, note, table
from probeledger.errors import InputError
from probeledger.text import clean

if TYPE_CHECKING:
    from probeledger.calibrating.coefficients import FitNumbers
    from probeledger.calibrating.runfile import Run

__all__ = ["apply", "show"]

_MOST_MONTHS = 60
_NUMBERS = (
    ("offset_ohms", "u_offset_ohms", "offset", "Ω", "+.5f"),
    ("gain", "u_gain", "gain", "", ".7f"),
    ("quadratic_per_ohm", "u_quadratic_per_ohm", "quadratic", "1/Ω", "+.2e"),
    ("high_gain", "u_high_gain", "high range: gain", "", ".6f"),
    ("high_offset_siemens", "u_high_offset_siemens", "high range: offset", "S", "+.2e"),
)


@click.command("apply")
@port_argument
@click.argument("files", metavar="RUN.json|FIT.json...", nargs=-1, required=True)
@click.option(
    "--due-months",
    type=click.IntRange(min=1, max=_MOST_MONTHS),
    default=12,
    show_default=True,
    metavar="N",
    help="Months until the next calibration.",
)
@click.option("--by", default="", metavar="WHO", help="Who does it, for the record.")
@click.option("--yes", is_flag=True, help="Do not ask here; the key on the tester is asked for all the same.")
@json_option
def apply(port: str, files: tuple[str, ...], due_months: int, by: str, yes: bool, as_json: bool) -> None:
    """Give a tester new coefficients, with a key press on it.

    Takes the file of a finished run, or a fit of each range as 'calibrate fit --json' writes it; a range that is not in
    it goes back to nominal values. Shows what changes and the errors as found, sends the numbers, and waits until
    somebody presses OK on the tester. The set before is kept there, and the change becomes a record in its ledger.

    \b
    Examples:
      probeledger calibrate apply /dev/ttyACM0 found.json
      probeledger calibrate apply /dev/ttyACM0 low.json high.json --by "the maker"
    """
    from probecore import calibration as core
    from probeledger.calibrating import applying
    from probeledger.calibrating.coefficients import calibration_set, change_lines
    from probeledger.cli import FailureReport
    from probeledger.link import open_session

    offered = _Offered(files)
    with open_session(port) as session:
        before = applying.in_force(session)["in_force"]
        used = core.from_map(before)
        offered.check(session.hello.tester, before)
        now = datetime.datetime.now(datetime.UTC)
        due = _months_later(now, due_months)
        made = calibration_set(offered.fits, before.get("id"), now, due, offered.tester_celsius)
        errors = offered.errors(used)
        made["report"] = {
            "as_found": offered.summary(used),
            "by": clean(by, 60) or offered.by or None,
            "source": clean(", ".join(Path(name).name for name in files), 80),
        }
        changes = change_lines(before, made)
        if not as_json:
            _show_change(before, made, errors, offered)
        if not yes:
            _confirm(as_json)

        def elsewhere() -> None:
            if not as_json:
                note("The tester shows another page; press BACK on it until its home page is there.")

        if not as_json:
            note("Look at the tester: its middle key takes the calibration, BACK refuses it.")
        applied = applying.send(session, made, elsewhere)
    taken = applied.state == "taken"
    sentence = _sentence(session.hello.tester, made, before, applied)
    if as_json:
        emit(
            {
                "tester": session.hello.tester,
                "state": applied.state,
                "calibration": made["id"],
                "before": before.get("id"),
                "record": applied.record,
                "changes": changes,
                "set": {name: value for name, value in made.items() if name != "report"},
                "as_found": errors,
                "verified": taken,
            }
        )
    if not taken:
        raise FailureReport(sentence)
    if not as_json:
        click.echo(sentence)


def _sentence(tester: str, made: dict[str, Any], before: dict[str, Any], applied: Any) -> str:
    who = f"Tester {clean(tester, 40)}"
    old = clean(before.get("id") or "no calibration", 40)
    if applied.state == "taken":
        where = f"record {applied.record} in its ledger" if applied.record else "its record follows at the next start"
        return (
            f"{who} works with calibration {made['id']} now, read back and verified; {where}. The set before is kept."
        )
    why = {
        "refused": "the calibration was refused at the tester",
        "expired": "no key was pressed on the tester in time",
        "failed": f"the tester could not take it ({applied.message or 'it gives no reason'})",
    }[applied.state]
    return f"Nothing was changed: {why}. {who} works on with {old}."


class _Offered:
    """What the files offer."""

    def __init__(self, files: tuple[str, ...]) -> None:
        """Read the files. Raises InputError in one sentence."""
        from probeledger.calibrating.coefficients import fit_numbers
        from probeledger.calibrating.runfile import KIND, run_of
        from probeledger.cli.calibrate import read_text

        self.run: Run | None = None
        self.fits: list[FitNumbers] = []
        self.notes: list[str] = []
        self._documents: list[dict[str, Any]] = []
        for path in files:
            shown = clean(path, 120)
            try:
                document = json.loads(read_text(path, "run or fit", shown))
            except (ValueError, RecursionError) as error:
                raise InputError(f"{shown} is not valid JSON: {clean(error, 100)}.") from None
            if isinstance(document, dict) and document.get("kind") == KIND:
                if len(files) > 1:
                    raise InputError("A run stands alone; name no other files beside it.")
                self._take_run(run_of(document, shown))
            else:
                fit = fit_numbers(document)
                if fit.range in [other.range for other in self.fits]:
                    raise InputError(f"Two fits of the {fit.range} range were named; keep one.")
                self.fits.append(fit)
                self._documents.append(document)
                self.notes += [clean(each, 200) for each in document.get("notes") or () if isinstance(each, str)]

    def _take_run(self, run: Run) -> None:
        from probeledger.calibrating.coefficients import FitNumbers
        from probeledger.calibrating.outcome import as_found, fits_of, notes_of

        as_found(run)
        self.run = run
        for name, fit in fits_of(run).items():
            self.fits.append(FitNumbers(name, fit.polynomial.coefficients, fit.polynomial.covariance))
            self.notes += notes_of(fit)

    @property
    def by(self) -> str:
        """Return who made the run."""
        return "" if self.run is None else clean(self.run.by, 60)

    @property
    def tester_celsius(self) -> float | None:
        """Return the tester's mean temperature during the run [degC]."""
        seen = [
            each.tester_celsius for each in (self.run.measured if self.run else ()) if each.tester_celsius is not None
        ]
        return sum(seen) / len(seen) if seen else None

    def check(self, tester: str, before: dict[str, Any]) -> None:
        """Raise InputError where the run is not of this tester as it is now."""
        if self.run is None:
            return
        if self.run.tester != tester:
            raise InputError(
                f"This run is of tester {clean(self.run.tester, 40)}, and {clean(tester, 40)} is plugged in; nothing "
                "was changed."
            )
        if self.run.calibration.get("id") != before.get("id"):
            raise InputError(
                f"This run found the tester with {clean(self.run.calibration.get('id') or 'no calibration', 40)}, and "
                f"it works with {clean(before.get('id') or 'none', 40)} now; make a new run. Nothing was changed."
            )

    def errors(self, used: Any) -> list[dict[str, Any]]:
        """Return the errors as found, one for each reference or point."""
        from probeledger.calibrating.coefficients import indicated_ohms
        from probeledger.calibrating.outcome import document

        if self.run is not None:
            errors: list[dict[str, Any]] = document(self.run)["errors"]
            return errors
        found = []
        for made in self._documents:
            for point in made.get("points") or ():
                try:
                    reference, raw, u = (float(point[key]) for key in ("reference_ohms", "raw_ohms", "u_ohms"))
                except (TypeError, ValueError, KeyError):
                    raise InputError("The fit's points are damaged; make it again with calibrate fit --json.") from None
                error = indicated_ohms(used, made["range"], raw) - reference
                found.append(
                    {"reference_ohms": reference, "range": made["range"], "error_ohms": error, "u_error_ohms": u}
                )
        return found

    def summary(self, used: Any) -> list[list[float]]:
        """Return the errors as found as a record holds them."""
        from probeledger.calibrating.outcome import as_found, short_summary

        if self.run is not None:
            return short_summary(as_found(self.run))
        found = self.errors(used)
        step = -(-len(found) // 12) or 1
        return [[each["reference_ohms"], each["error_ohms"], each["u_error_ohms"]] for each in found[::step]]


def _show_change(before: dict[str, Any], made: dict[str, Any], errors: list[dict[str, Any]], offered: _Offered) -> None:
    from probeledger.cli._calibrate_run import errors_table

    out = console()
    if errors and "statement" in errors[0]:
        out.print(errors_table(errors, "Errors as found"))
        out.print()
    out.print(_numbers_table([("now", before), ("new", made)]))
    ranges = {fit.range for fit in offered.fits}
    if "high" not in ranges:
        note("* The high range is not in it and has nominal values afterwards.")
    if "low" not in ranges:
        note("* The low range is not in it and has nominal values afterwards.")
    for each in offered.notes:
        note(f"* {each}")


def _numbers_table(sets: list[tuple[str, dict[str, Any]]]) -> Any:
    rows = []
    for name, u_name, label, unit, form in _NUMBERS:
        row: list[object] = [label]
        for _, each in sets:
            value, u = each.get(name) or 0.0, each.get(u_name) or 0.0
            row.append(f"{format(value, form)} ± {2 * u:.1e}")
        rows.append([*row, unit])
    return table(["Coefficient (k = 2)", *((name, "right") for name, _ in sets), "unit"], rows)


def _confirm(as_json: bool) -> None:
    if as_json:
        raise InputError("With --json nobody can be asked; add --yes. The key on the tester is asked for all the same.")
    click.echo("Send this to the tester? [y/N] ", nl=False, err=True)
    line = sys.stdin.readline()
    if not sys.stdin.isatty():
        click.echo("", err=True)
    if line.strip().lower() not in ("y", "yes"):
        raise InputError("Nothing was sent, and nothing was changed on the tester.")


def _months_later(start: datetime.datetime, months: int) -> datetime.datetime:
    month = start.month - 1 + months
    year, month = start.year + month // 12, month % 12 + 1
    # The last day of a shorter month.
    for day in (start.day, 30, 29, 28):
        try:
            return start.replace(year=year, month=month, day=day)
        except ValueError:
            continue
    raise AssertionError("every month has a 28th")


@click.command("show")
@port_argument
@json_option
def show(port: str, as_json: bool) -> None:
    """Show the calibration that a tester works with, and the one before.

    \b
    Examples:
      probeledger calibrate show /dev/ttyACM0
    """
    from probeledger.calibrating import applying
    from probeledger.link import open_session

    with open_session(port) as session:
        answer = applying.in_force(session)
        tester = session.hello.tester
    if as_json:
        emit({"tester": tester, **answer})
        return
    used, earlier = answer["in_force"], answer.get("before")
    sets = [("in force", used)] + ([("before", earlier)] if isinstance(earlier, dict) else [])
    name = clean(used.get("id") or "nominal values", 40)
    click.echo(f"Tester {clean(tester, 40)} works with {name}: {clean(used.get('state'), 20)}{_days(used)}.")
    console().print(_numbers_table(sets))


def _days(used: dict[str, Any]) -> str:
    parts = []
    for key, text in (("date", "of"), ("due", "next")):
        if isinstance(used.get(key), int):
            parts.append(f", {text} {datetime.datetime.fromtimestamp(used[key], datetime.UTC):%Y-%m-%d}")
    return "".join(parts)
