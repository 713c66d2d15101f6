"""The command `calibrate`: the tester against reference resistors."""

from __future__ import annotations

import math
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from probeledger.cli._calibrate_apply import apply, show
from probeledger.cli._calibrate_history import history
from probeledger.cli._calibrate_run import run
from probeledger.cli._numbers import Number
from probeledger.cli._options import json_option
from probeledger.cli._output import cell, console, emit, note, table
from probeledger.cli.day import DAY
from probeledger.errors import InputError
from probeledger.text import clean

if TYPE_CHECKING:
    import datetime

    from probeledger.calibrating.fitting import Candidate, Fitted

__all__ = ["command", "read_text"]

# Far above what these files need; guards against a path to something else.
_MOST_BYTES = 4_000_000

_CELSIUS = Number("temperature", "degrees C", least=-40.0, most=60.0)
_U_CELSIUS = Number("uncertainty of the temperature", "degrees C", least=0.0, most=20.0)


@click.group()
def command() -> None:
    """Calibrate a tester against reference resistors.

    \b
    Examples:
      probeledger calibrate references resistors.toml
      probeledger calibrate run /dev/ttyACM0 --references resistors.toml --output found.json
      probeledger calibrate apply /dev/ttyACM0 found.json
      probeledger calibrate certificate found.json --as-left left.json --details shop.toml
    """


command.add_command(run)
command.add_command(apply)
command.add_command(show)
command.add_command(history)


@command.command("fit")
@click.argument("points", metavar="POINTS.csv")
@click.option(
    "--range",
    "range_name",
    type=click.Choice(["low", "high"]),
    default="low",
    show_default=True,
    help="The tester's range; the high one is fitted in conductance.",
)
@click.option(
    "--model",
    type=click.Choice(["auto", "line", "quadratic"]),
    default="auto",
    show_default=True,
    help="Which shape; auto lets the points decide.",
)
@json_option
def fit(points: str, range_name: str, model: str, as_json: bool) -> None:
    """Fit the tester's coefficients to measured points.

    POINTS.csv has the columns reference_ohms, u_reference_ohms, raw_ohms and u_raw_ohms, in any order, one row a
    reading, in the order taken; "-" reads standard input. Uncertainties are standard uncertainties (k = 1) in ohm.
    Where references share an uncertainty (one decade box, one certificate), the columns shared_group and
    u_shared_ohms tell it, on top of u_reference_ohms; where several rows are of one resistor, the column resistor.

    The coefficients are offset, gain and, where the points demand it, quadratic, of reference over raw. In the high
    range 1/reference = offset + gain/raw, with the offset in siemens. Points that look wrong are named and stay in.

    \b
    Examples:
      probeledger calibrate fit points.csv
      probeledger calibrate fit high.csv --range high --json
    """
    from probeledger.calibrating import fitting
    from probeledger.calibrating.points import read_points

    shown = "standard input" if points == "-" else clean(points, 120)
    found, warnings = read_points(read_text(points, "points file", shown), shown)
    fitted = fitting.fit(found, range_name, None if model == "auto" else model)
    for warning in warnings:
        note(f"Warning: {warning}")
    if as_json:
        emit(_document(fitted, warnings))
    else:
        _show(fitted)


@command.command("references")
@click.argument("file", metavar="FILE.toml")
@click.option("--date", "day", type=DAY, default="today", show_default=True, metavar="DATE", help="The day of use.")
@click.option("--celsius", type=_CELSIUS, default=23.0, show_default=True, metavar="X", help="Of the resistors.")
@click.option(
    "--u-celsius", type=_U_CELSIUS, default=0.5, show_default=True, metavar="X", help="Its uncertainty (k = 1)."
)
@json_option
def references(file: str, day: datetime.date, celsius: float, u_celsius: float, as_json: bool) -> None:
    """Check a file of reference resistors.

    Shows what each is worth on a day at a temperature, and what a calibration against them can support.

    Each resistor stands in a table [[references]] with name, ohms, uncertainty_ohms and k (or uncertainty_ppm and k,
    or tolerance_percent), and optionally certificate and date, celsius, tempco_ppm_per_k, tempco_limit_ppm_per_k,
    drift_ppm_per_year, drift_limit_ppm_per_year, shared_group and shared_uncertainty_ohms. A short (0 ohm) and four
    values from 10 to 4000 ohm are the least; what more would support is told.

    \b
    Examples:
      probeledger calibrate references resistors.toml
      probeledger calibrate references resistors.toml --celsius 21.5 --json
    """
    from rich.text import Text

    from probeledger.calibrating.references import read_references
    from probeledger.rounding import with_uncertainty

    shown = "standard input" if file == "-" else clean(file, 120)
    found = read_references(read_text(file, "reference file", shown), shown)
    values = found.values(day, celsius, u_celsius)
    u_ohms = values.covariance.diagonal() ** 0.5
    if as_json:
        emit(
            {
                "name": found.name,
                "date": day,
                "celsius": celsius,
                "references": [
                    {
                        "name": each.name,
                        "ohms": float(ohms),
                        "u_ohms": float(u),
                        "u_own_ohms": float(own),
                        "u_shared_ohms": float(shared),
                        "shared_group": each.shared_group,
                        "certificate": each.certificate,
                        "certificate_date": each.date,
                    }
                    for each, ohms, u, own, shared in zip(
                        found.references, values.ohms, u_ohms, values.u_own_ohms, values.u_shared_ohms, strict=True
                    )
                ],
                "covariance": values.covariance,
                "claims": found.claims(),
            }
        )
        return
    rows = [
        (each.name, *with_uncertainty(float(ohms), float(u)), cell(each.certificate, limit=20), each.date or "-")
        for each, ohms, u in zip(found.references, values.ohms, u_ohms, strict=True)
    ]
    out = console()
    title = f"On {day.isoformat()} at {celsius:g} °C"
    out.print(table(["Name", ("Ω", "right"), ("± Ω (k = 2)", "right"), "Certificate", "of"], rows, title=title))
    out.print()
    for claim in found.claims():
        out.print(Text(f"* {claim}"))


@command.command("certificate")
@click.argument("file", metavar="RUN.json|CERTIFICATE.json")
@click.option("--as-left", "as_left", metavar="RUN.json", help="The run after the adjustment.")
@click.option("--details", metavar="FILE.toml", help="Number, laboratory, place and who authorises; for runs.")
@click.option(
    "--output",
    type=click.Path(dir_okay=False, path_type=Path),
    metavar="FILE",
    help="Where to write the page.  [default: certificate-NUMBER.html here]",
)
@json_option
def certificate(file: str, as_left: str | None, details: str | None, output: Path | None, as_json: bool) -> None:
    """Write a calibration's certificate as a page to print.

    From the run as found, the run as left where the tester was adjusted, and a file of details; or from a certificate's
    document as --json writes it, whose statements and probabilities are worked out again. The page prints on A4 or
    Letter from the browser. With --json the complete document is written, and a page only where --output names one.

    The details have number, place, authorised_by and a table [laboratory] with name and address; optionally [customer],
    description, condition, humidity_percent, received, next_agreed (days) and remarks.

    \b
    Examples:
      probeledger calibrate certificate found.json --as-left left.json --details shop.toml
      probeledger calibrate certificate certificate.json --output certificate.html
    """
    import datetime
    import json

    from probeledger.calibrating.certificate_json import document, read_document
    from probeledger.calibrating.issuing import certificate_of, read_details
    from probeledger.calibrating.page import render_certificate
    from probeledger.calibrating.runfile import KIND, read_run, run_of
    from probeledger.cli.day import write_sheet

    shown = "standard input" if file == "-" else clean(file, 120)
    try:
        made = json.loads(read_text(file, "certificate file", shown))
    except (ValueError, RecursionError) as error:
        raise InputError(f"{shown} is not valid JSON: {clean(error, 100)}.") from None
    if isinstance(made, dict) and made.get("kind") == KIND:
        if details is None:
            raise InputError(
                "A certificate needs to know its number, the laboratory and who authorises it; name a file "
                "with --details."
            )
        told = read_details(read_text(details, "file of details", clean(details, 120)), clean(details, 120))
        left = None
        if as_left is not None:
            left = read_run(read_text(as_left, "run", clean(as_left, 120)), clean(as_left, 120))
        found = certificate_of(run_of(made, shown), left, told, datetime.date.today())
    else:
        if as_left is not None or details is not None:
            raise InputError(f"{shown} is no calibration run; --as-left and --details belong to runs.")
        found = read_document(made)
    if output is None and not as_json:
        output = Path(f"certificate-{found.number.replace('/', '-')}.html")
    if output is not None:
        write_sheet(output, render_certificate(found))
    if as_json:
        emit({**document(found), "output": None if output is None else str(output)})
        return
    what = "as left" if found.as_left else "as found"
    click.echo(f"Tester {clean(found.item.tester, 40)}, {what}: {found.statement}.")
    click.echo(f"certificate: {output}")


def read_text(path: str, what: str, shown: str) -> str:
    """Return a text file's content. Raises InputError in one sentence."""
    try:
        if path == "-":
            raw = sys.stdin.buffer.read(_MOST_BYTES + 1)
        else:
            with Path(path).open("rb") as handle:
                raw = handle.read(_MOST_BYTES + 1)
    except FileNotFoundError:
        raise InputError(f"There is no {what} {shown}.") from None
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or "not a path"
        raise InputError(f"The {what} {shown} cannot be read: {reason}.") from None
    if len(raw) > _MOST_BYTES:
        raise InputError(f"The {what} {shown} is over {_MOST_BYTES // 1000} kB; such a file is a page or two.")
    try:
        return raw.decode("utf-8")
    except UnicodeDecodeError:
        raise InputError(f"The {what} {shown} is not text in UTF-8.") from None


def _model_document(candidate: Candidate) -> dict[str, Any]:
    fit = candidate.fit
    return {
        "coefficients": fit.coefficients,
        "covariance": fit.covariance,
        "chi2": fit.chi2,
        "degrees_of_freedom": fit.degrees_of_freedom,
        "chi2_probability": fit.probability,
        "covariance_scaled_by_residuals": fit.scaled_covariance,
        "coefficients_without_outliers": candidate.without.coefficients if candidate.outliers else None,
    }


def _document(fitted: Fitted, warnings: list[str]) -> dict[str, Any]:
    from probeledger.calibrating import fitting

    hysteresis = fitted.hysteresis
    return {
        **_model_document(fitted.candidates[fitted.model]),
        "range": fitted.range,
        "model": fitted.model,
        "model_chosen_by": fitting.CRITERION if fitted.chosen else "request",
        "estimator": fitting.ESTIMATOR,
        "consistent": fitted.consistent,
        "points": [
            {
                "line": result.point.line,
                "reference_ohms": result.point.reference_ohms,
                "raw_ohms": result.point.raw_ohms,
                "fitted_ohms": result.fitted_ohms,
                "residual_ohms": result.residual_ohms,
                "u_ohms": result.u_ohms,
                "u_fit_ohms": result.u_fit_ohms,
                "deviation": result.deviation,
                "outlier": result.outlier,
            }
            for result in fitted.points
        ],
        "outliers": [result.point.line for result in fitted.outliers],
        "hysteresis": None if hysteresis is None else vars(hysteresis),
        "models": {name: _model_document(candidate) for name, candidate in fitted.candidates.items()},
        "notes": fitted.notes,
        "warnings": warnings,
    }


def _show(fitted: Fitted) -> None:
    from rich.text import Text

    from probeledger.rounding import fixed, significant

    polynomial = fitted.polynomial
    out = console()
    high = fitted.range == "high"
    rows = [
        (name, f"{value:.7f}" if name == "gain" or name == "offset" and not high else f"{value:.4g}", f"{u:.1e}", unit)
        for name, value, u, unit in zip(
            ("offset", "gain", "quadratic"),
            polynomial.coefficients,
            polynomial.covariance.diagonal() ** 0.5,
            ("S", "S/S", "1/S") if high else ("Ω", "Ω/Ω", "1/Ω"),
            strict=False,
        )
    ]
    out.print(table(["Coefficient", ("value", "right"), ("u (k = 1)", "right"), "unit"], rows))
    shape = "1/reference over 1/raw" if high else "reference over raw"
    why = "by the evidence" if fitted.chosen else "as asked"
    out.print(f"A {'straight line' if fitted.model == 'line' else 'quadratic'} of {shape}, {why}.")
    out.print(
        f"Chi-squared {significant(polynomial.chi2, 3)} with {polynomial.degrees_of_freedom} degrees of freedom: "
        f"{'agrees' if fitted.consistent else 'does not agree'} with the stated uncertainties "
        f"(probability {significant(polynomial.probability, 2)})."
    )
    out.print()
    lines = []
    for result in fitted.points:
        decimals = max(0, 1 - math.floor(math.log10(result.u_ohms)))
        lines.append(
            (
                result.point.line,
                fixed(result.point.reference_ohms, decimals),
                fixed(result.point.raw_ohms, decimals),
                fixed(result.residual_ohms, decimals),
                fixed(result.u_ohms, decimals),
                fixed(result.deviation, 1),
                Text("outlier" if result.outlier else ""),
            )
        )
    headings = ["Line", "Reference Ω", "Raw Ω", "Off by Ω", "u Ω", "in u"]
    out.print(table([*((heading, "right") for heading in headings), " "], lines))
    if fitted.notes:
        out.print()
    for each in fitted.notes:
        out.print(Text(f"* {each}"))
