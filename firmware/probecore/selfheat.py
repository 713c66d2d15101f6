"""Self-heating from two levels of power: the resistance without power, and what a milliwatt makes of it.

The measuring current warms the element by the power in it, and the power is all that differs between the two levels:

    R(P) = R_0 + s P        s = (R_strong - R_faint) / (P_strong - P_faint)        R_0 = R_faint - s P_faint

The faint level is a hundredth of the strong one: R_0 is R_faint, to a hundredth of the rise.
"""

from collections import namedtuple

from . import maths

# ohms: of the mean; milliwatts: in the element; u_noise_ohms: standard uncertainty from the converter's noise.
Level = namedtuple("Level", ("ohms", "milliwatts", "u_noise_ohms"))

# ohms: at no power; the uncertainties are those of the comparison alone: what both levels share cancels in the rise.
Heating = namedtuple("Heating", ("ohms", "u_ohms", "ohms_per_milliwatt", "u_ohms_per_milliwatt"))

# What reversal leaves of voltages that are not the probe's, with the faint current: draughts and hands (+/- 0.5 uV),
# and input currents at three times their typical curves while the common mode moves by 0.14 V, as with pull resistors
# that differ by 10 % (+/- 0.7 uV); both even (assumed).
_U_FAINT_VOLTS = 0.5e-6
# The converter's curve is the same at both levels, which stand at like places of it: a smooth (cubic) one of 15 ppm
# makes 4 ppm between 0.53 and 0.72 of the scale. With the input currents' 12 ppm at the strong level.
_U_LEVELS_PPM = 13.0


def root_sum(*values):
    """Return the square root of the sum of the squares."""
    total = 0.0
    for value in values:
        total += value * value
    return maths.sqrt(total)


def compare(strong, faint, faint_amps):
    """Return Heating from two Levels that differ in power. faint_amps: the current of the faint one [A]."""
    step = strong.milliwatts - faint.milliwatts
    slope = (strong.ohms - faint.ohms) / step
    u_faint = root_sum(faint.u_noise_ohms, _U_FAINT_VOLTS / faint_amps)
    u_rise = root_sum(strong.u_noise_ohms, u_faint, _U_LEVELS_PPM * 1e-6 * strong.ohms)
    return Heating(faint.ohms - slope * faint.milliwatts, u_faint, slope, u_rise / step)
