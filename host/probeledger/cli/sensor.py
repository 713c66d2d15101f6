"""The command `sensor`: which curve a sensor follows, its own coefficients, and points to compare it with."""

import csv
from collections.abc import Sequence
from typing import Any

import click

from probeledger.cli._numbers import Number
from probeledger.cli._options import json_option
from probeledger.cli._output import console, emit, say, table
from probeledger.errors import InputError
from probeledger.text import clean

__all__ = ["command"]

_OHMS = Number("resistance", "ohm", above=0.0)
_CELSIUS = Number("temperature", "degrees C")
_SECONDS = Number("time", "s")
_U_OHMS = Number("standard uncertainty of the resistance", "ohm", least=0.0)
_U_CELSIUS = Number("standard uncertainty of the temperature", "degrees C", least=0.0)
_TOLERANCE = Number("tolerance", "percent", least=0.0, most=20.0)
_ALTITUDE = Number("altitude", "m")
_PRESSURE = Number("pressure", "hPa", above=0.0)
_LAG = Number("lag", "s", least=0.0)
_WINDOW = Number("window", "s", above=0.0)
_MOST_ROWS = 100_000
_MOST_PAIRS = 5
_PATH = click.Path(exists=True, dir_okay=False)


class _Pair(click.ParamType):
    """A point, OHMS,CELSIUS."""

    name = "ohms,celsius"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Any:
        parts = str(value).split(",")
        if len(parts) != 2:
            self.fail(f"give resistance and temperature with one comma, like 1085.7,22; not {str(value)[:40]!r}.")
        try:
            return _OHMS.parse(parts[0].strip()), _CELSIUS.parse(parts[1].strip())
        except InputError as error:
            self.fail(error.message, param, ctx)


def _rows(path: str, columns: dict[str, Number], optional: dict[str, Number]) -> list[dict[str, float]]:
    """Return the numbers of a CSV file with a heading line; an empty optional cell is left out."""
    with open(path, encoding="utf-8-sig", newline="") as stream:
        reader = csv.DictReader(stream, skipinitialspace=True)
        try:
            headings = [str(each).strip() for each in reader.fieldnames or ()]
            missing = [name for name in columns if name not in headings]
            if missing:
                raise InputError(
                    f"{clean(path)} has no column {missing[0]}; its first line must have {', '.join(columns)}."
                )
            reader.fieldnames = headings
            found: list[dict[str, float]] = []
            for row in reader:
                if len(found) >= _MOST_ROWS:
                    raise InputError(f"{clean(path)} has more than {_MOST_ROWS} lines; give fewer.")
                found.append(_row(path, reader.line_num, row, columns, optional))
        except (UnicodeDecodeError, csv.Error):
            raise InputError(f"{clean(path)} is no CSV text in UTF-8; export it as CSV again.") from None
    return found


def _row(
    path: str, line: int, row: dict[str, Any], columns: dict[str, Number], optional: dict[str, Number]
) -> dict[str, float]:
    numbers = {}
    for name, number in {**columns, **optional}.items():
        text = str(row.get(name) or "").strip()
        if not text and name in optional:
            continue
        try:
            numbers[name] = number.parse(text)
        except InputError as error:
            raise InputError(f"{clean(path)}, line {line}, {name}: {error.message}") from None
    return numbers


def _points(
    typed: tuple[tuple[float, float], ...], paths: Sequence[str], u_ohms: float | None, u_celsius: float
) -> list[Any]:
    from probeledger.judging import typed as by_hand
    from probeledger.judging.effect import Point

    rows = [{"ohms": ohms, "celsius": celsius} for ohms, celsius in typed]
    needed = {"ohms": _OHMS, "celsius": _CELSIUS}
    for path in paths:
        rows += _rows(path, needed, {"u_ohms": _U_OHMS, "u_celsius": _U_CELSIUS})
    if not rows:
        raise InputError("There is no point; give --point OHMS,CELSIUS or --file.")
    return [
        Point(
            row["ohms"],
            row.get("u_ohms", by_hand.meter_u_ohms(row["ohms"]) if u_ohms is None else u_ohms),
            row["celsius"],
            row.get("u_celsius", u_celsius),
        )
        for row in rows
    ]


def _reading_options(function: Any) -> Any:
    for option in (
        click.option(
            "--u-ohms", type=_U_OHMS, metavar="OHM", help="Standard uncertainty.  [default: a hand-held meter's]"
        ),
        click.option("--u-celsius", type=_U_CELSIUS, default=0.5, show_default=True, metavar="CELSIUS"),
        click.option("--point", "typed", multiple=True, type=_Pair(), metavar="OHMS,CELSIUS", help="Repeatable."),
    ):
        function = option(function)
    return function


@click.group()
def command() -> None:
    """Identify a sensor's curve, fit it, make points to compare.

    \b
    Examples:
      probeledger sensor identify --point 1085.7,22 --file shop.toml
      probeledger sensor fit --model r0 --point 1000.4,0 --u-celsius 0.2
      probeledger sensor point boiling --altitude 500
    """


@command.command("identify")
@_reading_options
@click.option(
    "--file", "files", multiple=True, type=_PATH, help="CSV: ohms, celsius; or a .toml curve to compare. Repeatable."
)
@click.option("--curve", "names", multiple=True, metavar="NAME", help="A built-in curve.  [default: all]  Repeatable.")
@click.option("--tolerance", type=_TOLERANCE, metavar="PERCENT", help="Of an element.  [default: 0.23, class F 0.6]")
@json_option
def identify_command(
    typed: tuple[tuple[float, float], ...],
    files: tuple[str, ...],
    names: tuple[str, ...],
    u_celsius: float,
    u_ohms: float | None,
    tolerance: float | None,
    as_json: bool,
) -> None:
    """Tell which curves fit the points, and which further points tell them apart.

    \b
    Examples:
      probeledger sensor identify --point 1085.7,22
      probeledger sensor identify --point 1000.6,0 --point 1658.9,175 --curve pt1000-3850 --file shop.toml
    """
    from probeledger import curves
    from probeledger.judging import typed as by_hand
    from probeledger.sensors import identify

    compared: list[Any] = [curves.curve(name) for name in dict.fromkeys(names or curves.BUILT_IN)]
    compared += _curves_of(files)
    points = _points(typed, [path for path in files if not _is_curve(path)], u_ohms, u_celsius)
    found = identify.identify(
        points,
        compared,
        identify.DEFAULT_TOLERANCE_RATIO if tolerance is None else tolerance / 100.0,
        u_further_ohms=by_hand.meter_u_ohms if u_ohms is None and typed else u_ohms,
    )
    if as_json:
        emit(_identification_json(found))
        return
    out = console()
    rows = [
        (each.name, "yes" if each.compatible else "no", f"{100 * each.share:.1f}", f"{each.chi_square:.3g}")
        for each in found.matches
    ]
    out.print(table(["Curve", "Fits", ("Share %", "right"), ("Chi-square", "right")], rows))
    if found.further:
        out.print()
        places = [(f.place.label, f"{f.place.celsius:g}", f"{f.deviations:.1f}") for f in found.further]
        out.print(table(["A further point", ("°C", "right"), ("Deviations apart", "right")], places))
    if found.pairs:
        out.print()
        pairs = [
            (" and ".join(place.label for place in pair.places), f"{two.deviations:.1f}", " / ".join(two.curves))
            for pair in found.pairs[:_MOST_PAIRS]
            for two in pair.separates[:1]
        ]
        out.print(table(["Two further points", ("Deviations", "right"), "between the nearest two"], pairs))
    out.print()
    for line in found.advice:
        say(line)


def _is_curve(path: str) -> bool:
    return path.lower().endswith(".toml")


def _curves_of(files: tuple[str, ...]) -> list[Any]:
    from pathlib import Path

    paths = [path for path in files if _is_curve(path)]
    if not paths:
        return []
    from probeledger.sensors import description

    return [description.load(Path(path)) for path in paths]


def _identification_json(found: Any) -> dict[str, Any]:
    def told(separates: Any) -> list[dict[str, Any]]:
        return [{**vars(two), "curves": list(two.curves)} for two in separates]

    # A curve that does not reach the points has no factor, and its chi-square has no bound.
    matches = [
        {key: None if isinstance(v, float) and not abs(v) < float("inf") else v for key, v in vars(each).items()}
        for each in found.matches
    ]
    return {
        "points": [vars(each) for each in found.points],
        "tolerance_ratio": found.tolerance_ratio,
        "matches": matches,
        "present_deviations": found.present_deviations,
        "further": [
            {
                **vars(each.place),
                "deviations": each.deviations,
                "pair": list(each.pair),
                "separates": told(each.separates),
            }
            for each in found.further
        ],
        "pairs": [
            {"places": [vars(place) for place in each.places], "separates": told(each.separates)}
            for each in found.pairs
        ],
        "advice": list(found.advice),
    }


@command.command("fit")
@click.option("--model", required=True, type=click.Choice(("r0", "r0-a", "r0-a-b", "steinhart-hart")))
@click.option("--curve", "name", default="pt1000-3850", show_default=True, help="Lends what is not fitted.")
@_reading_options
@click.option("--file", "path", type=_PATH, help="CSV: ohms, celsius.")
@json_option
def fit_command(
    model: str,
    name: str,
    typed: tuple[tuple[float, float], ...],
    path: str | None,
    u_celsius: float,
    u_ohms: float | None,
    as_json: bool,
) -> None:
    """Fit a sensor's own curve to points."""
    from probeledger import curves
    from probeledger.sensors import fitting

    points = _points(typed, [] if path is None else [path], u_ohms, u_celsius)
    made = fitting.fit(model, points, curves.curve(name))
    if as_json:
        emit({**vars(made), "points": [vars(each) for each in points]})
        return
    out = console()
    rows = [
        (key, f"{value:.8g}", f"{u:.2g}")
        for key, value, u in zip(made.names, made.parameters, made.u_parameters, strict=True)
    ]
    out.print(table(["Parameter", ("Value", "right"), ("Standard uncertainty", "right")], rows))
    out.print()
    lines = [
        (f"{p.celsius:g}", f"{p.ohms:g}", f"{r:+.3g}", f"{d:+.2f}")
        for p, r, d in zip(points, made.residuals_ohms, made.deviations, strict=True)
    ]
    out.print(table([("°C", "right"), ("Ohm", "right"), ("Off, ohm", "right"), ("Deviations", "right")], lines))
    out.print()
    probability = "" if made.probability is None else f", probability {made.probability:.3g}"
    say(f"Chi-square {made.chi_square:.3g} with {made.degrees_of_freedom} degrees of freedom{probability}.")
    say(f"Estimator: {made.estimator}.")
    for line in made.remarks:
        say(line)


@command.group("point")
def point_group() -> None:
    """Tell how to make a known temperature, and how well it is known."""


@point_group.command("ice")
@json_option
def ice_command(as_json: bool) -> None:
    """Tell about the ice bath."""
    from probeledger.sensors import fieldpoints

    _show_point(fieldpoints.ice_bath(), as_json)


@point_group.command("boiling")
@click.option("--altitude", type=_ALTITUDE, metavar="M", help="Above sea level.")
@click.option("--pressure", type=_PRESSURE, metavar="HPA", help="At the place, not reduced to sea level.")
@json_option
def boiling_command(altitude: float | None, pressure: float | None, as_json: bool) -> None:
    """Tell the temperature of boiling water."""
    from probeledger.sensors import fieldpoints

    _show_point(fieldpoints.boiling_water(altitude, None if pressure is None else 100.0 * pressure), as_json)


@point_group.command("hot-pair")
@click.option(
    "--file", "path", required=True, type=click.Path(exists=True, dir_okay=False), help="CSV: time_s, ohms, celsius."
)
@click.option("--curve", "name", default="pt1000-3850", show_default=True, help="Only its slope is used.")
@click.option("--u-reference", type=_U_CELSIUS, default=1.0, show_default=True, metavar="CELSIUS")
@click.option("--u-ohms", type=_U_OHMS, default=0.3, show_default=True, metavar="OHM")
@click.option("--lag", type=_LAG, default=30.0, show_default=True, metavar="S", help="Of one probe behind the other.")
@click.option("--above", type=_CELSIUS, default=150.0, show_default=True, metavar="CELSIUS", help="No pair below.")
@click.option("--window", type=_WINDOW, default=120.0, show_default=True, metavar="S")
@json_option
def hot_pair_command(
    path: str, name: str, u_reference: float, u_ohms: float, lag: float, above: float, window: float, as_json: bool
) -> None:
    """Choose the best pair from a log of cooling probes."""
    from probeledger import curves
    from probeledger.sensors import fieldpoints

    rows = _rows(path, {"time_s": _SECONDS, "ohms": _OHMS, "celsius": _CELSIUS}, {})
    log = [(row["time_s"], row["ohms"], row["celsius"]) for row in rows]
    _show_point(fieldpoints.hot_pair(log, curves.curve(name), u_reference, lag, window, u_ohms, above), as_json)


def _show_point(made: Any, as_json: bool) -> None:
    from probeledger.units import fahrenheit

    if as_json:
        emit({**vars(made), "lines": [vars(line) for line in made.lines]})
        return
    say(f"{made.celsius:.2f} °C ({fahrenheit(made.celsius):.1f} °F), standard uncertainty {made.u_celsius:.2f} °C")
    if made.ohms is not None:
        say(f"{made.ohms:.3f} ohm, standard uncertainty {made.u_ohms:.3f} ohm, at {made.at_s:g} s")
    out = console()
    out.print()
    rows = [(line.label, f"{line.u_celsius:.2f}", line.source) for line in made.lines]
    out.print(table(["Uncertainty from", ("°C", "right"), "Source"], rows))
    out.print()
    for heading, lines in (("How", made.how), ("Caution", made.cautions)):
        say(f"{heading}:")
        for line in lines:
            say(f"  {line}")
