"""What a reading means for the oven, as a picture: how far off over the set temperature, for each fault that is left.

The picture says nothing that the command's tables do not, and is made of numbers and fixed words only.
"""

from collections.abc import Sequence

from markupsafe import Markup, escape

from probeledger import units
from probeledger.judging.effect import Effect

__all__ = ["effect_plot"]

_WIDTH, _HEIGHT = 640, 340
_LEFT, _RIGHT, _TOP, _BOTTOM = 58, 14, 34, 48
_LEGEND_ROW = 18
# Told apart by their dashes, so that a print in black tells them too.
_DASHES = ("", "14 4 2 4", "3 3", "10 4", "1 4", "8 3 1 3 1 3")
_STEPS = (0.5, 1.0, 2.0, 5.0, 10.0, 20.0, 50.0, 100.0)


def effect_plot(effects: Sequence[Effect], labels: Sequence[str], curve: str) -> Markup:
    """Draw the range over all faults and each fault's own line; of weighed faults their 95 % and mean too.

    Args:
        effects: at rising set temperatures, two at least; those without a limit are left out.
        labels: what each shift of an effect stands for, in their order; fixed words.
        curve: name of the curve that the control believes, a built-in one.

    Returns:
        A whole SVG document.

    Raises:
        ValueError: fewer than two effects have limits.
    """
    bounded = [
        (each.set_celsius, each.low_celsius, each.high_celsius, each.shifts, each.weighted)
        for each in effects
        if each.low_celsius is not None and each.high_celsius is not None
    ]
    if len(bounded) < 2:
        raise ValueError("a picture needs two set temperatures at which the fault has a limit")
    low = min(0.0, *(each[1] for each in bounded))
    high = max(0.0, *(each[2] for each in bounded))
    step = next((each for each in _STEPS if (high - low) / each <= 8), _STEPS[-1])
    low, high = step * (low // step), step * (high // step + 1)
    first, last = bounded[0][0], bounded[-1][0]

    def x(celsius: float) -> float:
        return _LEFT + (_WIDTH - _LEFT - _RIGHT) * (celsius - first) / (last - first)

    def y(shift: float) -> float:
        return _TOP + (_HEIGHT - _TOP - _BOTTOM) * (high - shift) / (high - low)

    def path(points: Sequence[tuple[float, float]]) -> str:
        return " ".join(f"{x(celsius):.1f},{y(shift):.1f}" for celsius, shift in points)

    parts = [f'<text x="{_LEFT}" y="18">Oven minus set temperature, °C; a control that believes {curve}</text>']
    for count in range(round((high - low) / step) + 1):
        shift = low + count * step
        kind = "zero" if abs(shift) < 1e-9 else "rule"
        parts.append(
            f'<line x1="{_LEFT}" x2="{_WIDTH - _RIGHT}" y1="{y(shift):.1f}" y2="{y(shift):.1f}" class="{kind}"/>'
            f'<text x="{_LEFT - 8}" y="{y(shift) + 4:.1f}" class="e">{_signed(shift)}</text>'
        )
    for count in range(int(first // 25) + 1, int(last // 25) + 1):
        celsius = 25.0 * count
        if celsius % 50 == 0:
            parts.append(
                f'<text x="{x(celsius):.1f}" y="{_HEIGHT - _BOTTOM + 18}" class="m">{celsius:.0f} °C</text>'
                f'<text x="{x(celsius):.1f}" y="{_HEIGHT - _BOTTOM + 33}" class="m">'
                f"{units.fahrenheit(celsius):.0f} °F</text>"
            )
    outline = [(each[0], each[2]) for each in bounded] + [(each[0], each[1]) for each in reversed(bounded)]
    parts.append(f'<polygon points="{path(outline)}" class="band"/>')
    weighed = [
        (each[0], each[4].low_celsius, each[4].mean_celsius, each[4].high_celsius)
        for each in bounded
        if each[4] is not None and each[4].mean_celsius is not None and each[4].high_celsius is not None
    ]
    if len(weighed) > 1:
        inner = [(t, top) for t, _, _, top in weighed] + [(t, bottom) for t, bottom, _, _ in reversed(weighed)]
        at = _HEIGHT + _LEGEND_ROW * len(labels)
        parts.append(
            f'<polygon points="{path(inner)}" class="likely"/>'
            f'<polyline points="{path([(t, mean) for t, _, mean, _ in weighed])}" class="mean"/>'
            f'<line x1="{_LEFT}" x2="{_LEFT + 40}" y1="{at}" y2="{at}" class="mean"/>'
            f'<text x="{_LEFT + 50}" y="{at + 4}">all of them by their probability: mean and, darker, 95 %</text>'
        )
    for number, label in enumerate(labels):
        shifts = [(each[0], each[3][number].shift_celsius) for each in bounded]
        line = [(celsius, shift) for celsius, shift in shifts if shift is not None]
        dash = f' stroke-dasharray="{_DASHES[number % len(_DASHES)]}"' if number else ""
        at = _HEIGHT + _LEGEND_ROW * number
        parts.append(
            f'<polyline points="{path(line)}" class="line"{dash}/>'
            f'<line x1="{_LEFT}" x2="{_LEFT + 40}" y1="{at}" y2="{at}" class="line"{dash}/>'
            f'<text x="{_LEFT + 50}" y="{at + 4}">{escape(label)}</text>'
        )
    height = _HEIGHT + _LEGEND_ROW * (len(labels) + (len(weighed) > 1))
    return Markup(
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {_WIDTH} {height}" width="{_WIDTH}" height="{height}" '
        f'role="img" aria-label="Oven minus set temperature over the set temperature"><style>'
        "svg{background:#fff;font:13px system-ui,sans-serif}text{fill:#1d2b36}.e{text-anchor:end}.m{text-anchor:middle}"
        ".rule{stroke:#d9d4c5}.zero{stroke:#1d2b36}.band{fill:#cfe3df}.line{fill:none;stroke:#1d2b36;stroke-width:1.6}"
        ".likely{fill:#9cc4bb}.mean{fill:none;stroke:#0b5d4d;stroke-width:3.2}"
        f"</style>{''.join(parts)}</svg>\n"
    )


def _signed(shift: float) -> str:
    shown = f"{abs(shift):g}"
    return f"+{shown}" if shift > 1e-9 else f"−{shown}" if shift < -1e-9 else "0"
