"""The link's verbs for the day's tickets and the technician's mark. They change no verdict, so no key is asked for."""

import binascii

from probecore import tickets as lists
from probecore.errors import MisuseError
from tester import tickets

from .offering import hexadecimal

_MOST_BYTES = 2000
_MOST_MARK_BYTES = 64
_NONE = "-"


async def listed(tester, args):
    """Keep the parts that came as the new list, or tell what the tester holds, read from the flash now."""
    store = tester.store
    # The same again where the answer was lost on its way is told again, and written once.
    if args and hexadecimal(args[0], 4) != _check_sum(lists.dump(tickets.kept(store))):
        data = b"".join(tester.offer_parts)
        if len(data) > _MOST_BYTES or _check_sum(data) != hexadecimal(args[0], 4):
            raise MisuseError(
                "bad-check-sum", "The tickets arrived damaged: their check sum does not fit. Send them again."
            )
        await tickets.take(tester, data)
        tester.offer_parts = []
    return {
        "tickets": [list(ticket) for ticket in tickets.kept(store)],
        "mark": tickets.mark(store),
        "damaged_slots": tickets.damaged(store),
    }


def _check_sum(data):
    return binascii.crc32(data).to_bytes(4, "big")


async def mark(tester, args):
    """Keep the technician's mark, forget it where a dash stands for it, or tell it."""
    text = ""
    if args and args[0] != _NONE:
        try:
            text = hexadecimal(args[0], _MOST_MARK_BYTES).decode()
        except UnicodeError:
            raise MisuseError("bad-arguments", "HEX has to be the mark's characters in hexadecimal digits.")
    if args:
        await tickets.take_mark(tester, text)
    return {"mark": tickets.mark(tester.store)}
