"""The command `bake`: what a log of the cavity's temperature says of the oven."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from probeledger.cli._numbers import Number
from probeledger.cli._options import json_option
from probeledger.cli._output import console, emit, table
from probeledger.errors import InputError

if TYPE_CHECKING:
    from probeledger.baking.advice import Advice
    from probeledger.baking.outcome import Analysis

__all__ = ["command"]

_CELSIUS = Number("set temperature", "degrees C", least=20.0, most=600.0)
_FAHRENHEIT = Number("set temperature", "degrees F", least=68.0, most=1112.0)
_U = Number("standard uncertainty", "degrees C", least=0.0)
_OFFSET = Number("control's present offset", "degrees of the setting")
_STEP = Number("control's step", "degrees of the setting", above=0.0)
_RANGE = Number("control's range", "degrees of the setting", above=0.0)
# A user's offset goes up to about 35 degrees F, in steps of 1 to 5: common practice, no source.
_RANGE_FAHRENHEIT, _RANGE_CELSIUS = 35.0, 19.0


class _Passed(click.ParamType):
    """What passed: sensor, isolation, harness, with commas."""

    name = "names"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Any:
        from probeledger.baking.advice import MUST_PASS
        from probeledger.text import clean

        names = [name.strip().lower() for name in str(value).split(",") if name.strip()]
        for name in names:
            if name not in MUST_PASS:
                self.fail(f"{clean(name, 30)!r} is none of {', '.join(MUST_PASS)}; name what passed, with commas.")
        return tuple(names)


@click.command()
@click.argument("file", type=click.Path(path_type=Path), metavar="FILE.csv")
@click.option("--set-celsius", type=_CELSIUS, metavar="CELSIUS", help="What the control was set to.")
@click.option("--set-fahrenheit", type=_FAHRENHEIT, metavar="FAHRENHEIT", help="The same in °F, for a control in °F.")
@click.option(
    "--u-probe", type=_U, metavar="CELSIUS", help="Standard uncertainty of the probe.  [default: one of class B]"
)
@click.option("--u-tester", type=_U, metavar="CELSIUS", help="Of the tester.  [default: 0.1]")
@click.option("--u-placement", type=_U, metavar="CELSIUS", help="Of the probe's place in the cavity.  [default: 1]")
@click.option(
    "--present-offset", type=_OFFSET, default=0.0, metavar="DEGREES", help="The control's own offset now.  [default: 0]"
)
@click.option("--step", type=_STEP, default=1.0, metavar="DEGREES", help="The offset's step.  [default: 1]")
@click.option("--range", "limit", type=_RANGE, metavar="DEGREES", help="How far it goes.  [default: 19 °C or 35 °F]")
@click.option(
    "--passed", type=_Passed(), multiple=True, metavar="NAMES", help="Tested and passed: sensor,isolation,harness."
)
@click.option(
    "--plot", "picture", type=click.Path(dir_okay=False, path_type=Path), metavar="FILE.svg", help="Draw it too."
)
@json_option
def command(
    file: Path,
    set_celsius: float | None,
    set_fahrenheit: float | None,
    u_probe: float | None,
    u_tester: float | None,
    u_placement: float | None,
    present_offset: float,
    step: float,
    limit: float | None,
    passed: tuple[tuple[str, ...], ...],
    picture: Path | None,
    as_json: bool,
) -> None:
    """Analyse a bake log: cycles, mean, swing, offset, correction.

    The file has the columns seconds,celsius. The mean is the time mean over whole cycles after steady state; a log
    without a steady state gets none, and is told why. --present-offset, --step and --range are in the unit of the
    setting, and the correction is withheld unless sensor, isolation and harness passed.

    \b
    Examples:
      probeledger bake oven.csv --set-celsius 175
      probeledger bake oven.csv --set-fahrenheit 350 --step 5 --passed sensor,isolation,harness
      probeledger bake oven.csv --set-celsius 175 --plot oven.svg
    """
    from probeledger import units
    from probeledger.baking import advice, logfile, outcome

    in_fahrenheit = set_fahrenheit is not None
    if (set_celsius is None) == (set_fahrenheit is None):
        raise click.UsageError("Give what the control was set to: either --set-celsius or --set-fahrenheit.")
    setting = units.celsius(set_fahrenheit) if set_fahrenheit is not None else float(set_celsius or 0.0)
    degree = 5.0 / 9.0 if in_fahrenheit else 1.0
    if limit is None:
        limit = _RANGE_FAHRENHEIT if in_fahrenheit else _RANGE_CELSIUS
    analysis = outcome.analyse(
        logfile.load(file),
        setting,
        u_probe,
        outcome.U_TESTER_CELSIUS if u_tester is None else u_tester,
        outcome.U_PLACEMENT_CELSIUS if u_placement is None else u_placement,
    )
    control = advice.Control(degree * present_offset, degree * step, degree * limit)
    advised = advice.advise(analysis, control, [name for names in passed for name in names])
    if picture is not None:
        _draw(picture, analysis)
    if as_json:
        emit(_document(analysis, advised))
        return
    _show(analysis, advised, in_fahrenheit)


def _draw(picture: Path, analysis: Analysis) -> None:
    from probeledger.baking.picture import bake_plot

    try:
        picture.write_text(bake_plot(analysis), encoding="utf-8")
    except OSError as error:
        raise InputError(f"Cannot write {str(picture)!r}: {error.strerror}. Name another file.") from error


def _document(analysis: Analysis, advised: Advice) -> dict[str, Any]:
    """Return the form that scripts rely on."""
    return {
        "cycles": [
            {
                "start_s": cycle.start_s,
                "end_s": cycle.end_s,
                "period_s": cycle.period_s,
                "maximum_celsius": cycle.maximum_celsius,
                "minimum_celsius": cycle.minimum_celsius,
                "mean_celsius": cycle.mean_celsius,
                "midpoint_celsius": cycle.midpoint_celsius,
                "swing_celsius": cycle.swing_celsius,
                "duty": cycle.duty,
                "missing_s": cycle.missing_s,
                "state": cycle.state,
            }
            for cycle in analysis.cycles
        ],
        "set_celsius": analysis.set_celsius,
        "mean_celsius": analysis.mean_celsius,
        "u_mean_celsius": analysis.u_mean_celsius,
        "u_cycles_celsius": analysis.u_cycles_celsius,
        "swing_celsius": analysis.swing_celsius,
        "period_s": analysis.period_s,
        "duty": analysis.duty,
        "offset_celsius": analysis.offset_celsius,
        "preheat_end_s": analysis.preheat_end_s,
        "first_peak_celsius": analysis.first_peak_celsius,
        "overshoot_celsius": analysis.overshoot_celsius,
        "drift_celsius_per_hour": analysis.drift_celsius_per_hour,
        "steady": analysis.steady,
        "why": analysis.why,
        "remarks": list(analysis.remarks),
        "advised_correction_celsius": advised.correction_celsius,
        "advised_offset_celsius": advised.new_offset_celsius,
        "left_celsius": advised.left_celsius,
        "limited_by_range": advised.limited,
        "correction_why": advised.why,
    }


def _both(kelvin: float | None, in_fahrenheit: bool, decimals: int = 1, sign: bool = True) -> str:
    """Return a difference in both units, the setting's first."""
    from probeledger.rounding import fixed
    from probeledger.units import fahrenheit_difference

    if kelvin is None:
        return "-"
    shown = []
    for value, unit in ((kelvin, "°C"), (fahrenheit_difference(kelvin), "°F")):
        text = fixed(abs(value), decimals)
        before = ("−" if value < 0 else "+") if sign and float(text) else ""
        shown.append(f"{before}{text} {unit}")
    if in_fahrenheit:
        shown.reverse()
    return f"{shown[0]} ({shown[1]})"


def _level(celsius: float, in_fahrenheit: bool) -> str:
    """Return a temperature in both units, the setting's first."""
    from probeledger.rounding import fixed
    from probeledger.units import fahrenheit

    shown = [f"{fixed(celsius, 1)} °C", f"{fixed(fahrenheit(celsius), 1)} °F"]
    if in_fahrenheit:
        shown.reverse()
    return f"{shown[0]} ({shown[1]})"


def _minutes(seconds: float | None) -> str:
    return "-" if seconds is None else f"{int(seconds // 60)} min {int(seconds % 60):02d} s"


def _show(analysis: Analysis, advised: Advice, in_fahrenheit: bool) -> None:
    from rich.text import Text

    from probeledger.rounding import COVERAGE_FACTOR, fixed

    out = console()
    if analysis.cycles:
        headings: list[str | tuple[str, str]] = [
            "Cycle from",
            ("lasts", "right"),
            ("max °C", "right"),
            ("min °C", "right"),
            ("mean °C", "right"),
            ("middle", "right"),
            ("rising", "right"),
            "",
        ]
        rows = [
            (
                _minutes(cycle.start_s),
                _minutes(cycle.period_s),
                fixed(cycle.maximum_celsius, 1),
                fixed(cycle.minimum_celsius, 1),
                fixed(cycle.mean_celsius, 2),
                fixed(cycle.midpoint_celsius, 1),
                f"{fixed(100.0 * cycle.duty, 0)} %",
                "settling" if cycle.state == "before steady state" else cycle.state,
            )
            for cycle in analysis.cycles
        ]
        if len(rows) > _MOST_ROWS:
            shown = rows[: _MOST_ROWS // 2] + rows[-_MOST_ROWS // 2 :]
            out.print(table(headings, shown))
            out.print(f"({len(rows) - len(shown)} cycles between are not shown; --json has them all.)")
        else:
            out.print(table(headings, rows))
        out.print()
    facts = [("Set to", _level(analysis.set_celsius, in_fahrenheit))]
    if analysis.mean_celsius is not None and analysis.u_mean_celsius is not None:
        facts += [
            ("Mean", _level(analysis.mean_celsius, in_fahrenheit)),
            ("± (k = 2)", _both(COVERAGE_FACTOR * analysis.u_mean_celsius, in_fahrenheit, sign=False)),
            ("Oven off by", _both(analysis.offset_celsius, in_fahrenheit)),
            ("Swing", _both(analysis.swing_celsius, in_fahrenheit, sign=False)),
            ("Period", _minutes(analysis.period_s)),
        ]
    facts.append(
        ("Preheat ends", "not in this log" if analysis.preheat_end_s is None else _minutes(analysis.preheat_end_s))
    )
    if analysis.first_peak_celsius is not None:
        facts.append(("First peak", _level(analysis.first_peak_celsius, in_fahrenheit)))
    if analysis.overshoot_celsius is not None:
        facts.append(("over the mean", _both(analysis.overshoot_celsius, in_fahrenheit)))
    facts.append(("Steady", "yes" if analysis.steady else "no"))
    if advised.correction_celsius is not None:
        facts += [
            ("Change offset by", _both(advised.correction_celsius, in_fahrenheit)),
            ("to", _both(advised.new_offset_celsius, in_fahrenheit)),
        ]
    out.print(table(["What", "Found"], facts))
    for line in (analysis.why, *analysis.remarks, f"Correction: {advised.why}"):
        out.print()
        out.print(Text(line))
    out.print()
    out.print(
        "The mean is over time, over whole cycles after steady state, at the probe's place. The limits for it are this "
        "program's own, no standard's."
    )


# Rows of cycles that still fit a look.
_MOST_ROWS = 24
