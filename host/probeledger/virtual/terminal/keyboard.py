"""From bytes of a keyboard to what they mean: a key of the tester, a hand on a clip or a plug, or the program's end.

A letter's lower case is a short press of a tester's key, its upper case a long one.
"""

from __future__ import annotations

from dataclasses import dataclass

__all__ = ["ACTS", "HELP", "Act", "Decoder"]

_ESCAPE = 0x1B
# Sequences of the usual terminals, in normal and in application mode (ECMA-48, and xterm's control sequences;
# from memory).
_SEQUENCES = {b"[D": "left", b"[C": "right", b"[A": "up", b"[B": "down", b"OD": "left", b"OC": "right"}
_NAMED = {0x20: "enter", 0x0D: "enter", 0x0A: "enter", 0x0C: "redraw", 0x03: "q", 0x04: "q"}
# Keys beyond this that have not been read yet are a paste, not typing.
_MOST_PENDING = 64


@dataclass(frozen=True)
class Act:
    """Hold one thing to do: its name, and what with (a key, a place, a number), "" for nothing."""

    name: str
    value: str = ""


ACTS: dict[str, Act] = {
    "b": Act("press", "back"),
    "o": Act("press", "ok"),
    "n": Act("press", "next"),
    "B": Act("hold", "back"),
    "O": Act("hold", "ok"),
    "N": Act("hold", "next"),
    "left": Act("press", "back"),
    "enter": Act("press", "ok"),
    "right": Act("press", "next"),
    "1": Act("clip", "sensor"),
    "2": Act("clip", "control-end"),
    "3": Act("clip", "new-part"),
    "4": Act("clip", "after-fitting"),
    "5": Act("clip", "together"),
    "6": Act("clip", "resistor"),
    "0": Act("clip", "none"),
    "c": Act("chassis"),
    "u": Act("usb"),
    "f": Act("flex", "10"),
    "s": Act("slip"),
    "w": Act("wait", "60"),
    "W": Act("wait", "600"),
    "+": Act("faster"),
    "-": Act("slower"),
    "p": Act("power"),
    "t": Act("text"),
    "redraw": Act("redraw"),
    "q": Act("quit"),
}

# Lines of help, each at most 80 columns.
HELP = (
    "tester's keys: b BACK  o OK  n NEXT   (a capital letter holds it: B O N)",
    "probe clips: 1 sensor  2 control end  3 new part  4 after fitting  0 off",
    "             5 together  6 check resistor  s one slips off     c chassis clip",
    "f bend harness  u USB  p power  w wait 1 min  W 10 min  + - speed  t text q quit",
)


class Decoder:
    """Turn what a terminal sends into names of keys, however it is split."""

    def __init__(self) -> None:
        self._pending = bytearray()

    def feed(self, data: bytes) -> list[str]:
        """Take bytes and return the keys that are complete: a character, or a name such as "enter" or "left"."""
        self._pending += data
        del self._pending[: max(0, len(self._pending) - _MOST_PENDING)]
        found = []
        while self._pending:
            size, name = self._next()
            if not size:
                break
            del self._pending[:size]
            if name:
                found.append(name)
        return found

    def pause(self) -> None:
        """Take note that nothing came for a while: an escape alone was the escape key, which means nothing."""
        self._pending.clear()

    def _next(self) -> tuple[int, str]:
        """Return how many bytes the next key takes, 0 where more have to come, and its name or ""."""
        pending = self._pending
        first = pending[0]
        if first != _ESCAPE:
            if first in _NAMED:
                return 1, _NAMED[first]
            return 1, chr(first) if 0x20 < first < 0x7F else ""
        if len(pending) == 1:
            return 0, ""
        if pending[1] == ord("O"):
            return (3, _SEQUENCES.get(bytes(pending[1:3]), "")) if len(pending) > 2 else (0, "")
        if pending[1] != ord("["):
            # A character with the Alt key: not one of ours.
            return 2, ""
        for size in range(3, len(pending) + 1):
            if 0x40 <= pending[size - 1] <= 0x7E:
                return size, _SEQUENCES.get(bytes(pending[1:size]), "")
        return 0, ""
