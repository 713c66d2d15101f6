"""The command `calibrate run`: guide through the references, one by one."""

from __future__ import annotations

import datetime
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from probeledger.cli._numbers import Number
from probeledger.cli._options import port_argument
from probeledger.cli._output import console, emit_line, note, table
from probeledger.errors import InputError
from probeledger.text import clean, plural

if TYPE_CHECKING:
    from probeledger.calibrating.references import ReferenceSet
    from probeledger.calibrating.runfile import Measured, Run, Step
    from probeledger.calibrating.taking import Expected
    from probeledger.link import Session

__all__ = ["run"]

_CELSIUS = Number("temperature", "degrees C", least=-40.0, most=60.0)
_U_CELSIUS = Number("uncertainty of the temperature", "degrees C", least=0.0, most=20.0)
_NOISE = Number("uncertainty asked of the readings", "ppm", above=0.0, most=1000.0)

# The high range is noisier; the same number of readings gives about ten times as much there.
_HIGH_NOISE_FACTOR = 10.0
_LEAST_U_OHMS = 1e-3
_LEAK_ROUNDS = 4
_LEAK_S = 30.0


@click.command("run")
@port_argument
@click.option("--references", "references_file", metavar="FILE.toml", help="The reference resistors; needed to begin.")
@click.option(
    "--output",
    type=click.Path(dir_okay=False, path_type=Path),
    metavar="RUN.json",
    help="Where the run is kept; an unfinished one goes on.  [default: calibration-TESTER-DATE.json here]",
)
@click.option(
    "--order",
    type=click.Choice(["up-down", "up"]),
    default="up-down",
    show_default=True,
    help="Each reference going up and down again, or once.",
)
@click.option(
    "--noise-ppm",
    type=_NOISE,
    default=5.0,
    show_default=True,
    metavar="X",
    help="Standard uncertainty asked of the readings; ten times as much in the high range.",
)
@click.option("--celsius", type=_CELSIUS, metavar="X", help="Of the resistors.  [default: the tester's room sensor]")
@click.option("--u-celsius", type=_U_CELSIUS, metavar="X", help="Its uncertainty (k = 1).")
@click.option("--by", default="", metavar="WHO", help="Who does it, for the record.")
@click.option("--json", "as_json", is_flag=True, help="Write one JSON object a line, for scripts.")
def run(
    port: str,
    references_file: str | None,
    output: Path | None,
    order: str,
    noise_ppm: float,
    celsius: float | None,
    u_celsius: float | None,
    by: str,
    as_json: bool,
) -> None:
    """Measure the reference resistors and record the errors as found.

    Guides through the references of the file, the short first, then up, then down again; resistors of 100 kohm and more
    are also taken as leaks, for isolation. Enter reads what is clipped on, b goes back one step, q stops. The run is
    written after every step: the same command goes on with it. Nothing changes on the tester; 'calibrate apply' does
    that. Measure again after it, into another file, for the errors as left.

    \b
    Examples:
      probeledger calibrate run /dev/ttyACM0 --references resistors.toml --output found.json
      probeledger calibrate run /dev/ttyACM0 --output found.json
    """
    from probeledger.calibrating import applying, outcome, runfile
    from probeledger.link import open_session

    if u_celsius is not None and celsius is None:
        raise InputError("--u-celsius needs the temperature that it belongs to; give --celsius too.")
    # Before the port is opened: a file that cannot be read costs nobody a walk to the bench.
    given = None if references_file is None else _references(references_file)
    unfinished = _unfinished(output)
    if given is None and unfinished is None:
        raise InputError("A new run needs the reference resistors; name their file with --references.")
    with open_session(port) as session:
        hello = session.hello
        now = datetime.datetime.now(datetime.UTC)
        if output is None:
            output = Path(f"calibration-{clean(hello.tester, 20).replace('/', '-')}-{now:%Y-%m-%d}.json")
            unfinished = _unfinished(output)
        used = applying.in_force(session)["in_force"]
        if unfinished is not None:
            made = unfinished
            _check_same(made, hello.tester, used, given, output)
        else:
            assert given is not None
            text, shown, found = given
            made = runfile.begin(
                hello.tester,
                hello.firmware,
                used,
                found,
                text,
                shown,
                now,
                order=order,
                noise_ppm=noise_ppm,
                by=clean(by, 60),
                celsius=celsius,
                u_celsius=u_celsius,
            )
            # The references' days are checked before anybody clips anything.
            outcome.values_of(made)
        guide = _Guide(session, made, output, as_json)
        runfile.write_run(output, made)
        guide.begin(resumed=unfinished is not None)
        guide.walk()
    made.ended = datetime.datetime.now(datetime.UTC).isoformat(timespec="seconds")
    made.results = outcome.document(made)
    runfile.write_run(output, made)
    guide.end()


def _references(path: str) -> tuple[str, str, ReferenceSet]:
    from probeledger.calibrating.references import read_references
    from probeledger.cli.calibrate import read_text

    shown = clean(path, 120)
    text = read_text(path, "reference file", shown)
    return text, shown, read_references(text, shown)


def _unfinished(output: Path | None) -> Run | None:
    """Return the unfinished run of a file, None where there is no such file. Raises InputError for a finished one."""
    from probeledger.calibrating.runfile import read_run
    from probeledger.cli.calibrate import read_text

    if output is None or not output.exists():
        return None
    shown = clean(output, 120)
    found = read_run(read_text(str(output), "run", shown), shown)
    if found.complete and found.results is not None:
        raise InputError(f"{shown} holds a finished run; name another file with --output.")
    return found


def _check_same(
    made: Run, tester: str, used: dict[str, Any], given: tuple[str, str, ReferenceSet] | None, output: Path
) -> None:
    """Raise InputError where an unfinished run belongs to something else."""
    shown = clean(output, 120)
    if made.tester != tester:
        raise InputError(
            f"{shown} is an unfinished run of tester {clean(made.tester, 40)}; this is {clean(tester, 40)}. Name "
            "another file with --output."
        )
    if made.calibration.get("id") != used.get("id") or made.calibration.get("state") != used.get("state"):
        raise InputError(
            f"The tester's calibration changed since {shown} was begun; begin a new run with another --output."
        )
    if given is not None and given[0] != made.references_text:
        raise InputError(
            f"The reference file {given[1]} is not the one with which {shown} was begun; begin a new run with another "
            "--output, or leave --references out to go on with the old one."
        )


class _Guide:
    """Leads a person through the steps."""

    def __init__(self, session: Session, made: Run, output: Path, as_json: bool) -> None:
        self._session = session
        self._run = made
        self._output = output
        self._as_json = as_json
        self._expected = self._all_expected()

    def _all_expected(self) -> dict[str, Expected]:
        from probeledger.calibrating.outcome import values_of
        from probeledger.calibrating.taking import Expected

        references = self._run.references
        values = values_of(self._run, references)
        u = values.covariance.diagonal() ** 0.5
        return {
            each.name: Expected(each.name, float(ohms), float(u_ohms))
            for each, ohms, u_ohms in zip(references.references, values.ohms, u, strict=True)
        }

    def _event(self, event: str, **values: Any) -> None:
        if self._as_json:
            emit_line({"event": event, **values})

    def _say(self, line: str) -> None:
        if not self._as_json:
            note(line)

    def begin(self, *, resumed: bool) -> None:
        """Tell what is to come."""
        made = self._run
        claims = made.references.claims()
        self._event(
            "begin",
            tester=made.tester,
            calibration=made.calibration.get("id"),
            output=str(self._output),
            steps=len(made.steps),
            done=len(made.measured),
            claims=claims,
        )
        if resumed:
            self._say(f"Going on with {self._output}: {len(made.measured)} of {len(made.steps)} steps are done.")
        else:
            named = made.calibration.get("id") or "none: nominal values"
            self._say(
                f"Tester {made.tester}, calibration in force: {clean(named, 40)}. {plural(len(made.steps), 'step')}; "
                "let tester and resistors come to the room's temperature first."
            )
        for claim in claims:
            self._say(f"* {claim}")
        self._say("At each step: clip on, then Enter. b goes back one step, q stops; the run is kept.")

    def walk(self) -> None:
        """Do the steps that are left. Raises FailureReport where a person stops before the end."""
        from probeledger.calibrating.runfile import write_run
        from probeledger.calibrating.taking import NotYetError

        made = self._run
        while not made.complete:
            step = made.steps[len(made.measured)]
            answer = self._ask(step)
            if answer in ("q", "quit"):
                self._stop("Stopped")
            elif answer in ("b", "back"):
                self._back()
            elif answer:
                self._say("Enter reads what is clipped on, b goes back, q stops.")
            else:
                try:
                    measured = self._read(step)
                except NotYetError as error:
                    self._event("not-yet", code=error.code, message=error.message, reference=step.reference)
                    self._say(error.message)
                    continue
                made.measured.append(measured)
                write_run(self._output, made)
                self._tell(step, measured)

    def _ask(self, step: Step) -> str:
        from probeledger.calibrating.runfile import LEAK

        made = self._run
        expected = self._expected[step.reference]
        number = len(made.measured) + 1
        self._event(
            "clip",
            step=number,
            steps=len(made.steps),
            reference=step.reference,
            ohms=expected.ohms,
            way=step.way,
            kind=step.kind,
        )
        where = (
            " from lead a to the chassis clip, any resistor of about 1 kohm on the leads" if step.kind == LEAK else ""
        )
        shown = "the short" if expected.is_short else f"{expected.ohms:,.3f} Ω".replace(",", " ")
        label = f"{number}/{len(made.steps)}  {clean(step.reference, 40)} ({shown}){where}: "
        if not self._as_json:
            click.echo(label, nl=False, err=True)
        line = sys.stdin.readline()
        if not line:
            if not self._as_json:
                click.echo("", err=True)
            self._stop("The input ended")
        elif not self._as_json and not sys.stdin.isatty():
            click.echo("", err=True)
        return line.strip().lower()

    def _stop(self, why: str) -> None:
        from probeledger.cli import FailureReport

        made = self._run
        self._event("stopped", done=len(made.measured), steps=len(made.steps), output=str(self._output))
        raise FailureReport(
            f"{why} after {len(made.measured)} of {len(made.steps)} steps, kept in {self._output}. The same command "
            "goes on; nothing was changed on the tester."
        )

    def _back(self) -> None:
        from probeledger.calibrating.runfile import write_run

        made = self._run
        if not made.measured:
            self._say("This is the first step.")
            return
        gone = made.measured.pop()
        write_run(self._output, made)
        self._event("back", reference=gone.reference)
        self._say(f"Back: {clean(gone.reference, 40)} will be read again.")

    def _read(self, step: Step) -> Measured:
        from probeledger.calibrating.runfile import LEAK

        return self._read_leak(step) if step.kind == LEAK else self._read_leads(step)

    def _read_leads(self, step: Step) -> Measured:
        from probeledger.calibrating.coefficients import indicated_ohms
        from probeledger.calibrating.runfile import Measured
        from probeledger.calibrating.taking import take

        made = self._run
        expected = self._expected[step.reference]
        factor = _HIGH_NOISE_FACTOR if expected.ohms > 4500.0 else 1.0
        wanted = max(_LEAST_U_OHMS, made.noise_ppm * 1e-6 * factor * expected.ohms)
        used = made.used

        def tell(readings: int, ohms: float, u_ohms: float) -> None:
            self._event("reading", reference=step.reference, readings=readings, raw_ohms=ohms, u_ohms=u_ohms)
            if not self._as_json and sys.stderr.isatty():
                click.echo(f"\r    {readings} readings, {ohms:.4f} Ω ", nl=False, err=True)

        found = take(
            lambda readings: self._session.measure(readings),
            expected,
            list(self._expected.values()),
            used,
            wanted,
            tell,
        )
        return Measured(
            reference=step.reference,
            way=step.way,
            kind=step.kind,
            time=datetime.datetime.now(datetime.UTC).isoformat(timespec="seconds"),
            indicated_ohms=indicated_ohms(used, found.range, found.raw_ohms),
            **vars(found),
        )

    def _read_leak(self, step: Step) -> Measured:
        from probeledger.calibrating.leaks import leak_of
        from probeledger.calibrating.runfile import Measured

        answer = self._session.call("isolation", _LEAK_ROUNDS, timeout_s=_LEAK_S, tries=2)
        ohms, u_ohms = leak_of(answer, self._expected[step.reference])
        celsius = answer.get("tester_celsius")
        return Measured(
            reference=step.reference,
            way=step.way,
            kind=step.kind,
            time=datetime.datetime.now(datetime.UTC).isoformat(timespec="seconds"),
            range="isolation",
            raw_ohms=ohms,
            u_noise_ohms=u_ohms,
            indicated_ohms=ohms,
            readings=_LEAK_ROUNDS,
            tester_celsius=float(celsius) if isinstance(celsius, (int, float)) else None,
        )

    def _tell(self, step: Step, measured: Measured) -> None:
        expected = self._expected[step.reference]
        error = measured.indicated_ohms - expected.ohms
        self._event(
            "point",
            step=len(self._run.measured),
            reference=step.reference,
            way=step.way,
            kind=step.kind,
            raw_ohms=measured.raw_ohms,
            indicated_ohms=measured.indicated_ohms,
            error_ohms=error,
            u_noise_ohms=measured.u_noise_ohms,
            readings=measured.readings,
            remarks=measured.remarks,
        )
        if not self._as_json and sys.stderr.isatty():
            click.echo("\r", nl=False, err=True)
        decimals = 4 if expected.ohms < 10_000 else 1
        self._say(
            f"    {measured.indicated_ohms:.{decimals}f} Ω, error {error:+.{decimals}f} Ω "
            f"({plural(measured.readings, 'reading')})"
        )
        for remark in measured.remarks:
            self._say(f"    {remark}")

    def end(self) -> None:
        """Tell the errors as found, and what comes next."""
        made = self._run
        results = made.results or {}
        if self._as_json:
            self._event("end", output=str(self._output), tester=made.tester, **results)
            return
        out = console()
        title = f"Tester {clean(made.tester, 40)}, errors as found"
        out.print(errors_table(results["errors"], title))
        for fit in results["fits"].values():
            for each in fit["notes"]:
                note(f"* {each}")
        click.echo(f"run: {self._output}")


def errors_table(errors: list[dict[str, Any]], title: str) -> Any:
    """Return a table of errors for a terminal."""
    from probeledger.rounding import with_uncertainty

    rows = []
    for each in errors:
        error, expanded = with_uncertainty(each["error_ohms"], each["u_error_ohms"])
        rows.append((each["reference"], each["range"], error, expanded, f"{each['limit_ohms']:.3g}", each["statement"]))
    headings: list[str | tuple[str, str]] = ["Reference", "Range"]
    headings += [(heading, "right") for heading in ("Error Ω", "± Ω (k = 2)", "Limit Ω")]
    return table([*headings, "Within"], rows, title=title)
