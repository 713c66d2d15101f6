"""The TMP117 temperature sensor on I2C: continuous, one-shot and shutdown modes with their times.

Source: Texas Instruments TMP117 data sheet SNOSD82 (2018), tables 7-1 and 7-2 and section 7.6, from memory.
"""

from __future__ import annotations

from collections.abc import Callable

DEVICE_ID = 0x0117
CELSIUS_PER_CODE = 0.0078125
CONFIG_RESET = 0x0220
READY = 0x2000
ONE_CONVERSION_US = 15_500
# Conversion cycle by the CONV field with one average; more averages stretch the short ones.
CYCLE_US = (15_500, 125_000, 250_000, 500_000, 1_000_000, 4_000_000, 8_000_000, 16_000_000)
AVERAGES = (1, 8, 32, 64)


class Tmp117:
    """Be one sensor.

    Args: `now_us` is the simulated time [us]; `celsius` gives the sensor's true temperature [degrees C], its own
    error included.
    """

    def __init__(self, now_us: Callable[[], int], celsius: Callable[[], float]) -> None:
        self._now_us = now_us
        self._celsius = celsius
        self.powered = True
        self.power_on()

    def power_on(self) -> None:
        """Come up after the supply: continuous, eight averages, a result every second."""
        self.powered = True
        self._pointer = 0
        self._config = CONFIG_RESET
        self._limits = {0x02: 0x6000, 0x03: 0x8000}
        self._result = -0x8000
        self._ready = False
        self._begun_us = self._now_us()

    def power_off(self) -> None:
        """Lose the supply."""
        self.powered = False

    @property
    def _mode(self) -> int:
        return (self._config >> 10) & 3

    def _active_us(self) -> int:
        return ONE_CONVERSION_US * AVERAGES[(self._config >> 5) & 3]

    def _cycle_us(self) -> int:
        return max(CYCLE_US[(self._config >> 7) & 7], self._active_us())

    def _catch_up(self) -> None:
        """Take the result of a conversion that has ended by now."""
        elapsed = self._now_us() - self._begun_us
        if elapsed < self._active_us() or self._mode == 1:
            return
        code = round(self._celsius() / CELSIUS_PER_CODE)
        self._result = max(-0x8000, min(0x7FFF, code))
        self._ready = True
        if self._mode == 3:
            # A one-shot ends in shutdown.
            self._config = (self._config & ~0x0C00) | 0x0400
        else:
            # The next result comes a cycle later.
            cycles = (elapsed - self._active_us()) // self._cycle_us() + 1
            self._begun_us += cycles * self._cycle_us()

    def write(self, data: bytes) -> None:
        """Take an I2C write: the register pointer, then a value of two bytes, high first."""
        if not data:
            return
        self._catch_up()
        self._pointer = data[0]
        if len(data) < 3:
            return
        value = data[1] << 8 | data[2]
        if self._pointer == 0x01:
            if value & 0x0002:
                self.power_on()
                return
            self._config = value & 0x0FFC
            self._begun_us = self._now_us()
            self._ready = False
        elif self._pointer in self._limits:
            self._limits[self._pointer] = value

    def read(self, count: int) -> bytes:
        """Answer an I2C read of the register that the pointer stands at."""
        self._catch_up()
        if self._pointer == 0x00:
            value = self._result & 0xFFFF
            self._ready = False
        elif self._pointer == 0x01:
            value = self._config | (READY if self._ready else 0)
            self._ready = False
        elif self._pointer == 0x0F:
            value = DEVICE_ID
        else:
            value = self._limits.get(self._pointer, 0)
        return (value.to_bytes(2, "big") * (count // 2 + 1))[:count]
