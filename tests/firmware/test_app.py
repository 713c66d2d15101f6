"""The tester's program, unchanged, on the virtual tester: keys in; display, buzzer, ledger and link out.

Sounds are told apart by pitch alone, as a technician does: 2000 Hz saved, 500 Hz fail, 2600 and 1300 Hz voltage, 900 Hz
not saved, 300 Hz refused or stopped.
"""

import importlib.util
import shutil
import time
from pathlib import Path

import pytest

from probecore import record
from probeledger.link.client import Client, PullEnd, RecordData
from probeledger.link.session import open_session
from probeledger.link.transport import open_transport
from probeledger.resources import firmware_folder
from probeledger.virtual import scenario
from probeledger.virtual.device import VirtualTester

OVENS = Path(scenario.__file__).parent / "ovens"
SAVED, FAIL, STOP, UNSAVED, REFUSED = 2000, 500, 2600, 900, 300
EPOCH = 1795593600  # 2026-11-25 08:00:00 UTC (GNU date)

_spec = importlib.util.spec_from_file_location("display_font", firmware_folder() / "screen" / "font.py")
assert _spec and _spec.loader
font = importlib.util.module_from_spec(_spec)
_spec.loader.exec_module(font)


def oven(name):
    return scenario.load(OVENS / f"{name}.toml")


def _bitmap(text, scale):
    """Return the columns of a text as integers of 64 bits, bit 0 on top, and the mask of the rows that it covers."""
    columns = []
    for char in text:
        if char == " ":
            columns += [0] * (3 * scale)
            continue
        start, end = font.place(char)
        for index in range(start, end):
            bits = 0
            for row in range(8):
                if font.COLUMNS[index] >> row & 1:
                    bits |= ((1 << scale) - 1) << (row * scale)
            columns += [bits] * scale
        columns += [0] * scale
    return columns[:-scale]


def shows(tester, text, scale=1):
    """Tell whether the display shows a text anywhere, normal or inverse."""
    screen = tester.world.screen
    columns = [sum(screen[page * 128 + x] << (8 * page) for page in range(8)) for x in range(128)]
    wanted = _bitmap(text, scale)
    mask = (1 << (7 * scale)) - 1
    wanted = [column & mask for column in wanted]
    for inverse in (0, mask):
        for y in range(64 - 7 * scale + 1):
            for x in range(128 - len(wanted) + 1):
                if all(((columns[x + i] >> y) & mask) ^ inverse == wanted[i] for i in range(len(wanted))):
                    return True
    return False


def switched_on(folder, name="good-sensor", **options):
    return VirtualTester(folder / "state", scenario=oven(name), seed=3, **options)


def begin(tester, clip="sensor"):
    """Actor: wait for the home page and clip on, unplugged."""
    tester.world.unplug_usb()
    yield 3.0
    if clip:
        tester.world.clip(clip)
        tester.world.clip_chassis()
    yield 1.0


def press(tester, key="ok", limit_s=30.0):
    """Actor: press a key and wait for the sound that ends the test. Returns the pitches."""
    before = len(tester.world.beeps)
    tester.world.press(key)
    end_us = tester.now_us + limit_s * 1e6
    heard = (SAVED, FAIL, STOP, UNSAVED, REFUSED)
    yield lambda: any(beep.hz in heard for beep in tester.world.beeps[before:]) or tester.now_us > end_us
    yield 1.6
    return [beep.hz for beep in tester.world.beeps[before:] if beep.hz in heard]


def records(tester):
    """Pull the whole ledger over the link."""
    tester.plug_usb()
    transport = open_transport(tester.port)
    client = Client()
    _, line = client.request("pull", 1, 1000)
    transport.write(b"\r\n" + line)
    found = []
    deadline = time.monotonic() + 20
    try:
        while time.monotonic() < deadline:
            for answer in client.feed(transport.read(0.5)):
                if isinstance(answer, RecordData):
                    found.append(record.decode(answer.item))
                if isinstance(answer, PullEnd):
                    return found
    finally:
        transport.close()
    raise AssertionError("the pull did not end; console: " + tester.console)


def bodies(tester, kind="probe"):
    return [value["body"] for value in records(tester) if value["kind"] == kind]


def test_a_good_sensor_passes_and_is_saved(tmp_path):
    with switched_on(tmp_path) as tester:
        tester.power_on()

        def day(tester):
            yield from begin(tester)
            assert shows(tester, "Sensor", 2) and shows(tester, "TEST") and shows(tester, "uncalibrated")
            sounds = yield from press(tester)
            assert sounds == [SAVED]
            assert shows(tester, "PASS", 3) and shows(tester, "saved no. 2")

        tester.run(day)
        found = records(tester)
        assert [value["kind"] for value in found] == ["boot", "probe"]
        boot, probe = found[0]["body"], found[1]["body"]
        assert boot["reset"] == "power" and all(boot["parts"].values()) and boot["free_bytes"] > 0
        assert probe["verdict"] == "pass" and probe["place"] == "sensor" and probe["mode"] == "quick"
        assert probe["ambient"]["source"] == "sensor" and probe["cell_volts"] == pytest.approx(3.95, abs=0.1)


def test_saved_is_heard_only_after_the_flash_has_it(tmp_path):
    with switched_on(tmp_path) as tester:
        tester.power_on()

        def day(tester):
            yield from begin(tester)
            tester.world.press("ok")
            yield lambda: tester.world.display is not None and tester.world.beeps
            tester.power_off()  # while the sound begins

        tester.run(day)
        tester.power_on()
        found = records(tester)
        assert [value["kind"] for value in found] == ["boot", "probe", "boot"]
        assert [value["seq"] for value in found] == [1, 2, 3] and [value["boot"] for value in found] == [1, 1, 2]
        assert found[2]["prev"] != record.GENESIS


@pytest.mark.parametrize(
    ("name", "sound", "verdict", "finding", "text"),
    [
        ("open-element", FAIL, "fail", "open-circuit", "no current flows"),
        ("leak-to-chassis", FAIL, "fail", "leak-to-chassis", "A lead leaks to the chassis."),
        ("voltage-on-leads", STOP, "undecided", "voltage-on-leads", "Touch nothing."),
        ("painted-chassis", SAVED, "undecided", "no-chassis-contact", "Chassis clip has no contact:"),
    ],
)
def test_each_end_has_its_sound_and_page(tmp_path, name, sound, verdict, finding, text):
    with switched_on(tmp_path, name) as tester:
        tester.power_on()

        def day(tester):
            yield from begin(tester)
            sounds = yield from press(tester)
            assert sounds and sounds[0] == sound and set(sounds) <= {sound, 1300}
            assert shows(tester, text)
            if sound == STOP:
                assert shows(tester, "STOP", 3)
                tester.world.press("ok")  # leads home, and starts nothing
                yield 1.0
                assert shows(tester, "Sensor", 2)

        tester.run(day)
        body = bodies(tester)[-1]
        assert body["verdict"] == verdict and finding in body["findings"]


def test_usb_is_refused(tmp_path):
    with switched_on(tmp_path) as tester:
        tester.world.plug_usb()
        tester.power_on()

        def day(tester):
            yield 3.0
            assert (yield from press(tester)) == [REFUSED]
            assert shows(tester, "USB is in", 2)

        tester.run(day)
        body = bodies(tester)[-1]
        assert body["refused"] == "usb" and body["readings"] == [] and body["findings"] == ["usb-refused"]


def test_back_stops_a_test_and_nothing_is_saved(tmp_path):
    with switched_on(tmp_path) as tester:
        tester.power_on()

        def day(tester):
            yield from begin(tester)
            tester.world.press("ok")
            yield 2.0
            assert (yield from press(tester, "back")) == [REFUSED]
            assert shows(tester, "Stopped", 2)

        tester.run(day)
        assert bodies(tester) == []


def test_the_control_end_is_compared_with_the_sensor_also_after_a_restart(tmp_path):
    with switched_on(tmp_path, "corroded-harness") as tester:
        tester.world.plug_usb()
        tester.power_on()
        with open_session(tester.port) as session:
            assert session.call("clock", EPOCH)["after"] == EPOCH

        def at_the_sensor(tester):
            yield from begin(tester)
            assert (yield from press(tester)) == [SAVED]

        def at_the_control(tester):
            yield from begin(tester, "control-end")
            tester.world.press("next")
            yield 1.0
            assert shows(tester, "Control", 2)
            sounds = yield from press(tester)
            assert set(sounds) == {FAIL}
            assert shows(tester, "Harness adds resistance.")

        tester.run(at_the_sensor)
        tester.run(at_the_control)
        tester.power_off()
        tester.power_on()
        tester.run(at_the_control)
        tested = [value for value in records(tester) if value["kind"] == "probe"]
        first, second, third = (value["body"] for value in tested)
        assert first["job"] == second["job"] == third["job"]
        assert second["harness"]["other_sequence"] == third["harness"]["other_sequence"] == tested[0]["seq"]
        # The scenario's corroded joint has 12 ohm.
        assert second["harness"]["ohms"] == pytest.approx(12, abs=0.5)


def test_good_at_both_ends_sends_to_the_control(tmp_path):
    with switched_on(tmp_path) as tester:
        tester.power_on()

        def visit(tester):
            yield from begin(tester)
            assert (yield from press(tester)) == [SAVED]
            assert shows(tester, "PASS", 3) and not shows(tester, "Good at both ends")
            tester.world.clip("control-end")
            tester.world.press("next")
            yield 1.0
            assert (yield from press(tester)) == [SAVED]
            assert shows(tester, "PASS", 3)
            assert shows(tester, "Good at both ends: look at the") and shows(tester, "control or the heating circuit.")

        tester.run(visit)
        sensor, control = bodies(tester)
        assert sensor["harness"] is None and control["harness"]["other_verdict"] == "pass"
        assert [name for name, _, _ in control["guards"]] == ["ambient agreement", "service window", "harness"]


def test_the_guard_stands_on_the_display_where_a_reading_is_too_close(tmp_path):
    """15.5 ohm in series are 4.0 degC, the limit itself: common practice of the profile, IEC 60751's slope."""
    table = {
        "name": "too-close",
        "story": "An invented oven of a test.",
        "harness": {"series_ohms": 15.5, "lead": "a", "end": "control-end"},
    }
    with VirtualTester(tmp_path / "state", scenario=scenario.from_table(table), seed=3) as tester:
        tester.power_on()

        def visit(tester):
            yield from begin(tester, "control-end")
            tester.world.press("next")
            yield 1.0
            assert (yield from press(tester)) == [SAVED]
            assert shows(tester, "UNDECIDED", 3) and shows(tester, "Too close to a limit to call.")
            # z(95 %) times 0.25 degC of the room's sensor and the tester's part
            assert shows(tester, "guard 0.4\u00b0C = 1.7 ohm") or shows(tester, "guard 0.4\u00b0C = 1.6 ohm")

        tester.run(visit)
        (body,) = bodies(tester)
        guards = {name: (celsius, ohms) for name, celsius, ohms in body["guards"]}
        u_celsius = (body["u_celsius"] ** 2 + body["ambient"]["u_celsius"] ** 2) ** 0.5
        assert guards["ambient agreement"][0] == pytest.approx(1.6449 * u_celsius, rel=1e-3)


def test_places_and_jobs(tmp_path):
    with switched_on(tmp_path) as tester:
        tester.power_on()

        def day(tester):
            yield from begin(tester)
            for name in ("Control", "New part", "Fitted", "Sensor"):
                tester.world.press("next")
                yield 1.0
                assert shows(tester, name, 2), name
            yield from press(tester)
            tester.world.press("next")
            yield 1.0
            yield from press(tester)
            tester.world.press("next", 1.5)
            yield 2.5
            assert shows(tester, "Sensor", 2)
            yield from press(tester)

        tester.run(day)
        tested = [(value["seq"], value["body"]["place"], value["body"]["job"]) for value in records(tester)[1:]]
        assert tested == [(2, "sensor", 2), (3, "control-end", 2), (4, "sensor", 4)]


def test_flex_finds_what_a_still_harness_hides(tmp_path):
    with switched_on(tmp_path, "intermittent-harness") as tester:
        tester.power_on()

        def day(tester):
            yield from begin(tester, "control-end")
            tester.world.press("next")
            yield 1.0
            before = len(tester.world.beeps)
            tester.world.press("back")
            yield lambda: shows(tester, "Bend leads", 2)
            tester.world.bend(8.0)
            yield lambda: any(beep.hz in (FAIL, SAVED) for beep in tester.world.beeps[before:])
            yield 1.0
            assert shows(tester, "FAIL", 3) and shows(tester, "Comes and goes when bent.")

        tester.run(day)
        body = bodies(tester)[-1]
        assert body["mode"] == "flex" and body["flex"]["dropouts"] > 0


def test_a_low_cell_refuses(tmp_path):
    with switched_on(tmp_path) as tester:
        tester.world.cell_volts = 3.30
        tester.power_on()

        def day(tester):
            yield from begin(tester)
            yield lambda: shows(tester, "cell too low: charge it")  # its turn among the warnings
            assert (yield from press(tester)) == [REFUSED]
            assert shows(tester, "Not now", 2)

        tester.run(day)
        assert bodies(tester) == []


@pytest.mark.parametrize("part", ["flash", "clock", "ambient", "display"])
def test_a_missing_part_is_named_and_the_rest_works(tmp_path, part):
    with switched_on(tmp_path) as tester:
        tester.board.missing.add(part)
        tester.power_on()

        def day(tester):
            yield from begin(tester)
            yield from press(tester)

        tester.run(day)
        found = records(tester)
        assert found[0]["body"]["parts"][part] is False and len(found[0]["body"]["notes"]) == 1
        body = found[-1]["body"]
        assert body["leads"] == "connected" and body["ohms"] == pytest.approx(1090, abs=1)
        # Without the room's temperature there is no pass.
        assert body["verdict"] == ("undecided" if part == "ambient" else "pass")
        with open_session(tester.port) as session:
            assert session.hello.store == ("internal" if part == "flash" else "flash")


def test_without_converter_nothing_is_tested(tmp_path):
    with switched_on(tmp_path) as tester:
        tester.board.missing.add("adc")
        tester.power_on()

        def day(tester):
            yield from begin(tester)
            yield lambda: shows(tester, "converter does not answer")
            assert not shows(tester, "TEST")
            assert (yield from press(tester)) == [REFUSED]

        tester.run(day)
        assert bodies(tester) == []


def changed_firmware(folder, path, old, new):
    """Copy the firmware with one change."""
    copy = folder / "firmware"
    shutil.copytree(firmware_folder(), copy)
    text = (copy / path).read_text()
    assert text.count(old) == 1
    (copy / path).write_text(text.replace(old, new))
    return copy


def test_a_full_ledger_is_told_and_measuring_goes_on(tmp_path):
    # A reserve that no flash has room for makes the first segment one too many.
    firmware = changed_firmware(tmp_path, "ledger/store.py", "_RESERVE_BLOCKS = 6", "_RESERVE_BLOCKS = 5000")
    with switched_on(tmp_path, firmware=firmware) as tester:
        tester.power_on()

        def day(tester):
            yield from begin(tester)
            yield lambda: shows(tester, "LEDGER FULL: pull it")
            assert set((yield from press(tester))) == {UNSAVED}
            assert shows(tester, "PASS", 3) and shows(tester, "NOT SAVED: ledger is full")
            tester.world.press("back")
            yield 5.0

        tester.run(day)
        assert records(tester) == []


def test_a_program_fault_is_shown_recorded_and_survived(tmp_path):
    firmware = changed_firmware(
        tmp_path, "screen/pages.py", '    canvas.text("USB is in", 0, 0, 2)', "    canvas.text(None, 0, 0, 2)"
    )
    with switched_on(tmp_path, firmware=firmware) as tester:
        tester.world.plug_usb()
        tester.power_on()

        def day(tester):
            yield 3.0
            assert REFUSED in (yield from press(tester))
            assert shows(tester, "Program fault", 2) and shows(tester, "panel: TypeError")
            tester.world.unplug_usb()
            tester.world.clip("sensor")
            tester.world.press("ok")  # away with the page
            yield 1.0
            assert shows(tester, "Sensor", 2)
            assert (yield from press(tester)) == [SAVED]

        tester.run(day)
        fault = bodies(tester, "fault")
        assert len(fault) == 1 and fault[0]["task"] == "panel" and "pages.py" in fault[0]["trace"]


def test_the_computer_measures_on_the_bench(tmp_path):
    with switched_on(tmp_path, "reference-25") as tester:
        tester.world.plug_usb()
        tester.power_on()
        tester.do(lambda: tester.world.clip("sensor"))
        with open_session(tester.port) as session:
            value = session.call("measure", timeout_s=20)
            assert value["leads"] == "connected" and len(value["readings"]) == 1 and value["range"] == "low"
            # IEC 60751: 1000 ohm at 0 degrees C has 1097.35 ohm at 25; the tester's parts are uncalibrated.
            assert abs(value["ohms"] - 1097.35) < 3 * value["u_ohms"]
            assert value["ambient"]["source"] == "sensor"


def test_a_start_that_fails_is_shown(tmp_path):
    firmware = changed_firmware(
        tmp_path, "tester/assembly.py", "        self.measuring = Lock()", '        raise ValueError("no such luck")'
    )
    with switched_on(tmp_path, firmware=firmware) as tester:
        tester.world.plug_usb()
        tester.power_on()
        tester.run_for(3.0)
        assert shows(tester, "Start failed", 2) and shows(tester, "ValueError: no such luck")
        assert "ValueError: no such luck" in tester.console and tester.at_prompt
