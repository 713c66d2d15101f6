"""A leak from a sensor's lead to the chassis, as the control sees it.

The control feeds the sensor from its supply V through a pull-up Rp and infers the resistance from the voltage U at
the node between: R' = Rp U / (V - U). With a leak of conductance g to a chassis at the potential c V, Kirchhoff's
current law at that node gives

    R' = (1 + g c Rp) / (1 / R + g (1 - c))

A grounded chassis (c = 0) makes the leak a shunt: the reading is low, the oven too hot. A chassis at the supply
(c = 1) makes the reading high by the factor 1 + g Rp, the oven too cold. Anything between the two lies between them. A
leak from the lead that the control holds at that potential itself does nothing; which lead that is, is not known here,
so the worse of the two leads counts.

The cold reading is taken with the leads free and does not show the leak: only the isolation check does.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

__all__ = ["PULL_UP_MULTIPLE", "Isolation", "apparent_ohms", "isolation_of"]

# The pull-up over the element's resistance at 0 degrees C; common practice, no source.
PULL_UP_MULTIPLE = 2.0


@dataclass(frozen=True)
class Isolation:
    """The greatest leak that was found or is left possible.

    `siemens` is its conductance with the standard uncertainty `u_siemens`. With `bounded` nothing was found: it lies
    anywhere from 0 to the bound of twice `siemens`, each value as likely (JCGM 101:2008, 6.4.2.1).
    """

    siemens: float
    u_siemens: float
    bounded: bool


def isolation_of(*leads: tuple[float, float, bool] | None) -> Isolation | None:
    """Return what the isolation check says of both leads.

    Args:
        leads: for each lead resistance to the chassis [ohm], its standard uncertainty [ohm], and whether that is only a
            lower limit; None where it was not measured.

    Returns:
        That of the lead that leaks most; None where a lead was not measured, since the leak may be there.
    """
    found = []
    for lead in leads:
        if lead is None:
            return None
        ohms, u_ohms, greater = lead
        siemens = 1.0 / max(ohms, 1e-3)
        if greater:
            found.append((siemens, Isolation(siemens / 2.0, siemens / math.sqrt(12.0), True)))
        else:
            found.append((siemens, Isolation(siemens, u_ohms * siemens**2, False)))
    return max(found, key=lambda each: each[0])[1] if found else None


def apparent_ohms(ohms: float, siemens: float, pull_up_ohms: float, share: float) -> float:
    """Return the resistance [ohm] that the control infers.

    Args:
        ohms: the element's.
        siemens: the leak's conductance.
        pull_up_ohms: the control's pull-up.
        share: the chassis's potential over the control's supply, 0 to 1.
    """
    return (1.0 + siemens * share * pull_up_ohms) / (1.0 / ohms + siemens * (1.0 - share))
