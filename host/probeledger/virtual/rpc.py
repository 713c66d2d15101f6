"""The requests of the firmware's `machine`, `time` and `select`, carried out on the virtual board.

Request: four little-endian 64-bit integers (operation, a, b, microseconds that passed at the firmware's side), then a
payload for the operations that send one. Answer: three (value, event bits, microseconds since power-on), then a payload
whose length follows from the request. `shims/_vwire.py` is the other end; a test compares the two lists of operations.

Every operation takes simulated time: a few microseconds of processor here, and the bits on the wire, which the board
lets pass itself.
"""

from __future__ import annotations

import errno
import struct
from collections.abc import Callable
from enum import IntEnum
from typing import NamedTuple, Protocol

from .events import Events

__all__ = [
    "ANSWER",
    "INTERRUPT",
    "REQUEST",
    "RESYNC_ANSWER",
    "RESYNC_REQUEST",
    "Answer",
    "Board",
    "Operation",
    "Peripherals",
    "Ready",
    "Reset",
    "Wait",
    "payload_bytes",
]

REQUEST = struct.Struct("<4q")
ANSWER = struct.Struct("<3q")

# Event bit: Ctrl-C was typed.
INTERRUPT = 1 << 60
# A firmware that was interrupted in the middle of a request sends this behind whatever it had sent, and reads up to the
# answer.
_MARK = 0x5EC0DE5EC0DE5EA7
RESYNC_REQUEST = REQUEST.pack(29, _MARK, _MARK, _MARK)
RESYNC_ANSWER = ANSWER.pack(_MARK, _MARK, _MARK)

# Processor time of one call of a method of `machine` on an RP2040 at 125 MHz, roughly (from memory).
_CALL_US = 3
_BUS_OVERHEAD_US = 8
# A loop that reads one pin until it changes is carried to the next change in larger and larger steps: after this many
# equal readings, at most this far at once. Its timing is coarser than on the board by at most that.
_SPIN_READS = 8
_SPIN_STEP_US = 200


class Operation(IntEnum):
    """What the firmware's side can ask for."""

    HELLO = 1
    SYNC = 2
    SLEEP = 3
    POLL = 4
    PIN_CONFIGURE = 5
    PIN_WRITE = 6
    PIN_READ = 7
    SPI_CONFIGURE = 8
    SPI_TRANSFER = 9
    SPI_WRITE = 10
    SPI_READ = 11
    I2C_CONFIGURE = 12
    I2C_WRITE = 13
    I2C_READ = 14
    I2C_SCAN = 15
    ADC_READ = 16
    PWM_SET = 17
    RTC_SET = 18
    WDT_START = 19
    WDT_FEED = 20
    TIMER_START = 21
    TIMER_STOP = 22
    IRQ_SET = 23
    IRQ_FLAGS = 24
    RESET = 25
    UNIQUE_ID = 26
    RESET_CAUSE = 27
    READY = 28
    RESYNC = 29


class Answer(NamedTuple):
    """An answer to send at once."""

    value: int = 0
    payload: bytes = b""


class Wait(NamedTuple):
    """A request that is answered when its time [us of the board] comes, or earlier; None waits without end."""

    deadline_us: int | None
    wakes_on_input: bool


class Reset(NamedTuple):
    """A request that is never answered: 0 starts the interpreter anew, 1 the board, 2 leaves for the boot loader."""

    kind: int


class Ready(NamedTuple):
    """News of the start: stage 0 before boot.py with the heap that the shims take [bytes], 1 before the prompt."""

    stage: int
    shim_bytes: int


Outcome = Answer | Wait | Reset | Ready


class Board(Protocol):
    """The hardware that the requests act on (see `board.VirtualBoard`)."""

    @property
    def now_us(self) -> int:
        """Return the simulated time [us]."""

    def advance(self, us: int) -> None:
        """Let time pass [us]."""

    def next_event_us(self) -> int | None:
        """Return when a pin changes next by itself [us], or None."""

    def gpio_configure(self, pin: int, mode: str, pull: str | None = None, value: int | None = None) -> None:
        """Set a pin's mode, pull and level."""

    def gpio_write(self, pin: int, value: int) -> None:
        """Drive a pin."""

    def gpio_read(self, pin: int) -> int:
        """Read a pin."""

    def spi_configure(self, bus: int, hz: int, polarity: int, phase: int) -> None:
        """Set an SPI block's clock and mode."""

    def spi_transfer(self, bus: int, data: bytes) -> bytes:
        """Exchange bytes; takes the bits' time."""

    def i2c_write(self, address: int, data: bytes) -> None:
        """Write to an I2C chip."""

    def i2c_read(self, address: int, count: int) -> bytes:
        """Read from an I2C chip."""

    def i2c_scan(self) -> list[int]:
        """Return the addresses that answer."""

    def adc_read_u16(self, pin: int) -> int:
        """Read the board's own ADC."""

    def pwm(self, pin: int, hz: int, duty_u16: int) -> None:
        """Start or stop a PWM output."""

    def reset_pins(self) -> None:
        """Make every pin an input without pull."""

    def power_off(self) -> None:
        """Take the supply away."""

    def power_on(self) -> None:
        """Give the supply back."""

    def save(self) -> None:
        """Write what survives a power cut to its files."""

    def close(self) -> None:
        """Save and close the files."""


_SENDS = frozenset({Operation.SPI_TRANSFER, Operation.SPI_WRITE, Operation.I2C_WRITE})


def payload_bytes(operation: int, b: int) -> int:
    """Return how many bytes follow a request's header."""
    return b if operation in _SENDS else 0


class Peripherals:
    """Carry out requests on the board. Keeps what belongs to the microcontroller: buses, clock, timers, reset cause.

    Args: `board` is the hardware, `unique_id` the eight bytes of the microcontroller's number, `no_answer` the
    exception by which the board says that no I2C chip answered.
    """

    def __init__(self, board: Board, unique_id: bytes, no_answer: type[Exception]) -> None:
        self.board = board
        self.events = Events()
        self.reset_cause = 1
        self.boot_us = board.now_us
        self.rtc_base_us = _RTC_START_US
        self._unique_id = unique_id
        self._no_answer = no_answer
        self._tones: set[int] = set()
        self._spin_pin = -1
        self._spin_level = -1
        self._spins = 0

    def power_up(self, reset_cause: int) -> None:
        """Begin anew after a power-on (cause 1) or a reset by the watchdog or by software (cause 3)."""
        self.reset_cause = reset_cause
        self.boot_us = self.board.now_us
        self.rtc_base_us = _RTC_START_US
        self.events.clear()
        self._silence()

    def soft_reset(self) -> None:
        """Begin anew after the interpreter ended: pins keep their levels, clocks run on, tones stop."""
        self.events.clear(watchdog=False)
        self._silence()

    def _silence(self) -> None:
        for pin in self._tones:
            self.board.pwm(pin, 0, 0)
        self._tones.clear()

    def uptime_us(self) -> int:
        """Return the time since power-on [us]."""
        return self.board.now_us - self.boot_us

    def handle(self, operation: int, a: int, b: int, payload: bytes) -> Outcome:
        """Carry out one request; the time at the firmware's side has been let pass before."""
        if operation == Operation.PIN_READ:
            return self._pin_read(a)
        self._spin_pin = -1
        method = _METHODS.get(operation)
        if method is None:
            raise ValueError(f"request {operation} is unknown to this version")
        return method(self, a, b, payload)

    def _hello(self, a: int, b: int, payload: bytes) -> Outcome:
        return Answer(self.rtc_base_us)

    def _sync(self, a: int, b: int, payload: bytes) -> Outcome:
        return Answer()

    def _sleep(self, a: int, b: int, payload: bytes) -> Outcome:
        return Wait(self.board.now_us + a, False)

    def _poll(self, a: int, b: int, payload: bytes) -> Outcome:
        return Wait(None if a < 0 else self.board.now_us + a, True)

    def _pin_configure(self, a: int, b: int, payload: bytes) -> Outcome:
        pull = (None, "up", "down", "up")[a >> 16 & 3]
        self.board.gpio_configure(a & 0xFF, "out" if a >> 8 & 1 else "in", pull, None if b < 0 else b)
        self.board.advance(_CALL_US)
        return Answer()

    def _pin_write(self, a: int, b: int, payload: bytes) -> Outcome:
        self.board.gpio_write(a, b)
        self.board.advance(_CALL_US)
        return Answer()

    def _pin_read(self, pin: int) -> Outcome:
        board = self.board
        step_us = _CALL_US
        if pin == self._spin_pin and self._spins > _SPIN_READS:
            due_us = board.next_event_us()
            left_us = _SPIN_STEP_US if due_us is None else due_us - board.now_us
            step_us = max(_CALL_US, min(left_us, _SPIN_STEP_US))
        board.advance(step_us)
        level = board.gpio_read(pin)
        if pin == self._spin_pin and level == self._spin_level:
            self._spins += 1
        else:
            self._spin_pin, self._spin_level, self._spins = pin, level, 0
        return Answer(level)

    def _spi_configure(self, a: int, b: int, payload: bytes) -> Outcome:
        self.board.spi_configure(a & 0xFF, b, a >> 8 & 1, a >> 9 & 1)
        self.board.advance(_CALL_US)
        return Answer()

    def _spi(self, bus: int, data: bytes) -> bytes:
        self.board.advance(_BUS_OVERHEAD_US)
        return self.board.spi_transfer(bus, data)

    def _spi_transfer(self, a: int, b: int, payload: bytes) -> Outcome:
        return Answer(0, self._spi(a, payload))

    def _spi_write(self, a: int, b: int, payload: bytes) -> Outcome:
        self._spi(a, payload)
        return Answer()

    def _spi_read(self, a: int, b: int, payload: bytes) -> Outcome:
        return Answer(0, self._spi(a & 0xFF, bytes((a >> 8 & 0xFF,)) * b))

    def _i2c_configure(self, a: int, b: int, payload: bytes) -> Outcome:
        self.board.advance(_CALL_US)
        return Answer()

    def _i2c_write(self, a: int, b: int, payload: bytes) -> Outcome:
        self.board.advance(_BUS_OVERHEAD_US)
        try:
            self.board.i2c_write(a >> 8, payload)
        except self._no_answer:
            return Answer(-errno.EIO)
        return Answer(b)

    def _i2c_read(self, a: int, b: int, payload: bytes) -> Outcome:
        self.board.advance(_BUS_OVERHEAD_US)
        try:
            return Answer(b, self.board.i2c_read(a >> 8, b))
        except self._no_answer:
            return Answer(-errno.EIO, bytes(b))

    def _i2c_scan(self, a: int, b: int, payload: bytes) -> Outcome:
        # 112 addresses of 9 bits at 400 kHz, with the overhead of each.
        self.board.advance(112 * (_BUS_OVERHEAD_US + 23))
        bits = sum(1 << address for address in self.board.i2c_scan())
        return Answer(0, bits.to_bytes(16, "little"))

    def _adc_read(self, a: int, b: int, payload: bytes) -> Outcome:
        self.board.advance(_CALL_US)
        return Answer(self.board.adc_read_u16(a))

    def _pwm_set(self, a: int, b: int, payload: bytes) -> Outcome:
        pin, duty_u16 = a & 0xFF, a >> 8
        if b and duty_u16:
            self._tones.add(pin)
        else:
            self._tones.discard(pin)
        self.board.pwm(pin, b, duty_u16)
        self.board.advance(_CALL_US)
        return Answer()

    def _rtc_set(self, a: int, b: int, payload: bytes) -> Outcome:
        self.rtc_base_us = a
        return Answer()

    def _wdt_start(self, a: int, b: int, payload: bytes) -> Outcome:
        self.events.start_watchdog(self.board.now_us, a)
        return Answer()

    def _wdt_feed(self, a: int, b: int, payload: bytes) -> Outcome:
        self.board.advance(_CALL_US)
        self.events.feed_watchdog(self.board.now_us)
        return Answer()

    def _timer_start(self, a: int, b: int, payload: bytes) -> Outcome:
        self.events.start_timer(a & 0xFF, self.board.now_us, b, once=bool(a >> 8))
        return Answer()

    def _timer_stop(self, a: int, b: int, payload: bytes) -> Outcome:
        self.events.stop_timer(a)
        return Answer()

    def _irq_set(self, a: int, b: int, payload: bytes) -> Outcome:
        self.events.watch(a, b, self.board.gpio_read(a))
        return Answer()

    def _irq_flags(self, a: int, b: int, payload: bytes) -> Outcome:
        return Answer(self.events.flags(a))

    def _reset(self, a: int, b: int, payload: bytes) -> Outcome:
        return Reset(a)

    def _unique_id_of(self, a: int, b: int, payload: bytes) -> Outcome:
        return Answer(0, self._unique_id)

    def _reset_cause_of(self, a: int, b: int, payload: bytes) -> Outcome:
        return Answer(self.reset_cause)

    def _ready(self, a: int, b: int, payload: bytes) -> Outcome:
        return Ready(a, b)


# The RP2040's clock begins at 2021-01-01 00:00:00 when power comes (the RP2 port's main.c).
_RTC_START_US = 1_609_459_200 * 1_000_000

_METHODS: dict[int, Callable[[Peripherals, int, int, bytes], Outcome]] = {
    Operation.HELLO: Peripherals._hello,
    Operation.SYNC: Peripherals._sync,
    Operation.SLEEP: Peripherals._sleep,
    Operation.POLL: Peripherals._poll,
    Operation.PIN_CONFIGURE: Peripherals._pin_configure,
    Operation.PIN_WRITE: Peripherals._pin_write,
    Operation.SPI_CONFIGURE: Peripherals._spi_configure,
    Operation.SPI_TRANSFER: Peripherals._spi_transfer,
    Operation.SPI_WRITE: Peripherals._spi_write,
    Operation.SPI_READ: Peripherals._spi_read,
    Operation.I2C_CONFIGURE: Peripherals._i2c_configure,
    Operation.I2C_WRITE: Peripherals._i2c_write,
    Operation.I2C_READ: Peripherals._i2c_read,
    Operation.I2C_SCAN: Peripherals._i2c_scan,
    Operation.ADC_READ: Peripherals._adc_read,
    Operation.PWM_SET: Peripherals._pwm_set,
    Operation.RTC_SET: Peripherals._rtc_set,
    Operation.WDT_START: Peripherals._wdt_start,
    Operation.WDT_FEED: Peripherals._wdt_feed,
    Operation.TIMER_START: Peripherals._timer_start,
    Operation.TIMER_STOP: Peripherals._timer_stop,
    Operation.IRQ_SET: Peripherals._irq_set,
    Operation.IRQ_FLAGS: Peripherals._irq_flags,
    Operation.RESET: Peripherals._reset,
    Operation.UNIQUE_ID: Peripherals._unique_id_of,
    Operation.RESET_CAUSE: Peripherals._reset_cause_of,
    Operation.READY: Peripherals._ready,
}
