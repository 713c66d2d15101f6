"""Find where a noisy temperature turns: the maxima and minima of an oven's cycles.

Nothing is known beforehand: swings go from half a degree to thirty, periods from half a minute to half an hour, and the
noise may be a tenth of the swing or twice as large. So the readings are smoothed over several widths; at each, the
ranges between turning points are sorted, and the gaps in that row are candidates for the size that tells a cycle from
noise. Of all candidates the one is taken under which the most of the log's time is covered by cycles of like period and
like range. Smoothing, ranges and turning points take a time in proportion to the number of readings.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy import float64
    from numpy.typing import NDArray

__all__ = ["Turns", "find", "noise_of", "smoothed", "zigzag"]

# Widths of smoothing [readings].
_WIDTHS = (1, 3, 7, 15, 31, 63)
# A range below so many standard deviations of the smoothed noise is noise.
_NOISE_RANGES = 5.0
# No oven that switches swings by less [degC]; and a resolution's flicker is one step, or two where noise helps.
_LEAST_RANGE_CELSIUS = 0.25
_RESOLUTION_RANGES = 2.2
_LEAST_RESOLUTION = 1e-6
# What makes a gap between ranges, and how many of the widest are tried.
_GAP = 1.5
_MOST_GAPS = 4
_FEWEST_ABOVE = 3
# A cycle is like the others when its period and range are within these factors of the median.
_LIKE_PERIOD = 1.35
_LIKE_RANGE = 2.0
# So many like cycles [1] are chance.
_CHANCE = 1.5
# Covered so well, no wider smoothing is tried; and a wider one must be better by this much.
_COVERED = 0.93
_BETTER = 0.04


@dataclass(frozen=True)
class Turns:
    """Turning points of a series.

    Attributes:
        places: indices of the turning points, alternating, rising.
        first_is_maximum: whether the first of them is a maximum.
        width: readings that were smoothed over [1].
        threshold_celsius: least range between two of them [K].
        covered: share of the time from first to last maximum that like cycles cover [1].
        score: share of the time from the first maximum on, less what two or three cycles would cover by chance [1].
    """

    places: tuple[int, ...]
    first_is_maximum: bool
    width: int
    threshold_celsius: float
    covered: float
    score: float


def smoothed(values: NDArray[float64], width: int) -> NDArray[float64]:
    """Return the running mean of a series over an odd number of readings, over fewer at its ends."""
    if width <= 1:
        return values
    half = width // 2
    total = np.concatenate(([0.0], np.cumsum(values - values[0])))
    at = np.arange(values.size)
    reach = np.minimum(half, np.minimum(at, values.size - 1 - at))
    return np.asarray((total[at + reach + 1] - total[at - reach]) / (2 * reach + 1) + values[0])


def noise_of(values: NDArray[float64]) -> float:
    """Estimate the standard deviation of independent noise on a series that is smooth otherwise [as the values].

    From the median of second differences, whose standard deviation is the square root of six times the noise's; the
    few corners and steps do not move a median.
    """
    if values.size < 3:
        return 0.0
    return float(np.median(np.abs(np.diff(values, 2)))) * 1.4826 / math.sqrt(6.0)


def resolution_of(values: NDArray[float64]) -> float:
    """Return the step in which readings were written down [as the values], 0 where none shows."""
    if values.size > 2000:
        values = values[:: values.size // 2000]
    levels = np.unique(values)
    if levels.size < 2:
        return 0.0
    step = float(np.diff(levels).min())
    if step < _LEAST_RESOLUTION:
        return 0.0
    counts = (levels - levels[0]) / step
    # Readings on a grid have whole numbers of steps between them.
    return step if float(np.abs(counts - np.round(counts)).max()) < 0.01 else 0.0


def find(values: NDArray[float64]) -> Turns | None:
    """Find the turning points of a series of evenly spaced temperatures.

    Args:
        values: temperatures [degC], shape (n,).

    Returns:
        The turning points, or None where nothing stands out of the noise.
    """
    noise = noise_of(values)
    flicker = _RESOLUTION_RANGES * resolution_of(values)
    best: Turns | None = None
    for width in _WIDTHS:
        if width > 1 and width * 12 > values.size:
            break
        series = smoothed(values, width)
        floor = max(_NOISE_RANGES * noise / math.sqrt(width), flicker / width, _LEAST_RANGE_CELSIUS)
        ends = _extremes(series)
        for threshold in _candidates(_ranges(series[ends]), floor):
            tried = _judged(series, ends, width, threshold)
            if tried is not None and (best is None or tried.score > best.score + _BETTER * (width > best.width)):
                best = tried
        if best is not None and best.covered >= _COVERED:
            break
    return best


def zigzag(series: NDArray[float64], threshold: float) -> tuple[tuple[int, ...], bool]:
    """Return the turning points between which a series moves by at least a threshold, and if the first is a maximum.

    The last one is where the series stood farthest since the turn before, which it has left by the threshold or not.
    """
    return _turning(series, _extremes(series), threshold)


def _extremes(series: NDArray[float64]) -> NDArray[np.intp]:
    """Return the indices of all local extremes, with first and last reading; of a plateau its first."""
    steps = np.diff(series)
    moving = steps.nonzero()[0]
    if not moving.size:
        return np.array([0], dtype=np.intp)
    turn = (np.diff(np.sign(steps[moving])) != 0).nonzero()[0]
    return np.concatenate(([0], moving[turn] + 1, [series.size - 1])).astype(np.intp)


def _ranges(extremes: NDArray[float64]) -> NDArray[float64]:
    """Return the ranges of the cycles nested in a row of extremes: a small one inside a large one counts by itself."""
    closed: list[float] = []
    stack: list[float] = []
    for value in extremes.tolist():
        stack.append(value)
        while len(stack) >= 4:
            outer, inner, after = abs(stack[-3] - stack[-4]), abs(stack[-2] - stack[-3]), abs(stack[-1] - stack[-2])
            if inner > outer or inner > after:
                break
            closed.append(inner)
            del stack[-3:-1]
    return np.asarray(closed + np.abs(np.diff(stack)).tolist())


def _candidates(ranges: NDArray[float64], floor: float) -> list[float]:
    """Return thresholds in the widest gaps of the ranges above the floor, each with enough ranges above it."""
    above = np.sort(ranges[ranges > floor])
    if above.size < _FEWEST_ABOVE:
        return []
    row = np.concatenate(([floor], above))
    ratios = row[1:] / row[:-1]
    usable = ratios[: above.size - _FEWEST_ABOVE + 1]
    order = np.argsort(-usable, kind="stable")[:_MOST_GAPS]
    found = [math.sqrt(row[place] * row[place + 1]) for place in order.tolist() if usable[place] >= _GAP]
    # Where drift and irregular swings leave no gap, half the median range is the best guess.
    return found or [max(floor, 0.5 * float(np.median(above)))]


def _turning(series: NDArray[float64], ends: NDArray[np.intp], threshold: float) -> tuple[tuple[int, ...], bool]:
    places, values = ends.tolist(), series[ends].tolist()
    low = high = 0
    found: list[int] = []
    way = 0
    first_is_maximum = False
    for index, value in enumerate(values):
        if way >= 0 and value > values[high]:
            high = index
        if way <= 0 and value < values[low]:
            low = index
        if way >= 0 and values[high] - value >= threshold:
            if not found:
                first_is_maximum = True
            found.append(places[high])
            way, low = -1, index
        elif way <= 0 and value - values[low] >= threshold:
            found.append(places[low])
            way, high = 1, index
    if found:
        found.append(places[high if way > 0 else low])
    return tuple(found), first_is_maximum


def _judged(series: NDArray[float64], ends: NDArray[np.intp], width: int, threshold: float) -> Turns | None:
    """Return the turning points of a threshold with the share of time that like cycles cover, None for too few."""
    places, first_is_maximum = _turning(series, ends, threshold)
    at = np.asarray(places[(0 if first_is_maximum else 1) :: 2])
    if at.size < _FEWEST_ABOVE:
        return None
    periods = np.diff(at)
    lows = np.asarray(places[(1 if first_is_maximum else 2) :: 2])[: periods.size]
    ranges = series[at[1:]] - series[lows]
    period, height = float(np.median(periods)), float(np.median(ranges))
    # A smoothing that is no longer short beside the period makes waves of its own.
    if period < 4 * width:
        return None
    like = (
        (periods < period * _LIKE_PERIOD)
        & (periods > period / _LIKE_PERIOD)
        & (ranges < height * _LIKE_RANGE)
        & (ranges > height / _LIKE_RANGE)
    )
    alike = float(periods[like].sum())
    # What lies before the first maximum is the preheat, and after the last the oven may have been switched off.
    covered = alike / float(periods.sum())
    # Two or three are alike by chance, as two door openings are.
    score = alike / (series.size - int(at[0])) * max(1.0 - _CHANCE / max(int(like.sum()), 1), 0.0)
    return Turns(places, first_is_maximum, width, threshold, covered, score)
