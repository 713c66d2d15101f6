"""The command `judge`: one reading typed in by hand."""

from typing import Any

import click

from probeledger.cli._numbers import Number
from probeledger.cli._options import json_option
from probeledger.cli._output import console, emit, table
from probeledger.cli._readings import Leak, Reading
from probeledger.errors import InputError

__all__ = ["command"]

_AMBIENT = Number("ambient temperature", "degrees C")
_U_OHMS = Number("standard uncertainty of the resistance", "ohm", least=0.0)
_U_AMBIENT = Number("standard uncertainty of the ambient temperature", "degrees C", least=0.0)
_HALF_OHMS = Number("plus-or-minus of the resistance", "ohm", least=0.0)
_HALF_AMBIENT = Number("plus-or-minus of the ambient temperature", "degrees C", least=0.0)


@click.command()
@click.option(
    "--ohms", required=True, type=Reading(may_be_open=True), metavar="OHM", help="The reading; 'open' for OL."
)
@click.option("--ambient", required=True, type=_AMBIENT, metavar="CELSIUS", help="The room at the sensor, -40 to 60.")
@click.option(
    "--curve",
    "name",
    default="pt1000-3850",
    show_default=True,
    metavar="NAME|FILE",
    help="The sensor's: a name or a TOML file.",
)
@click.option(
    "--limits", default="domestic-1000", show_default=True, metavar="NAME|FILE", help="Limits: a name or a TOML file."
)
@click.option(
    "--u-ohms",
    type=_U_OHMS,
    metavar="OHM",
    help="Standard uncertainty of the reading (normal).",
)
@click.option(
    "--plus-minus-ohms",
    "half_ohms",
    type=_HALF_OHMS,
    metavar="OHM",
    help="Its stated plus-or-minus (rectangular), in place of --u-ohms.  [default: a hand-held meter's, 0.5 % + 1 ohm]",
)
@click.option(
    "--u-ambient",
    type=_U_AMBIENT,
    metavar="CELSIUS",
    help="Standard uncertainty of the ambient (normal).  [default: that of the limits, 1.0]",
)
@click.option(
    "--plus-minus-ambient",
    "half_ambient",
    type=_HALF_AMBIENT,
    metavar="CELSIUS",
    help="Its stated plus-or-minus (rectangular), in place of --u-ambient.",
)
@click.option("--leak-a", type=Leak(), metavar="OHM", help="Lead a to the chassis, like 40k, 2.2M, >20M, OL.")
@click.option("--leak-b", type=Leak(), metavar="OHM", help="Lead b to the chassis.")
@json_option
def command(
    ohms: float | str,
    ambient: float,
    name: str,
    limits: str,
    u_ohms: float | None,
    half_ohms: float | None,
    u_ambient: float | None,
    half_ambient: float | None,
    leak_a: Any,
    leak_b: Any,
    as_json: bool,
) -> None:
    """Judge one reading typed in by hand.

    The oven is switched off and verified, the sensor unplugged and as cold as the room. The answer is pass, fail or
    undecided, each finding with what to do, and what the reading means for the oven's temperature. The default
    limits are common practice, no source; a shop sets its own with --limits.

    \b
    Examples:
      probeledger judge --ohms 1097.7 --ambient 22
      probeledger judge --ohms 1097.7 --ambient 22 --plus-minus-ohms 2 --plus-minus-ambient 1
      probeledger judge --ohms 1085 --ambient 22 --leak-a 40k --leak-b OL
      probeledger judge --ohms open --ambient 22
      probeledger judge --ohms 11.2k --ambient 22 --curve drawer.toml
    """
    from probeledger.judging import profiles, typed
    from probeledger.sensors import choosing

    for option, u, half in (("ohms", u_ohms, half_ohms), ("ambient", u_ambient, half_ambient)):
        if u is not None and half is not None:
            raise InputError(f"Give --u-{option} or --plus-minus-{option}, not both: each says the same doubt.")
    curve = choosing.choose(name)
    profile = profiles.load(limits)
    answer = typed.judge_typed(
        None if ohms == "open" else float(ohms),
        ambient,
        curve,
        profile,
        u_ohms,
        float(profile["u_ambient_celsius"]) if u_ambient is None else u_ambient,
        leak_a,
        leak_b,
        half_ohms=half_ohms,
        half_ambient_celsius=half_ambient,
    )
    if as_json:
        emit(_document(answer, curve.name, str(profile["name"])))
    else:
        _show(answer, curve.name, profile)


def _document(answer: Any, curve: str, limits: str) -> dict[str, Any]:
    from probeledger.cli._oven import effects_json, hypotheses_json

    return {
        "verdict": answer.verdict,
        "findings": [vars(finding) for finding in answer.findings],
        "requirements": [{"name": name, "probability": p} for name, p in answer.requirements],
        "probability_conforming": answer.probability,
        "guard_bands": [vars(guard) for guard in answer.guards],
        "not_checked": answer.not_checked,
        "celsius": answer.celsius,
        "u_celsius": answer.u_celsius,
        "expected_ohms": answer.expected_ohms,
        "ohms": answer.ohms,
        "u_ohms": answer.u_ohms,
        "plus_minus_ohms": answer.half_ohms,
        "ambient_celsius": answer.ambient_celsius,
        "u_ambient_celsius": answer.u_ambient_celsius,
        "plus_minus_ambient_celsius": answer.half_ambient_celsius,
        "leads": answer.leads,
        "curve": curve,
        "limits": limits,
        "effects": effects_json(answer.effects),
        "hypotheses": hypotheses_json(answer.hypotheses, answer.effects),
        "cautions": answer.cautions,
    }


_WORDS = {
    "pass": ("PASS", "bold green", "what was checked meets its limits."),
    "fail": ("FAIL", "bold red", "a limit is missed."),
    "undecided": ("UNDECIDED", "bold yellow", "it can't be said either way; see what to do."),
}


def _show(answer: Any, curve: str, profile: dict[str, Any]) -> None:
    from rich.padding import Padding
    from rich.table import Table
    from rich.text import Text

    from probeledger.cli import _oven
    from probeledger.judging.guards import words as guards_words
    from probeledger.rounding import fixed, with_uncertainty
    from probeledger.units import fahrenheit, fahrenheit_difference

    out = console()
    word, style, meaning = _WORDS[answer.verdict]
    out.print(Text.assemble((word, style), f": {meaning}"))
    out.print()
    if answer.ohms is not None:
        value, u = with_uncertainty(answer.ohms, answer.u_ohms)
        line = f"Reading    {value} Ω ± {u} Ω"
        if answer.celsius is not None:
            value, u = with_uncertainty(answer.celsius, answer.u_celsius)
            line += f" = {value} °C ± {u} ({fixed(fahrenheit(answer.celsius), 1)} °F), by {curve}"
        out.print(line)
    else:
        out.print("Reading    open circuit")
    u_ambient = 2 * answer.u_ambient_celsius
    out.print(
        f"Expected   {fixed(answer.expected_ohms, 1)} Ω at {answer.ambient_celsius:g} °C ± {u_ambient:g} "
        f"({fixed(fahrenheit(answer.ambient_celsius), 1)} °F ± {fahrenheit_difference(u_ambient):.2g})"
    )
    if answer.celsius is not None:
        off = answer.celsius - answer.ambient_celsius
        out.print(
            f"Off by     {answer.ohms - answer.expected_ohms:+.1f} Ω, "
            f"{off:+.1f} °C ({fahrenheit_difference(off):+.1f} °F)"
        )
    out.print(f"Limits     {profile['name']}; ± is the expanded uncertainty (k = 2)")
    for finding in answer.findings:
        out.print()
        out.print(Text(finding.message, style="bold"))
        out.print(Padding(Text(finding.advice), (0, 0, 0, 2)))
    out.print()
    guards = {guard.name: guards_words(guard) for guard in answer.guards}
    rows = [(name, f"{100 * p:.1f} %", _standing(p, profile), guards.get(name, "")) for name, p in answer.requirements]
    rows += [(name, "", "not checked", "") for name in answer.not_checked]
    out.print(table(["Requirement", ("Met with", "right"), "So", "Undecided within"], rows))
    if answer.effects:
        out.print()
        out.print(Text("What it does to the oven's temperature", style="bold"))
        out.print(table(_oven.HEADINGS, _oven.effects_rows(answer.effects)))
    out.print()
    for caution in answer.cautions:
        bullet = Table.grid(padding=(0, 1, 0, 0))
        bullet.add_row("*", Text(caution))
        out.print(bullet)


def _standing(probability: float, profile: dict[str, Any]) -> str:
    if probability >= profile["pass_probability"]:
        return "met"
    return "missed" if probability <= profile["fail_probability"] else "open"
