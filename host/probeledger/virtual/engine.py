"""The inside of the virtual tester: runs of the interpreter, its requests, the plug, and when time moves.

Everything here happens in one thread (see `device`), in turns: time moves, then whatever has come is dealt with.
"""

from __future__ import annotations

import os
import select
import time
from collections.abc import Callable
from typing import Any

from probeledger.errors import ProbeError

from . import launcher
from .actors import Cast
from .launcher import Interpreter
from .relay import Relay
from .rpc import (
    ANSWER,
    INTERRUPT,
    REQUEST,
    RESYNC_ANSWER,
    RESYNC_REQUEST,
    Answer,
    Peripherals,
    Ready,
    Reset,
    Wait,
    payload_bytes,
)
from .timekeeper import IDLE_MS, Timekeeper

__all__ = ["Engine", "VirtualTesterError"]

# The firmware counts as computing while its last request is younger than this [wall s]; after that paced time goes on.
_BUSY_S = 0.05
# A program that has made no request for so long after Ctrl-C gets a signal [wall s].
_SIGNAL_S = 0.1
# How often the user's port and the plug are looked at [wall s].
_LOOK_S = 0.005
# A sleeping thread takes about 40 us to wake up, twice a request; looking again and again for about as long as the
# firmware takes to its next request makes a request 2 to 3 times as fast (measured: 22 us instead of 62 us).
_SPINS = 30
_SPIN_S = 0.0005
_POWER_ON, _WATCHDOG = 1, 3


class VirtualTesterError(ProbeError):
    """Report that the virtual tester itself failed: the interpreter, the board's model, or a script."""

    def __init__(self, message: str) -> None:
        super().__init__("virtual-tester", message)


class Engine:
    """Run the firmware on the board.

    Args: `board` and `world` are the hardware and what is outside it, `peripherals` carries out requests, `relay` holds
    the user's port, `launch(with_main)` starts an interpreter, `on_plug` is called when the port comes or goes.
    """

    def __init__(
        self,
        board: Any,
        world: Any,
        peripherals: Peripherals,
        relay: Relay,
        launch: Callable[[bool], Interpreter],
        on_plug: Callable[[], None],
    ) -> None:
        self.board = board
        self.world = world
        self.relay = relay
        self.cast = Cast()
        self.pace: float | None = None
        self.usb_pace: float | None = 1.0
        self.interpreter: Interpreter | None = None
        # Whether this run of the interpreter has reached the firmware, and the heap that the shims take there [bytes].
        self.ready = False
        self.shim_bytes = 0
        self.plugged = False
        self.user_fd: int | None = None
        # Whether somebody has had the port open since the board's last start.
        self.port_was_opened = False
        self._peripherals = peripherals
        self._events = peripherals.events
        self._launch = launch
        self._on_plug = on_plug
        self._time = Timekeeper(board, self._events, self.cast, self.after_time)
        self._powered = False
        self._in_boot_loader = False
        self._raw_restart = False
        self._inbox = bytearray()
        self._last_request_s = 0.0
        self._next_look_s = 0.0
        # When somebody next has to look at the time while the firmware makes requests [us of the board].
        self._look_us = 0
        self._interest: dict[int, int] = {}
        self._poller = select.poll()

    # ------------------------------------------------------------ power and plug

    def power_on(self) -> None:
        """Give the board power and start the firmware."""
        if self._powered:
            return
        self._powered = True
        self._in_boot_loader = self.port_was_opened = False
        self.board.power_on()
        self._peripherals.power_up(_POWER_ON)
        self._start(with_main=True)
        self.look_after_plug()

    def power_off(self) -> None:
        """Take the power away."""
        if not self._powered:
            return
        self._powered = False
        self.stop()
        self.board.power_off()
        self.board.save()
        self.look_after_plug()

    def look_after_plug(self) -> None:
        """Let the port come or go with the plug and the power."""
        there = self._powered and not self._in_boot_loader and bool(self.world.usb_plugged)
        if there == self.plugged:
            return
        self.plugged = there
        if there:
            self.relay.port.plug()
        else:
            self.relay.cut()
            self._forget_user()
            self.relay.port.unplug()
        self._on_plug()

    def _forget_user(self) -> None:
        if self.user_fd is not None:
            self.watch(self.user_fd, 0)
            self.user_fd = None

    # ------------------------------------------------------------ runs of the interpreter

    def _start(self, *, with_main: bool) -> None:
        self.interpreter = self._launch(with_main)
        self.relay.attach(self.interpreter)
        self.ready = False
        self._inbox.clear()
        self._time.wait = None
        self._last_request_s = time.monotonic()
        self.watch(self.interpreter.requests, select.POLLIN)

    def stop(self) -> int:
        """End the interpreter where it runs; return its exit status."""
        interpreter = self.interpreter
        if interpreter is None:
            return 0
        status = interpreter.end()
        self.relay.drain()
        self.watch(interpreter.requests, 0)
        self.watch(interpreter.terminal, 0)
        interpreter.close()
        self.interpreter = None
        self.relay.attach(None)
        self._time.wait = None
        return status

    def _soft_reset(self) -> None:
        """Start the interpreter anew, at the prompt that was on: only from the friendly one main.py runs."""
        raw = self.relay.console.raw
        interpreter, ready = self.interpreter, self.ready
        status = self.stop()
        if not ready:
            lines = self.relay.console.text().strip().splitlines()
            last = f", saying {lines[-1][:200]!r}" if lines else ""
            program = interpreter.program if interpreter else "The interpreter"
            raise VirtualTesterError(
                f"{program} is no MicroPython that can run the virtual tester: it ended with status {status}{last}. "
                f"Name another one with --micropython or {launcher.ENVIRONMENT}."
            )
        self._peripherals.soft_reset()
        self.relay.say_reboot()
        self._raw_restart = raw
        self._start(with_main=not raw)

    def _hard_reset(self) -> None:
        """Reset the microcontroller: its pins float, its USB goes and comes back; the chips keep their supply."""
        self.stop()
        self.board.reset_pins()
        self._peripherals.power_up(_WATCHDOG)
        self._raw_restart = self.port_was_opened = False
        if self.plugged:
            self._forget_user()
            self.relay.port.unplug()
            self.relay.port.plug()
        self._start(with_main=True)

    def _reset(self, reset: Reset) -> None:
        if reset.kind == 0:
            self._soft_reset()
        elif reset.kind == 1:
            self._hard_reset()
        else:
            self._in_boot_loader = True
            self.stop()
            self.look_after_plug()

    # ------------------------------------------------------------ requests

    def _serve(self, interpreter: Interpreter) -> None:
        """Answer the requests that have come."""
        data = os.read(interpreter.requests, 65536)
        self._last_request_s = time.monotonic()
        if not data:
            self._soft_reset()
            return
        self._inbox += data
        # An actor or the watchdog may end this run of the interpreter at any step of time.
        while self.interpreter is interpreter and len(self._inbox) >= REQUEST.size:
            if self._inbox.endswith(RESYNC_REQUEST):
                self._inbox.clear()
                self._time.wait = None
                self._send(RESYNC_ANSWER)
                return
            operation, a, b, untold_us = REQUEST.unpack_from(self._inbox)
            size = REQUEST.size + payload_bytes(operation, b)
            if len(self._inbox) < size:
                more = os.read(interpreter.requests, 65536)
                if not more:
                    self._soft_reset()
                    return
                self._inbox += more
                continue
            payload = bytes(self._inbox[REQUEST.size : size])
            del self._inbox[:size]
            if untold_us:
                self.board.advance(untold_us)
            outcome = self._peripherals.handle(operation, a, b, payload)
            if isinstance(outcome, Answer):
                if self.board.now_us >= self._look_us or self._events.watches_pins:
                    self.after_time()
                if self.interpreter is interpreter:
                    self._answer(outcome.value, outcome.payload)
            elif isinstance(outcome, Wait):
                self._begin_wait(outcome)
            elif isinstance(outcome, Ready):
                self._begin_run(outcome)
            else:
                self._reset(outcome)

    def _answer(self, value: int, payload: bytes = b"") -> None:
        events = self._events.take()
        if self.relay.interrupted_s:
            self.relay.interrupted_s = 0.0
            events |= INTERRUPT
        self._send(ANSWER.pack(value, events, self._peripherals.uptime_us()) + payload)

    def _send(self, message: bytes) -> None:
        assert self.interpreter is not None
        try:
            while message:
                message = message[os.write(self.interpreter.answers, message) :]
        except BrokenPipeError:
            # It has just ended; the end of its requests says so.
            return

    def _begin_wait(self, wait: Wait) -> None:
        self._time.wait = wait
        if self.relay.interrupted_s or self._time.due():
            self._end_wait()
        elif not self._wake_by_input():
            self.after_time()

    def _end_wait(self) -> None:
        if self._time.wait is not None:
            self._time.wait = None
            self._answer(0)

    def _wake_by_input(self) -> bool:
        wait = self._time.wait
        if wait is None or not wait.wakes_on_input or not self.relay.typed:
            return False
        self.relay.typed = False
        self._end_wait()
        return True

    def _interrupt(self) -> None:
        """Pass a Ctrl-C on: by the answer to a request, or by a signal where none comes for a while."""
        if self._time.wait is not None:
            self._end_wait()
        elif time.monotonic() - max(self.relay.interrupted_s, self._last_request_s) > _SIGNAL_S:
            self.relay.interrupted_s = 0.0
            if self.interpreter is not None and not self.interpreter.reading_keys():
                self.interpreter.interrupt()

    def _begin_run(self, ready: Ready) -> None:
        self.relay.drain()
        if ready.stage == 0:
            self.shim_bytes = ready.shim_bytes
            self.ready = True
            self.relay.listen()
        elif self._raw_restart:
            self._raw_restart = False
            self.relay.console.begin_raw()
        self._answer(0)

    # ------------------------------------------------------------ time

    def after_time(self) -> None:
        """Let everything that depends on time have its turn; find out when to do so next."""
        now_us = self.board.now_us
        if self._events.watchdog_bites(now_us) and self.interpreter is not None:
            self._hard_reset()
        if self._events.collect(now_us, self.board):
            self._end_wait()
        if self.cast:
            self.cast.act(now_us)
            self.look_after_plug()
        dues = [due for due in (self._events.next_due_us(), self.cast.next_us()) if due is not None]
        self._look_us = min(dues, default=now_us + 1_000_000)
        if self._time.due():
            self._end_wait()

    def _move_time(self) -> int:
        """Move simulated time as far as the rules allow; return how long to wait for descriptors [wall ms]."""
        interpreter = self.interpreter
        if self.relay.interrupted_s:
            self._interrupt()
            return IDLE_MS if self.relay.interrupted_s else 0
        if self._wake_by_input():
            return 0
        since_request_s = time.monotonic() - self._last_request_s
        # Asking the terminal takes longer than the rest of a turn; who has just made a request is not at the prompt.
        computing = (
            interpreter is not None
            and self._time.wait is None
            and (since_request_s <= _SPIN_S or not interpreter.reading_keys())
        )
        pace = self.pace
        freely = False
        if pace is None and self.user_fd is not None:
            pace, freely = self.usb_pace, self.usb_pace is None
        elif pace is None and self.cast:
            freely = True
        elif pace is None and self.plugged:
            pace = self.usb_pace
        if freely:
            return IDLE_MS if computing else self._time.move_freely(alone=interpreter is None)
        if pace is not None:
            return self._time.move_paced(pace, busy=computing and since_request_s < _BUSY_S)
        self._time.stop()
        return IDLE_MS

    # ------------------------------------------------------------ turns

    def watch(self, fd: int, events: int) -> None:
        """Wait for these events of a descriptor (0: for none)."""
        if self._interest.get(fd, 0) == events:
            return
        if events:
            self._poller.register(fd, events)
            self._interest[fd] = events
        else:
            self._poller.unregister(fd)
            del self._interest[fd]

    def _look_after_ports(self) -> None:
        """See whether somebody has the port open, and watch those descriptors that have room."""
        fd = self.relay.port.open_fd() if self.plugged else None
        if fd != self.user_fd:
            self._forget_user()
            self.user_fd = fd
            self.port_was_opened = self.port_was_opened or fd is not None
        self.relay.flush()
        if self.user_fd is not None:
            self.watch(self.user_fd, select.POLLIN if self.relay.user_may_send() else 0)
        if self.interpreter is not None:
            self.watch(self.interpreter.terminal, select.POLLIN if self.relay.firmware_may_print() else 0)

    def turn(self) -> list[int]:
        """Do whatever there is to do, or wait a little while; return the other descriptors that have something."""
        timeout_ms = self._move_time()
        if time.monotonic() >= self._next_look_s or self.relay.pending():
            self.look_after_plug()
            self._look_after_ports()
            self._next_look_s = time.monotonic() + _LOOK_S
        interpreter = self.interpreter
        others = []
        for fd, _ in self._descriptors(timeout_ms):
            if interpreter is not None and fd in (interpreter.requests, interpreter.terminal):
                # What an ended run has left over is no business of the next one, which may have the same descriptors.
                if self.interpreter is interpreter:
                    self._attend(interpreter, fd)
            elif fd == self.user_fd:
                self.relay.from_user()
                self._look_after_ports()
            else:
                others.append(fd)
        return others

    def _attend(self, interpreter: Interpreter, fd: int) -> None:
        if fd == interpreter.requests:
            self._serve(interpreter)
        elif not self.relay.from_firmware() and interpreter.process.poll() is not None:
            self.watch(fd, 0)

    def _descriptors(self, timeout_ms: int) -> list[tuple[int, int]]:
        """Wait for descriptors, first without sleeping while the firmware is about to make its next request."""
        if timeout_ms and self._time.wait is None and time.monotonic() - self._last_request_s < _SPIN_S:
            for _ in range(_SPINS):
                if found := self._poller.poll(0):
                    return found
        return self._poller.poll(timeout_ms)
