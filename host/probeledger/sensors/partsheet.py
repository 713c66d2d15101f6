"""What to ask for at the parts counter: a sensor's resistance at ten temperatures, with its tolerance."""

from __future__ import annotations

from dataclasses import dataclass

from probeledger import units
from probeledger.sensors.tolerance import Curve, Tolerance

__all__ = ["Row", "Curve", "cautions", "nominal_ohms", "rows"]

# From the workshop to the hottest usual baking (common practice, no source).
_OVEN_CELSIUS = (0.0, 10.0, 20.0, 25.0, 30.0, 100.0, 150.0, 175.0, 200.0, 250.0)


@dataclass(frozen=True)
class Row:
    """One row: temperature in both units, resistance, half-widths [ohm], [degC]; None where none are promised."""

    celsius: float
    fahrenheit: float
    ohms: float
    plus_minus_ohms: float | None = None
    plus_minus_celsius: float | None = None


def nominal_ohms(of: Curve, celsius: float) -> float | None:
    """Return the resistance [ohm] at a temperature [degC], None outside the curve's range."""
    return of.ohms(celsius) if of.low_celsius <= celsius <= of.high_celsius else None


def rows(of: Curve, within: Tolerance | None = None) -> list[Row]:
    """Return ten rows: an oven's temperatures where the curve holds at all of them, else ten over its range.

    Args:
        of: the curve.
        within: a tolerance, or None for no such columns.

    Returns:
        The rows, coldest first.
    """
    low, high = of.low_celsius, of.high_celsius
    wanted = list(_OVEN_CELSIUS)
    if low > wanted[0] or high < wanted[-1]:
        wanted = [low + (high - low) * step / 9.0 for step in range(9)] + [high]
    made = []
    for t in wanted:
        width = within.width(of, t) if within is not None and within.holds_at(t) else None
        made.append(
            Row(
                t,
                units.fahrenheit(t),
                of.ohms(t),
                None if width is None else width.ohms,
                None if width is None else width.celsius,
            )
        )
    return made


def cautions(shown: list[Row], within: Tolerance | None) -> list[str]:
    """Return what a reader of the sheet has to know, one sentence each."""
    said = [
        "A cold resistance alone cannot tell two curves apart: ask for the curve by name, and test the new part "
        "before fitting it."
    ]
    if within is not None and any(row.plus_minus_ohms is None for row in shown):
        said.append(
            f"{within.name} holds from {within.low_celsius:g} to {within.high_celsius:g} degrees C only; "
            "outside, no tolerance is promised."
        )
    return said
