"""The core in single precision: the same code, with every operation rounded as on the Pico."""

import importlib.util
import math
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


def test_the_budget_of_a_fit_with_covariances(core):
    """The law of propagation (GUM 5.2.2) in double precision is the yardstick: little is lost by cancellation."""
    for numbers in (
        {"u_offset_ohms": 0.012, "u_gain": 2.5e-5, "covariance_offset_gain_ohms": -2.4e-7},
        {
            "u_offset_ohms": 9.5e-3,
            "u_gain": 3.0e-5,
            "u_quadratic_per_ohm": 1.1e-8,
            "covariance_offset_gain_ohms": -1.6e-7,
            "covariance_offset_quadratic": 3.0e-11,
            "covariance_gain_quadratic_per_ohm": -3.0e-13,
        },
    ):
        stored = core["calibration"].to_map(core["calibration"].uncalibrated(500, 10, guard(0.042)))
        stored.update({name: guard(value) for name, value in numbers.items()})
        single = core["calibration"].from_map(stored)
        for ohms in (0.0, 100.0, 1000.0, 1097.0, 2000.0, 4000.0):
            found = core["calibration"].doubts(single, ohms, False)
            assert all(is_single(part) for part in found)
            powers = (1.0, ohms, ohms**2)
            u = (stored["u_offset_ohms"], stored["u_gain"], stored["u_quadratic_per_ohm"])
            exact = (
                sum((power * each) ** 2 for power, each in zip(powers, u, strict=True))
                + 2 * ohms * stored["covariance_offset_gain_ohms"]
                + 2 * ohms**2 * stored["covariance_offset_quadratic"]
                + 2 * ohms**3 * stored["covariance_gain_quadratic_per_ohm"]
            )
            assert sum(part**2 for part in found) == pytest.approx(exact, rel=2e-5)


def test_zero_power_keeps_its_milliohms(core):
    random.seed(11)
    selfheat = core["selfheat"]
    for _ in range(500):
        ohms, slope = random.uniform(900, 1300), random.uniform(0.0, 1.6)
        strong, faint = guard(random.uniform(0.08, 0.1)), guard(random.uniform(4e-4, 8e-4))
        found = selfheat.compare(
            selfheat.Level(guard(ohms + slope * strong), strong, guard(0.001)),
            selfheat.Level(guard(ohms + slope * faint), faint, guard(0.001)),
            guard(24.7e-6),
        )
        assert all(is_single(value) for value in found)
        # A single near 1100 ohm is 0.06 milliohm fine, and two of them make the rise.
        assert found.ohms == pytest.approx(ohms, abs=2e-4)
        assert found.ohms_per_milliwatt == pytest.approx(slope, abs=2e-4 / 0.08)
        assert found.u_ohms == pytest.approx(math.hypot(0.5 / 24.7, 0.001), rel=1e-4)


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


def test_a_bake_log_of_twelve_hours_stays_in_small_integers(core):
    random.seed(12)
    bake, curve = core["bake"], core["curves"].curve("pt1000-3850")
    cycles, chunk = bake.Cycles(), bake.Chunk()
    whole = []
    for second in range(43_200):
        celsius = 290 + 8 * math.sin(2 * math.pi * second / 300) + random.gauss(0, 0.02)
        value = bake.centicelsius(curve.celsius(guard(exact_curves.curve("pt1000-3850").ohms(celsius))))
        assert value == pytest.approx(100 * celsius, abs=1.0)
        whole.append(value)
        cycles.add(value)
        if chunk.full:
            chunk.begin(second)
        chunk.add(value)
    assert cycles.count == 143
    # Whole cycles of a sine: from the first trough, at 225 s, to the last one that is passed.
    span = whole[225 : 225 + 143 * 300]
    assert cycles.mean() == pytest.approx(sum(span) / len(span), abs=2)
