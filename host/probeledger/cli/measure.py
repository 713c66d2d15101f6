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
    from probeledger.link import Session

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
@click.option("--two-wire", is_flag=True, help="Two-wire leads: zero them first, then take their resistance off.")
@click.option("--zero", is_flag=True, help="Zero two-wire leads, their clips together, and end.")
@click.option(
    "--zero-power", is_flag=True, help="Measure with a faint current too; correct a sensor for its self-heating."
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
    port: str,
    count: int,
    readings: int,
    curve_name: str,
    two_wire: bool,
    zero: bool,
    zero_power: bool,
    budget: bool,
    sensor_class: str,
    as_json: bool,
) -> None:
    """Take readings with a tester on the bench.

    For resistors and loose probes only: never while the probe is in an appliance, because USB ties it to the
    computer's earth. With --json, one JSON object a line.

    Two-wire leads add their own resistance. --two-wire asks you to put their clips together and zeroes them; where
    nobody can be asked, use --zero first and then --two-wire, before the tester is switched off.

    The measuring current warms a sensor by a few hundredths of a degree. --zero-power says how much of the value that
    is, about 2 s later; before each further value the tester lets the sensor cool for 20 s.

    \b
    Examples:
      probeledger measure /dev/ttyACM0
      probeledger measure /dev/ttyACM0 --count 10 --curve pt1000-3750
      probeledger measure /dev/ttyACM0 --readings 8 --budget
      probeledger measure /dev/ttyACM0 --zero-power
    """
    if zero and two_wire:
        raise click.UsageError("Use --zero first, with the clips together, then --two-wire with the resistor between.")
    options = (*(("two-wire",) if two_wire else ()), *(("zero-power",) if zero_power else ()))
    from probeledger.curves import curve
    from probeledger.link import open_session
    from probeledger.rounding import fixed, with_uncertainty

    of = curve(curve_name)
    taken: list[float] = []
    try:
        with open_session(port) as session:
            if zero or (two_wire and _somebody_is_there()):
                zeroed = _zero(session, ask=two_wire)
                if zero:
                    _show_zero(session.hello.tester, zeroed, as_json)
                    return
            for _ in range(count) if count else numbers():
                answer = session.measure(readings, *options)
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
    ohms, u_ohms = _number(answer.get("ohms")), _number(answer.get("u_ohms"))
    celsius, u_celsius = _celsius(ohms, u_ohms, of)
    rest = {name: value for name, value in answer.items() if name not in ("ohms", "u_ohms")}
    return {
        "ohms": ohms,
        "u_ohms": u_ohms,
        "noise_ohms": _noise_ohms(answer),
        "curve": of.name,
        "celsius": celsius,
        "u_celsius": u_celsius,
        **_at_zero_power(answer, of, celsius),
        **rest,
    }


def _celsius(ohms: float | None, u_ohms: float | None, of: PlatinumCurve) -> tuple[float | None, float | None]:
    """Return the temperature by the curve and its standard uncertainty, None where there is none."""
    from probeledger.errors import ProbeError

    if ohms is None:
        return None, None
    try:
        celsius = of.celsius(ohms)
    except ProbeError:
        return None, None
    return celsius, None if u_ohms is None else u_ohms / abs(of.ohms_per_celsius(celsius))


def _at_zero_power(answer: dict[str, Any], of: PlatinumCurve, celsius: float | None) -> dict[str, Any]:
    """Return what the measuring current did to a sensor: measured where the tester did so, else its limit.

    Returns:
        `ohms_zero_power, u_ohms_zero_power, celsius_zero_power, self_heating_celsius`, the last the value minus what
        it is without power; `self_heating_most_celsius` by the power alone. Each None where it is not known.
    """
    from probecore import budget as core_budget

    microwatts = _number(answer.get("element_microwatts"))
    most = None if microwatts is None else core_budget.SELF_HEATING_MOST_K_PER_MW * microwatts / 1e3
    measured = answer.get("self_heating")
    measured = measured if isinstance(measured, dict) else {}
    ohms, u_ohms = _number(measured.get("ohms_zero_power")), _number(measured.get("u_ohms"))
    at_zero, _ = _celsius(ohms, u_ohms, of)
    return {
        "ohms_zero_power": ohms,
        "u_ohms_zero_power": u_ohms,
        "celsius_zero_power": at_zero,
        "self_heating_celsius": None if celsius is None or at_zero is None else celsius - at_zero,
        "self_heating_most_celsius": None if celsius is None else most,
    }


def _somebody_is_there() -> bool:
    import sys

    return sys.stdin.isatty() and sys.stderr.isatty()


def _zero(session: Session, ask: bool) -> dict[str, Any]:
    """Zero two-wire leads; with `ask`, tell the person at the terminal what to do, and again where it did not work."""
    from probeledger.errors import DeviceError

    if not ask:
        return session.zero()
    click.pause("Let one clip hold the other, then press any key.", err=True)
    while True:
        try:
            answer = session.zero()
            break
        except DeviceError as error:
            if error.code != "not-shorted":
                raise
            note(error.message)
            click.pause("Then press any key.", err=True)
    note(f"The leads have {_zero_text(answer)}; that is taken off from now on.")
    click.pause("Clip onto what you want to measure, then press any key.", err=True)
    return answer


def _zero_text(answer: dict[str, Any]) -> str:
    from probeledger.rounding import with_uncertainty

    ohms, expanded = with_uncertainty(_number(answer.get("ohms")) or 0.0, _number(answer.get("u_ohms")))
    return f"{ohms} Ω ± {expanded} Ω (k = 2)"


def _show_zero(tester: str, answer: dict[str, Any], as_json: bool) -> None:
    if as_json:
        emit_line({"tester": tester, "zero_ohms": answer.get("ohms"), "u_zero_ohms": answer.get("u_ohms")})
    else:
        click.echo(f"Zero of the leads: {_zero_text(answer)}. Valid with --two-wire until the tester is switched off.")


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
    if reading["ohms_zero_power"] is not None:
        ohms, expanded_ohms = with_uncertainty(reading["ohms_zero_power"], reading["u_ohms_zero_power"])
        heating = f"at zero power {ohms} Ω ± {expanded_ohms} Ω"
        if reading["self_heating_celsius"] is not None:
            heating += f", self-heating {fixed(reading['self_heating_celsius'], 3)} °C"
        parts.append(heating)
    if reading["noise_ohms"] is not None:
        parts.append(f"noise {fixed(reading['noise_ohms'], 4)} Ω")
    if leads not in (None, "connected"):
        parts.append(_LEADS.get(str(leads), clean(leads, 40)))
    return "   ".join(parts)
