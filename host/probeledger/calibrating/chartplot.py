"""A tester's control chart as inline SVG: individuals above, moving ranges below, alarms marked by shape.

The picture says nothing that the text beside it does not, and is made of numbers and fixed words only.
"""

import math
from collections.abc import Sequence

from markupsafe import Markup

from probeledger.calibrating.charts import Chart
from probeledger.rounding import fixed

__all__ = ["control_chart", "told"]

_WIDTH, _HEIGHT = 680, 250
_LEFT, _RIGHT, _TOP, _MIDDLE, _BOTTOM = 56, 10, 20, 168, 22
_RANGES_TOP = 188
_PPM = 1e6


def control_chart(chart: Chart) -> Markup:
    """Draw a chart.

    Args:
        chart: with at least one check.

    Returns:
        SVG markup with a text alternative.
    """
    checks, limits = chart.checks, chart.limits
    values = [_PPM * check.deviation for check in checks]
    ranges = [abs(one - other) for one, other in zip(values[1:], values, strict=False)]
    low, high = min(values), max(values)
    if limits is not None:
        low, high = min(low, _PPM * limits.lower), max(high, _PPM * limits.upper)
    low, high = low - 0.06 * (high - low) - 1.0, high + 0.06 * (high - low) + 1.0
    top_range = max([*ranges, _PPM * limits.upper_range if limits else 0.0, 1.0]) * 1.08
    first, last = checks[0].time.timestamp(), checks[-1].time.timestamp()
    span = max(last - first, 1.0)

    def x(index: int) -> float:
        return _LEFT + 8 + (_WIDTH - _LEFT - _RIGHT - 16) * (checks[index].time.timestamp() - first) / span

    def y(ppm: float) -> float:
        return _MIDDLE - (_MIDDLE - _TOP) * (ppm - low) / (high - low)

    def y_range(ppm: float) -> float:
        return _HEIGHT - _BOTTOM - (_HEIGHT - _BOTTOM - _RANGES_TOP) * ppm / top_range

    parts = [f'<text x="{_LEFT}" y="11" class="p-text p-start">Deviation of the check resistor, ppm</text>']
    if limits is not None:
        upper, lower = y(_PPM * limits.upper), y(_PPM * limits.lower)
        parts.append(
            f'<rect x="{_LEFT}" y="{upper:.1f}" width="{_WIDTH - _LEFT - _RIGHT}" height="{lower - upper:.1f}" '
            'class="p-band"/>'
        )
        parts.append(_line(y(_PPM * limits.center), "p-zero"))
        parts.append(_line(y_range(_PPM * limits.upper_range), "p-limit"))
    step = _nice((high - low) / 3.0)
    for count in range(math.ceil(low / step), math.floor(high / step) + 1):
        parts.append(_line(y(count * step), "p-grid"))
        parts.append(_label(y(count * step), count * step, step))
    parts.append(_line(y_range(0.0), "p-zero"))
    parts.append(f'<text x="{_LEFT}" y="{_RANGES_TOP - 5}" class="p-text p-start">Step from check to check, ppm</text>')
    parts.append(_label(y_range(0.0), 0.0, 1.0))
    half = _nice(top_range / 1.6)
    parts.append(_line(y_range(half), "p-grid") + _label(y_range(half), half, half))
    for index in _date_marks(len(checks)):
        edge = " p-start" if index == 0 else " p-end" if index == len(checks) - 1 else ""
        day = f"{checks[index].time:%Y-%m-%d}"
        parts.append(f'<text x="{x(index):.1f}" y="{_HEIGHT - 6}" class="p-text{edge}">{day}</text>')
    parts.append(_path([(x(index), y(value)) for index, value in enumerate(values)]))
    parts.append(_path([(x(index), y_range(value)) for index, value in enumerate(ranges, start=1)]))
    rang = {alarm.index for alarm in chart.alarms}
    for index, value in enumerate(values):
        at, height = x(index), y(value)
        if index in rang:
            parts.append(f'<path d="M{at:.1f} {height - 6:.1f} l6 10 h-12 Z" class="p-alarm"/>')
        elif len(values) <= 150:
            parts.append(f'<circle cx="{at:.1f}" cy="{height:.1f}" r="1.8" class="p-check"/>')
    return Markup(
        f'<svg class="plot" viewBox="0 0 {_WIDTH} {_HEIGHT}" width="{_WIDTH}" height="{_HEIGHT}" role="img" '
        f'aria-label="{told(chart)}">{"".join(parts)}</svg>'
    )


def told(chart: Chart) -> str:
    """Return what a chart shows in one paragraph, for whoever does not see it."""
    checks, limits = chart.checks, chart.limits
    said = [
        f"{len(checks)} checks from {checks[0].time:%Y-%m-%d} to {checks[-1].time:%Y-%m-%d}, "
        f"the newest {_ppm(checks[-1].deviation)} ppm."
    ]
    if limits is not None:
        said.append(
            f"Mean {_ppm(limits.center)} ppm, limits {_ppm(limits.lower)} to {_ppm(limits.upper)} ppm, "
            f"mean step {_PPM * limits.mean_range:.0f} ppm."
        )
    if chart.learning:
        said.append(f"The rules speak after {chart.learning} more.")
    if chart.alarms:
        days = ", ".join(f"{alarm.check.time:%Y-%m-%d}" for alarm in chart.alarms[:5])
        more = f" and {len(chart.alarms) - 5} later" if len(chart.alarms) > 5 else ""
        said.append(f"Alarm on {days}{more}.")
    elif not chart.learning:
        said.append("No alarm.")
    return " ".join(said)


def _ppm(relative: float) -> str:
    return f"{_PPM * relative:+.0f}".replace("-", "−")


def _line(y: float, kind: str) -> str:
    return f'<line x1="{_LEFT}" x2="{_WIDTH - _RIGHT}" y1="{y:.1f}" y2="{y:.1f}" class="{kind}"/>'


def _label(y: float, value: float, step: float) -> str:
    shown = fixed(abs(value), max(0, -math.floor(math.log10(step) + 1e-9)))
    sign = "+" if value > 0 else "−" if value < 0 else ""
    return f'<text x="{_LEFT - 6}" y="{y + 4:.1f}" class="p-text p-end">{sign}{shown}</text>'


def _path(points: Sequence[tuple[float, float]]) -> str:
    if len(points) < 2:
        return ""
    return f'<polyline points="{" ".join(f"{x:.1f},{y:.1f}" for x, y in points)}" class="p-line"/>'


def _nice(length: float) -> float:
    """Return the largest of 1, 2 or 5 times a power of ten that is no longer."""
    power = 10.0 ** math.floor(math.log10(length))
    return max(digit * power for digit in (1, 2, 5) if digit * power <= length * (1 + 1e-9))


def _date_marks(count: int) -> list[int]:
    """Return the checks whose day stands below: first, middle and last, as far as they differ."""
    return sorted({0, count // 2, count - 1}) if count > 2 else [0]
