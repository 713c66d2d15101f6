"""Does the chassis clip touch metal? The resistance from jaw to jaw, from a current through both.

Each jaw is driven through two resistors with a bleed between them; jaw 1 up and jaw 2 down, then the other way. Half
the difference of the two readings is the voltage across the metal, without the converter's offset or a contact's own
voltage. A clip on paint shows nearly the whole supply.
"""

from collections import namedtuple

from . import maths

# Two insulated jaws on one piece of bare metal read well below this; paint, rust and air far above.
PROVEN_BELOW_OHMS = 100.0

# The monitor is coarse; beyond this the number says only that there is no contact.
_LARGEST_OHMS = 1e6

# Both jaws driven up and down with the leads free: metal follows by 2.3 V and by more than 1 V with the worst leak that
# is tied to nothing else. A chassis that something else holds, such as the earth of a computer, stays.
_FOLLOWS_VOLTS = 1.0

Contact = namedtuple("Contact", ("proven", "ohms", "follows"))


def jaw_ohms(forward_microvolts, reverse_microvolts, supply_volts, drive_ohms, bleed_ohms, series_ohms):
    """Return the resistance from jaw to jaw [ohm], or None where hardly any current flows.

    forward_microvolts, reverse_microvolts: jaw 1 minus jaw 2, jaw 1 up, then jaw 2 up [uV]; supply_volts: the drivers'
    rail [V]; drive_ohms: pin to bleed [ohm]; bleed_ohms: both bleed resistors in parallel [ohm]; series_ohms: bleed to
    jaw [ohm].
    """
    # The source of each jaw, seen from the jaw: a divider of drive and bleed, which sits at half the supply.
    share = bleed_ohms / (bleed_ohms + drive_ohms)
    open_volts = supply_volts * share
    source_ohms = 2 * (series_ohms + drive_ohms * share)
    volts = ((forward_microvolts - reverse_microvolts) // 2) / 1e6
    if volts >= 0.9 * open_volts:
        return None
    ohms = source_ohms * volts / (open_volts - volts)
    return ohms if ohms < _LARGEST_OHMS else None


def judge(ohms, high_microvolts, low_microvolts):
    """Return Contact: whether metal is proven, the resistance [ohm], and whether the tap followed the drive.

    ohms: from jaw_ohms; high_microvolts, low_microvolts: jaw 1 with both jaws driven up, and down [uV].
    """
    follows = (high_microvolts - low_microvolts) / 1e6 >= _FOLLOWS_VOLTS
    proven = ohms is not None and maths.fabs(ohms) < PROVEN_BELOW_OHMS and follows
    return Contact(proven, None if ohms is None else max(ohms, 0.0), follows)
