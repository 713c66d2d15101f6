"""The command `effect`: what a reading means for the oven's temperature."""

import math
from pathlib import Path
from typing import Any

import click

from probeledger.cli._numbers import Number
from probeledger.cli._options import json_option
from probeledger.cli._output import console, emit, table
from probeledger.cli._readings import Leak, Reading
from probeledger.errors import InputError

__all__ = ["command"]

# What an oven can be set to.
_PLOTTED_CELSIUS = range(50, 276, 5)
_BAKING_CELSIUS = 175.0

_OHMS = Number("resistance", "ohm", above=0.0)
_CELSIUS = Number("temperature", "degrees C")
_HARNESS = Number("resistance of the harness", "ohm")
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
@click.option("--ohms", required=True, type=Reading(), metavar="OHM", help="The cold reading.")
@click.option("--ambient", required=True, type=_CELSIUS, metavar="CELSIUS", help="The room at the sensor, -40 to 60.")
@click.option(
    "--curve", "name", default="pt1000-3850", show_default=True, metavar="NAME|FILE", help="What the control believes."
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
@click.option("--harness", type=_HARNESS, metavar="OHM", help="Measured: the control's end minus the sensor's end.")
@click.option("--u-harness", type=_U_OHMS, metavar="OHM", help="Its standard uncertainty.  [default: two readings']")
@click.option("--leak-a", type=Leak(), metavar="OHM", help="Lead a to the chassis, like 40k, 2.2M, >20M, OL.")
@click.option("--leak-b", type=Leak(), metavar="OHM", help="Lead b to the chassis.")
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
    harness: float | None,
    u_harness: float | None,
    leak_a: Any,
    leak_b: Any,
    picture: Path | None,
    as_json: bool,
) -> None:
    """Tell what a reading means for the oven's temperature.

    A control that believes the nominal curve heats until the sensor circuit shows the nominal resistance. How far the
    oven is then off depends on the fault; each kind that explains the readings is computed, and the range over them
    is given. A second point, in ice water or hot beside a reference probe, narrows it: each fault then has a
    probability, and the range one of 95 %.

    \b
    Examples:
      probeledger effect --ohms 1097.7 --ambient 22 --u-ambient 0.5 --set 175
      probeledger effect --ohms 1097.7 --ambient 22 --second 1012.1,0 --u-second 0.2
      probeledger effect --ohms 1097.7 --ambient 22 --plot oven.svg
    """
    from probeledger import curves, units
    from probeledger.judging import chassis, customer, effect, typed, weighing
    from probeledger.sensors import choosing

    if not typed.LEAST_AMBIENT_CELSIUS <= ambient <= typed.MOST_AMBIENT_CELSIUS:
        raise InputError(
            f"An ambient of {ambient:g} degrees C is outside {typed.LEAST_AMBIENT_CELSIUS:g} to "
            f"{typed.MOST_AMBIENT_CELSIUS:g}; give a hot point with --second OHMS,CELSIUS."
        )
    curve = choosing.choose(name)
    if choosing.falls(curve):
        raise InputError(
            f"The resistance of {curve.name} falls with the temperature; the effect on an oven is computed for sensors "
            "that rise."
        )

    def point(at_ohms: float, celsius: float, u_celsius: float) -> effect.Point:
        return effect.Point(at_ohms, typed.meter_u_ohms(at_ohms) if u_ohms is None else u_ohms, celsius, u_celsius)

    points = [point(ohms, ambient, u_ambient), *(point(r, t, u_second) for r, t in second)]
    series = _harness(harness, u_harness, point(ohms, ambient, u_ambient).u_ohms)
    settings = [*set_celsius, *(units.celsius(value) for value in set_fahrenheit)]
    isolation = chassis.isolation_of(typed.of_leak(leak_a), typed.of_leak(leak_b))
    hypotheses = effect.hypotheses(curve, points, curves.others(curve), series, isolation)
    if len(points) > 1 or series is not None:
        hypotheses = weighing.weigh(curve, hypotheses, points, series)
    effects = effect.effects(curve, hypotheses, settings or effect.DEFAULT_SET_CELSIUS, ambient)
    effects = weighing.mix(curve, hypotheses, points, effects, ambient, series)
    if picture is not None:
        _draw(picture, curve, hypotheses, points, ambient, series)
    if as_json:
        from probeledger.cli._oven import effects_json, hypotheses_json

        emit(
            {
                "curve": curve.name,
                "points": [vars(each) for each in points],
                "effects": effects_json(effects),
                "hypotheses": hypotheses_json(hypotheses, effects),
                "isolation_measured": isolation is not None,
                "sentences": [customer.off(each) for each in effects],
                "customer": {
                    name: [customer.sentence([each], unit=unit) for each in effects]
                    for name, unit in (("fahrenheit", "F"), ("celsius", "C"))
                },
            }
        )
        return
    _show(curve, hypotheses, effects, bool(settings), isolation is not None)


def _draw(
    picture: Path, curve: Any, hypotheses: Any, points: Any, ambient: float, series: tuple[float, float] | None
) -> None:
    """Write the picture of all settings an oven has."""
    from probeledger.judging import effect, weighing
    from probeledger.reports.effectplot import effect_plot

    settings = [float(celsius) for celsius in _PLOTTED_CELSIUS if curve.low_celsius <= celsius <= curve.high_celsius]
    try:
        labels = [
            each.label if each.weight is None else f"{each.label}, {100.0 * each.weight:.1f} %"
            for each in hypotheses
            if each.compatible
        ]
        effects = effect.effects(curve, hypotheses, settings, ambient)
        drawn = effect_plot(weighing.mix(curve, hypotheses, points, effects, ambient, series), labels, curve.name)
    except ValueError:
        raise InputError("Nothing to draw: no fault that explains the readings has a limit. See the table.") from None
    try:
        picture.write_text(drawn, encoding="utf-8")
    except OSError as error:
        raise InputError(f"Cannot write {str(picture)!r}: {error.strerror}. Name another file.") from error


def _harness(ohms: float | None, u_ohms: float | None, u_reading_ohms: float) -> tuple[float, float] | None:
    """Return the harness's resistance with its standard uncertainty [ohm], None where it was not measured."""
    if ohms is None:
        if u_ohms is not None:
            raise InputError("An uncertainty of the harness needs the harness's resistance; give --harness too.")
        return None
    # A difference of two readings.
    return ohms, math.sqrt(2.0) * u_reading_ohms if u_ohms is None else u_ohms


def _show(curve: Any, hypotheses: Any, effects: Any, chosen: bool, isolated: bool) -> None:
    from rich.text import Text

    from probeledger.cli import _oven
    from probeledger.judging import customer, weighing

    out = console()
    out.print(table(_oven.HEADINGS, _oven.effects_rows(effects)))
    weighted = _oven.weighted_rows(effects)
    if weighted:
        out.print()
        out.print(table(_oven.WEIGHTED_HEADINGS, weighted))
    out.print()
    left = [each for each in hypotheses if each.compatible]
    if left and weighted:
        shown = [(each.label, _oven.quantity_text(each), f"{100.0 * each.weight:.1f}") for each in left]
        out.print(table(["What explains the readings", "How much", ("Probability, %", "right")], shown))
    elif left:
        rows = [(each.label, _oven.quantity_text(each)) for each in left]
        out.print(table(["What explains the readings", "How much"], rows))
    else:
        out.print("No single fault explains these readings: check the points, or more than one thing is wrong.")
    dropped = [each.label for each in hypotheses if not each.compatible and each.weight is not None]
    ruled_out = [each.label for each in hypotheses if not each.compatible and each.weight is None]
    for said, labels in (
        ("Ruled out by the readings: ", ruled_out),
        (f"Left out, less probable than {100.0 * weighing.DROPPED_BELOW:g} %: ", dropped),
    ):
        if labels:
            out.print()
            out.print(Text(said + "; ".join(labels) + "."))
    out.print()
    for each in effects:
        out.print(Text(customer.off(each)))
    out.print()
    # Without a setting asked for, the customer hears of the one that most baking is done at.
    told = effects if chosen else [min(effects, key=lambda each: abs(each.set_celsius - _BAKING_CELSIUS))]
    out.print(Text("For the customer: " + customer.sentence(told, unit="FC")))
    out.print()
    out.print(
        f"The control is taken to believe {curve.name}; ranges are over all faults above, at about 95 % (k = 2)"
        + ("; means and their 95 % weigh the faults by their probability. " if weighted else ". ")
        + ("" if isolated else "A leak to the chassis is not in it: give --leak-a and --leak-b. ")
        + "Door, heating and relays are not in it."
    )
