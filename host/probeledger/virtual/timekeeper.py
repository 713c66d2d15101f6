"""Moves simulated time while the firmware waits, from one moment at which something happens to the next."""

from __future__ import annotations

from collections.abc import Callable

from .actors import Cast
from .events import Events
from .pacer import Pacer
from .rpc import Board, Wait

__all__ = ["IDLE_MS", "Timekeeper"]

# The longest wait for descriptors [wall ms].
IDLE_MS = 20
# Watched pins are looked at this often [simulated us] while the firmware waits.
_EDGE_US = 500
# A step without a nearer goal [simulated us].
_STEP_US = 1_000_000
# Free steps between two looks at the descriptors.
_STEPS = 64


class Timekeeper:
    """Move the board's time in steps.

    Args: `board`, `events` and `cast` say when something happens; `on_time` is called after each step and may end the
    firmware's wait or its whole run.
    """

    def __init__(self, board: Board, events: Events, cast: Cast, on_time: Callable[[], None]) -> None:
        self._board = board
        self._events = events
        self._cast = cast
        self._on_time = on_time
        self._pacer = Pacer()
        # What the firmware waits for, or None while it computes, has ended or has no power.
        self.wait: Wait | None = None

    def due(self) -> bool:
        """Tell whether the time that the firmware waits for has come."""
        wait = self.wait
        return wait is not None and wait.deadline_us is not None and self._board.now_us >= wait.deadline_us

    def stop(self) -> None:
        """Let the wall clock be; the next pace starts from then."""
        self._pacer.stop()

    def _next_stop_us(self, limit_us: int) -> int:
        now_us = self._board.now_us
        stops = [self._events.next_due_us(), self._cast.next_us(), self.wait.deadline_us if self.wait else None]
        if self._events.watches_pins:
            stops.append(now_us + _EDGE_US)
        return max(now_us, min([limit_us, *(stop for stop in stops if stop is not None)]))

    def _step(self, limit_us: int) -> None:
        self._board.advance(self._next_stop_us(limit_us) - self._board.now_us)
        self._on_time()

    def move_freely(self, *, alone: bool) -> int:
        """Move time as fast as it goes; return how long to wait for descriptors [wall ms].

        Args: `alone` tells that no interpreter runs that could make a request.
        """
        self.stop()
        waiting = self.wait
        acting = bool(self._cast)
        if waiting is None and not acting:
            return IDLE_MS
        for _ in range(_STEPS):
            self._step(self._board.now_us + _STEP_US)
            # With the last script's end time may have to stand still.
            if self.wait is not waiting or (waiting is None and not alone) or (acting and not self._cast):
                break
        return 0

    def move_paced(self, pace: float, *, busy: bool) -> int:
        """Move time to where the wall clock has it; return how long to wait for descriptors [wall ms].

        Args: `pace` is simulated time per wall time; `busy` tells that the firmware computes, so that its time stands.
        """
        target_us = self._pacer.target_us(pace, self._board.now_us)
        if busy:
            return IDLE_MS
        waiting = self.wait
        while self._board.now_us < target_us:
            self._step(target_us)
            if self.wait is not waiting:
                return 0
        left_us = self._next_stop_us(target_us + int(IDLE_MS * 1000 * pace)) - target_us
        # Rounded up: a wait of 0 ms for the last microseconds would turn in circles.
        return max(1, min(IDLE_MS, int(left_us / (1000 * pace) + 0.999)))
