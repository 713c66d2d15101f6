"""The command `day`: the day sheet of one day."""

import datetime
from pathlib import Path
from typing import Any

import click

from probeledger.cli._options import archive_option, json_option
from probeledger.cli._output import console, emit
from probeledger.errors import InputError

__all__ = ["DAY", "Day", "command", "write_sheet"]


class Day(click.ParamType):
    """A calendar day: 2026-11-25, today or yesterday."""

    name = "date"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Any:
        """Return the date."""
        if isinstance(value, datetime.date):
            return value
        text = str(value).strip().lower()
        today = datetime.date.today()
        if text in ("today", "yesterday"):
            return today - datetime.timedelta(days=text == "yesterday")
        try:
            day = datetime.date.fromisoformat(text)
        except ValueError:
            self.fail(f"give the day as 2026-11-25, today or yesterday, not {str(value)[:40]!r}.", param, ctx)
        if not 1971 <= day.year <= 9000:
            self.fail(f"there are no records of the year {day.year}; give the day as 2026-11-25.", param, ctx)
        return day


DAY = Day()


@click.command()
@click.option("--date", "day", type=DAY, default="today", show_default=True, metavar="DATE", help="The local day.")
@archive_option
@click.option(
    "--output",
    type=click.Path(dir_okay=False, path_type=Path),
    metavar="FILE",
    help="Where to write the sheet.  [default: day-DATE.html here]",
)
@click.option("--remark", metavar="TEXT", help="A line to stand under the date.")
@click.option("--open", "show", is_flag=True, help="Show the sheet in the browser.")
@json_option
def command(
    day: datetime.date, archive: str | None, output: Path | None, remark: str | None, show: bool, as_json: bool
) -> None:
    """Write the day sheet of one day.

    Every test of the local day is judged again with full precision and uncertainty, and stands on the sheet with its
    findings and what to do; what is unfinished comes first. The sheet is one HTML file that needs no network; print
    it from the browser on A4 or Letter. With --json no file is written unless --output names one.

    \b
    Examples:
      probeledger day
      probeledger day --date yesterday --open
      probeledger day --date 2026-11-25 --output sheet.html --archive shop.sqlite
    """
    from probeledger.archive import open_archive
    from probeledger.reports.day import day_sheet, document
    from probeledger.reports.render import render

    with open_archive(archive) as opened:
        sheet = day_sheet(opened, day, remark=remark)
    path = output
    if path is None and not as_json:
        path = Path(f"day-{day.isoformat()}.html")
    if path is not None:
        write_sheet(path, render(sheet))
    if as_json:
        made = document(sheet)
        made["output"] = None if path is None else str(path)
        emit(made)
        return
    out = console()
    if not sheet.tests:
        out.print(f"No tests on {day.isoformat()}.")
    else:
        counts = ", ".join(f"{sheet.count(verdict)} {verdict}" for verdict in ("pass", "fail", "undecided"))
        out.print(f"{len(sheet.tests)} tests on {day.isoformat()}: {counts}.")
    for each in sheet.attention:
        out.print(f"* {each.title}")
    click.echo(f"day sheet: {path}")
    if show and path is not None:
        click.launch(path.resolve().as_uri())


def write_sheet(path: Path, page: str) -> None:
    """Write a page to a file, whole or not at all.

    Raises:
        InputError: the file cannot be written there.
    """
    part = path.with_name(path.name + ".part")
    try:
        part.write_text(page, encoding="utf-8")
        part.replace(path)
    except OSError as error:
        part.unlink(missing_ok=True)
        raise InputError(f"The day sheet cannot be written to {path}: {error.strerror}.") from None
