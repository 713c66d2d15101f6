"""A bake log as a picture: the temperature, the cycles that count, their mean, and what was set.

The picture says nothing that the command's tables do not, and is made of numbers and fixed words only.
"""

from __future__ import annotations

import math

import numpy as np
from markupsafe import Markup

from probeledger.baking.outcome import Analysis
from probeledger.rounding import fixed
from probeledger.units import fahrenheit

__all__ = ["bake_plot"]

_WIDTH, _HEIGHT = 760, 360
_LEFT, _RIGHT, _TOP, _BOTTOM = 52, 52, 34, 40
_LEGEND_ROW = 18
# The curve in so many columns, each with its lowest and highest reading.
_COLUMNS = 640
# A gap so many steps long lifts the pen.
_PEN_UP_STEPS = 5.0
_MINUTES = (1, 2, 5, 10, 15, 30, 60, 120, 240)
_STYLE = (
    "svg{background:#fff;font:13px system-ui,sans-serif}text{fill:#1d2b36}.e{text-anchor:end}.m{text-anchor:middle}"
    ".rule{stroke:#d9d4c5}.used{fill:#cfe3df}.odd{fill:url(#hatch)}.log{fill:none;stroke:#1d2b36;stroke-width:1.2}"
    ".mean{stroke:#0b5d4d;stroke-width:2.4}.set{stroke:#8a3b12;stroke-width:1.6;stroke-dasharray:8 4}"
    ".end{stroke:#1d2b36;stroke-dasharray:2 3}"
)
_HATCH = (
    '<defs><pattern id="hatch" width="6" height="6" patternUnits="userSpaceOnUse"><rect width="6" height="6" '
    'fill="#f4efe2"/><path d="M0 6L6 0" stroke="#b9ad92"/></pattern></defs>'
)


def bake_plot(analysis: Analysis) -> Markup:
    """Draw a bake log.

    Args:
        analysis: of the log.

    Returns:
        A whole SVG document.
    """
    grid = analysis.grid
    low = min(float(grid.celsius.min()), analysis.set_celsius)
    high = max(float(grid.celsius.max()), analysis.set_celsius)
    step = next((each for each in (1, 2, 5, 10, 20, 50, 100, 200) if (high - low) / each <= 8), 500)
    low, high = step * math.floor(low / step), step * (math.floor(high / step) + 1)
    first, last = grid.start_s, grid.end_s

    def x(time_s: float) -> float:
        return _LEFT + (_WIDTH - _LEFT - _RIGHT) * (time_s - first) / (last - first)

    def y(celsius: float) -> float:
        return _TOP + (_HEIGHT - _TOP - _BOTTOM) * (high - celsius) / (high - low)

    def across(celsius: float, kind: str) -> str:
        return f'<line x1="{_LEFT}" x2="{_WIDTH - _RIGHT}" y1="{y(celsius):.1f}" y2="{y(celsius):.1f}" class="{kind}"/>'

    parts = [f'<text x="{_LEFT}" y="18">Cavity over time</text>']
    for cycle in analysis.cycles:
        if cycle.state == "before steady state" or (cycle.state == "used" and not analysis.steady):
            continue
        kind = "used" if cycle.state == "used" else "odd"
        parts.append(
            f'<rect x="{x(cycle.start_s):.1f}" width="{x(cycle.end_s) - x(cycle.start_s):.1f}" y="{_TOP}" '
            f'height="{_HEIGHT - _TOP - _BOTTOM}" class="{kind}"/>'
        )
    for count in range(round((high - low) / step) + 1):
        celsius = low + count * step
        parts.append(
            across(celsius, "rule")
            + f'<text x="{_LEFT - 6}" y="{y(celsius) + 4:.1f}" class="e">{celsius:g} °C</text>'
            + f'<text x="{_WIDTH - _RIGHT + 6}" y="{y(celsius) + 4:.1f}">{fahrenheit(celsius):.0f} °F</text>'
        )
    every = next((each for each in _MINUTES if (last - first) / 60.0 / each <= 10), 24 * 60)
    for mark in range(math.ceil(first / 60.0 / every), math.floor(last / 60.0 / every) + 1):
        parts.append(
            f'<text x="{x(60.0 * every * mark):.1f}" y="{_HEIGHT - _BOTTOM + 18}" class="m">{every * mark:g} min</text>'
        )
    parts += [f'<path d="{_path(analysis, x, y)}" class="log"/>', across(analysis.set_celsius, "set")]
    legend = [("set", f"set to {fixed(analysis.set_celsius, 1)} °C")]
    if analysis.preheat_end_s is not None:
        at = x(analysis.preheat_end_s)
        parts.append(f'<line x1="{at:.1f}" x2="{at:.1f}" y1="{_TOP}" y2="{_HEIGHT - _BOTTOM}" class="end"/>')
        legend.append(("end", "end of the preheat"))
    if analysis.mean_celsius is not None:
        parts.append(across(analysis.mean_celsius, "mean"))
        legend.insert(0, ("mean", f"mean of the shaded cycles, {fixed(analysis.mean_celsius, 1)} °C"))
    if any(cycle.state in ("disturbed", "recovering", "missing data") for cycle in analysis.cycles):
        legend.append(("odd", "disturbed or missing readings, left out"))
    for number, (kind, label) in enumerate(legend):
        at_y = _HEIGHT + _LEGEND_ROW * number
        parts.append(
            f'<rect x="{_LEFT}" y="{at_y - 6}" width="40" height="12" class="odd"/>'
            if kind == "odd"
            else f'<line x1="{_LEFT}" x2="{_LEFT + 40}" y1="{at_y}" y2="{at_y}" class="{kind}"/>'
        )
        parts.append(f'<text x="{_LEFT + 50}" y="{at_y + 4}">{label}</text>')
    height = _HEIGHT + _LEGEND_ROW * len(legend)
    return Markup(
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {_WIDTH} {height}" width="{_WIDTH}" height="{height}" '
        f'role="img" aria-label="Temperature of the cavity over time"><style>{_STYLE}</style>{_HATCH}{"".join(parts)}'
        "</svg>\n"
    )


def _path(analysis: Analysis, x: object, y: object) -> str:
    """Return the curve as path data: lowest and highest of each column in their order, the pen up over gaps."""
    grid = analysis.grid
    assert callable(x) and callable(y)
    columns = np.unique(np.linspace(0, grid.celsius.size, _COLUMNS + 1).astype(int))
    steps: list[str] = []
    pen = "M"
    for begin, end in zip(columns[:-1].tolist(), columns[1:].tolist(), strict=True):
        piece = grid.celsius[begin:end]
        for place in sorted({int(piece.argmin()), int(piece.argmax())}):
            steps.append(f"{pen}{x(grid.start_s + grid.step_s * (begin + place)):.1f} {y(float(piece[place])):.1f}")
            pen = "L"
        if grid.gap_s[begin:end].max(initial=0.0) > _PEN_UP_STEPS * grid.step_s:
            pen = "M"
    return "".join(steps)
