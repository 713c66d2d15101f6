"""The command `demo`: a whole day with a virtual tester."""

import datetime
import time
from pathlib import Path
from typing import TYPE_CHECKING

import click

from probeledger.cli._output import cell, console, table
from probeledger.cli.day import DAY as DAY_TYPE
from probeledger.text import clean

if TYPE_CHECKING:
    from rich.table import Table

    from probeledger.demo import DemoDay

__all__ = ["command"]


@click.command()
@click.option(
    "--keep",
    "folder",
    type=click.Path(file_okay=False, path_type=Path),
    metavar="DIR",
    help="A new folder for everything that the day leaves.  [default: a temporary one, which stays]",
)
@click.option("--date", "day", type=DAY_TYPE, default="today", show_default=True, metavar="DATE", help="The day lived.")
def command(folder: Path | None, day: datetime.date) -> None:
    """Live through a day with a virtual tester, up to the day sheet.

    The real firmware runs on MicroPython with simulated chips and a simulated circuit. A scripted technician visits
    invented ovens, clips on, presses keys and reads the display; then the ledger is pulled, judged again and printed.
    No verdict is scripted: change an oven's file and the answer changes as the physics says.

    \b
    Examples:
      probeledger demo
      probeledger demo --keep my-demo
    """
    import tempfile

    from probeledger import demo
    from probeledger.cli._output import progress

    place = folder if folder is not None else Path(tempfile.mkdtemp(prefix="probeledger-demo-"))
    err = console(stderr=True)
    began_s = time.monotonic()
    with progress() as shown:
        task = shown.add_task("The day", total=len(demo.DAY) + 2)

        def report(hour: str, text: str) -> None:
            shown.console.print(f"{hour}  {text}") if not shown.disable else err.print(f"{hour}  {text}")

        lived = demo.live(
            place, day, report, progress=lambda done, total: shown.update(task, completed=done, total=total)
        )
    err.print(f"That day took {time.monotonic() - began_s:.0f} s. What stands below was judged again at the shop.")
    out = console()
    out.print(_verdicts(lived))
    for tester in lived.sheet.testers:
        state = "" if tester.calibration else ", not calibrated: its values stand on the tolerance of its parts"
        out.print(f"Tester {clean(tester.tester, 40)}: {tester.check_state}{state}.", soft_wrap=True)
    differing = sum(1 for test in lived.sheet.tests if test.again.differs)
    if differing:
        out.print(f"{differing} answers differ from the tester's; the day sheet says why.")
    click.echo("Open the day sheet in a browser, or ask the archive with 'probeledger records --archive PATH'.")
    click.echo(f"archive: {lived.archive}")
    click.echo(f"day sheet: {lived.sheet_path}")


def _verdicts(lived: "DemoDay") -> "Table":
    """Return the verdict table: what the sheet says, beside what stood on the display."""
    from probeledger.demo import PLACE_WORDS
    from probeledger.reports import words
    from probeledger.rounding import fixed

    styles = {"pass": "green", "fail": "bold red", "undecided": "yellow"}
    tests = lived.sheet.tests
    seen = lived.seen if len(lived.seen) == len(tests) else [("", "", "")] * len(tests)
    rows = [
        (
            words.time_text(test.moment, test.record.time_reconstructed),
            oven,
            PLACE_WORDS.get(test.again.body.place or "", "").lower(),
            cell(test.verdict.upper(), styles[test.verdict]),
            fixed(test.again.ohms, 1),
            ", ".join(finding.code for finding in test.about_probe),
        )
        for test, (oven, _, _) in zip(tests, seen, strict=True)
    ]
    return table(["Time", "Oven (invented)", "Where", "Verdict", ("Ω", "right"), "Findings"], rows)
