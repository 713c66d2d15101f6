"""One moment of the virtual tester as lines for a terminal: the display's glass, the world beside it, help below.

Pure: a `Scene` and a size go in, lines of styled text come out. Every line is exactly as wide as the terminal or
narrower, so that none wraps.
"""

from __future__ import annotations

import datetime
import textwrap
from collections.abc import Sequence

from probeledger.text import clean

from . import dots
from .hand import Scene
from .keyboard import HELP
from .reading import texts_on

__all__ = ["LEAST_COLUMNS", "LEAST_LINES", "Line", "draw", "plain", "styled"]

LEAST_COLUMNS, LEAST_LINES = 80, 24

# A line is a row of (text, style) pairs; styles are the keys of _SGR.
Line = list[tuple[str, str]]

# ECMA-48 "select graphic rendition" codes, from memory: with colours, and without for NO_COLOR (bold, faint and
# reverse are none).
_SGR = {
    "": ("", ""),
    "title": ("7", "7"),
    "glass": ("96;40", ""),
    "reverse glass": ("30;106", "7"),
    "label": ("2", "2"),
    "word": ("1", "1"),
    "alarm": ("1;31", "1"),
    "keys": ("1", "1"),
}

_PANEL = 15
# What stands around the glass: title above; keys, message, a rule and the help below.
_AROUND = 4 + len(HELP)
_LARGE_LINES = 32 + _AROUND


def draw(scene: Scene, columns: int, lines: int) -> list[Line]:
    """Return a moment as lines of at most `columns` characters, at most `lines` of them.

    Args:
        scene: the moment.
        columns, lines: the terminal's size [characters].

    Returns:
        The lines; where the terminal is too small, one that says so.
    """
    if columns < LEAST_COLUMNS or lines < LEAST_LINES:
        return _too_small(columns, lines)
    picture = _picture(scene, columns, lines)
    width = sum(len(text) for text, _ in picture[0])
    panel = _panel(scene, len(picture))
    drawn: list[Line] = [[(_title(scene, width + 1 + _PANEL), "title")]]
    for line, beside in zip(picture, panel, strict=True):
        drawn.append([*line, ("│", "label"), *beside])
    drawn.append([(_under_keys(width), "keys"), ("│", "label")])
    drawn.append([(_message(scene)[:columns], "word")])
    drawn.append([("─" * (width + 1 + _PANEL), "label")])
    drawn += [[(line, "")] for line in HELP]
    return drawn


def plain(lines: Sequence[Line]) -> list[str]:
    """Return lines without their styles and trailing blanks."""
    return ["".join(text for text, _ in line).rstrip() for line in lines]


def styled(line: Line, colour: bool) -> str:
    """Return a line with its styles as control sequences; `colour` False leaves the colours out."""
    parts = []
    for text, style in line:
        code = _SGR[style][0 if colour else 1]
        parts.append(f"\x1b[{code}m{text}\x1b[0m" if code else text)
    return "".join(parts)


def _too_small(columns: int, lines: int) -> list[Line]:
    words = f"Too small: {columns} x {lines}. Make it {LEAST_COLUMNS} x {LEAST_LINES}; q quits."
    folded = textwrap.wrap(words, max(columns, 1))
    return [[(line[: max(columns, 0)], "word")] for line in folded[: max(lines, 0)]]


def _picture(scene: Scene, columns: int, lines: int) -> list[Line]:
    picture = scene.picture
    if scene.as_text:
        texts = texts_on(scene.picture)
        width, height = dots.COLUMNS // 2, dots.ROWS // 4
        return [[(text[:width].ljust(width), "word")] for text in (*texts, *[""] * height)[:height]]
    if lines < _LARGE_LINES:
        return [
            [(text, "reverse glass" if turned else "glass") for text, turned in line] for line in dots.in_spans(picture)
        ]
    blocks = dots.quadrants if columns < dots.COLUMNS + 1 + _PANEL else dots.half_blocks
    return [[(line, "glass")] for line in blocks(picture)]


def _title(scene: Scene, width: int) -> str:
    moment = datetime.datetime.fromtimestamp(scene.epoch_s, datetime.UTC)
    right = f"{moment:%H:%M:%S} UTC  {_clock(scene.elapsed_us)}  speed {scene.speed:g} "
    left = f" Virtual tester at {clean(scene.oven)}"
    room = width - len(right) - 1
    if len(left) > room:
        left = left[: room - 2] + ".."
    return left.ljust(width - len(right)) + right


def _clock(time_us: int) -> str:
    """Return a simulated time [us] as hours, minutes and seconds."""
    seconds = time_us // 1_000_000
    return f"{seconds // 3600}:{seconds // 60 % 60:02d}:{seconds % 60:02d}"


def _panel(scene: Scene, lines: int) -> list[Line]:
    slipped = scene.slipped is not None
    entries: list[Line] = [
        [("probe clips", "label")],
        [(f" {scene.place}", "word")],
        [(f"{scene.slipped} slipped off" if slipped else "", "alarm")],
        [("chassis clip", "label")],
        [(" on" if scene.chassis else " off", "word")],
        [("USB", "label")],
        [(" plugged in" if scene.usb else " unplugged", "word")],
        [("harness", "label")],
        [(f" bent, {scene.bent_s:.0f} s" if scene.bent_s else " at rest", "word")],
        [("power", "label")],
        [(f" {scene.state}", "word")],
        [("heard", "label")],
    ]
    for sound in scene.sounds[-(lines - len(entries)) :]:
        alarm = any(word.isupper() for word in sound.words.split())
        entries.append([(f"{_minutes(sound.time_us)} {sound.words}", "alarm" if alarm else "word")])
    entries += [[] for _ in range(lines - len(entries))]
    return [[(_fitted(text), style) for text, style in entry] for entry in entries]


def _fitted(text: str) -> str:
    """Return a text for the panel: a blank away from the rule where there is room, and never too long."""
    return f" {text}" if len(text) < _PANEL else text[:_PANEL]


def _minutes(time_us: int) -> str:
    """Return a simulated time [us] as minutes and seconds of its hour: as short as the panel needs."""
    seconds = time_us // 1_000_000
    return f"{seconds // 60 % 60}:{seconds % 60:02d}"


def _under_keys(width: int) -> str:
    """Return the keys' names below what the display says of them."""
    middle = "[ OK  o ]"
    line = list(" " * width)
    for text, start in (("[ BACK  b ]", 0), (middle, (width - len(middle)) // 2), ("[ NEXT  n ]", width - 11)):
        line[start : start + len(text)] = text
    return "".join(line)


def _message(scene: Scene) -> str:
    if scene.waiting_s:
        return f"time runs ahead, {scene.waiting_s:.0f} s to go; w or W adds to it, any other key ends it"
    return clean(scene.message)
