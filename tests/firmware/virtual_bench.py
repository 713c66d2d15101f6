"""Run a MicroPython script with the firmware's files on the virtual tester and read what it prints.

A script prints lines "name=<JSON>"; the last line is "done". Everything runs in simulated time.
"""

from __future__ import annotations

import json
import shutil
from collections.abc import Callable
from pathlib import Path
from typing import Any

from probeledger.virtual.circuit.description import load
from probeledger.virtual.circuit.specimen import draw, nominal
from probeledger.virtual.device import VirtualTester
from probeledger.virtual.scenario import from_table
from probeledger.virtual.world import World

ROOT = Path(__file__).resolve().parents[2]

PRELUDE = """
import asyncio, gc, json, sys, time
from machine import Pin, SPI
import board
from parts.ads1220 import Ads1220
from measure.frontend import FrontEnd
from measure.bridge import Bridge
from measure import bridge as bridges, frontend
from probecore import calibration

def show(name, value):
    print(name + "=" + json.dumps(value))

def make_front():
    spi = SPI(board.ADC_SPI, board.ADC_SPI_HZ, polarity=0, phase=1,
              sck=Pin(board.PIN_ADC_SCK), mosi=Pin(board.PIN_ADC_MOSI), miso=Pin(board.PIN_ADC_MISO))
    adc = Ads1220(spi, Pin(board.PIN_ADC_CS, Pin.OUT, value=1), Pin(board.PIN_ADC_DRDY, Pin.IN))
    return FrontEnd(adc)

nominal = calibration.uncalibrated(board.REFERENCE_TOLERANCE_PPM, board.REFERENCE_TEMPCO_PPM_PER_K,
                                   board.LINEARITY_MICROOHMS / 1e6)

def finish(coroutine):
    try:
        asyncio.run(coroutine)
    except BaseException as error:
        sys.print_exception(error)
        if hasattr(error, "code"):
            show("error", error.code)
    print("done")
"""


def scenario(**tables: Any):
    """Return a scenario of an invented oven from its tables."""
    return from_table({"name": "bench", "story": "An invented oven of a test.", **tables})


def run(
    folder: Path,
    script: str,
    setup: Callable[[World], None] = lambda world: None,
    oven: Any = None,
    ideal: bool = True,
    seed: int = 1,
    timeout_s: float = 120.0,
    prepare: Callable[[Any], None] = lambda tester: None,
    act: Callable[[Any], Any] | None = None,
) -> dict[str, Any]:
    """Run a script; returns what it showed, by name, and "console" with all that it printed.

    folder: empty, for the tester's state; setup: acts on the World before power; oven: Scenario or None; ideal: nominal
    parts and a converter without errors, else a tester drawn with `seed`; prepare: acts on the tester before power;
    act: a generator function of the tester that acts beside the script.
    """
    firmware = folder / "firmware"
    shutil.copytree(ROOT / "firmware", firmware, ignore=shutil.ignore_patterns("__pycache__", "main.py"))
    (firmware / "main.py").write_text(PRELUDE + script)
    description = load(ROOT / "hardware" / "tester.toml")
    world = World(oven, seed=seed)
    setup(world)
    specimen = nominal(description) if ideal else draw(description, seed)
    with VirtualTester(
        folder / "state", specimen=specimen, description=description, world=world, firmware=firmware, seed=seed
    ) as tester:
        prepare(tester)
        tester.power_on()
        beside = tester.begin(act) if act else None

        def until_done(tester):
            yield lambda: "\ndone" in tester.console.replace("\r", "")

        tester.run(until_done, wall_timeout_s=timeout_s)
        if beside is not None and beside.error is not None:
            raise beside.error
        console = tester.console.replace("\r", "")
        now_s = tester.now_us / 1e6
    shown: dict[str, Any] = {"console": console, "now_s": now_s}
    for line in console.splitlines():
        name, equals, value = line.partition("=")
        if equals and name.isidentifier():
            shown[name] = json.loads(value)
    return shown
