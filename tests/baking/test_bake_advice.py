"""The advised correction: rounded to the control's step, within its range, withheld where it may hide a fault."""

import dataclasses

import pytest
from bake_ovens import Oven, run
from hypothesis import given
from hypothesis import strategies as st

from probeledger.baking import logfile, outcome
from probeledger.baking.advice import MUST_PASS, Control, advise
from probeledger.errors import InputError

COURSE = run(Oven(1500.0, 395.0, 170.0, 180.0), 9000.0)
STEADY = outcome.analyse(logfile.from_arrays(COURSE.seconds, COURSE.celsius), 175.0)


def off(kelvin, u=1.0):
    return dataclasses.replace(STEADY, offset_celsius=kelvin, u_mean_celsius=u)


@pytest.mark.parametrize(
    ("offset", "present", "step", "limit", "correction", "new", "limited"),
    [
        (7.3, 0.0, 1.0, 19.0, -7.0, -7.0, False),
        (-7.6, 0.0, 1.0, 19.0, 8.0, 8.0, False),
        (7.3, 0.0, 5.0, 20.0, -5.0, -5.0, False),
        (7.3, 4.0, 1.0, 19.0, -7.0, -3.0, False),
        (25.0, 0.0, 1.0, 19.0, -19.0, -19.0, True),
        # 19 is no multiple of 5: 15 is the most that can be set.
        (25.0, 0.0, 5.0, 19.0, -15.0, -15.0, True),
        (25.0, -10.0, 5.0, 19.0, -5.0, -15.0, True),
        (-25.0, 10.0, 1.0, 19.0, 9.0, 19.0, True),
        (2.0, 0.0, 5.0, 20.0, 0.0, 0.0, False),
    ],
)
def test_rounded_and_limited(offset, present, step, limit, correction, new, limited):
    found = advise(off(offset), Control(present, step, limit), MUST_PASS)
    assert found.correction_celsius == pytest.approx(correction)
    assert found.new_offset_celsius == pytest.approx(new)
    assert found.limited is limited
    assert found.left_celsius == pytest.approx(offset + correction)


@given(st.floats(-60, 60), st.floats(-1, 1), st.floats(0.05, 1), st.floats(1, 30))
def test_always_a_setting_that_exists(offset, part, step_part, limit):
    step = limit * step_part
    found = advise(off(offset), Control(part * limit, step, limit), MUST_PASS)
    assert abs(found.new_offset_celsius) <= limit * (1 + 1e-9)
    assert found.new_offset_celsius / step == pytest.approx(round(found.new_offset_celsius / step), abs=1e-6)
    if not found.limited:
        assert abs(found.left_celsius) <= step / 2 + 1e-9


@pytest.mark.parametrize("passed", [(), ("sensor",), ("sensor", "isolation"), ("isolation", "harness")])
def test_withheld_until_all_passed(passed):
    found = advise(off(10.0), Control(0.0, 1.0, 19.0), passed)
    assert found.correction_celsius is None and found.new_offset_celsius is None
    assert found.why.startswith("Withheld until ")
    for name in MUST_PASS:
        assert (name in found.why.split(" passed")[0]) == (name not in passed)


def test_withheld_where_not_steady():
    found = advise(
        dataclasses.replace(STEADY, offset_celsius=None, u_mean_celsius=None), Control(0.0, 1.0, 19.0), MUST_PASS
    )
    assert found.correction_celsius is None
    assert "steady" in found.why


def test_an_offset_within_its_uncertainty_is_said():
    assert "no larger than its uncertainty" in advise(off(1.9), Control(0.0, 1.0, 19.0), MUST_PASS).why
    assert "no larger" not in advise(off(2.1), Control(0.0, 1.0, 19.0), MUST_PASS).why


@pytest.mark.parametrize(("present", "step", "limit"), [(20.0, 1.0, 19.0), (0.0, 20.0, 19.0), (0.0, 0.0, 19.0)])
def test_a_control_that_cannot_be(present, step, limit):
    with pytest.raises(InputError):
        advise(off(1.0), Control(present, step, limit), MUST_PASS)
