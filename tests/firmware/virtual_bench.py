"""Run a MicroPython script with the firmware's files on the virtual tester and read what it prints.

A script prints lines "name=<JSON>"; the last line is "done". Everything runs in simulated time.
"""

from __future__ import annotations

import json
import shutil
import statistics
from collections.abc import Callable
from pathlib import Path
from typing import Any

from probecore import counts
from probeledger import circuit
from probeledger.virtual.circuit.description import load
from probeledger.virtual.circuit.specimen import draw, nominal
from probeledger.virtual.device import VirtualTester
from probeledger.virtual.scenario import from_table
from probeledger.virtual.world import World

ROOT = Path(__file__).resolve().parents[2]
REFERENCE_OHMS = 1500.0
# SBAS501C, table 11: one conversion at 20 samples a second.
CONVERSION_CLOCKS = 204768

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


TIMES = """
from guided.probetest import Instruments, ProbeTest

async def main():
    front = make_front()
    bridge = Bridge(front)
    await bridge.check()
    front.clean()
    plan = (await bridge.look()).plan
    for number in range(READINGS):
        front.clean()
        reading = bridge.new_reading()
        begun = time.ticks_us()
        await bridge.read(plan, reading)
        show("us%d" % number, time.ticks_diff(time.ticks_us(), begun))
        show("reading%d" % number, list(reading))
    ambient = {"celsius": 23.0, "u_celsius": 0.25, "source": "sensor"}
    tools = Instruments(front, bridge, lambda: ambient, lambda: 0, lambda: 3.9)
    for mode, zero_power in (("quick", False), ("guided", False), ("quick", True)):
        # The flex capture lasts as long as somebody bends: it is no part of the test's own time.
        test = ProbeTest(tools, nominal, None, mode=mode, flex_s=0, zero_power=zero_power)
        await asyncio.sleep(25)  # an element that rests
        begun = time.ticks_ms()
        body = await test.run()
        show("test_ms_%s%s" % (mode, "_zero_power" if zero_power else ""), time.ticks_diff(time.ticks_ms(), begun))
        show("verdict_" + mode, body["verdict"])
finish(main())
"""


def times_and_noise(folder: Path, seed: int = 1, readings: int = 40) -> dict[str, float]:
    """Return how long the bridge and the guided test take in simulated time, and how much a reading scatters.

    folder: empty; seed: of the tester's parts; readings: of which the scatter is taken [1]. The result has
    `reading_s`, `conversion_s` (of a reading's eight conversions alone), `noise_milliohms` (standard deviation of one
    reading at 1.1 kohm), `time_ratio` (to the least time in which the converter alone reaches that noise),
    `quick_s`, `guided_s` (without bending) and `quick_zero_power_s` of a good sensor at rest.

    The least time: voltages of probe and reference are read n and m times with the noise e of a conversion (SBAS501C,
    table 1); the variance (e/I)^2/n + (e R/R_ref I)^2/m takes least time where n:m is 1 : R/R_ref.
    """
    ohms = 1100.0

    def clip(world: World) -> None:
        world.clip_resistor(ohms)

    def act(tester: VirtualTester) -> Any:
        yield lambda: f"reading{readings - 1}=" in tester.console
        tester.world.clip("sensor")
        tester.world.clip_chassis()
        yield 60.0

    shown = run(folder, f"READINGS = {readings}\n" + TIMES, clip, scenario(), ideal=False, seed=seed, act=act)
    assert shown["verdict_quick"] == shown["verdict_guided"] == "pass", shown["console"]
    ratios = [counts.ratio(shown[f"reading{number}"]) for number in range(readings)]
    noise_ohms = REFERENCE_OHMS * statistics.stdev(ratios)
    amps = circuit.excitation_amps(ohms)
    conversion_s = CONVERSION_CLOCKS / circuit.description()["chips"]["adc"]["clock_hz"]
    each_ohms = circuit.noise_volts(20, circuit.TYPICAL_GAIN) / amps
    least_s = (each_ohms * (1 + ohms / REFERENCE_OHMS) / noise_ohms) ** 2 * conversion_s
    reading_s = statistics.median(shown[f"us{number}"] for number in range(readings)) / 1e6
    return {
        "reading_s": reading_s,
        "conversion_s": 8 * conversion_s,
        "noise_milliohms": 1e3 * noise_ohms,
        "time_ratio": reading_s / least_s,
        "quick_s": shown["test_ms_quick"] / 1e3,
        "guided_s": shown["test_ms_guided"] / 1e3,
        "quick_zero_power_s": shown["test_ms_quick_zero_power"] / 1e3,
    }
