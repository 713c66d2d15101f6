"""The command `effect`: what a reading means for the oven's temperature."""

from pathlib import Path
from typing import Any

import click

from probeledger.cli._numbers import Number
from probeledger.cli._options import json_option
from probeledger.cli._output import console, emit, table
from probeledger.errors import InputError

__all__ = ["command"]

# What an oven can be set to.
_PLOTTED_CELSIUS = range(50, 276, 5)

_OHMS = Number("resistance", "ohm", above=0.0)
_CELSIUS = Number("temperature", "degrees C")
_FAHRENHEIT = Number("set temperature", "degrees F")
_U_OHMS = Number("standard uncertainty of the resistance", "ohm", least=0.0)
_U_CELSIUS = Number("standard uncertainty of the temperature", "degrees C", least=0.0)


class _SecondPoint(click.ParamType):
    """A second point, OHMS,CELSIUS."""

    name = "ohms,celsius"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Any:
        parts = str(value).split(",")
        if len(parts) != 2:
            self.fail(f"give resistance and temperature with one comma, like 1660.5,175; not {str(value)[:40]!r}.")
        try:
            return _OHMS.parse(parts[0].strip()), _CELSIUS.parse(parts[1].strip())
        except InputError as error:
            self.fail(error.message, param, ctx)


@click.command()
@click.option("--ohms", required=True, type=_OHMS, metavar="OHM", help="The cold reading.")
@click.option("--ambient", required=True, type=_CELSIUS, metavar="CELSIUS", help="The room at the sensor, -40 to 60.")
@click.option(
    "--curve", "name", default="pt1000-3850", show_default=True, metavar="NAME", help="The curve the control believes."
)
@click.option("--set", "set_celsius", multiple=True, type=_CELSIUS, metavar="CELSIUS", help="A setting; repeatable.")
@click.option("--set-fahrenheit", multiple=True, type=_FAHRENHEIT, metavar="FAHRENHEIT", help="The same in °F.")
@click.option(
    "--u-ohms", type=_U_OHMS, metavar="OHM", help="Standard uncertainty of a reading.  [default: a hand-held meter's]"
)
@click.option("--u-ambient", type=_U_CELSIUS, default=1.0, show_default=True, metavar="CELSIUS", help="Of the ambient.")
@click.option(
    "--second", "second", multiple=True, type=_SecondPoint(), metavar="OHMS,CELSIUS", help="Another point; repeatable."
)
@click.option(
    "--u-second", type=_U_CELSIUS, default=1.0, show_default=True, metavar="CELSIUS", help="Of its temperature."
)
@click.option(
    "--plot", "picture", type=click.Path(dir_okay=False, path_type=Path), metavar="FILE.svg", help="Draw it too."
)
@json_option
def command(
    ohms: float,
    ambient: float,
    name: str,
    set_celsius: tuple[float, ...],
    set_fahrenheit: tuple[float, ...],
    u_ohms: float | None,
    u_ambient: float,
    second: tuple[tuple[float, float], ...],
    u_second: float,
    picture: Path | None,
    as_json: bool,
) -> None:
    """Tell what a reading means for the oven's temperature.

    A control that believes the nominal curve heats until the sensor circuit shows the nominal resistance. How far the
    oven is then off depends on the fault; each kind that explains the readings is computed, and the range over them
    is given. A second point, in ice water or hot beside a reference probe, narrows it.

    \b
    Examples:
      probeledger effect --ohms 1097.7 --ambient 22 --u-ambient 0.5 --set 175
      probeledger effect --ohms 1097.7 --ambient 22 --second 1012.1,0 --u-second 0.2
      probeledger effect --ohms 1097.7 --ambient 22 --plot oven.svg
    """
    from probeledger import curves, units
    from probeledger.judging import effect, typed

    if not typed.LEAST_AMBIENT_CELSIUS <= ambient <= typed.MOST_AMBIENT_CELSIUS:
        raise InputError(
            f"An ambient of {ambient:g} degrees C is outside {typed.LEAST_AMBIENT_CELSIUS:g} to "
            f"{typed.MOST_AMBIENT_CELSIUS:g}; give a hot point with --second OHMS,CELSIUS."
        )
    curve = curves.curve(name)

    def point(at_ohms: float, celsius: float, u_celsius: float) -> effect.Point:
        return effect.Point(at_ohms, typed.meter_u_ohms(at_ohms) if u_ohms is None else u_ohms, celsius, u_celsius)

    points = [point(ohms, ambient, u_ambient), *(point(r, t, u_second) for r, t in second)]
    settings = [*set_celsius, *(units.celsius(value) for value in set_fahrenheit)]
    hypotheses = effect.hypotheses(curve, points, curves.others(curve))
    effects = effect.effects(curve, hypotheses, settings or effect.DEFAULT_SET_CELSIUS, ambient)
    if picture is not None:
        _draw(picture, curve, hypotheses, ambient)
    if as_json:
        from probeledger.cli._oven import effects_json, hypotheses_json

        emit(
            {
                "curve": curve.name,
                "points": [vars(each) for each in points],
                "effects": effects_json(effects),
                "hypotheses": hypotheses_json(hypotheses, effects),
                "sentences": [effect.sentence(each) for each in effects],
            }
        )
        return
    _show(curve, hypotheses, effects)


def _draw(picture: Path, curve: Any, hypotheses: Any, ambient: float) -> None:
    """Write the picture of all settings an oven has."""
    from probeledger.judging import effect
    from probeledger.reports.effectplot import effect_plot

    settings = [float(celsius) for celsius in _PLOTTED_CELSIUS if curve.low_celsius <= celsius <= curve.high_celsius]
    try:
        labels = [each.label for each in hypotheses if each.compatible]
        drawn = effect_plot(effect.effects(curve, hypotheses, settings, ambient), labels, curve.name)
    except ValueError:
        raise InputError("Nothing to draw: no fault that explains the readings has a limit. See the table.") from None
    try:
        picture.write_text(drawn, encoding="utf-8")
    except OSError as error:
        raise InputError(f"Cannot write {str(picture)!r}: {error.strerror}. Name another file.") from error


def _show(curve: Any, hypotheses: Any, effects: Any) -> None:
    from rich.padding import Padding
    from rich.text import Text

    from probeledger.cli import _oven
    from probeledger.judging import effect

    out = console()
    out.print(table(_oven.HEADINGS, _oven.effects_rows(effects)))
    out.print()
    rows = [(each.label, _oven.quantity_text(each)) for each in hypotheses if each.compatible]
    if rows:
        out.print(table(["What explains the readings", "How much"], rows))
    else:
        out.print("No single fault explains these readings: check the points, or more than one thing is wrong.")
    ruled_out = [each.label for each in hypotheses if not each.compatible]
    if ruled_out:
        out.print()
        out.print(Text("Ruled out by the readings: " + "; ".join(ruled_out) + "."))
    out.print()
    for each in effects:
        out.print(Padding(Text(effect.sentence(each)), (0, 0, 0, 0)))
    out.print()
    out.print(
        f"The control is taken to believe {curve.name}; ranges are over all faults above, at about 95 % (k = 2). "
        "Door, heating and relays are not in it."
    )
