"""The ADS1220's serial side: registers, commands, frames, the data-ready pin.

Source: Texas Instruments SBAS501 (ADS1220), revision C of 2016, sections 8.5 and 8.6. Bytes come in SPI mode 1 while
selected. In any other mode bits are taken at the wrong edge, and the chip sees and returns nonsense. Conversion data
come without RDATA while a result is unread (8.5.4).
"""

from __future__ import annotations

from collections.abc import Callable

# 8.5.3, table of commands.
_RESET, _START, _POWERDOWN = 0x06, 0x08, 0x02
# 6.6: t_c(SC) 150 ns.
SPI_HZ_MAX = 6_670_000
# 8.5.1.6: timeout in t_MOD (16 t_CLK in normal mode, 8 in turbo mode).
TIMEOUT_MODULATOR_CLOCKS = {0: 13955, 1: 13955, 2: 27910}
GAINS = (1, 2, 4, 8, 16, 32, 64, 128)


class Serial:
    """Decode frames into registers and commands; what a command does to the converter is the subclass's.

    Args: `now_us` is the simulated time [us], `clock_hz` the chip's own clock [Hz].
    """

    def __init__(self, now_us: Callable[[], int], clock_hz: float) -> None:
        self._now_us = now_us
        self.clock_hz = clock_hz
        self.registers = bytearray(4)
        self.powered = False
        self.drdy = 1
        # What the firmware should never do, counted for the tests.
        self.clock_violations = 0
        self.mode_violations = 0
        self.misuses: list[str] = []
        self._selected = False
        self._ready_us = 0.0
        self._buffer = 0
        self._unread = False
        self._reset_interface()

    def _reset_interface(self) -> None:
        self._out: list[int] = []
        self._sending_data = 0
        self._deaf_bytes = 0
        self._write_at: int | None = None
        self._write_left = 0
        self._carry_in = 0
        self._carry_out = 0
        self._last_byte_us = self._now_us()

    # ------------------------------------------------------------ register fields

    @property
    def mux(self) -> int:
        """Return the multiplexer's code."""
        return self.registers[0] >> 4

    @property
    def gain(self) -> int:
        """Return the gain in force: 1 for the monitors, at most 4 without the amplifier (8.3.2.2, 8.3.11)."""
        gain = GAINS[(self.registers[0] >> 1) & 7]
        if self.mux in (12, 13):
            return 1
        return min(gain, 4) if 8 <= self.mux <= 11 else gain

    @property
    def bypassed(self) -> bool:
        """Tell whether the amplifier is out of the way: by its bit up to gain 4, always against AVSS."""
        if 8 <= self.mux <= 13:
            return True
        return bool(self.registers[0] & 1) and self.gain <= 4

    @property
    def rate_code(self) -> int:
        """Return the data rate's code, 0 to 6."""
        return min(self.registers[1] >> 5, 6)

    @property
    def mode(self) -> int:
        """Return 0 for normal, 1 for duty-cycle, 2 for turbo mode."""
        return min((self.registers[1] >> 3) & 3, 2)

    @property
    def continuous(self) -> bool:
        """Tell whether conversions follow each other."""
        return bool(self.registers[1] & 0x04)

    @property
    def senses_temperature(self) -> bool:
        """Tell whether the internal temperature sensor is on."""
        return bool(self.registers[1] & 0x02)

    @property
    def filter_code(self) -> int:
        """Return the 50/60 Hz filter in force: only at 20 SPS normal and 5 SPS duty-cycle (8.6.3)."""
        return (self.registers[2] >> 4) & 3 if self.rate_code == 0 and self.mode != 2 else 0

    # ------------------------------------------------------------ serial interface

    @property
    def miso(self) -> int:
        """Return the level of DOUT/DRDY while selected: low with new data if DRDYM is set (8.5.1.5)."""
        return self.drdy if self.registers[3] & 0x02 else 1

    def select(self, selected: bool) -> None:
        """Follow the chip select pin; taking it high resets the interface (8.5.1.1)."""
        if selected != self._selected:
            self._selected = selected
            self._reset_interface()

    def transfer(self, data: bytes, hz: int, polarity: int, phase: int) -> bytes:
        """Clock `data` in and return what the chip sends meanwhile; `hz` [Hz], mode by `polarity` and `phase`."""
        if not self.powered:
            return bytes(len(data))
        if hz > SPI_HZ_MAX:
            self.clock_violations += 1
        timeout_us = TIMEOUT_MODULATOR_CLOCKS[self.mode] * (8 if self.mode == 2 else 16) * 1e6 / self.clock_hz
        if self._now_us() - self._last_byte_us > timeout_us:
            self._reset_interface()
        wrong = (polarity, phase) != (0, 1)
        if wrong:
            self.mode_violations += 1
        out = bytearray()
        for byte in data:
            if wrong:
                # One clock edge off: every bit is taken as its neighbour.
                self._carry_in, byte = byte & 1, (self._carry_in << 7) | (byte >> 1)
            sent = self._exchange(byte)
            if wrong:
                self._carry_out, sent = sent >> 7, ((sent << 1) & 0xFF) | self._carry_out
            out.append(sent)
        self._last_byte_us = self._now_us()
        return bytes(out)

    def _exchange(self, byte: int) -> int:
        if not self._out and self._unread and self._write_at is None and not self._deaf_bytes:
            self._load_data()
        sent = self._out.pop(0) if self._out else 0
        if self._sending_data:
            self._sending_data -= 1
            if self._sending_data == 0:
                self.drdy = 1
        if self._deaf_bytes:
            self._deaf_bytes -= 1
        elif self._write_at is not None:
            self._write_byte(byte)
        else:
            self._command(byte)
        return sent

    def _load_data(self) -> None:
        self._out = list((self._buffer & 0xFFFFFF).to_bytes(3, "big"))
        self._sending_data = 3
        self._unread = False

    def _command(self, byte: int) -> None:
        if byte == 0:
            return
        if self._now_us() < self._ready_us:
            self.misuses.append("command before the chip was ready after power-up or reset")
            return
        if byte & 0xFE == _RESET:
            self._reset()
        elif byte & 0xFE == _START:
            self._begin()
        elif byte & 0xFE == _POWERDOWN:
            self._sleep()
        elif byte & 0xF0 == 0x10:
            self._load_data()
            self._deaf_bytes = 3
        elif byte & 0xF0 == 0x20:
            first, count = (byte >> 2) & 3, (byte & 3) + 1
            self._out = [self.registers[(first + k) & 3] for k in range(count)]
            self._sending_data = 0
            self._deaf_bytes = count
        elif byte & 0xF0 == 0x40:
            self._write_at, self._write_left = (byte >> 2) & 3, (byte & 3) + 1
        else:
            self.misuses.append(f"unknown command 0x{byte:02x}")

    def _write_byte(self, byte: int) -> None:
        assert self._write_at is not None
        self.registers[self._write_at & 3] = byte & (0xFE if self._write_at == 3 else 0xFF)
        self._write_at += 1
        self._write_left -= 1
        if self._write_left:
            return
        self._write_at = None
        self._check_registers()
        self._apply_sources()
        if self.converting:
            # 8.4.2: writing a register during a conversion restarts it.
            self._begin()

    def _check_registers(self) -> None:
        if self.registers[1] >> 5 == 7:
            self.misuses.append("data rate code 7 is reserved")
        if (self.registers[1] >> 3) & 3 == 3:
            self.misuses.append("mode code 3 is reserved")
        if (self.registers[2] >> 4) & 3 and not self.filter_code:
            self.misuses.append("50/60 Hz filter outside 20 SPS")
        if 8 <= self.mux <= 11 and not self.registers[0] & 1:
            self.misuses.append("input against AVSS with the amplifier not bypassed")

    # ------------------------------------------------------------ what the converter does

    @property
    def converting(self) -> bool:
        """Tell whether a conversion is under way."""
        raise NotImplementedError

    def _reset(self) -> None:
        raise NotImplementedError

    def _begin(self) -> None:
        raise NotImplementedError

    def _sleep(self) -> None:
        raise NotImplementedError

    def _apply_sources(self) -> None:
        raise NotImplementedError
