"""Self-heating from two levels of current, and two-wire leads, of the real firmware on the virtual tester.

The scenario gives the element its thermal resistance [K/mW] and time constant; the circuit warms it by the power that
really flows. Expected resistances are the element's own at its surroundings' temperature: IEC 60751, clause 4.2.
"""

import importlib.util
import json
import math
from pathlib import Path

import pytest
from click.testing import CliRunner

from probeledger import cli
from probeledger.virtual.device import VirtualTester

_spec = importlib.util.spec_from_file_location("virtual_bench", Path(__file__).with_name("virtual_bench.py"))
bench = importlib.util.module_from_spec(_spec)
_spec.loader.exec_module(bench)

LONG = pytest.mark.long
CELSIUS = 25.0
SLOPE = 3.9083 - 2 * 5.775e-4 * CELSIUS  # ohm per degree C, of 1000 ohm at 0 degC
ELEMENT_OHMS = 1000.0 * (1 + 3.9083e-3 * CELSIUS - 5.775e-7 * CELSIUS**2)
LEADS_OHMS = 0.002  # two of the scenario's smallest

MEASURE = """
from measure import bench

async def main():
    front = make_front()
    bridge = Bridge(front)
    for number in range(TIMES):
        front.clean()
        begun = time.ticks_ms()
        result = await bench.measure(bridge, nominal, READINGS, zero_power=ZERO_POWER)
        show("ms%d" % number, time.ticks_diff(time.ticks_ms(), begun))
        show("result%d" % number, result)
    show("state", list(front.state))
finish(main())
"""


def oven(kelvin_per_milliwatt, tau_s=4.0, lead_ohms=0.001, **tables):
    element = {
        "curve": "pt1000-3850",
        "self_heating_kelvin_per_milliwatt": kelvin_per_milliwatt,
        "self_heating_tau_s": tau_s,
        "lead_ohms": lead_ohms,
        **tables.pop("element", {}),
    }
    return bench.scenario(element=element, temperature={"celsius": CELSIUS}, **tables)


def measured(tmp_path, scenario, readings=4, zero_power=True, times=1, **kwargs):
    script = f"READINGS = {readings}\nZERO_POWER = {zero_power}\nTIMES = {times}\n" + MEASURE
    shown = bench.run(tmp_path, script, lambda world: world.clip("sensor"), scenario, **kwargs)
    assert shown["state"] == [2] * 5, shown["console"]
    return shown


@pytest.mark.parametrize("tau_s", [0.3, 4.0])
@pytest.mark.parametrize("kelvin_per_milliwatt", [0.0, 0.15, 0.4])
def test_zero_power_with_ideal_parts(tmp_path, kelvin_per_milliwatt, tau_s):
    shown = measured(tmp_path, oven(kelvin_per_milliwatt, tau_s))
    result = shown["result0"]
    heating = result["self_heating"]
    # 3.3 V behind 10.16 kohm and 1.1 kohm: 0.292 mA
    milliwatts = (3.2856 / (10151 + ELEMENT_OHMS)) ** 2 * ELEMENT_OHMS * 1000
    assert heating["milliwatts"] == pytest.approx(milliwatts, rel=0.005)
    assert result["element_microwatts"] == pytest.approx(1000 * milliwatts, rel=0.005)
    assert heating["faint_milliwatts"] < milliwatts / 100
    # The first look's tenth of a second of current leaves 4 % of the rise at most.
    whole_rise = kelvin_per_milliwatt * milliwatts * SLOPE
    assert heating["ohms_zero_power"] == pytest.approx(ELEMENT_OHMS + LEADS_OHMS, abs=0.002 + 0.05 * whole_rise)
    # The mean of four readings of 0.42 s, the current flowing 0.1 s after each reversal's wait without a pause.
    seconds = 4 * 0.42
    share = 1 - tau_s / seconds * (1 - math.exp(-seconds / tau_s))
    assert result["ohms"] - heating["ohms_zero_power"] == pytest.approx(
        whole_rise * share, abs=0.002 + 0.1 * whole_rise
    )
    assert heating["ohms_per_milliwatt"] == pytest.approx(
        kelvin_per_milliwatt * SLOPE * share, abs=0.03 + 0.1 * kelvin_per_milliwatt * SLOPE
    )
    # "About 2 s more" than the four readings and the look
    assert shown["ms0"] < 4 * 425 + 250 + 2000


def test_a_long_row_tells_the_elements_own_rise(tmp_path):
    heating = measured(tmp_path, oven(0.3), readings=48, ideal=False, seed=5)["result0"]["self_heating"]
    # 20 s of current with a time constant of 4 s: within a hundredth of all
    found = heating["ohms_per_milliwatt"] / SLOPE
    assert found == pytest.approx(0.3, abs=2 * heating["u_ohms_per_milliwatt"] / SLOPE)
    assert found == pytest.approx(0.3, abs=0.05)
    assert heating["u_ohms_per_milliwatt"] / SLOPE < 0.08


@pytest.mark.parametrize("seed", [3, 4, *[pytest.param(seed, marks=LONG) for seed in range(5, 17)]])
def test_zero_power_with_drawn_parts(tmp_path, seed):
    result = measured(tmp_path, oven(0.4, 0.5), ideal=False, seed=seed)["result0"]
    heating = result["self_heating"]
    # What both levels share, the reference resistor above all, cancels in the difference.
    milliwatts = (3.2856 / (10151 + ELEMENT_OHMS)) ** 2 * ELEMENT_OHMS * 1000
    seconds = 4 * 0.42
    share = 1 - 0.5 / seconds * (1 - math.exp(-seconds / 0.5))
    rise = result["ohms"] - heating["ohms_zero_power"]
    assert rise == pytest.approx(0.4 * milliwatts * SLOPE * share, abs=0.025)
    assert abs(heating["ohms_zero_power"] - ELEMENT_OHMS - LEADS_OHMS) < 2.5 * heating["u_ohms"]
    assert heating["u_ohms"] < 0.35


def test_noise_of_the_faint_row(tmp_path):
    """40 conversions or 2 s for 10 mohm would do; four readings of 0.42 s are better than that."""
    result = measured(tmp_path, oven(0.0), readings=1, times=16, ideal=False, seed=2, timeout_s=240)
    values = [result[f"result{number}"]["self_heating"]["ohms_zero_power"] for number in range(16)]
    mean = sum(values) / len(values)
    deviation = math.sqrt(sum((value - mean) ** 2 for value in values) / (len(values) - 1))
    assert 0.0005 < deviation < 0.005


def test_a_warm_element_is_left_to_cool(tmp_path):
    shown = measured(tmp_path, oven(0.4), times=2)
    first, second = (shown[f"result{number}"]["self_heating"]["ohms_zero_power"] for number in range(2))
    assert second == pytest.approx(first, abs=0.004)
    # It rested for five time constants before the second row.
    assert shown["ms0"] < 5000 and shown["ms1"] > 18000


def test_without_being_asked_only_the_power_is_told(tmp_path):
    result = measured(tmp_path, oven(0.15), readings=1, zero_power=False)["result0"]
    assert result["self_heating"] is None
    assert result["element_microwatts"] == pytest.approx(93.6, rel=0.01)
    assert result["calibration_values"]["state"] == "uncalibrated"


def test_the_high_range_is_faint_already(tmp_path):
    scenario = bench.scenario(element={"curve": "ntc-beta", "r0_ohms": 50e3}, temperature={"celsius": CELSIUS})
    result = measured(tmp_path, scenario, readings=1)["result0"]
    assert result["range"] == "high" and result["self_heating"] is None
    # 2.79 V behind 78.6 kohm and 50 kohm
    assert result["element_microwatts"] == pytest.approx((2.789 / 128.6e3) ** 2 * 50e3 * 1e6, rel=0.01)


PROBE = """
from guided.probetest import Instruments, ProbeTest
from probecore import cbor

async def main():
    front = make_front()
    ambient = {"celsius": 25.0, "u_celsius": 0.25, "source": "sensor"}
    tools = Instruments(front, Bridge(front), lambda: ambient, lambda: 0, lambda: 3.9)
    test = ProbeTest(tools, nominal, None, zero_power=True)
    begun = time.ticks_ms()
    body = await test.run()
    show("ms", time.ticks_diff(time.ticks_ms(), begun))
    show("bytes", len(cbor.dumps(body)))
    show("body", body)
finish(main())
"""


def probe_test(folder, scenario):
    def clip(world):
        world.clip("sensor")
        world.clip_chassis()

    folder.mkdir()
    return bench.run(folder, PROBE, clip, scenario, ideal=False)


def test_the_probe_test_measures_it_when_asked(tmp_path):
    still_shown = probe_test(tmp_path / "still", oven(0.0))
    still = still_shown["body"]
    shown = probe_test(tmp_path / "warm", oven(0.3, 2.0))
    body = shown["body"]
    heating = body["self_heating"]
    assert body["verdict"] == "pass", body
    # The same tester with an element that does not warm up says what the other one has without power.
    assert heating["ohms_zero_power"] == pytest.approx(still["ohms"], abs=0.015)
    assert body["ohms"] - heating["ohms_zero_power"] > 0.008
    assert body["ohms"] - still["ohms"] > 0.008
    # What the rise may be, up to 0.4 K/mW, is in the value's own uncertainty: rectangular, 0.0937 mW.
    assert body["u_ohms"] ** 2 > (0.0005 * ELEMENT_OHMS) ** 2 / 3 + (0.4 * 0.0937 * SLOPE) ** 2 / 3
    assert still_shown["ms"] < 5000 + 2000
    assert shown["bytes"] < 4000, "an item of the ledger has 4096 bytes at most"


def test_a_probe_that_moves_gets_no_zero_power(tmp_path):
    scenario = bench.scenario(temperature={"start_celsius": 60.0, "tau_minutes": 4.0})
    body = probe_test(tmp_path / "moving", scenario)["body"]
    assert "not-settled" in body["findings"] and body["self_heating"] is None


ZERO = """
from measure import bench
from probecore.errors import ProbeError

async def main():
    front = make_front()
    bridge = Bridge(front)
    front.clean()
    begun = time.ticks_ms()
    try:
        zero = await bench.zero(bridge, nominal)
    except ProbeError as error:
        show("refused", [error.code, error.message])
        return
    show("ms", time.ticks_diff(time.ticks_ms(), begun))
    show("zero", zero)
    Pin(board.PIN_BUZZER, Pin.OUT).value(1)
    await asyncio.sleep_ms(1000)
    front.clean()
    begun = time.ticks_ms()
    show("result", await bench.measure(bridge, nominal, 2, zero["ohms"]))
    show("reading_ms", time.ticks_diff(time.ticks_ms(), begun))
finish(main())
"""


def two_wire(tmp_path, shorted, then=None, **kwargs):
    """Zero on one scenario, then measure on another."""

    def act(tester):
        yield lambda: "zero=" in tester.console or "refused=" in tester.console
        if then is not None:
            tester.world.visit(then)
            tester.world.clip("sensor")
        yield 3.0

    return bench.run(tmp_path, ZERO, lambda world: world.clip("sensor"), shorted, act=act, **kwargs)


@pytest.mark.parametrize("lost", ["none", "S+"])
@pytest.mark.parametrize("seed", [1, pytest.param(2, marks=LONG), pytest.param(3, marks=LONG)])
def test_two_wire_leads_after_zeroing(tmp_path, lost, seed):
    # 0.4 ohm in each lead; without sense jaws the sense inputs hang on their ties of 470 kohm.
    clips = {"lost": lost}
    shorted = oven(0.0, lead_ohms=0.4, clips=clips, element={"fault": "short", "short_ohms": 0.001})
    shown = two_wire(tmp_path, shorted, oven(0.0, lead_ohms=0.4, clips=clips), ideal=False, seed=seed)
    zero, result = shown["zero"], shown["result"]
    contact = 0.02 if lost == "S+" else 0.0  # a clip's contact counts where only one jaw bites
    assert zero["ohms"] == pytest.approx(0.8 + contact, abs=0.1 if lost == "S+" else 0.01)
    assert result["two_wire"] and result["zero_ohms"] == pytest.approx(zero["ohms"], rel=1e-6)
    # Without the zero it would be 0.8 ohm more; 0.05 % of the uncalibrated reference resistor and the contacts remain.
    assert abs(result["ohms"] - ELEMENT_OHMS) < 2.5 * result["u_ohms"] < 1.0
    assert shown["reading_ms"] < 200 + 300 + 2 * 600


def test_the_leads_own_doubt_counts(tmp_path):
    # Rectangular, 50 mohm, in quadrature with everything else
    from probecore import budget, calibration

    used = calibration.uncalibrated(500, 10, 0.042)
    four = budget.u_ohms(100.0, 0.002, used, 23.0)
    two = budget.u_ohms(100.0, 0.002, used, 23.0, False, 0.0, True)
    assert two**2 - four**2 == pytest.approx(0.05**2 / 3)


@pytest.mark.parametrize(
    ("tables", "words"),
    [
        ({}, "1097."),
        ({"element": {"fault": "open"}}, "no current"),
        ({"element": {"fault": "open"}, "clips": {"lost": "S+"}}, "no current"),
        ({"element": {"fault": "short", "short_ohms": 8.0}}, "7.9 ohm"),  # beside 1.1 kohm
    ],
)
def test_clips_that_are_not_together_are_refused(tmp_path, tables, words):
    shown = two_wire(tmp_path, oven(0.0, **tables))
    code, message = shown["refused"]
    assert code == "not-shorted" and words in message and "Let one clip hold the other" in message


def test_an_unsteady_contact_is_refused(tmp_path):
    joint = {"period_s": 1.3, "open_ms": 600.0, "when": "always", "where": "sensor", "step_ohms": 0.4}
    scenario = oven(0.0, element={"fault": "short", "short_ohms": 0.01}, harness={"intermittent": joint})
    code, message = two_wire(tmp_path, scenario)["refused"]
    assert code == "not-shorted" and "not steady" in message


def command(port, *options):
    done = CliRunner().invoke(cli.main, ["measure", port, "--json", *options])
    assert done.exit_code == 0, done.output
    return json.loads(done.stdout)


def test_the_command_on_the_whole_tester(tmp_path):
    shorted = oven(0.0, lead_ohms=0.4, element={"fault": "short", "short_ohms": 0.001})
    with VirtualTester(tmp_path / "state", scenario=shorted, seed=3) as tester:
        tester.world.plug_usb()
        tester.power_on()
        tester.do(lambda: tester.world.clip("sensor"))
        refused = CliRunner().invoke(cli.main, ["measure", tester.port, "--two-wire"])
        assert refused.exit_code == 1 and "have not been zeroed" in refused.stderr
        zero = command(tester.port, "--zero")
        assert zero["zero_ohms"] == pytest.approx(0.801, abs=0.02)

        def swap():
            tester.world.visit(oven(0.4, 0.5, lead_ohms=0.4))
            tester.world.clip("sensor")

        tester.do(swap)
        plain = command(tester.port, "--readings", "2")
        found = command(tester.port, "--two-wire", "--zero-power", "--budget", "--readings", "6")
        assert plain["ohms"] - found["ohms"] == pytest.approx(zero["zero_ohms"], abs=0.1)
        # 2.2 s of current with a time constant of 0.5 s: nearly the whole rise of 0.4 K/mW times 0.0936 mW
        assert found["self_heating_celsius"] == pytest.approx(0.4 * 0.0936 * 0.8, abs=0.008)
        assert found["self_heating_celsius"] < found["self_heating_most_celsius"]
        budget = found["budget"]["resistance_ohms"]
        assert budget["value"] == pytest.approx(found["ohms_zero_power"], abs=0.002)
        assert abs(found["ohms_zero_power"] - ELEMENT_OHMS) < 2.5 * found["u_ohms_zero_power"]
        assert found["calibration_values"]["gain"] == 1.0
