"""The cycles of a bake log: from one crossing of the middle level upwards to the next.

A cycle is cut where the temperature rises through the level about which it swings. There it is steep, so the cut is
sharp, and near its mean, so that a cut that is late by a little changes the cycle's mean by next to nothing; cut at its
maxima, which are blunt and noisy, the mean would carry the error of the cut.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from probeledger.baking.grid import Grid
from probeledger.baking.turns import Turns, noise_of, smoothed

if TYPE_CHECKING:
    from numpy import float64
    from numpy.typing import NDArray

__all__ = ["Cycle", "cycles_of", "extreme_width", "likeness"]

# How far inside a leg the common level must lie, as a share of the usual swing.
_LEVEL_MARGIN = 0.05
# Neighbours to each side whose middles make another level.
_LEVEL_LEGS = 4
# The widest smoothing for extremes, as a share of the period.
_EXTREME_SHARE = 0.05
# A gap shorter than this share of the period is bridged by a straight line.
_GAP_SHARE = 0.03
# Parts of a cycle in which shapes are compared.
_PHASES = 24


@dataclass(frozen=True)
class Cycle:
    """One cycle of the oven.

    Attributes:
        start_s, end_s: where it rises through the level [s].
        maximum_celsius, minimum_celsius: its extremes, smoothed against noise [degC].
        mean_celsius: its mean over time [degC].
        duty: share of its time in which it rises [1].
        missing_s: how much of it lies in gaps too long to bridge [s].
        state: "used", "before steady state", "disturbed", "recovering" (from that) or "missing data".
    """

    start_s: float
    end_s: float
    maximum_celsius: float
    minimum_celsius: float
    mean_celsius: float
    duty: float
    missing_s: float
    state: str = "used"

    @property
    def period_s(self) -> float:
        """Return its length [s]."""
        return self.end_s - self.start_s

    @property
    def swing_celsius(self) -> float:
        """Return maximum minus minimum [K]."""
        return self.maximum_celsius - self.minimum_celsius

    @property
    def midpoint_celsius(self) -> float:
        """Return the middle between its extremes [degC], which is not its mean."""
        return 0.5 * (self.maximum_celsius + self.minimum_celsius)


def cycles_of(grid: Grid, turns: Turns) -> tuple[Cycle, ...]:
    """Cut a log into whole cycles.

    Args:
        grid: the log.
        turns: its turning points.

    Returns:
        The cycles in order of time, all "used" so far; those before the preheat's end and after the last whole one
        are in none.
    """
    series = smoothed(grid.celsius, turns.width)
    places, rising_first = list(turns.places), turns.first_is_maximum
    if places[0] > 0:
        # The way to the first turn is a leg as well: the preheat.
        places.insert(0, 0)
    else:
        rising_first = not rising_first
    values = series[np.asarray(places)]
    levels = _levels(values)
    starts: list[float] = []
    for leg in range(0 if rising_first else 1, len(places) - 1, 2):
        crossing = _crossing(series, places[leg], places[leg + 1], float(levels[leg]))
        if crossing is not None:
            starts.append(crossing)
    if len(starts) < 2:
        return ()
    period = float(np.median(np.diff(starts)))
    swing = float(np.median(np.abs(np.diff(values))))
    shaped = smoothed(grid.celsius, extreme_width(noise_of(grid.celsius), period, swing))
    least_s = _GAP_SHARE * period * grid.step_s
    return tuple(_cycle(grid, shaped, least_s, *ends) for ends in zip(starts, starts[1:], strict=False))


def _levels(values: NDArray[float64]) -> NDArray[float64]:
    """Return the level [degC] at which to cut each leg between two turning points.

    It is one for the whole log, the median of the legs' middles, so that both ends of a cycle are cut alike; a door
    that is opened moves no median. A leg that lies off it, as in a log that drifts, has the median of its neighbours.
    A leg that does not come to either is no cut: after a door was shut, the oven is not up again.
    """
    middles = 0.5 * (values[1:] + values[:-1])
    ranges = np.abs(np.diff(values))
    # The first leg is the preheat, half of it far below.
    level = float(np.median(middles[1:] if middles.size > 1 else middles))
    margin = _LEVEL_MARGIN * float(np.median(ranges))
    found = np.full(middles.size, level)
    for leg in (np.abs(middles - level) > 0.5 * ranges - margin).nonzero()[0].tolist():
        first = max(leg - _LEVEL_LEGS, 1)
        found[leg] = np.median(middles[first : max(leg + _LEVEL_LEGS, first) + 1]) if middles.size > 1 else level
    # The last leg is still on its way, and its middle is no middle.
    found[-1] = found[-2] if found.size > 1 else level
    return found


def _crossing(series: NDArray[float64], low: int, high: int, level: float) -> float | None:
    """Return where a rising leg between two indices crosses a level, as an index with its fraction.

    Noise makes it cross several times; the middle between first and last is taken.
    """
    leg = series[low : high + 1]
    below = (leg < level).nonzero()[0]
    if not below.size or below[-1] == leg.size - 1:
        return None
    above = int((leg[int(below[0]) :] >= level).argmax()) + int(below[0])
    found = [at + float((level - leg[at]) / (leg[at + 1] - leg[at])) for at in (above - 1, int(below[-1]))]
    return low + 0.5 * (found[0] + found[1])


def extreme_width(noise: float, period: float, swing: float) -> int:
    """Return over how many readings to smooth for extremes.

    Noise of standard deviation s, smoothed over w, adds about 2 s / sqrt(w) to a maximum; the smoothing takes about
    swing * w / (2 period) off a sharp one. The sum is least at the width returned.
    """
    best = (2.0 * noise * period / max(swing, 1e-9)) ** (2.0 / 3.0)
    most = _EXTREME_SHARE * period
    return 2 * int(min(best, most) / 2.0) + 1


def _cycle(grid: Grid, shaped: NDArray[float64], least_s: float, start: float, end: float) -> Cycle:
    """Return the cycle between two crossings, given as indices with fractions; shorter gaps [s] do no harm."""
    first, last = int(start) + 1, int(end) + 1
    piece = shaped[first:last]
    top, bottom = int(piece.argmax()), int(piece.argmin())
    start_s, end_s = grid.start_s + grid.step_s * start, grid.start_s + grid.step_s * end
    falls = (bottom - top) / (end - start) if bottom > top else 0.5
    return Cycle(
        start_s,
        end_s,
        float(piece[top]),
        float(piece[bottom]),
        grid.mean(start_s, end_s),
        1.0 - falls,
        grid.missing_s(start_s, end_s, least_s),
    )


def likeness(grid: Grid, cycles: Sequence[Cycle]) -> float:
    """Return how much of the variation within cycles is their common shape, 0 to 1 [1].

    Each cycle is brought to one length, its own mean taken off and its own size made one; noise that wanders up and
    down has no common shape, a control's cycles hardly anything else.

    Args:
        grid: the log.
        cycles: two at least.
    """
    phases = (np.arange(_PHASES) + 0.5) / _PHASES
    times = np.array([[cycle.start_s + cycle.period_s * phase for phase in phases] for cycle in cycles])
    # Means over a phase's length, so that noise of single readings counts for little.
    edges = np.concatenate((times - 0.5 * (times[:, 1:2] - times[:, :1]), [[cycle.end_s] for cycle in cycles]), axis=1)
    places = (edges - grid.start_s) / grid.step_s
    shapes = np.diff(np.interp(places, np.arange(grid.integral.size), grid.integral), axis=1)
    shapes /= np.diff(edges, axis=1)
    shapes -= shapes.mean(axis=1, keepdims=True)
    sizes = np.sqrt((shapes**2).mean(axis=1, keepdims=True))
    if not sizes.all():
        return 0.0
    return float(((shapes / sizes).mean(axis=0) ** 2).mean())
