"""The display's picture read as text: for a person who cannot see dots, and for pages that are searched.

Texts are found by the firmware's own font, in its three sizes, lit or dark on a lit box. Where two could stand in one
place, the one that explains more dots does.
"""

from __future__ import annotations

import functools
import re
from dataclasses import dataclass

from probeledger.resources import firmware_folder
from probeledger.virtual.glass import font

from .dots import COLUMNS, ROWS, inverse_boxes

__all__ = ["texts_on"]

_GLYPH_ROWS = 8
_SCALES = (3, 2, 1)
# Blank columns between letters, and those that a space adds.
_GAP, _SPACE = 1, 3
# Folders of the firmware in which the display's words stand.
_WORDS = ("screen", "tester", "guided", "link")


@dataclass(frozen=True)
class _Piece:
    """A text with its box [dots], the ends excluded, and the number of its lit dots."""

    text: str
    left: int
    top: int
    right: int
    bottom: int
    lit: int

    def overlaps(self, other: _Piece) -> bool:
        return (
            self.left < other.right and other.left < self.right and self.top < other.bottom and other.top < self.bottom
        )


@functools.lru_cache(maxsize=16)
def texts_on(picture: bytes) -> tuple[str, ...]:
    """Return the texts on a display, from top to bottom and from left to right.

    Args:
        picture: 1024 bytes, page by page, bit 0 on top.
    """
    found: list[_Piece] = []
    for layer in _layers(picture):
        for scale in _SCALES:
            for top in range(ROWS - (_GLYPH_ROWS - 1) * scale + 1):
                found += _pieces(layer, top, scale)
    taken: list[_Piece] = []
    for piece in sorted(found, key=lambda piece: (-piece.lit, piece.top, piece.left)):
        if not any(piece.overlaps(other) for other in taken):
            taken.append(piece)
    taken.sort(key=lambda piece: (piece.top, piece.left))
    return tuple(_told_apart(piece.text) for piece in taken)


def _layers(picture: bytes) -> list[list[int]]:
    """Return the dots outside lit boxes, then for each box those dark in it: a number a column, bit 0 on top."""
    columns = [sum(picture[page * COLUMNS + x] << 8 * page for page in range(ROWS // 8)) for x in range(COLUMNS)]
    outside = list(columns)
    layers = [outside]
    for left, top, right, bottom in inverse_boxes(picture):
        box = (1 << bottom) - (1 << top)
        inside = [0] * COLUMNS
        for x in range(left, right):
            inside[x] = ~columns[x] & box
            outside[x] &= ~box
        layers.append(inside)
    return layers


@functools.cache
def _glyphs() -> dict[bytes, str]:
    """Return the characters by their columns; of those that look alike the last."""
    face = font()
    glyphs = {}
    for character in [*(chr(code) for code in range(33, 127)), *face.EXTRA]:
        start, end = face.place(character)
        glyphs[bytes(face.COLUMNS[start:end])] = character
    # "I", "l" and "|" are one bar, "0" and "O" one ring: see _told_apart.
    start, end = face.place("l")
    glyphs[bytes(face.COLUMNS[start:end])] = "l"
    return glyphs


def _pieces(layer: list[int], top: int, scale: int) -> list[_Piece]:
    """Return the texts whose glyphs begin in row `top`, at this scale."""
    rows = (1 << _GLYPH_ROWS * scale) - 1
    columns = [_glyph_column(column >> top & rows, scale) for column in layer]
    glyphs = _glyphs()
    pieces: list[_Piece] = []
    text, left, right, lit = "", 0, 0, 0

    def close() -> None:
        if len(text) > 1:
            bottom = top + max((y for y in range(_GLYPH_ROWS) if _row_lit(columns[left:right], y)), default=0) * scale
            pieces.append(_Piece(text, left, top, right, bottom + scale, lit))

    x = 0
    while x < COLUMNS:
        if not columns[x]:
            x += 1
            continue
        end = x
        while end < COLUMNS and columns[end]:
            end += 1
        character = _character(columns[x:end], scale, glyphs)
        blanks, over = divmod(x - right, scale)
        joined = bool(text) and not over and blanks in (_GAP, _GAP + _SPACE)
        if not joined or character is None:
            close()
            text, left, lit = "", x, 0
        if character is not None:
            text += (" " if joined and blanks > _GAP else "") + character
            lit += scale * sum(column.bit_count() for column in columns[x:end])
        right = x = end
    close()
    return pieces


@functools.lru_cache(maxsize=1 << 16)
def _glyph_column(dots: int, scale: int) -> int:
    """Return a column of dots as a glyph's byte, -1 where it is none at this scale.

    The last row is for descenders; where something else reaches into it, it counts as blank.
    """
    value = 0
    whole = (1 << scale) - 1
    for row in range(_GLYPH_ROWS):
        part = dots >> row * scale & whole
        if part == whole:
            value |= 1 << row
        elif part and row < _GLYPH_ROWS - 1:
            return -1
    return value


def _row_lit(columns: list[int], row: int) -> bool:
    return any(column >> row & 1 for column in columns)


def _character(columns: list[int], scale: int, glyphs: dict[bytes, str]) -> str | None:
    if len(columns) % scale or -1 in columns:
        return None
    wide = [columns[k : k + scale] for k in range(0, len(columns), scale)]
    if any(len(set(column)) > 1 for column in wide):
        return None
    return glyphs.get(bytes(column[0] for column in wide))


@functools.cache
def _vocabulary() -> frozenset[str]:
    words: set[str] = set()
    for folder in _WORDS:
        for path in sorted((firmware_folder() / folder).glob("*.py")):
            words.update(re.findall(r"[A-Za-z]+", path.read_text(encoding="utf-8")))
    return frozenset(words)


def _told_apart(text: str) -> str:
    """Return a text with those characters that look alike as they are meant.

    A ring is a figure beside figures, else a letter. A bar is "I" alone, among capitals, or where the firmware's words
    have it; else "l".
    """

    def ring(match: re.Match[str]) -> str:
        said = match[0].replace("0", "O")
        figure = re.search(r"[1-9]|O\.O|^[-+]?O$", said)
        return said.replace("O", "0") if figure else said

    def bar(match: re.Match[str]) -> str:
        said = match[0]
        if said == "l" or ("l" in said and said.replace("l", "").isupper()):
            return said.replace("l", "I")
        capital = "I" + said[1:]
        return capital if said[0] == "l" and said not in _vocabulary() and capital in _vocabulary() else said

    return re.sub(r"[A-Za-z]+", bar, re.sub(r"\S+", ring, text))
