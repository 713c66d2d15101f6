"""The morning check of the real firmware on the virtual tester: recognised steps, what fails, what is kept and said.

Resistors are clipped on as a technician does; what the tester finds follows from the circuit alone.
"""

import importlib.util
from pathlib import Path

import pytest

from probeledger.link.session import open_session
from probeledger.virtual.device import VirtualTester
from probeledger.virtual.world import World

_spec = importlib.util.spec_from_file_location("app_bench", Path(__file__).with_name("test_app.py"))
assert _spec and _spec.loader
app = importlib.util.module_from_spec(_spec)
_spec.loader.exec_module(app)

SAVED, FAIL, STOP, REFUSED = app.SAVED, app.FAIL, app.STOP, app.REFUSED


def check(tester, hand_s=2.5, resistor_ohms=1000.0, isolation_ohms=1e6, limit_s=60.0):
    """Actor: make the morning check at a person's pace. Returns the sounds of its end and how long it took [s]."""
    world = tester.world
    began_us = tester.now_us
    before = len(world.beeps)
    world.unclip()
    world.unclip_chassis()
    world.press("back", 1.0)
    for act in (
        lambda: None,
        lambda: world.clip_resistor(0.0),
        lambda: world.clip_resistor(resistor_ohms),
        lambda: (world.clip_resistor(resistor_ohms, isolation_ohms), world.clip_chassis()),
    ):
        heard = len([beep for beep in world.beeps if beep.hz == 1500])
        act()
        yield (
            lambda heard=heard: (
                len([beep for beep in world.beeps if beep.hz == 1500]) > heard or tester.now_us > began_us + 40_000_000
            )
        )
        yield hand_s
    ends = (SAVED, FAIL, STOP, app.UNSAVED, REFUSED)
    limit_us = began_us + limit_s * 1e6
    yield lambda: any(beep.hz in ends for beep in world.beeps[before:]) or tester.now_us > limit_us
    ended = next((beep.time_us for beep in world.beeps[before:] if beep.hz in ends), tester.now_us)
    yield 1.6
    return [beep.hz for beep in world.beeps[before:] if beep.hz in ends], (ended - began_us) / 1e6


def on_the_bench(folder, seed=3, **options):
    return VirtualTester(folder / "state", world=World(None, seed=seed), seed=seed, **options)


@pytest.mark.parametrize("seed", [1, 2, *[pytest.param(seed, marks=pytest.mark.long) for seed in range(3, 13)]])
def test_a_sound_tester_passes_in_under_half_a_minute(tmp_path, seed):
    with on_the_bench(tmp_path, seed) as tester:
        tester.power_on()

        def day(tester):
            yield 3.0
            assert app.shows(tester, "never checked: hold BACK")
            sounds, seconds = yield from check(tester)
            assert sounds == [SAVED] and seconds < 30.0
            assert app.shows(tester, "Check PASS", 2) and app.shows(tester, "saved no. 2")
            tester.world.press("ok")
            yield 3.0
            assert app.shows(tester, "Sensor", 2) and not app.shows(tester, "never checked: hold BACK")

        tester.run(day)
        (body,) = app.bodies(tester, "check")
        assert body["passed"] is True and body["fault"] is None and body["seconds"] < 30
        assert [step["step"] for step in body["steps"]] == ["together", "open", "resistor", "isolation", "jaws"]
        assert all(step["passed"] for step in body["steps"]), body["steps"]
        zero, _, resistor, isolation, jaws = body["steps"]
        # What is clipped on is exact; the tester's reference has 0.05 %, its isolation some percent.
        assert abs(zero["ohms"]) < 0.06
        assert resistor["ohms"] == pytest.approx(1000.0, abs=3 * resistor["u_ohms"])
        assert isolation["ohms"] == pytest.approx(1e6, rel=0.03)
        assert jaws["ohms"] < 5.0
        assert len(resistor["readings"]) == 4 and len(zero["readings"]) == 2
        assert 15.0 < body["tester_celsius"] < 40.0
        assert body["resistor"] == "check resistor" and body["resistor_ohms"] == 1000.0


def test_every_test_carries_the_check_and_the_verdict_says_so(tmp_path):
    """Never checked, good, past due, failed: the tester says each beside the same verdict, and keeps each."""
    oven = app.oven("good-sensor")
    with on_the_bench(tmp_path) as tester:
        tester.world.plug_usb()
        tester.power_on()
        with open_session(tester.port) as session:
            session.call("clock", app.EPOCH)
        tester.world.unplug_usb()

        def a_test(said):
            tester.world.visit(oven)
            tester.world.clip("sensor")
            tester.world.clip_chassis()
            yield 1.0
            assert (yield from app.press(tester)) == [SAVED]
            assert app.shows(tester, "PASS", 3)
            for text in ("uncal., unchecked", "uncalibrated", "CHECK FAILED", "uncal., check due"):
                assert app.shows(tester, text) is (text == said), (text, said)
            tester.world.press("back")
            yield 1.0
            tester.world.visit(None)

        def first_day(tester):
            yield 3.0
            yield from a_test("uncal., unchecked")
            sounds, _ = yield from check(tester)
            assert sounds == [SAVED]
            tester.world.press("ok")
            yield 1.0
            yield from a_test("uncalibrated")

        def second_day(tester):
            yield 3.0
            assert app.shows(tester, "check is due: hold BACK")
            yield from a_test("uncal., check due")
            # 0.3 % off: the limit is 0.1 %, the tester's own uncertainty some 0.03 %
            sounds, _ = yield from check(tester, resistor_ohms=1003.0)
            assert set(sounds) == {FAIL}
            assert app.shows(tester, "Check FAIL", 2)
            tester.world.press("ok")
            yield 4.5
            assert app.shows(tester, "CHECK FAILED: hold BACK")
            yield from a_test("CHECK FAILED")

        tester.run(first_day)
        tester.power_off()
        tester.board.advance(25 * 3600 * 1_000_000)
        tester.power_on()
        tester.run(second_day)
        found = app.records(tester)
        checks = [value["seq"] for value in found if value["kind"] == "check"]
        tests = [value["body"] for value in found if value["kind"] == "probe"]
        failed = next(value["body"] for value in found if value["seq"] == checks[1])
        assert [step["why"] for step in failed["steps"] if not step["passed"]] == ["limit"]
        assert [body["check"]["passed"] for body in tests] == [None, True, True, False]
        assert [body["check"]["sequence"] for body in tests] == [None, checks[0], checks[0], checks[1]]
        assert [body["check"]["good_sequence"] for body in tests] == [None] + [checks[0]] * 3
        ages_s = [body["check"]["age_s"] for body in tests]
        assert ages_s[0] is None and 0 < ages_s[1] < 60 and 25 * 3600 < ages_s[2] < ages_s[3] < 26 * 3600
        assert [body["verdict"] for body in tests] == ["pass"] * 4
        assert [body["findings"] for body in tests] == [
            ["check-never", "uncalibrated"],
            ["uncalibrated"],
            ["check-overdue", "uncalibrated"],
            ["check-failed", "uncalibrated"],
        ]


def test_a_wrong_resistor_is_not_taken_unless_it_is_told_to_be(tmp_path):
    with on_the_bench(tmp_path) as tester:
        tester.power_on()

        def day(tester):
            world = tester.world
            yield 3.0
            world.press("back", 1.0)
            # The clips are apart until that step is seen.
            yield 3.0
            world.clip_resistor(0.0)
            yield 4.0
            world.clip_resistor(1200.0)
            yield 4.0
            assert app.shows(tester, "Check resistor", 2) and app.shows(tester, "not that resistor")
            before = len(world.beeps)
            world.press("ok")
            yield 4.0
            assert app.shows(tester, "To the chassis", 2)
            world.clip_resistor(1000.0, 1e6)
            world.clip_chassis()
            yield lambda: any(beep.hz == FAIL for beep in world.beeps[before:])
            yield 1.0
            assert app.shows(tester, "Check FAIL", 2)

        tester.run(day)
        (body,) = app.bodies(tester, "check")
        wrong = [step for step in body["steps"] if not step["passed"]]
        assert body["passed"] is False and [step["step"] for step in wrong] == ["resistor"]
        assert wrong[0]["ohms"] == pytest.approx(1200.0, rel=2e-3)


def test_the_resistor_waits_while_the_chassis_clip_would_disturb_it(tmp_path):
    """1 Mohm to the chassis clip bends a reading of 1000 ohm by some hundred ppm (simulation of the circuit)."""
    with on_the_bench(tmp_path) as tester:
        tester.power_on()

        def day(tester):
            world = tester.world
            yield 3.0
            world.press("back", 1.0)
            yield 1.2
            world.clip_resistor(1000.0, 1e6)
            world.clip_chassis()
            yield 6.0
            assert app.shows(tester, "take the chassis clip off") or app.shows(tester, "Clips together", 2)
            world.unclip_chassis()
            yield 5.0
            world.unclip()
            yield 2.0
            world.clip_resistor(0.0)
            yield lambda: any(beep.hz in (SAVED, FAIL) for beep in world.beeps)
            yield 1.0

        tester.run(day)
        (body,) = app.bodies(tester, "check")
        assert body["passed"] is True, body["steps"]
        assert body["steps"][2]["ohms"] == pytest.approx(1000.0, abs=3 * body["steps"][2]["u_ohms"])


def test_back_stops_it_and_a_voltage_stops_it(tmp_path):
    with on_the_bench(tmp_path) as tester:
        tester.power_on()

        def day(tester):
            world = tester.world
            yield 3.0
            world.press("back", 1.0)
            yield 3.0
            assert (yield from app.press(tester, "back")) == [REFUSED]
            assert app.shows(tester, "Stopped", 2)
            world.press("ok")
            yield 1.0
            world.visit(app.oven("voltage-on-leads"))
            world.clip("sensor")
            world.clip_chassis()
            before = len(world.beeps)
            world.press("back", 1.0)
            yield lambda: any(beep.hz == STOP for beep in world.beeps[before:])
            yield 1.6
            assert app.shows(tester, "STOP", 3) and app.shows(tester, "Touch nothing.")

        tester.run(day)
        found = app.bodies(tester, "check")
        assert len(found) == 1 and found[0]["foreign"]["seen"] and found[0]["passed"] is False


def test_an_element_that_reads_off_from_every_morning_before_fails_by_history(tmp_path):
    """Twelve mornings teach the tester; 0.08 % more is within the limit of 0.1 % and is not as before."""
    with on_the_bench(tmp_path) as tester:
        tester.power_on()

        def mornings(tester):
            yield 3.0
            for number in range(12):
                sounds, _ = yield from check(tester, hand_s=0.1)
                assert sounds == [SAVED], number
                tester.world.press("ok")
                yield 1.0
            sounds, _ = yield from check(tester, hand_s=0.1, resistor_ohms=1000.8)
            assert set(sounds) == {FAIL}
            assert app.shows(tester, "Check FAIL", 2)

        tester.run(mornings)
        found = app.bodies(tester, "check")
        assert [body["history"] for body in found] == list(range(13))
        (wrong,) = [step for step in found[-1]["steps"] if not step["passed"]]
        assert wrong["step"] == "resistor" and wrong["why"] == "history"


def test_nothing_is_lost_with_a_restart(tmp_path):
    with on_the_bench(tmp_path) as tester:
        tester.power_on()

        def day(tester):
            yield 3.0
            assert (yield from check(tester))[0] == [SAVED]

        tester.run(day)
        tester.power_off()
        tester.power_on()

        def later(tester):
            yield 3.0
            # The clock was never set, so how long ago the check was is not known.
            yield lambda: app.shows(tester, "check is due: hold BACK")

        tester.run(later)
        kinds = [value["kind"] for value in app.records(tester)]
        assert kinds == ["boot", "check", "boot"]
