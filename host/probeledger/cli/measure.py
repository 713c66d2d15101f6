"""The command `measure`: readings of whatever is clipped on, at the bench."""

from __future__ import annotations

from itertools import count as numbers
from typing import TYPE_CHECKING, Any

import click

from probeledger.cli._options import json_option, port_argument
from probeledger.cli._output import emit_line, note
from probeledger.text import clean

if TYPE_CHECKING:
    from probeledger.curves import PlatinumCurve

__all__ = ["command"]

# What the tester says of its leads -> what a person reads.
_LEADS = {
    "open": "open: nothing is clipped on, or no current flows",
    "short": "short: the clips touch each other",
    "sense-lost": "a sense jaw has lost its lead: clip on again",
    "saturated": "beyond the tester's range",
}


@click.command()
@port_argument
@click.option(
    "--count", type=click.IntRange(min=0), default=1, show_default=True, metavar="N", help="Values; 0 runs on."
)
@click.option(
    "--readings",
    type=click.IntRange(min=1, max=64),
    default=4,
    show_default=True,
    metavar="N",
    help="Readings averaged in each value.",
)
@click.option(
    "--curve", "curve_name", default="pt1000-3850", show_default=True, metavar="NAME", help="The sensor's curve."
)
@click.option("--budget", is_flag=True, help="Show where the uncertainty of each value comes from.")
@click.option(
    "--class",
    "sensor_class",
    type=click.Choice(["AA", "A", "B", "C"]),
    default="B",
    show_default=True,
    help="The sensor's tolerance class (IEC 60751), for the budget in degrees.",
)
@json_option
def command(
    port: str, count: int, readings: int, curve_name: str, budget: bool, sensor_class: str, as_json: bool
) -> None:
    """Take readings with a tester on the bench.

    For resistors and loose probes only: never while the probe is in an appliance, because USB ties it to the
    computer's earth. With --json, one JSON object a line.

    \b
    Examples:
      probeledger measure /dev/ttyACM0
      probeledger measure /dev/ttyACM0 --count 10 --curve pt1000-3750
      probeledger measure /dev/ttyACM0 --readings 8 --budget
    """
    from probeledger.curves import curve
    from probeledger.link import open_session
    from probeledger.rounding import fixed, with_uncertainty

    of = curve(curve_name)
    taken: list[float] = []
    try:
        with open_session(port) as session:
            for _ in range(count) if count else numbers():
                answer = session.measure(readings)
                reading = reading_of(answer, of)
                if as_json:
                    more = {"budget": _budget_document(answer, of, sensor_class)} if budget else {}
                    emit_line({"tester": session.hello.tester, **reading, **more})
                else:
                    click.echo(_line(reading))
                    if budget:
                        _show_budget(answer, of, sensor_class)
                if reading["ohms"] is not None:
                    taken.append(reading["ohms"])
    except KeyboardInterrupt:
        # Ending a running measurement is not a failure.
        if count:
            raise
    if not as_json and len(taken) > 1:
        mean = sum(taken) / len(taken)
        spread = (sum((ohms - mean) ** 2 for ohms in taken) / (len(taken) - 1)) ** 0.5
        mean_text, _ = with_uncertainty(mean, spread / 2 or None)
        note(f"Mean of {len(taken)} values {mean_text} Ω, standard deviation {fixed(spread, 4)} Ω.")


def reading_of(answer: dict[str, Any], of: PlatinumCurve) -> dict[str, Any]:
    """Return one reading with its temperature, noise and uncertainty.

    Args:
        answer: the tester's answer to `measure`.
        of: the sensor's curve.

    Returns:
        `ohms, u_ohms, noise_ohms` [ohm], the last the standard deviation of a single reading, None where there is only
        one; `celsius, u_celsius` [degrees C], None outside the curve's range; `curve`; and what the tester said.
    """
    from probeledger.errors import ProbeError

    ohms, u_ohms = _number(answer.get("ohms")), _number(answer.get("u_ohms"))
    celsius = u_celsius = None
    if ohms is not None:
        try:
            celsius = of.celsius(ohms)
        except ProbeError:
            celsius = None
        if celsius is not None and u_ohms is not None:
            u_celsius = u_ohms / abs(of.ohms_per_celsius(celsius))
    rest = {name: value for name, value in answer.items() if name not in ("ohms", "u_ohms")}
    return {
        "ohms": ohms,
        "u_ohms": u_ohms,
        "noise_ohms": _noise_ohms(answer),
        "curve": of.name,
        "celsius": celsius,
        "u_celsius": u_celsius,
        **rest,
    }


def _budget_document(answer: dict[str, Any], of: PlatinumCurve, sensor_class: str) -> dict[str, Any] | None:
    """Return the budget as data, None where there is no value."""
    from probeledger.cli import _budget

    made = _budget.of_answer(answer, of, sensor_class)
    return None if made is None else _budget.document(made)


def _show_budget(answer: dict[str, Any], of: PlatinumCurve, sensor_class: str) -> None:
    """Print the budget; where there is no value there is nothing to say."""
    from probeledger.cli import _budget
    from probeledger.cli._output import console

    made = _budget.of_answer(answer, of, sensor_class)
    if made is None:
        return
    out = console()
    out.print()
    for part in _budget.tables(made):
        out.print(part)
    out.print()


def _number(value: object) -> float | None:
    return float(value) if isinstance(value, (int, float)) and not isinstance(value, bool) else None


def _noise_ohms(answer: dict[str, Any]) -> float | None:
    """Return the standard deviation of the single readings [ohm], None where it cannot be had."""
    from probecore import counts
    from probeledger.errors import ProbeError

    readings, reference = answer.get("readings"), _number(answer.get("reference_ohms"))
    if not isinstance(readings, list) or len(readings) < 2 or reference is None:
        return None
    try:
        values = [counts.ratio(reading) * reference for reading in readings]
    except (ProbeError, TypeError, IndexError, ValueError):
        return None
    mean = sum(values) / len(values)
    return float((sum((value - mean) ** 2 for value in values) / (len(values) - 1)) ** 0.5)


def _line(reading: dict[str, Any]) -> str:
    from probeledger.rounding import fixed, with_uncertainty

    leads = reading.get("leads")
    if reading["ohms"] is None:
        return f"No value: {_LEADS.get(str(leads), clean(leads, 60) or 'the tester gives no reason')}."
    ohms, expanded_ohms = with_uncertainty(reading["ohms"], reading["u_ohms"])
    parts = [f"{ohms} Ω ± {expanded_ohms} Ω"]
    if reading["celsius"] is not None:
        celsius, expanded_celsius = with_uncertainty(reading["celsius"], reading["u_celsius"])
        parts.append(f"{celsius} °C ± {expanded_celsius} °C")
    parts[-1] += " (k = 2)"
    if reading["noise_ohms"] is not None:
        parts.append(f"noise {fixed(reading['noise_ohms'], 4)} Ω")
    if leads not in (None, "connected"):
        parts.append(_LEADS.get(str(leads), clean(leads, 40)))
    return "   ".join(parts)
