"""The deviations of a calibration as inline SVG: errors with uncertainty bars, before and after, inside their limits.

Low range: error in ohms over resistance. Other ranges: error in percent over resistance on a logarithmic axis. The
picture says nothing that the table beside it does not, and is made of numbers and fixed words only.
"""

import math
from collections.abc import Callable, Sequence

from markupsafe import Markup

from probeledger.calibrating.certificate import Result, Specification
from probeledger.rounding import fixed, significant

__all__ = ["deviations"]

_WIDTH, _HEIGHT = 360, 190
_LEFT, _RIGHT, _TOP, _BOTTOM = 50, 8, 20, 22
# As found and as left stand at the same resistance; beside each other both can be seen.
_APART = 4.0
_CAP = 3.5
_TITLES = {"low": "Low range", "high": "High range", "isolation": "Isolation"}


def deviations(specification: Specification, as_found: Sequence[Result], as_left: Sequence[Result]) -> Markup | None:
    """Draw the errors of one range.

    Args:
        specification: the limits of the range.
        as_found: results before any adjustment.
        as_left: results after it; empty where nothing was adjusted.

    Returns:
        SVG markup, or None where the range has results at fewer than two resistances.
    """
    range_name = specification.range
    found = [each for each in as_found if each.range == range_name]
    left = [each for each in as_left if each.range == range_name]
    everything = found + left
    if len({each.reference_ohms for each in everything}) < 2:
        return None
    relative = range_name != "low"

    def scaled(ohms: float, at_ohms: float) -> float:
        return 100.0 * ohms / at_ohms if relative else ohms

    reach = max(scaled(abs(each.error_ohms) + each.expanded_ohms, each.reference_ohms) for each in everything)
    reach = 1.08 * max(reach, max(scaled(each.limit_ohms, each.reference_ohms) for each in everything))
    low_ohms = min(each.reference_ohms for each in everything)
    high_ohms = max(each.reference_ohms for each in everything)
    x, ticks = _logarithmic(low_ohms, high_ohms) if relative else _linear(high_ohms)
    middle = (_TOP + _HEIGHT - _BOTTOM) / 2
    half = (_HEIGHT - _BOTTOM - _TOP) / 2

    def y(value: float) -> float:
        return middle - half * value / reach

    parts = [_band(specification, low_ohms if relative else 0.0, high_ohms, x, y, relative)]
    step = _nice(reach / 2.2)
    for count in range(-int(reach / step), int(reach / step) + 1):
        value = count * step
        parts.append(
            f'<line x1="{_LEFT}" x2="{_WIDTH - _RIGHT}" y1="{y(value):.1f}" y2="{y(value):.1f}" '
            f'class="{"p-zero" if count == 0 else "p-grid"}"/>'
            f'<text x="{_LEFT - 6}" y="{y(value) + 4:.1f}" class="p-text p-end">{_signed(value, step)}</text>'
        )
    for ohms in ticks:
        parts.append(
            f'<line x1="{x(ohms):.1f}" x2="{x(ohms):.1f}" y1="{_HEIGHT - _BOTTOM}" y2="{_HEIGHT - _BOTTOM + 4}" '
            f'class="p-zero"/><text x="{x(ohms):.1f}" y="{_HEIGHT - _BOTTOM + 16}" class="p-text">{_ohms(ohms)}</text>'
        )
    aside = _APART if left else 0.0
    for results, kind, offset in ((found, "found", -aside), (left, "left", aside)):
        for each in results:
            at = x(each.reference_ohms) + offset
            error = scaled(each.error_ohms, each.reference_ohms)
            spread = scaled(each.expanded_ohms, each.reference_ohms)
            parts.append(_point(at, y(error), y(error - spread), y(error + spread), kind))
    title = f"{_TITLES[range_name]}: error {'% of the value' if relative else 'Ω'} over resistance"
    parts.append(f'<text x="{_LEFT}" y="11" class="p-text p-start">{title}</text>')
    label = (
        f"Errors in the {range_name} range with their expanded uncertainties; limits are shaded. "
        "The table has the values."
    )
    return Markup(
        f'<svg class="plot" viewBox="0 0 {_WIDTH} {_HEIGHT}" width="{_WIDTH}" height="{_HEIGHT}" role="img" '
        f'aria-label="{label}">{"".join(parts)}</svg>'
    )


def _linear(high_ohms: float) -> tuple[Callable[[float], float], list[float]]:
    step = _nice(high_ohms / 4) if high_ohms > 0 else 1.0
    top = max(high_ohms, step)

    def x(ohms: float) -> float:
        return _LEFT + 12 + (_WIDTH - _LEFT - _RIGHT - 24) * ohms / top

    return x, [count * step for count in range(int(top / step + 1e-9) + 1)]


def _logarithmic(low_ohms: float, high_ohms: float) -> tuple[Callable[[float], float], list[float]]:
    low, high = math.log10(low_ohms), math.log10(high_ohms)
    low, high = low - 0.02, high + 0.02

    def x(ohms: float) -> float:
        return _LEFT + 12 + (_WIDTH - _LEFT - _RIGHT - 24) * (math.log10(ohms) - low) / (high - low)

    marks = [digit * 10.0**power for power in range(math.floor(low), math.ceil(high) + 1) for digit in (1, 3)]
    return x, [ohms for ohms in marks if low - 1e-9 <= math.log10(ohms) <= high + 1e-9]


def _band(
    specification: Specification,
    low_ohms: float,
    high_ohms: float,
    x: Callable[[float], float],
    y: Callable[[float], float],
    relative: bool,
) -> str:
    """Return the limits as a shaded area; straight between its ends, as the limits are straight in both scalings."""

    def limit(ohms: float) -> float:
        allowed = specification.allowed_ohms(ohms)
        return 100.0 * allowed / ohms if relative else allowed

    low, high = limit(low_ohms), limit(high_ohms)
    corners = ((low_ohms, low), (high_ohms, high), (high_ohms, -high), (low_ohms, -low))
    points = " ".join(f"{x(ohms):.1f},{y(value):.1f}" for ohms, value in corners)
    return f'<polygon points="{points}" class="p-band"/>'


def _point(at: float, y: float, low: float, high: float, kind: str) -> str:
    bars = "".join(
        f'<line x1="{at - _CAP:.1f}" x2="{at + _CAP:.1f}" y1="{end:.1f}" y2="{end:.1f}" class="p-bar"/>'
        for end in (low, high)
    )
    bars += f'<line x1="{at:.1f}" x2="{at:.1f}" y1="{low:.1f}" y2="{high:.1f}" class="p-bar"/>'
    if kind == "found":
        return bars + f'<circle cx="{at:.1f}" cy="{y:.1f}" r="3.4" class="p-found"/>'
    return bars + f'<path d="M{at:.1f} {y - 4.4:.1f} l4.4 4.4 l-4.4 4.4 l-4.4 -4.4 Z" class="p-left"/>'


def _nice(length: float) -> float:
    """Return the largest of 1, 2 or 5 times a power of ten that is no longer."""
    power = 10.0 ** math.floor(math.log10(length))
    return max(digit * power for digit in (1, 2, 5) if digit * power <= length * (1 + 1e-9))


def _signed(value: float, step: float) -> str:
    shown = fixed(abs(value), max(0, -math.floor(math.log10(step) + 1e-9)))
    return f"{'+' if value > 0 else '−' if value < 0 else ''}{shown}"


def _ohms(ohms: float) -> str:
    for unit, name in ((1e6, " MΩ"), (1e3, " kΩ")):
        if ohms >= unit:
            return f"{significant(ohms / unit, 3).rstrip('0').rstrip('.') if ohms % unit else int(ohms / unit)}{name}"
    return f"{ohms:g} Ω"
