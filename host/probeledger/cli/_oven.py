"""How commands show what a reading does to the oven."""

from collections.abc import Sequence
from typing import Any

from probeledger.judging import effect as oven_effect
from probeledger.units import fahrenheit, fahrenheit_difference

__all__ = [
    "HEADINGS",
    "WEIGHTED_HEADINGS",
    "effects_json",
    "effects_rows",
    "hypotheses_json",
    "quantity_text",
    "weighted_rows",
]

HEADINGS: list[str | tuple[str, str]] = [
    ("Set to", "right"),
    ("", "right"),
    ("Oven holds, off by", "right"),
    ("", "right"),
]
WEIGHTED_HEADINGS: list[str | tuple[str, str]] = [
    ("Set to", "right"),
    ("", "right"),
    ("Off, mean", "right"),
    ("in 95 % of cases", "right"),
    ("mean", "right"),
    ("in 95 % of cases", "right"),
]


def effects_json(effects: Sequence[oven_effect.Effect]) -> list[dict[str, Any]]:
    """Return effects in the form that scripts rely on."""
    return [
        {
            "set_celsius": effect.set_celsius,
            "low_celsius": effect.low_celsius,
            "high_celsius": effect.high_celsius,
            "weighted": None if effect.weighted is None else vars(effect.weighted),
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
                "weight": hypothesis.weight,
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


def weighted_rows(effects: Sequence[oven_effect.Effect]) -> list[tuple[str, ...]]:
    """Return table rows: setting, weighted mean and its 95 % of the error, in both units."""
    return [
        (
            f"{effect.set_celsius:.0f} °C",
            f"{fahrenheit(effect.set_celsius):.0f} °F",
            *(
                cell
                for unit, factor in (("°C", 1.0), ("°F", fahrenheit_difference(1.0)))
                for cell in (_mean(effect.weighted, factor) + f" {unit}", _range(effect.weighted, factor) + f" {unit}")
            ),
        )
        for effect in effects
        if effect.weighted is not None
    ]


def _mean(weighted: oven_effect.Weighted, factor: float) -> str:
    return "no limit" if weighted.mean_celsius is None else _signed(weighted.mean_celsius * factor)


def _range(found: oven_effect.Effect | oven_effect.Weighted, factor: float) -> str:
    if found.low_celsius is None:
        return "not known"
    low = _signed(found.low_celsius * factor)
    high = "no limit" if found.high_celsius is None else _signed(found.high_celsius * factor)
    return low if low == high else f"{low} to {high}"


def _signed(value: float) -> str:
    # Adding nothing takes the sign off a zero.
    return f"{round(value, 1) + 0.0:+.1f}"


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
