"""The DS3231 clock on I2C: calendar in BCD, oscillator-stop flag, temperature, a battery that keeps it going.

Source: Maxim DS3231 data sheet 19-5170 revision 10 (2015), register map figure 1, from memory.
"""

from __future__ import annotations

import calendar
import json
import time
from collections.abc import Callable
from pathlib import Path

REGISTERS = 0x13
# 2000-01-01 00:00:00 UTC, what the calendar shows when the oscillator has started without ever being set.
NEVER_SET_EPOCH_S = 946_684_800


def _bcd(number: int) -> int:
    return number // 10 << 4 | number % 10


def _number(bcd: int) -> int:
    return (bcd >> 4) * 10 + (bcd & 0x0F)


class Ds3231:
    """Be one clock.

    Args: `now_us` is the simulated time [us], `celsius` gives the chip's temperature [degrees C], `drift_ppm` its
    error of rate [ppm]; `state` is a file that keeps the time between runs (None: a new chip each time, flag set).
    """

    def __init__(
        self,
        now_us: Callable[[], int],
        celsius: Callable[[], float],
        drift_ppm: float = 0.0,
        state: Path | None = None,
    ) -> None:
        self._now_us = now_us
        self._celsius = celsius
        self._rate = 1.0 + drift_ppm * 1e-6
        self._state = state
        self.powered = True
        self.battery_dead = False
        self._pointer = 0
        self._alarms = bytearray(7)
        self._control = 0x1C
        self._aging = 0
        self._stopped_flag = True
        self._epoch_at_zero_s = float(NEVER_SET_EPOCH_S)
        if state is not None and state.exists():
            kept = json.loads(state.read_text(encoding="utf-8"))
            self._epoch_at_zero_s = float(kept["epoch_s"]) - self._elapsed_s()
            self._stopped_flag = bool(kept["stopped"])

    def _elapsed_s(self) -> float:
        return self._now_us() * 1e-6 * self._rate

    @property
    def epoch_s(self) -> float:
        """Return what the calendar shows now [s since 1970, UTC]."""
        return self._epoch_at_zero_s + self._elapsed_s()

    def set_epoch(self, epoch_s: float) -> None:
        """Set the calendar [s since 1970, UTC] as a host would, clearing the oscillator-stop flag."""
        self._epoch_at_zero_s = epoch_s - self._elapsed_s()
        self._stopped_flag = False

    @property
    def stopped_flag(self) -> bool:
        """Tell whether the oscillator has stopped since the flag was last cleared."""
        return self._stopped_flag

    def save(self) -> None:
        """Write the clock's state to its file."""
        if self._state is not None:
            kept = {"epoch_s": self.epoch_s, "stopped": self._stopped_flag}
            self._state.write_text(json.dumps(kept) + "\n", encoding="utf-8")

    def power_on(self) -> None:
        """Get the supply back."""
        self.powered = True
        self._pointer = 0

    def power_off(self) -> None:
        """Lose the supply; with a good battery the calendar runs on, else it is lost."""
        self.powered = False
        if self.battery_dead:
            self._stopped_flag = True
            self._epoch_at_zero_s = NEVER_SET_EPOCH_S - self._elapsed_s()

    # ------------------------------------------------------------ I2C

    def write(self, data: bytes) -> None:
        """Take an I2C write: the register's address, then values for it and the following ones."""
        if not data:
            return
        self._pointer = data[0] % REGISTERS
        fields = bytearray(self._calendar())
        touched = False
        for byte in data[1:]:
            if self._pointer <= 6:
                fields[self._pointer] = byte
                touched = True
            elif self._pointer <= 0x0D:
                self._alarms[self._pointer - 7] = byte
            elif self._pointer == 0x0E:
                self._control = byte
            elif self._pointer == 0x0F:
                # The flag can be cleared but not set by writing.
                self._stopped_flag = self._stopped_flag and bool(byte & 0x80)
            elif self._pointer == 0x10:
                self._aging = byte
            self._pointer = (self._pointer + 1) % REGISTERS
        if touched:
            self._set_calendar(fields)

    def read(self, count: int) -> bytes:
        """Answer an I2C read from the current register on."""
        sixteenths = round(self._celsius() * 4)
        registers = (
            bytes(self._calendar())
            + bytes(self._alarms)
            + bytes([self._control, (0x80 if self._stopped_flag else 0) | 0x08, self._aging])
            + bytes([(sixteenths >> 2) & 0xFF, (sixteenths & 3) << 6])
        )
        out = bytes(registers[(self._pointer + k) % REGISTERS] for k in range(count))
        self._pointer = (self._pointer + count) % REGISTERS
        return out

    def _calendar(self) -> list[int]:
        t = time.gmtime(int(self.epoch_s))
        century = 0x80 if t.tm_year >= 2100 else 0
        return [
            _bcd(t.tm_sec),
            _bcd(t.tm_min),
            _bcd(t.tm_hour),
            t.tm_wday + 1,
            _bcd(t.tm_mday),
            _bcd(t.tm_mon) | century,
            _bcd(t.tm_year % 100),
        ]

    def _set_calendar(self, fields: bytearray) -> None:
        hour = fields[2]
        if hour & 0x40:
            hours = _number(hour & 0x1F) % 12 + (12 if hour & 0x20 else 0)
        else:
            hours = _number(hour & 0x3F)
        year = 2000 + _number(fields[6]) + (100 if fields[5] & 0x80 else 0)
        month = min(max(_number(fields[5] & 0x1F), 1), 12)
        day = min(max(_number(fields[4] & 0x3F), 1), calendar.monthrange(year, month)[1])
        seconds = calendar.timegm(
            (year, month, day, hours, _number(fields[1] & 0x7F), _number(fields[0] & 0x7F), 0, 0, 0)
        )
        # Writing the seconds restarts the second.
        self._epoch_at_zero_s = seconds - self._elapsed_s()
