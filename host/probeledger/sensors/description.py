"""Curves that a shop describes in a TOML file; docs/curves.md has every key.

A file is checked before it is believed: keys, types, sizes, range, and that the resistance rises or falls throughout.
"""

from __future__ import annotations

import datetime
import difflib
import math
from pathlib import Path
from typing import Any

from probecore.curves import PlatinumCurve
from probecore.errors import RangeError
from probeledger import tomlfile
from probeledger.errors import InputError
from probeledger.sensors import coefficients
from probeledger.sensors.formulae import BetaCurve, PolynomialCurve, SensorCurve, SteinhartHartCurve
from probeledger.sensors.tabulated import TableCurve
from probeledger.text import clean

__all__ = ["KINDS", "from_text", "load"]

# A table of a degree a row over any sensor's range takes a few tens of kB.
_MOST_ROWS = 5000
_MOST_COEFFICIENTS = 12
_LOWEST_CELSIUS, _HIGHEST_CELSIUS = -273.0, 2000.0
_MOST_OHMS = 1e9
_MOST_NAME = 40
_MOST_SHOWN = 60
# A key as near as this to a valid one is taken for a slip.
_NEAR = 0.6

_COMMON = ("name", "kind")
_RANGE = ("low_celsius", "high_celsius")
_NEEDED = {
    "platinum": ("r0_ohms", *_RANGE),
    "ntc-beta": ("reference_ohms", "beta_kelvin", *_RANGE),
    "steinhart-hart": ("a", "b", "c", *_RANGE),
    "table": ("rows",),
    "polynomial": ("coefficients", *_RANGE),
}
_OPTIONAL = {
    "platinum": ("a", "b", "c", "alpha", "delta", "beta"),
    "ntc-beta": ("reference_celsius",),
    "steinhart-hart": (),
    "table": (),
    "polynomial": ("reference_celsius",),
}
KINDS = tuple(_NEEDED)


def load(path: Path) -> PlatinumCurve | SensorCurve:
    """Return the curve that a TOML file describes.

    Args:
        path: the file.

    Returns:
        The curve.

    Raises:
        InputError: the file cannot be read, is too large, or is no curve; one sentence says why.
    """
    text = tomlfile.read(path, "curve file")
    try:
        return from_text(text)
    except InputError as error:
        raise InputError(f"{clean(str(path))}: {error.message}")


def from_text(text: str) -> PlatinumCurve | SensorCurve:
    """Return the curve that a TOML text describes. Raises InputError with one sentence."""
    described = tomlfile.parse(text, "This")
    kind = described.get("kind")
    if not isinstance(kind, str) or kind not in KINDS:
        raise InputError(f"The key kind must be one of {', '.join(KINDS)}; it is {_seen(kind)}.")
    valid = (*_COMMON, *_NEEDED[kind], *_OPTIONAL[kind])
    for key in described:
        if key not in valid:
            near = difflib.get_close_matches(key.lower(), valid, n=1, cutoff=_NEAR)
            hint = f"did you mean {near[0]}?" if near else f"it may have {', '.join(valid)}."
            raise InputError(f"A curve of kind {kind} has no key {_seen(key)}; {hint}")
    for key in (*_COMMON, *_NEEDED[kind]):
        if key not in described:
            raise InputError(f"A curve of kind {kind} needs the key {key}, which is missing.")
    name = described["name"]
    if not isinstance(name, str) or not name.strip() or len(name) > _MOST_NAME or clean(name) != name:
        raise InputError(f"The name must be 1 to {_MOST_NAME} printable characters; it is {_seen(name)}.")
    if kind == "table":
        return _table(name, described["rows"])
    low, high = _number(described, "low_celsius"), _number(described, "high_celsius")
    if not _LOWEST_CELSIUS <= low < high <= _HIGHEST_CELSIUS:
        raise InputError(
            f"The range must rise within {_LOWEST_CELSIUS:g} to {_HIGHEST_CELSIUS:g} degrees C; it is {low:g} to "
            f"{high:g}: check low_celsius and high_celsius."
        )
    if kind == "platinum":
        return _platinum(name, described, low, high)
    if kind == "ntc-beta":
        at = _number(described, "reference_celsius", 25.0)
        if not _LOWEST_CELSIUS <= at <= _HIGHEST_CELSIUS:
            raise InputError(f"The key reference_celsius is {at:g}, which is no temperature of a thermistor.")
        made: SensorCurve = BetaCurve(
            name, _positive(described, "reference_ohms"), _positive(described, "beta_kelvin"), low, high, at
        )
    elif kind == "steinhart-hart":
        made = SteinhartHartCurve(
            name, _number(described, "a"), _number(described, "b"), _number(described, "c"), low, high
        )
    else:
        given = described["coefficients"]
        if not isinstance(given, list) or not 2 <= len(given) <= _MOST_COEFFICIENTS:
            raise InputError(
                f"The key coefficients must be a list of 2 to {_MOST_COEFFICIENTS} numbers; it is {_seen(given)}."
            )
        values = [_plain(each, "coefficients") for each in given]
        made = PolynomialCurve(name, values, low, high, _number(described, "reference_celsius", 0.0))
    return _sane(made)


def _platinum(name: str, described: dict[str, Any], low: float, high: float) -> PlatinumCurve:
    quadratic = [key for key in ("a", "b", "c") if key in described]
    callendar = [key for key in ("alpha", "delta", "beta") if key in described]
    if bool(quadratic) == bool(callendar):
        raise InputError("A platinum curve needs either a, b, c or alpha, delta, beta, and not both sets.")
    if len(quadratic or callendar) != 3:
        raise InputError(f"A platinum curve needs all three of its set; it has {', '.join(quadratic or callendar)}.")
    first, second, third = (_number(described, key) for key in quadratic or callendar)
    a, b, c = (first, second, third) if quadratic else coefficients.from_callendar(first, second, third)
    r0 = _positive(described, "r0_ohms")
    of = PlatinumCurve(name, r0, a, b, c, low, high)
    looked_at = [min(low + (high - low) * step / 2000, high) for step in range(2001)]
    for t in looked_at:
        if not (of.ohms_per_celsius(t) > 0.0 and of.ohms(t) > 0.0):
            raise InputError(
                f"{name}: the resistance does not rise above 0 ohm throughout, near {t:.4g} degrees C; check the "
                "coefficients and their powers of ten, or narrow the range."
            )
    for t in looked_at:
        if not _comes_back(of, t):
            raise InputError(
                f"{name}: near {t:.4g} degrees C the resistance has no single temperature by these coefficients; check "
                "them and their powers of ten, or narrow the range."
            )
    _check_most(name, of.high_ohms)
    return of


def _comes_back(of: PlatinumCurve, celsius: float) -> bool:
    # Below 0 degC the inverse starts from the quadratic's root, which a curve that bends upwards may not have.
    try:
        return bool(abs(of.celsius(of.ohms(celsius)) - celsius) < 1e-8)
    except (RangeError, ValueError, ArithmeticError):
        return False


def _table(name: str, rows: Any) -> SensorCurve:
    if not isinstance(rows, list) or not 2 <= len(rows) <= _MOST_ROWS:
        raise InputError(
            f"The key rows must be a list of 2 to {_MOST_ROWS} pairs [celsius, ohms]; it is {_seen(rows)}."
        )
    for number, row in enumerate(rows, 1):
        if not isinstance(row, list) or len(row) != 2:
            raise InputError(f"Row {number} of rows must be a pair [celsius, ohms]; it is {_seen(row)}.")
    celsius, ohms = ([_plain(row[column], "rows") for row in rows] for column in (0, 1))
    if not _LOWEST_CELSIUS <= min(celsius) <= max(celsius) <= _HIGHEST_CELSIUS:
        raise InputError(
            f"The rows' temperatures must lie within {_LOWEST_CELSIUS:g} to {_HIGHEST_CELSIUS:g} degrees C; they run "
            f"from {min(celsius):g} to {max(celsius):g}: each row is [celsius, ohms], in this order."
        )
    return _sane(TableCurve(name, celsius, ohms))


def _sane(of: SensorCurve) -> SensorCurve:
    _check_most(of.name, of.most_ohms)
    return of


def _check_most(name: str, ohms: float) -> None:
    if ohms > _MOST_OHMS:
        raise InputError(
            f"{name}: the curve reaches {ohms:g} ohm, more than {_MOST_OHMS:g}; check the units, which are ohms."
        )


def _number(described: dict[str, Any], key: str, default: float | None = None) -> float:
    return default if default is not None and key not in described else _plain(described[key], key)


def _positive(described: dict[str, Any], key: str) -> float:
    value = _number(described, key)
    if not 0.0 < value <= _MOST_OHMS:
        raise InputError(f"The key {key} must be above 0 and at most {_MOST_OHMS:g}; it is {value:g}.")
    return value


def _plain(value: Any, key: str) -> float:
    # TOML's true is a Python int, and its integers have no limit.
    if isinstance(value, bool) or not isinstance(value, (int, float)) or not abs(value) < 1e300:
        raise InputError(f"The key {key} must hold plain numbers without units or quotes; it has {_seen(value)}.")
    if not math.isfinite(value):
        raise InputError(f"The key {key} must be a finite number; it is {value}.")
    return float(value)


def _seen(value: Any) -> str:
    """Return what a value is, in a few words; nothing in it can be too deep or too long to be shown."""
    if value is None:
        return "missing"
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        return clean(repr(value[:_MOST_SHOWN]), _MOST_SHOWN)
    if isinstance(value, list):
        return f"a list of {len(value)}"
    if isinstance(value, dict):
        return "a table"
    if isinstance(value, (datetime.date, datetime.time)):
        return "a date or a time"
    # TOML's integers have no limit, and Python writes no longer one than this.
    return f"{value}" if isinstance(value, float) or abs(value) < 1e15 else "a whole number beyond 1e15"
