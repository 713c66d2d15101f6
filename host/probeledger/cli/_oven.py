"""How commands show what a reading does to the oven."""

from collections.abc import Sequence
from typing import Any

from probeledger.judging import effect as oven_effect
from probeledger.units import fahrenheit, fahrenheit_difference

__all__ = ["effects_json", "effects_rows", "hypotheses_json", "quantity_text"]

HEADINGS: list[str | tuple[str, str]] = [
    ("Set to", "right"),
    ("", "right"),
    ("Oven holds, off by", "right"),
    ("", "right"),
]


def effects_json(effects: Sequence[oven_effect.Effect]) -> list[dict[str, Any]]:
    """Return effects in the form that scripts rely on."""
    return [
        {
            "set_celsius": effect.set_celsius,
            "low_celsius": effect.low_celsius,
            "high_celsius": effect.high_celsius,
        }
        for effect in effects
    ]


def hypotheses_json(
    hypotheses: Sequence[oven_effect.Hypothesis], effects: Sequence[oven_effect.Effect]
) -> list[dict[str, Any]]:
    """Return hypotheses with what each does at the settings; a contradicted one has no effects."""
    listed = []
    place = 0
    for hypothesis in hypotheses:
        shifts = []
        if hypothesis.compatible:
            shifts = [
                {
                    "set_celsius": effect.set_celsius,
                    "shift_celsius": effect.shifts[place].shift_celsius,
                    "low_celsius": effect.shifts[place].low_celsius,
                    "high_celsius": effect.shifts[place].high_celsius,
                }
                for effect in effects
            ]
            place += 1
        listed.append(
            {
                "kind": hypothesis.kind,
                "label": hypothesis.label,
                "quantity": hypothesis.quantity,
                "u_quantity": hypothesis.u_quantity,
                "unit": hypothesis.unit,
                "chi_square": hypothesis.chi_square,
                "compatible": hypothesis.compatible,
                "effects": shifts,
            }
        )
    return listed


def effects_rows(effects: Sequence[oven_effect.Effect]) -> list[tuple[str, str, str, str]]:
    """Return table rows: setting and range of the error, in both units."""
    return [
        (
            f"{effect.set_celsius:.0f} °C",
            f"{fahrenheit(effect.set_celsius):.0f} °F",
            _range(effect, 1.0) + " °C",
            _range(effect, fahrenheit_difference(1.0)) + " °F",
        )
        for effect in effects
    ]


def _range(effect: oven_effect.Effect, factor: float) -> str:
    if effect.low_celsius is None:
        return "not known"
    low = f"{effect.low_celsius * factor:+.1f}"
    high = "no limit" if effect.high_celsius is None else f"{effect.high_celsius * factor:+.1f}"
    return low if low == high else f"{low} to {high}"


def quantity_text(hypothesis: oven_effect.Hypothesis) -> str:
    """Return what a hypothesis estimates, for people."""
    value, u = hypothesis.quantity, hypothesis.u_quantity
    if value is None or u is None:
        return ""
    if hypothesis.unit == "ohm":
        return f"{value:.1f} ± {2 * u:.1f} Ω"
    if hypothesis.unit == "siemens":
        if value <= 0.0:
            return "none"
        ohms = 1.0 / value
        return f"{ohms / 1e6:.2g} MΩ" if ohms >= 1e6 else f"{ohms / 1e3:.3g} kΩ"
    return f"{100 * (value - 1):+.2f} ± {200 * u:.2f} %"
