"""Checks of the converter's driver against a double of the chip.

Codes, registers and times: Texas Instruments SBAS501C, tables 11, 14, 16 to 19, section 8.3.13.
"""

import gc

import micropython
from adc_chip import AdcChip, Wire

from parts import ads1220
from parts.ads1220 import AdcFault, Ads1220


def made(*args, **kwargs):
    chip = AdcChip(*args, **kwargs)
    return chip, Ads1220(chip, chip.cs, chip.drdy)


def refused(code, action, *args):
    try:
        action(*args)
    except AdcFault as error:
        assert error.code == code, error.code
        assert error.message.endswith(".")
        return
    raise AssertionError("no error " + code)


def check_absent_chip():
    for level in (0, 1):
        wire = Wire(level)
        refused("adc-missing", Ads1220, wire, lambda value: None, wire.drdy)


def check_silent_chip():
    refused("adc-silent", made, (0,), True)


def check_lost_registers_are_noticed():
    chip, adc = made()
    adc.verify()
    chip.registers = [0, 0, 0, 0]
    refused("adc-registers", adc.verify)


def check_inputs_gain_and_amplifier():
    chip, adc = made()
    # MUX[7:4], GAIN[3:1], PGA_BYPASS[0]
    for mux, gain, bypass, expected in (
        (ads1220.AIN0_AIN3, 1, True, 0x21),
        (ads1220.AIN1_AIN2, 2, False, 0x32),
        (ads1220.AIN1_AIN2, 4, False, 0x34),
        (ads1220.AIN2_AVSS, 4, True, 0xA5),
        (ads1220.REFP0_REFN0, 1, True, 0xC1),
    ):
        adc.select(mux, gain, bypass)
        assert chip.registers[0] == expected, (chip.registers, expected)
        # The monitor names the pair that it looks at; all else is read against the supply (VREF[7:6]).
        assert chip.registers[2] >> 6 == (1 if mux == ads1220.REFP0_REFN0 else 3)


def check_rates_and_modes():
    chip, adc = made()
    # DR[7:5], MODE[4:3], CM[2], TS[1], BCS[0]; 50/60[5:4] of register 2 at 20 a second only
    adc.setup(20)
    assert chip.registers[1] == 0x00 and chip.registers[2] & 0x30 == 0x10
    assert adc.rest_ms == 48  # of 50.0 ms
    adc.setup(330)
    assert chip.registers[1] == 0x80 and chip.registers[2] & 0x30 == 0
    adc.setup(175, turbo=True, continuous=True)
    assert chip.registers[1] == 0x74 and chip.registers[2] & 0x30 == 0
    adc.setup(90, burn_out=True)
    assert chip.registers[1] == 0x41


def check_only_changes_are_written():
    chip, adc = made()
    adc.setup(1000)
    adc.select(ads1220.AIN0_AIN3, 4, False)
    written = len(chip.log)
    adc.setup(1000)
    adc.select(ads1220.AIN0_AIN3, 4, False)
    assert len(chip.log) == written


def check_counts_are_signed():
    # Table 13: the ends of the scale and one count to either side of zero
    values = (0x7FFFFF, 0x000001, 0x000000, 0xFFFFFF, 0x800000)
    chip, adc = made((0,) + values + (0,))
    adc.setup(1000)
    assert [adc.convert() for _ in values] == [8388607, 1, 0, -1, -8388608]
    assert ads1220.saturated(8388607) and ads1220.saturated(-8388608) and not ads1220.saturated(8388606)


def check_temperature_codes():
    # Section 8.3.13, table 12
    for code, celsius in ((0x320000, 100), (0x0C8000, 25), (0x002000, 0.25), (0xFFE000, -0.25), (0xF38000, -25)):
        chip, adc = made((0, code))
        adc.setup(1000)
        if celsius < 100:
            assert adc.celsius() == celsius
        else:
            refused("adc-temperature", adc.celsius)
        assert chip.registers[1] & 0x02 == 0


def check_monitor_scale():
    # (AVDD - AVSS) / 4 against 2.048 V: 3.3 V is 0.40283 of the scale.
    code = round(3.3 / 4 / 2.048 * 8388608)
    chip, adc = made((0, code))
    adc.setup(1000)
    assert abs(adc.monitor_microvolts(ads1220.AVDD_AVSS) - 3300000) <= 1
    assert ads1220.microvolts_of_monitor(-code) in (-3300000, -3299999, -3300001)


def check_late_conversion_within_the_deadline():
    chip, adc = made((0, 77), busy_us=5000)
    adc.setup(1000)
    assert adc.convert() == 77


def check_conversions_allocate_nothing():
    quiet = Quiet()
    adc = Ads1220(quiet, quiet.cs, quiet.drdy)
    adc.setup(1000)
    gc.collect()
    micropython.heap_lock()
    try:
        for index in range(10):
            adc.select(ads1220.AIN0_AIN3 if index & 1 else ads1220.REFP0_REFN0, 4, True)
            adc.convert()
            adc.next()
    finally:
        micropython.heap_unlock()


class Quiet:
    """A chip double that allocates nothing itself."""

    def __init__(self):
        self.registers = bytearray(4)
        self.level = 1

    def cs(self, level):
        self.level = level

    def drdy(self):
        return 0

    def write(self, data):
        command = data[0]
        if command & 0xF0 == 0x40:
            first = command >> 2 & 3
            for index in range((command & 3) + 1):
                self.registers[first + index] = data[1 + index]
        elif command == 0x06:
            for index in range(4):
                self.registers[index] = 0

    def write_readinto(self, data, into):
        if data[0] & 0xF0 == 0x20:
            for index in range(4):
                into[1 + index] = self.registers[index]
        else:
            into[1] = 1
            into[2] = 2
            into[3] = 3
