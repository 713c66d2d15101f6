"""What the currents into the converter's inputs leave in a resistance after a calibration.

A steady current cancels on reversal; one that changes with the input's voltage does not. A calibration takes up nearly
all of that. Left are what its straight line cannot follow and what the temperature changes. Both follow from the
circuit (probeledger.circuit), for a slope of the currents of which only typical values are known.
"""

import functools
import math

import numpy as np

from probeledger import circuit, gum

__all__ = ["u_ohms"]

# Typical curves are all there is: with anything from 0.3 to 3 times typical, each factor as likely, the root mean
# square is 1.4 times typical. With the amplifier on, the whole typical current is taken as changing within a volt, each
# input for itself; bypassed, one sampling capacitor's current is common to all inputs, which are alike within 10 %
# (assumed). They grow by the factors below over 25 K (SBAS501, figures 16-26); as that is known to half its size only,
# by 1.1 times as much in the root mean square.
_SPREAD = 1.4
_GROWTH_SPREAD = 1.1
_UNLIKE = 0.10
_GROWTH_AMPLIFIED = 2.0
_GROWTH_BYPASSED = 1.55
_GROWTH_KELVIN = 25.0
# In the low range, what a straight line leaves is what so many kelvin make. In the high range it is computed, for a
# calibration against these references [ohm], each with the standard uncertainty of its point [ppm].
_BENT_KELVIN = 5.0
_REFERENCES = ((1e4, 40.0), (1e5, 46.0), (1e6, 67.0))


def u_ohms(ohms: float, kelvin: float, high_range: bool) -> float:
    """Return the standard uncertainty from the input currents that a calibration leaves [ohm].

    Args:
        ohms: the resistance that is read [ohm].
        kelvin: temperature of the tester minus that of its calibration [K].
        high_range: range in which it is read.
    """
    amplified, bypassed = circuit.input_slopes_siemens()
    if not high_range:
        growth = _growth(_GROWTH_AMPLIFIED, math.copysign(math.hypot(kelvin, _BENT_KELVIN), kelvin))
        return abs(growth) * _SPREAD * amplified * circuit.unlike_inputs_ohms_squared(ohms, False)
    growth = _growth(_GROWTH_BYPASSED, kelvin)
    common = _SPREAD * bypassed
    unlike = common * _UNLIKE / gum.HALF_WIDTH[gum.RECTANGULAR]
    return math.hypot(
        common * ((1.0 + growth) * circuit.alike_inputs_ohms_squared(ohms) - _straight(ohms)),
        unlike * growth * circuit.unlike_inputs_ohms_squared(ohms, True),
    )


def _growth(factor: float, kelvin: float) -> float:
    """Return by what share the currents have grown over so many kelvin, in the root mean square."""
    return float(_GROWTH_SPREAD * (factor ** (kelvin / _GROWTH_KELVIN) - 1.0))


def _straight(ohms: float) -> float:
    """Return what a calibration's straight line makes of the input currents' effect in the high range [ohm^2]."""
    level, slope = _straight_line()
    return ohms * (level + slope * ohms)


@functools.cache
def _straight_line() -> tuple[float, float]:
    """Return level [ohm] and slope [1] of the effect per ohm, by least squares through the references' own."""
    ohms, u_ppm = np.transpose(_REFERENCES)
    effects = [circuit.alike_inputs_ohms_squared(each) / each for each in ohms]
    slope, level = np.polyfit(ohms, effects, 1, w=1.0 / u_ppm)
    return float(level), float(slope)
