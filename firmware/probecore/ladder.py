"""A curve in rungs: any sensor's curve as a monotone piecewise cubic, small enough to be sent to a tester.

Each rung's knot holds x, the temperature there and its slope over x; between two knots runs the cubic that has both
ends' values and slopes (Hermite's). x is ln R where the resistance falls with the temperature, as a thermistor's does,
and R where it rises: over either, temperature is nearly a straight line. Differences are formed before anything is
multiplied, so that a single float keeps its digits.

A cubic is monotone where both slopes are at most three times the chord's (Fritsch and Carlson, 1980); each rung is
checked for it, so that a resistance has one temperature and a temperature one resistance.
"""

from array import array

from . import maths
from .errors import RangeError, StoredDataError

FEWEST_KNOTS = 2
MOST_KNOTS = 150
_KNOT_BYTES = 12

# Half a digit of a table that is printed to four digits: its end rows may lie so far outside, relative to the value.
_TABLE_ROUNDING = 5e-4

# A little inside, so that no slope between two knots comes near to nothing.
_FLATTEST = 0.01
_STEEPEST = 2.95
_MOST_STEPS = 24


class LadderCurve:
    """A curve by its knots.

    `name`; `r0_ohms` resistance [ohm] at `r0_celsius`, which is 0 degC where the range has it; `low_celsius`,
    `high_celsius` range [degC]; `low_ohms`, `high_ohms` the resistances there [ohm].
    """

    def __init__(self, name, falls, knots, r0_ohms, r0_celsius):
        """Keep the knots.

        falls: whether the resistance falls with the temperature; knots: bytes, single floats in the order of the
        processor: all x, rising [ln ohm, or ohm], then all temperatures [degC], then all slopes [degC per x]; r0_ohms,
        r0_celsius: one point of the curve. Raises StoredDataError where they make no curve.
        """
        count = len(knots) // _KNOT_BYTES
        if len(knots) != count * _KNOT_BYTES or not FEWEST_KNOTS <= count <= MOST_KNOTS:
            raise StoredDataError("curve-damaged", "The curve's knots are damaged.")
        self.name = name
        self.falls = falls
        self.r0_ohms = r0_ohms
        self.r0_celsius = r0_celsius
        size = 4 * count
        self._x = array("f", knots[:size])
        self._celsius = array("f", knots[size : 2 * size])
        self._slopes = array("f", knots[2 * size :])
        if not self._is_monotone():
            raise StoredDataError("curve-damaged", "The curve's knots neither rise nor fall throughout.")
        ends = (self._celsius[0], self._celsius[count - 1])
        self.low_celsius = min(ends)
        self.high_celsius = max(ends)
        self.low_ohms = self.ohms(self.low_celsius)
        self.high_ohms = self.ohms(self.high_celsius)

    def _is_monotone(self):
        x, celsius, slopes = self._x, self._celsius, self._slopes
        for index in range(len(x)):
            if not (maths.finite(x[index]) and maths.finite(celsius[index]) and maths.finite(slopes[index])):
                return False
        if not self.falls and x[0] <= 0:
            return False
        for index in range(len(x) - 1):
            width = x[index + 1] - x[index]
            rise = celsius[index + 1] - celsius[index]
            if width <= 0 or rise == 0 or (rise < 0) != self.falls:
                return False
            for slope in (slopes[index], slopes[index + 1]):
                if not _FLATTEST <= slope * width / rise <= _STEEPEST:
                    return False
        return True

    def _rung(self, at, value, rising):
        """Return the number of the rung that holds a value. at: array to look in; rising: whether it rises."""
        low = 0
        high = len(at) - 1
        while high - low > 1:
            middle = (low + high) // 2
            if (value < at[middle]) == rising:
                high = middle
            else:
                low = middle
        return low

    def _cubic(self, rung):
        """Return (width, a, b, c) of a rung: its temperature rises by s (a + s (b + s c)), s from 0 to 1 over it."""
        width = self._x[rung + 1] - self._x[rung]
        rise = self._celsius[rung + 1] - self._celsius[rung]
        first = width * self._slopes[rung]
        last = width * self._slopes[rung + 1]
        return width, first, (rise - first) + (rise - first) + (rise - last), (first - rise) + (last - rise)

    def celsius(self, ohms):
        """Return the temperature [degC] at a resistance [ohm]. Raises RangeError outside the curve's range."""
        last = len(self._x) - 1
        x = -1.0
        if 0 < ohms < 1e30:
            x = maths.log(ohms) if self.falls else ohms
            slack = _TABLE_ROUNDING if self.falls else _TABLE_ROUNDING * ohms
            if self._x[0] - slack <= x < self._x[0]:
                x = self._x[0]
            elif self._x[last] < x <= self._x[last] + slack:
                x = self._x[last]
        if not (0 < ohms < 1e30 and self._x[0] <= x <= self._x[last]):
            raise RangeError(
                "ohms-range",
                "%s holds from %.6g to %.6g ohm (%g to %g degrees C); %g ohm is outside."
                % (
                    self.name,
                    min(self.low_ohms, self.high_ohms),
                    max(self.low_ohms, self.high_ohms),
                    self.low_celsius,
                    self.high_celsius,
                    ohms,
                ),
            )
        rung = self._rung(self._x, x, True)
        width, a, b, c = self._cubic(rung)
        s = (x - self._x[rung]) / width
        return self._celsius[rung] + s * (a + s * (b + s * c))

    def _solve(self, celsius):
        """Return (x, slope [degC per x]) at a temperature within the range [degC]."""
        rung = self._rung(self._celsius, celsius, not self.falls)
        width, a, b, c = self._cubic(rung)
        rise = celsius - self._celsius[rung]
        low = 0.0
        high = 1.0
        s = rise / (self._celsius[rung + 1] - self._celsius[rung])
        for _ in range(_MOST_STEPS):
            error = s * (a + s * (b + s * c)) - rise
            if error == 0:
                break
            # The cubic goes the way that the curve goes: what is beyond its target bounds s from above.
            if (error < 0) == self.falls:
                high = s
            else:
                low = s
            slope = a + s * (b + b + 3 * s * c)
            following = s - error / slope if slope else low
            if not low < following < high:
                following = 0.5 * (low + high)
            if following == s:
                break
            s = following
        return self._x[rung] + s * width, (a + s * (b + b + 3 * s * c)) / width

    def ohms(self, celsius):
        """Return the resistance [ohm] at a temperature [degC]. Raises RangeError outside the curve's range."""
        if not self.low_celsius <= celsius <= self.high_celsius:
            raise RangeError(
                "celsius-range",
                "%s holds from %g to %g degrees C; %g is outside."
                % (self.name, self.low_celsius, self.high_celsius, celsius),
            )
        x, _ = self._solve(celsius)
        return maths.exp(x) if self.falls else x

    def ohms_per_celsius(self, celsius):
        """Return the slope [ohm/degC] at a temperature [degC]; beyond the range, that of its end."""
        x, slope = self._solve(min(max(celsius, self.low_celsius), self.high_celsius))
        return maths.exp(x) / slope if self.falls else 1 / slope
