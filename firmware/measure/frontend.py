"""The front end: which pins drive what. Every drive of the tester goes through `FrontEnd.drive`.

Nets: pin A drives T through RG_A and RP_A, pin B drives F- through RG_B and RP_B, pin H drives T through 100 kohm, pins
C and J drive the two jaws of the chassis clip through 100 kohm each. T and F+ are the ends of the reference resistor.

Rules:
1. A state is left through OFF: all five pins are inputs before one of them becomes an output, so that no two outputs
   ever meet in a mixture of two states.
2. A state with an output is entered only after a look at the leads with the drivers off found no foreign voltage, and
   only for as long as that look counts (`LOOK_VALID_MS`). `lock` closes until the next clean look.
3. Pull resistors are no drive: the pins stay inputs, and they give at most 55 uA. They load the leads while a voltage
   is examined, locked or not, and make the faint current.
"""

from asyncio import Lock
from time import ticks_diff, ticks_ms

from machine import Pin
from micropython import const

import board
from probecore.errors import ProbeError

# Levels in the table below. Z: input without a pull resistor.
_Z = const(2)
_UP = const(3)
_DOWN = const(4)

# Pins in the order A, B, H, C, J.
OFF = (_Z, _Z, _Z, _Z, _Z)
# Low range: the loop current flows T, F+, probe, F- (forward), or the other way.
FORWARD = (1, 0, _Z, _Z, _Z)
REVERSE = (0, 1, _Z, _Z, _Z)
# High range: the same loop, driven through 100 kohm.
HIGH_FORWARD = (_Z, 0, 1, _Z, _Z)
HIGH_REVERSE = (_Z, 1, 0, _Z, _Z)
# The same loop at a hundredth of the power: through the pull resistors of both pins. Both sides being alike, the probe
# stays at half the supply in either direction, where the converter's amplifier works.
FAINT_FORWARD = (_UP, _DOWN, _Z, _Z, _Z)
FAINT_REVERSE = (_DOWN, _UP, _Z, _Z, _Z)
# Both ends of the probe at one rail: for the check of the sense jaws.
RAIL_LOW = (0, 0, _Z, _Z, _Z)
RAIL_HIGH = (1, 1, _Z, _Z, _Z)
# Isolation: both ends of the probe at one rail, the chassis at the same rail, then at the other.
ISOLATION_LOW = (0, 0, _Z, 0, 0)
ISOLATION_LOW_TOGGLED = (0, 0, _Z, 1, 1)
ISOLATION_HIGH = (1, 1, _Z, 1, 1)
ISOLATION_HIGH_TOGGLED = (1, 1, _Z, 0, 0)
# Contact: a current from jaw to jaw, both ways; then both jaws up and both down.
JAW_FORWARD = (_Z, _Z, _Z, 1, 0)
JAW_REVERSE = (_Z, _Z, _Z, 0, 1)
JAWS_HIGH = (_Z, _Z, _Z, 1, 1)
JAWS_LOW = (_Z, _Z, _Z, 0, 0)
# Load steps for a foreign voltage. With both jaws driven (33 uA each at most), below 2 V only ...
LOAD_LOW = (_DOWN, _DOWN, _Z, 0, 0)
LOAD_HIGH = (_UP, _UP, _Z, 1, 1)
# ... and with pull resistors alone, at any voltage: all down, all up, and every loop in the middle, where an
# alternating voltage has the most room.
PULLS_LOW = (_DOWN, _DOWN, _Z, _DOWN, _DOWN)
PULLS_HIGH = (_UP, _UP, _Z, _UP, _UP)
PULLS_MIDDLE = (_UP, _DOWN, _Z, _UP, _DOWN)

STATES = {
    "off": OFF,
    "forward": FORWARD,
    "reverse": REVERSE,
    "high-forward": HIGH_FORWARD,
    "high-reverse": HIGH_REVERSE,
    "faint-forward": FAINT_FORWARD,
    "faint-reverse": FAINT_REVERSE,
    "rail-low": RAIL_LOW,
    "rail-high": RAIL_HIGH,
    "isolation-low": ISOLATION_LOW,
    "isolation-low-toggled": ISOLATION_LOW_TOGGLED,
    "isolation-high": ISOLATION_HIGH,
    "isolation-high-toggled": ISOLATION_HIGH_TOGGLED,
    "jaw-forward": JAW_FORWARD,
    "jaw-reverse": JAW_REVERSE,
    "jaws-high": JAWS_HIGH,
    "jaws-low": JAWS_LOW,
    "load-low": LOAD_LOW,
    "load-high": LOAD_HIGH,
    "pulls-low": PULLS_LOW,
    "pulls-high": PULLS_HIGH,
    "pulls-middle": PULLS_MIDDLE,
}

# A clean look counts for so long. In a long measurement the leads are looked at again between readings.
LOOK_VALID_MS = 60000

# Waits after a change of drive. The low range's suits everything driven through a few kilohm; what hangs on 100 kohm or
# more takes the high range's.
SETTLE_LOW_MS = (board.SETTLE_LOW_US + 999) // 1000
SETTLE_HIGH_MS = (board.SETTLE_HIGH_US + 999) // 1000
# With the drivers off, leads hang on 235 kohm, and a loose sense input on its tie of 470 kohm: to a thousandth.
SETTLE_OFF_MS = (board.SETTLE_OFF_US + 999) // 1000
# Two-wire leads without sense jaws: the sense inputs hang on their ties, to a millionth.
SETTLE_TIED_MS = (board.SETTLE_TIED_US + 999) // 1000

# Above this, no drive pin becomes an output.
LOAD_LIMIT_VOLTS = 2.0

NOT_LOOKED = "not-looked"


def is_driven(state):
    """Tell whether a state makes any drive pin an output. Allocates nothing."""
    for level in state:
        if level < _Z:
            return True
    return False


class DriveRefused(ProbeError):
    """The drivers stay off: a foreign voltage was seen, or the leads have not been looked at lately."""


class FrontEnd:
    """The five drive pins, the jaw switch and the converter; `lock_bus` is held while a measurement runs."""

    def __init__(self, adc):
        """Take the pins, all as inputs; nothing drives until a look was clean. adc: Ads1220."""
        self.adc = adc
        self.lock_bus = Lock()
        self._pins = (
            Pin(board.PIN_DRIVE_A, Pin.IN),
            Pin(board.PIN_DRIVE_B, Pin.IN),
            Pin(board.PIN_DRIVE_HIGH_RANGE, Pin.IN),
            Pin(board.PIN_DRIVE_CHASSIS, Pin.IN),
            Pin(board.PIN_DRIVE_JAW, Pin.IN),
        )
        self._jaw_select = Pin(board.PIN_JAW_SELECT, Pin.OUT, value=0)
        self.state = OFF
        self.locked: str | None = NOT_LOOKED
        self._looked_ms = ticks_ms()

    def off(self):
        """Make all drive pins inputs without pull resistors. Allocates nothing."""
        for pin in self._pins:
            pin.init(Pin.IN)
        self.state = OFF

    def drive(self, state):
        """Enter a state of the table, through OFF. Allocates nothing; the caller waits for the leads to settle.

        Raises DriveRefused for a state with an output while locked or when the last look is too old.
        """
        if is_driven(state):
            self._check_may_drive()
        self._enter(state)

    def load(self, state, seen_volts):
        """Enter a load step while a voltage is examined, locked or not. seen_volts: the largest seen without load [V].

        Raises DriveRefused when the state drives a jaw and the voltage is LOAD_LIMIT_VOLTS or more.
        """
        if is_driven(state) and (state not in (LOAD_LOW, LOAD_HIGH) or seen_volts >= LOAD_LIMIT_VOLTS):
            raise DriveRefused("voltage-on-leads", "The drivers stay off: %.1f V on the leads." % seen_volts)
        self._enter(state)

    def _enter(self, state):
        self.off()
        pins = self._pins
        for index in range(5):
            level = state[index]
            if level == _Z:
                continue
            if level == _UP:
                pins[index].init(Pin.IN, Pin.PULL_UP)
            elif level == _DOWN:
                pins[index].init(Pin.IN, Pin.PULL_DOWN)
            else:
                pins[index].init(Pin.OUT, value=level)
        self.state = state

    def _check_may_drive(self):
        if self.locked:
            raise DriveRefused(
                "voltage-on-leads" if self.locked != NOT_LOOKED else NOT_LOOKED,
                "The drivers stay off: %s."
                % ("the leads have not been looked at yet" if self.locked == NOT_LOOKED else self.locked),
            )
        if ticks_diff(ticks_ms(), self._looked_ms) > LOOK_VALID_MS:
            raise DriveRefused(NOT_LOOKED, "The drivers stay off: the last look at the leads is too long ago.")

    def lock(self, reason):
        """Switch the drivers off and keep them off until the next clean look. reason: text for a person."""
        self.off()
        self.locked = reason

    def clean(self):
        """Note that a look found no foreign voltage: the drivers may be used from now for LOOK_VALID_MS."""
        self.locked = None
        self._looked_ms = ticks_ms()

    def select_jaw(self, second):
        """Put the converter's REFN0 on jaw 2 (1) or on ground (0). Allocates nothing."""
        self._jaw_select(second)
