"""The core in single precision: the same code, with every operation rounded as on the Pico."""

import importlib.util
import random
from pathlib import Path

import pytest

from probecore import counts as exact_counts
from probecore import curves as exact_curves
from probecore import verdict as exact_verdict

_spec = importlib.util.spec_from_file_location("single_precision", Path(__file__).with_name("single_precision.py"))
single_precision = importlib.util.module_from_spec(_spec)
_spec.loader.exec_module(single_precision)
guard, is_single = single_precision.guard, single_precision.is_single


@pytest.fixture(scope="module")
def core():
    return single_precision.load()


def test_the_guard_sees_doubles_and_big_integers(core):
    # The check itself: it must be able to fail.
    assert guard(0.1) != 0.1 and is_single(guard(0.1)) and not is_single(0.1)
    with pytest.raises(single_precision.NotSingleError):
        core["maths"].sqrt(0.1)
    with pytest.raises(single_precision.NotSingleError):
        core["counts"].sums([sign << 28 for sign in (1, 1, -1, -1, -1, -1, 1, 1)])


@pytest.mark.parametrize("name", exact_curves.BUILT_IN)
def test_temperature_on_the_tester_is_right_to_five_millikelvin(core, name):
    single = core["curves"].curve(name)
    exact = exact_curves.curve(name)
    worst = 0.0
    for step in range(5401):
        celsius = -40 + step / 10
        ohms = guard(exact.ohms(celsius))
        found = single.celsius(ohms)
        assert is_single(found) or found == 0
        worst = max(worst, abs(found - exact.celsius(ohms)))
    assert worst < 0.005


@pytest.mark.parametrize("name", exact_curves.BUILT_IN)
def test_resistance_on_the_tester(core, name):
    single = core["curves"].curve(name)
    exact = exact_curves.curve(name)
    for step in range(541):
        celsius = float(-40 + step)
        assert single.ohms(celsius) == pytest.approx(exact.ohms(celsius), rel=4e-7)


def test_ratios_keep_their_digits(core):
    random.seed(20261125)
    for _ in range(3000):
        reference = random.randint(200_000, 8_388_607)
        probe = random.randint(0, 8_388_607)
        reading = [reference, probe, -probe, -reference, -reference, -probe, probe, reference]
        reading = [max(-8_388_607, min(8_388_607, count + random.randint(-50, 50))) for count in reading]
        exact_reference, exact_probe = exact_counts.sums(reading)
        found = core["counts"].ratio(reading)
        assert is_single(found)
        assert found == pytest.approx(exact_probe / exact_reference, rel=3e-7, abs=3e-7)


def test_the_whole_scale_stays_in_small_integers(core):
    full = [8_388_607, 8_388_607, -8_388_608, -8_388_608, -8_388_608, -8_388_608, 8_388_607, 8_388_607]
    assert core["counts"].ratio(full) == pytest.approx(1, abs=1e-6)


def test_the_verdict_is_that_of_the_host(core):
    random.seed(7)
    for _ in range(2000):
        body = {
            "curve": "pt1000-3850",
            "leads": "connected",
            "ohms": guard(random.uniform(900, 1300)),
            "u_ohms": guard(random.uniform(0.01, 2)),
            "ambient": {"celsius": guard(random.uniform(5, 45)), "u_celsius": guard(random.uniform(0.1, 1.5))},
            "settling": {"settled": True},
            "contact": {"proven": True},
            "isolation": {"a": {"ohms": guard(random.uniform(1e4, 2e6)), "u_ohms": guard(random.uniform(1e3, 1e5))}},
        }
        ours = core["verdict"].judge(body)
        theirs = exact_verdict.judge(body)
        assert [name for name, _ in ours.requirements] == [name for name, _ in theirs.requirements]
        for (_, found), (_, expected) in zip(ours.requirements, theirs.requirements, strict=True):
            assert found == pytest.approx(expected, abs=2e-4)
        if min(abs(theirs.probability - 0.95), abs(theirs.probability - 0.05)) > 2e-4:
            assert ours.verdict == theirs.verdict


def test_the_budget(core):
    calibration = core["calibration"].uncalibrated(500, 10, guard(0.042))
    found = core["budget"].u_ohms(guard(1097.35), guard(0.004), calibration, guard(23.0))
    assert is_single(found)
    # 0.05 % of 1097.35 ohm over root 3 is 0.3168 ohm; the ADC's line adds 0.0242, the input currents 0.0132
    assert found == pytest.approx((0.3168**2 + 0.0242**2 + 0.0132**2 + 0.0055**2 + 0.004**2) ** 0.5, rel=2e-3)


def test_settling_sees_the_slope(core):
    random.seed(3)
    settling = core["settling"].Settling(guard(0.31))
    for at in range(12):
        settling.add(420 * at, guard(guard(1090.0) - 0.02 * at + random.gauss(0, 0.002)))
    slope, u_slope = settling.slope()
    assert is_single(slope) and is_single(u_slope)
    assert slope == pytest.approx(-0.02 / 0.42 * 60, abs=4 * u_slope + 0.02)


def test_flex_stays_in_small_integers(core):
    counter = core["flex"].FlexCounter()
    for at in range(4000):
        counter.add(at * 3, 4_000_000 if at % 100 else core["flex"].OPEN)
    counter.finish()
    assert counter.readings == 4000 and counter.steps == 0
