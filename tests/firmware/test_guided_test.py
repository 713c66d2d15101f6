"""The guided test of the real firmware on the virtual tester: from the shop's tickets to the record, and every slip.

A script acts on what the display shows, as a technician does; sounds are told apart by pitch.
"""

import importlib.util
import json
import random
import sys
from pathlib import Path

import pytest

from probeledger.archive import Search, open_archive
from probeledger.judging.again import judge_again
from probeledger.virtual.glass import shows

_spec = importlib.util.spec_from_file_location("app_bench", Path(__file__).with_name("test_app.py"))
assert _spec and _spec.loader
app = importlib.util.module_from_spec(_spec)
_spec.loader.exec_module(app)
sys.path.insert(0, str(Path(__file__).parents[1] / "sending"))
import counter as shop  # noqa: E402

SAVED, FAIL, STOP, UNSAVED, REFUSED, CALL = app.SAVED, app.FAIL, app.STOP, app.UNSAVED, app.REFUSED, 1500

TODAY = """ticket,appliance,cavity,message
A-1041,range,upper,no heat
1042,wall oven,,invented
"""


def until(tester, text, limit_s=30.0):
    """Actor: wait until the display shows a text."""
    end_us = tester.now_us + limit_s * 1e6
    while not shows(tester.world.screen, text) and tester.now_us < end_us:
        yield 0.1
    assert shows(tester.world.screen, text), f"{text!r} is not shown; console: {tester.console[-300:]}"


def key(tester, name, text, held=False):
    """Actor: press a key, or hold it, and wait for the text of the page that follows."""
    seconds = 1.0 if held else 0.1
    tester.world.press(name, seconds)
    yield seconds + 0.2
    yield from until(tester, text)


def to_the_ticket(tester):
    yield from key(tester, "ok", "What now?", held=True)
    yield from key(tester, "ok", "Done, each of these?")
    yield from key(tester, "ok", "Which ticket?", held=True)


def to_the_clips(tester):
    """Actor: from the home page to the page that asks for the clips, without a ticket and with all else kept."""
    yield from to_the_ticket(tester)
    yield from key(tester, "next", "none")
    yield from key(tester, "ok", "Where?")
    yield from key(tester, "ok", "Work with these?")
    yield from key(tester, "ok", "Clip on")


def heard(tester, since):
    return [beep.hz for beep in tester.world.beeps[since:] if beep.hz in (SAVED, FAIL, STOP, UNSAVED, REFUSED)]


def at_oven(tester, name):
    tester.world.visit(app.oven(name))
    tester.world.clip("sensor")
    tester.world.clip_chassis()


@pytest.fixture
def bench(tmp_path):
    """A tester at the good oven, unplugged and clipped on, on its home page."""
    with app.switched_on(tmp_path) as tester:
        tester.power_on()
        tester.run(app.begin)
        yield tester


def test_from_the_shops_tickets_to_the_archive(tmp_path):
    with shop.counter(tmp_path) as tester:
        shop.set_clock(tester, app.EPOCH)
        sent = shop.run("send", tester.port, "--tickets", shop.file(tmp_path, TODAY, "t.csv"), "--mark", "KM")
        assert sent.exit_code == 0, sent.output

        def day(tester):
            world = tester.world
            at_oven(tester, "good-sensor")
            yield 3.0
            yield from to_the_ticket(tester)
            assert shows(world.screen, "A-1041") and shows(world.screen, "range upper")
            assert shows(world.screen, "1 of 4") and shows(world.screen, "then: 1042")
            yield from key(tester, "next", "wall oven")
            yield from key(tester, "ok", "Where?")
            yield from key(tester, "ok", "Work with these?")
            assert shows(world.screen, "pt1000-3850") and shows(world.screen, "domestic-1000")
            yield from key(tester, "ok", "MEASURE")
            assert shows(world.screen, "1042")
            yield from key(tester, "ok", "Bend leads?")
            assert not heard(tester, 0)
            yield from key(tester, "next", "PASS")
            yield from until(tester, "OK: next")
            yield 1.0
            assert heard(tester, 0) == [SAVED]
            yield from key(tester, "ok", "test at the")
            assert shows(world.screen, "no. 3") and shows(world.screen, "AGAIN")
            # The other end of the harness, under the same confirmation.
            world.clip("control-end")
            yield from key(tester, "next", "Control")
            yield from key(tester, "ok", "Work with these?")
            yield from key(tester, "ok", "MEASURE")
            yield from key(tester, "ok", "Bend leads?")
            yield from key(tester, "ok", "Bend leads")
            yield from until(tester, "PASS")
            yield from key(tester, "back", "job 2")

            # A leaking oven, its ticket by digits.
            at_oven(tester, "leak-to-chassis")
            yield from to_the_ticket(tester)
            # The ticket of before is offered first.
            assert shows(world.screen, "wall oven")
            yield from key(tester, "next", "by digits")
            yield from key(tester, "ok", "OK takes the digit")
            yield from key(tester, "next", "OK takes the digit")
            for _ in range(2):
                yield from key(tester, "ok", "OK: digit; hold: done")
            yield from key(tester, "next", "erase")
            yield from key(tester, "ok", "OK: digit; hold: done")
            # 101, of which BACK takes the last digit back
            yield 0.5
            yield from key(tester, "back", "erase")
            yield 0.5
            yield from key(tester, "ok", "Where?", held=True)
            assert shows(world.screen, "Sensor")
            yield from key(tester, "ok", "Work with these?")
            yield from key(tester, "ok", "MEASURE")
            before = len(world.beeps)
            yield from key(tester, "ok", "Bend leads?")
            yield from key(tester, "next", "FAIL")
            yield 1.0
            assert shows(world.screen, "A lead leaks to the chassis.") and set(heard(tester, before)) == {FAIL}
            yield from key(tester, "ok", "Unplug, test")
            yield from key(tester, "back", "TEST")

        tester.unplug_usb()
        tester.run(day)
        tester.plug_usb()
        archive = tmp_path / "a.sqlite"
        told = shop.pulled(tester, archive)
    tests = [each for each in told if each["kind"] == "probe"]
    assert [each["verdict"] for each in tests] == ["pass", "pass", "fail"]
    assert [each["ticket"] for each in tests] == ["1042", "1042", "10"]
    assert [each["place"] for each in tests] == ["sensor", "control-end", "sensor"]
    bodies = [each["body"] for each in tests]
    assert bodies[0]["job"] == bodies[1]["job"] == 2 and bodies[2]["job"] == 5
    assert all(body["mode"] == "guided" and body["mark"] == "KM" for body in bodies)
    for body in bodies:
        assert app.EPOCH < body["made_safe"]["time"] < app.EPOCH + 600 and body["made_safe"]["ms"] > 3000
        assert body["contact"]["proven"] and body["isolation"] and body["settling"]["settled"]
    # One confirmation for both tests of a visit, another one for the next.
    assert bodies[0]["made_safe"] == bodies[1]["made_safe"] != bodies[2]["made_safe"]
    assert bodies[0]["flex"] is None and bodies[1]["flex"]["dropouts"] == 0 and bodies[1]["flex"]["seconds"] > 9.9
    assert bodies[1]["harness"]["other_sequence"] == tests[0]["sequence"]
    # The oven's file says 40 kohm from lead b.
    assert bodies[2]["isolation"]["b"]["ohms"] == pytest.approx(40000, rel=0.1)
    assert "leak-to-chassis" in bodies[2]["findings"]
    with open_archive(archive) as opened:
        for each in opened.search(Search(kind="probe")):
            judged = judge_again(each.body, each.calibration)
            assert judged.verdict == each.verdict and not judged.differs and judged.problem is None
    found = shop.run("records", "--archive", archive, "--ticket", "1042", "--json")
    assert [each["sequence"] for each in json.loads(found.stdout)] == [each["sequence"] for each in tests[:2]]


def test_given_up_in_each_state(bench):
    """BACK held where a person chooses, BACK where something is measured: nothing is saved, and all goes on."""
    pages = ("Done, each of these?", "Which ticket?", "Ticket's number", "Where?", "Work with these?")
    pages += ("Which curve?", "Which limits?", "Clip on")
    ways = [
        [],
        [("ok", True)],
        [("ok", True), ("ok", False)],
        [("ok", True), ("next", False), ("ok", False)],
        [("ok", True), ("next", False), ("ok", False), ("ok", False)],
        [("ok", True), ("next", False), ("ok", False), ("ok", False), ("next", False)],
        [("ok", True), ("next", False), ("ok", False), ("ok", False), ("next", False), ("ok", False)],
        [("ok", True), ("next", False), ("ok", False), ("ok", False), ("ok", False)],
    ]
    measuring = ("Measuring", "Chassis clip", "Isolation", "Bend leads?", "Bend the harness now,")

    def day(tester):
        world = tester.world
        for page, way in zip(pages, ways, strict=True):
            yield from key(tester, "ok", "What now?", held=True)
            yield from key(tester, "ok", pages[0])
            for name, held in way:
                seconds = 1.0 if held else 0.1
                world.press(name, seconds)
                yield seconds + 0.4
            yield from until(tester, page)
            yield from key(tester, "back", "Sensor" if not way else "Nothing", held=True)
            if way:
                assert shows(world.screen, "Stopped")
                yield from key(tester, "ok", "Sensor")
            yield from until(tester, "TEST")
        for page in measuring:
            yield from to_the_clips(tester)
            world.press("ok")
            if page == measuring[-1]:
                yield from until(tester, "Bend leads?")
                yield 0.3
                world.press("ok")
            yield from until(tester, page)
            before = len(world.beeps)
            # The sampling of a voltage or a bend keeps the keys waiting for up to a quarter of a second.
            world.press("back", 0.4)
            yield from until(tester, "Stopped")
            assert shows(world.screen, "This test was stopped. Nothing")
            yield 1.0
            assert heard(tester, before) == [REFUSED]
            yield from key(tester, "ok", "TEST")
        assert (yield from app.press(tester)) == [SAVED]

    bench.run(day)
    found = app.records(bench)
    assert [value["kind"] for value in found] == ["boot", "probe"]
    assert found[1]["body"]["mode"] == "quick" and "made_safe" not in found[1]["body"]


def test_back_leads_one_step_back(bench):
    def day(tester):
        yield from to_the_clips(tester)
        for page in ("Work with these?", "Where?", "Which ticket?", "Done, each of these?", "TEST"):
            yield from key(tester, "back", page)

    bench.run(day)
    assert [value["kind"] for value in app.records(bench)] == ["boot"]


def test_the_confirmation_wants_a_held_key(bench):
    def day(tester):
        yield from key(tester, "ok", "What now?", held=True)
        yield from key(tester, "ok", "Done, each of these?")
        assert not shows(tester.world.screen, "hold OK for a second")
        for name in ("ok", "next"):
            yield from key(tester, name, "hold OK for a second")
        assert shows(tester.world.screen, "Done, each of these?")

    bench.run(day)


def test_another_curve_for_this_test_alone(bench):
    def day(tester):
        world = tester.world
        yield from to_the_ticket(tester)
        yield from key(tester, "next", "none")
        yield from key(tester, "ok", "Where?")
        yield from key(tester, "ok", "Work with these?")
        yield from key(tester, "next", "Which curve?")
        while not shows(world.screen, "pt1000-3750") or shows(world.screen, "then: pt1000-3750"):
            world.press("next")
            yield 0.7
        yield from key(tester, "ok", "Which limits?")
        assert shows(world.screen, "1 of 1")
        yield from key(tester, "ok", "Clip on")
        yield from key(tester, "ok", "Bend leads?")
        yield from key(tester, "next", "OK: next")
        yield 1.0
        yield from key(tester, "back", "TEST")
        yield from app.press(tester)

    bench.run(day)
    assert [body["curve"] for body in app.bodies(bench)] == ["pt1000-3750", "pt1000-3850"]


def test_clips_that_slip(bench):
    """Each slip leads to a page that names it; what was under way is dropped, and the test goes on from there."""

    def day(tester):
        world = tester.world
        world.unclip()
        yield from to_the_clips(tester)
        # Nothing on the leads at all
        yield from key(tester, "ok", "Clip is off")
        world.clip("sensor")
        # off again while it settles
        yield from key(tester, "ok", "Measuring")
        yield 0.3
        world.unclip()
        yield from until(tester, "Clip slipped")
        # one jaw
        world.clip("sensor")
        world.lose_clip("S+")
        yield from key(tester, "ok", "Clip is off")
        # both leads on one wire
        world.lose_clip(None)
        world.clip_resistor(0.0)
        yield from key(tester, "ok", "Leads touch")
        # the chassis clip
        world.clip("sensor")
        world.unclip_chassis()
        yield from key(tester, "ok", "Chassis clip")
        yield from until(tester, "without")
        world.clip_chassis()
        # a probe clip during the isolation, which would measure nothing and call it good
        yield from key(tester, "ok", "Isolation")
        world.unclip()
        yield from until(tester, "Clip slipped")
        world.clip("sensor")
        # the chassis clip during the isolation
        yield from key(tester, "ok", "Isolation")
        world.unclip_chassis()
        yield from until(tester, "without")
        world.clip_chassis()
        yield from key(tester, "ok", "Bend leads?")
        # while it is bent
        yield from key(tester, "ok", "Bend the harness now,")
        yield 3.0
        world.unclip()
        yield from until(tester, "Lead is lost")
        assert not heard(tester, 0)
        world.clip("sensor")
        yield from key(tester, "ok", "Bend leads?")
        yield from key(tester, "next", "PASS")
        yield from until(tester, "saved no. 2")
        yield 1.0
        assert heard(tester, 0) == [SAVED]

    bench.run(day)
    (body,) = app.bodies(bench)
    assert body["verdict"] == "pass" and body["flex"] is None and body["isolation"]["a"]["greater"]
    assert body["leads"] == "connected" and body["contact"]["proven"] is True


def test_what_is_kept_as_it_is(bench):
    """An open circuit, a jaw that never holds, no chassis contact, leads lost while bent: kept, and judged as that."""

    def day(tester):
        world = tester.world
        world.visit(app.oven("open-element"))
        world.clip("sensor")
        world.clip_chassis()
        yield from to_the_clips(tester)
        yield from key(tester, "ok", "Nothing flows")
        yield from key(tester, "next", "FAIL")
        yield from key(tester, "ok", "sensor; else the harness.")
        world.visit(app.oven("good-sensor"))
        world.clip("sensor")
        world.lose_clip("F+")
        yield from key(tester, "ok", "Clip on")
        yield from key(tester, "ok", "Clip is off")
        yield from key(tester, "next", "UNDECIDED")
        world.lose_clip(None)
        yield from key(tester, "ok", "Next step")
        yield from key(tester, "ok", "Clip on")
        yield from key(tester, "ok", "without")
        yield from key(tester, "next", "Bend leads?")
        yield from key(tester, "ok", "Bend the harness now,")
        yield 3.0
        world.unclip()
        yield from until(tester, "Lead is lost")
        yield from key(tester, "next", "FAIL")

    bench.run(day)
    broken, jaw, lost = app.bodies(bench)
    assert broken["findings"][0] == "open-circuit" and broken["isolation"] is not None
    assert jaw["verdict"] == "undecided" and jaw["findings"][0] == "sense-lost"
    assert lost["findings"][:2] == ["intermittent", "no-chassis-contact"] and lost["isolation"] is None


@pytest.mark.parametrize("oven", ["voltage-on-leads", pytest.param("mains-on-lead", marks=pytest.mark.long)])
def test_a_voltage_stops_it_wherever_it_comes(bench, oven):
    def day(tester):
        world = tester.world
        yield from to_the_clips(tester)
        world.visit(app.oven(oven))
        world.clip("sensor")
        world.clip_chassis()
        yield from key(tester, "ok", "Touch nothing.")
        assert shows(world.screen, "STOP") and shows(world.screen, "saved no. 2")
        yield from key(tester, "ok", "TEST")
        # It comes while the leads are bent.
        at_oven(tester, "good-sensor")
        yield from to_the_clips(tester)
        yield from key(tester, "ok", "Bend leads?")
        world.visit(app.oven(oven))
        world.clip("sensor")
        world.clip_chassis()
        yield from key(tester, "ok", "Touch nothing.")

    bench.run(day)
    first, second = app.bodies(bench)
    assert first["foreign"]["seen"] and first["verdict"] == "undecided" and first["ohms"] is None
    assert second["foreign"]["seen"] and second["verdict"] == "undecided" and second["flex"] is None


def test_usb_is_refused_at_the_start_and_in_between(bench):
    def day(tester):
        world = tester.world
        world.plug_usb()
        yield from key(tester, "ok", "What now?", held=True)
        yield from key(tester, "ok", "USB is in")
        yield from key(tester, "ok", "Sensor")
        world.unplug_usb()
        yield from to_the_clips(tester)
        yield from key(tester, "ok", "Bend leads?")
        world.plug_usb()
        yield from key(tester, "next", "USB is in")
        yield from key(tester, "ok", "Sensor")
        assert set(heard(tester, 0)) == {REFUSED}

    bench.run(day)
    start, between = app.bodies(bench)
    assert start["refused"] == between["refused"] == "usb" and start["made_safe"] is None
    # What was measured before the plug is dropped with it.
    assert between["made_safe"] and between["readings"] == [] and between["findings"] == ["usb-refused"]


def test_a_warm_probe_is_taken_as_it_is(tmp_path):
    with app.switched_on(tmp_path, "nearly-cool") as tester:
        tester.power_on()

        def day(tester):
            yield from app.begin(tester)
            yield from to_the_clips(tester)
            yield from key(tester, "ok", "Settling")
            yield from until(tester, "to go", 120.0)
            assert shows(tester.world.screen, "TAKE IT") and shows(tester.world.screen, "stop")
            yield from key(tester, "ok", "Bend leads?")
            yield from key(tester, "next", "UNDECIDED")
            yield from key(tester, "ok", "Wait until it rests,")

        tester.run(day)
        (taken,) = app.bodies(tester)
        assert taken["settling"]["settled"] is False and taken["findings"][0] == "not-settled"


@pytest.mark.long
def test_a_warm_probe_is_waited_for(tmp_path):
    with app.switched_on(tmp_path, "nearly-cool") as tester:
        tester.power_on()

        def day(tester):
            yield from app.begin(tester)
            yield from to_the_clips(tester)
            yield from key(tester, "ok", "Settling")
            before = len(tester.world.beeps)
            yield lambda: CALL in [beep.hz for beep in tester.world.beeps[before:]]
            yield from until(tester, "Bend leads?")
            yield from key(tester, "next", "PASS")

        tester.run(day)
        (rested,) = app.bodies(tester)
        assert rested["settling"]["settled"] is True and rested["settling"]["waited_s"] > 60


def test_what_is_not_saved_is_never_shown_as_saved(tmp_path):
    # A reserve that no flash has room for makes the first segment one too many.
    firmware = app.changed_firmware(tmp_path, "ledger/store.py", "_RESERVE_BLOCKS = 6", "_RESERVE_BLOCKS = 5000")
    with app.switched_on(tmp_path, firmware=firmware) as tester:
        tester.power_on()

        def day(tester):
            yield from app.begin(tester)
            yield from to_the_clips(tester)
            yield from key(tester, "ok", "Bend leads?")
            yield from key(tester, "next", "NOT SAVED: ledger is full")
            yield 1.0
            assert set(heard(tester, 0)) == {UNSAVED} and not shows(tester.world.screen, "saved no.")
            yield from key(tester, "ok", "Next step")
            assert shows(tester.world.screen, "NOT SAVED")
            yield from key(tester, "back", "Sensor")

        tester.run(day)


def test_a_converter_that_fails_is_told_and_kept(bench):
    def day(tester):
        yield from to_the_clips(tester)
        yield from key(tester, "ok", "Measuring")
        tester.board.missing.add("adc")
        yield from until(tester, "Fault")
        yield 1.0
        assert heard(tester, 0) == [REFUSED] and shows(tester.world.screen, "saved no. 2")
        tester.board.missing.clear()
        yield from key(tester, "ok", "Sensor")

    bench.run(day)
    (body,) = app.bodies(bench)
    assert body["fault"].startswith("adc-") and body["verdict"] == "undecided" and body["mode"] == "guided"


@pytest.mark.parametrize("seed", [1, *[pytest.param(seed, marks=pytest.mark.long) for seed in range(2, 7)]])
def test_whatever_a_hand_does(bench, seed):
    """Random keys, clips, plugs and voltages in the guided test: it goes on, and every record is there in its row."""
    dice = random.Random(seed)
    pages = set()
    titles = ("Done, each", "Which ticket?", "Ticket's number", "Where?", "Work with these?", "Clip on", "Clip is off")
    titles += ("Bend leads?", "Chassis clip", "Clip slipped", "Lead is lost", "Stopped", "USB is in", "Touch nothing.")
    titles += ("Leads touch", "Next step", "OK: next")

    def day(tester):
        world = tester.world
        acts = [
            world.unclip,
            world.unclip_chassis,
            world.plug_usb,
            lambda: world.lose_clip(dice.choice(["F+", "S+", "S-", "F-"])),
            lambda: world.clip_resistor(0.0),
            lambda: at_oven(tester, "voltage-on-leads"),
        ]
        for _ in range(300):
            screen = world.screen
            pages.update(title for title in titles if title not in pages and shows(screen, title))
            if shows(screen, "TEST"):
                world.press("ok", 1.0)
                yield 1.5
                world.press("ok")
                yield 0.6
            elif dice.random() < 0.15:
                dice.choice(acts)()
            elif dice.random() < 0.3:
                world.unplug_usb()
                world.lose_clip(None)
                at_oven(tester, dice.choice(["good-sensor", "leak-to-chassis", "open-element"]))
            else:
                held = shows(screen, "Done, each") or (shows(screen, "hold: done") and dice.random() < 0.6)
                held = held or dice.random() < 0.03
                name = dice.choice(9 * ["ok"] + 2 * ["next"] + ["back"])
                world.press(name, 1.0 if held else 0.15)
                yield 1.0 if held else 0.15
            yield dice.choice([0.3, 0.6, 1.0, 2.5])
        world.unplug_usb()
        world.lose_clip(None)
        at_oven(tester, "good-sensor")
        yield 15.0
        for _ in range(4):
            if not shows(world.screen, "TEST"):
                world.press("back", 1.0)
                yield 3.0
        assert (yield from app.press(tester)) == [SAVED]

    bench.run(day, wall_timeout_s=240.0)
    found = app.records(bench)
    print(sorted(pages), len(found))
    assert [value["seq"] for value in found] == list(range(1, len(found) + 1))
    assert {value["kind"] for value in found} == {"boot", "probe"} and found[-1]["body"]["mode"] == "quick"
    for value in found[1:-1]:
        body = value["body"]
        assert body["mode"] == "guided" and (body["made_safe"] or body["refused"] == "usb")
    assert len(pages) > 11 and len(found) > 8


def test_a_cell_that_is_too_low_is_said(bench):
    def day(tester):
        yield from to_the_clips(tester)
        tester.world.cell_volts = 3.3
        yield from key(tester, "ok", "Not now")
        tester.world.cell_volts = 3.9
        yield from key(tester, "ok", "Clip on")
        tester.world.cell_volts = 3.3
        yield from key(tester, "ok", "Not now")
        yield from key(tester, "back", "Stopped")

    bench.run(day)
    assert [value["kind"] for value in app.records(bench)] == ["boot"]
