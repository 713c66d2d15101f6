"""What a terminal shows: the sequences that the program sends become a screen, and the screen's dots a picture.

Characters are told apart by their names in the Unicode Character Database, not by the program's own tables.
"""

from __future__ import annotations

import re
import unicodedata

_QUARTERS = {"UPPER LEFT": (0, 0), "UPPER RIGHT": (1, 0), "LOWER LEFT": (0, 1), "LOWER RIGHT": (1, 1)}
_BLOCKS = {
    "FULL BLOCK": ("UPPER LEFT", "UPPER RIGHT", "LOWER LEFT", "LOWER RIGHT"),
    "UPPER HALF BLOCK": ("UPPER LEFT", "UPPER RIGHT"),
    "LOWER HALF BLOCK": ("LOWER LEFT", "LOWER RIGHT"),
    "LEFT HALF BLOCK": ("UPPER LEFT", "LOWER LEFT"),
    "RIGHT HALF BLOCK": ("UPPER RIGHT", "LOWER RIGHT"),
}
# Dots 1 to 8 of a Braille cell: column, row (The Unicode Standard, section on Braille patterns; from memory).
_PLACES = {1: (0, 0), 2: (0, 1), 3: (0, 2), 4: (1, 0), 5: (1, 1), 6: (1, 2), 7: (0, 3), 8: (1, 3)}
_WHOLE = {(column, row) for column in (0, 1) for row in range(4)}

_TOKEN = re.compile(r"\x1b\[(?P<values>[?0-9;]*)(?P<final>[A-Za-z])|(?P<text>[^\x1b]+)")


class Frame:
    """A frame buffer with the controller's layout: bit 0 of each byte on top."""

    width, height = 128, 64

    def __init__(self) -> None:
        self.ram = bytearray(1024)

    def fill(self, color: int) -> None:
        self.ram[:] = bytes([255 * color]) * 1024

    def fill_rect(self, x: int, y: int, width: int, height: int, color: int) -> None:
        for column in range(max(x, 0), min(x + width, 128)):
            for row in range(max(y, 0), min(y + height, 64)):
                place, bit = row // 8 * 128 + column, 1 << row % 8
                self.ram[place] = self.ram[place] | bit if color else self.ram[place] & ~bit

    def show(self) -> None:
        pass


def lit_of(character: str) -> set[tuple[int, int]]:
    """Return which dots of its cell a character lights: pairs of column and row."""
    name = unicodedata.name(character)
    if name in ("SPACE", "BRAILLE PATTERN BLANK"):
        return set()
    if found := re.fullmatch(r"BRAILLE PATTERN DOTS-(\d+)", name):
        return {_PLACES[int(digit)] for digit in found[1]}
    quarters = _BLOCKS.get(name)
    if quarters is None:
        assert name.startswith("QUADRANT "), name
        return {_QUARTERS[quarter] for quarter in name.removeprefix("QUADRANT ").split(" AND ")}
    return {_QUARTERS[quarter] for quarter in quarters}


def picture_of(lines: list[str], columns: int, rows: int, turned: set[tuple[int, int]] | None = None) -> bytes:
    """Return the display's memory that lines of characters show.

    Args:
        lines: characters of `columns` by `rows` dots each.
        turned: the cells in reverse video, as line and column.
    """
    frame = Frame()
    for y, line in enumerate(lines):
        for x, character in enumerate(line):
            lit = lit_of(character)
            if turned and (y, x) in turned:
                lit = _WHOLE - lit
            for column, row in lit:
                if column < columns:
                    frame.fill_rect(x * columns + column, y * rows + row, 1, 1, 1)
    return bytes(frame.ram)


class Screen:
    """A terminal's screen: takes what a program writes; an unknown sequence fails."""

    def __init__(self, columns: int, lines: int) -> None:
        self.columns, self.lines = columns, lines
        self.modes: set[int] = set()
        self.codes: set[str] = set()
        self._rest = ""
        self._late = False
        self._clear()

    def _clear(self) -> None:
        self.cells = [[(" ", False)] * self.columns for _ in range(self.lines)]
        self.row = self.column = 0
        self.reverse = False

    def resize(self, columns: int, lines: int) -> None:
        """Become larger or smaller; what was sent for the size before is still under way until all is drawn anew."""
        self.columns, self.lines = columns, lines
        self._clear()
        self._late = True

    def feed(self, text: str) -> None:
        """Take what was written; a sequence may be cut anywhere."""
        text = self._rest + text
        cut = re.search(r"\x1b(\[[?0-9;]*)?$", text)
        self._rest = cut[0] if cut else ""
        text = text[: len(text) - len(self._rest)]
        at = 0
        while at < len(text):
            token = _TOKEN.match(text, at)
            assert token, text[at : at + 20]
            at = token.end()
            if token["text"]:
                self._put(token["text"])
            else:
                self._obey(token["values"], token["final"])

    def _put(self, text: str) -> None:
        for character in text:
            if character == "\n":
                self.row, self.column = self.row + 1, 0
            elif character != "\r":
                assert self._late or self.column < self.columns, "a line wraps"
                assert self._late or self.row < self.lines, "the screen scrolls"
                if self.row < self.lines and self.column < self.columns:
                    self.cells[self.row][self.column] = (character, self.reverse)
                self.column += 1

    def _obey(self, values: str, final: str) -> None:
        if final == "H":
            row, column = (int(value) - 1 for value in values.split(";"))
            self.row, self.column = row, column
        elif final == "K":
            assert values == ""
            if self.row < self.lines:
                self.cells[self.row][self.column :] = [(" ", False)] * (self.columns - self.column)
        elif final == "J":
            self._late = self._late and values != "2"
            for row in range(self.row if values == "" else 0, self.lines):
                self.cells[row] = [(" ", False)] * self.columns
        elif final == "m":
            self.codes.update(values.split(";"))
            self.reverse = values in ("7", "30;106")
        else:
            assert final in "hl" and values.startswith("?"), (values, final)
            (self.modes.add if final == "h" else self.modes.discard)(int(values[1:]))

    def text(self) -> str:
        """Return the screen as text."""
        return "\n".join("".join(character for character, _ in row).rstrip() for row in self.cells)

    def picture(self) -> bytes:
        """Return the display's memory as the glass of Braille patterns shows it, in lines 2 to 17."""
        glass = [row[:64] for row in self.cells[1:17]]
        turned = {(y, x) for y, row in enumerate(glass) for x, (_, reverse) in enumerate(row) if reverse}
        return picture_of(["".join(character for character, _ in row) for row in glass], 2, 4, turned)
