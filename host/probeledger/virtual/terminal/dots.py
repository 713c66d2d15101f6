"""The display's 128 x 64 dots as lines of text, in three sizes for terminals of three sizes.

A picture is 1024 bytes as the display's memory is laid out: eight pages of 128 columns, bit 0 on top. Braille patterns
take two by four dots a character (64 columns, 16 lines), quadrants two by two (64 x 32), half blocks one by two
(128 x 32). Which bit of a Braille pattern is which dot: The Unicode Standard, version 15.0, chapter 21.1 (from memory).
"""

from __future__ import annotations

import functools
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from probeledger.virtual.chips.ssd1306 import Ssd1306

__all__ = ["COLUMNS", "DARK", "ROWS", "braille", "glass", "half_blocks", "in_spans", "inverse_boxes", "quadrants"]

COLUMNS, ROWS = 128, 64
DARK = bytes(COLUMNS * ROWS // 8)

_BRAILLE = 0x2800
# The bit of a pattern for each of a column's four dots from the top, left column and right column.
_LEFT = (0x01, 0x02, 0x04, 0x40)
_RIGHT = (0x08, 0x10, 0x20, 0x80)
# By four bits, half a byte of a display's column, bit 0 on top.
_LEFT_OF = tuple(sum(bit for k, bit in enumerate(_LEFT) if nibble >> k & 1) for nibble in range(16))
_RIGHT_OF = tuple(sum(bit for k, bit in enumerate(_RIGHT) if nibble >> k & 1) for nibble in range(16))
# By four bits: upper left 1, lower left 2, upper right 4, lower right 8.
_QUADRANTS = " ▘▖▌▝▀▞▛▗▚▄▙▐▜▟█"
_HALVES = " ▀▄█"

# The smallest label that the firmware draws [dots], and the share of its dots that is lit: below that of any label,
# above that of any letter.
_LABEL_WIDTH, _LABEL_HEIGHT, _LABEL_SHARE = 13, 9, 0.64


def glass(display: Ssd1306) -> bytes:
    """Return the picture that is seen on a display's glass.

    Args:
        display: the virtual display; while it sleeps or has no power, nothing is seen.

    Returns:
        1024 bytes, page by page, bit 0 on top.
    """
    if not (display.powered and display.on and display.charge_pump):
        return DARK
    if display.all_on:
        return b"\xff" * len(DARK)
    if display.segment_remap and display.com_reversed and not (display.start_line or display.offset):
        ram = bytes(display.ram)
        return ram.translate(_INVERSE) if display.inverted else ram
    return bytes(
        sum(display.pixel(x, 8 * page + bit) << bit for bit in range(8)) for page in range(8) for x in range(COLUMNS)
    )


_INVERSE = bytes(byte ^ 0xFF for byte in range(256))


def braille(picture: bytes, blank: str = " ") -> list[str]:
    """Return a picture [1024 bytes] as 16 lines of 64 Braille patterns; `blank` stands where no dot is.

    >>> braille(bytes([0b00000001]) + bytes(1023))[0][0]
    '⠁'
    """
    lines = []
    for half_page in range(ROWS // 4):
        start = half_page // 2 * COLUMNS
        shift = half_page % 2 * 4
        columns = [byte >> shift & 0x0F for byte in picture[start : start + COLUMNS]]
        patterns = (_LEFT_OF[left] | _RIGHT_OF[right] for left, right in zip(columns[::2], columns[1::2], strict=True))
        lines.append("".join(chr(_BRAILLE | pattern) if pattern else blank for pattern in patterns))
    return lines


@functools.lru_cache(maxsize=8)
def inverse_boxes(picture: bytes) -> tuple[tuple[int, int, int, int], ...]:
    """Return the boxes in which text stands dark on lit, each as left, top, right, bottom [dots], the ends excluded.

    A box is what hangs together in lit dots, is as large as a label at least, and mostly lit: no letter is.
    """
    boxes: list[list[int]] = []
    before: list[tuple[int, int, int]] = []
    owner: list[int] = []
    for y in range(ROWS):
        runs: list[tuple[int, int, int]] = []
        for start, end in _runs(picture, y):
            box = len(boxes)
            boxes.append([start, y, end, y + 1, end - start])
            owner.append(box)
            for other_start, other_end, other in before:
                if other_start < end and start < other_end:
                    _join(boxes, owner, _root(owner, other), _root(owner, box))
            runs.append((start, end, box))
        before = runs
    return tuple(
        (left, top, right, bottom)
        for k, (left, top, right, bottom, lit) in enumerate(boxes)
        if owner[k] == k
        and right - left >= _LABEL_WIDTH
        and bottom - top >= _LABEL_HEIGHT
        and lit > _LABEL_SHARE * (right - left) * (bottom - top)
    )


def _runs(picture: bytes, y: int) -> list[tuple[int, int]]:
    """Return where a row's dots are lit: first column and the one behind the last, each."""
    start = y // 8 * COLUMNS
    row = [byte >> y % 8 & 1 for byte in picture[start : start + COLUMNS]]
    row.append(0)
    runs = []
    begun = -1
    for x, lit in enumerate(row):
        if lit and begun < 0:
            begun = x
        elif not lit and begun >= 0:
            runs.append((begun, x))
            begun = -1
    return runs


def _root(owner: list[int], box: int) -> int:
    while owner[box] != box:
        box = owner[box]
    return box


def _join(boxes: list[list[int]], owner: list[int], one: int, other: int) -> None:
    if one == other:
        return
    owner[other] = one
    a, b = boxes[one], boxes[other]
    boxes[one] = [min(a[0], b[0]), min(a[1], b[1]), max(a[2], b[2]), max(a[3], b[3]), a[4] + b[4]]


def in_spans(picture: bytes) -> list[list[tuple[str, bool]]]:
    """Return a picture [1024 bytes] as 16 lines of Braille patterns for a terminal that has reverse video.

    Returns:
        For each line the pieces of it: the patterns, and whether they are to be shown in reverse. Dark text on lit is
        drawn as text there, which reads far better than dots left out.
    """
    reverse = {
        (column, line)
        for left, top, right, bottom in inverse_boxes(picture)
        # A character of which at least half lies in the box.
        for column in range((left + 1) // 2, (right + 1) // 2)
        for line in range((top + 1) // 4, (bottom + 2) // 4)
    }
    lines = []
    for row, line in enumerate(braille(picture)):
        spans: list[tuple[str, bool]] = []
        for column, character in enumerate(line):
            turned = (column, row) in reverse
            if turned:
                pattern = 0xFF ^ (ord(character) - _BRAILLE if character != " " else 0)
                character = chr(_BRAILLE | pattern) if pattern else " "
            if spans and spans[-1][1] == turned:
                spans[-1] = (spans[-1][0] + character, turned)
            else:
                spans.append((character, turned))
        lines.append(spans)
    return lines


def quadrants(picture: bytes) -> list[str]:
    """Return a picture [1024 bytes] as 32 lines of 64 quadrant blocks."""
    lines = []
    for pair in range(ROWS // 2):
        columns = _pairs(picture, pair)
        lines.append(
            "".join(_QUADRANTS[left | right << 2] for left, right in zip(columns[::2], columns[1::2], strict=True))
        )
    return lines


def half_blocks(picture: bytes) -> list[str]:
    """Return a picture [1024 bytes] as 32 lines of 128 half blocks."""
    return ["".join(_HALVES[pair] for pair in _pairs(picture, row)) for row in range(ROWS // 2)]


def _pairs(picture: bytes, pair: int) -> list[int]:
    """Return two rows as a number from 0 to 3 for each column: upper dot 1, lower dot 2."""
    start = pair // 4 * COLUMNS
    shift = pair % 4 * 2
    return [byte >> shift & 0x03 for byte in picture[start : start + COLUMNS]]
