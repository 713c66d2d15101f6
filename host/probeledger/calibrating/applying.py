"""Giving a tester a new calibration: send it, wait for the key at the tester, read it back."""

import time
from collections.abc import Callable
from typing import Any

from probecore import cbor
from probeledger.calibrating.coefficients import same_numbers
from probeledger.errors import DeviceError, VanishedError
from probeledger.link.session import Session
from probeledger.sending.offering import ANSWER_S, MAX_BYTES, Outcome, Verbs, offer
from probeledger.text import clean

__all__ = ["MAX_BYTES", "Outcome", "in_force", "send"]

# The verbs that every tester knows, also one whose firmware takes no curves.
_VERBS = Verbs("calibration-part", "calibration-offer", command="calibrate show")


def in_force(session: Session) -> dict[str, Any]:
    """Return the tester's answer on its calibration: `in_force`, `before` and more. Raises DeviceError."""
    answer = session.call("calibration", timeout_s=ANSWER_S)
    if not isinstance(answer.get("in_force"), dict):
        raise DeviceError("The tester does not tell its calibration. Update its firmware, then try again.")
    return answer


def send(
    session: Session,
    made: dict[str, Any],
    elsewhere: Callable[[], None] = lambda: None,
    now: Callable[[], float] = time.monotonic,
    sleep: Callable[[float], None] = time.sleep,
) -> Outcome:
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
    applied = offer(session, data, _VERBS, elsewhere, now, sleep)
    if applied.state != "taken":
        return applied
    try:
        given_back = in_force(session)["in_force"]
    except VanishedError as error:
        raise VanishedError(
            f"{error.message} The key was pressed before that; 'calibrate show' tells what the tester works with."
        ) from error
    if not same_numbers(made, given_back):
        raise DeviceError(
            f"The tester took the calibration {clean(made['id'], 40)} and gives other numbers back. Do not use it; "
            "calibrate it again."
        )
    return applied
