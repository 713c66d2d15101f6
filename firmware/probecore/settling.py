"""Has the reading come to rest, and if not, how long will it take?

A probe that cools follows an exponential towards the room. The slope of the newest readings (least squares) says
whether it has settled; a history, thinned as it grows, tells the time constant from three means at equal distances, and
with it how long the slope needs to fall below the limit.

Times are integers of milliseconds. The fits work on differences from a value of the window, which are small, so that
single floats lose nothing.
"""

from collections import namedtuple

from . import maths

Settled = namedtuple("Settled", ("settled", "slope_ohms_per_minute", "u_slope_ohms_per_minute", "wait_s"))

MS_PER_MINUTE = 60000.0

# Six readings make a slope of which the spread is known; twelve bring its noise well below the limit.
FEWEST = 6
WINDOW = 12

# Longer than any probe takes; a fit that claims more is noise.
_LONGEST_WAIT_S = 3600

# The curvature has to stand out of the noise by this factor before a time constant is believed.
_CURVATURE_SIGNAL = 3.0


class Settling:
    """Follow a reading until it rests.

    limit_ohms_per_minute: slope that counts as settled [ohm/min]; history: number of points kept, even.
    """

    def __init__(self, limit_ohms_per_minute, history=48):
        """Begin without readings."""
        self.limit_ohms_per_minute = limit_ohms_per_minute
        self._recent = []
        self._history = []
        self._capacity = history
        self._stride = 1
        self._sum_ms = 0
        self._pending = []

    def add(self, ms, ohms):
        """Take a reading: its time [ms, from any start] and value [ohm]."""
        self._recent.append((ms, ohms))
        if len(self._recent) > WINDOW:
            self._recent.pop(0)
        self._pending.append((ms, ohms))
        if len(self._pending) == self._stride:
            self._history.append(_mean_point(self._pending))
            self._pending = []
        if len(self._history) == self._capacity:
            pairs = range(0, self._capacity, 2)
            self._history = [_mean_point(self._history[index : index + 2]) for index in pairs]
            self._stride *= 2

    def slope(self):
        """Return (slope, standard uncertainty) of the newest readings [ohm/min], or (None, None) with too few."""
        if len(self._recent) < FEWEST:
            return None, None
        return _line(self._recent)

    def state(self):
        """Return Settled: whether the reading rests, its slope, and the wait [s] until it will.

        It rests when the slope and twice its uncertainty together stay within the limit. `wait_s` is 0 then, and None
        while the time constant cannot be told yet.
        """
        slope, u_slope = self.slope()
        if slope is None:
            return Settled(False, None, None, None)
        if maths.fabs(slope) + 2 * u_slope <= self.limit_ohms_per_minute:
            return Settled(True, slope, u_slope, 0)
        return Settled(False, slope, u_slope, self._wait_s(slope))

    def _wait_s(self, slope):
        excess = maths.fabs(slope) / self.limit_ohms_per_minute
        if excess <= 1:
            return None
        tau_ms = self._time_constant_ms()
        if tau_ms is None:
            return None
        wait_s = tau_ms / 1000 * maths.log(excess)
        return int(wait_s + 1) if wait_s < _LONGEST_WAIT_S else None

    def _time_constant_ms(self):
        """Return the time constant [ms] from the means of three equal stretches of the history, or None."""
        third = len(self._history) // 3
        if third < 2:
            return None
        start = len(self._history) - 3 * third
        base = self._history[start][1]
        means = []
        for part in range(3):
            stretch = self._history[start + part * third : start + (part + 1) * third]
            means.append(sum([ohms - base for _, ohms in stretch]) / third)
        first = means[1] - means[0]
        second = means[2] - means[1]
        if first * second <= 0 or maths.fabs(second) >= maths.fabs(first):
            return None
        noise = _step_noise(self._history[start:]) / maths.sqrt(third)
        if maths.fabs(first) - maths.fabs(second) < _CURVATURE_SIGNAL * noise:
            return None
        distance_ms = self._history[start + third][0] - self._history[start][0]
        return distance_ms / maths.log(first / second)


def _mean_point(points):
    """Return the mean time [ms, integer] and value of a few points."""
    first_ms, first_ohms = points[0]
    count = len(points)
    ms = first_ms + sum([point[0] - first_ms for point in points]) // count
    return ms, first_ohms + sum([point[1] - first_ohms for point in points]) / count


def _step_noise(points):
    """Return the standard deviation of single points from their second differences, which no smooth course moves."""
    total = 0.0
    for index in range(2, len(points)):
        bend = (points[index][1] - points[index - 1][1]) - (points[index - 1][1] - points[index - 2][1])
        total += bend * bend
    return maths.sqrt(total / (6 * max(1, len(points) - 2)))


def _line(points):
    """Fit a straight line. Returns (slope, standard uncertainty of the slope) [ohm/min]."""
    count = len(points)
    middle = points[count // 2]
    minutes = [(point[0] - middle[0]) / MS_PER_MINUTE for point in points]
    ohms = [point[1] - middle[1] for point in points]
    mean_minutes = sum(minutes) / count
    mean_ohms = sum(ohms) / count
    spread = 0.0
    product = 0.0
    for index in range(count):
        offset = minutes[index] - mean_minutes
        spread += offset * offset
        product += offset * (ohms[index] - mean_ohms)
    if spread == 0:
        return 0.0, 0.0
    slope = product / spread
    rest = 0.0
    for index in range(count):
        residual = ohms[index] - mean_ohms - slope * (minutes[index] - mean_minutes)
        rest += residual * residual
    return slope, maths.sqrt(rest / (count - 2) / spread)
