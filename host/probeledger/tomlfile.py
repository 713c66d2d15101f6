"""Reading TOML that a person wrote, or that came from anywhere: one sentence where it cannot be read."""

import re
import tomllib
from pathlib import Path
from typing import Any

from probeledger.errors import InputError
from probeledger.text import clean

__all__ = ["MOST_BYTES", "parse", "read"]

# Far above what any of these files needs; guards against the path of something else.
MOST_BYTES = 200_000
# Keys joined by dots, each inside the one before: nothing here has so many, and thousands keep the reader busy.
_DEEP = re.compile(r"""(?:\.[ \t]*["'\w-]+[ \t]*){20}""")


def read(path: Path, kind: str = "file") -> str:
    """Return the text of a file.

    Args:
        path: the file.
        kind: how a message names it before its path, such as "limits file".

    Raises:
        InputError: there is none, it cannot be read, is too large, or is no text in UTF-8.
    """
    shown = clean(str(path), 120)
    try:
        with path.open("rb") as handle:
            raw = handle.read(MOST_BYTES + 1)
    except FileNotFoundError:
        raise InputError(f"There is no {kind} {shown}; check the path.") from None
    except (OSError, ValueError) as error:
        said = error.strerror if isinstance(error, OSError) else "its name is no path"
        raise InputError(f"The {kind} {shown} cannot be read: {said}.") from None
    if len(raw) > MOST_BYTES:
        raise InputError(f"The {kind} {shown} is over {MOST_BYTES // 1000} kB; it should have a few kB at most.")
    try:
        return raw.decode("utf-8")
    except UnicodeDecodeError:
        raise InputError(f"The {kind} {shown} is not text in UTF-8; save it as UTF-8.") from None


def parse(text: str, shown: str) -> dict[str, Any]:
    """Return the entries of a TOML text.

    Args:
        text: the content.
        shown: how a message names it, at the beginning of a sentence.

    Raises:
        InputError: it is no TOML, or nested too deeply.
    """
    if _DEEP.search(text):
        raise InputError(f"{shown} is not valid TOML: it is nested too deeply, with too many dots in a key.")
    try:
        return tomllib.loads(text)
    except RecursionError:
        raise InputError(f"{shown} is not valid TOML: it is nested too deeply.") from None
    except ValueError as error:
        # Beside its own error, the reader hands on what a number of thousands of digits raises.
        said = "it has a number of thousands of digits" if "digits" in str(error) else clean(error, 120)
        raise InputError(f"{shown} is not valid TOML: {said}.") from None
