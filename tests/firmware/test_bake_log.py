"""The bake log of the real firmware on the virtual tester: what it refuses, what it keeps, and what ends it.

The oven is heated by an on-off control whose temperature is known in closed form; a fast one, so that a log of minutes
has cycles. What the tester adds (an uncalibrated reference of 0.05 %, the element's own warmth) is within 0.3 degC.
"""

import importlib.util
from pathlib import Path

import numpy as np
import pytest

from probeledger.baking import fromrecords
from probeledger.virtual import scenario
from probeledger.virtual.device import VirtualTester
from probeledger.virtual.scenario import from_table

_spec = importlib.util.spec_from_file_location("app_bench", Path(__file__).with_name("test_app.py"))
assert _spec and _spec.loader
app = importlib.util.module_from_spec(_spec)
_spec.loader.exec_module(app)

SAVED, STOP, REFUSED, UNSAVED = app.SAVED, app.STOP, app.REFUSED, app.UNSAVED

FAST = {
    "name": "fast-oven",
    "story": "Invented for this test.",
    "control": {
        "on_celsius": 168.0,
        "off_celsius": 180.0,
        "full_celsius": 520.0,
        "tau_minutes": 7.0,
        "start_celsius": 165.0,
    },
}
# Within 0.05 % of 1680 ohm, 3.7 ohm a degree, and some hundredths of self-heating.
TESTER_CELSIUS = 0.3


def at_an_oven(folder, table=None, **options):
    return VirtualTester(folder / "state", scenario=from_table(FAST | (table or {})), seed=3, **options)


def to_cautions(tester, clip="sensor"):
    """Actor: come to the cautions, unplugged."""
    world = tester.world
    world.unplug_usb()
    yield 3.0
    if clip:
        world.clip(clip)
    yield 0.5
    world.press("ok", 1.0)
    yield 2.0
    world.press("next")
    yield 1.0


def to_choices(tester, clip="sensor"):
    yield from to_cautions(tester, clip)
    for _ in range(2):
        tester.world.press("ok")
        yield 1.0
    tester.world.press("ok", 1.0)
    yield 2.0


def begin(tester, clip="sensor"):
    """Actor: begin a log of the usual length."""
    yield from to_choices(tester, clip)
    tester.world.press("ok")
    yield 3.0


def sounds_since(tester, before):
    return [beep.hz for beep in tester.world.beeps[before:] if beep.hz in (SAVED, STOP, REFUSED, UNSAVED)]


def ends(tester, act, limit_s=40.0):
    """Actor: do something that ends a log, and wait for its sound. Returns the pitches."""
    before = len(tester.world.beeps)
    act()
    end_us = tester.now_us + limit_s * 1e6
    yield lambda: sounds_since(tester, before) or tester.now_us > end_us
    yield 1.6
    return sounds_since(tester, before)


def only_log(tester):
    found = fromrecords.logs(app.records(tester))
    assert len(found) == 1, found
    return found[0]


def truth(tester, pulled, begun_ms):
    """Return the oven's temperature in each second of a log: a reading's middle is 0.21 s after its beginning."""
    control = tester.world.scenario.temperature
    return np.array([control.after(begun_ms / 1000 + second + 0.21) for second in pulled.seconds])


def begun_ms(tester):
    return next(value["body"]["begun_ms"] for value in app.records(tester) if value["kind"] == "bake")


def follow(tester, seconds):
    """Actor: begin a log, let it run, and end it by the held key."""
    yield from begin(tester)
    yield seconds
    assert (yield from ends(tester, lambda: tester.world.press("back", 1.0))) == [REFUSED]


def flash_bytes(found):
    """Return what records take in the segment files [bytes]: the item, its frame."""
    from probecore import record

    return sum(len(record.encode(*[value[name] for name in _ENCODED])) + 6 for value in found)


_ENCODED = ("ledger", "seq", "kind", "boot", "ms", "time", "tester", "fw", "cal", "prev", "body")


def assert_follows(tester, pulled):
    """The log is the oven's own course, and whole."""
    expected = truth(tester, pulled, begun_ms(tester))
    assert not np.isnan(pulled.celsius).any()
    difference = pulled.celsius - expected
    # At a switch the slope turns within a reading.
    assert np.abs(difference).max() < TESTER_CELSIUS + 0.4 and abs(np.median(difference)) < TESTER_CELSIUS
    assert np.abs(difference - np.median(difference)).mean() < 0.05


def test_a_log_is_the_ovens_own_course(tmp_path):
    with at_an_oven(tmp_path) as tester:
        tester.power_on()

        def day(tester):
            yield from follow(tester, 310.0)
            assert app.shows(tester, "Log ended", 2) and app.shows(tester, "Stopped by key.")
            assert app.shows(tester, "3 parts saved, last no. 4")

        tester.run(day, wall_timeout_s=400)
        pulled = only_log(tester)
        assert pulled.ended == "stopped" and pulled.planned_s == 4 * 3600 and pulled.curve == "pt1000-3850"
        assert pulled.lost_parts == 0 and pulled.records == (2, 3, 4) and pulled.job == 2
        assert 305 <= len(pulled.seconds) <= 320
        assert_follows(tester, pulled)
        first, full, last = [value["body"] for value in app.records(tester) if value["kind"] == "bake"]
        assert first["cautions"] == "confirmed" and first["seconds"] == 0 and full["seconds"] == 300
        # Whoever has the raw counts comes to the same temperature by himself: R0 of 1000 ohm, IEC 60751.
        for body in (full, last):
            reference = sum(s * body["reading"]["counts"][i] for s, i in zip((1, -1, -1, 1), (0, 3, 4, 7), strict=True))
            probe = sum(s * body["reading"]["counts"][i] for s, i in zip((1, -1, -1, 1), (1, 2, 5, 6), strict=True))
            ratio = probe / reference * body["reference_ohms"] / 1000 - 1
            celsius = (-3.9083e-3 + (3.9083e-3**2 + 4 * 5.775e-7 * -ratio) ** 0.5) / (2 * -5.775e-7)
            assert celsius == pytest.approx(pulled.celsius[body["reading"]["second"]], abs=0.02)
        # 43,200 s are 144 chunks, a frame each; beside them the first record and the last.
        sizes = [flash_bytes([value]) for value in app.records(tester) if value["kind"] == "bake"]
        assert sizes[0] + 144 * sizes[1] + sizes[2] < 150_000


@pytest.mark.long
def test_an_hour_of_an_oven_and_what_twelve_take_of_the_flash(tmp_path):
    """The built-in oven, from cold: cycles and their mean by the closed form; 12 h by extrapolation."""
    with VirtualTester(tmp_path / "state", scenario=scenario.load("cycling-oven"), seed=3) as tester:
        tester.power_on()

        def day(tester):
            yield from to_choices(tester)
            for _ in range(4):
                tester.world.press("next")
                yield 1.0
            assert app.shows(tester, "For 1 h", 2)
            before = len(tester.world.beeps)
            tester.world.press("ok")
            yield 3700.0
            assert sounds_since(tester, before) == [SAVED]
            assert app.shows(tester, "Its time is over.")
            # Nine troughs are passed in an hour: the first at 990 s, each 282 s later another.
            assert app.shows(tester, "cyc.") or app.shows(tester, "9 cyc.")

        tester.run(day, wall_timeout_s=3000)
        pulled = only_log(tester)
        assert pulled.ended == "done" and len(pulled.seconds) == 3600
        assert_follows(tester, pulled)
        control = tester.world.scenario.temperature
        first = round(control.heat_up_s + control.off_s - begun_ms(tester) / 1000)
        span = round(9 * (control.on_s + control.off_s))
        assert pulled.celsius[first : first + span].mean() == pytest.approx(control.mean_celsius, abs=TESTER_CELSIUS)
        found = [value for value in app.records(tester) if value["kind"] == "bake"]
        # What does not grow with the length counts once.
        grows = flash_bytes(found[1:])
        assert flash_bytes(found[:1]) + 12 * grows < 300_000


def test_on_usb_there_is_no_log(tmp_path):
    with at_an_oven(tmp_path) as tester:
        tester.world.plug_usb()
        tester.power_on()

        def day(tester):
            yield 3.0
            tester.world.clip("sensor")
            before = len(tester.world.beeps)
            tester.world.press("ok", 1.0)
            yield 2.0
            tester.world.press("next")
            yield 1.5
            assert app.shows(tester, "Not now", 2) and app.shows(tester, "USB is in: the computer's")
            assert sounds_since(tester, before) == [REFUSED]

        tester.run(day)
        assert app.bodies(tester, "bake") == []


@pytest.mark.parametrize(
    ("prepare", "text"),
    [
        (lambda world: world.clip_chassis(), "The chassis clip touches"),
        (lambda world: world.plug_usb(), "USB is in: the computer's"),
        (lambda world: world.unclip(), "No probe is read. Both clips"),
        (lambda world: world.lose_clip("S+"), "No probe is read. Both clips"),
        (lambda world: world.clip_resistor(47000.0), "The reading fits no"),
    ],
    ids=["chassis", "usb", "nothing", "jaw", "other-probe"],
)
def test_what_refuses_a_log_at_its_start(tmp_path, prepare, text):
    with at_an_oven(tmp_path) as tester:
        tester.power_on()

        def day(tester):
            yield from to_choices(tester)
            prepare(tester.world)
            sounds = yield from ends(tester, lambda: tester.world.press("ok"))
            assert sounds == [REFUSED]
            assert app.shows(tester, "Not now", 2) and app.shows(tester, text)
            tester.world.press("ok")
            yield 2.5
            assert app.shows(tester, "Sensor", 2)

        tester.run(day)
        assert app.bodies(tester, "bake") == []


def test_a_voltage_at_the_start_is_a_stop(tmp_path):
    table = {"foreign": {"dc_volts": 5.0, "between": ["a", "chassis"]}, "chassis": {"earthed": True}}
    with at_an_oven(tmp_path, table) as tester:
        tester.power_on()

        def day(tester):
            yield from to_choices(tester)
            tester.world.clip_chassis()
            sounds = yield from ends(tester, lambda: tester.world.press("ok"))
            assert STOP in sounds and app.shows(tester, "STOP", 3)

        tester.run(day)
        assert app.bodies(tester, "bake") == []


def test_the_cautions_come_first_and_only_a_held_key_confirms_them(tmp_path):
    with at_an_oven(tmp_path) as tester:
        tester.power_on()

        def day(tester):
            world = tester.world
            yield from to_cautions(tester)
            for title in ("Bake log", "Outside"):
                assert app.shows(tester, title, 2)
                world.press("ok")
                yield 1.0
            assert app.shows(tester, "Attended", 2) and app.shows(tester, "hold: all so")
            for key in ("ok", "next"):
                world.press(key)
                yield 1.0
                assert app.shows(tester, "Attended", 2)
            world.press("ok", 1.0)
            yield 2.0
            assert app.shows(tester, "For 4 h", 2) and app.shows(tester, "pt1000-3850")
            for text in ("For 6 h", "For 8 h", "For 12 h", "For 1 h", "For 2 h", "For 4 h"):
                world.press("next")
                yield 1.0
                assert app.shows(tester, text, 2)
            for name in ("pt100-3850", "pt500-3850", "pt1000-3750", "pt1000-3916", "pt1000-3850"):
                world.press("back")
                yield 1.0
                assert app.shows(tester, name), name
            world.press("back", 1.0)
            yield 3.0
            assert app.shows(tester, "Sensor", 2)

        tester.run(day)
        assert app.bodies(tester, "bake") == []


@pytest.mark.parametrize(
    ("act", "reason", "sound", "text"),
    [
        (lambda world: world.plug_usb(), "usb", REFUSED, "USB was plugged in."),
        (lambda world: world.clip_chassis(), "chassis", REFUSED, "The chassis clip touched"),
        (lambda world: setattr(world, "cell_volts", 3.30), "cell", REFUSED, "The cell is too low to"),
    ],
    ids=["usb", "chassis", "cell"],
)
def test_what_ends_a_log_is_told_and_kept(tmp_path, act, reason, sound, text):
    with at_an_oven(tmp_path) as tester:
        tester.power_on()

        def day(tester):
            yield from begin(tester)
            yield 15.0
            assert (yield from ends(tester, lambda: act(tester.world))) == [sound]
            assert app.shows(tester, "Log ended", 2) and app.shows(tester, text)
            tester.world.press("ok")
            yield 2.5
            assert app.shows(tester, "Sensor", 2)

        tester.run(day)
        pulled = only_log(tester)
        assert pulled.ended == reason and 14 <= len(pulled.seconds) <= 60
        assert not np.isnan(pulled.celsius).any()


def test_clips_that_slip_are_gaps_and_wrong_readings_are_none(tmp_path):
    with at_an_oven(tmp_path) as tester:
        tester.power_on()
        lost = []

        def day(tester):
            world = tester.world
            yield from begin(tester)
            yield 8.0
            for name in ("S+", "S-", "F+", "F-"):
                lost.append(tester.now_us / 1e6)
                world.lose_clip(name)
                yield 5.0
                assert app.shows(tester, "no reading for")
                world.lose_clip(None)
                yield 6.0
                assert not app.shows(tester, "no reading for")
            world.unclip()
            yield 6.0
            assert app.shows(tester, "a clip is off")
            world.clip("sensor")
            yield 4.0
            world.press("back", 1.0)
            yield 3.0

        tester.run(day)
        pulled = only_log(tester)
        expected = truth(tester, pulled, begun_ms(tester))
        known = ~np.isnan(pulled.celsius)
        assert 15 <= (~known).sum() <= 40
        # The first reading after a gap comes later in its second.
        assert np.abs(pulled.celsius - expected)[known].max() < TESTER_CELSIUS + 0.5
        for at_s in lost:
            second = round(at_s - begun_ms(tester) / 1000)
            assert np.isnan(pulled.celsius[second + 1 : second + 5]).all()


def short_rounds(folder):
    """The firmware with chunks of a minute, and a minute in place of ten until a lost clip ends a log."""
    copy = app.changed_firmware(folder, "tester/baking.py", "bake.Chunk()", "bake.Chunk(60)")
    path = copy / "guided" / "bakelog.py"
    text = path.read_text()
    assert text.count("OPEN_LIMIT_S = 600") == 1
    path.write_text(text.replace("OPEN_LIMIT_S = 600", "OPEN_LIMIT_S = 60"))
    return copy


@pytest.mark.parametrize("limit_s", [60, pytest.param(600, marks=pytest.mark.long)])
def test_a_clip_that_stays_off_ends_the_log(tmp_path, limit_s):
    firmware = short_rounds(tmp_path) if limit_s == 60 else None
    with at_an_oven(tmp_path, firmware=firmware) as tester:
        tester.power_on()

        def day(tester):
            yield from begin(tester)
            yield 10.0
            assert (yield from ends(tester, tester.world.unclip, limit_s + 40.0)) == [REFUSED]
            assert app.shows(tester, "Log ended", 2) and app.shows(tester, "No reading for 10 min: a clip is")

        tester.run(day, wall_timeout_s=600)
        pulled = only_log(tester)
        assert pulled.ended == "open" and pulled.lost_parts == 0
        # The second in which the log ends is no part of it.
        assert np.isnan(pulled.celsius[1 - limit_s :]).all() and not np.isnan(pulled.celsius[: -limit_s - 1]).any()
        assert limit_s + 5 <= len(pulled.seconds) <= limit_s + 25


def test_a_cut_leaves_what_was_shown_as_saved_and_the_next_start_says_so(tmp_path):
    with at_an_oven(tmp_path, firmware=short_rounds(tmp_path)) as tester:
        tester.power_on()

        def log(tester):
            yield from begin(tester)
            yield lambda: app.shows(tester, "3 parts saved")
            yield 20.0
            tester.power_off()

        tester.run(log, wall_timeout_s=300)
        tester.power_on()

        def later(tester):
            yield 4.0
            assert app.shows(tester, "Log was cut", 2) and app.shows(tester, "Bake log no. 2 was cut off. Its")
            assert app.shows(tester, "saved no. 6")
            tester.world.press("ok")
            yield 2.5
            assert app.shows(tester, "Sensor", 2)

        tester.run(later)
        tester.power_off()
        tester.power_on()

        def once_more(tester):
            yield 4.0
            assert app.shows(tester, "Sensor", 2)

        tester.run(once_more)
        kinds = [value["kind"] for value in app.records(tester)]
        assert kinds == ["boot", "bake", "bake", "bake", "boot", "bake", "boot"]
        pulled = only_log(tester)
        assert pulled.ended == "cut" and len(pulled.seconds) == 120 and pulled.lost_parts == 0
        assert_follows(tester, pulled)


def test_a_full_ledger_refuses_a_log(tmp_path):
    # A reserve that no flash has room for makes the first segment one too many.
    firmware = app.changed_firmware(tmp_path, "ledger/store.py", "_RESERVE_BLOCKS = 6", "_RESERVE_BLOCKS = 5000")
    with at_an_oven(tmp_path, firmware=firmware) as tester:
        tester.power_on()

        def day(tester):
            yield from to_choices(tester)
            assert (yield from ends(tester, lambda: tester.world.press("ok"))) == [REFUSED]
            assert app.shows(tester, "Not now", 2) and app.shows(tester, "The ledger is full.")

        tester.run(day)
        assert app.records(tester) == []


def test_a_flash_that_fails_ends_the_log_and_nothing_is_shown_as_saved_that_is_not(tmp_path):
    with at_an_oven(tmp_path, firmware=short_rounds(tmp_path)) as tester:
        tester.power_on()

        def day(tester):
            yield from begin(tester)
            yield lambda: app.shows(tester, "2 parts saved")
            tester.board.flash.faults.refuses_enable = True
            assert (yield from ends(tester, lambda: None, 90.0)) == [UNSAVED] * 3
            assert app.shows(tester, "The flash fails.") and app.shows(tester, "2 parts saved")
            assert app.shows(tester, "NOT SAVED: last 1:00 min")
            tester.board.flash.faults.refuses_enable = False
            tester.world.press("ok")
            yield 4.0

        tester.run(day, wall_timeout_s=300)
        tester.power_off()
        tester.power_on()
        tester.run_for(4.0)
        pulled = only_log(tester)
        assert len(pulled.seconds) == 60 and pulled.ended == "cut"
        assert_follows(tester, pulled)
