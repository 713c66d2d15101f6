"""What a tester does when it is asked over the link. Each verb is one entry of VERBS."""

import struct
import sys
from asyncio import sleep_ms
from binascii import unhexlify
from collections import namedtuple

from aside import Aside
from micropython import const
from probecore import PROTOCOL, record
from probecore.errors import MisuseError


# Records in one pull, and readings in one `measure`.
_MOST_RECORDS = const(1000000)
_MOST_READINGS = const(64)
_MEASURE_OPTIONS = ("two-wire", "zero-power")

# action: coroutine function; arguments: fewest and most; streams: True when it writes data before its result.
Verb = namedtuple("Verb", ("action", "arguments", "streams", "usage", "about"))


def _whole(text, name, lowest, highest):
    """Return an argument as an integer. Raises MisuseError outside the limits."""
    if not text.isdigit() or len(text) > 12 or not lowest <= int(text) <= highest:
        raise MisuseError("bad-arguments", "%s has to be a whole number from %d to %d." % (name, lowest, highest))
    return int(text)


def _micropython():
    return ".".join([str(part) for part in sys.implementation.version[:3]])


async def hello(tester, args):
    """Say who this is and how far its ledger goes."""
    store = tester.store
    seconds = tester.clock.seconds()
    return {
        "protocol": PROTOCOL,
        "tester": tester.id,
        "firmware": tester.firmware,
        "micropython": _micropython(),
        "ledger": store.ledger_id,
        "store": store.kind,
        "first": store.first,
        "last": store.last,
        "confirmed": store.confirmed,
        "head": store.head,
        "full": store.full,
        "boot": store.boot,
        "ms": tester.uptime.ms(),
        "time": seconds,
        "clock_set": seconds is not None,
        "calibration": tester.calibration.id,
        "calibration_state": tester.calibration.state,
        "cell_volts": tester.power.cell_millivolts() / 1000,
        "notes": tester.notes + store.notes,
    }


async def pull(tester, args, write):
    """Send records: from a sequence number on, so many at most."""
    start = _whole(args[0], "FROM", 1, 0xFFFFFFFF)
    count = _whole(args[1], "COUNT", 1, _MOST_RECORDS)
    following = start
    for sequence, item in tester.store.read(start, count):
        write(struct.pack("<I", sequence) + item)
        following = sequence + 1
        await sleep_ms(0)
    return {"next": following, "last": tester.store.last, "head": tester.store.head}


async def confirm(tester, args):
    """Note what the shop has safely."""
    sequence = _whole(args[0], "SEQUENCE", 1, 0xFFFFFFFF)
    try:
        digest = unhexlify(args[1])
    except ValueError:
        digest = b""
    if len(digest) != len(record.GENESIS):
        raise MisuseError("bad-arguments", "HASH has to be 64 hexadecimal digits.")
    async with tester.quiet:
        return {"confirmed": tester.store.confirm(sequence, digest)}


async def clock(tester, args):
    """Set the clock, and record what it was."""
    seconds = _whole(args[0], "EPOCH_SECONDS", 0, 99999999999)
    before = tester.clock.seconds()
    tester.clock.set(seconds)
    after = tester.clock.seconds()
    await tester.keep("clock", {"before": before, "after": after})
    return {"before": before, "after": after}


async def measure(tester, args):
    """Measure what is on the leads, as on the bench."""
    options = [name in args for name in _MEASURE_OPTIONS]
    numbers = [arg for arg in args if arg not in _MEASURE_OPTIONS]
    if len(numbers) > 1:
        raise MisuseError("bad-arguments", "'measure' has no option %s; it has two-wire and zero-power." % numbers[1])
    readings = _whole(numbers[0], "READINGS", 1, _MOST_READINGS) if numbers else 1
    return await tester.measure(readings, *options)


async def zero(tester, args):
    """Zero two-wire leads, the clips together."""
    return await tester.zero()


def _aside(module, name):
    """Return the verb of that name in a module that is loaded only while it answers."""

    async def answer(tester, args):
        with Aside(module) as verbs:
            return await getattr(verbs, name)(tester, args)

    return answer


_CALIBRATION = "link.calibration"
_OFFERING = "link.offering"
_TICKETS = "link.tickets"


VERBS = {
    "hello": Verb(hello, (0, 0), False, "", "who this is, its ledger, clock and cell"),
    "pull": Verb(pull, (2, 2), True, "FROM COUNT", "records of the ledger"),
    "confirm": Verb(confirm, (2, 2), False, "SEQUENCE HASH", "the shop has the records up to here"),
    "clock": Verb(clock, (1, 1), False, "EPOCH_SECONDS", "set the clock (UTC)"),
    "measure": Verb(measure, (0, 3), False, "[READINGS] [two-wire] [zero-power]", "measure what is on the leads"),
    "zero": Verb(zero, (0, 0), False, "", "zero two-wire leads, the clips together"),
    "calibration": Verb(_aside(_CALIBRATION, "read"), (0, 0), False, "", "the calibration in force and the one before"),
    "calibration-part": Verb(_aside(_OFFERING, "part"), (2, 2), False, "NUMBER HEX", "a part of a new calibration"),
    "calibration-offer": Verb(_aside(_CALIBRATION, "offer"), (1, 1), False, "CRC", "offer it; a key takes it"),
    "offer-part": Verb(_aside(_OFFERING, "part"), (2, 2), False, "NUMBER HEX", "a part of what will be offered"),
    "offer": Verb(_aside(_OFFERING, "offer"), (2, 3), False, "KIND CRC [use]", "offer it; a key takes it"),
    "holds": Verb(_aside(_OFFERING, "holds"), (0, 2), False, "[KIND ID]", "curves and limits on the tester"),
    "tickets": Verb(_aside(_TICKETS, "listed"), (0, 1), False, "[CRC]", "the day's tickets; CRC keeps the parts sent"),
    "mark": Verb(_aside(_TICKETS, "mark"), (0, 1), False, "[HEX|-]", "the technician's mark"),
    "isolation": Verb(_aside(_CALIBRATION, "isolation"), (0, 1), False, "[ROUNDS]", "isolation of what is clipped on"),
}


def help_text():
    """Return what a person at a terminal gets to read, as bytes."""
    lines = [
        "probeledger tester. For a person: help, id. Ctrl-C leaves to MicroPython's prompt.",
        "For a program: pl%d TAG VERB ARGUMENT... CRC; CRC is the CRC-32 of all before the last space," % PROTOCOL,
        "eight hexadecimal digits. Replies are binary. Verbs:",
    ]
    for name in sorted(VERBS):
        verb = VERBS[name]
        lines.append("  %-42s %s" % ((name + " " + verb.usage).strip(), verb.about))
    return "".join([line + "\r\n" for line in lines]).encode()


def id_text(tester):
    """Return one line that names the tester, as bytes."""
    return (
        "probeledger tester %s, firmware %s, MicroPython %s, link %d, ledger on %s with records %d to %d\r\n"
        % (
            tester.id,
            tester.firmware,
            _micropython(),
            PROTOCOL,
            tester.store.kind,
            tester.store.first,
            tester.store.last,
        )
    ).encode()
