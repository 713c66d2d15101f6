"""Showing what is offered, and doing what the key says."""

from micropython import const
from parts import buzzer
from parts.keys import BACK, OK
from probecore.errors import ProbeError
from screen import offers

from .offer import CALIBRATION, CHOICE, EXPIRED, FAILED, REFUSED, SHOWN, TAKEN

_LOOK_MS = const(250)
_RESULT_MS = const(4000)


async def decide(tester, key):
    """Show the tester's open offer and see it through. key: coroutine function (timeout [ms]) -> (key, long) or None.

    Returns after at most WAIT_MS and a few seconds for the page that tells the result.
    """
    offer = tester.offer
    offer.state = SHOWN
    if offer.kind == CALIBRATION:
        offers.ask(tester.canvas, offer.stored)
    else:
        offers.ask_lines(tester.canvas, offer.lines)
    tester.buzzer.play(buzzer.ATTENTION)
    while offer.open:
        press = await key(_LOOK_MS)
        offer.age(tester.uptime.ms())
        if not offer.open:
            break
        if press and press[0] == OK:
            await _take(tester, offer)
        elif press and press[0] == BACK or not tester.power.usb():
            offer.state = REFUSED if press else EXPIRED
    tester.buzzer.play(buzzer.SAVED if offer.state == TAKEN else buzzer.REFUSED)
    offers.result(tester.canvas, offer.state, offer.sequence, offer.message, offer.done)
    await key(_RESULT_MS)


async def _take(tester, offer):
    """Take what is offered."""
    try:
        if offer.kind == CALIBRATION:
            offer.sequence = await tester.in_force.take(offer.stored, tester.keep, tester.quiet)
        else:
            # Imported for such an offer only.
            from . import shelf

            if offer.kind == CHOICE:
                offer.sequence = await shelf.choose(tester, offer.stored)
            else:
                offer.sequence = await shelf.take(tester, offer.kind, offer.stored, offer.use)
        offer.state = TAKEN
    except ProbeError as error:
        offer.message = error.message
    except OSError as error:
        offer.message = "The flash refuses (error %s)." % error.errno
    if offer.open:
        offer.state = TAKEN if offer.kind == CALIBRATION and tester.in_force.unrecorded else FAILED
