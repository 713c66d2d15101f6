"""Giving a tester a new calibration: send it, wait for the key at the tester, read it back."""

import binascii
import time
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from probecore import cbor
from probeledger.calibrating.coefficients import same_numbers
from probeledger.errors import DeviceError, VanishedError
from probeledger.link.session import Session
from probeledger.text import clean

__all__ = ["MAX_BYTES", "Applied", "in_force", "send"]

# As the tester takes them.
_PART_BYTES = 200
MAX_BYTES = 2000
_POLL_S = 0.3
# The tester's home page looks every two seconds; after that, another page is in the way.
_HOME_PAGE_S = 3.0
# Longer than the tester itself waits for a key.
_PATIENCE_S = 90.0
# The flash is written in between.
_ANSWER_S = 6.0


@dataclass(frozen=True)
class Applied:
    """What became of it: "taken", "refused", "expired" or "failed"; the number of its record in the ledger."""

    state: str
    record: int | None
    message: str | None


def in_force(session: Session) -> dict[str, Any]:
    """Return the tester's answer on its calibration: `in_force`, `before` and more. Raises DeviceError."""
    answer = session.call("calibration", timeout_s=_ANSWER_S)
    if not isinstance(answer.get("in_force"), dict):
        raise DeviceError("The tester does not tell its calibration. Update its firmware, then try again.")
    return answer


def send(
    session: Session,
    made: dict[str, Any],
    elsewhere: Callable[[], None] = lambda: None,
    now: Callable[[], float] = time.monotonic,
    sleep: Callable[[float], None] = time.sleep,
) -> Applied:
    """Offer a calibration and wait for the key.

    Args:
        session: greeted.
        made: the map, with its report for the tester's ledger.
        elsewhere: called once where the tester shows another page, which has to be left before it asks.
        now, sleep: the computer's clock [s].

    Returns:
        What became of it; "taken" only where the tester gave the same numbers back.

    Raises:
        DeviceError: the tester refuses the numbers, vanished, or works with others than were sent.
    """
    data = cbor.dumps(made)
    if len(data) > MAX_BYTES:
        raise DeviceError(f"The calibration takes {len(data)} bytes, more than the {MAX_BYTES} that a tester takes.")
    for number in range(-(-len(data) // _PART_BYTES)):
        part = data[number * _PART_BYTES : (number + 1) * _PART_BYTES]
        session.call("calibration-part", number, part.hex())
    check_sum = f"{binascii.crc32(data):08x}"
    answer = session.call("calibration-offer", check_sum, timeout_s=_ANSWER_S)
    try:
        answer = _wait(session, check_sum, answer, elsewhere, now, sleep)
        applied = _read(answer)
        if applied.state != "taken":
            return applied
        if not same_numbers(made, in_force(session)["in_force"]):
            raise DeviceError(
                f"The tester took the calibration {clean(made['id'], 40)} and gives other numbers back. Do not use it; "
                "calibrate it again."
            )
        return applied
    except VanishedError as error:
        raise VanishedError(
            f"{error.message} Unless the key was pressed before that, nothing was changed; 'calibrate show' tells."
        ) from error


def _wait(
    session: Session,
    check_sum: str,
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
        answer = session.call("calibration-offer", check_sum, timeout_s=_ANSWER_S)
    return answer


def _read(answer: dict[str, Any]) -> Applied:
    state, record, message = answer.get("state"), answer.get("record"), answer.get("message")
    if state not in ("taken", "refused", "expired", "failed"):
        raise DeviceError("The tester's answer makes no sense. Look at 'calibrate show' before you go on.")
    return Applied(
        str(state), record if type(record) is int else None, clean(message, 200) if isinstance(message, str) else None
    )
