"""Guard bands: how far inside a limit a reading has to lie to be called (JCGM 106:2012, 8.3).

The core gives the width of each (probecore.verdict); here it gets its limits, and the readings at which it ends.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from probecore import verdict as core_verdict
from probeledger.rounding import significant

__all__ = ["Guard", "guards_of", "words"]

CELSIUS = "celsius"
OHMS = "ohms"


@dataclass(frozen=True)
class Guard:
    """The guard band of one requirement.

    `celsius`, `ohms`: its width inside each limit; both are None where the uncertainty is so large that no reading
    passes, and celsius alone where no slope is known. `unit`: CELSIUS for a difference to the room [degC], OHMS for a
    resistance. `low_limit`, `high_limit`: the limits in that unit, None for none. `low_passes`, `high_passes`: the
    readings between which the requirement is met with the probability that a pass needs, None at an end without a
    limit.
    """

    name: str
    celsius: float | None
    ohms: float | None
    unit: str
    low_limit: float | None
    high_limit: float | None
    low_passes: float | None
    high_passes: float | None


def guards_of(judgement: Any, profile: Mapping[str, Any]) -> tuple[Guard, ...]:
    """Return the guard bands of a judgement.

    Args:
        judgement: of probecore.verdict.judge.
        profile: the complete limits that it was made with.

    Returns:
        One for each requirement that a number was held against, in the judgement's order.
    """
    found = []
    for name, celsius, ohms in judgement.guards:
        unit, low, high = _limits(name, profile)
        width = celsius if unit == CELSIUS else ohms
        found.append(
            Guard(
                name,
                None if celsius is None else float(celsius),
                None if ohms is None else float(ohms),
                unit,
                low,
                high,
                None if low is None or width is None else low + float(width),
                None if high is None or width is None else high - float(width),
            )
        )
    return tuple(found)


def _limits(name: str, profile: Mapping[str, Any]) -> tuple[str, float | None, float | None]:
    """Return unit, lower and upper limit of a requirement."""
    if name == core_verdict.AMBIENT:
        width = float(profile["ambient_celsius"])
        return CELSIUS, -width, width
    if name == core_verdict.WINDOW:
        return OHMS, float(profile["window_low_ohms"]), float(profile["window_high_ohms"])
    if name == core_verdict.HARNESS:
        return OHMS, None, float(profile["harness_ohms"])
    return OHMS, float(profile["isolation_ohms"]), None


def words(guard: Guard) -> str:
    """Return a guard band's width in a few words, to two digits, as a distance inside its limit.

    >>> words(Guard("harness", 0.13, 0.49, OHMS, None, 3.0, None, 2.51))
    '0.49 Ω = 0.13 °C of the limit'
    """
    if guard.ohms is None:
        return "no reading passes: too much doubt"
    limit = "of either limit" if guard.low_limit is not None and guard.high_limit is not None else "of the limit"
    if guard.ohms <= 0.0:
        return "nothing" if guard.ohms == 0.0 else f"nothing; passes to {_ohms(-guard.ohms)} beyond {limit[3:]}"
    if guard.celsius is None:
        return f"{_ohms(guard.ohms)} {limit}"
    celsius = f"{significant(guard.celsius, 2)} °C"
    said = f"{celsius} = {_ohms(guard.ohms)}" if guard.unit == CELSIUS else f"{_ohms(guard.ohms)} = {celsius}"
    return f"{said} {limit}"


def _ohms(value: float) -> str:
    if value >= 1e6:
        return f"{significant(value / 1e6, 2)} MΩ"
    return f"{significant(value / 1e3, 2)} kΩ" if value >= 1e3 else f"{significant(value, 2)} Ω"
