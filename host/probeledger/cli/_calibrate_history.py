"""The command `calibrate history`: control charts, drift and the next calibration, testers side by side."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from probeledger.cli._numbers import Number
from probeledger.cli._options import archive_option, json_option
from probeledger.cli._output import console, emit, table
from probeledger.errors import InputError
from probeledger.text import clean, plural

if TYPE_CHECKING:
    from probeledger.calibrating.fromarchive import Told
    from probeledger.calibrating.history import TesterHistory

    Found = list[tuple[Told | None, TesterHistory | None]]

__all__ = ["history"]

_LIMIT = Number("largest error", "percent", above=0.0, most=10.0)
_MOST_LISTED = 12


@click.command("history")
@click.argument("file", metavar="[CHECKS.csv]", required=False)
@archive_option
@click.option("--tester", "testers", multiple=True, metavar="ID", help="Only this tester; can be given again.")
@click.option(
    "--limit-percent", type=_LIMIT, default=0.035, show_default=True, metavar="X", help="Largest error allowed."
)
@click.option(
    "--output", type=click.Path(dir_okay=False, path_type=Path), metavar="FILE.html", help="Write the charts as a page."
)
@json_option
def history(
    file: str | None,
    archive: str | None,
    testers: tuple[str, ...],
    limit_percent: float,
    output: Path | None,
    as_json: bool,
) -> None:
    """Show charts, drift and next calibration of testers.

    Checks, calibrations and tests come from the archive: the morning checks of each tester with its latest calibration
    and check resistor. All testers stand side by side; where one is off, the tests that may be affected are listed.

    With CHECKS.csv the checks come from a file instead ("-" reads standard input), with the columns time,
    deviation_ppm and u_ppm (k = 1), and optionally tester and celsius: a check resistor's reading against its value, a
    row a check, since the tester's last adjustment.

    \b
    Examples:
      probeledger calibrate history
      probeledger calibrate history --tester pl-3f9a1c --output history.html
      probeledger calibrate history checks.csv --limit-percent 0.05 --json
    """
    limit = limit_percent / 100
    found, source = _from_file(file, testers, limit) if file else _from_archive(archive, testers, limit)
    if output is not None:
        from probeledger.calibrating.historypage import render_history
        from probeledger.cli.day import write_sheet

        write_sheet(output, render_history(found, source, limit))
    if as_json:
        emit([_document(told, each) for told, each in found])
        return
    if not found:
        console().print("The archive has neither checks nor tests.")
        return
    _show(found)
    if output is not None:
        click.echo(f"history: {output}")


def _from_file(file: str, testers: tuple[str, ...], limit: float) -> tuple[Found, str]:
    from probeledger.calibrating.history import history_of, read_checks
    from probeledger.cli.calibrate import read_text

    shown = "standard input" if file == "-" else clean(file, 120)
    checks = read_checks(read_text(file, "file of checks", shown), shown)
    for tester in testers:
        if tester not in checks:
            raise InputError(f"{shown} has no checks of tester {clean(tester, 40)}.")
    wanted = {name: each for name, each in checks.items() if not testers or name in testers}
    return [(None, history_of(tester, each, limit=limit)) for tester, each in wanted.items()], shown


def _from_archive(place: str | None, testers: tuple[str, ...], limit: float) -> tuple[Found, str]:
    from probeledger.archive import open_archive
    from probeledger.calibrating.fromarchive import histories

    with open_archive(place) as archive:
        return list(histories(archive, testers, limit)), archive.name


def _show(found: Found) -> None:
    from rich.text import Text

    out = console()
    rows = []
    for told, each in found:
        if each is None:
            rows.append((clean(told.tester if told else "", 40), 0, "-", "-", "-", "never checked", "-"))
            continue
        limits, drift, alarm = each.chart.limits, each.drift, each.chart.alarm
        rows.append(
            (
                each.tester,
                len(each.chart.checks),
                f"{1e6 * each.chart.checks[-1].deviation:+.0f}",
                "-" if limits is None else f"{1e6 * limits.lower:+.0f} to {1e6 * limits.upper:+.0f}",
                "-" if drift is None else f"{1e6 * drift.per_year:+.0f} ± {2e6 * drift.u_per_year:.0f}",
                f"{alarm.check.time:%Y-%m-%d}" if alarm else "learning" if each.chart.learning else "none",
                f"{each.advice.months} months" if each.advice.months else "now",
            )
        )
    right = [(heading, "right") for heading in ("Checks", "Last ppm", "Limits ppm", "Drift ppm/year")]
    out.print(table(["Tester", *right, "Alarm", "Next"], rows))
    for told, each in found:
        if each is None:
            continue
        name = clean(each.tester, 40) or "The tester"
        out.print()
        out.print(Text(f"{name}: {each.advice.reason}"))
        if told is not None and told.failed:
            out.print(Text(f"{name}: {plural(told.failed, 'check')} failed on the tester."))
        if each.onset is None:
            continue
        good = each.onset.good_until
        since = f"after {good:%Y-%m-%d %H:%M}, the last check that was surely good" if good else "from the first check"
        out.print(Text(f"{name}: tests {since}, may be affected."))
        tickets = list(dict.fromkeys(clean(job.ticket, 40) or "without a ticket" for job in each.affected))
        if tickets:
            more = f" and {len(tickets) - _MOST_LISTED} more" if len(tickets) > _MOST_LISTED else ""
            listed = ", ".join(tickets[:_MOST_LISTED])
            out.print(Text(f"  {plural(len(each.affected), 'test')}, tickets {listed}{more}"))


def _document(told: Told | None, each: TesterHistory | None) -> dict[str, Any]:
    from dataclasses import asdict

    about = (
        {}
        if told is None
        else {
            "calibration": told.setup.calibration if told.setup else None,
            "resistor": told.setup.resistor if told.setup else None,
            "resistor_ohms": told.setup.resistor_ohms if told.setup else None,
            "checks_failed": told.failed,
            "checks_with_other_settings": told.earlier,
            "checks_left_out": told.left_out,
            "calibrations": [asdict(calibration) for calibration in told.calibrations],
        }
    )
    if each is None:
        return {"tester": told.tester if told else "", "checks": 0, **about, "alarms": [], "affected": []}
    on_chart = each.chart
    return {
        "tester": each.tester,
        "checks": len(on_chart.checks),
        **about,
        "learning": on_chart.learning,
        "limits": None if on_chart.limits is None else asdict(on_chart.limits),
        "ppm_per_kelvin": on_chart.ppm_per_kelvin,
        "alarms": [
            {"index": alarm.index, "time": alarm.check.time, "rule": alarm.rule, "up": alarm.up, "score": alarm.score}
            for alarm in on_chart.alarms
        ],
        "onset": None if each.onset is None else asdict(each.onset),
        "affected": [asdict(job) for job in each.affected],
        "drift": None if each.drift is None else {**asdict(each.drift), "significant": each.drift.significant},
        "advice": asdict(each.advice),
        "points": [
            {"time": check.time, "deviation": check.deviation, "u": check.u, "score": score}
            for check, score in zip(on_chart.checks, on_chart.scores, strict=True)
        ],
    }
