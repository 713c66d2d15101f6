"""Limits profiles: a built-in one by name, or a shop's own TOML file.

A file holds any of the entries of probecore.limits.DOMESTIC_1000, at its top level; what it leaves out is the
default's:

    name = "our shop"
    ambient_celsius = 3.0
    harness_ohms = 2.0
"""

import difflib
import os
import tomllib
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from probecore import limits
from probeledger.errors import InputError
from probeledger.text import clean

_DOMESTIC_1000: dict[str, Any] = dict(limits.DOMESTIC_1000)
DEFAULT = str(_DOMESTIC_1000["name"])
BUILT_IN: Mapping[str, Mapping[str, Any]] = {DEFAULT: _DOMESTIC_1000}

# Far above what a profile needs; guards against a path to something that is none.
_MOST_BYTES = 100_000


def load(name_or_path: str) -> dict[str, Any]:
    """Return a complete profile.

    Args:
        name_or_path: name of a built-in profile, or path of a TOML file.

    Returns:
        Limits with every entry, checked.

    Raises:
        InputError: there is no such profile or file, or it is no valid profile; says where and what to do.
        probecore.errors.MisuseError: an entry has no meaning; says which.
    """
    if name_or_path in BUILT_IN:
        return dict(BUILT_IN[name_or_path])
    path = Path(name_or_path)
    looks_like_path = path.suffix == ".toml" or os.sep in name_or_path
    if not looks_like_path and not path.exists():
        near = difflib.get_close_matches(name_or_path, BUILT_IN, n=1, cutoff=0.5)
        hint = f"Did you mean {near[0]}?" if near else f"Built in: {', '.join(BUILT_IN)}; or give a TOML file."
        raise InputError(f"There are no limits named {clean(name_or_path, 60)!r}. {hint}")
    shown = clean(name_or_path, 120)
    try:
        with path.open("rb") as handle:
            raw = handle.read(_MOST_BYTES + 1)
    except FileNotFoundError:
        raise InputError(f"There is no limits file {shown}.") from None
    except OSError as error:
        raise InputError(f"The limits file {shown} cannot be read: {error.strerror}.") from None
    if len(raw) > _MOST_BYTES:
        raise InputError(f"The limits file {shown} is over {_MOST_BYTES // 1000} kB; a profile is a few lines.")
    try:
        values = tomllib.loads(raw.decode("utf-8"))
    except UnicodeDecodeError:
        raise InputError(f"The limits file {shown} is not text in UTF-8.") from None
    except tomllib.TOMLDecodeError as error:
        raise InputError(f"The limits file {shown} is not valid TOML: {clean(error, 120)}.") from None
    return check(values, shown)


def check(values: Mapping[str, Any], shown: str) -> dict[str, Any]:
    """Check the entries of a profile and fill in the default's.

    Args:
        values: entries.
        shown: how a message names the profile.

    Returns:
        Limits with every entry.

    Raises:
        InputError: an entry is unknown or is no number.
    """
    for key, value in values.items():
        if key not in limits.DOMESTIC_1000:
            near = difflib.get_close_matches(key, limits.DOMESTIC_1000, n=1, cutoff=0.5)
            hint = f"did you mean {near[0]}?" if near else f"known: {', '.join(sorted(limits.DOMESTIC_1000))}."
            raise InputError(f"The limits file {shown} has an unknown entry {clean(key, 40)!r}; {hint}")
        if key == "name":
            if not isinstance(value, str):
                raise InputError(f"The limits file {shown}: name must be a text.")
        elif isinstance(value, bool) or not isinstance(value, (int, float)):
            raise InputError(f"The limits file {shown}: {key} must be a number, not {clean(value, 40)!r}.")
    return dict(limits.complete(dict(values)))
