"""What happens by itself on the virtual board: edges on watched pins, timers, the watchdog."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Protocol

__all__ = ["FALLING", "RISING", "Events"]

# The RP2 port's Pin.IRQ_FALLING and Pin.IRQ_RISING.
FALLING = 4
RISING = 8


class ReadsPins(Protocol):
    """Anything whose pins can be read."""

    def gpio_read(self, pin: int) -> int:
        """Return a pin's level."""


@dataclass
class _WatchedPin:
    trigger: int
    level: int
    flags: int = 0


@dataclass
class _Timer:
    due_us: int
    period_us: int | None


class Events:
    """Keep watched pins, timers and the watchdog, all in simulated time.

    An event is a bit, as the firmware's side knows it: 0 to 29 for a pin, 32 and up for a timer.
    """

    def __init__(self) -> None:
        self._pins: dict[int, _WatchedPin] = {}
        self._timers: dict[int, _Timer] = {}
        self._watchdog_us: int | None = None
        self._watchdog_due_us: int | None = None
        self.pending = 0

    def clear(self, *, watchdog: bool = True) -> None:
        """Forget pins and timers, as a reset does; a soft reset leaves the watchdog running."""
        self._pins.clear()
        self._timers.clear()
        self.pending = 0
        if watchdog:
            self._watchdog_us = self._watchdog_due_us = None

    @property
    def watches_pins(self) -> bool:
        """Tell whether any pin is watched, so that time has to move in small steps."""
        return bool(self._pins)

    def watch(self, pin: int, trigger: int, level: int) -> None:
        """Watch a pin for edges (trigger 0: no more); `level` is what it shows now."""
        if trigger:
            self._pins[pin] = _WatchedPin(trigger, level)
        else:
            self._pins.pop(pin, None)

    def flags(self, pin: int) -> int:
        """Return which edge of a watched pin came last."""
        watched = self._pins.get(pin)
        return watched.flags if watched else 0

    def start_timer(self, bit: int, now_us: int, period_us: int, *, once: bool) -> None:
        """Start a timer [us]."""
        self._timers[bit] = _Timer(now_us + period_us, None if once else period_us)

    def stop_timer(self, bit: int) -> None:
        """Stop a timer."""
        self._timers.pop(bit, None)
        self.pending &= ~(1 << bit)

    def start_watchdog(self, now_us: int, timeout_us: int) -> None:
        """Start the watchdog [us]."""
        self._watchdog_us = timeout_us
        self._watchdog_due_us = now_us + timeout_us

    def feed_watchdog(self, now_us: int) -> None:
        """Start the watchdog's time anew."""
        if self._watchdog_us is not None:
            self._watchdog_due_us = now_us + self._watchdog_us

    def watchdog_bites(self, now_us: int) -> bool:
        """Tell whether the watchdog's time is over."""
        return self._watchdog_due_us is not None and now_us >= self._watchdog_due_us

    def next_due_us(self) -> int | None:
        """Return when the next timer or the watchdog is due [us], or None."""
        due = [timer.due_us for timer in self._timers.values()]
        if self._watchdog_due_us is not None:
            due.append(self._watchdog_due_us)
        return min(due, default=None)

    def collect(self, now_us: int, board: ReadsPins) -> int:
        """Note what happened up to now; return the pending bits and keep them until `take`."""
        for pin, watched in self._pins.items():
            level = board.gpio_read(pin)
            if level != watched.level:
                edge = RISING if level else FALLING
                watched.level = level
                if watched.trigger & edge:
                    watched.flags = edge
                    self.pending |= 1 << pin
        for bit, timer in list(self._timers.items()):
            if now_us >= timer.due_us:
                self.pending |= 1 << bit
                if timer.period_us is None:
                    del self._timers[bit]
                else:
                    # A timer that was missed several times fires once, and keeps its beat.
                    missed = (now_us - timer.due_us) // timer.period_us
                    timer.due_us += (missed + 1) * timer.period_us
        return self.pending

    def take(self) -> int:
        """Return the pending bits and clear them."""
        bits = self.pending
        self.pending = 0
        return bits
