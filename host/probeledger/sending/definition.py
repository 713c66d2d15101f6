"""Making a definition out of a curve or limits, and proving that a tester computes the same with it."""

from __future__ import annotations

import struct
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np

from probecore import cbor, limits
from probecore import definition as core
from probecore.curves import PlatinumCurve
from probecore.errors import ProbeError, RangeError
from probecore.ladder import LadderCurve
from probeledger.errors import InputError
from probeledger.sending import ladder
from probeledger.sensors.formulae import SensorCurve
from probeledger.text import clean

__all__ = ["MOST_ERROR_CELSIUS", "Definition", "of_curve", "of_limits", "single_error_celsius"]

# What a tester's single precision may add up to over the temperatures of ovens and rooms.
MOST_ERROR_CELSIUS = 0.005
LOW_CELSIUS, HIGH_CELSIUS = -40.0, 500.0
_PLACES = 1001
_SINGLES = ("_x", "_celsius", "_slopes")
# What limits without a name are called.
_NAMELESS = "own limits"


@dataclass(frozen=True)
class Definition:
    """What is sent: kind "curve" or "limits", name, id, the map and its bytes.

    `knots` counts a ladder's knots; `worst_celsius` is the largest error of the tester's single precision that was
    found [degC], None for limits.
    """

    kind: str
    name: str
    id: str
    stored: Mapping[str, Any]
    data: bytes
    knots: int = 0
    worst_celsius: float | None = None


def of_curve(curve: PlatinumCurve | SensorCurve) -> Definition:
    """Return the definition of a curve.

    Args:
        curve: as read from a file.

    Returns:
        The definition, checked against the curve in single precision.

    Raises:
        InputError: the name is a built-in one's, or the curve cannot be carried to a tester; says what to do.
    """
    stored: dict[str, Any] = {"v": core.FORMAT, "name": curve.name}
    if isinstance(curve, PlatinumCurve):
        stored["form"] = "platinum"
        for key in ("r0_ohms", "a", "b", "c", "low_celsius", "high_celsius"):
            stored[key] = _single(getattr(curve, key))
    else:
        has_zero = curve.low_celsius <= 0.0 <= curve.high_celsius
        r0_celsius = 0.0 if has_zero else min(max(25.0, curve.low_celsius), curve.high_celsius)
        knots = ladder.fit(curve)
        # An end that is no single float lies a little inside its own ladder, or outside.
        ends = struct.unpack(f"<{len(knots) // 4}f", knots)[len(knots) // 12 : len(knots) // 6]
        r0_celsius = _single(min(max(r0_celsius, min(ends)), max(ends)))
        stored["form"] = "ladder"
        stored["falls"] = ladder.falls(curve)
        stored["r0_celsius"] = r0_celsius
        stored["r0_ohms"] = _single(curve.ohms(min(max(r0_celsius, curve.low_celsius), curve.high_celsius)))
        stored["knots"] = knots
    data, made = _read_back(core.CURVE, curve.name, stored)
    worst = single_error_celsius(made, curve)
    if not worst < MOST_ERROR_CELSIUS:
        raise InputError(
            f"The curve {clean(curve.name, 40)} cannot be carried to a tester: its arithmetic would be wrong by up to "
            f"{worst:.2g} degrees C, more than the {MOST_ERROR_CELSIUS:g} allowed; the curve is too flat or too steep "
            "somewhere, so narrow its range."
        )
    knots = stored.get("knots", b"")
    return Definition(
        core.CURVE, curve.name, core.identity(data), cbor.loads(data), data, len(knots) // 12, float(worst)
    )


def of_limits(profile: Mapping[str, Any]) -> Definition:
    """Return the definition of limits.

    Args:
        profile: checked limits with every entry, as judging.profiles loads them.

    Returns:
        The definition.

    Raises:
        InputError: there is no name, or it is a built-in one's, or too long.
    """
    stored = {key: value if key == "name" else _single(value) for key, value in profile.items()}
    name = str(profile["name"])
    if name == limits.DOMESTIC_1000["name"]:
        raise InputError(
            f"The limits have the name {name}, which is the built-in ones'; give them a name of their own in the file."
        )
    if name == _NAMELESS:
        raise InputError("The limits have no name, by which a tester keeps them; write name = ... into their file.")
    data, _ = _read_back(core.LIMITS, name, stored)
    return Definition(core.LIMITS, name, core.identity(data), cbor.loads(data), data)


def _single(value: float) -> float:
    """Return the nearest single float. Raises InputError where there is none."""
    try:
        return float(struct.unpack("<f", struct.pack("<f", float(value)))[0])
    except OverflowError:
        raise InputError(f"The number {value:g} is too large for a tester; check it.") from None


def _read_back(kind: str, name: str, stored: dict[str, Any]) -> tuple[bytes, Any]:
    """Return a definition's bytes, and what a tester reads in them. Raises InputError."""
    data = cbor.dumps(stored)
    try:
        return data, core.read(kind, data)
    except ProbeError as error:
        what = "curve" if kind == core.CURVE else "limits"
        raise InputError(f"The {what} {clean(name, 40)} cannot be sent to a tester: {error.message}") from None


def single_error_celsius(made: PlatinumCurve | LadderCurve, truth: PlatinumCurve | SensorCurve) -> float:
    """Return the largest error of a tester's arithmetic against a curve, between -40 and 500 degrees C [degC].

    The tester's own code runs here with its numbers as single floats, so that each step is rounded as the Pico rounds
    it; logarithm and root are rounded from exact ones. That the resistance itself is a single float counts too.

    Args:
        made: what the tester computes with.
        truth: the curve as the file has it.

    Returns:
        The largest difference of temperatures [degC], or of resistances on the way back, as a temperature.
    """
    single: Any = _in_singles(made)
    low, high = max(truth.low_celsius, LOW_CELSIUS), min(truth.high_celsius, HIGH_CELSIUS)
    if low >= high:
        # Nothing of the range is an oven's or a room's; the whole of it is looked at instead.
        low, high = truth.low_celsius, truth.high_celsius
    worst = 0.0
    for celsius in np.linspace(low, high, _PLACES):
        ohms = np.float32(truth.ohms(float(celsius)))
        within = np.float32(min(max(celsius, made.low_celsius), made.high_celsius))
        try:
            back = abs((single.ohms(within) - truth.ohms(_held(truth, within))) / truth.ohms_per_celsius(celsius))
            worst = max(worst, abs(float(single.celsius(ohms)) - float(celsius)), float(back))
        except RangeError:
            return float("inf")
    return worst


def _held(truth: PlatinumCurve | SensorCurve, celsius: Any) -> float:
    return min(max(float(celsius), truth.low_celsius), truth.high_celsius)


def _in_singles(made: PlatinumCurve | LadderCurve) -> object:
    """Return a copy of a curve whose numbers are single floats that numpy keeps single."""
    copy = object.__new__(type(made))
    for key, value in vars(made).items():
        number = isinstance(value, (int, float)) and not isinstance(value, bool)
        vars(copy)[key] = np.float32(value) if number else value
    for key in _SINGLES:
        if key in vars(copy):
            vars(copy)[key] = np.array(vars(copy)[key], dtype=np.float32)
    return copy
