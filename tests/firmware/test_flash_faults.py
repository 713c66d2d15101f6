"""A failing, busy, protected, lossy or slow flash on the virtual tester: said on the display, and measuring goes on."""

import importlib.util
import sys
from pathlib import Path

import pytest

_spec = importlib.util.spec_from_file_location("test_app_actions", Path(__file__).with_name("test_app.py"))
assert _spec and _spec.loader
app = importlib.util.module_from_spec(_spec)
sys.modules["test_app_actions"] = app
_spec.loader.exec_module(app)


def protect(flash):
    """Lock the whole chip, as a stray write of its status register would."""
    flash._protect = 0x1C


def lose_writes(flash):
    flash.faults.writes_lost = True


def stay_busy(flash):
    flash.faults.busy_for_ever = True


@pytest.mark.parametrize("fault", [protect, lose_writes, stay_busy])
def test_a_flash_that_fails_in_use_is_told_and_measuring_goes_on(tmp_path, fault):
    with app.switched_on(tmp_path) as tester:
        tester.power_on()

        def day(tester):
            yield from app.begin(tester)
            assert (yield from app.press(tester)) == [app.SAVED]
            before = bytes(tester.board.flash.content)
            fault(tester.board.flash)
            tester.world.press("back")
            yield 1.0
            assert set((yield from app.press(tester, limit_s=60))) == {app.UNSAVED}
            assert app.shows(tester, "PASS", 3) and app.shows(tester, "NOT SAVED: flash fails")
            tester.world.press("back")
            yield lambda: app.shows(tester, "1 results NOT SAVED")
            yield lambda: app.shows(tester, "NOT SAVING: flash fails")
            assert bytes(tester.board.flash.content) == before or fault is stay_busy
            # A new start without the fault saves again, and nothing is missing or twice.
            tester.board.flash.faults = type(tester.board.flash.faults)()
            tester.board.flash._protect = 0

        tester.run(day)
        tester.power_off()
        tester.power_on()

        def next_day(tester):
            yield from app.begin(tester)
            assert (yield from app.press(tester)) == [app.SAVED]

        tester.run(next_day)
        found = app.records(tester)
        assert [value["seq"] for value in found] == list(range(1, len(found) + 1))
        assert len([value for value in found if value["kind"] == "probe"]) == 2


@pytest.mark.parametrize("fault", [protect, stay_busy])
def test_a_flash_that_fails_from_the_start_is_left_alone(tmp_path, fault):
    with app.switched_on(tmp_path) as tester:
        tester.power_on()

        def first_day(tester):
            yield from app.begin(tester)
            assert (yield from app.press(tester)) == [app.SAVED]

        tester.run(first_day)
        tester.power_off()
        before = bytes(tester.board.flash.content)
        fault(tester.board.flash)
        tester.power_on()

        def second_day(tester):
            yield from app.begin(tester)
            yield lambda: app.shows(tester, "NOT SAVING: flash fails")
            assert set((yield from app.press(tester, limit_s=60))) == {app.UNSAVED}
            assert app.shows(tester, "PASS", 3)

        tester.run(second_day)
        assert bytes(tester.board.flash.content)[: 2 * 4096] == before[: 2 * 4096]


def test_a_slow_chip_is_waited_for(tmp_path):
    with app.switched_on(tmp_path) as tester:
        tester.board.flash.slow = True
        tester.power_on()

        def day(tester):
            yield from app.begin(tester)
            yield 10.0
            assert (yield from app.press(tester)) == [app.SAVED]

        tester.run(day)
        assert tester.board.flash.misuses == []
        assert len(app.bodies(tester)) == 1
