"""How far a sensor may lie from its nominal curve: classes, grades, and a user's own plus-minus.

IEC 60751:2022 gives thermometer classes AA, A, B, C by a + b |t|, each with a range for wire-wound and for thin-film
elements; ASTM E1137/E1137M-08(2020) gives grades A and B. Outside its range a class promises nothing. A part bought
after the edition before, IEC 751:1983 with amendment 2 of 1995, has the same A and B over wider ranges.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Protocol

from probecore.errors import RangeError
from probeledger import curves
from probeledger.errors import InputError
from probeledger.uncertainty import SENSOR_CLASSES

__all__ = ["NAMES", "Curve", "Tolerance", "Width", "own", "tolerance"]

# IEC 60751:2022, table of thermometer classes: ranges of validity [degC], wire-wound (W) and thin-film (F).
_IEC_RANGES = {
    ("AA", "W"): (-50.0, 250.0),
    ("AA", "F"): (0.0, 150.0),
    ("A", "W"): (-100.0, 450.0),
    ("A", "F"): (-30.0, 300.0),
    ("B", "W"): (-196.0, 600.0),
    ("B", "F"): (-50.0, 500.0),
    ("C", "W"): (-196.0, 600.0),
    ("C", "F"): (-50.0, 600.0),
}

# IEC 60751:2022, table of resistor classes: bare elements, before they are built into a thermometer; class, thermometer
# class with the same half-width, range of validity [degC].
_IEC_RESISTORS = {
    "F0.1": ("AA", 0.0, 150.0),
    "F0.15": ("A", -30.0, 300.0),
    "F0.3": ("B", -50.0, 500.0),
    "F0.6": ("C", -50.0, 600.0),
    "W0.1": ("AA", -100.0, 350.0),
    "W0.15": ("A", -100.0, 450.0),
    "W0.3": ("B", -196.0, 660.0),
    "W0.6": ("C", -196.0, 660.0),
}

# IEC 751:1983 and amendment 2 (1995), table of tolerances: where its rows for classes A and B begin and end [degC]
_IEC_751_RANGES = {"A": (-200.0, 650.0), "B": (-200.0, 850.0)}

# ASTM E1137/E1137M-08(2020), tolerances [degC] over -200 to 650 degC
_ASTM_GRADES = {"A": (0.13, 0.0017), "B": (0.25, 0.0042)}
_ASTM_RANGE = (-200.0, 650.0)


class Curve(Protocol):
    """What a tolerance needs of a curve."""

    name: str
    low_celsius: float
    high_celsius: float

    def ohms(self, celsius: float) -> float:
        """Return the resistance [ohm] at a temperature [degC]."""
        ...

    def ohms_per_celsius(self, celsius: float) -> float:
        """Return the slope [ohm/degC] at a temperature [degC]."""
        ...


@dataclass(frozen=True)
class Width:
    """A half-width at one temperature, in both units: [degC] and [ohm]."""

    celsius: float
    ohms: float


@dataclass(frozen=True)
class Tolerance:
    """A tolerance: half-width `offset_celsius` + `per_celsius` |t|, or `own_ohms`, over a range [degC]."""

    name: str
    low_celsius: float = -math.inf
    high_celsius: float = math.inf
    offset_celsius: float = 0.0
    per_celsius: float = 0.0
    own_ohms: float | None = None

    def holds_at(self, celsius: float) -> bool:
        """Tell whether the tolerance says anything at a temperature [degC]."""
        return self.low_celsius <= celsius <= self.high_celsius

    def width(self, of: Curve, celsius: float) -> Width:
        """Return the half-width at a temperature [degC] of a curve. Raises RangeError where the class does not hold."""
        if not self.holds_at(celsius):
            raise RangeError(
                "celsius-range",
                f"{self.name} holds from {self.low_celsius:g} to {self.high_celsius:g} degrees C; "
                f"{celsius:g} is outside.",
            )
        slope = abs(of.ohms_per_celsius(celsius))
        if self.own_ohms is not None:
            return Width(self.own_ohms / slope, self.own_ohms)
        half = self.offset_celsius + self.per_celsius * abs(celsius)
        return Width(half, half * slope)


def _all() -> dict[str, Tolerance]:
    known = {}
    for (letter, build), (low, high) in _IEC_RANGES.items():
        a, b = SENSOR_CLASSES[letter]
        words = "wire-wound" if build == "W" else "thin-film"
        known[f"{letter}-{build}"] = Tolerance(f"IEC 60751 class {letter} {words}", low, high, a, b)
    for name, (letter, low, high) in _IEC_RESISTORS.items():
        known[name] = Tolerance(f"IEC 60751 resistor class {name[0]} {name[1:]}", low, high, *SENSOR_CLASSES[letter])
    for letter, (low, high) in _IEC_751_RANGES.items():
        known[f"751-{letter}"] = Tolerance(f"IEC 751:1995 class {letter}", low, high, *SENSOR_CLASSES[letter])
    for letter, (a, b) in _ASTM_GRADES.items():
        known[f"E1137-{letter}"] = Tolerance(f"ASTM E1137 grade {letter}", *_ASTM_RANGE, a, b)
    return known


_STANDARD = "pt1000-3850"
_STANDARD_RATIO_WITHIN = 1e-4

_KNOWN = _all()
NAMES = tuple(_KNOWN)


def tolerance(name: str) -> Tolerance:
    """Return a class or grade by name: AA, A, B, C (thin-film), with -W or -F, F0.3, 751-B, E1137-A and so on.

    A bare letter means thin-film, which has the narrower range. Raises InputError with the names there are.
    """
    wanted = "".join(name.upper().split())
    if wanted in SENSOR_CLASSES:
        wanted += "-F"
    if wanted not in _KNOWN:
        raise InputError(f"There is no tolerance class {name[:40]!r}; use AA, A, B, C or one of {', '.join(NAMES)}.")
    return _KNOWN[wanted]


def for_curve(name: str, of: Curve) -> Tolerance:
    """Return a class or grade by name for a curve. Raises InputError where the class does not belong to the curve.

    The classes are stated for thermometers on the curve of IEC 60751 (clause 5), the grades for that of ASTM E1137,
    whose coefficients are the same. A curve is taken for it whose resistance ratio between the ends of its range, as
    far as the standard's reaches, is the standard's within 1e-4.
    """
    within = tolerance(name)
    standard = curves.curve(_STANDARD)
    low = max(of.low_celsius, standard.low_celsius)
    high = min(of.high_celsius, standard.high_celsius)
    alike = (
        low < high
        and abs(of.ohms(high) / of.ohms(low) * standard.ohms(low) / standard.ohms(high) - 1.0) <= _STANDARD_RATIO_WITHIN
    )
    if not alike:
        raise InputError(
            f"{within.name} belongs to platinum on the standard's curve; {of.name} is another. Leave the class out, or "
            "give what the maker promises with --plus-minus-celsius or --plus-minus-ohms."
        )
    return within


def own(*, ohms: float | None = None, celsius: float | None = None) -> Tolerance:
    """Return a user's own plus-minus, in ohms [ohm] or in degrees [degC]. Raises InputError unless one is given."""
    if (ohms is None) == (celsius is None):
        raise InputError("Give a tolerance either in ohms or in degrees C, not both and not neither.")
    value = ohms if celsius is None else celsius
    if value is None or not 0.0 < value < math.inf:
        raise InputError(f"A tolerance must be a number above 0; it is {value}.")
    if ohms is not None:
        return Tolerance(f"plus or minus {ohms:g} ohm", own_ohms=ohms)
    return Tolerance(f"plus or minus {celsius:g} degrees C", offset_celsius=value)
