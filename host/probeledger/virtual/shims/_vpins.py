"""Pins of the RP2 port's `machine`: Pin, ADC and PWM.

Pin numbers and messages follow the port's machine_pin.c, machine_adc.c and machine_pwm.c (MicroPython 1.28).
"""

import _vwire
from _vwire import do
from micropython import const

# The processor's frequency on a board that nobody has changed.
CORE_HZ = const(125_000_000)


def pin_number(pin):
    if isinstance(pin, Pin):
        return pin.id
    if isinstance(pin, str):
        if pin == "LED":
            return 25
        digits = pin[4:] if pin.startswith("GPIO") else pin[2:] if pin.startswith("GP") else ""
        if digits.isdigit() and int(digits) < 30:
            return int(digits)
        raise ValueError('unknown named pin "%s"' % pin)
    if isinstance(pin, int) and 0 <= pin < 30:
        return pin
    raise ValueError("invalid pin")


class _PinIrq:
    def __init__(self, pin, trigger):
        self._pin = pin
        self._trigger = trigger

    def flags(self):
        """Return which edges were seen last."""
        return do(_vwire.IRQ_FLAGS, self._pin)

    def trigger(self, trigger=None):
        """Return the edges watched, or watch others."""
        before = self._trigger
        if trigger is not None:
            self._trigger = trigger
            do(_vwire.IRQ_SET, self._pin, trigger)
        return before


class Pin:
    """A GPIO pin. `value` does not allocate."""

    IN = 0
    OUT = 1
    OPEN_DRAIN = 2
    ALT = 3
    PULL_UP = 1
    PULL_DOWN = 2
    IRQ_FALLING = 4
    IRQ_RISING = 8

    # Every object of one pin shares its state, as on the board, where Pin(5) is one object.
    _modes = bytearray(b"\x03" * 30)
    _pulls = bytearray(30)

    def __init__(self, id, *args, **kwargs):
        self.id = pin_number(id)
        if args or kwargs:
            self.init(*args, **kwargs)

    def init(self, mode=-1, pull=None, *, value=None, alt=None):
        """Set mode, pull and the first level of an output."""
        if mode is None:
            mode = -1
        if mode not in (-1, 0, 1, 2, 3):
            raise ValueError("invalid pin af: %d" % (5 if alt is None else alt))
        Pin._pulls[self.id] = pull or 0
        if mode != -1:
            Pin._modes[self.id] = mode
        level = -1 if value is None else 1 if value else 0
        if Pin._modes[self.id] == 2:
            self._drain(1 if level == -1 else level)
        else:
            out = 1 if Pin._modes[self.id] == 1 else 0
            do(_vwire.PIN_CONFIGURE, self.id | out << 8 | Pin._pulls[self.id] << 16, level)

    def _drain(self, level):
        do(_vwire.PIN_CONFIGURE, self.id | (0 if level else 1) << 8 | Pin._pulls[self.id] << 16, 0)

    def value(self, level=None):
        """Return the level, or set it."""
        if level is None:
            return do(_vwire.PIN_READ, self.id)
        if Pin._modes[self.id] == 2:
            self._drain(level)
        else:
            do(_vwire.PIN_WRITE, self.id, 1 if level else 0)

    __call__ = value

    def on(self):
        """Drive the pin high."""
        self.value(1)

    def off(self):
        """Drive the pin low."""
        self.value(0)

    high = on
    low = off

    def toggle(self):
        """Invert the level."""
        self.value(0 if self.value() else 1)

    def irq(self, handler=None, trigger=12, *, hard=False, priority=1, wake=None):
        """Call `handler(pin)` soon after an edge."""
        if priority != 1:
            raise ValueError("priority must be 1")
        if handler is None:
            _vwire.handlers.pop(self.id, None)
            trigger = 0
        else:
            _vwire.handlers[self.id] = (handler, self)
        do(_vwire.IRQ_SET, self.id, trigger)
        return _PinIrq(self.id, trigger)

    def __eq__(self, other):
        return isinstance(other, Pin) and other.id == self.id

    def __hash__(self):
        return self.id

    def __repr__(self):
        mode = ("IN", "OUT", "OPEN_DRAIN", "ALT")[Pin._modes[self.id]]
        pull = ("", ", pull=PULL_UP", ", pull=PULL_DOWN", ", pull=PULL_UP|PULL_DOWN")[Pin._pulls[self.id] & 3]
        return "Pin(GPIO%d, mode=%s%s)" % (self.id, mode, pull)


class ADC:
    """A channel of the board's own coarse ADC."""

    CORE_TEMP = 4

    def __init__(self, source):
        if isinstance(source, int):
            if not (0 <= source <= 4 or 26 <= source <= 29):
                raise ValueError("invalid channel")
            self._pin = source + 26 if source < 4 else source
        else:
            self._pin = pin_number(source)
            if not 26 <= self._pin <= 29:
                raise ValueError("Pin doesn't have ADC capabilities")

    def read_u16(self):
        """Return the voltage, 65535 at the supply."""
        return do(_vwire.ADC_READ, self._pin)


class PWM:
    """A pin driven by a PWM slice."""

    def __init__(self, dest, freq=None, *, duty_u16=None, duty_ns=None, invert=0):
        self._pin = pin_number(dest)
        self._freq = 0
        self._duty = -1
        self.init(freq=freq, duty_u16=duty_u16, duty_ns=duty_ns)

    def init(self, *, freq=None, duty_u16=None, duty_ns=None, invert=0):
        """Change frequency and duty; it starts when both are known."""
        if freq is not None:
            if freq < 8:
                raise ValueError("freq too small")
            if freq > CORE_HZ // 2:
                raise ValueError("freq too large")
            self._freq = freq
        if duty_u16 is not None:
            self._duty = min(max(duty_u16, 0), 65535)
        if duty_ns is not None:
            duty = duty_ns * self._freq * 65535 // 1_000_000_000
            if duty > 65535:
                raise ValueError("duty larger than period")
            self._duty = duty
        self._set()

    def _set(self):
        if self._freq and self._duty >= 0:
            do(_vwire.PWM_SET, self._pin | self._duty << 8, self._freq)

    def freq(self, hz=None):
        """Return or set the frequency."""
        if hz is None:
            return self._freq
        self.init(freq=hz)

    def duty_u16(self, duty=None):
        """Return or set the duty, 65535 for always on."""
        if duty is None:
            return max(self._duty, 0)
        self.init(duty_u16=duty)

    def duty_ns(self, ns=None):
        """Return or set the time on in each period."""
        if ns is None:
            return max(self._duty, 0) * 1_000_000_000 // (65535 * self._freq) if self._freq else 0
        self.init(duty_ns=ns)

    def deinit(self):
        """Stop the slice."""
        do(_vwire.PWM_SET, self._pin, 0)
