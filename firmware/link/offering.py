"""The link's verbs for what a person at the tester has to take: a calibration, a curve, limits, or a choice of these.

What is offered is a CBOR map in hexadecimal, in parts that fit a request, and is looked at only when its CRC-32 holds.
It is offered to the person at the tester; asking again with the same CRC tells what became of it.
"""

import binascii

from micropython import const
from probecore import cbor, definition
from probecore.errors import MisuseError, ProbeError, RangeError, StoredDataError
from tester import offer as offers

_MOST_PARTS = const(16)
_MOST_PART_BYTES = const(200)
_MOST_BYTES = const(2000)
_USE = "use"

_USED = "Tests work with it now."
_KEPT = "Kept. Tests go on as before."
_DROPPED = "Dropped."


class Busy(ProbeError):
    """The tester cannot take an offer now."""


def hexadecimal(text, most_bytes):
    """Return the bytes of hexadecimal digits. Raises MisuseError for none, or more than so many bytes."""
    try:
        data = binascii.unhexlify(text)
    except ValueError:
        data = b""
    if not 0 < len(data) <= most_bytes:
        raise MisuseError("bad-arguments", "HEX has to be 1 to %d bytes in hexadecimal digits." % most_bytes)
    return data


def whole(text, name, most):
    """Return a small whole number. Raises MisuseError beyond `most`."""
    if not text.isdigit() or len(text) > 3 or int(text) > most:
        raise MisuseError("bad-arguments", "%s has to be a whole number of at most %d." % (name, most))
    return int(text)


async def part(tester, args):
    """Take one part of what will be offered; part 0 begins anew, and the last one may come twice."""
    number = whole(args[0], "NUMBER", _MOST_PARTS - 1)
    data = hexadecimal(args[1], _MOST_PART_BYTES)
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
    kind = args[0]
    check_sum = hexadecimal(args[1], 4)
    use = len(args) > 2
    if kind not in offers.KINDS or (use and (args[2] != _USE or kind not in (offers.CURVE, offers.LIMITS))):
        raise MisuseError(
            "bad-arguments", "KIND has to be one of %s; use is for curves and limits." % ", ".join(offers.KINDS)
        )
    if tester.offer and tester.offer.kind == kind and tester.offer.check_sum == check_sum:
        tester.offer.age(tester.uptime.ms())
        return tester.offer.result()
    if tester.offer and tester.offer.open:
        raise Busy("busy", "Another %s is being offered on the tester." % tester.offer.kind)
    data = b"".join(tester.offer_parts)
    if len(data) > _MOST_BYTES or binascii.crc32(data).to_bytes(4, "big") != check_sum:
        raise MisuseError("bad-check-sum", "The %s arrived damaged: its check sum does not fit. Send it again." % kind)
    stored, lines, done = _look(tester, kind, data, use)
    if tester.store.kind == "none" or tester.store.full:
        raise Busy("ledger", "The ledger takes no record of a new %s. Pull it, then try again." % kind)
    if tester.measuring.locked():
        raise Busy("busy", "A test is running on the tester. Wait for its end.")
    tester.offer_parts = []
    tester.offer = offers.Offer(check_sum, stored, tester.uptime.ms(), kind, lines, use, done)
    return tester.offer.result()


def _look(tester, kind, data, use):
    """Return what is kept of an offer until a key decides, the lines that tell it, and what is said once it is done.

    Raises ProbeError where it cannot be offered.
    """
    if kind == offers.CALIBRATION:
        stored = cbor.loads(data)
        tester.in_force.check(stored)
        return stored, (), None
    # Imported for such an offer only.
    from tester import shelf

    if kind == offers.CHOICE:
        choice = cbor.loads(data)
        if not isinstance(choice, dict):
            raise StoredDataError("bad-choice", "The choice makes no sense.")
        act, of, name, _ = shelf.check_choice(tester, choice)
        if act == "drop":
            return choice, ("Drop %s:" % of, name), _DROPPED
        return choice, ("Work with %s:" % of, name), _USED
    made = shelf.check(tester, kind, data)
    name = made.name if kind == definition.CURVE else made["name"]
    in_use, in_use_id = shelf.in_use(tester.store, kind)
    used = use or (in_use == name and in_use_id is not None)
    lines = ["New %s%s:" % (kind, ", to use" if used else ""), name]
    if kind == definition.CURVE:
        lines.extend(_about_curve(made))
    else:
        lines.append("%g C of ambient, %g Mohm" % (made["ambient_celsius"], made["isolation_ohms"] / 1e6))
    return data, lines, _USED if used else _KEPT


def _about_curve(curve):
    """Return the lines that let a person recognise a curve."""
    lines = ["%g to %g C" % (curve.low_celsius, curve.high_celsius)]
    try:
        lines.append(_ohms(curve.ohms(25.0)) + " at 25 C")
    except RangeError:
        lines.append("%s at %g C" % (_ohms(curve.low_ohms), curve.low_celsius))
    return lines


def _ohms(ohms):
    return "%.4g ohm" % ohms if ohms < 999.95 else "%.4g kohm" % (ohms / 1000)


async def holds(tester, args):
    """Tell which curves and limits the tester has and works with, or give one definition back."""
    from tester import shelf

    if args:
        if len(args) != 2 or args[0] not in shelf.KINDS:
            raise MisuseError("bad-arguments", "KIND has to be one of %s, and ID follows." % ", ".join(shelf.KINDS))
        for name, wanted, data in shelf.kept(tester.store, args[0]):
            if wanted == args[1]:
                return {"name": name, "id": wanted, "definition": data}
        raise MisuseError("unknown-" + args[0], "The tester has no %s of that id." % args[0])
    answer = {"lost": tester.lost}
    for kind in shelf.KINDS:
        name, wanted = shelf.in_use(tester.store, kind)
        answer[kind] = {
            "name": name,
            "id": wanted,
            "places": shelf.PLACES[kind],
            "kept": [[entry[0], entry[1], len(entry[2])] for entry in shelf.kept(tester.store, kind)],
            "built_in": list(definition.built_in_names(kind)),
            "damaged_slots": shelf.damaged(tester.store, kind),
        }
    return answer
