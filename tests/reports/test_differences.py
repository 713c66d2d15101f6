"""What the harness alone does, from tests at both ends: resistance, isolation, and what comes and goes."""

import datetime
import json
import math

import builder
import numpy as np
import pytest
from scipy import stats

from probeledger.judging.again import judge_again
from probeledger.reports.conclusion import conclusion
from probeledger.reports.day import day_sheet, document
from probeledger.reports.differences import FLEX, ISOLATION, RESISTANCE, Difference, differences, event_rates
from probeledger.reports.render import render

NO_LEAK = {"ohms": 5e7, "u_ohms": 0.0, "greater": True}


def leaks(ohms, u_ohms=0.0, greater=False):
    leak = {"ohms": ohms, "u_ohms": u_ohms, "greater": greater}
    return {"a": leak, "b": NO_LEAK if ohms < 5e7 else leak}


def flex(events, seconds=10.0):
    return {
        "seconds": seconds,
        "readings": 3000,
        "dropouts": events,
        "longest_dropout_ms": 40 if events else 0,
        "steps": 0,
        "largest_step_ohms": 0.0,
    }


def compared(sensor_parts, control_parts, control_ohms=0.0, sequence=1):
    base = builder.curve("pt1000-3850").ohms(22.0)
    sensor = judge_again(builder.probe(base, **sensor_parts))
    control = judge_again(builder.probe(base + control_ohms, place="control-end", **control_parts))
    return {each.name: each for each in differences(sensor, control, sequence)}


def test_resistance_as_the_tester_told_it():
    told = {"harness": {"ohms": 12.1, "u_ohms": 0.31, "other_sequence": 1}}
    found = compared({}, told, 12.1)[RESISTANCE]
    assert (found.value, found.u, found.unit, found.limit) == (12.1, 0.31, "ohm", 3.0)
    assert found.missed and found.text == "12.10 ± 0.62 Ω in series"
    # P(N(2.6, 0.31) <= 3), scipy.stats
    near = {"harness": {"ohms": 2.6, "u_ohms": 0.31, "other_sequence": 1}}
    found = compared({}, near, 2.6)[RESISTANCE]
    assert found.probability == pytest.approx(stats.norm(2.6, 0.31).cdf(3.0), abs=1e-6) and not found.missed


def test_resistance_of_tests_that_were_not_compared_on_the_tester():
    """Another sensor test, or another tester: both values count with all of their uncertainty."""
    for told in (None, {"ohms": 99.0, "u_ohms": 0.3, "other_sequence": 7}):
        found = compared({}, {"harness": told}, 5.0)[RESISTANCE]
        assert found.value == pytest.approx(5.0, abs=0.1)
        one = judge_again(builder.probe(celsius=22.0))
        # And 0.08 degC of change between the tests, by the slope of 3.9 ohm/degC.
        assert found.u == pytest.approx(math.hypot(math.sqrt(2) * one.u_ohms, 0.08 * 3.9), rel=0.02)


def test_a_difference_that_its_own_doubt_hides_is_left_out():
    rough = {"readings": [], "u_ohms": 2.5}
    assert RESISTANCE not in compared(rough, rough, 40.0)
    told = {"ohms": 40.0, "u_ohms": 3.5, "other_sequence": 1}
    assert RESISTANCE not in compared({}, {"harness": told}, 40.0)


@pytest.mark.parametrize(
    "parts",
    [
        {"leads": "open"},
        {"settling": {"settled": False, "wait_s": 300}},
    ],
)
def test_no_resistance_without_two_steady_ones(parts):
    assert RESISTANCE not in compared({}, parts)
    assert RESISTANCE not in compared(parts, {})


def test_isolation_subtracts_in_conductance():
    """By Monte Carlo: conductances drawn, subtracted, held against 1 uS."""
    rng = np.random.default_rng(7)
    draws = 2_000_000
    for near, far in (
        ((4e6, 4e5), (8e5, 3e4)),
        ((1.2e6, 1e5), (6e5, 3e4)),
        ((8e5, 2e4), (7.9e5, 2e4)),
    ):
        found = compared({"isolation": leaks(*near)}, {"isolation": leaks(*far)})[ISOLATION]

        def drawn(ohms, u_ohms):
            return rng.normal(1.0 / ohms, u_ohms / ohms**2, draws)

        values = drawn(*far) - drawn(*near)
        assert found.value == pytest.approx(values.mean(), abs=3e-9) and found.unit == "siemens"
        assert found.u == pytest.approx(values.std(), rel=3e-3)
        assert found.probability == pytest.approx((values <= 1e-6).mean(), abs=2e-3)
    # The same leak at both ends is the sensor's; the harness adds none.
    assert not found.missed and abs(found.value) < 2 * found.u


def test_more_than_so_many_ohms_is_anything_up_to_that_conductance():
    rng = np.random.default_rng(8)
    found = compared({"isolation": leaks(1.5e6, greater=True)}, {"isolation": leaks(7e5, 1e4)})[ISOLATION]
    values = rng.normal(1 / 7e5, 1e4 / 7e5**2, 1_000_000) - rng.uniform(0.0, 1 / 1.5e6, 1_000_000)
    assert found.probability == pytest.approx((values <= 1e-6).mean(), abs=2e-3)
    assert found.u == pytest.approx(values.std(), rel=3e-3)
    clear = compared({"isolation": leaks(5e7, greater=True)}, {"isolation": leaks(4e4, 300.0)})[ISOLATION]
    assert clear.missed and "(40.0" in clear.text and "kΩ" in clear.text
    none = compared({}, {})[ISOLATION]
    assert not none.missed and none.probability == 1.0


@pytest.mark.parametrize(
    "parts", [{"isolation": None}, {"contact": {"proven": False}}, {"isolation": {"a": {"ohms": 0.0, "u_ohms": 0.0}}}]
)
def test_no_isolation_without_two_of_them(parts):
    assert ISOLATION not in compared({}, parts)
    assert ISOLATION not in compared(parts, {})


@pytest.mark.parametrize(
    ("near", "near_s", "far", "far_s"), [(0, 10, 0, 10), (0, 10, 7, 10), (3, 20, 2, 5), (5, 8, 1, 30)]
)
def test_rates_of_events(near, near_s, far, far_s):
    """The probability against scipy's beta distribution, of which the binomial sum is the closed form."""
    value, u, higher = event_rates(near, near_s, far, far_s)
    assert higher == pytest.approx(stats.beta(far + 1, near + 1).sf(far_s / (far_s + near_s)), abs=1e-12)
    rng = np.random.default_rng(3)
    drawn = rng.gamma(far + 1, 1 / far_s, 400_000) - rng.gamma(near + 1, 1 / near_s, 400_000)
    assert higher == pytest.approx((drawn > 0).mean(), abs=4e-3)
    assert u == pytest.approx(drawn.std(), rel=0.01)
    assert value == pytest.approx(far / far_s - near / near_s)


def test_what_comes_and_goes():
    found = compared({"flex": flex(0)}, {"flex": flex(7)})[FLEX]
    assert found.missed and found.unit == "1/s" and found.value == pytest.approx(0.7)
    assert found.text == "0.70 ± 0.60 events a second when moved (7 in 10 s against 0 in 10 s)"
    # As often at the sensor's own leads, or never: not the harness.
    assert not compared({"flex": flex(6)}, {"flex": flex(7)})[FLEX].missed
    assert not compared({"flex": flex(0)}, {"flex": flex(0)})[FLEX].missed
    assert FLEX not in compared({"flex": None}, {"flex": flex(7)})
    assert not compared({"flex": flex(10**6)}, {"flex": flex(10**6)})[FLEX].missed
    assert FLEX not in compared({"flex": flex(0, 0.0)}, {"flex": flex(1)})


def fault(name, missed=True):
    return Difference(name, 1.0, 0.1, "ohm", 0.5, 0.0 if missed else 1.0, "")


class Judged:
    def __init__(self, verdict):
        self.verdict = verdict


@pytest.mark.parametrize(
    ("sensor", "control", "faults", "words"),
    [
        ("pass", "fail", [fault(RESISTANCE)], "the harness adds resistance: look at the harness"),
        ("pass", "pass", [fault(FLEX)], "the harness comes and goes when moved"),
        ("pass", "pass", [fault(ISOLATION, False)], "look at the control or the heating circuit"),
        ("undecided", "fail", [fault(ISOLATION), fault(FLEX)], "leaks to the chassis and comes and goes when moved"),
        ("undecided", "undecided", [fault(RESISTANCE)], "The sensor itself is still undecided"),
        ("fail", "fail", [fault(RESISTANCE)], "replace the one, repair the other"),
        ("fail", "fail", [fault(RESISTANCE, False)], "replace it"),
    ],
)
def test_where_to_look_with_differences(sensor, control, faults, words):
    last = {"sensor": Judged(sensor), "control-end": Judged(control)}
    assert words in conclusion(last, faults)


def test_on_the_day_sheet(tmp_path):
    ledger = builder.Ledger()
    ledger.add("boot", {"reset": "power"}, builder.NOON - 9000)
    base = builder.curve("pt1000-3850").ohms(22.0)
    ledger.add("probe", builder.probe(base, job=103, flex=flex(0)), builder.NOON - 8000)
    told = {"ohms": 12.1, "u_ohms": 0.31, "other_sequence": 2}
    ledger.add(
        "probe",
        builder.probe(
            base + 12.1,
            job=103,
            place="control-end",
            harness=told,
            flex=flex(7),
            isolation=leaks(4e4, 120.0),
        ),
        builder.NOON - 7700,
    )
    ledger.add("probe", builder.probe(base, job=104), builder.NOON - 6000)
    with builder.archive_of(tmp_path, ledger) as archive:
        sheet = day_sheet(archive, datetime.date(2026, 11, 25), datetime.UTC)
    visit, alone = sheet.testers[0].visits
    assert [each.name for each in visit.differences] == [RESISTANCE, ISOLATION, FLEX]
    assert all(each.missed for each in visit.differences) and alone.differences == ()
    assert "adds resistance, leaks to the chassis and comes and goes" in visit.conclusion
    jobs = json.loads(json.dumps(document(sheet)))["testers"][0]["jobs"]
    assert jobs[0]["harness"][0]["value"] == pytest.approx(12.1) and jobs[0]["conclusion"] == visit.conclusion
    page = render(sheet).replace("\u00a0", " ")
    assert page.count("Harness alone") == 1 and "12.10 ± 0.62 Ω in series" in page and "7 in 10 s against 0" in page
    # The guard bands stand beside the requirements, and in the picture.
    assert "undecided within" in page and "of either limit" in page and 'class="g-guard"' in page
