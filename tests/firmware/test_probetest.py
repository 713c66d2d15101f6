"""The guided probe test of the real firmware on the virtual tester: order, interlocks, what the record says.

The ovens are invented. Verdicts follow from the physics that a scenario puts into the circuit, never from its name.
"""

import dataclasses
import importlib.util
from pathlib import Path

import pytest

from probecore import findings
from probeledger.virtual.scenario import Intermittent

_spec = importlib.util.spec_from_file_location("virtual_bench", Path(__file__).with_name("virtual_bench.py"))
bench = importlib.util.module_from_spec(_spec)
_spec.loader.exec_module(bench)

SCRIPT = """
from guided.probetest import Instruments, ProbeTest
begun = time.ticks_ms()
stages = []
calls = 0

def progress(stage, value):
    global calls
    calls += 1
    if value is None:
        stages.append(stage)
    if CANCEL_AT and stage == CANCEL_AT and value is not None:
        test.cancel()

async def main():
    global test
    front = make_front()
    ambient = {"celsius": AMBIENT, "u_celsius": 0.25, "source": "sensor"}
    usb = Pin(board.PIN_USB_SENSE, Pin.IN)
    tools = Instruments(front, Bridge(front), lambda: ambient, lambda: usb(), lambda: 3.9)
    test = ProbeTest(tools, nominal, progress, **CHOICES)
    body = await test.run()
    show("ms", time.ticks_diff(time.ticks_ms(), begun))
    show("stages", stages)
    show("calls", calls)
    show("state", list(front.state))
    from probecore import cbor
    show("bytes", len(cbor.dumps(body)))
    show("body", body)
finish(main())
"""


def of_probe(body):
    """Return the findings about the probe; these testers have no calibration, which stands beside them."""
    probe, tester = findings.split(body["findings"])
    assert tester == (["uncalibrated"] if body["leads"] else [])
    return probe


def run_test(folder, choices=None, ambient=23.0, setup=lambda world: None, cancel_at=None, chassis=True, **kwargs):
    choices = choices or {}
    tables = kwargs.pop("tables", {})

    def clip(world):
        world.clip(choices.get("place", "sensor"))
        if chassis:
            world.clip_chassis()
        setup(world)

    script = f"AMBIENT = {ambient!r}\nCHOICES = {choices!r}\nCANCEL_AT = {cancel_at!r}\n" + SCRIPT
    oven = kwargs.pop("oven", None) or bench.scenario(**tables)
    shown = bench.run(folder, script, clip, oven, ideal=False, **kwargs)
    assert "body" in shown, shown["console"]
    assert shown["state"] == [2] * 5  # the drivers are off at the end, whatever happened
    return shown


@pytest.mark.parametrize("seed", [1, *[pytest.param(seed, marks=pytest.mark.long) for seed in range(2, 13)]])
def test_a_good_sensor_passes_in_five_seconds(tmp_path, seed):
    shown = run_test(tmp_path, seed=seed)
    body = shown["body"]
    assert body["verdict"] == "pass" and of_probe(body) == [], body
    assert shown["ms"] <= 5000
    assert shown["stages"] == ["check", "foreign", "leads", "settle", "contact", "isolation", "foreign"]
    assert abs(body["celsius"] - 23.0) < 3 * body["u_celsius"]
    assert body["u_celsius"] < 0.15  # 0.05 % of the reference resistor's tolerance: 0.08 degrees C
    assert body["contact"]["proven"] and body["isolation"]["a"]["greater"] and body["isolation"]["b"]["greater"]
    assert set(body["not_checked"]) == {"harness", "flex"}
    assert shown["bytes"] < 3900  # an item of the ledger has 4096 bytes at most


@pytest.mark.parametrize(
    ("tables", "verdict", "expected"),
    [
        ({"element": {"fault": "open"}}, "fail", {"open-circuit"}),
        ({"element": {"fault": "short"}}, "fail", {"short-circuit"}),
        ({"leak": {"from": "a", "ohms": 40e3}}, "fail", {"leak-to-chassis"}),
        ({"leak": {"from": "a", "ohms": 5e6}}, "pass", set()),
        ({"temperature": {"celsius": 35.0}}, "fail", {"ambient-disagrees"}),
        ({"temperature": {"start_celsius": 60.0, "tau_minutes": 4.0}}, "undecided", {"not-settled"}),
        ({"chassis": {"painted": True}}, "undecided", {"no-chassis-contact"}),
        ({"clips": {"lost": "S+"}}, "undecided", {"sense-lost"}),
        ({"foreign": {"between": ["a", "chassis"], "dc_volts": 12.0}}, "undecided", {"voltage-on-leads"}),
        ({"foreign": {"between": ["a", "chassis"], "ac_volts": 0.4}}, "undecided", {"voltage-on-leads"}),
        ({"pickup": {"picofarads": 100.0}}, "pass", set()),
    ],
)
def test_verdict_follows_the_circuit(tmp_path, tables, verdict, expected):
    body = run_test(tmp_path, tables=tables)["body"]
    assert body["verdict"] == verdict, body
    assert set(of_probe(body)) == expected


def test_harness_of_twelve_ohm_is_found_at_the_control_end(tmp_path):
    verdicts = []
    for ohms in (12.0, 0.0):
        tables = {"harness": {"series_ohms": ohms}}
        sensor, control = tmp_path / f"sensor{ohms}", tmp_path / f"control{ohms}"
        sensor.mkdir()
        control.mkdir()
        first = run_test(sensor, tables=tables)["body"]
        choices = {"place": "control-end", "sensor_end": (first["ohms"], first["u_ohms"], 1, first["verdict"])}
        body = run_test(control, choices, tables=tables)["body"]
        assert body["harness"]["ohms"] == pytest.approx(ohms + 0.16, abs=0.4)
        verdicts.append((body["verdict"], of_probe(body)))
    assert verdicts == [("fail", ["harness-resistance"]), ("pass", [])]


def test_usb_is_refused_before_anything_else(tmp_path):
    shown = run_test(tmp_path, setup=lambda world: world.plug_usb())
    body = shown["body"]
    assert body["refused"] == "usb" and body["verdict"] == "undecided" and body["findings"] == ["usb-refused"]
    assert shown["stages"] == [] and body["foreign"] is None and body["usb"] is True


def test_a_voltage_that_comes_later_is_seen(tmp_path):
    late = bench.scenario(foreign={"between": ["b", "chassis"], "dc_volts": 5.0}).foreign

    def act(tester):
        yield 1.2
        tester.world.scenario = dataclasses.replace(tester.world.scenario, foreign=late)
        tester.world._changed()
        yield 4.0

    body = run_test(tmp_path, act=act)["body"]
    assert body["foreign"]["seen"] and body["findings"] == ["voltage-on-leads"] and body["verdict"] == "undecided"
    assert body["isolation"] is None


@pytest.mark.parametrize("at_s", [pytest.param(0.02, marks=pytest.mark.long), 0.15, 0.9, 3.3])
@pytest.mark.parametrize("kind", ["gone", "reset"])
def test_a_converter_that_fails_stops_the_verdict(tmp_path, at_s, kind):
    def act(tester):
        yield at_s
        if kind == "gone":
            tester.board.missing.add("adc")
        else:
            tester.board.adc.power_off()
            tester.board.adc.power_on()
        yield 4.0

    body = run_test(tmp_path, act=act)["body"]
    assert body["fault"].startswith("adc-") and body["fault_text"].endswith(".")
    assert body["verdict"] == "undecided" and body["findings"] == ["adc-fault"]


def test_clips_that_come_off_in_the_middle_are_noticed(tmp_path):
    def act(tester):
        yield 1.0
        tester.world.unclip()
        yield 6.0

    body = run_test(tmp_path, act=act)["body"]
    assert body["verdict"] == "undecided" and body["disturbed"] > 0


@pytest.mark.parametrize("at_s", [2.6, 3.0, 3.4, 3.8])
def test_a_chassis_clip_that_falls_off_is_no_good_isolation(tmp_path, at_s):
    """At a leaking oven, at moments around the isolation: either the leak is seen, or nothing is said of isolation."""
    leak = {"from": "a", "ohms": 40e3}

    def act(tester):
        yield at_s
        tester.world.unclip_chassis()
        yield 4.0

    body = run_test(tmp_path, act=act, tables={"leak": leak})["body"]
    if body["isolation"] is None:
        assert "no-chassis-contact" in of_probe(body) and body["verdict"] == "undecided"
    else:
        assert body["isolation"]["a"]["ohms"] == pytest.approx(40e3, rel=0.1) and body["verdict"] == "fail"


def test_cancelling_leaves_nothing_driven(tmp_path):
    for stage in ("settle", "isolation"):
        folder = tmp_path / stage
        folder.mkdir()
        shown = run_test(folder, cancel_at=stage)
        assert shown["body"] is None
        assert shown["ms"] < 4200


def test_patience_waits_until_a_warm_probe_rests(tmp_path):
    tables = {"temperature": {"start_celsius": 27.0, "tau_minutes": 1.5}}
    shown = run_test(tmp_path, {"patience_s": 1200}, tables=tables)
    body = shown["body"]
    assert body["verdict"] == "pass" and body["settling"]["settled"]
    # The slope falls below 0.08 degrees C a minute when 0.12 degrees C are left (exponential, 1.5 minutes).
    assert 23.0 < body["celsius"] < 23.0 + 0.12 + 3 * body["u_celsius"]
    assert shown["ms"] > 5 * 60000


def bend(tester):
    yield 4.8
    tester.world.bend(8.0)
    yield 8.5


@pytest.mark.parametrize("open_ms", [30.0, 120.0])
def test_flex_counts_dropouts(tmp_path, open_ms):
    intermittent = {"period_s": 2.0, "open_ms": open_ms, "when": "bent", "where": "harness"}
    shown = run_test(
        tmp_path,
        {"mode": "flex", "flex_s": 10, "place": "control-end"},
        tables={"harness": {"intermittent": intermittent}},
        act=bend,
    )
    flex = shown["body"]["flex"]
    assert of_probe(shown["body"]) == ["intermittent"] and shown["body"]["verdict"] == "fail"
    assert 3 <= flex["dropouts"] <= 5
    assert flex["longest_dropout_ms"] == pytest.approx(open_ms, abs=10)
    assert flex["readings"] / flex["seconds"] > 90


def test_flex_of_a_still_lead_counts_nothing(tmp_path):
    shown = run_test(
        tmp_path, {"mode": "flex", "flex_s": 20, "place": "control-end"}, tables={"pickup": {"picofarads": 5.0}}
    )
    flex = shown["body"]["flex"]
    assert flex["dropouts"] == 0 and flex["steps"] == 0 and flex["seconds"] == pytest.approx(20, abs=0.1)
    assert shown["body"]["verdict"] == "pass"


@pytest.mark.parametrize(("step_ohms", "counted"), [(3.0, True), (1.0, False)])
def test_flex_counts_steps_above_two_ohms(tmp_path, step_ohms, counted):
    joint = Intermittent(period_s=2.0, open_ms=400.0, where="harness", when="bent", step_ohms=step_ohms)
    oven = dataclasses.replace(bench.scenario(), intermittent=joint)
    shown = run_test(tmp_path, {"mode": "flex", "flex_s": 10, "place": "control-end"}, oven=oven, act=bend)
    flex = shown["body"]["flex"]
    assert flex["dropouts"] == 0
    if counted:
        assert 3 <= flex["steps"] <= 5
        assert flex["largest_step_ohms"] == pytest.approx(step_ohms, abs=0.15)
        assert of_probe(shown["body"]) == ["intermittent"]
    else:
        assert flex["steps"] == 0 and shown["body"]["verdict"] == "pass"


@pytest.mark.long
def test_ten_minutes_of_a_still_lead_count_nothing(tmp_path):
    choices = {"mode": "flex", "flex_s": 600, "place": "control-end"}
    shown = run_test(tmp_path, choices, tables={"pickup": {"picofarads": 10.0}}, timeout_s=600)
    flex = shown["body"]["flex"]
    assert flex["dropouts"] == 0 and flex["steps"] == 0 and flex["seconds"] == pytest.approx(600, abs=0.5)
