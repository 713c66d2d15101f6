"""The link's verbs for the calibration: read it, offer a new one, and the isolation that a calibration looks at."""

from micropython import const
from probecore import calibration as calibrations
from tester.offer import CALIBRATION

from . import offering
from .offering import part

__all__ = ["isolation", "offer", "part", "read"]

_MOST_ROUNDS = const(32)


async def read(tester, args):
    """Tell the calibration in force and the one before."""
    before = tester.in_force.before()
    if before:
        before.pop("report", None)
    return {
        "in_force": calibrations.to_map(tester.calibration),
        "before": before,
        "version": tester.store.calibration.version,
        "damaged_slots": tester.store.calibration.damaged,
        "unrecorded": tester.in_force.unrecorded,
    }


async def offer(tester, args):
    """Offer the parts that came as a calibration, or tell what became of them."""
    return await offering.offer(tester, [CALIBRATION, args[0]])


async def isolation(tester, args):
    """Measure the isolation of what is clipped on."""
    rounds = offering.whole(args[0], "ROUNDS", _MOST_ROUNDS) if args else 1
    return await tester.isolation(max(1, rounds))
