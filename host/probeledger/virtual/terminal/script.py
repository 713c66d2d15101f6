"""Written scripts: what a person would do at the tester, and the text that tells of it, with the screens drawn in.

A script is Markdown. Lines that begin with "@" act, or draw what there is to see; all others are copied:

    @press KEY, @hold KEY      a short or a long press of back, ok or next
    @clip PLACE                sensor, control-end, new-part, after-fitting, together, resistor or none
    @chassis on, @chassis off  the chassis clip
    @slip CLIP, @slip none     F+, S+, S- or F- slips off its terminal; all hold again
    @usb in, @usb out          the plug
    @flex SECONDS              the harness is bent
    @power on, @power off      the cell
    @oven NAME                 the way to another oven, everything off
    @wait SECONDS              simulated time passes
    @until TEXT                it passes until a text stands on the display
    @display                   draw the display, and write what can be read on it
    @screen                    draw the whole screen of --keys
    @heard                     tell what the buzzer has played since the last time

Simulated time runs as fast as it can. The same script on the same firmware writes the same text.
"""

from __future__ import annotations

import tempfile
import textwrap
from collections.abc import Callable, Sequence
from contextlib import ExitStack
from dataclasses import dataclass
from pathlib import Path

from probeledger.errors import InputError, ProbeError
from probeledger.virtual import scenario as scenarios
from probeledger.virtual.actors import Script
from probeledger.virtual.device import VirtualTester
from probeledger.virtual.glass import Reader
from probeledger.virtual.launcher import HEAP_BYTES
from probeledger.virtual.world import KEYS, World

from . import dots
from .hand import Hand
from .keyboard import Act
from .layout import LEAST_COLUMNS, LEAST_LINES, draw, plain
from .reading import texts_on

__all__ = ["ScriptError", "Step", "parse", "play"]

# How long a text may take to come [simulated s], and how often it is looked for.
_PATIENCE_S, _LOOK_S = 3600.0, 0.1
# How long a whole script may take [wall s].
_WALL_S = 1800.0
# The tester of a script is always the same one.
_UNIQUE_ID = bytes.fromhex("e66000000000cafe")
_LONGEST_S = 86400.0
# How wide the text is that is made [characters].
_LINE_CHARACTERS = 120
# A blank as wide as the patterns beside it, whatever the reader's font is.
_BLANK_PATTERN = "\u2800"


class ScriptError(ProbeError):
    """Report that the tester did not do what a script waits for."""

    exit_status = 1

    def __init__(self, message: str) -> None:
        super().__init__("script", message)


@dataclass(frozen=True)
class Step:
    """Hold one line of a script: its number, and either text to copy or an act (`name`, `value`)."""

    line: int
    text: str = ""
    name: str = ""
    value: str = ""


def _seconds(value: str) -> str:
    try:
        seconds = float(value)
    except ValueError:
        return "a number of seconds"
    return "" if 0 < seconds <= _LONGEST_S else f"more than 0 and at most {_LONGEST_S:g} seconds"


def _one_of(*words: str) -> Callable[[str], str]:
    return lambda value: "" if value in words else f"one of {', '.join(words)}"


def _some(value: str) -> str:
    return "" if value else "a name or a text"


def _nothing(value: str) -> str:
    return "nothing" if value else ""


# What each act needs: a function that returns what was expected, "" where the value is right.
_NEEDS: dict[str, Callable[[str], str]] = {
    "press": _one_of(*KEYS),
    "hold": _one_of(*KEYS),
    "clip": _one_of("sensor", "control-end", "new-part", "after-fitting", "together", "resistor", "none"),
    "chassis": _one_of("on", "off"),
    "slip": _one_of("F+", "S+", "S-", "F-", "none"),
    "usb": _one_of("in", "out"),
    "flex": _seconds,
    "power": _one_of("on", "off"),
    "oven": _some,
    "wait": _seconds,
    "until": _some,
    "display": _nothing,
    "screen": _nothing,
    "heard": _nothing,
}


def parse(text: str, name: str) -> list[Step]:
    """Return a script's steps.

    Args:
        text: the script.
        name: of its file, for messages.

    Raises:
        InputError: a line names no act, or gives it what it cannot use.

    >>> parse("Look:\\n@press ok\\n", "x")[1]
    Step(line=2, text='', name='press', value='ok')
    """
    steps = []
    for number, line in enumerate(text.splitlines(), 1):
        if not line.startswith("@"):
            steps.append(Step(number, text=line))
            continue
        act, _, value = line[1:].strip().partition(" ")
        value = value.strip()
        if act not in _NEEDS:
            raise InputError(
                f"Line {number} of {name} has no act @{act}; the acts are {', '.join('@' + known for known in _NEEDS)}."
            )
        wanted = _NEEDS[act](value)
        if wanted:
            raise InputError(f"Line {number} of {name}: @{act} wants {wanted}, not {value!r}.")
        steps.append(Step(number, name=act, value=value))
    return steps


def play(
    steps: Sequence[Step],
    world: World,
    state: Path | None = None,
    *,
    seed: int = 0,
    heap_bytes: int = HEAP_BYTES,
    micropython: str | None = None,
) -> str:
    """Play a script with a tester of its own, and return the text that it makes.

    Args:
        steps: of `parse`.
        world: where it begins.
        state: the tester's folder; None takes a new one, which makes the text the same every time.
        seed: of the tester's part values.
        heap_bytes: MicroPython's heap [bytes].
        micropython: the interpreter; None looks for one.

    Raises:
        ScriptError: a text did not come.
        InputError: an oven that is not there, or no interpreter.
    """
    with ExitStack() as stack:
        folder = state or Path(stack.enter_context(tempfile.TemporaryDirectory(prefix="probeledger-")))
        tester = stack.enter_context(
            VirtualTester(
                folder,
                world=world,
                seed=seed,
                heap_bytes=heap_bytes,
                micropython=micropython,
                unique_id=None if state else _UNIQUE_ID,
            )
        )
        tester.power_on()
        player = _Player(tester, world)
        tester.run(player.acting(steps), wall_timeout_s=_WALL_S)
        return player.text()


class _Player:
    """Act out a script, in the tester's own thread, and collect its text."""

    def __init__(self, tester: VirtualTester, world: World) -> None:
        self._tester = tester
        self._world = world
        self._hand = Hand(tester, world.scenario.name if world.scenario else "a bench")
        self._reader = Reader(lambda: dots.glass(tester.board.display))
        self._lines: list[str] = []
        self._told_us = -1

    def text(self) -> str:
        return "\n".join(self._lines).rstrip("\n") + "\n"

    def acting(self, steps: Sequence[Step]) -> Script:
        for step in steps:
            if not step.name:
                self._lines.append(step.text)
            elif step.name in ("display", "screen"):
                self._draw(step.name)
            elif step.name == "heard":
                self._lines.append(self._heard())
            elif step.name == "oven":
                self._visit(step.value)
            elif step.name == "wait":
                yield float(step.value)
            elif step.name == "until":
                yield from self._until(step)
            else:
                yield from self._act(step)

    def _act(self, step: Step) -> Script:
        self._hand.act(Act(step.name, step.value))
        if step.name in ("press", "hold"):
            yield 0.4 if step.name == "press" else 1.3

    def _until(self, step: Step) -> Script:
        began_us = self._tester.now_us
        while not self._reader.sees(step.value):
            if self._tester.now_us - began_us > _PATIENCE_S * 1e6:
                said = self._tester.console[-200:].strip()
                raise ScriptError(
                    f'Line {step.line}: "{step.value}" did not come to the display within {_PATIENCE_S / 60:g} '
                    f"simulated minutes; the firmware printed last: {said!r}."
                )
            yield _LOOK_S
        # The buzzer sounds once the picture stands.
        yield 1.5

    def _visit(self, name: str) -> None:
        try:
            oven = scenarios.load(name)
        except scenarios.ScenarioError as error:
            raise InputError(str(error)) from error
        self._world.visit(oven)
        self._hand.oven = oven.name

    def _draw(self, what: str) -> None:
        scene = self._hand.scene()
        self._lines.append("```text")
        if what == "display":
            self._lines += [
                line.rstrip(_BLANK_PATTERN) or _BLANK_PATTERN for line in dots.braille(scene.picture, _BLANK_PATTERN)
            ]
        else:
            self._lines += plain(draw(scene, LEAST_COLUMNS, LEAST_LINES))
        self._lines.append("```")
        if what == "display":
            read = f"Reads: {' · '.join(texts_on(scene.picture)) or 'nothing'}."
            self._lines += ["", *textwrap.wrap(read, _LINE_CHARACTERS, break_on_hyphens=False)]

    def _heard(self) -> str:
        sounds = [sound for sound in self._hand.scene().sounds if sound.time_us > self._told_us]
        self._told_us = self._tester.now_us
        if not sounds:
            return "Heard: nothing."
        return f"Heard: {', '.join(sound.words for sound in sounds)}."
