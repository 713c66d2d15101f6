"""A small picture of one reading: how far the probe is from the room, with limit and uncertainty, as inline SVG.

The picture says nothing that the text beside it does not; its text alternative is that text.
"""

import math

from markupsafe import Markup

from probeledger.rounding import fixed

_WIDTH, _HEIGHT = 300, 46
_MARGIN = 14
_MIDDLE_Y = 20


def gauge(
    difference_celsius: float, u_celsius: float, limit_celsius: float, guard_celsius: float | None = None
) -> Markup:
    """Draw the difference between probe and room.

    Args:
        difference_celsius: temperature by the curve minus ambient [degC].
        u_celsius: its standard uncertainty, probe and room together [degC].
        limit_celsius: largest difference allowed either way [degC].
        guard_celsius: how far inside the limit a difference is still undecided [degC]; None or 0 for no such band.

    Returns:
        SVG markup made of numbers only.
    """
    span = 2.5 * limit_celsius
    half = (_WIDTH - 2 * _MARGIN) / 2

    def x(celsius: float) -> float:
        return _WIDTH / 2 + half * max(-1.0, min(1.0, celsius / span))

    spread = 2.0 * u_celsius if math.isfinite(u_celsius) else 0.0
    low, high = x(difference_celsius - spread), x(difference_celsius + spread)
    at = x(difference_celsius)
    outside = abs(difference_celsius) > span
    label = (
        f"The probe reads {fixed(abs(difference_celsius), 2)} °C "
        f"{'above' if difference_celsius >= 0 else 'below'} the room, plus or minus {fixed(spread, 2)} °C; "
        f"up to {fixed(limit_celsius, 1)} °C either way is allowed."
    )
    guard = min(guard_celsius or 0.0, limit_celsius)
    bands = ""
    if guard > 0.0:
        label += f" The outer {fixed(guard, 1)} °C of that are undecided."
        bands = "".join(
            f'<rect x="{x(from_celsius):.1f}" y="{_MIDDLE_Y - 11}" width="{x(guard) - x(0.0):.1f}" height="22" '
            'class="g-guard"/>'
            for from_celsius in (-limit_celsius, limit_celsius - guard)
        )
    y = _MIDDLE_Y
    if outside:
        tip = at + (6 if difference_celsius > 0 else -6)
        point = f'<path d="M{at:.1f} {y - 8} L{tip:.1f} {y} L{at:.1f} {y + 8} Z" class="g-point"/>'
    else:
        point = f'<path d="M{at:.1f} {y - 8} l6 8 l-6 8 l-6 -8 Z" class="g-point"/>'
    limits = "".join(
        f'<text x="{x(sign * limit_celsius):.1f}" y="44" class="g-text">{sign * limit_celsius:+.3g} °C</text>'
        for sign in (-1, 1)
    )
    return Markup(
        f'<svg class="gauge" viewBox="0 0 {_WIDTH} {_HEIGHT}" width="{_WIDTH}" height="{_HEIGHT}" '
        f'role="img" aria-label="{label}">'
        f'<rect x="{x(-limit_celsius):.1f}" y="{y - 11}" width="{x(limit_celsius) - x(-limit_celsius):.1f}" '
        f'height="22" class="g-band"/>{bands}'
        f'<line x1="{_MARGIN}" x2="{_WIDTH - _MARGIN}" y1="{y}" y2="{y}" class="g-axis"/>'
        f'<line x1="{_WIDTH / 2:.1f}" x2="{_WIDTH / 2:.1f}" y1="{y - 13}" y2="{y + 13}" class="g-axis"/>'
        f'<line x1="{low:.1f}" x2="{high:.1f}" y1="{y}" y2="{y}" class="g-spread"/>'
        f'<line x1="{low:.1f}" x2="{low:.1f}" y1="{y - 5}" y2="{y + 5}" class="g-end"/>'
        f'<line x1="{high:.1f}" x2="{high:.1f}" y1="{y - 5}" y2="{y + 5}" class="g-end"/>'
        f"{point}{limits}"
        f'<text x="{_WIDTH / 2:.1f}" y="44" class="g-text">room</text></svg>'
    )
