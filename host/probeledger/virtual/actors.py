"""Actors: what a technician does, written as generators that run in simulated time.

A generator yields a number to wait that many simulated seconds, or a function without arguments to wait until it
returns something true. It is looked at whenever simulated time has moved by `LOOK_US`.
"""

from __future__ import annotations

import threading
from collections.abc import Callable, Generator
from typing import Any

__all__ = ["LOOK_US", "Actor", "Cast", "Script"]

Script = Generator[float | Callable[[], Any] | None, None, Any]

# How often a waiting actor's condition is looked at [simulated us]; no slower than a person.
LOOK_US = 20_000


class Actor:
    """One script with what it waits for.

    Args: `script` is the generator; `now_us` the time at which it starts [us].
    """

    def __init__(self, script: Script, now_us: int) -> None:
        self._script = script
        self._condition: Callable[[], Any] | None = None
        self.due_us = now_us
        self.ended = threading.Event()
        self.result: Any = None
        self.error: BaseException | None = None

    def act(self, now_us: int) -> None:
        """Go on with the script as far as it goes at this time."""
        while not self.ended.is_set() and now_us >= self.due_us:
            try:
                if self._condition is not None:
                    if not self._condition():
                        self.due_us = now_us + LOOK_US
                        return
                    self._condition = None
                wish = next(self._script)
            except StopIteration as stop:
                self.result = stop.value
                self.ended.set()
            except BaseException as error:
                self.error = error
                self.ended.set()
            else:
                if callable(wish):
                    self._condition = wish
                else:
                    self.due_us = now_us + max(0, round((wish or 0.0) * 1_000_000))

    def cancel(self, error: BaseException) -> None:
        """End the script early."""
        if not self.ended.is_set():
            self._script.close()
            self.error = error
            self.ended.set()


class Cast:
    """The actors on stage."""

    def __init__(self) -> None:
        self._actors: list[Actor] = []

    def __bool__(self) -> bool:
        return bool(self._actors)

    def add(self, actor: Actor) -> None:
        """Let an actor take part."""
        self._actors.append(actor)

    def next_us(self) -> int | None:
        """Return when the next actor is due [us], or None."""
        return min((actor.due_us for actor in self._actors), default=None)

    def act(self, now_us: int) -> None:
        """Let everybody act who is due."""
        for actor in list(self._actors):
            if now_us >= actor.due_us:
                actor.act(now_us)
                if actor.ended.is_set():
                    self._actors.remove(actor)

    def cancel(self, error: BaseException, one: Actor | None = None) -> None:
        """End one actor's script, or everybody's."""
        for actor in list(self._actors):
            if one is None or actor is one:
                actor.cancel(error)
                self._actors.remove(actor)
