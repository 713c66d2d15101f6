"""What the buzzer has played, told by name: tones are compared with the sounds that the firmware knows.

The sounds stand in firmware/parts/buzzer.py and nowhere else; they are read from there, for that module runs on the
tester's interpreter only.
"""

from __future__ import annotations

import ast
import functools
from collections.abc import Sequence
from dataclasses import dataclass

from probeledger.resources import firmware_folder
from probeledger.virtual.world import Beep

__all__ = ["Heard", "heard", "known"]

# How much longer than written a tone or a pause may be: the firmware's tasks take turns [ms].
_LATE_MS = 400.0

# Names that are longer as words, or say more.
_WORDS = {"UNSAVED": "not saved", "STOP": "STOP", "FAIL": "FAIL"}


@dataclass(frozen=True)
class Heard:
    """Hold one sound: when it began [us of the world] and its name in words."""

    time_us: int
    words: str


@functools.cache
def known() -> dict[str, tuple[tuple[int, int], ...]]:
    """Return the firmware's sounds by their words: pairs of pitch [Hz] and length [ms], pitch 0 for a pause."""
    tree = ast.parse((firmware_folder() / "parts" / "buzzer.py").read_text(encoding="utf-8"))
    found = {}
    for statement in tree.body:
        if not isinstance(statement, (ast.AnnAssign, ast.Assign)):
            continue
        target = statement.target if isinstance(statement, ast.AnnAssign) else statement.targets[0]
        value = statement.value
        if isinstance(target, ast.Name) and target.id.isupper() and value is not None:
            tones = _tones(value)
            if tones is not None:
                found[_WORDS.get(target.id, target.id.lower().replace("_", " "))] = tones
    return found


def _tones(node: ast.expr) -> tuple[tuple[int, int], ...] | None:
    """Return a sound as it is written there: a tuple of pairs, or such a tuple so many times."""
    if isinstance(node, ast.BinOp) and isinstance(node.op, (ast.Mult, ast.Add)):
        left = _tones(node.left)
        if left is None:
            return None
        if isinstance(node.op, ast.Add):
            right = _tones(node.right)
            return None if right is None else left + right
        return left * node.right.value if isinstance(node.right, ast.Constant) else None  # type: ignore[operator]
    try:
        value = ast.literal_eval(node)
    except ValueError:
        return None
    pairs = isinstance(value, tuple) and all(isinstance(pair, tuple) and len(pair) == 2 for pair in value)
    return value if pairs and value else None


def heard(beeps: Sequence[Beep]) -> list[Heard]:
    """Return the sounds that these tones make up, the oldest first.

    Args:
        beeps: tones as the world notes them: time [us], pitch [Hz], length [ms].

    Returns:
        One entry a sound. A sound that was cut short counts, and tones that the firmware does not know are told
        by their pitch.
    """
    found = []
    start = 0
    while start < len(beeps):
        count, words = 1, f"{beeps[start].hz} Hz"
        best = 0.0
        for name, tones in known().items():
            matched, whole = _matched(beeps[start:], tones)
            # Of two sounds that begin alike the one that is complete, else the one that explains more.
            if matched and matched + whole > best:
                best = matched + whole
                count, words = matched, name
        found.append(Heard(beeps[start].time_us, words))
        start += count
    return found


def _matched(beeps: Sequence[Beep], tones: tuple[tuple[int, int], ...]) -> tuple[int, float]:
    """Return how many tones are the beginning of a sound, and 0.5 where they are all of it."""
    count = 0
    due_us = float(beeps[0].time_us)
    for hz, ms in tones:
        if hz:
            if count == len(beeps):
                return count, 0.0
            beep = beeps[count]
            late_ms = (beep.time_us - due_us) / 1000
            if beep.hz != hz or not -1.0 <= late_ms <= _LATE_MS or beep.duration_ms > ms + _LATE_MS:
                return count, 0.0
            count += 1
            due_us = beep.time_us + beep.duration_ms * 1000
        else:
            due_us += ms * 1000
    return count, 0.5
