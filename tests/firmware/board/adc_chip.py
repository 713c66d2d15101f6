"""A double of the ADS1220 on its bus: registers and commands by the data sheet, conversions from a script.

Source of codes and reset values: Texas Instruments SBAS501C, 8.5.3 and 8.6.
"""

import time


class AdcChip:
    """Takes the place of SPI, chip select and data-ready; hands out `codes` one a conversion, the last for ever."""

    def __init__(self, codes=(0,), mute=False, busy_us=0):
        """mute: no conversion ends; busy_us: extra [us]."""
        self.registers = [0x55, 0x55, 0x55, 0x54]
        self.codes = list(codes)
        self.mute = mute
        self.busy_us = busy_us
        self.log = []
        self.selected = False
        self.ready_us = None

    # chip select and data-ready pins

    def cs(self, level):
        self.selected = not level

    def drdy(self):
        if self.mute or self.ready_us is None:
            return 1
        return 0 if time.ticks_diff(time.ticks_us(), self.ready_us) >= 0 else 1

    # bus

    def write(self, data):
        self._take(data, None)

    def write_readinto(self, data, into):
        self._take(data, into)

    def _take(self, data, into):
        assert self.selected
        command = data[0]
        first = command >> 2 & 3
        count = (command & 3) + 1
        if command & 0xF0 == 0x40:
            for index in range(count):
                self.registers[first + index] = data[1 + index]
            self.log.append(("write", first, bytes(data[1 : 1 + count])))
        elif command & 0xF0 == 0x20:
            for index in range(count):
                into[1 + index] = self.registers[first + index]
        elif command & 0xFE == 0x06:
            self.registers = [0, 0, 0, 0]
            self.log.append(("reset",))
        elif command & 0xFE == 0x08:
            self.ready_us = time.ticks_add(time.ticks_us(), self.busy_us)
            self.log.append(("start", bytes(self.registers)))
        elif command & 0xF0 == 0x10:
            code = self.codes.pop(0) if len(self.codes) > 1 else self.codes[0]
            code &= 0xFFFFFF
            into[1] = code >> 16
            into[2] = code >> 8 & 0xFF
            into[3] = code & 0xFF
        else:
            raise AssertionError(f"unknown command {command:02x}")


class Wire:
    """A bus on which nothing answers: every bit reads the same."""

    def __init__(self, level):
        self.byte = 0xFF if level else 0

    def drdy(self):
        return self.byte & 1

    def write(self, data):
        pass

    def write_readinto(self, data, into):
        for index in range(len(into)):
            into[index] = self.byte
