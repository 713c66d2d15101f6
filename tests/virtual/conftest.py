"""A board of a few wires instead of the tester's: the tests of the machinery around the board test that alone."""

from __future__ import annotations

import os
import subprocess
import sys
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from probeledger.virtual.device import VirtualTester


class Nobody(Exception):
    """No chip answered at an I2C address."""


class Outside:
    """The world outside this board: a USB plug."""

    def __init__(self, plugged: bool) -> None:
        self.usb_plugged = plugged

    def plug_usb(self) -> None:
        self.usb_plugged = True

    def unplug_usb(self) -> None:
        self.usb_plugged = False


class WireBoard:
    """Pins that remember, an SPI line with an inverter in it, one I2C chip at 0x48 whose registers count up."""

    def __init__(self) -> None:
        self._now_us = 0
        self.levels = [0] * 31
        self.modes: dict[int, tuple[str, str | None]] = {}
        self.changes_us: list[int] = []
        self.at_us: dict[int, list[tuple[int, int]]] = {}
        self.spi: list[tuple[int, bytes]] = []
        self.spi_settings: dict[int, tuple[int, int, int]] = {}
        self.i2c: list[bytes] = []
        self.tones: list[tuple[int, int, int]] = []
        self.power: list[bool] = []
        self.saves = 0

    @property
    def now_us(self) -> int:
        return self._now_us

    def advance(self, us: int) -> None:
        assert us >= 0
        self._now_us += us

    def change(self, pin: int, at_us: int, level: int) -> None:
        """Let an input change at a time."""
        self.at_us.setdefault(pin, []).append((at_us, level))

    def next_event_us(self) -> int | None:
        later = [at for changes in self.at_us.values() for at, _ in changes if at > self._now_us]
        return min(later, default=None)

    def gpio_configure(self, pin: int, mode: str, pull: str | None = None, value: int | None = None) -> None:
        self.modes[pin] = (mode, pull)
        if value is not None:
            self.levels[pin] = value
        elif mode == "in" and pull is not None:
            self.levels[pin] = int(pull == "up")

    def gpio_write(self, pin: int, value: int) -> None:
        self.levels[pin] = value

    def gpio_read(self, pin: int) -> int:
        for at_us, level in self.at_us.get(pin, []):
            if self._now_us >= at_us:
                self.levels[pin] = level
        return self.levels[pin]

    def spi_configure(self, bus: int, hz: int, polarity: int, phase: int) -> None:
        self.spi_settings[bus] = (hz, polarity, phase)

    def spi_transfer(self, bus: int, data: bytes) -> bytes:
        self.spi.append((bus, data))
        self.advance(len(data) * 8_000_000 // self.spi_settings[bus][0])
        return bytes(byte ^ 0xFF for byte in data)

    def i2c_write(self, address: int, data: bytes) -> None:
        if address != 0x48:
            raise Nobody
        self.i2c.append(data)

    def i2c_read(self, address: int, count: int) -> bytes:
        if address != 0x48:
            raise Nobody
        first = self.i2c[-1][0] if self.i2c and self.i2c[-1] else 0
        return bytes((first + index) & 0xFF for index in range(count))

    def i2c_scan(self) -> list[int]:
        return [0x48]

    def adc_read_u16(self, pin: int) -> int:
        return 1000 * pin

    def pwm(self, pin: int, hz: int, duty_u16: int) -> None:
        self.tones.append((pin, hz, duty_u16))

    def reset_pins(self) -> None:
        self.modes = dict.fromkeys(self.modes, ("in", None))

    def power_off(self) -> None:
        self.power.append(False)

    def power_on(self) -> None:
        self.power.append(True)

    def save(self) -> None:
        self.saves += 1

    def close(self) -> None:
        self.save()


Maker = Callable[..., VirtualTester]


@pytest.fixture(autouse=True)
def own_runtime_folder(tmp_path_factory: pytest.TempPathFactory, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Keep these tests' testers apart from the user's own."""
    folder = tmp_path_factory.mktemp("runtime")
    monkeypatch.setenv("PROBELEDGER_RUNTIME", str(folder))
    return folder


@pytest.fixture
def make_tester(tmp_path: Path, micropython: str) -> Iterator[Maker]:
    """Make virtual testers that run the given main.py on the board of wires; they end with the test."""
    made: list[VirtualTester] = []

    def make(main: str, *, files: dict[str, str] | None = None, plugged: bool = False, **options: Any) -> VirtualTester:
        firmware = tmp_path / f"firmware{len(made)}"
        firmware.mkdir()
        for name, text in {"main.py": main, **(files or {})}.items():
            (firmware / name).parent.mkdir(parents=True, exist_ok=True)
            (firmware / name).write_text(text)
        settings: dict[str, Any] = {
            "board": WireBoard(),
            "world": Outside(plugged),
            "no_answer": Nobody,
            "firmware": firmware,
            "micropython": micropython,
            **options,
        }
        tester = VirtualTester(settings.pop("state_folder", tmp_path / f"state{len(made)}"), **settings)
        made.append(tester)
        tester.start()
        return tester

    yield make
    for tester in made:
        tester.close()


@pytest.fixture
def mpremote() -> Callable[..., str]:
    """Run mpremote on a port and return what it printed; its failure fails the test."""

    def run(port: str, *command: str) -> str:
        done = subprocess.run(
            [sys.executable, "-m", "mpremote", "connect", port, *command],
            capture_output=True,
            text=True,
            timeout=60,
            env={**os.environ, "NO_COLOR": "1"},
        )
        assert done.returncode == 0, done.stdout + done.stderr
        return done.stdout

    return run
