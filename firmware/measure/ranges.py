"""Which range, gain and amplifier setting suit a resistance: computed from the circuit, for both directions of current.

Low range: driven through a few kilohm, 0.3 mA; the converter's amplifier is on, so its inputs have to stay within 0.83
to 3.1 V (SBAS501C, 8.3.2.1). High range: driven through 100 kohm; inputs come close to the rails, the amplifier is
bypassed. Reference and probe are always read at the same gain, so that the gain cancels in their ratio.
"""

from collections import namedtuple

import board

LOW = "low"
HIGH = "high"

# gain: 1, 2 or 4; bypass: True leaves the amplifier out.
Plan = namedtuple("Plan", ("range", "gain", "bypass"))

# Loop resistance outside reference and probe [ohm].
LEG_A_OHMS = board.OHMS_RP_A + board.OHMS_RG_A + board.GPIO_OUTPUT_OHMS
LEG_B_OHMS = board.OHMS_RP_B + board.OHMS_RG_B + board.GPIO_OUTPUT_OHMS
LEG_HIGH_OHMS = board.OHMS_RH + board.OHMS_RG_H + board.GPIO_OUTPUT_OHMS
LOW_LOOP_OHMS = LEG_A_OHMS + board.REFERENCE_OHMS + LEG_B_OHMS
HIGH_LOOP_OHMS = LEG_HIGH_OHMS + board.REFERENCE_OHMS + LEG_B_OHMS

# Up to here the low range measures.
LOW_RANGE_OHMS = 4500
# Beyond, hardly any current flows: an open circuit (the high range measures to 1 Mohm, and somewhat further).
OPEN_OHMS = 2500000
# Below, the leads are short-circuited; the smallest probe of any curve has more at -200 degC.
SHORT_OHMS = 5.0

# A reading may use nine tenths of the scale: the rest is for tolerances and a probe that changes.
_SCALE_TENTHS = 9
# Distance to the amplifier's limits [mV], for tolerances of supply and drive.
_MARGIN_MILLIVOLTS = 40


def low_range_millivolts(ohms):
    """Return the lowest and highest voltage of any input in the low range, in both directions [mV].

    ohms: the probe [ohm]. The outer ends of reference and probe are the extremes: T and F-.
    """
    total = LOW_LOOP_OHMS + int(ohms)
    lowest = board.SUPPLY_MILLIVOLTS * min(LEG_A_OHMS, LEG_B_OHMS) // total
    return lowest, board.SUPPLY_MILLIVOLTS - lowest


def amplifier_fits(ohms):
    """Tell whether every input stays within the amplifier's range in the low range."""
    lowest, highest = low_range_millivolts(ohms)
    return (
        lowest >= board.ADC_PGA_MIN_MILLIVOLTS + _MARGIN_MILLIVOLTS
        and highest <= board.ADC_PGA_MAX_MILLIVOLTS - _MARGIN_MILLIVOLTS
    )


def _gain(total_ohms, largest_ohms):
    """Return the largest gain at which a voltage of largest_ohms in a loop of total_ohms stays on the scale."""
    for gain in (4, 2):
        if largest_ohms <= total_ohms // 10 * _SCALE_TENTHS // gain:
            return gain
    return 1


def plan(ohms):
    """Return the Plan for a resistance that a first look found [ohm]."""
    whole = int(min(max(ohms, 0.0), OPEN_OHMS))
    largest = max(whole, board.REFERENCE_OHMS)
    if whole <= LOW_RANGE_OHMS:
        # The scale is shared by two readings of one current; what is common to them cancels.
        return Plan(LOW, _gain(LOW_LOOP_OHMS + whole, largest), not amplifier_fits(whole))
    return Plan(HIGH, _gain(HIGH_LOOP_OHMS + whole, largest), True)
