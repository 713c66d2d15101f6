"""The tester's parts, put together from the board's constants. A part that is missing is named and left out."""

import gc
import sys
from asyncio import Lock
from binascii import hexlify

import board
import machine
from aside import Aside
from guided.probetest import Instruments
from ledger import volume
from ledger.store import LedgerError
from machine import I2C, SPI, Pin
from measure import bridge as bridges
from measure.foreign import ForeignVoltage
from measure.frontend import FrontEnd
from parts.ads1220 import Ads1220
from parts.buzzer import Buzzer
from parts.clocks import Uptime, WallClock
from parts.ds3231 import Ds3231
from parts.fault import PartError
from parts.keys import Keys
from parts.norflash import NorFlash
from parts.power import Power
from parts.ssd1306 import Ssd1306
from parts.tmp117 import Tmp117
from probecore import curves, limits
from probecore.errors import ProbeError
from screen import pages
from screen.canvas import Canvas

from .calibrated import InForce
from .checks import Checks

FIRMWARE = "0.1.0"

_RESET_CAUSES = {"PWRON_RESET": "power", "WDT_RESET": "watchdog"}


class NotReady(ProbeError):
    """Something that the request needs is missing, or busy with another one."""


class NoDisplay:
    """Takes the place of a display that does not answer: everything else goes on."""

    width = 128
    height = 64

    def nothing(self, *args):
        """Draw nothing."""

    fill = fill_rect = rect = show = show_page = power = nothing


def _spi(number, hz, mode, sck, mosi, miso):
    return SPI(number, hz, polarity=mode >> 1, phase=mode & 1, sck=Pin(sck), mosi=Pin(mosi), miso=Pin(miso))


def make_flash():
    """Return the ledger's NorFlash. Raises PartError where it does not answer."""
    spi = _spi(
        board.FLASH_SPI,
        board.FLASH_SPI_HZ,
        board.FLASH_SPI_MODE,
        board.PIN_FLASH_SCK,
        board.PIN_FLASH_MOSI,
        board.PIN_FLASH_MISO,
    )
    return NorFlash(
        spi,
        Pin(board.PIN_FLASH_CS, Pin.OUT, value=1),
        board.PAGE_BYTES,
        board.ERASE_BYTES,
        board.PROGRAM_TIMEOUT_MS,
        board.ERASE_TIMEOUT_MS,
    )


def make_i2c():
    """Return the bus of clock, ambient sensor and display."""
    return I2C(board.I2C, freq=board.I2C_HZ, scl=Pin(board.PIN_I2C_SCL), sda=Pin(board.PIN_I2C_SDA))


def make_canvas():
    """Return a Canvas on the display. Raises PartError where it does not answer."""
    return Canvas(Ssd1306(make_i2c(), board.ADDRESS_DISPLAY))


def _make_front():
    spi = _spi(
        board.ADC_SPI, board.ADC_SPI_HZ, board.ADC_SPI_MODE, board.PIN_ADC_SCK, board.PIN_ADC_MOSI, board.PIN_ADC_MISO
    )
    adc = Ads1220(spi, Pin(board.PIN_ADC_CS, Pin.OUT, value=1), Pin(board.PIN_ADC_DRDY, Pin.IN))
    return FrontEnd(adc)


def reset_cause():
    """Return why the board started: "power", "watchdog" or "unknown"."""
    cause = machine.reset_cause()
    for name in _RESET_CAUSES:
        if getattr(machine, name, None) == cause:
            return _RESET_CAUSES[name]
    return "unknown"


class Tester:
    """Everything that the tasks work with.

    Attributes: id, firmware, uptime, clock, power, buzzer, keys, canvas, ambient, front, bridge, store, calibration,
    checks; `notes` are sentences on what is missing; `quiet` is held while a measurement runs and while the flash is
    written; `measuring` is held by the one test or bench measurement under way.
    """

    def __init__(self):
        """Put the parts together and check each. Takes about a second."""
        self.firmware = FIRMWARE
        self.id = "pl-" + hexlify(machine.unique_id()[-3:]).decode()
        self.notes = []
        self.parts = {}
        self.uptime = Uptime()
        self.power = Power(
            board.PIN_CELL_SENSE, board.PIN_USB_SENSE, board.CELL_DIVIDER_PERMILLE, board.SUPPLY_MILLIVOLTS
        )
        self.buzzer = Buzzer(board.PIN_BUZZER)
        self.keys = Keys(board.PIN_KEY_BACK, board.PIN_KEY_OK, board.PIN_KEY_NEXT)
        i2c = make_i2c()
        self.canvas = self._part("display", make_canvas) or Canvas(NoDisplay())
        pages.start(self.canvas, self.id, FIRMWARE)
        self.clock = WallClock(self._part("clock", lambda: Ds3231(i2c, board.ADDRESS_CLOCK)), self.uptime)
        u_celsius = board.AMBIENT_U_MILLICELSIUS / 1000
        self.ambient = self._part("ambient", lambda: Tmp117(i2c, board.ADDRESS_AMBIENT, u_celsius))
        self.front = self._part("adc", _make_front)
        self.bridge = bridges.Bridge(self.front) if self.front else None
        self.quiet = self.front.lock_bus if self.front else Lock()
        self.measuring = Lock()
        identity = (self.id, FIRMWARE, self.uptime.ms, self.clock.seconds)
        self.store = volume.open_store(make_flash, identity)
        self.parts["flash"] = self.store.kind == "flash"
        self.settings = self.store.settings.load() or {}
        self.in_force = InForce(self.store, self.clock.seconds)
        self.notes.extend(self.in_force.notes)
        self.checks = Checks(self.store.checks, self.settings, self.store.boot, self.uptime.ms, self.clock.seconds)
        # What the tests work with; tester/shelf.py puts there what the settings name.
        self.curve = curves.curve("pt1000-3850")
        self.curve_id: str | None = None
        self.limits = limits.DOMESTIC_1000
        self.limits_id: str | None = None
        self.lost: str | None = None
        # What the link offers to the person at the tester: an Offer, and the parts of one that is still coming.
        self.offer = None
        self.offer_parts: list[bytes] = []
        # Resistance of two-wire leads [ohm], as it was zeroed since the start.
        self.zero_ohms: float | None = None
        self.instruments = None
        if self.front:
            self.instruments = Instruments(
                self.front, self.bridge, self.ambient_map, self.power.usb, lambda: self.power.cell_millivolts() / 1000
            )
        gc.collect()

    def _part(self, name, make):
        """Return a part, or None with a note where it is missing."""
        try:
            part = make()
        except PartError as error:
            self.notes.append(error.message)
            part = None
        self.parts[name] = part is not None
        return part

    @property
    def calibration(self):
        """Return the Calibration in force."""
        return self.in_force.now()

    def boot_body(self):
        """Return the body of the record that a start leaves."""
        return {
            "reset": reset_cause(),
            "parts": self.parts,
            "store": self.store.kind,
            "notes": [note[:160] for note in self.notes + self.store.notes],
            "platform": sys.platform,
            "micropython": ".".join([str(part) for part in sys.implementation.version[:3]]),
            "free_bytes": gc.mem_free(),
            "cell_volts": self.power.cell_millivolts() / 1000,
        }

    def ambient_map(self):
        """Return the ambient's part of a record, None where nothing is known of it."""
        celsius = None
        if self.ambient is not None:
            try:
                celsius = self.ambient.celsius()
            except OSError:
                pass  # the pigtail was pulled: the test goes on without
        if celsius is None:
            return None
        return {"celsius": celsius, "u_celsius": self.ambient.u_celsius, "source": "sensor"}

    async def keep(self, kind, body):
        """Append a record while nothing is measured. Returns its sequence number; raises ProbeError where it failed."""
        gc.collect()
        async with self.quiet:
            try:
                return self.store.append(kind, body, self.calibration.id)
            except MemoryError:
                raise LedgerError("ledger-memory", "Too little memory to write the record. Restart the tester.")
            finally:
                gc.collect()

    async def measure(self, readings, two_wire=False, zero_power=False):
        """Measure what is on the leads for the link. Returns a map. two_wire, zero_power: bool, see measure.bench.

        Raises NotReady while a test runs, without converter, where a voltage is seen, or where two-wire leads have not
        been zeroed since the start; PartError where the converter fails.
        """
        if two_wire and self.zero_ohms is None:
            raise NotReady(
                "not-zeroed", "The two-wire leads have not been zeroed. Let one clip hold the other and zero."
            )
        zero_ohms = self.zero_ohms if two_wire else None
        with Aside("measure.bench") as bench:
            result = await self._on_bench(
                lambda: bench.measure(self.bridge, self.calibration, readings, zero_ohms, zero_power)
            )
        result["ambient"] = self.ambient_map()
        return result

    async def zero(self):
        """Zero two-wire leads whose clips hold each other, for `measure`. Returns a map.

        Raises RangeError where they don't, and as `measure`.
        """
        with Aside("measure.bench") as bench:
            result = await self._on_bench(lambda: bench.zero(self.bridge, self.calibration))
        self.zero_ohms = result["ohms"]
        return result

    async def isolation(self, rounds):
        """Measure the isolation of what is clipped on, for the link. Returns a map; raises as `measure`."""
        with Aside("measure.bench_isolation") as bench:
            return await self._on_bench(lambda: bench.measure(self.bridge, self.front, self.calibration, rounds))

    async def _on_bench(self, measuring):
        """Await what a function returns, after a look for foreign voltages; the drivers are off at the end."""
        if self.bridge is None:
            raise NotReady("adc-missing", "The tester's converter does not answer. " + " ".join(self.notes))
        if self.measuring.locked():
            raise NotReady("busy", "A test is running on the tester. Wait for its end.")
        async with self.measuring:
            gc.collect()
            found = await ForeignVoltage(self.front).look()
            if found["seen"]:
                raise NotReady(
                    "voltage-on-leads",
                    "There is a voltage on the leads at %s. Nothing was measured. Switch off at the breaker, verify "
                    "with a tester made for mains, then unclip." % found["at"],
                )
            try:
                return await measuring()
            finally:
                self.front.off()
