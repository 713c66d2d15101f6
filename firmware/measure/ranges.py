"""Which range, gain and amplifier setting suit a resistance: computed from the circuit, for both directions of current.

Low range: driven through a few kilohm, 0.3 mA; the converter's amplifier is on, so its inputs have to stay within 0.83
to 3.1 V (SBAS501C, 8.3.2.1). High range: driven through 100 kohm; inputs come close to the rails, the amplifier is
bypassed. Reference and probe are always read at the same gain, so that the gain cancels in their ratio.

Faint: the low range's probes at 25 uA, for a look at the element without its self-heating. The voltages are a twelfth
of the low range's; at a gain of 64 they stand as high on the scale.
"""

from collections import namedtuple

import board

LOW = "low"
HIGH = "high"
FAINT = "faint"

# gain: 1, 2 or 4 (faint: 8 to 64); bypass: True leaves the amplifier out.
Plan = namedtuple("Plan", ("range", "gain", "bypass"))

# Drive path of each pin [ohm].
LEG_A_OHMS = board.OHMS_RP_A + board.OHMS_RG_A + board.GPIO_OUTPUT_OHMS
LEG_B_OHMS = board.OHMS_RP_B + board.OHMS_RG_B + board.GPIO_OUTPUT_OHMS

# What drives the current, bleeds included: volts, and the loop without the probe [ohm].
_LOOPS = {
    LOW: (board.LOW_LOOP_MICROVOLTS / 1e6, board.LOW_LOOP_OHMS),
    HIGH: (board.HIGH_LOOP_MICROVOLTS / 1e6, board.HIGH_LOOP_OHMS),
    FAINT: (board.FAINT_LOOP_MICROVOLTS / 1e6, board.FAINT_LOOP_OHMS),
}
LOW_LOOP_OHMS = board.LOW_LOOP_OHMS

# Up to here the low range measures.
LOW_RANGE_OHMS = 4500
# Beyond, hardly any current flows: an open circuit (the high range measures to 1 Mohm, and somewhat further).
OPEN_OHMS = 2500000
# Below, the leads are short-circuited; the smallest probe of any curve has more at -200 degC.
SHORT_OHMS = 5.0

# A reading may use nine tenths of the scale: the rest is for tolerances and a probe that changes. The faint current
# comes through pull resistors of 50 to 80 kohm (RP2040 data sheet, 5.5.3) and has to leave more.
_SCALE_SHARE = 0.9
_FAINT_SHARE = 0.75
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


def amps(of_range, ohms):
    """Return the nominal current through a probe [A]. of_range: LOW, HIGH or FAINT; ohms: the probe [ohm]."""
    volts, loop_ohms = _LOOPS[of_range]
    return volts / (loop_ohms + ohms)


def _gain(of_range, ohms, gains, share):
    """Return the first gain at which probe [ohm] and reference stay below a share of the scale, else the last."""
    volts = amps(of_range, ohms) * max(ohms, board.REFERENCE_OHMS)
    for gain in gains:
        if volts * gain * 1000 <= share * board.SUPPLY_MILLIVOLTS:
            return gain
    return gains[-1]


def plan(ohms):
    """Return the Plan for a resistance that a first look found [ohm]."""
    whole = int(min(max(ohms, 0.0), OPEN_OHMS))
    of_range = LOW if whole <= LOW_RANGE_OHMS else HIGH
    # The scale is shared by two readings of one current; what is common to them cancels.
    gain = _gain(of_range, whole, (4, 2, 1), _SCALE_SHARE)
    return Plan(of_range, gain, of_range == HIGH or not amplifier_fits(whole))


def faint_plan(ohms):
    """Return the Plan of the faint current for a probe of the low range [ohm]."""
    return Plan(FAINT, _gain(FAINT, ohms, (64, 32, 16, 8), _FAINT_SHARE), False)
