"""What a person reads on the virtual tester's display: whether a text stands there, in any size, normal or inverse.

The display's memory is compared with the firmware's own font, so that a script acts on what is seen and on nothing
else.
"""

import functools
import importlib.util
from collections.abc import Callable, Iterable
from types import ModuleType

from probeledger.resources import firmware_folder

__all__ = ["Reader", "font", "shows"]

_WIDTH, _HEIGHT = 128, 64
_GLYPH_ROWS = 8
_SPACE, _GAP = 2, 1
_SCALES = (1, 2, 3)


@functools.cache
def font() -> ModuleType:
    """Return the firmware's font, the module as it runs on the tester."""
    path = firmware_folder() / "screen" / "font.py"
    spec = importlib.util.spec_from_file_location("_probeledger_display_font", path)
    assert spec is not None and spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


@functools.cache
def _pattern(text: str, scale: int) -> tuple[tuple[str, ...], int]:
    """Return a text as rows of dots ("1" lit, "0" dark), and the number of the row with most lit dots."""
    face = font()
    columns: list[int] = []
    for character in text:
        if character == " ":
            columns += [0] * (_SPACE + _GAP)
            continue
        start, end = face.place(character)
        columns += [*face.COLUMNS[start:end], *([0] * _GAP)]
    del columns[len(columns) - _GAP :]
    rows = []
    for row in range(_GLYPH_ROWS):
        dots = "".join(("1" if column >> row & 1 else "0") * scale for column in columns)
        rows += [dots] * scale
    # The last rows of a size belong to descenders and may be cut off by the picture's edge.
    if "1" not in rows[-1]:
        del rows[-scale:]
    return tuple(rows), max(range(len(rows)), key=lambda row: rows[row].count("1"))


def _rows(screen: bytes) -> list[str]:
    """Return the picture as rows of dots from the display's pages."""
    rows = []
    for page in range(_HEIGHT // 8):
        columns = [f"{column:08b}" for column in screen[page * _WIDTH : (page + 1) * _WIDTH]]
        rows += ["".join(column[7 - bit] for column in columns) for bit in range(8)]
    return rows


_INVERSE = str.maketrans("01", "10")


def shows(screen: bytes, text: str) -> bool:
    """Tell whether a text stands anywhere on the display.

    Args:
        screen: the display's memory, 1024 bytes, page by page, bit 0 on top.
        text: as the firmware draws it, on one line.

    Returns:
        True where it stands there in any of the font's sizes, normal or inverse.
    """
    return _found(_pictures(screen), text)


def _pictures(screen: bytes) -> tuple[list[str], list[str]]:
    normal = _rows(screen)
    return normal, [row.translate(_INVERSE) for row in normal]


def _found(pictures: tuple[list[str], list[str]], text: str) -> bool:
    return any(_stands(rows, text, scale) for rows in pictures for scale in _SCALES)


def _stands(rows: list[str], text: str, scale: int) -> bool:
    pattern, fullest = _pattern(text, scale)
    width = len(pattern[0])
    for y in range(_HEIGHT - len(pattern) + 1):
        x = rows[y + fullest].find(pattern[fullest])
        while x >= 0:
            if all(rows[y + k][x : x + width] == dots for k, dots in enumerate(pattern)):
                # Letters of a word stand one column apart: two blank ones on either side end it, so that "PASS" does
                # not stand in "PASSED".
                near = range(1, 2 * scale + 1)
                beside = [x - step for step in near] + [x + width - 1 + step for step in near]
                beside = [edge for edge in beside if 0 <= edge < _WIDTH]
                if all(rows[y + k][edge] == "0" for edge in beside for k in range(len(pattern))):
                    return True
            x = rows[y + fullest].find(pattern[fullest], x + 1)
    return False


class Reader:
    """Eyes on a display: looks again only when the picture has changed.

    Args:
        look: returns the display's memory.
    """

    def __init__(self, look: Callable[[], bytes]) -> None:
        self._look = look
        self._seen = b""
        self._pictures: tuple[list[str], list[str]] = ([], [])
        self._known: dict[str, bool] = {}

    def sees(self, text: str) -> bool:
        """Tell whether a text stands on the display now."""
        screen = self._look()
        if screen != self._seen:
            self._seen = screen
            self._pictures = _pictures(screen)
            self._known = {}
        if text not in self._known:
            self._known[text] = _found(self._pictures, text)
        return self._known[text]

    def first_of(self, texts: Iterable[str]) -> str | None:
        """Return the first of these texts that stands on the display now, or None."""
        return next((text for text in texts if self.sees(text)), None)
