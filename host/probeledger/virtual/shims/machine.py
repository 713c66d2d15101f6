"""The module `machine` of the RP2 port with its classes, constants and errors, on virtual hardware.

Messages follow the port's modmachine.c, machine_rtc.c, machine_timer.c and machine_wdt.c (MicroPython 1.28, board
RPI_PICO). What the tester does not use (UART, PIO, DMA, USB device) is absent.
"""

import _vwire
from _vbuses import I2C, SPI  # noqa: F401
from _vpins import ADC, CORE_HZ, PWM, Pin  # noqa: F401
from _vwire import do, fetch
from micropython import const

PWRON_RESET = 1
WDT_RESET = 3

_WDT_MS_MAX = const(8388)
_freq_hz = CORE_HZ


class RTC:
    """The board's own clock; it forgets the time when power goes."""

    def __init__(self, id=0):
        if id != 0:
            raise ValueError("RTC(%d) doesn't exist" % id)

    def datetime(self, when=None):
        """Return or set (year, month, day, weekday, hours, minutes, seconds, subseconds)."""
        import time

        if when is None:
            t = time.gmtime()
            return (t[0], t[1], t[2], t[6], t[3], t[4], t[5], 0)
        if len(when) != 8:
            raise ValueError("requested length 8 but object has length %d" % len(when))
        epoch_s = int(time.mktime((when[0], when[1], when[2], when[4], when[5], when[6], 0, 0)))
        _vwire.rtc_base_us = epoch_s * 1_000_000 - _vwire.now_us
        do(_vwire.RTC_SET, _vwire.rtc_base_us)


class Timer:
    """A software timer."""

    ONE_SHOT = 0
    PERIODIC = 1

    def __init__(self, id=-1, **kwargs):
        if id != -1:
            raise ValueError("Timer doesn't exist")
        self._bit = -1
        if kwargs:
            self.init(**kwargs)

    def init(self, *, mode=1, freq=-1, period=-1, callback=None, tick_hz=1000, hard=False):
        """Start: call `callback(timer)` after `period` ms, once or again and again."""
        self.deinit()
        if freq != -1:
            period_us = int(1_000_000 / freq)
        else:
            period_us = period * 1_000_000 // tick_hz
        bit = 32
        while bit in _vwire.handlers:
            bit += 1
        if bit > 59:
            raise OSError(12)
        self._bit = bit
        self._callback = callback
        self._once = mode == 0
        _vwire.handlers[bit] = (Timer._fire, self)
        do(_vwire.TIMER_START, bit | (1 if self._once else 0) << 8, max(period_us, 1))

    def _fire(self):
        if self._once:
            _vwire.handlers.pop(self._bit, None)
            self._bit = -1
        if self._callback is not None:
            self._callback(self)

    def deinit(self):
        """Stop."""
        if self._bit >= 0:
            do(_vwire.TIMER_STOP, self._bit)
            _vwire.handlers.pop(self._bit, None)
            self._bit = -1


class WDT:
    """The watchdog: resets the board when it is not fed in time. It cannot be stopped."""

    def __init__(self, id=0, timeout=5000):
        if id != 0:
            raise ValueError("WDT(%d) doesn't exist" % id)
        if timeout < 1:
            raise ValueError("WDT timeout too short")
        if timeout > _WDT_MS_MAX:
            raise ValueError("timeout exceeds 8388")
        do(_vwire.WDT_START, timeout * 1000)

    def feed(self):
        """Start the time anew."""
        do(_vwire.WDT_FEED)


def unique_id():
    """Return the eight bytes of the board's own number."""
    into = bytearray(8)
    fetch(_vwire.UNIQUE_ID, 0, 0, into)
    return bytes(into)


def freq(hz=None, peripheral_hz=None):
    """Return or set the frequency of the processor (it has no effect on the speed of this one)."""
    global _freq_hz
    if hz is None:
        return _freq_hz
    if not 10_000_000 <= hz <= 270_000_000:
        raise ValueError("cannot change frequency")
    _freq_hz = hz


def reset():
    """Reset the board as the watchdog does."""
    do(_vwire.RESET, 1)


def soft_reset():
    """Start the interpreter anew."""
    raise SystemExit


def bootloader(timeout=0):
    """Leave for the boot loader: this board then does nothing until its power is cut."""
    do(_vwire.RESET, 2)


def reset_cause():
    """Return PWRON_RESET or WDT_RESET."""
    return do(_vwire.RESET_CAUSE)


def idle():
    """Wait for anything, at most a millisecond."""
    _vwire.wait(1000)


def lightsleep(ms=None):
    """Sleep `ms` milliseconds, or until a pin wakes the board."""
    if ms is None:
        _vwire.wait(-1)
    else:
        _vwire.sleep_us(ms * 1000)


def deepsleep(ms=None):
    """Sleep, then reset."""
    lightsleep(ms)
    reset()


def disable_irq():
    """Hold back the handlers of pins and timers; return what `enable_irq` wants."""
    return _vwire.enable(False)


def enable_irq(state=True):
    """Let the handlers run again."""
    _vwire.enable(bool(state))
