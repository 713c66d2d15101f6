"""The day's tickets and the technician's mark on the tester.

The list stands in two slots; a new one replaces the old in one write, so that a cut leaves the one or the other. The
mark is one of the settings.
"""

from probecore import tickets
from probecore.errors import ProbeError

_PLACE = "tickets"
MARK = "mark"


class TicketsError(ProbeError):
    """A list or a mark could not be kept; what was there before goes on."""


def kept(store):
    """Return the tickets that the flash holds, read now: a list of (number, label); empty where there are none.

    store: Store or NoStore. A list that makes no sense counts as none.
    """
    stored = store.place(_PLACE).load()
    if stored is None:
        return []
    try:
        return tickets.check(stored)
    except ProbeError:
        return []


def damaged(store):
    """Return how many slots of the list are there and cannot be read."""
    return store.place(_PLACE).damaged


def mark(store):
    """Return the technician's mark as the flash holds it, read now, or None."""
    return (store.place("settings").load() or {}).get(MARK)


async def take(tester, data):
    """Keep a new list in place of the one before, and read it back. Returns how many it has.

    data: CBOR, bytes. Raises ProbeError or OSError; the list before goes on then.
    """
    found = tickets.read(data)
    async with tester.quiet:
        if tester.store.kind != "none" and not tester.store.take_room():
            raise TicketsError("ledger", "The flash has too little room for the tickets. Pull the ledger first.")
        slots = tester.store.place(_PLACE)
        slots.save({"v": tickets.FORMAT, "tickets": [list(ticket) for ticket in found]})
        if not slots.holds() or kept(tester.store) != found:
            raise TicketsError("tickets-failed", "The flash does not keep the tickets. Have the tester looked at.")
    return len(found)


async def take_mark(tester, text):
    """Keep the technician's mark, and read it back; "" forgets it. Raises ProbeError or OSError."""
    wanted = text or None
    if not tickets.is_shown(text, tickets.MOST_MARK_CHARACTERS):
        raise TicketsError("bad-mark", "The mark has to be at most %d plain characters." % tickets.MOST_MARK_CHARACTERS)
    async with tester.quiet:
        tester.store.change_settings(MARK, wanted)
        held = tester.store.settings.holds()
        tester.settings = tester.store.settings.load() or {}
        if not held or mark(tester.store) != wanted:
            raise TicketsError("mark-failed", "The flash does not keep the mark. Have the tester looked at.")
