"""ADS1220 24-bit delta-sigma converter: registers, conversions and the checks that the chip is really there.

Source: Texas Instruments SBAS501C (called DS below). Serial interface in mode 1 (DS 8.5.1), commands (DS 8.5.3),
registers (DS 8.6), conversion times (DS 8.3.5, table 11).

The four registers are cached; only what changed is written. `select`, `start`, `finish` and `convert` allocate nothing
and may run with the heap locked, so that a sampling loop is never held up by the garbage collector. The other methods
may allocate. Nothing here may be called from an interrupt.
"""

from time import sleep_us, ticks_diff, ticks_us

from micropython import const

from .fault import PartError

# DS 8.5.3, table 14
_RESET = const(0x06)
_START = const(0x08)
_RDATA = const(0x10)
_RREG_ALL = const(0x23)
_WREG_ALL = const(0x43)
_WREG = const(0x40)

# DS 8.6, table 16, MUX[3:0]: what is measured against what.
AIN0_AIN1 = 0x00
AIN0_AIN2 = 0x10
AIN0_AIN3 = 0x20
AIN1_AIN2 = 0x30
AIN1_AIN3 = 0x40
AIN2_AIN3 = 0x50
AIN1_AIN0 = 0x60
AIN3_AIN2 = 0x70
AIN0_AVSS = 0x80
AIN1_AVSS = 0x90
AIN2_AVSS = 0xA0
AIN3_AVSS = 0xB0
REFP0_REFN0 = 0xC0  # divided by four, against the internal reference (DS 8.3.11)
AVDD_AVSS = 0xD0  # likewise
SHORTED = 0xE0  # both inputs at half the supply (DS 8.3.12)

_BYPASS = const(0x01)
_TURBO = const(0x10)
_CONTINUOUS = const(0x04)
_TEMPERATURE = const(0x02)
_BURN_OUT = const(0x01)
_REFERENCE_AVDD = const(0xC0)
_REFERENCE_REFP0 = const(0x40)
_REJECT_50_60 = const(0x10)

# DS 8.6, table 17: DR[2:0] by samples a second in normal mode; turbo mode has twice as many.
RATES_HZ = (20, 45, 90, 175, 330, 600, 1000)

# DS 8.3.5, table 11: periods of the 4.096 MHz clock for one conversion in normal mode; half of it in turbo mode.
_CONVERSION_CLOCKS = (204768, 91120, 46128, 23664, 12464, 6896, 4144)
_CLOCKS_PER_1000_US = const(4096)

# A single shot wakes the oscillator first (DS 8.4.2.1: 50 us), then waits 210 clock periods (51 us) before it samples.
_WAKE_US = const(102)

# The internal clock is good to 2 % (DS 6.5); half a per cent is ours. What is late beyond that plus the time in which
# another task may hold the processor is a chip that does not answer.
_EARLY_PER_MILLE = const(975)
_LATE_PER_MILLE = const(1025)
DEADLINE_EXTRA_US = 20000

# DS 8.4.1: 50 us and 32 clock periods after a reset, taken generously.
_RESET_US = const(200)

FULL_SCALE_COUNTS = 8388607
_SIGN_BIT = const(0x800000)
_WRAP = const(0x1000000)

# A chip at any temperature of the case reads within these; outside, the reading is nonsense.
_COLDEST_CELSIUS = const(-40)
_HOTTEST_CELSIUS = const(100)


class AdcFault(PartError):
    """The converter is absent, silent or answers nonsense: no reading of it may be used."""


class Ads1220:
    """One ADS1220 on an SPI bus of its own settings, with chip select and data-ready pins."""

    def __init__(self, spi, cs, drdy):
        """Reset the chip and check that it is there: registers keep what is written, a conversion ends in time.

        spi: machine.SPI, mode 1, at most 6.67 MHz; cs: output pin, high; drdy: input pin. Blocks for about 3 ms.
        Raises AdcFault with code "adc-missing" or "adc-registers" when the registers don't keep what was written,
        "adc-silent" when no conversion ends.
        """
        self._spi = spi
        self._cs = cs
        self._drdy = drdy
        self._command = bytearray(1)
        self._write_one = bytearray(2)
        self._write_all = bytearray(5)
        self._read_out = bytearray(5)
        self._read_in = bytearray(5)
        self._data_out = bytearray((_RDATA, 0, 0, 0))
        self._data_in = bytearray(4)
        self._registers = bytearray(4)
        self._rate_index = 0
        self._conversion_us = 0
        self._started_us = ticks_us()
        self.rest_ms = 0  # what a task may sleep after `start` before it calls `finish`
        self._cs(1)
        self.reset()
        self.setup(1000)
        self.select(SHORTED, 1, False)
        self.convert()

    # Registers

    def reset(self):
        """Reset the chip, check that its registers keep two opposite patterns, leave them at 20 samples a second.

        Raises AdcFault as the constructor does.
        """
        self._send(_RESET)
        sleep_us(_RESET_US)
        # Patterns that set no reserved bit and route no current to a pin.
        self._write_registers(0xE1, 0xC4, 0xD0, 0x00)
        self.verify("adc-missing")
        self._write_registers(0x1E, 0x20, 0x20, 0x00)
        self.verify("adc-missing")
        self._write_registers(SHORTED, 0x00, _REFERENCE_AVDD | _REJECT_50_60, 0x00)
        self.verify("adc-missing")
        self._set_times(0, False)

    def _write_registers(self, first, second, third, fourth):
        registers = self._registers
        registers[0] = first
        registers[1] = second
        registers[2] = third
        registers[3] = fourth
        out = self._write_all
        out[0] = _WREG_ALL
        for index in range(4):
            out[index + 1] = registers[index]
        self._cs(0)
        self._spi.write(out)
        self._cs(1)

    def _write_register(self, index, value):
        """Write one register when it changes. Allocates nothing."""
        if self._registers[index] == value:
            return
        self._registers[index] = value
        self._write_one[0] = _WREG | index << 2
        self._write_one[1] = value
        self._cs(0)
        self._spi.write(self._write_one)
        self._cs(1)

    def verify(self, code="adc-registers"):
        """Read the registers back. Raises AdcFault with the code when one differs from what was written.

        A chip that lost its supply for a moment comes back with all registers zero: that shows here.
        """
        self._read_out[0] = _RREG_ALL
        self._cs(0)
        self._spi.write_readinto(self._read_out, self._read_in)
        self._cs(1)
        for index in range(4):
            if self._read_in[index + 1] != self._registers[index]:
                raise AdcFault(
                    code,
                    "The converter's register %d reads 0x%02x instead of 0x%02x. Switch the tester off and on; if it "
                    "stays, check the converter's wiring." % (index, self._read_in[index + 1], self._registers[index]),
                )

    def setup(self, rate_hz, turbo=False, continuous=False, burn_out=False):
        """Choose how conversions run.

        rate_hz: one of RATES_HZ [1/s] (in turbo mode twice as many come); continuous: conversions follow each other
        after one `start`; burn_out: 10 uA flow out of the positive input and into the negative one (DS 8.3.10).
        50 and 60 Hz are rejected at 20 per second in normal mode, where the chip can (DS 8.3.4).
        """
        index = RATES_HZ.index(rate_hz)
        second = index << 5
        if turbo:
            second |= _TURBO
        if continuous:
            second |= _CONTINUOUS
        if burn_out:
            second |= _BURN_OUT
        self._write_register(1, second)
        self._set_times(index, turbo)
        self._write_reference()

    def _set_times(self, index, turbo):
        clocks = _CONVERSION_CLOCKS[index]
        if turbo:
            clocks //= 2
        self._rate_index = index
        self._conversion_us = clocks * 125 // 512 + _WAKE_US  # clocks / 4.096 MHz
        self.rest_ms = self._conversion_us * _EARLY_PER_MILLE // 1000000

    def _write_reference(self):
        """Set the reference that the selected inputs want. Allocates nothing."""
        monitor = self._registers[0] & 0xF0 == REFP0_REFN0
        # The monitor looks at the external reference pair that VREF names (DS 8.3.11), and uses the internal reference.
        third = _REFERENCE_REFP0 if monitor else _REFERENCE_AVDD
        if self._registers[1] & 0xF8 == 0:
            third |= _REJECT_50_60
        self._write_register(2, third)

    def select(self, mux, gain=1, bypass=True):
        """Choose the inputs and the gain. Allocates nothing.

        mux: one of the constants above; gain: 1, 2, 4 to 128; bypass: True leaves the amplifier out, which is a must
        where an input is outside 0.83 to 3.1 V, and possible up to gain 4 (DS 8.3.2.1, 8.3.2.2).
        """
        first = mux
        while gain > 1:  # the code is the gain's power of two
            gain >>= 1
            first += 2
        if bypass:
            first |= _BYPASS
        self._write_register(0, first)
        self._write_reference()

    # Conversions

    def _send(self, command):
        self._command[0] = command
        self._cs(0)
        self._spi.write(self._command)
        self._cs(1)

    def start(self):
        """Start a conversion (or, in continuous mode, the row of them). Allocates nothing."""
        self._send(_START)
        self._started_us = ticks_us()

    def finish(self):
        """Wait for the end of the conversion and return its signed count. Allocates nothing.

        Sleeps for most of the conversion's time, then polls. Raises AdcFault with code "adc-silent" when data-ready
        has not come 2.5 % and 20 ms after the nominal time.
        """
        nominal_us = self._conversion_us
        left_us = nominal_us * _EARLY_PER_MILLE // 1000 - ticks_diff(ticks_us(), self._started_us)
        if left_us > 0:
            sleep_us(left_us)
        deadline_us = nominal_us * _LATE_PER_MILLE // 1000 + DEADLINE_EXTRA_US
        while self._drdy():
            if ticks_diff(ticks_us(), self._started_us) > deadline_us:
                self._fail_silent()
        return self.read()

    def _fail_silent(self):
        raise AdcFault(
            "adc-silent",
            "The converter finished no conversion within %d ms. Switch the tester off and on; if it stays, check the "
            "converter's wiring." % ((self._conversion_us + DEADLINE_EXTRA_US) // 1000),
        )

    def next(self):
        """Wait for the next conversion in continuous mode and return its signed count. Allocates nothing.

        Raises AdcFault as `finish` does.
        """
        count = self.finish()
        # The next one has begun already.
        self._started_us = ticks_us()
        return count

    def read(self):
        """Read the last conversion's signed count. Allocates nothing."""
        self._cs(0)
        self._spi.write_readinto(self._data_out, self._data_in)
        self._cs(1)
        data = self._data_in
        count = data[1] << 16 | data[2] << 8 | data[3]
        return count - _WRAP if count & _SIGN_BIT else count

    def convert(self):
        """Make one conversion and return its signed count. Allocates nothing; blocks for the conversion's time."""
        self.start()
        return self.finish()

    # What the chip tells of itself

    def celsius(self):
        """Return the chip's own temperature [degC], 0.03 degC fine, good to 0.5 degC (DS 8.3.13).

        Takes one conversion of the present rate. Raises AdcFault with code "adc-temperature" when it makes no sense.
        """
        second = self._registers[1]
        self._write_register(1, second | _TEMPERATURE)
        try:
            celsius = (self.convert() >> 10) * 0.03125
        finally:
            self._write_register(1, second)
        if not _COLDEST_CELSIUS < celsius < _HOTTEST_CELSIUS:
            raise AdcFault(
                "adc-temperature",
                "The converter says that it is at %g degrees C. Let the tester come to room temperature; if it stays, "
                "take it out of service." % celsius,
            )
        return celsius

    def monitor_microvolts(self, mux):
        """Return the voltage of a monitored pair [uV]: REFP0_REFN0 or AVDD_AVSS; coarse (DS 8.3.11).

        A quarter of it is read against 2.048 V, so a count is 4 * 2.048 V / 2^23. Takes one conversion; allocates
        nothing.
        """
        self.select(mux, 1, True)
        return microvolts_of_monitor(self.convert())


def microvolts_of_monitor(count):
    """Return microvolts of a monitor's count: 125/128 of it, in steps that stay below 2^30. Allocates nothing."""
    return count - (count * 3 >> 7)


def saturated(count):
    """Tell whether a count stands at either end of the scale (DS 8.5.2). Allocates nothing."""
    return count >= FULL_SCALE_COUNTS or count <= -FULL_SCALE_COUNTS
