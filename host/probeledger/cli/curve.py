"""The command `curve`: resistance and temperature, both ways, and the sheet for the parts counter."""

from pathlib import Path
from typing import Any

import click

from probeledger.cli._numbers import Number, from_stdin
from probeledger.cli._options import json_option
from probeledger.cli._output import console, emit, table

__all__ = ["command"]

_OHMS = Number("resistance", "ohm", least=0.0, stdin=True)
_CELSIUS = Number("temperature", "degrees C", stdin=True)
_FAHRENHEIT = Number("temperature", "degrees F", stdin=True)
_FILE = click.Path(path_type=Path)
_WIDTH_CELSIUS = Number("tolerance", "degrees C", above=0.0)
_WIDTH_OHMS = Number("tolerance", "ohm", above=0.0)


def _chosen(name: str | None, file: Path | None) -> Any:
    """Return the curve given by exactly one of name and file."""
    if (name is None) == (file is None):
        raise click.UsageError("Give either a built-in curve by name or a curve file with --file.")
    if file is not None:
        from probeledger.sensors import description

        return description.load(file)
    from probeledger import curves

    return curves.curve(str(name))


@click.group()
def command() -> None:
    """Convert between resistance and temperature.

    \b
    Examples:
      probeledger curve list
      probeledger curve convert --curve pt1000-3850 --ohms 1097.35
      probeledger curve convert --curve pt1000-3750 --fahrenheit 350 --fahrenheit 450
      probeledger curve table pt1000-3850 --class B
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
@click.option("--curve", "name", metavar="NAME", help="The sensor's curve; see 'curve list'.")
@click.option("--file", type=_FILE, metavar="FILE.toml", help="A curve file instead; docs/curves.md tells how.")
@click.option("--ohms", multiple=True, type=_OHMS, metavar="X", help="Resistance to convert.")
@click.option("--celsius", multiple=True, type=_CELSIUS, metavar="X", help="Temperature to convert.")
@click.option("--fahrenheit", multiple=True, type=_FAHRENHEIT, metavar="X", help="Temperature to convert.")
@json_option
def convert(
    name: str | None,
    file: Path | None,
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
    of = _chosen(name, file)
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


@command.command("table")
@click.argument("name", required=False, metavar="[CURVE]")
@click.option("--file", type=_FILE, metavar="FILE.toml", help="A curve file instead; docs/curves.md tells how.")
@click.option(
    "--class", "class_name", metavar="NAME", help="AA, A, B, C, with -W or -F; 751-A, 751-B; F0.3, W0.3; E1137-A, -B."
)
@click.option("--plus-minus-celsius", type=_WIDTH_CELSIUS, metavar="X", help="A tolerance of your own, in degrees C.")
@click.option("--plus-minus-ohms", type=_WIDTH_OHMS, metavar="X", help="A tolerance of your own, in ohms.")
@click.option("--mounting", default="", metavar="TEXT", help="Flange, tube length; printed as given.")
@click.option("--connector", default="", metavar="TEXT", help="Connector and lead length; printed as given.")
@json_option
def sheet(
    name: str | None,
    file: Path | None,
    class_name: str | None,
    plus_minus_celsius: float | None,
    plus_minus_ohms: float | None,
    mounting: str,
    connector: str,
    as_json: bool,
) -> None:
    """Print the sheet to take to the parts counter.

    Nominal resistance at 0 and 25 degrees C and at ten temperatures, with a tolerance where a class is given. A class
    without -W or -F is that of thin-film elements.

    \b
    Examples:
      probeledger curve table pt1000-3850 --class B
      probeledger curve table --file shop.toml --mounting "two-hole flange" --connector "2-pole plug"
    """
    from rich.text import Text

    from probeledger.sensors import partsheet, tolerance

    of = _chosen(name, file)
    within = None
    if class_name is not None:
        if plus_minus_celsius is not None or plus_minus_ohms is not None:
            raise click.UsageError("Give a class or a tolerance of your own, not both.")
        within = tolerance.for_curve(class_name, of)
    elif plus_minus_celsius is not None or plus_minus_ohms is not None:
        within = tolerance.own(ohms=plus_minus_ohms, celsius=plus_minus_celsius)
    shown = partsheet.rows(of, within)
    cautions = partsheet.cautions(shown, within)
    at_0, at_25 = (partsheet.nominal_ohms(of, t) for t in (0.0, 25.0))
    if as_json:
        emit(
            {
                "curve": of.name,
                "class": None if within is None else within.name,
                "ohms_at_0_celsius": at_0,
                "ohms_at_25_celsius": at_25,
                "mounting": mounting,
                "connector": connector,
                "points": [vars(row) for row in shown],
                "cautions": cautions,
            }
        )
        return
    facts = [("Curve", of.name)]
    facts += [
        (f"Nominal at {t}", "outside the curve" if ohms is None else f"{ohms:.2f} Ω")
        for t, ohms in (("0 °C (32 °F)", at_0), ("25 °C (77 °F)", at_25))
    ]
    facts += [("Tolerance", "not given" if within is None else within.name)]
    facts += [("Mounting", mounting), ("Connector", connector)]
    out = console()
    out.print(table(["Part", "Wanted"], facts))
    out.print()
    headings: list[str | tuple[str, str]] = [("°C", "right"), ("°F", "right"), ("Ω", "right")]
    rows: list[tuple[object, ...]] = [(f"{r.celsius:.1f}", f"{r.fahrenheit:.1f}", f"{r.ohms:.2f}") for r in shown]
    if within is not None:
        headings += [("± Ω", "right"), ("± °C", "right")]
        rows = [
            (*row, *("-" if w is None else f"{w:.2f}" for w in (r.plus_minus_ohms, r.plus_minus_celsius)))
            for row, r in zip(rows, shown, strict=True)
        ]
    out.print(table(headings, rows))
    for line in cautions:
        out.print()
        out.print(Text(line))
