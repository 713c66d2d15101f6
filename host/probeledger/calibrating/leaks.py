"""A reference resistor as a leak from lead a to the chassis clip."""

import math
from collections.abc import Mapping
from typing import Any

from probeledger.calibrating.taking import Expected, NotYetError
from probeledger.rounding import significant
from probeledger.text import clean

__all__ = ["leak_of"]

# A tester's isolation is right to a few per cent; twice as much or half of it is another resistor.
_FITS = 0.3


def leak_of(answer: Mapping[str, Any], expected: Expected) -> tuple[float, float]:
    """Return the leak that the tester indicates with its standard uncertainty [ohm].

    Args:
        answer: to the link's `isolation`.
        expected: the reference that should be there.

    Raises:
        NotYetError: nothing is there, or something else.
    """
    found = answer.get("isolation")
    leak = found.get("a") if isinstance(found, Mapping) else None
    ohms = leak.get("ohms") if isinstance(leak, Mapping) else None
    u_ohms = leak.get("u_ohms") if isinstance(leak, Mapping) else None
    if (
        not isinstance(leak, Mapping)
        or not isinstance(ohms, (int, float))
        or not isinstance(u_ohms, (int, float))
        or not math.isfinite(ohms)
        or not math.isfinite(u_ohms)
    ):
        raise NotYetError(
            "no-isolation",
            "The chassis clip does not follow its drive: something else holds it. Let it hold the resistor's wire "
            "alone, then Enter.",
        )
    if leak.get("greater"):
        raise NotYetError(
            "open",
            f"No leak is seen: more than {significant(float(ohms), 2)} ohm. Clip {clean(expected.name, 40)} from lead "
            "a to the chassis clip, then Enter.",
        )
    if abs(ohms - expected.ohms) > _FITS * expected.ohms:
        raise NotYetError(
            "wrong-resistor",
            f"That is not {clean(expected.name, 40)}: the tester sees a leak of {significant(float(ohms), 3)} ohm, "
            f"{significant(expected.ohms, 3)} ohm was expected. Check the resistor, then Enter.",
        )
    return float(ohms), float(u_ohms)
