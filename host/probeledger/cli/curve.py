"""The command `curve`: resistance and temperature, both ways."""

import click

from probeledger.cli._numbers import Number, from_stdin
from probeledger.cli._options import json_option
from probeledger.cli._output import console, emit, table

__all__ = ["command"]

_OHMS = Number("resistance", "ohm", least=0.0, stdin=True)
_CELSIUS = Number("temperature", "degrees C", stdin=True)
_FAHRENHEIT = Number("temperature", "degrees F", stdin=True)


@click.group()
def command() -> None:
    """Convert between resistance and temperature.

    \b
    Examples:
      probeledger curve list
      probeledger curve convert --curve pt1000-3850 --ohms 1097.35
      probeledger curve convert --curve pt1000-3750 --fahrenheit 350 --fahrenheit 450
    """


@command.command("list")
@json_option
def list_curves(as_json: bool) -> None:
    """List the built-in curves.

    Each with its range, its resistance at 0, 25 and 175 degrees C, and where it comes from.
    """
    from probeledger import curves

    found = [curves.curve(name) for name in curves.BUILT_IN]
    if as_json:
        emit(
            [
                {
                    "name": of.name,
                    "low_celsius": of.low_celsius,
                    "high_celsius": of.high_celsius,
                    "low_ohms": of.low_ohms,
                    "high_ohms": of.high_ohms,
                    "ohms_at_0_celsius": of.ohms(0.0),
                    "ohms_at_25_celsius": of.ohms(25.0),
                    "ohms_at_175_celsius": of.ohms(175.0),
                }
                for of in found
            ]
        )
        return
    rows = [
        (
            of.name,
            f"{of.low_celsius:g} to {of.high_celsius:g} °C",
            f"{of.ohms(0.0):.2f}",
            f"{of.ohms(25.0):.2f}",
            f"{of.ohms(175.0):.2f}",
        )
        for of in found
    ]
    headings = [("Ω at 0 °C", "right"), ("25 °C (77 °F)", "right"), ("175 °C (347 °F)", "right")]
    console().print(table(["Curve", "Range", *headings], rows))


@command.command("convert")
@click.option("--curve", "name", required=True, metavar="NAME", help="The sensor's curve; see 'curve list'.")
@click.option("--ohms", multiple=True, type=_OHMS, metavar="X", help="Resistance to convert.")
@click.option("--celsius", multiple=True, type=_CELSIUS, metavar="X", help="Temperature to convert.")
@click.option("--fahrenheit", multiple=True, type=_FAHRENHEIT, metavar="X", help="Temperature to convert.")
@json_option
def convert(
    name: str,
    ohms: tuple[float | str, ...],
    celsius: tuple[float | str, ...],
    fahrenheit: tuple[float | str, ...],
    as_json: bool,
) -> None:
    """Convert single values by a curve.

    --ohms, --celsius and --fahrenheit may be given several times; "-" reads one value a line from standard input.
    The answer has the resistances first, then the Celsius, then the Fahrenheit values, each in the order given.

    \b
    Examples:
      probeledger curve convert --curve pt1000-3850 --ohms 1085.7
      probeledger curve convert --curve pt1000-3850 --celsius 0 --celsius 175
      seq 1000 100 2000 | probeledger curve convert --curve pt1000-3850 --ohms -
    """
    from probeledger import curves

    if (ohms + celsius + fahrenheit).count("-") > 1:
        raise click.UsageError('Only one option can read standard input ("-").')
    if not ohms + celsius + fahrenheit:
        raise click.UsageError("Give at least one --ohms, --celsius or --fahrenheit value.")
    of = curves.curve(name)
    points = [curves.point_at_ohms(of, value) for value in from_stdin(ohms, _OHMS)]
    points += [curves.point_at_celsius(of, value) for value in from_stdin(celsius, _CELSIUS)]
    points += [curves.point_at_fahrenheit(of, value) for value in from_stdin(fahrenheit, _FAHRENHEIT)]
    if as_json:
        emit(
            {
                "curve": of.name,
                "points": [
                    {"ohms": point.ohms, "celsius": point.celsius, "fahrenheit": point.fahrenheit} for point in points
                ],
            }
        )
        return
    rows = [(f"{point.ohms:.3f}", f"{point.celsius:.3f}", f"{point.fahrenheit:.3f}") for point in points]
    console().print(table([("Ω", "right"), ("°C", "right"), ("°F", "right")], rows, title=of.name))
