"""The day's tickets as a tester keeps them: a number and a label each, as one CBOR map.

The label lets a technician recognise the job on the display; all else about a ticket stays at the shop.
"""

from . import cbor
from .errors import StoredDataError

FORMAT = 1
MOST = 24
MOST_NUMBER_CHARACTERS = 12
MOST_LABEL_CHARACTERS = 20
# Of the technician's mark.
MOST_MARK_CHARACTERS = 12


def is_number(text):
    """Tell whether a text can be a ticket's number: 1 to 12 digits, letters A to Z in either case, and dashes."""
    if not isinstance(text, str) or not 0 < len(text) <= MOST_NUMBER_CHARACTERS:
        return False
    for char in text:
        if not ("0" <= char <= "9" or "A" <= char <= "Z" or "a" <= char <= "z" or char == "-"):
            return False
    return True


def is_shown(text, most):
    """Tell whether a text has at most so many characters, all of which the display has."""
    if not isinstance(text, str) or len(text) > most:
        return False
    for char in text:
        if not " " <= char <= "~":
            return False
    return True


def dump(tickets):
    """Return the bytes of a list of (number, label), which `read` accepts."""
    return cbor.dumps({"v": FORMAT, "tickets": [list(ticket) for ticket in tickets]})


def read(data):
    """Return the list of (number, label) of a map's bytes. Raises StoredDataError with what is wrong."""
    return check(cbor.loads(data))


def check(stored):
    """Return the list of (number, label) of a map. Raises StoredDataError with what is wrong."""
    if not isinstance(stored, dict) or stored.get("v") != FORMAT or not isinstance(stored.get("tickets"), list):
        raise StoredDataError("bad-tickets", "The list of tickets is not of format %d." % FORMAT)
    entries = stored["tickets"]
    if len(entries) > MOST:
        raise StoredDataError("bad-tickets", "%d tickets are more than the %d of a tester." % (len(entries), MOST))
    found = []
    numbers = []
    for index, entry in enumerate(entries):
        if not isinstance(entry, list) or len(entry) != 2:
            raise StoredDataError("bad-tickets", "Ticket %d of the list has to be a number and a label." % (index + 1))
        number, label = entry
        if not is_number(number) or not is_shown(label, MOST_LABEL_CHARACTERS):
            raise StoredDataError("bad-tickets", "Number or label of ticket %d of the list are no such." % (index + 1))
        if number in numbers:
            raise StoredDataError("bad-tickets", "The ticket %s is in the list twice." % number)
        numbers.append(number)
        found.append((number, label))
    return found
