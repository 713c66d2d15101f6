"""A terminal taken over for a full-screen program and given back as it was, however the program ends."""

from __future__ import annotations

import errno
import os
import select
import termios
import tty
from collections.abc import Sequence
from typing import TextIO

from probeledger.errors import InputError

from .layout import LEAST_COLUMNS, LEAST_LINES

__all__ = ["Terminal", "check"]

# xterm's private modes and ECMA-48 sequences that every terminal of today knows (from memory).
_ENTER = "\x1b[?1049h\x1b[?25l\x1b[2J"
_LEAVE = "\x1b[0m\x1b[?25h\x1b[?1049l"


def check(source: TextIO, sink: TextIO) -> None:
    """Make sure that a program can be operated here.

    Raises:
        InputError: input or output is no terminal, it cannot show the characters, or it is too small.
    """
    if not (source.isatty() and sink.isatty()):
        raise InputError(
            "--keys draws the tester in a terminal, and here input or output is none; run it in a terminal, "
            "or leave --keys out."
        )
    if os.environ.get("TERM", "") in ("", "dumb"):
        raise InputError(
            f"--keys needs a terminal that can place text, and TERM is {os.environ.get('TERM', '')!r}; "
            "run it in another one."
        )
    try:
        "⣿█│".encode(sink.encoding or "ascii")
    except UnicodeEncodeError:
        raise InputError(
            f"--keys draws with Braille patterns, and this terminal's encoding is {sink.encoding}; "
            "set LANG to a UTF-8 locale, such as C.UTF-8."
        ) from None
    columns, lines = os.get_terminal_size(sink.fileno())
    if columns < LEAST_COLUMNS or lines < LEAST_LINES:
        raise InputError(
            f"--keys needs a terminal of {LEAST_COLUMNS} columns and {LEAST_LINES} lines, and this one has {columns} "
            f"and {lines}; make it larger."
        )


class Terminal:
    """Take a terminal over for the length of a `with`: keys come at once and unechoed, the picture is ours.

    Args:
        source, sink: the terminal, to read from and to write to.
    """

    def __init__(self, source: TextIO, sink: TextIO) -> None:
        self._source = source.fileno()
        self._sink = sink.fileno()
        self._modes: list[int | list[bytes | int]] | None = None
        self._shown: list[str] = []
        self._size = (0, 0)

    def __enter__(self) -> Terminal:
        try:
            self.take()
        except BaseException:
            self.give_back()
            raise
        return self

    def __exit__(self, *exc_info: object) -> None:
        self.give_back()

    def take(self) -> None:
        """Take the terminal over; Ctrl-C and Ctrl-Z stay signals."""
        self._modes = termios.tcgetattr(self._source)
        tty.setcbreak(self._source)
        self._write(_ENTER)
        self.forget()

    def give_back(self) -> None:
        """Give the terminal back with its modes and its picture; a second time does nothing."""
        modes, self._modes = self._modes, None
        if modes is None:
            return
        self._write(_LEAVE)
        try:
            termios.tcsetattr(self._source, termios.TCSADRAIN, modes)
        except termios.error:
            pass  # it has gone

    def size(self) -> tuple[int, int]:
        """Return the columns and lines that there are now."""
        size = os.get_terminal_size(self._sink)
        if tuple(size) != self._size:
            self._size = (size.columns, size.lines)
            self.forget()
        return self._size

    def forget(self) -> None:
        """Draw everything anew the next time."""
        self._shown = []

    def show(self, lines: Sequence[str]) -> None:
        """Write lines from the top of the picture on, those that have changed."""
        parts = []
        if not self._shown:
            parts.append("\x1b[2J")
        for k, line in enumerate(lines):
            if k >= len(self._shown) or self._shown[k] != line:
                # Erased before it is written: behind a full line the erasure would take its last character.
                parts.append(f"\x1b[{k + 1};1H\x1b[K{line}")
        if len(lines) < len(self._shown):
            parts.append(f"\x1b[{len(lines) + 1};1H\x1b[J")
        self._shown = list(lines)
        if parts:
            self._write("".join(parts))

    def read(self, seconds: float) -> bytes | None:
        """Return what was typed within a wall time [s]: b"" for nothing, None where the terminal has gone."""
        ready, _, _ = select.select([self._source], [], [], seconds)
        if not ready:
            return b""
        try:
            return os.read(self._source, 1024) or None
        except OSError:
            return None

    def _write(self, text: str) -> None:
        """Write at once, past Python's buffer: what a terminal that has gone did not take must not be left in it."""
        data = text.encode()
        try:
            while data:
                data = data[os.write(self._sink, data) :]
        except OSError as error:
            if error.errno != errno.EIO:
                raise
            # It has gone; the next `read` says so.
