"""How simulated time follows the wall clock, where it has to."""

from __future__ import annotations

import time

__all__ = ["Pacer"]

# How far simulated time may stay behind before it gives up catching up [wall s].
_LAG_S = 0.25


class Pacer:
    """Tell where simulated time should be at `pace` times real time.

    It starts anew whenever the pace changes, and never asks for more than a short burst of catching up.
    """

    def __init__(self) -> None:
        self._pace: float | None = None
        self._wall_s = 0.0
        self._sim_us = 0

    def target_us(self, pace: float, now_us: int) -> int:
        """Return the simulated time [us] that belongs to this moment; `now_us` is where it is."""
        wall_s = time.monotonic()
        if pace != self._pace:
            self._pace, self._wall_s, self._sim_us = pace, wall_s, now_us
        target_us = self._sim_us + int((wall_s - self._wall_s) * pace * 1_000_000)
        most_us = now_us + int(_LAG_S * pace * 1_000_000)
        if target_us > most_us:
            self._wall_s, self._sim_us, target_us = wall_s, most_us, most_us
        return target_us

    def stop(self) -> None:
        """Forget the pace; the next target starts from where time is then."""
        self._pace = None
