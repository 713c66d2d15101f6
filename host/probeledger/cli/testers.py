"""The command `testers`: what is plugged in."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import click

from probeledger.cli._options import json_option
from probeledger.cli._output import console, emit, note, progress, table
from probeledger.text import clean, plural, span

if TYPE_CHECKING:
    from probeledger.link import Port

__all__ = ["command"]

# A clock that is further off than this is worth a word [s].
_CLOCK_TOLERANCE_S = 60
# A longer name of a port does not fit into a table of 80 columns.
_PORT_COLUMNS = 16


@click.command()
@click.option("--all", "ask_all", is_flag=True, help="Ask ports that are not USB as well (old serial ports).")
@json_option
def command(ask_all: bool, as_json: bool) -> None:
    """List the testers that are plugged in.

    Each USB serial port, and each virtual tester of this computer, is asked whether a tester is on it. Other serial
    ports may have anything connected to them and are left alone without --all.

    \b
    Examples:
      probeledger testers
      probeledger testers --json
    """
    from concurrent.futures import ThreadPoolExecutor

    from probeledger.link import present_ports

    ports = present_ports()
    asked = [port for port in ports if port.likely or ask_all]
    with progress(quiet=as_json) as bar, ThreadPoolExecutor(max_workers=8) as pool:
        task = bar.add_task("Asking", total=len(asked))
        answers = []
        for answer in pool.map(_ask, asked):
            answers.append(answer)
            bar.advance(task)
    found = [answer for answer in answers if "problem" not in answer]
    for answer in answers:
        if "problem" in answer:
            note(answer["problem"])
    if as_json:
        emit(found)
        return
    if not found:
        note(_nothing_found(len(asked), len(ports) - len(asked)))
        return
    _show(found)


def _show(found: list[dict[str, Any]]) -> None:
    headings: list[str | tuple[str, str]] = ["Firmware", "Calibration", "Records", ("Cell", "right"), "Clock"]
    long_names = any(len(answer["port"]) > _PORT_COLUMNS for answer in found)
    rows: list[list[object]] = []
    for answer in found:
        name = [] if long_names else [answer["port"]]
        cell_text = "-" if answer["cell_volts"] is None else f"{answer['cell_volts']:.2f} V"
        rows.append(
            [
                *name,
                answer["tester"],
                answer["firmware"],
                _calibration(answer),
                _records(answer),
                cell_text,
                _clock(answer),
            ]
        )
    console().print(table([*([] if long_names else ["Port"]), "Tester", *headings], rows))
    if long_names:
        # A name that has to be copied stands whole, on a line of its own.
        click.echo("Ports:")
        for answer in found:
            click.echo(f"  {clean(answer['tester'], 20)}  {clean(answer['port'])}")


def _nothing_found(asked: int, left_alone: int) -> str:
    advice = "Plug one in with a USB cable that carries data, switch it on, and run this again."
    if asked:
        return f"No tester found on {plural(asked, 'port')}. {advice}"
    other = f" ({plural(left_alone, 'port')} without USB not asked: --all asks them too.)" if left_alone else ""
    return f"No tester is plugged in.{other} {advice}"


def _ask(port: Port) -> dict[str, Any]:
    """Return what the tester on a port says of itself, or a "problem" in one sentence."""
    import time

    from probeledger.errors import DeviceError
    from probeledger.link import open_session

    try:
        with open_session(port.name, tries=2, restart=False) as session:
            hello = session.hello
    except DeviceError as error:
        return {"port": port.name, "problem": error.message}
    now = time.time()
    return {
        "port": port.name,
        "virtual": port.virtual,
        "tester": hello.tester,
        "firmware": hello.firmware,
        "protocol": hello.protocol,
        "calibration": hello.calibration,
        "calibration_state": hello.calibration_state,
        "ledger": hello.ledger,
        "store": hello.store,
        "first": hello.first,
        "last": hello.last,
        "confirmed": hello.confirmed,
        "records_to_pull": max(hello.last - max(hello.confirmed, hello.first - 1), 0),
        "cell_volts": hello.cell_volts,
        "clock_set": hello.clock_set,
        "time": hello.time,
        "clock_ahead_s": None if hello.time is None or not hello.clock_set else round(hello.time - now),
        "boot": hello.boot,
        "uptime_ms": hello.ms,
        "micropython": hello.raw.get("micropython"),
        "full": bool(hello.raw.get("full")),
        "notes": hello.raw.get("notes") or [],
    }


def _calibration(answer: dict[str, Any]) -> str:
    state = clean(answer["calibration_state"], 16) or "unknown"
    if answer["calibration"] is None:
        return "none" if state == "uncalibrated" else state
    name = clean(answer["calibration"], 16)
    return name if state == "calibrated" else f"{name} ({state})"


def _records(answer: dict[str, Any]) -> str:
    if answer["ledger"] is None:
        return "no ledger"
    new = answer["records_to_pull"]
    if answer["full"]:
        return f"FULL, {new} to pull"
    return f"{new} to pull" if new else "all pulled"


def _clock(answer: dict[str, Any]) -> str:
    ahead_s = answer["clock_ahead_s"]
    if ahead_s is None:
        return "not set"
    if abs(ahead_s) <= _CLOCK_TOLERANCE_S:
        return "right"
    return f"{span(abs(ahead_s))} {'fast' if ahead_s > 0 else 'slow'}"
