"""What a tester holds: its curves and limits, and which of them its tests work with."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

from probecore import cbor
from probeledger.errors import DeviceError, InputError
from probeledger.link.session import Session
from probeledger.sending.definition import Definition
from probeledger.sending.offering import ANSWER_S, Outcome, Verbs, offer
from probeledger.text import clean

__all__ = ["KINDS", "Held", "Inventory", "choose", "drop", "inventory", "send"]

KINDS = ("curve", "limits")
_MOST_KEPT = 32


@dataclass(frozen=True)
class Held:
    """One curve or limits on a tester; the id is None for a built-in one."""

    kind: str
    name: str
    id: str | None
    in_use: bool


@dataclass(frozen=True)
class Inventory:
    """Everything of a tester; `places` counts what it can keep of each kind, `lost` says what cannot be read there."""

    held: tuple[Held, ...]
    places: Mapping[str, int]
    damaged_slots: int
    lost: str | None

    def of(self, kind: str) -> tuple[Held, ...]:
        """Return what there is of a kind, the built-in ones first."""
        return tuple(each for each in self.held if each.kind == kind)

    def sent(self, kind: str) -> tuple[Held, ...]:
        """Return what was sent of a kind."""
        return tuple(each for each in self.of(kind) if each.id is not None)

    def named(self, kind: str, name: str) -> Held:
        """Return the one of a name. Raises InputError where there is none."""
        for each in self.of(kind):
            if each.name == name:
                return each
        known = ", ".join(clean(each.name, 40) for each in self.of(kind))
        raise InputError(f"The tester has no {kind} {clean(name, 40)!r}; it has {known}. Nothing was changed.")


def inventory(session: Session) -> Inventory:
    """Ask a tester for what it holds.

    Args:
        session: greeted.

    Returns:
        Its curves and limits.

    Raises:
        DeviceError: it does not know the question, or its answer makes no sense.
    """
    answer = session.call("holds", timeout_s=ANSWER_S)
    held: list[Held] = []
    places: dict[str, int] = {}
    damaged = 0
    try:
        for kind in KINDS:
            part = answer[kind]
            used = (str(part["name"]), None if part["id"] is None else str(part["id"]))
            built_in = [(str(name), None) for name in part["built_in"][:_MOST_KEPT]]
            kept = [(str(entry[0]), str(entry[1])) for entry in part["kept"][:_MOST_KEPT]]
            held += [Held(kind, *each, each == used) for each in (*built_in, *kept)]
            places[kind] = int(part["places"])
            damaged += int(part["damaged_slots"])
        lost = answer["lost"]
    except (KeyError, TypeError, IndexError, ValueError, AttributeError):
        raise DeviceError("The tester's answer on its curves and limits makes no sense. Update its firmware.") from None
    return Inventory(tuple(held), places, damaged, None if lost is None else clean(lost, 200))


def send(session: Session, made: Definition, use: bool, elsewhere: Callable[[], None]) -> Outcome:
    """Offer a curve or limits, wait for the key at the tester, and read it back.

    Args:
        session: greeted.
        made: what is sent.
        use: whether the tester's tests work with it from then on.
        elsewhere: called once where the tester shows another page, which has to be left before it asks.

    Returns:
        What became of it; "taken" only where the tester gave the same bytes back.

    Raises:
        DeviceError: the tester refuses it, vanished, or holds something else than was sent.
    """
    verbs = Verbs(before=(made.kind,), behind=("use",) if use else ())
    outcome = offer(session, made.data, verbs, elsewhere)
    if outcome.state == "taken":
        back = session.call("holds", made.kind, made.id, timeout_s=ANSWER_S)
        if back.get("definition") != made.data:
            raise DeviceError(
                f"The tester took the {made.kind} {clean(made.name, 40)} and gives others back. Do not use it; send it "
                "again."
            )
    return outcome


def choose(session: Session, wanted: Held, elsewhere: Callable[[], None]) -> Outcome:
    """Offer that the tests work with something that the tester has, and check it. Raises DeviceError."""
    outcome = _act(session, "choose", wanted, elsewhere)
    if outcome.state == "taken" and not inventory(session).named(wanted.kind, wanted.name).in_use:
        raise DeviceError(f"The tester took the choice and still works with another {wanted.kind}. Try again.")
    return outcome


def drop(session: Session, wanted: Held, elsewhere: Callable[[], None]) -> Outcome:
    """Offer that the tester forgets something that was sent to it. Raises DeviceError."""
    return _act(session, "drop", wanted, elsewhere)


def _act(session: Session, act: str, wanted: Held, elsewhere: Callable[[], None]) -> Outcome:
    data: dict[str, Any] = {"act": act, "kind": wanted.kind, "name": wanted.name, "id": wanted.id}
    return offer(session, cbor.dumps(data), Verbs(before=("choice",)), elsewhere)
