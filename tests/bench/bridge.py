"""The bridge in simulated time: how long a reading takes, how quiet it is, and how far off in the high range."""

from __future__ import annotations

import statistics
import tempfile
import tomllib
from collections.abc import Iterator
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path
from typing import Any

import numpy as np
from figures import AT_MOST, Figure, Group, figure
from paths import ROOT, cores, load_module

from probecore import counts
from probeledger.virtual import scenario
from probeledger.virtual.device import VirtualTester

# Each tester is drawn with its own part values.
_SEEDS = (1, 2, 3, 4, 5, 6, 7, 8)
_LOW_OHMS = 1100.0
_LOW_READINGS = 100
# What the high range is calibrated with, and what it then has to show: no value twice.
_REFERENCES_OHMS = (12e3, 120e3, 820e3)
_CHECKED_OHMS = (10e3, 100e3, 1e6)
_HIGH_PERCENT = (0.1, 0.1, 0.3)
_HIGH_SEEDS = (1, 2, 3)
_HIGH_READINGS = 12
# Oven, place, seed of the tester.
_TESTS = (
    ("good-sensor", "sensor", 1),
    ("good-sensor", "sensor", 2),
    ("good-sensor", "control-end", 3),
    ("wrong-curve", "sensor", 4),
)
_SAVED_HZ = 2000
_PATIENCE_US = 30_000_000

_SCRIPT = """
async def main():
    front = make_front()
    bridge = Bridge(front)
    await bridge.check()
    reading = bridge.new_reading()
    for number in range(RESISTORS):
        front.clean()
        look = await bridge.look()
        for _ in range(READINGS):
            front.clean()
            begun = time.ticks_us()
            await bridge.read(look.plan, reading)
            took = time.ticks_diff(time.ticks_us(), begun)
            show("r%d" % number, [look.plan.range, took] + list(reading))
        print("swap%d" % number)
        await asyncio.sleep(0.5)
finish(main())
"""


def _readings(ohms: tuple[float, ...], number: int, seed: int) -> list[list[tuple[float, float, list[int]]]]:
    """Return, for each resistor [ohm], readings: (seconds, ratio, counts)."""
    helper = load_module(ROOT / "tests" / "firmware" / "virtual_bench.py")

    def act(tester: VirtualTester) -> Iterator[Any]:
        for index, value in enumerate(ohms):
            tester.world.clip_resistor(value)
            yield lambda index=index: f"swap{index}" in tester.console

    script = f"RESISTORS = {len(ohms)}\nREADINGS = {number}\n{_SCRIPT}"
    with tempfile.TemporaryDirectory() as folder:
        shown = helper.run(
            Path(folder), script, lambda world: world.clip_resistor(ohms[0]), ideal=False, seed=seed, act=act
        )
    found: list[list[tuple[float, float, list[int]]]] = [[] for _ in ohms]
    # `shown` keeps the last line of a name only: all of them stand in the console.
    for line in shown["console"].splitlines():
        name, equals, rest = line.partition("=")
        if equals and name[:1] == "r" and name[1:].isdigit():
            range_, took_us, *taken = [part.strip(' "') for part in rest.strip("[]").split(",")]
            expected = "low" if ohms[int(name[1:])] < 4500 else "high"
            if range_ != expected:
                raise RuntimeError(f"{ohms[int(name[1:])]:g} ohm was read in the {range_} range")
            reading = [int(count) for count in taken]
            found[int(name[1:])].append((int(took_us) / 1e6, counts.ratio(reading), reading))
    if any(len(readings) != number for readings in found):
        raise RuntimeError(f"the tester did not make its readings: {shown['console'][-500:]}")
    return found


def _adc() -> tuple[float, float, float]:
    """Return the converter's noise at gain 4 [V], its conversion time [s], both at 20 per second, and the supply [V].

    Source: SBAS501C, table 1 (as tester.toml has it) and table 11 (204768 clock periods).
    """
    with (ROOT / "hardware" / "tester.toml").open("rb") as file:
        circuit = tomllib.load(file)
    adc = circuit["chips"]["adc"]
    return adc["noise_microvolts"]["20"][2] * 1e-6, 204768 / adc["clock_hz"], circuit["tester"]["supply_volts"]


def least_seconds(noise_ohms: float, reading: list[int], reference_ohms: float) -> float:
    """Return the shortest time in which the converter alone could reach a noise [s].

    The probe's and the reference's voltages are read n and m times at the noise e of one conversion. With the current
    I, a = e/I and b = a R/R_ref, the variance a^2/n + b^2/m is reached with fewest conversions, (a + b)^2/noise^2,
    where n:m is a:b. Settling, reversal and the exchange with the converter take no time here.

    Args:
        noise_ohms: standard deviation of a reading [ohm].
        reading: eight counts of one reading at gain 4.
        reference_ohms: the reference resistor [ohm].
    """
    noise_volts, conversion_s, supply_volts = _adc()
    reference, probe = counts.sums(reading)
    amps = reference / 4 / 2**23 * supply_volts / 4 / reference_ohms
    of_probe = noise_volts / amps
    of_reference = of_probe * probe / reference
    return (of_probe + of_reference) ** 2 / noise_ohms**2 * conversion_s


def _low_range(reference_ohms: float) -> list[Figure]:
    seconds: list[float] = []
    noises: list[float] = []
    against_least: list[float] = []
    against_bare: list[float] = []
    bare_s = 8 * _adc()[1]
    for (taken,) in _on_testers((_LOW_OHMS,), _LOW_READINGS, _SEEDS):
        usual_s = statistics.median(one[0] for one in taken)
        noise_ohms = reference_ohms * statistics.stdev(one[1] for one in taken)
        seconds += [one[0] for one in taken]
        noises.append(1e3 * noise_ohms)
        against_least.append(usual_s / least_seconds(noise_ohms, taken[0][2], reference_ohms))
        against_bare.append(usual_s / bare_s)
    return [
        figure("one reading at 1.1 kΩ", seconds, "s", (AT_MOST, 0.6)),
        figure("its noise (k = 1)", noises, "mΩ", (AT_MOST, 10.0)),
        figure("its time against the converter's least for this noise", against_least, "times", (AT_MOST, 1.3)),
        figure("its time against eight bare conversions", against_bare, "times"),
    ]


def _on_testers(
    ohms: tuple[float, ...], number: int, seeds: tuple[int, ...]
) -> Iterator[list[list[tuple[float, float, list[int]]]]]:
    """Yield `_readings` of several testers; as their time is simulated, they may run side by side."""
    with ProcessPoolExecutor(cores()) as pool:
        yield from pool.map(_readings, [ohms] * len(seeds), [number] * len(seeds), seeds)


def _high_range(reference_ohms: float) -> list[Figure]:
    errors: list[list[float]] = [[] for _ in _CHECKED_OHMS]
    noises: list[list[float]] = [[] for _ in _CHECKED_OHMS]
    before: list[list[float]] = [[] for _ in _CHECKED_OHMS]
    for taken in _on_testers((*_REFERENCES_OHMS, *_CHECKED_OHMS), _HIGH_READINGS, _HIGH_SEEDS):
        raw = [np.array([reference_ohms * one[1] for one in readings]) for readings in taken]
        gain, offset = fit_conductance([float(values.mean()) for values in raw[:3]], list(_REFERENCES_OHMS))
        for index, ohms in enumerate(_CHECKED_OHMS):
            values = raw[3 + index]
            off = values / (gain + offset * values) / ohms - 1.0
            errors[index].append(100 * float(np.sqrt((off**2).mean())))
            noises[index].append(100 * float(off.std(ddof=1)))
            before[index].append(100 * abs(float(values.mean()) / ohms - 1.0))
    figures = []
    for index, (ohms, limit) in enumerate(zip(_CHECKED_OHMS, _HIGH_PERCENT, strict=True)):
        name = f"{ohms / 1e3:g} kΩ" if ohms < 1e6 else f"{ohms / 1e6:g} MΩ"
        figures += [
            figure(f"error of a reading at {name}, calibrated (rms)", errors[index], "%", (AT_MOST, limit)),
            figure(f"of it noise at {name} (k = 1)", noises[index], "%"),
            figure(f"error at {name} before calibration", before[index], "%"),
        ]
    return figures


def fit_conductance(raw_ohms: list[float], ohms: list[float]) -> tuple[float, float]:
    """Fit 1/ohms = gain/raw + offset to reference resistors, each of the same relative weight.

    Returns:
        gain [1] and offset [S].
    """
    true = np.array(ohms)
    matrix = np.column_stack((true / np.array(raw_ohms), true))
    (gain, offset), *_ = np.linalg.lstsq(matrix, np.ones(len(ohms)), rcond=None)
    return float(gain), float(offset)


def _quick_test(oven: str, place: str, seed: int) -> float:
    """Return how long a test takes from the key to the sound that says saved [simulated s]."""

    def act(tester: VirtualTester) -> Iterator[Any]:
        tester.world.unplug_usb()
        tester.world.clip(place)
        tester.world.clip_chassis()
        yield 4.0
        if place == "control-end":
            tester.world.press("next")
            yield 1.0
        heard = len(tester.world.beeps)
        begun_us = tester.now_us
        tester.world.press("ok")

        def over() -> bool:
            return bool(tester.world.beeps[heard:]) or tester.now_us - begun_us > _PATIENCE_US

        yield over
        sounds = tester.world.beeps[heard:]
        if not sounds or sounds[0].hz != _SAVED_HZ:
            raise RuntimeError(f"the test of a good sensor did not end well: {sounds}")
        return (sounds[0].time_us - begun_us) / 1e6

    with (
        tempfile.TemporaryDirectory() as folder,
        VirtualTester(Path(folder), scenario=scenario.load(oven), seed=seed) as tester,
    ):
        tester.power_on()
        return float(tester.run(act))


def measure() -> list[Group]:
    """Measure everything of the bridge."""
    reference_ohms = load_module(ROOT / "firmware" / "board.py").REFERENCE_OHMS
    low = Group(
        "One reading",
        f"On the virtual tester, in simulated time: {len(_SEEDS)} testers with drawn part values read a resistor of "
        f"1.1 kΩ {_LOW_READINGS} times each. The converter's least time is that in which it alone, without settling, "
        "reversal or talk on its bus, could read probe and reference often enough for the noise that was measured; its "
        "spread is that of a noise estimated from so many readings.",
        _low_range(reference_ohms),
    )
    high = Group(
        "High range",
        f"On the virtual tester: {len(_HIGH_SEEDS)} testers with drawn part values are calibrated in conductance with "
        f"three reference resistors of exactly known value (12 kΩ, 120 kΩ, 820 kΩ), then read other resistors, "
        f"{_HIGH_READINGS} times each. Spread: over the testers.",
        _high_range(reference_ohms),
    )
    with ProcessPoolExecutor(cores()) as pool:
        seconds = list(pool.map(_quick_test, *zip(*_TESTS, strict=True)))
    test = Group(
        "The whole test",
        "On the virtual tester, in simulated time, with the unchanged firmware: a good sensor, chassis clip on, from "
        "pressing the key to the sound that says saved. Everything is in it: foreign voltage, contact, readings, "
        "settling, isolation, verdict, display, and the record in the flash.",
        [figure("quick test, good sensor", seconds, "s", (AT_MOST, 5.0))],
    )
    return [low, high, test]
