"""Text from outside, made harmless for a terminal.

Whatever came from a tester or a file may hold escape sequences, line breaks, right-to-left marks or invisible
characters. `clean` leaves what a person can read, on one line.
"""

import unicodedata

__all__ = ["clean", "plural", "shorten", "span"]

# Unicode general categories without a visible shape of their own: controls, formats (bidi marks, zero-width
# characters, tags), surrogates, private use, unassigned, line and paragraph separators.
_INVISIBLE = frozenset({"Cc", "Cf", "Cs", "Co", "Cn", "Zl", "Zp"})
# Some letters of the Hangul and Braille blocks are letters by category and blank on screen.
_BLANK = frozenset("\u115f\u1160\u3164\uffa0\u2800\u034f\u17b4\u17b5")
_MARKS = frozenset({"Mn", "Me"})
_MOST_MARKS = 2


def clean(value: object, limit: int | None = None) -> str:
    """Return the text of a value as one line that is harmless in a terminal.

    Breaks and tabs become spaces; controls, bidi marks, invisible characters and more than two combining marks in a
    row are left out. Bytes are read as UTF-8, with a mark where they are not.

    Args:
        value: any object; None gives an empty text.
        limit: the most characters [1] to return; a longer text ends in "...".

    >>> clean("a\\x1b[31mb\\u202ec\\nd")
    'a[31mbc d'
    """
    if value is None:
        return ""
    if isinstance(value, (bytes, bytearray, memoryview)):
        value = bytes(value).decode("utf-8", "replace")
    kept = []
    marks = 0
    for character in str(value):
        if character in "\n\r\t\v\f\x85\u2028\u2029":
            kept.append(" ")
            marks = 0
            continue
        category = unicodedata.category(character)
        if category in _INVISIBLE or character in _BLANK:
            continue
        if category in _MARKS:
            marks += 1
            if marks > _MOST_MARKS:
                continue
        else:
            marks = 0
        kept.append(" " if category == "Zs" else character)
    line = " ".join("".join(kept).split())
    return line if limit is None else shorten(line, limit)


def shorten(line: str, limit: int) -> str:
    """Return the line cut to at most `limit` characters [1], ending in "..." where something was cut."""
    if len(line) <= limit:
        return line
    if limit <= 3:
        return line[:limit]
    return line[: limit - 3].rstrip() + "..."


def plural(number: int, one: str, many: str | None = None) -> str:
    """Return a number with its noun, in the singular for 1.

    >>> plural(1, "record"), plural(3, "record"), plural(2, "entry", "entries")
    ('1 record', '3 records', '2 entries')
    """
    return f"{number:,} {one if number == 1 else (many or one + 's')}".replace(",", " ")


def span(seconds: float) -> str:
    """Return a length of time [s] in the unit that a person would choose.

    >>> span(40), span(600), span(10000), span(300000)
    ('40 s', '10 min', '2 h', '3 days')
    """
    for unit_s, name, from_s in ((86400, "days", 2 * 86400), (3600, "h", 7200), (60, "min", 120)):
        if seconds >= from_s:
            return f"{int(seconds // unit_s)} {name}"
    return f"{int(seconds)} s"
