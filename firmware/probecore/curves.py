"""Platinum curves: resistance to temperature and back, by the Callendar-Van Dusen equation.

    R(t) = R0 * (1 + A t + B t^2)                          from 0 degC up
    R(t) = R0 * (1 + A t + B t^2 + C (t - 100 degC) t^3)   below 0 degC

IEC 60751:2022 gives A, B, C for an alpha of 0.00385. Other alphas are those of the makers of thin-film elements
(0.00375) and of the former JIS C 1604 (0.003916).
"""

from . import maths
from .errors import MisuseError, RangeError

# A printed table is rounded to 0.01 ohm on 100 ohm: its last rows may lie half a digit outside the exact range.
_TABLE_ROUNDING = 5e-5

_SETTLED_CELSIUS = 1e-12
_MAX_NEWTON_STEPS = 12


class PlatinumCurve:
    """A platinum element's curve.

    `name`; `r0_ohms` resistance [ohm] at `r0_celsius`, 0 degC; `a`, `b`, `c` coefficients [1/degC, 1/degC^2, 1/degC^4];
    `low_celsius`, `high_celsius` range [degC]; `low_ohms`, `high_ohms` the resistances there [ohm].
    """

    def __init__(self, name, r0_ohms, a, b, c, low_celsius, high_celsius):
        """Keep the coefficients and compute the resistances at the range's ends."""
        self.name = name
        self.r0_ohms = r0_ohms
        self.r0_celsius = 0
        self.a = a
        self.b = b
        self.c = c
        self.low_celsius = low_celsius
        self.high_celsius = high_celsius
        self.low_ohms = self._ohms(low_celsius)
        self.high_ohms = self._ohms(high_celsius)

    def _ohms(self, celsius):
        t = celsius
        rise = t * (self.a + self.b * t)
        if t < 0:
            rise += self.c * (t - 100) * t * t * t
        return self.r0_ohms + self.r0_ohms * rise

    def ohms(self, celsius):
        """Return the resistance [ohm] at a temperature [degC]. Raises RangeError outside the curve's range."""
        if not self.low_celsius <= celsius <= self.high_celsius:
            raise RangeError(
                "celsius-range",
                "%s holds from %g to %g degrees C; %g is outside."
                % (self.name, self.low_celsius, self.high_celsius, celsius),
            )
        return self._ohms(celsius)

    def ohms_per_celsius(self, celsius):
        """Return the slope [ohm/degC] at a temperature [degC]; no range is checked."""
        t = celsius
        slope = self.a + 2 * self.b * t
        if t < 0:
            slope += self.c * (4 * t - 300) * t * t
        return self.r0_ohms * slope

    def celsius(self, ohms):
        """Return the temperature [degC] at a resistance [ohm]. Raises RangeError outside the curve's range.

        From 0 degC up the quadratic is solved in the form that subtracts nothing of like size, so that a single float
        keeps its digits; below, Newton's steps start from there.
        """
        slack = self.r0_ohms * _TABLE_ROUNDING
        if not self.low_ohms - slack <= ohms <= self.high_ohms + slack:
            raise RangeError(
                "ohms-range",
                "%s holds from %.2f to %.2f ohm (%g to %g degrees C); %g ohm is outside."
                % (self.name, self.low_ohms, self.high_ohms, self.low_celsius, self.high_celsius, ohms),
            )
        rise = (ohms - self.r0_ohms) / self.r0_ohms
        t = 2 * rise / (self.a + maths.sqrt(self.a * self.a + 4 * self.b * rise))
        if rise >= 0:
            return t
        for _ in range(_MAX_NEWTON_STEPS):
            step = (self._ohms(t) - ohms) / self.ohms_per_celsius(t)
            t -= step
            if maths.fabs(step) < _SETTLED_CELSIUS:
                break
        return t


# IEC 60751:2022, clause 5
_IEC = (3.9083e-3, -5.775e-7, -4.183e-12, -200, 850)

# Data sheets of thin-film elements with alpha 0.00375 (two makers print these five digits)
_THIN_FILM_3750 = (3.8102e-3, -6.01888e-7, -6e-12, -50, 500)

# JIS C 1604-1989, former JPt100, alpha 0.003916; range of its printed table. From memory, recomputed.
_JIS_3916 = (3.9739e-3, -5.87e-7, -4.4e-12, -200, 500)

_PLATINUM = {
    "pt100-3850": (100, _IEC),
    "pt500-3850": (500, _IEC),
    "pt1000-3850": (1000, _IEC),
    "pt1000-3750": (1000, _THIN_FILM_3750),
    "pt1000-3916": (1000, _JIS_3916),
}

BUILT_IN = ("pt100-3850", "pt500-3850", "pt1000-3850", "pt1000-3750", "pt1000-3916")


def curve(name):
    """Return a built-in curve by its name. Raises MisuseError with the names there are."""
    if name not in _PLATINUM:
        raise MisuseError("unknown-curve", "There is no curve %s. Built in: %s." % (name, ", ".join(BUILT_IN)))
    r0_ohms, (a, b, c, low, high) = _PLATINUM[name]
    return PlatinumCurve(name, r0_ohms, a, b, c, low, high)
