"""The virtual board: the Pico's pins and buses with the chips and the circuit behind them."""

from __future__ import annotations

import random
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from .chips.ads1220 import Ads1220
from .chips.ds3231 import Ds3231
from .chips.norflash import NorFlash
from .chips.ssd1306 import Ssd1306
from .chips.tmp117 import Tmp117
from .circuit.description import TesterDescription
from .circuit.frontend import FrontEnd
from .circuit.specimen import Specimen
from .world import Beep, World

# Pins that drive the circuit, by their names in the tester's description.
DRIVE_NETS = {
    "drive_a": "A_PIN",
    "drive_b": "B_PIN",
    "drive_high_range": "H_PIN",
    "drive_chassis": "C_PIN",
    "drive_jaw": "J_PIN",
}
KEY_PINS = {"key_back": "back", "key_ok": "ok", "key_next": "next"}
# The Pico board divides its supply by three on this pin; ADC input 4 is the RP2040's own temperature sensor.
SUPPLY_SENSE_PIN, SENSOR_CHANNEL = 29, 4
I2C_BITS_A_BYTE = 9
PICO_ADC_NOISE_COUNTS = 2.0


class NoAnswer(Exception):
    """Say that no chip answered at an I2C address."""


@dataclass
class _Pin:
    mode: str = "in"
    pull: str | None = None
    value: int = 0


class VirtualBoard:
    """Be the tester's hardware: pins, buses, chips and circuit, in simulated time.

    Transfers on the buses take the time that their bits take on the wire; everything else takes none until `advance`.

    Args: `description` is the circuit read from tester.toml, `specimen` this tester's own part values, `world` what
    is outside the case, `flash_image` the file that holds the flash's bytes, `clock_state` the file that holds the
    battery clock's state (None: forgotten at the end). The board comes up with its supply on.
    """

    def __init__(
        self,
        description: TesterDescription,
        specimen: Specimen,
        world: World,
        flash_image: Path,
        clock_state: Path | None = None,
    ) -> None:
        self.description = description
        self.specimen = specimen
        self.world = world
        self.powered = True
        self._now_us = world.now_us
        self._wire_us = 0.0
        self._pins: dict[int, _Pin] = {}
        self._spi: dict[int, tuple[int, int, int]] = {}
        self._tone: tuple[int, int] | None = None
        self._random = random.Random(specimen.seed ^ 0xB0A2D)
        pins = description.pins
        self._net_of_pin = {pins[name]: net for name, net in DRIVE_NETS.items()}
        self._key_of_pin = {pins[name]: key for name, key in KEY_PINS.items()}
        self.front = FrontEnd(description, specimen, world)
        self.circuit = self.front.circuit
        self.front.set_power("awake")

        def now() -> int:
            return self._now_us

        self.adc = Ads1220(self.front, specimen.adc, description.chips["adc"], now, specimen.noise, specimen.seed)
        self.flash = NorFlash(flash_image, description.chips["flash"], now, specimen.seed)
        self.clock = Ds3231(now, lambda: self.front.celsius, specimen.clock_drift_ppm, clock_state)
        self.ambient = Tmp117(now, lambda: self.world.ambient_celsius + specimen.ambient_error_celsius)
        self.display = Ssd1306()
        world.display = self.display
        addresses = description.i2c_addresses
        self._i2c: dict[int, Ds3231 | Tmp117 | Ssd1306] = {
            addresses["clock"]: self.clock,
            addresses["ambient"]: self.ambient,
            addresses["display"]: self.display,
        }
        # Chips that are not soldered in, by name: "adc", "flash", "clock", "ambient", "display".
        self.missing: set[str] = set()

    # ------------------------------------------------------------ time

    @property
    def now_us(self) -> int:
        """Return the simulated time since the world began [us]."""
        return self._now_us

    def _set_now(self, now_us: int) -> None:
        self._now_us = now_us
        self.world.now_us = now_us

    def advance(self, us: int) -> None:
        """Let `us` microseconds [us] of simulated time pass."""
        target = self._now_us + max(int(us), 0)
        self.front.notice()
        adc = self.adc
        end = adc.next_event_us()
        while end is not None and end <= target:
            if adc.skip_to(target):
                # Nobody reads the conversions before the last: only that one is worked out.
                self.front.look_away()
                event = adc.next_event_us()
                assert event is not None
                self._set_now(max(self._now_us, int(event - adc.period_us())))
                self.front.look(adc.period_us())
                end = event
            self._set_now(max(self._now_us, end))
            self.front.sync(end)
            adc.finish()
            end = adc.next_event_us()
        self._set_now(target)

    def next_event_us(self) -> int | None:
        """Return when an input that the firmware may be polling changes next by itself [us], or None.

        That is the end of a conversion, of a flash operation, or of a key press; a contact that opens is not told.
        """
        times = [t for t in (self.adc.next_event_us(), self.flash.next_event_us()) if t is not None]
        times += [t for t in self.world.key_releases_us() if t > self._now_us]
        return min(times) if times else None

    def _take_wire_time(self, us: float) -> None:
        self._wire_us += us
        whole = int(self._wire_us)
        if whole:
            self._wire_us -= whole
            self.advance(whole)

    # ------------------------------------------------------------ pins

    def gpio_configure(self, pin: int, mode: str, pull: str | None = None, value: int | None = None) -> None:
        """Set a pin's mode ("in" or "out"), pull ("up", "down" or None) and, for an output, its level."""
        if mode not in ("in", "out") or pull not in (None, "up", "down"):
            raise ValueError(f"a pin is an input or an output with pull up, down or none, not {mode}, {pull}")
        state = self._pins.setdefault(pin, _Pin())
        state.mode, state.pull = mode, pull
        if value is not None:
            state.value = 1 if value else 0
        self._apply(pin, state)

    def gpio_write(self, pin: int, value: int) -> None:
        """Set the level that a pin drives to 0 or 1 (of an input: what it will drive once it is an output)."""
        state = self._pins.setdefault(pin, _Pin())
        state.value = 1 if value else 0
        self._apply(pin, state)

    def _apply(self, pin: int, state: _Pin) -> None:
        if not self.powered:
            return
        pins = self.description.pins
        out = state.mode == "out"
        if pin in self._net_of_pin:
            drive = ("high" if state.value else "low") if out else (state.pull or "off")
            self.front.set_driver(self._net_of_pin[pin], drive)
        elif pin == pins["jaw_select"]:
            # Not driven, the switch's input floats low (its own pull-down).
            self.front.set_jaw_select(state.value if out else int(state.pull == "up"))
        elif pin == pins["adc_cs"]:
            self.adc.select(out and not state.value)
        elif pin == pins["flash_cs"]:
            self.flash.select(out and not state.value)

    def gpio_read(self, pin: int) -> int:
        """Return a pin's level, 0 or 1."""
        if not self.powered:
            return 0
        state = self._pins.setdefault(pin, _Pin())
        if state.mode == "out":
            return state.value
        if pin in self._net_of_pin:
            return self.front.level(self._net_of_pin[pin])
        if pin in self._key_of_pin:
            return 0 if self.world.key_is_down(self._key_of_pin[pin]) else int(state.pull == "up")
        pins = self.description.pins
        if pin == pins["adc_drdy"] and "adc" not in self.missing:
            return self.adc.drdy
        if pin == pins["adc_miso"] and self._driven_low("adc_cs") and "adc" not in self.missing:
            return self.adc.miso
        if pin == pins["usb_sense"]:
            return int(self.world.usb_plugged)
        return int(state.pull == "up")

    def _driven_low(self, name: str) -> bool:
        state = self._pins.get(self.description.pins[name])
        return state is not None and state.mode == "out" and state.value == 0

    def adc_read_u16(self, pin: int) -> int:
        """Return the Pico's own ADC reading of a pin (or of input 0 to 4), 0 to 65535; the ADC has 12 bits."""
        supply = self.circuit.supply_volts
        if pin in (self.description.pins["cell_sense"], self.description.pins["cell_sense"] - 26):
            volts = self.world.cell_volts * self.description.cell["divider"] * (1.0 + self.specimen.cell_gain)
        elif pin in (SUPPLY_SENSE_PIN, SUPPLY_SENSE_PIN - 26):
            volts = (5.0 if self.world.usb_plugged else self.world.cell_volts) / 3.0
        elif pin == SENSOR_CHANNEL:
            # RP2040 data sheet, section 4.9.5.
            volts = 0.706 - 0.001721 * (self.front.celsius - 27.0)
        else:
            volts = 0.0
        counts = volts / supply * 4096.0
        if self.specimen.noise:
            counts += self._random.gauss(0.0, PICO_ADC_NOISE_COUNTS)
        code = max(0, min(4095, round(counts)))
        # MicroPython repeats the upper bits in the lower ones.
        return code << 4 | code >> 8

    def pwm(self, pin: int, hz: int, duty_u16: int) -> None:
        """Start a tone (or stop it with duty 0) on a pin; the buzzer's tones go to the world's `beeps`."""
        if pin != self.description.pins["buzzer"]:
            return
        if self._tone is not None:
            began_us, pitch = self._tone
            if duty_u16 and pitch == hz:
                return
            self.world.beeps.append(Beep(began_us, pitch, (self._now_us - began_us) / 1e3))
            self._tone = None
        if duty_u16 and hz:
            self._tone = (self._now_us, hz)

    # ------------------------------------------------------------ buses

    def spi_configure(self, bus: int, hz: int, polarity: int, phase: int) -> None:
        """Set the clock [Hz] and mode of an SPI block."""
        self._spi[bus] = (hz, polarity, phase)

    def spi_transfer(self, bus: int, data: bytes) -> bytes:
        """Clock `data` out and return the bytes clocked in; the chip whose select pin is low answers.

        With no chip selected the line floats high. Takes the bits' time.
        """
        hz, polarity, phase = self._spi.get(bus, (1_000_000, 0, 0))
        buses = self.description.buses
        answers: list[bytes] = []
        chips: list[tuple[str, str, Callable[[bytes, int, int, int], bytes]]] = [
            ("adc", "adc_cs", self.adc.transfer),
            ("flash", "flash_cs", self.flash.transfer),
        ]
        if self.powered:
            for name, select, transfer in chips:
                if buses[f"{name}_spi"] == bus and self._driven_low(select) and name not in self.missing:
                    answers.append(transfer(data, hz, polarity, phase))
        out = b"\xff" * len(data)
        for answer in answers:
            # Two chips on one line: a low level wins.
            out = bytes(a & b for a, b in zip(out, answer, strict=True))
        self._take_wire_time(len(data) * 8e6 / hz)
        return out

    def _i2c_chip(self, address: int) -> Ds3231 | Tmp117 | Ssd1306:
        chip = self._i2c.get(address)
        names = {v: k for k, v in self.description.i2c_addresses.items()}
        if chip is None or not self.powered or names.get(address) in self.missing:
            raise NoAnswer(f"no chip answers at I2C address 0x{address:02x}")
        return chip

    def i2c_write(self, address: int, data: bytes) -> None:
        """Write to a chip on the I2C bus; NoAnswer where there is none. Takes the bits' time."""
        self._take_wire_time((len(data) + 1) * I2C_BITS_A_BYTE * 1e6 / self.description.buses["i2c_hz"])
        self._i2c_chip(address).write(bytes(data))

    def i2c_read(self, address: int, count: int) -> bytes:
        """Read from a chip on the I2C bus; NoAnswer where there is none. Takes the bits' time."""
        self._take_wire_time((count + 1) * I2C_BITS_A_BYTE * 1e6 / self.description.buses["i2c_hz"])
        return self._i2c_chip(address).read(count)

    def i2c_scan(self) -> list[int]:
        """Return the addresses that answer."""
        names = {v: k for k, v in self.description.i2c_addresses.items()}
        return sorted(a for a in self._i2c if self.powered and names[a] not in self.missing)

    # ------------------------------------------------------------ supply and files

    def power_off(self) -> None:
        """Take the supply away: pins float, chips forget; flash and battery clock keep theirs."""
        if not self.powered:
            return
        self.pwm(self.description.pins["buzzer"], 0, 0)
        self.front.set_power("off")
        for net in self._net_of_pin.values():
            self.front.set_driver(net, "off")
        for chip in (self.adc, self.flash, self.clock, self.ambient, self.display):
            chip.power_off()
        self._pins.clear()
        self._spi.clear()
        self.powered = False

    def power_on(self) -> None:
        """Give the supply back."""
        if self.powered:
            return
        self.powered = True
        self.front.set_power("awake")
        self.front.set_jaw_select(0)
        for chip in (self.adc, self.flash, self.clock, self.ambient, self.display):
            chip.power_on()

    def reset_pins(self) -> None:
        """Make every pin an input without pull, as a reset of the microcontroller does; the chips stay as they are."""
        self.pwm(self.description.pins["buzzer"], 0, 0)
        for pin in list(self._pins):
            self.gpio_configure(pin, "in", None, 0)
        self._pins.clear()
        self._spi.clear()

    def save(self) -> None:
        """Write the flash image and the clock's state to their files."""
        self.flash.save()
        self.clock.save()

    def close(self) -> None:
        """Save, and close the flash image's file."""
        self.save()
        self.flash.close()
