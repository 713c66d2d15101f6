"""Limits profiles: a built-in one by name, or a shop's own TOML file.

A file holds any of the entries of probecore.limits.DOMESTIC_1000, at its top level; what it leaves out is the
default's:

    name = "our shop"
    ambient_celsius = 3.0
    harness_ohms = 2.0

docs/verdict.md has every entry.
"""

import difflib
import os
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from probecore import limits
from probecore.errors import MisuseError
from probeledger import tomlfile
from probeledger.errors import InputError
from probeledger.text import clean

_DOMESTIC_1000: dict[str, Any] = dict(limits.DOMESTIC_1000)
DEFAULT = str(_DOMESTIC_1000["name"])
BUILT_IN: Mapping[str, Mapping[str, Any]] = {DEFAULT: _DOMESTIC_1000}

# Longest name that the display and a record can take.
_MOST_NAME = 32
# No limit comes near this in its unit, and the tester's single floats hold it.
_MOST_NUMBER = 1e12
# How alike a name has to be to be meant.
_NEAR = 0.75

# The units that an entry's name ends with, for a sentence about another one.
_UNITS = {
    "ohms": "ohms",
    "celsius": "degrees C",
    "celsius_per_minute": "degrees C a minute",
    "hours": "hours",
    "probability": "a share of 1",
    "fraction": "a share of the resistance at 0 degrees C",
    "multiple": "a multiple of the resistance at 0 degrees C",
}
_OTHER_UNITS = (
    "kelvin", "fahrenheit", "degrees", "degc", "degf", "c", "f", "k", "kohms", "kilohms", "megohms", "mohms", "ohm",
    "minutes", "days", "seconds", "percent", "siemens", "celsius_per_hour", "celsius_per_second",
    "fahrenheit_per_minute", "kelvin_per_minute",
)  # fmt: skip


def load(name_or_path: str) -> dict[str, Any]:
    """Return a complete profile.

    Args:
        name_or_path: name of a built-in profile, or path of a TOML file.

    Returns:
        Limits with every entry, checked.

    Raises:
        InputError: there is no such profile or file, or it is no valid profile; says where and what to do.
    """
    if name_or_path in BUILT_IN:
        return dict(BUILT_IN[name_or_path])
    path = Path(name_or_path)
    looks_like_path = path.suffix == ".toml" or os.sep in name_or_path
    if not looks_like_path and not path.exists():
        near = difflib.get_close_matches(name_or_path, BUILT_IN, n=1, cutoff=0.6)
        hint = f"Did you mean {near[0]}?" if near else f"Built in: {', '.join(BUILT_IN)}; or give a TOML file."
        raise InputError(f"There are no limits named {clean(name_or_path, 60)!r}. {hint}")
    shown = clean(name_or_path, 120)
    return check(tomlfile.parse(tomlfile.read(path, "limits file"), f"The limits file {shown}"), shown)


def check(values: Mapping[str, Any], shown: str) -> dict[str, Any]:
    """Check the entries of a profile and fill in the default's.

    Args:
        values: entries.
        shown: how a message names the profile.

    Returns:
        Limits with every entry.

    Raises:
        InputError: an entry is unknown, in another unit, no number, or out of order; says which and what to give.
    """
    for key, value in values.items():
        if key not in limits.DOMESTIC_1000:
            raise InputError(f"The limits file {shown} has an unknown entry {clean(key, 40)!r}; {_meant(key)}")
        if key == "name":
            if not isinstance(value, str):
                raise InputError(f"The limits file {shown}: name must be a text.")
            if not value.strip() or len(value) > _MOST_NAME or not value.isprintable():
                raise InputError(
                    f"The limits file {shown}: name must be one line of 1 to {_MOST_NAME} characters, not "
                    f"{clean(value, 40)!r}."
                )
            if value in BUILT_IN:
                raise InputError(
                    f"The limits file {shown} bears the name of the built-in {value}; give it one of its own, so that "
                    "a record tells them apart."
                )
        elif isinstance(value, bool) or not isinstance(value, (int, float)):
            seen = str(value).lower() if isinstance(value, bool) else repr(clean(value, 40))
            raise InputError(f"The limits file {shown}: {key} must be a number, in {_unit(key)}, not {seen}.")
        elif not abs(value) <= _MOST_NUMBER:
            # Neither an infinity nor what is not a number compares so, nor an integer too large for a float.
            raise InputError(
                f"The limits file {shown}: {key} has to be a number of a sensible size, in {_unit(key)}, not "
                f"{clean(value, 40)}."
            )
    given: dict[str, Any] = {key: value if key == "name" else float(value) for key, value in values.items()}
    # A profile without a name must not pass for the default in a record.
    given.setdefault("name", DEFAULT if not given else "own limits")
    try:
        return dict(limits.complete(given))
    except MisuseError as error:
        raise InputError(f"The limits file {shown}: {error.message}") from None


def _unit(key: str) -> str:
    """Return the unit that an entry's name ends with, in words."""
    return next(
        words for suffix, words in sorted(_UNITS.items(), key=lambda pair: -len(pair[0])) if key.endswith(suffix)
    )


def _meant(key: str) -> str:
    """Say which entry an unknown one is likely to be, where one is near."""
    known = [name for name in limits.DOMESTIC_1000 if name != "name"]
    for name in known:
        stem = name.removesuffix(
            next(suffix for suffix in sorted(_UNITS, key=len, reverse=True) if name.endswith(suffix))
        )
        if key.lower() in [stem + unit for unit in _OTHER_UNITS]:
            return f"this limit is {name}, in {_unit(name)}."
    near = difflib.get_close_matches(key, known, n=1, cutoff=_NEAR)
    return f"did you mean {near[0]}?" if near else f"known: name, {', '.join(sorted(known))}."
