"""The command `probeledger`: a group that imports a command only when it is used.

A command lives in the module of its name and is called `command` there. The table below holds the names in the order
of a working day, with the line that `--help` shows, so that `--help` imports none of them. This module is also the one
place that turns a foreseen failure into one sentence and an exit status.
"""

import difflib
import importlib
import os
import sys
import warnings
from typing import IO, Any, NoReturn

import click

from probeledger import __version__
from probeledger.text import clean

__all__ = ["COMMANDS", "FailureReport", "LazyGroup", "main"]

# name -> (module, help line). A test compares each line with the first sentence of the command's own help.
COMMANDS: dict[str, tuple[str, str]] = {
    "demo": ("probeledger.cli.demo", "Live through a day with a virtual tester, up to the day sheet."),
    "virtual": ("probeledger.cli.virtual", "Run a virtual tester and print its port, or operate it."),
    "testers": ("probeledger.cli.testers", "List the testers that are plugged in."),
    "measure": ("probeledger.cli.measure", "Take readings with a tester on the bench."),
    "pull": ("probeledger.cli.pull", "Copy a tester's records into the archive."),
    "judge": ("probeledger.cli.judge", "Judge one reading typed in by hand."),
    "effect": ("probeledger.cli.effect", "Tell what a reading means for the oven's temperature."),
    "bake": ("probeledger.cli.bake", "Analyse a bake log: cycles, mean, swing, offset, correction."),
    "curve": ("probeledger.cli.curve", "Convert between resistance and temperature."),
    "sensor": ("probeledger.cli.sensor", "Identify a sensor's curve, fit it, make points to compare."),
    "send": ("probeledger.cli.send", "Send tickets, curves and limits to a tester."),
    "calibrate": ("probeledger.cli.calibrate", "Calibrate a tester against reference resistors."),
    "records": ("probeledger.cli.records", "Search the records in the archive."),
    "day": ("probeledger.cli.day", "Write the day sheet of one day."),
    "ticket": ("probeledger.cli.ticket", "Correct a job's records: wrong ticket, void, note."),
    "verify": ("probeledger.cli.verify", "Check that no record in the archive is missing or altered."),
    "backup": ("probeledger.cli.backup", "Copy the archive into one file."),
    "restore": ("probeledger.cli.restore", "Put what a copy holds into the archive."),
}

_INTERRUPTED = 130
_BROKEN_PIPE = 141


class FailureReport(click.ClickException):
    """Carry one sentence for stderr; the command ends with 1, a task that failed."""

    exit_code = 1

    def show(self, file: IO[Any] | None = None) -> None:
        """Write the sentence, cleaned of whatever a device or a file may have put into it."""
        from probeledger.cli._output import folded

        stream = file or sys.stderr
        click.echo(folded(f"Error: {clean(self.format_message())}", stream), file=stream)


class BadInputReport(FailureReport):
    """Carry one sentence for stderr; the command ends with 2, wrong use or bad input."""

    exit_code = 2


def _os_error_sentence(error: OSError) -> str:
    reason = error.strerror or str(error) or type(error).__name__
    where = f"{error.filename}: " if error.filename else ""
    return f"{where}{reason}."


class LazyGroup(click.Group):
    """A group whose commands are imported when they are used."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        """Return the names in the table's order."""
        return list(COMMANDS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        """Import and return the command of that name, or None where there is none."""
        entry = COMMANDS.get(cmd_name)
        if entry is None:
            return None
        command: click.Command = importlib.import_module(entry[0]).command
        return command

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """Write the list of commands from the table, importing none."""
        with formatter.section("Commands"):
            formatter.write_dl([(name, line) for name, (_, line) in COMMANDS.items()])

    def resolve_command(
        self, ctx: click.Context, args: list[str]
    ) -> tuple[str | None, click.Command | None, list[str]]:
        """Find the command, and suggest the nearest names where there is none of that name."""
        name = args[0]
        if name not in COMMANDS and not name.startswith("-") and not ctx.resilient_parsing:
            near = difflib.get_close_matches(name, COMMANDS, n=2, cutoff=0.65)
            advice = f"Did you mean {' or '.join(near)}?" if near else "Run 'probeledger --help' for the commands."
            ctx.fail(f"There is no command {clean(name, 40)!r}. {advice}")
        return super().resolve_command(ctx, args)

    def invoke(self, ctx: click.Context) -> Any:
        """Run the command; turn a foreseen failure into one sentence and an exit status."""
        # Imported here, so that `--help` and `--version` start fast.
        from probeledger.errors import ProbeError, exit_status

        try:
            return super().invoke(ctx)
        except ProbeError as error:
            report = BadInputReport if exit_status(error) == 2 else FailureReport
            raise report(error.message) from error
        except BrokenPipeError:
            _end_after_broken_pipe()
        except KeyboardInterrupt:
            click.echo("Stopped.", err=True)
            ctx.exit(_INTERRUPTED)
        except OSError as error:
            raise FailureReport(_os_error_sentence(error)) from error

    def main(self, *args: Any, **kwargs: Any) -> Any:
        """Run the command line; a terminal that cannot show a character gets a question mark in its place."""
        for stream in (sys.stdout, sys.stderr):
            reconfigure = getattr(stream, "reconfigure", None)
            if reconfigure is not None:
                reconfigure(errors="replace")
        with warnings.catch_warnings():
            # A library's remark to its programmers is no help at the counter; -W brings them back.
            if not sys.warnoptions:
                warnings.simplefilter("ignore")
            return super().main(*args, **kwargs)


def _end_after_broken_pipe() -> NoReturn:
    """End quietly when the reader of our output has gone, as `head` does."""
    # What is still buffered would fail again when Python closes stdout on its way out.
    quiet = os.open(os.devnull, os.O_WRONLY)
    try:
        os.dup2(quiet, sys.stdout.fileno())
    except (OSError, ValueError):
        pass
    raise SystemExit(_BROKEN_PIPE)


@click.group(
    cls=LazyGroup,
    context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100},
    epilog="'probeledger COMMAND --help' tells more about a command, with examples.",
)
@click.version_option(__version__, prog_name="probeledger", message="%(prog)s %(version)s")
def main() -> None:
    """Read oven-probe testers, keep their records, judge them and print the day.

    \b
    A first look without any tester:   probeledger demo
    At day's end, with a tester:       probeledger testers
                                       probeledger pull PORT
                                       probeledger day
    """
