"""Measurements of the real firmware on the virtual tester, against what the circuit's description and physics say.

Expected values are those that a scenario puts into the circuit, which is solved node by node and checked against
ngspice elsewhere. Published noise: Texas Instruments SBAS501C, table 1.
"""

import importlib.util
import math
from pathlib import Path

import pytest

_spec = importlib.util.spec_from_file_location("virtual_bench", Path(__file__).with_name("virtual_bench.py"))
bench = importlib.util.module_from_spec(_spec)
_spec.loader.exec_module(bench)

MEASURE = """
from measure import bench

async def main():
    front = make_front()
    bridge = Bridge(front)
    front.clean()
    begun = time.ticks_ms()
    result = await bench.measure(bridge, nominal, READINGS, **OPTIONS)
    show("ms", time.ticks_diff(time.ticks_ms(), begun))
    show("result", result)
finish(main())
"""


def measured(tmp_path, ohms, readings=1, **kwargs):
    script = f"READINGS = {readings}\nOPTIONS = {{}}\n" + MEASURE
    return bench.run(tmp_path, script, lambda world: world.clip_resistor(ohms), **kwargs)


@pytest.mark.parametrize(
    ("ohms", "range_", "gain", "tolerance"),
    [
        (0.0, "low", 4, 0.001),
        (100.0, "low", 4, 0.001),
        (1100.0, "low", 4, 0.001),
        (2500.0, "low", 4, 0.002),
        (4000.0, "low", 2, 0.003),
        (10e3, "high", 4, 0.05),
        (100e3, "high", 1, 1.5),
        (1e6, "high", 1, 120.0),
    ],
)
def test_ideal_parts_give_the_resistance(tmp_path, ohms, range_, gain, tolerance):
    # What is left is the count's own width.
    result = measured(tmp_path, ohms)["result"]
    assert (result["range"], result["gain"]) == (range_, gain)
    assert result["leads"] == ("connected" if ohms else "short")
    assert result["ohms"] == pytest.approx(ohms, abs=tolerance)
    assert result["bypass"] is (range_ == "high")


@pytest.mark.parametrize("seed", [3, 4, *[pytest.param(seed, marks=pytest.mark.long) for seed in range(5, 13)]])
@pytest.mark.parametrize("ohms", [100.0, 1100.0, 3000.0])
def test_drawn_parts_stay_within_the_stated_uncertainty(tmp_path, ohms, seed):
    result = measured(tmp_path, ohms, readings=2, ideal=False, seed=seed)["result"]
    assert abs(result["ohms"] - ohms) < 2.5 * result["u_ohms"]
    # 0.05 % reference, rectangular, rules; nothing may hide behind a larger figure.
    assert result["u_ohms"] < 0.0006 * ohms / math.sqrt(3) + 0.03


def test_high_range_uncalibrated(tmp_path):
    # 0.15 % at 10 kohm, 0.2 % to 100 kohm, 1.3 % at 1 Mohm by simulation of the circuit
    for number, (ohms, share) in enumerate(((10e3, 0.0015), (100e3, 0.002), (1e6, 0.013))):
        folder = tmp_path / str(number)
        folder.mkdir()
        result = measured(folder, ohms, ideal=False, seed=8)["result"]
        assert result["ohms"] == pytest.approx(ohms, rel=share)


def test_noise_and_time_of_a_reading(tmp_path):
    shown = measured(tmp_path, 1100.0, readings=24, ideal=False, seed=2)
    result = shown["result"]
    signs = (1, -1, -1, 1)
    values = []
    for reading in result["readings"]:
        reference = sum(s * reading[i] for s, i in zip(signs, (0, 3, 4, 7), strict=True))
        probe = sum(s * reading[i] for s, i in zip(signs, (1, 2, 5, 6), strict=True))
        values.append(1500 * probe / reference)
    mean = sum(values) / len(values)
    deviation = math.sqrt(sum((value - mean) ** 2 for value in values) / (len(values) - 1))
    # 1.15 uV at gain 4 makes 2.5 mohm of eight conversions at 1.1 kohm; the aim is 10.
    assert 0.0012 < deviation < 0.010
    # Each reading at most 0.6 s; eight conversions of 50 ms are its floor.
    assert (shown["ms"] - 180) / 24 < 600


def test_times_and_noise_that_the_bench_prints(tmp_path):
    found = bench.times_and_noise(tmp_path, seed=2)
    assert 0.39 < found["conversion_s"] < found["reading_s"] < 0.6
    assert 1.2 < found["noise_milliohms"] < 10
    # 40 readings know their noise to 11 %, and its square to 22 %.
    assert 0.6 < found["time_ratio"] < 1.3 * 1.4
    assert 3.5 < found["quick_s"] < found["guided_s"] <= 5.0
    assert 1.5 < found["quick_zero_power_s"] - found["quick_s"] < 2.0


def test_reversal_cancels_a_thermal_voltage(tmp_path):
    values = []
    for number, microvolts in enumerate((0.0, 200.0)):
        folder = tmp_path / str(number)
        folder.mkdir()
        element = {"curve": "resistor", "r0_ohms": 1000.0, "emf_microvolts": microvolts}
        oven = bench.scenario(element=element)
        shown = bench.run(folder, "READINGS = 1\nOPTIONS = {}\n" + MEASURE, lambda world: world.clip("sensor"), oven)
        values.append(shown["result"])
    forward = [result["readings"][0][1] for result in values]
    # 200 uV is 0.7 ohm in one direction alone.
    assert abs(forward[0] - forward[1]) > 1500
    assert abs(values[0]["ohms"] - values[1]["ohms"]) < 0.01


LOOK = """
async def main():
    front = make_front()
    bridge = Bridge(front)
    front.clean()
    look = await bridge.look()
    show("leads", look.leads)
    show("note", look.note)
    show("state", list(front.state))
finish(main())
"""


@pytest.mark.parametrize("fault", ["none", "open"])
@pytest.mark.parametrize("jaw", ["none", "F+", "S+", "S-", "F-"])
def test_a_lost_jaw_is_told_from_an_open_element(tmp_path, jaw, fault):
    oven = bench.scenario(element={"fault": fault}, clips={"lost": jaw})
    shown = bench.run(tmp_path, LOOK, lambda world: world.clip("sensor"), oven, ideal=False)
    expected = "sense-lost" if jaw != "none" else "open" if fault == "open" else "connected"
    assert shown["leads"] == expected
    assert (shown["note"] is not None) is (jaw != "none")
    assert shown["state"] == [2] * 5  # all drivers off


def test_clips_in_the_air_are_no_open_sensor(tmp_path):
    shown = bench.run(tmp_path, LOOK, ideal=False)
    assert shown["leads"] == "sense-lost"


def test_an_open_element_with_a_leak_is_open(tmp_path):
    for number, lead in enumerate("ab"):
        folder = tmp_path / str(number)
        folder.mkdir()
        oven = bench.scenario(element={"fault": "open"}, leak={"from": lead, "ohms": 2000.0})

        def clip(world):
            world.clip("sensor")
            world.clip_chassis()

        assert bench.run(folder, LOOK, clip, oven, ideal=False)["leads"] == "open"


QUIET = """
import micropython
from measure import flex
from measure.foreign import ForeignVoltage, _FIRST
from probecore.flex import FlexCounter

async def main():
    front = make_front()
    bridge = Bridge(front)
    adc = front.adc
    front.clean()
    reading = bridge.new_reading()
    adc.setup(20)
    row = bridge.fill(reading, frontend.FORWARD, frontend.REVERSE, 5, 4, False)
    gc.collect()
    micropython.heap_lock()
    try:
        await row
    finally:
        micropython.heap_unlock()
    show("reading", list(reading))
    front.drive(frontend.FORWARD)
    adc.select(0x30, 4, True)
    adc.setup(175, turbo=True, continuous=True)
    adc.start()
    counter = FlexCounter()
    begun = time.ticks_ms()
    micropython.heap_lock()
    try:
        flex.take(adc, counter, 3, 10160000, begun, 500)
    finally:
        micropython.heap_unlock()
    show("flex_readings", counter.readings)
    foreign = ForeignVoltage(front)
    front.off()
    adc.setup(1000)
    begun = time.ticks_us()
    micropython.heap_lock()
    try:
        count = foreign._scan(_FIRST, begun)
    finally:
        micropython.heap_unlock()
    show("scanned", count)
    try:
        micropython.heap_lock()
        try:
            bytearray(1000)
        finally:
            micropython.heap_unlock()
    except MemoryError:
        show("lock_works", True)
finish(main())
"""


def test_sampling_loops_allocate_nothing(tmp_path):
    shown = bench.run(tmp_path, QUIET, lambda world: world.clip_resistor(1100.0))
    assert shown["lock_works"] and "error" not in shown
    assert shown["reading"][1] > 3_000_000
    assert shown["flex_readings"] >= 45  # of half a second: at least 90 a second
    assert shown["scanned"] >= 60


LONG = pytest.mark.long

FOREIGN = """
from measure.foreign import ForeignVoltage

async def main():
    front = make_front()
    found = await ForeignVoltage(front).look()
    show("found", found)
    show("locked", front.locked)
    try:
        front.drive(frontend.FORWARD)
        show("drives", True)
    except frontend.DriveRefused:
        show("drives", False)
    front.off()
finish(main())
"""


def looked(tmp_path, seed=1, **tables):
    def clip(world):
        world.clip("sensor")
        world.clip_chassis()

    return bench.run(tmp_path, FOREIGN, clip, bench.scenario(**tables), ideal=False, seed=seed)


@pytest.mark.parametrize("fault", [pytest.param("none", marks=LONG), "open"])
@pytest.mark.parametrize(
    ("between", "dc", "ac", "hertz"),
    [
        (["a", "chassis"], 0.3, None, 50.0),
        (["a", "chassis"], -0.3, None, 50.0),
        (["b", "chassis"], 12.0, None, 50.0),
        (["b", "chassis"], None, 0.3, 60.0),
        (["a", "chassis"], None, 1.9, 50.0),
        (["a", "chassis"], None, 42.0, 50.0),
    ],
)
def test_a_stiff_voltage_is_seen(tmp_path, between, dc, ac, hertz, fault):
    foreign = {"between": between}
    if dc is None:
        foreign |= {"ac_volts": ac, "hertz": hertz}
    else:
        foreign["dc_volts"] = dc
    shown = looked(tmp_path, foreign=foreign, element={"fault": fault})
    found = shown["found"]
    assert found["seen"] and not shown["drives"]
    if fault == "open":
        assert found["at"] == f"lead {between[0]} to chassis"
    size = abs(dc if ac is None else ac)
    shows = abs(found["dc_volts" if ac is None else "ac_volts"])
    if size < 2:
        assert shows == pytest.approx(size, rel=0.1)
        assert not found["over_range"]
    else:
        assert found["over_range"] and shows > 2


@pytest.mark.parametrize("dc", [0.3, -0.3])
def test_a_voltage_between_open_leads_is_seen(tmp_path, dc):
    shown = looked(tmp_path, foreign={"between": ["a", "b"], "dc_volts": dc}, element={"fault": "open"})
    assert shown["found"]["seen"] and shown["found"]["at"] == "lead a to lead b"
    assert shown["found"]["dc_volts"] == pytest.approx(dc, rel=0.1)


@pytest.mark.parametrize("hertz", [50.0, 60.0])
@pytest.mark.parametrize("picofarads", [10.0, 100.0])
@pytest.mark.parametrize("jaw_2_ohms", [pytest.param(0.2, marks=LONG), 1e6])
def test_hum_on_an_open_lead_is_no_voltage(tmp_path, picofarads, hertz, jaw_2_ohms):
    shown = looked(
        tmp_path,
        pickup={"picofarads": picofarads, "hertz": hertz},
        element={"fault": "open"},
        chassis={"jaw_2_ohms": jaw_2_ohms},
    )
    assert not shown["found"]["seen"] and shown["drives"]
    # It was there to be mistaken.
    assert shown["found"]["ac_volts"] > (0.2 if picofarads == 10.0 else 1.5)


@pytest.mark.parametrize("seed", [1, 2, *[pytest.param(seed, marks=LONG) for seed in range(3, 21)]])
def test_the_tester_s_own_leakage_is_no_voltage(tmp_path, seed):
    for number, tables in enumerate(({}, {"element": {"fault": "open"}}, {"leak": {"from": "a", "ohms": 40e3}})):
        folder = tmp_path / str(number)
        folder.mkdir()
        assert not looked(folder, seed=seed, **tables)["found"]["seen"]


def test_no_pin_drives_while_a_large_voltage_is_there(tmp_path):
    outputs = []

    def prepare(tester):
        configure = tester.board.gpio_configure
        pins = tester.board.description.pins
        drive = {pins[name] for name in ("drive_a", "drive_b", "drive_high_range", "drive_chassis", "drive_jaw")}

        def watch(pin, mode, pull=None, value=None):
            if pin in drive and mode == "out":
                outputs.append(pin)
            return configure(pin, mode, pull, value)

        tester.board.gpio_configure = watch

    def clip(world):
        world.clip("sensor")
        world.clip_chassis()

    for number, (volts, driven) in enumerate(((5.0, False), (0.5, True))):
        folder = tmp_path / str(number)
        folder.mkdir()
        outputs.clear()
        oven = bench.scenario(foreign={"between": ["a", "chassis"], "dc_volts": volts})
        shown = bench.run(folder, FOREIGN, clip, oven, ideal=False, prepare=prepare)
        assert shown["found"]["seen"]
        # Below 2 V the jaws give the load step; above nothing is an output. (The watch sees what there is to see.)
        assert bool(outputs) is driven


ISOLATION = """
from measure import contact, isolation
async def main():
    front = make_front()
    bridge = Bridge(front)
    check = await bridge.check()
    front.clean()
    touch = await contact.prove(front, check.supply_volts)
    show("touch", list(touch))
    leg = (await bridge.leg_ohms()) if ELEMENT else None
    show("leg", leg)
    begun = time.ticks_ms()
    found, raw = await isolation.measure(front, check.supply_volts, ELEMENT, 0.5, leg)
    show("ms", time.ticks_diff(time.ticks_ms(), begun))
    show("found", isolation.record_map(found, raw) if found else None)
finish(main())
"""


def isolated(tmp_path, element_ohms, setup=lambda world: None, seed=7, **tables):
    def clip(world):
        world.clip("sensor")
        world.clip_chassis()
        setup(world)

    script = f"ELEMENT = {element_ohms}\n" + ISOLATION
    return bench.run(tmp_path, script, clip, bench.scenario(**tables), ideal=False, seed=seed)


@pytest.mark.parametrize("position", [pytest.param(0.0, marks=LONG), 0.3, pytest.param(1.0, marks=LONG)])
@pytest.mark.parametrize("ohms", [1e3, 40e3, 1e6, 20e6])
def test_a_leak_is_measured_and_placed(tmp_path, ohms, position):
    shown = isolated(tmp_path, 1089.6, leak={"from": position, "ohms": ohms})
    found = shown["found"]
    assert shown["touch"][0]
    for lead in "ab":
        assert not found[lead]["greater"]
        assert abs(found[lead]["ohms"] - ohms) < 2.5 * found[lead]["u_ohms"]
        assert found[lead]["u_ohms"] < 0.02 * ohms + 60
    assert found["separable"]
    assert abs(found["position"] - position) < 3 * found["u_position"] + 0.003
    assert shown["ms"] < 900


def test_the_drive_path_is_measured(tmp_path):
    # 3300 and 1000 ohm of 1 %, 30 ohm of the pin, 235 kohm of bleeds across the lower two
    assert 4325 * 0.985 < isolated(tmp_path, 1089.6)["leg"] < 4325 * 1.015


def test_open_leads_are_told_apart(tmp_path):
    shown = isolated(tmp_path, None, element={"fault": "open"}, leak={"from": "b", "ohms": 200e3})
    assert shown["found"]["a"]["greater"]
    assert shown["found"]["b"]["ohms"] == pytest.approx(200e3, rel=0.02)


@pytest.mark.parametrize("seed", [1, *[pytest.param(seed, marks=LONG) for seed in range(2, 9)]])
def test_a_good_sensor_gives_a_limit(tmp_path, seed):
    found = isolated(tmp_path, 1089.6, seed=seed)["found"]
    for lead in "ab":
        assert found[lead]["greater"] and found[lead]["ohms"] >= 50e6 and found[lead]["reason"]


@pytest.mark.parametrize(
    ("chassis", "clipped", "proven"),
    [
        ({}, True, True),
        ({"painted": True}, True, False),
        ({"jaw_2_ohms": 150.0}, True, False),
        ({}, False, False),
    ],
)
def test_contact_of_the_chassis_clip(tmp_path, chassis, clipped, proven):
    def setup(world):
        if not clipped:
            world.unclip_chassis()

    shown = isolated(tmp_path, 1089.6, setup, chassis=chassis)
    assert shown["touch"][0] is proven


def test_a_chassis_that_a_computer_holds_proves_nothing(tmp_path):
    shown = isolated(tmp_path, 1089.6, lambda world: world.plug_usb())
    assert shown["touch"][0] is False and shown["touch"][2] is False and shown["found"] is None
