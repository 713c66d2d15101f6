"""The link's verbs for the calibration: read it, offer a new one, and the isolation that a calibration looks at.

A new set is a CBOR map in hexadecimal, in parts that fit a request, and is looked at only when its CRC-32 holds. It is
offered to the person at the tester; asking again with the same CRC tells what became of it.
"""

import binascii

from micropython import const
from probecore import calibration as calibrations, cbor
from probecore.errors import MisuseError, ProbeError
from tester.offer import Offer

_MOST_PARTS = const(16)
_MOST_PART_BYTES = const(200)
_MOST_BYTES = const(2000)
_MOST_ROUNDS = const(32)


class Busy(ProbeError):
    """The tester cannot take an offer now."""


def _hexadecimal(text, most_bytes):
    try:
        data = binascii.unhexlify(text)
    except ValueError:
        data = b""
    if not 0 < len(data) <= most_bytes:
        raise MisuseError("bad-arguments", "HEX has to be 1 to %d bytes in hexadecimal digits." % most_bytes)
    return data


def _whole(text, name, most):
    if not text.isdigit() or len(text) > 3 or int(text) > most:
        raise MisuseError("bad-arguments", "%s has to be a whole number of at most %d." % (name, most))
    return int(text)


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


async def part(tester, args):
    """Take one part of a new calibration; part 0 begins anew, and the last one may come twice."""
    number = _whole(args[0], "NUMBER", _MOST_PARTS - 1)
    data = _hexadecimal(args[1], _MOST_PART_BYTES)
    if number == 0:
        tester.offer_parts = []
        if tester.offer and not tester.offer.open:
            # A new attempt, be it with the same numbers: what became of the former one was told.
            tester.offer = None
    parts = tester.offer_parts
    if number == len(parts) - 1:
        parts[number] = data
    elif number == len(parts):
        parts.append(data)
    else:
        raise MisuseError("part-missing", "Part %d is missing before part %d. Send all again." % (len(parts), number))
    return {"bytes": sum([len(each) for each in parts])}


async def offer(tester, args):
    """Offer the parts that came to the person at the tester, or tell what became of them."""
    check_sum = _hexadecimal(args[0], 4)
    if tester.offer and tester.offer.check_sum == check_sum:
        tester.offer.age(tester.uptime.ms())
        return tester.offer.result()
    if tester.offer and tester.offer.open:
        raise Busy("busy", "Another calibration is being offered on the tester.")
    data = b"".join(tester.offer_parts)
    if len(data) > _MOST_BYTES or binascii.crc32(data).to_bytes(4, "big") != check_sum:
        raise MisuseError(
            "bad-check-sum", "The calibration arrived damaged: its check sum does not fit. Send it again."
        )
    stored = cbor.loads(data)
    tester.in_force.check(stored)
    if tester.store.kind == "none" or tester.store.full:
        raise Busy("ledger", "The ledger takes no record of a new calibration. Pull it, then try again.")
    if tester.measuring.locked():
        raise Busy("busy", "A test is running on the tester. Wait for its end.")
    tester.offer_parts = []
    tester.offer = Offer(check_sum, stored, tester.uptime.ms())
    return tester.offer.result()


async def isolation(tester, args):
    """Measure the isolation of what is clipped on."""
    rounds = _whole(args[0], "ROUNDS", _MOST_ROUNDS) if args else 1
    return await tester.isolation(max(1, rounds))
