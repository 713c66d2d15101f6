"""A bake log on evenly spaced times, with its gaps and its glitches marked, and integrals over any stretch of it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from probeledger.baking.logfile import MOST_READINGS, BakeLog
from probeledger.baking.turns import noise_of
from probeledger.errors import InputError

if TYPE_CHECKING:
    from numpy import float64
    from numpy.typing import NDArray

__all__ = ["Grid", "grid_of"]

# A wait longer than so many usual intervals is a gap.
_GAP_INTERVALS = 2.5
# A glitch: off the median of five by so many standard deviations of the noise, by so many of its neighbours' own
# distances from that median, and by so much at all [K]. The tip of a sharp cycle is at most twice as far as its
# neighbours, whatever the interval.
_GLITCH_NOISES = 8.0
_GLITCH_NEIGHBOURS = 5.0
_LEAST_GLITCH_CELSIUS = 1.0


@dataclass(frozen=True)
class Grid:
    """Temperatures at even steps.

    Attributes:
        start_s: time of the first [s].
        step_s: step [s].
        celsius: temperatures, interpolated linearly over gaps [degC], shape (n,).
        gap_s: length of the gap in which the step that begins at an index lies, 0 for none [s], shape (n - 1,).
        glitches: readings that were replaced by the median of their neighbourhood [1].
        integral: of the temperatures from the first to each [degC s], shape (n,).
    """

    start_s: float
    step_s: float
    celsius: NDArray[float64]
    gap_s: NDArray[float64]
    glitches: int
    integral: NDArray[float64]

    @property
    def end_s(self) -> float:
        """Return the time of the last temperature [s]."""
        return self.start_s + self.step_s * (self.celsius.size - 1)

    def mean(self, start_s: float, end_s: float) -> float:
        """Return the time mean [degC] between two times [s], straight lines between readings."""
        return (self._integral_at(end_s) - self._integral_at(start_s)) / (end_s - start_s)

    def missing_s(self, start_s: float, end_s: float, least_s: float = 0.0) -> float:
        """Return how much of the time between two times [s] lies in gaps longer than `least_s` [s]."""
        first, last = (round((time_s - self.start_s) / self.step_s) for time_s in (start_s, end_s))
        return self.step_s * int((self.gap_s[max(first, 0) : last] > least_s).sum())

    def _integral_at(self, time_s: float) -> float:
        place = min(max((time_s - self.start_s) / self.step_s, 0.0), self.celsius.size - 1.0)
        index = min(int(place), self.celsius.size - 2)
        part = place - index
        first, second = float(self.celsius[index]), float(self.celsius[index + 1])
        return float(self.integral[index]) + self.step_s * (first * part + 0.5 * (second - first) * part * part)


def grid_of(log: BakeLog) -> Grid:
    """Put a log on even steps of its usual interval.

    Args:
        log: the readings.

    Returns:
        The grid.

    Raises:
        InputError: the times are spread so unevenly that nearly all of the grid would be gaps.
    """
    intervals = np.diff(log.seconds)
    step = float(np.median(intervals))
    first, last = float(log.seconds[0]), float(log.seconds[-1])
    if (last - first) / step > 2 * MOST_READINGS:
        raise InputError(
            f"The readings reach over {last - first:g} s at a usual interval of {step:g} s, most of it without "
            "readings; give one log of up to 12 h."
        )
    count = round((last - first) / step) + 1
    # Rounded to whole steps, so that both ends are on the grid.
    step = (last - first) / (count - 1)
    times = first + step * np.arange(count)
    celsius = np.interp(times, log.seconds, log.celsius)
    waited = intervals > _GAP_INTERVALS * step
    within = np.clip(np.searchsorted(log.seconds, times[:-1] + 0.5 * step) - 1, 0, intervals.size - 1)
    gap_s = np.where(waited, intervals, 0.0)[within]
    glitches = _without_glitches(celsius)
    integral = np.concatenate(([0.0], np.cumsum(0.5 * step * (celsius[1:] + celsius[:-1]))))
    return Grid(first, step, celsius, gap_s, glitches, integral)


def _without_glitches(celsius: NDArray[float64]) -> int:
    """Replace glitches of one or two readings [degC] in place by the median of five; return how many there were."""
    if celsius.size < 5:
        return 0
    window = np.lib.stride_tricks.sliding_window_view(celsius, 5)
    middle = np.median(window, axis=1)
    away = np.abs(window - middle[:, None])
    own = away[:, 2].copy()
    around = np.median(away[:, [0, 1, 3, 4]], axis=1)
    limit = max(_GLITCH_NOISES * noise_of(celsius), _LEAST_GLITCH_CELSIUS)
    found = ((own > limit) & (own > _GLITCH_NEIGHBOURS * around)).nonzero()[0]
    celsius[found + 2] = middle[found]
    return int(found.size)
