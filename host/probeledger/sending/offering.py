"""Offering something to the person at a tester: send it in parts, and wait for the key there."""

import binascii
import time
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from probeledger.errors import DeviceError, VanishedError
from probeledger.link.session import Session
from probeledger.text import clean

__all__ = ["ANSWER_S", "MAX_BYTES", "PART_BYTES", "Outcome", "Verbs", "offer"]

# As the tester takes them.
PART_BYTES = 200
MAX_BYTES = 2000
_POLL_S = 0.3
# The tester's home page looks every two seconds; after that, another page is in the way.
_HOME_PAGE_S = 3.0
# Longer than the tester itself waits for a key.
_PATIENCE_S = 90.0
# The flash is written in between.
ANSWER_S = 6.0


@dataclass(frozen=True)
class Outcome:
    """What became of it: "taken", "refused", "expired" or "failed"; the number of its record in the ledger."""

    state: str
    record: int | None
    message: str | None


@dataclass(frozen=True)
class Verbs:
    """What is said to the tester: the verb of a part, that of the offer with what stands before and behind its check
    sum, and the command that tells afterwards what the tester works with.
    """

    part: str = "offer-part"
    offer: str = "offer"
    before: tuple[str, ...] = ()
    behind: tuple[str, ...] = ()
    command: str = "send --list"


def offer(
    session: Session,
    data: bytes,
    verbs: Verbs,
    elsewhere: Callable[[], None] = lambda: None,
    now: Callable[[], float] = time.monotonic,
    sleep: Callable[[float], None] = time.sleep,
) -> Outcome:
    """Offer something and wait for the key.

    Args:
        session: greeted.
        data: what is offered, at most MAX_BYTES.
        verbs: how it is said.
        elsewhere: called once where the tester shows another page, which has to be left before it asks.
        now, sleep: the computer's clock [s].

    Returns:
        What became of it, by the tester's word; read back what was "taken".

    Raises:
        DeviceError: the tester refuses it, vanished, or makes no sense.
    """
    for number in range(-(-len(data) // PART_BYTES)):
        part = data[number * PART_BYTES : (number + 1) * PART_BYTES]
        session.call(verbs.part, number, part.hex())
    asked = (verbs.offer, *verbs.before, f"{binascii.crc32(data):08x}", *verbs.behind)
    try:
        answer = session.call(*asked, timeout_s=ANSWER_S)
        return _read(_wait(session, asked, answer, elsewhere, now, sleep), verbs.command)
    except VanishedError as error:
        raise VanishedError(
            f"{error.message} Unless the key was pressed before that, nothing was changed; '{verbs.command}' tells."
        ) from error


def _wait(
    session: Session,
    asked: tuple[str, ...],
    answer: dict[str, Any],
    elsewhere: Callable[[], None],
    now: Callable[[], float],
    sleep: Callable[[float], None],
) -> dict[str, Any]:
    begun = now()
    told = False
    while answer.get("state") in ("offered", "shown"):
        if now() - begun > _PATIENCE_S:
            raise DeviceError("The tester does not end its question. Restart it; nothing was changed.")
        if answer.get("state") == "offered" and not told and now() - begun > _HOME_PAGE_S:
            told = True
            elsewhere()
        sleep(_POLL_S)
        answer = session.call(*asked, timeout_s=ANSWER_S)
    return answer


def _read(answer: dict[str, Any], command: str) -> Outcome:
    state, record, message = answer.get("state"), answer.get("record"), answer.get("message")
    if state not in ("taken", "refused", "expired", "failed"):
        raise DeviceError(f"The tester's answer makes no sense. Look at '{command}' before you go on.")
    return Outcome(
        str(state), record if type(record) is int else None, clean(message, 200) if isinstance(message, str) else None
    )
