"""What a shop sends to a tester: curves and limits, each as one map that says all of it.

A curve's map has "v" (1), "form" and "name", and for the form

    "platinum"  r0_ohms, a, b, c, low_celsius, high_celsius    (PlatinumCurve)
    "ladder"    r0_ohms, r0_celsius, falls, knots              (LadderCurve)

Limits are the map of probecore.limits, complete. All numbers are single floats: the tester has no other, and so both
ends compute from the same. The id of either is the first eight hexadecimal digits of the SHA-256 of the map's CBOR,
whose form is fixed: a record that names an id names every number.
"""

import binascii
import hashlib

from . import cbor, limits, maths
from .curves import BUILT_IN, PlatinumCurve
from .errors import MisuseError, ProbeError, StoredDataError

CURVE = "curve"
LIMITS = "limits"

FORMAT = 1
# A definition fits two slots and a record with room to spare.
MOST_BYTES = 1900
MOST_NAME = 40

_PLATINUM = ("r0_ohms", "a", "b", "c", "low_celsius", "high_celsius")
_LOOKED_AT = 32
_COMES_BACK_CELSIUS = 0.02


def identity(data):
    """Return the id of a definition. data: its CBOR, bytes."""
    return binascii.hexlify(hashlib.sha256(data).digest()[:4]).decode()


def built_in_names(kind):
    """Return the names of what every tester has. kind: CURVE or LIMITS."""
    return BUILT_IN if kind == CURVE else (limits.DOMESTIC_1000["name"],)


def read(kind, data):
    """Return what a definition says: a curve, or complete limits.

    kind: CURVE or LIMITS; data: CBOR, bytes. Raises ProbeError with what is wrong.
    """
    if len(data) > MOST_BYTES:
        raise MisuseError("definition-size", "It takes %d bytes; a tester takes %d." % (len(data), MOST_BYTES))
    stored = cbor.loads(data)
    if not isinstance(stored, dict) or cbor.dumps(stored) != bytes(data):
        raise StoredDataError("definition-damaged", "The definition is no map in its fixed form.")
    return of_map(kind, stored)


def of_map(kind, stored):
    """Return what a definition's map says, as `read`. Raises ProbeError with what is wrong."""
    name = stored.get("name")
    if not isinstance(name, str) or not 0 < len(name) <= MOST_NAME or not _is_printable(name):
        raise StoredDataError("definition-name", "A name of 1 to %d characters is needed." % MOST_NAME)
    if name in built_in_names(kind):
        raise MisuseError("definition-name", "%s is the name of a built-in one. Choose another name." % name)
    return limits.complete(stored) if kind == LIMITS else _curve(name, stored)


def _is_printable(name):
    # The core runs on MicroPython, which knows no category of a character.
    for char in name:
        if ord(char) < 32 or 127 <= ord(char) < 160:
            return False
    return True


def _curve(name, stored):
    form = stored.get("form")
    if stored.get("v") != FORMAT or form not in ("platinum", "ladder"):
        raise StoredDataError("curve-form", "The curve has a form that is not known here. Update the older end.")
    try:
        return _platinum(name, stored) if form == "platinum" else _ladder(name, stored)
    except (ValueError, ArithmeticError):
        raise StoredDataError("curve-damaged", "The curve's numbers make no curve.")


def _platinum(name, stored):
    numbers = [stored.get(key) for key in _PLATINUM]
    if not all(maths.finite(number) for number in numbers):
        raise ValueError
    made = PlatinumCurve(name, *numbers)
    width = made.high_celsius - made.low_celsius
    if made.r0_ohms <= 0 or width <= 0 or made.low_celsius < -273:
        raise ValueError
    for step in range(_LOOKED_AT + 1):
        celsius = min(made.low_celsius + width * step / _LOOKED_AT, made.high_celsius)
        ohms = made.ohms(celsius)
        if ohms <= 0 or made.ohms_per_celsius(celsius) <= 0:
            raise ValueError
        try:
            if maths.fabs(made.celsius(ohms) - celsius) > _COMES_BACK_CELSIUS:
                raise ValueError
        except ProbeError:
            raise ValueError
    return made


def _ladder(name, stored):
    # Imported for a tester that has such a curve only.
    from .ladder import LadderCurve

    r0_ohms, r0_celsius, knots = stored.get("r0_ohms"), stored.get("r0_celsius"), stored.get("knots")
    if not (maths.finite(r0_ohms) and maths.finite(r0_celsius) and isinstance(knots, bytes)):
        raise ValueError
    made = LadderCurve(name, stored.get("falls") is True, knots, r0_ohms, r0_celsius)
    if not made.low_celsius <= r0_celsius <= made.high_celsius:
        raise ValueError
    if maths.fabs(made.ohms(r0_celsius) - r0_ohms) > 1e-3 * r0_ohms:
        raise ValueError
    return made
