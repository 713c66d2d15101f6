"""The command `virtual`: a tester without hardware, in the foreground."""

from __future__ import annotations

import signal
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any, TextIO

import click

from probeledger.cli._output import emit_line, note

if TYPE_CHECKING:
    from probeledger.virtual.actors import Script
    from probeledger.virtual.device import VirtualTester

__all__ = ["command"]

_FASTEST = 100_000.0


class _Press(click.ParamType):
    """A key press: KEY@SECONDS, or KEY@SECONDS+HOLD."""

    name = "press"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> tuple[str, float, float]:
        if isinstance(value, tuple):
            return value
        key, _, when = str(value).partition("@")
        at_s, _, hold_s = when.partition("+")
        try:
            press = key, float(at_s), float(hold_s or 0.1)
        except ValueError:
            press = key, -1.0, 0.0
        if key not in ("back", "ok", "next") or not 0 <= press[1] < 1e9 or not 0 < press[2] <= 60:
            self.fail(f"{value!r} is no key press; write back, ok or next with a time, such as ok@5 or next@12.5+2.")
        return press


@click.command()
@click.argument("scenario", metavar="SCENARIO")
@click.option(
    "--speed",
    type=click.FloatRange(0, _FASTEST, min_open=True),
    default=1.0,
    show_default=True,
    metavar="N",
    help="Simulated seconds for each real one.",
)
@click.option("--usb/--no-usb", default=None, help="Plug the USB cable in.  [default: in; out with --keys]")
@click.option(
    "--clip",
    "place",
    type=click.Choice(["sensor", "control-end", "new-part", "after-fitting", "none"]),
    default=None,
    help="Where the probe leads are clipped on.  [default: sensor; none with --keys]",
)
@click.option("--chassis/--no-chassis", default=None, help="Put the chassis clip on.  [default: on; off with --keys]")
@click.option(
    "--press",
    "presses",
    type=_Press(),
    multiple=True,
    metavar="KEY@SECONDS",
    help="Press back, ok or next at a simulated time; may be given several times. KEY@SECONDS+HOLD holds it.",
)
@click.option(
    "--state",
    type=click.Path(file_okay=False, path_type=Path),
    metavar="DIR",
    help="Folder for flash, clock and internal files.  [default: one for each scenario]",
)
@click.option("--seed", type=click.IntRange(0, 2**31), default=0, help="Draw another specimen of the tester.")
@click.option(
    "--heap",
    default=None,
    metavar="SIZE",
    help="The firmware's heap, such as 230k.  [default: 460k, twice a Pico's, as words are twice as long here]",
)
@click.option("--micropython", metavar="PATH", help="MicroPython (Unix port) to run the firmware on.")
@click.option("--keys", is_flag=True, help="Operate it here: the display, the keys and the clips in the terminal.")
@click.option(
    "--script",
    type=click.File("r", encoding="utf-8"),
    metavar="FILE",
    help="With --keys: play a written script, as fast as it goes, and write the screens to stdout.",
)
@click.option("--json", "as_json", is_flag=True, help="Write one JSON object a line, for scripts.")
def command(
    scenario: str,
    speed: float,
    usb: bool | None,
    place: str | None,
    chassis: bool | None,
    presses: tuple[tuple[str, float, float], ...],
    state: Path | None,
    seed: int,
    heap: str | None,
    micropython: str | None,
    keys: bool,
    script: TextIO | None,
    as_json: bool,
) -> None:
    """Run a virtual tester and print its port, or operate it.

    SCENARIO is a scenario file, or the name of a built-in oven such as good-sensor. The tester runs the real firmware
    until Ctrl-C. Its port works like a real one: 'probeledger measure PORT', 'probeledger pull PORT', and
    mpremote too. Ledger, clock and calibration stay in the state folder for the next time.

    With --keys its display is drawn in the terminal, from 80 columns and 24 lines on, and the keyboard presses its
    keys, moves the clips and the plug; the lines at the bottom say which does what. It begins with nothing clipped on.

    \b
    Examples:
      probeledger virtual good-sensor
      probeledger virtual good-sensor --keys
      probeledger virtual leak-to-chassis --no-usb --press ok@3 --speed 10
      probeledger virtual my-oven.toml --state ~/testers/spare
    """
    from probeledger.errors import InputError
    from probeledger.virtual import launcher
    from probeledger.virtual import scenario as scenarios
    from probeledger.virtual.device import VirtualTester
    from probeledger.virtual.world import World

    _check_options(keys, script, presses, as_json)
    try:
        oven = scenarios.load(scenario)
        # Who operates it by hand stands at the oven with the clips in the hand.
        world = World(scenario=oven, seed=seed, usb_plugged=usb if usb is not None else not keys)
        place = place or ("none" if keys else "sensor")
        if place != "none":
            world.clip(place)
    except scenarios.ScenarioError as error:
        raise InputError(str(error)) from error
    if chassis if chassis is not None else not keys:
        world.clip_chassis()
    heap_bytes = launcher.HEAP_BYTES if heap is None else launcher.read_heap_bytes(heap)
    if script is not None:
        from probeledger.virtual.terminal import script as scripts

        with _stopped_by_signals():
            acts = scripts.parse(script.read(), script.name)
            text = scripts.play(acts, world, state, seed=seed, heap_bytes=heap_bytes, micropython=micropython)
        click.echo(text, nl=False)
        return
    with _stopped_by_signals():
        try:
            with VirtualTester(
                state or _state_folder(scenario),
                scenario=oven,
                world=world,
                pace=speed,
                seed=seed,
                heap_bytes=heap_bytes,
                micropython=micropython,
                listed=True,
            ) as tester:
                tester.power_on()
                if presses:
                    tester.begin(_press_keys(tester, presses))
                if keys:
                    from probeledger.virtual.terminal.live import operate

                    operate(tester, oven.name, speed, sys.stdin, sys.stdout)
                    return
                _tell_start(tester, oven.name, speed, as_json=as_json)
                _follow(tester, as_json=as_json)
        except KeyboardInterrupt:
            if keys:
                return
            if as_json:
                emit_line({"event": "stopped"})
            else:
                note("Stopped.")


def _check_options(keys: bool, script: TextIO | None, presses: object, as_json: bool) -> None:
    """Refuse what does not go together, and a terminal in which nothing can be operated.

    Raises:
        InputError: says which.
    """
    from probeledger.errors import InputError

    if script is not None and not keys:
        raise InputError("--script plays what a person would do with --keys; give both.")
    if keys and as_json:
        raise InputError("--keys draws for a person; leave --json out, or --keys.")
    if keys and presses:
        raise InputError("--keys takes presses from the keyboard; leave --press out, or --keys.")
    if keys and script is None:
        from probeledger.virtual.terminal import tty

        tty.check(sys.stdin, sys.stdout)


def _state_folder(scenario: str) -> Path:
    import platformdirs

    name = "".join(letter if letter.isalnum() or letter in "-_" else "-" for letter in Path(scenario).stem)
    return Path(platformdirs.user_state_dir("probeledger", appauthor=False)) / "virtual" / (name or "tester")


@contextmanager
def _stopped_by_signals() -> Iterator[None]:
    """Let SIGTERM and a closed terminal end the command as Ctrl-C does."""

    def stop(number: int, frame: object) -> None:
        raise KeyboardInterrupt

    names = [name for name in ("SIGTERM", "SIGHUP", "SIGINT") if hasattr(signal, name)]
    before = {name: signal.signal(getattr(signal, name), stop) for name in names}
    try:
        yield
    finally:
        for name, handler in before.items():
            signal.signal(getattr(signal, name), handler)


def _press_keys(tester: VirtualTester, presses: tuple[tuple[str, float, float], ...]) -> Script:
    begun_us = tester.now_us
    for key, at_s, hold_s in sorted(presses, key=lambda press: press[1]):
        yield max(0.0, at_s - (tester.now_us - begun_us) / 1e6)
        tester.world.press(key, hold_s)


def _tell_start(tester: VirtualTester, name: str, speed: float, *, as_json: bool) -> None:
    import os

    plugged = bool(tester.world.usb_plugged)
    if as_json:
        emit_line(
            {
                "event": "started",
                "port": tester.port if plugged else None,
                "plugged": plugged,
                "pid": os.getpid(),
                "id": tester.state.unique_id().hex(),
                "scenario": name,
                "speed": speed,
                "state": tester.state.path,
            }
        )
        return
    click.echo(f"Virtual tester at the invented oven '{name}', at {speed:g} times real time.")
    click.echo(f"Port: {tester.port}" if plugged else "Its USB is unplugged, so it has no port.")
    click.echo(f"Stop it with Ctrl-C, or with 'kill {os.getpid()}'.")


def _follow(tester: VirtualTester, *, as_json: bool) -> None:
    """Wait for the end; tell once when the firmware has ended although nobody has been at the port."""
    told = False
    while True:
        tester.join(0.5)
        ended = tester.at_prompt and not tester.port_was_opened
        if ended and not told:
            lines = [line for line in tester.console.splitlines() if line.strip() and not line.startswith(">>>")]
            last = next((line for line in reversed(lines) if not line.startswith(("MicroPython ", "Type "))), "")
            if as_json:
                emit_line({"event": "firmware-ended", "last_line": last})
            else:
                note(f"The firmware has ended; MicroPython's prompt is at the port. It printed last: {last}")
        told = ended
