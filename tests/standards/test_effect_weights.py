"""The probabilities of faults and their mixture, against Bayes' rule worked out on a grid of each fault's size.

The grid's likelihood is scipy's normal density of the very readings, its circuits are inverted by interpolation in a
table of IEC 60751:2022's resistances: neither the closed forms nor the straight lines of the code are used.
"""

import json
import math
import re
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import norm

from probeledger import curves
from probeledger.cli import main
from probeledger.judging import effect, weighing

NOMINAL = curves.curve("pt1000-3850")
OTHERS = curves.others(NOMINAL)
ROOM = 22.0
TABLE_CELSIUS = np.linspace(-100.0, 700.0, 800_001)
TABLE_OHMS = {
    of.name: curves.ohms_array(of, np.clip(TABLE_CELSIUS, -50.0, of.high_celsius)) for of in (NOMINAL, *OTHERS)
}
GRID = 40_001


def circuit_ohms(kind, quantity, ohms):
    """Return what the circuit shows with an element of `ohms`."""
    if kind == "series-resistance":
        return ohms + quantity
    if kind == "shunt":
        return 1.0 / (1.0 / ohms + quantity)
    return ohms * quantity if kind == "scaled-element" else ohms


def element_ohms(kind, quantity, shown):
    if kind == "series-resistance":
        return shown - quantity
    if kind == "shunt":
        return 1.0 / (1.0 / shown - quantity)
    return shown / quantity if kind == "scaled-element" else shown + 0.0 * quantity


def case(number):
    """Return points of an invented fault; numbers give kind, size, second temperature and uncertainties."""
    random = np.random.default_rng(20261125 + number)
    kind = ("as-nominal", "series-resistance", "shunt", "scaled-element", "other-curve")[number % 5]
    quantity = {
        "series-resistance": random.uniform(1.0, 20.0),
        "shunt": 1.0 / random.uniform(6e4, 1e6),
        "scaled-element": random.uniform(0.985, 1.015),
    }.get(kind, 0.0)
    of = OTHERS[0] if kind == "other-curve" else NOMINAL
    made = []
    for celsius, u_celsius in ((ROOM, 0.5), (random.choice([0.0, 99.97, 150.0, 200.0]), random.uniform(0.2, 1.5))):
        u_ohms = random.uniform(0.1, 3.0)
        true = celsius + random.normal(0.0, u_celsius)
        shown = circuit_ohms(kind, quantity, of.ohms(true)) + random.normal(0.0, u_ohms)
        made.append(effect.Point(float(shown), u_ohms, float(celsius), u_celsius))
    return made


def by_grid(each, points):
    """Return a hypothesis's grid of sizes and the joint density of readings and size there, times the grid's step."""
    first = NOMINAL.ohms(points[0].celsius)
    half = 0.1 * first
    sizes, prior = np.zeros(1), 1.0
    if each.kind == "series-resistance":
        sizes, prior = np.linspace(0.0, 200.0, GRID), 1.0 / half
    elif each.kind == "shunt":
        # The leak that takes `half` off the first point, to first order.
        sizes, prior = np.linspace(0.0, 2.0 * half / first**2, GRID), first**2 / half
    elif each.kind == "scaled-element":
        sizes, prior = np.linspace(0.8, 1.2, GRID), first / (2.0 * half)
    density = np.full(len(sizes), prior * (sizes[1] - sizes[0] if len(sizes) > 1 else 1.0))
    of = each.other_curve or NOMINAL
    for point in points:
        u = math.hypot(point.u_ohms, of.ohms_per_celsius(point.celsius) * point.u_celsius)
        density *= norm.pdf(point.ohms, circuit_ohms(each.kind, sizes, of.ohms(point.celsius)), u)
    if len(sizes) > 1:
        # The trapezium's ends count half.
        density[[0, -1]] *= 0.5
    return sizes, density


@pytest.mark.parametrize("number", range(20))
def test_bayes_on_a_grid_agrees(number) -> None:
    points = case(number)
    found = effect.hypotheses(NOMINAL, points, OTHERS)
    weighed = weighing.weigh(NOMINAL, found, points)
    standing = [(before, after) for before, after in zip(found, weighed, strict=True) if before.compatible]
    assert standing, "each invented fault must be among what its own readings leave"
    grids = [by_grid(before, points) for before, _ in standing]
    evidence = np.array([density.sum() for _, density in grids])
    expected = evidence / evidence.sum()
    for (_, after), share in zip(standing, expected, strict=True):
        assert after.weight == pytest.approx(share, abs=0.004)
    assert sum(after.weight for _, after in standing) == pytest.approx(1.0)

    setting = 175.0
    effects = effect.effects(NOMINAL, weighed, [setting], ROOM)
    (mixed,) = weighing.mix(NOMINAL, weighed, points, effects, ROOM)
    celsius, shares = [], []
    for (before, after), (sizes, density), share in zip(standing, grids, expected, strict=True):
        if after.compatible:
            of = before.other_curve or NOMINAL
            ohms = element_ohms(before.kind, sizes, NOMINAL.ohms(setting))
            celsius.append(np.interp(ohms, TABLE_OHMS[of.name], TABLE_CELSIUS))
            shares.append(share * density / density.sum())
    order = np.argsort(np.concatenate(celsius), kind="stable")
    t, weights = np.concatenate(celsius)[order], np.concatenate(shares)[order]
    weights /= weights.sum()
    below = np.cumsum(weights)
    assert mixed.weighted.mean_celsius == pytest.approx((t * weights).sum() - setting, abs=0.02)
    for tail, end in ((0.025, mixed.weighted.low_celsius), (0.975, mixed.weighted.high_celsius)):
        # A fault without a size is a step, at which a little weight more or less moves the end far.
        least, most = (np.interp(min(max(tail + way * 0.004, 0.0), 1.0), below, t) - setting for way in (-1, 1))
        assert least - 0.05 <= end <= most + 0.05


def test_the_weights_name_the_true_fault_where_the_points_are_good() -> None:
    """12 ohm in series in the room and in an oven at 200 degC are no larger element."""
    points = [effect.Point(NOMINAL.ohms(t) + 12.0, 0.1, t, 0.3) for t in (ROOM, 200.0)]
    found = effect.hypotheses(NOMINAL, points, OTHERS)
    weighed = {each.kind: each for each in weighing.weigh(NOMINAL, found, points)}
    assert weighed["series-resistance"].weight > 0.99
    effects = effect.effects(NOMINAL, tuple(weighed.values()), [175.0], ROOM)
    (mixed,) = weighing.mix(NOMINAL, tuple(weighed.values()), points, effects, ROOM)
    # 12 ohm over the 3.7 ohm per degree that IEC 60751's derivative has at 175 degC.
    assert mixed.weighted.mean_celsius == pytest.approx(-12.0 / NOMINAL.ohms_per_celsius(173.0), abs=0.05)


def test_what_is_less_probable_than_a_thousandth_drops_out() -> None:
    """Series and scaled are both left by chi-squared; the better of them is a thousand times as probable."""
    points = [effect.Point(NOMINAL.ohms(t) + 12.0, u, t, u / 4.0) for t, u in ((ROOM, 1.0), (200.0, 1.0))]
    for off in np.linspace(0.0, 12.0, 200):
        moved = [points[0], effect.Point(points[1].ohms - off, 1.0, 200.0, 0.25)]
        found = effect.hypotheses(NOMINAL, moved, OTHERS)
        weighed = weighing.weigh(NOMINAL, found, moved)
        for before, after in zip(found, weighed, strict=True):
            assert (after.weight is None) == (not before.compatible)
            if after.weight is not None:
                assert after.compatible == (after.weight >= 1e-3)


def test_a_measured_harness_weighs_too() -> None:
    """One cold reading 12 ohm too high: a harness of 12 ohm makes it the harness, one of none makes it the element."""
    points = [effect.Point(NOMINAL.ohms(ROOM) + 12.0, 0.3, ROOM, 0.25)]
    for series, kind in (((12.1, 0.4), "series-resistance"), ((0.1, 3.0), "scaled-element")):
        found = effect.hypotheses(NOMINAL, points, OTHERS, series)
        weighed = weighing.weigh(NOMINAL, found, points, series)
        assert max((each for each in weighed if each.weight), key=lambda each: each.weight).kind == kind
        (mixed,) = weighing.mix(NOMINAL, weighed, points, effect.effects(NOMINAL, weighed, [175.0], ROOM), ROOM, series)
        assert mixed.weighted.low_celsius <= mixed.weighted.mean_celsius <= mixed.weighted.high_celsius


def test_a_control_that_heats_without_limit_has_no_mean() -> None:
    """1.5 kohm across the element in both readings: the circuit never reaches the 1666 ohm of 175 degC."""
    points = [effect.Point(1.0 / (1.0 / NOMINAL.ohms(t) + 1.0 / 1500.0), 0.2, t, 0.3) for t in (0.0, ROOM)]
    found = effect.hypotheses(NOMINAL, points, OTHERS)
    weighed = weighing.weigh(NOMINAL, found, points)
    (mixed,) = weighing.mix(NOMINAL, weighed, points, effect.effects(NOMINAL, weighed, [175.0], ROOM), ROOM)
    assert mixed.weighted.mean_celsius is None and mixed.weighted.high_celsius is None


def test_exact_points_do_not_divide_by_nothing() -> None:
    points = [effect.Point(NOMINAL.ohms(t) + 5.0, 0.0, t, 0.0) for t in (0.0, ROOM)]
    weighed = weighing.weigh(NOMINAL, effect.hypotheses(NOMINAL, points, OTHERS), points)
    assert [(each.kind, each.weight) for each in weighed if each.compatible] == [("series-resistance", 1.0)]


@settings(max_examples=60, derandomize=True, deadline=None)
@given(st.floats(-15.0, 15.0), st.floats(-15.0, 15.0), st.floats(0.1, 3.0), st.sampled_from([0.0, 99.97, 200.0]))
def test_the_mixture_lies_within_the_whole_range(cold: float, hot: float, u_ohms: float, celsius: float) -> None:
    """Mean and 95 % lie in the whole range, which holds each fault's own 95 %."""
    points = [
        effect.Point(NOMINAL.ohms(ROOM) + cold, u_ohms, ROOM, 0.5),
        effect.Point(NOMINAL.ohms(celsius) + hot, u_ohms, celsius, 0.5),
    ]
    weighed = weighing.weigh(NOMINAL, effect.hypotheses(NOMINAL, points, OTHERS), points)
    effects = effect.effects(NOMINAL, weighed, [120.0, 230.0], ROOM)
    for mixed in weighing.mix(NOMINAL, weighed, points, effects, ROOM):
        if mixed.low_celsius is None:
            assert mixed.weighted is None
            continue
        seen = mixed.weighted
        assert seen.low_celsius <= seen.high_celsius
        # A quantity cut off at nothing has a tail that its estimate, moved to nothing, does not show.
        slack = 0.35 * (mixed.high_celsius - mixed.low_celsius) + 0.05
        assert mixed.low_celsius - slack <= seen.low_celsius and seen.high_celsius <= mixed.high_celsius + slack
        assert mixed.low_celsius - slack <= seen.mean_celsius <= mixed.high_celsius + slack


PAGE = (Path(__file__).resolve().parents[2] / "docs" / "effect.md").read_text(encoding="utf-8")
WORDS = {"series": "series-resistance", "leak": "shunt", "factor": "scaled-element"}


def page_rows():
    for line in PAGE.splitlines():
        cells = [cell.strip().replace("−", "-") for cell in line.strip("|").split("|")]
        if len(cells) == 6 and cells[0].endswith(" Ω") and "%" in cells[2]:
            yield cells


def test_the_page_has_its_cases() -> None:
    assert len(list(page_rows())) == 4


@pytest.mark.parametrize("cells", list(page_rows()), ids=lambda cells: f"{cells[0]} at {cells[1]}")
def test_the_page_says_what_is_computed(cells) -> None:
    off, (celsius, u) = float(cells[0].split()[0]), (float(part) for part in cells[1].split(" ± "))
    points = [effect.Point(NOMINAL.ohms(t) + off, 0.05, t, u_t) for t, u_t in ((ROOM, 0.5), (celsius, u))]
    weighed = weighing.weigh(NOMINAL, effect.hypotheses(NOMINAL, points, OTHERS), points)
    told = {WORDS[word]: float(share) for word, share in re.findall(r"(\w+) ([\d.]+) %", cells[2])}
    assert {each.kind for each in weighed if each.compatible} == set(told)
    for each in weighed:
        if each.compatible:
            assert 100.0 * each.weight == pytest.approx(told[each.kind], abs=0.051)
    (mixed,) = weighing.mix(NOMINAL, weighed, points, effect.effects(NOMINAL, weighed, [175.0], ROOM), ROOM)
    assert mixed.weighted.mean_celsius == pytest.approx(float(cells[3]), abs=0.051)
    for cell, found in ((cells[4], mixed.weighted), (cells[5], mixed)):
        low, high = (float(part) for part in cell.split(" to "))
        assert found.low_celsius == pytest.approx(low, abs=0.051)
        assert found.high_celsius == pytest.approx(high, abs=0.051)


def run(*words):
    return CliRunner().invoke(main, ["effect", "--ohms", "1097.7", "--ambient", "22", *words])


def test_the_command_shows_and_lists_the_weights() -> None:
    words = ["--second", "1012.1,0", "--u-second", "0.2", "--u-ohms", "0.1", "--set-fahrenheit", "350"]
    listed = json.loads(run(*words, "--json").stdout)
    weights = [each["weight"] for each in listed["hypotheses"] if each["weight"] is not None]
    assert sum(weights) == pytest.approx(1.0)
    (answer,) = listed["effects"]
    assert answer["weighted"]["low_celsius"] < answer["weighted"]["mean_celsius"] < answer["weighted"]["high_celsius"]
    assert set(answer) == {"set_celsius", "low_celsius", "high_celsius", "weighted"}
    shown = run(*words).stdout
    assert "Probability, %" in shown and "For the customer" in shown
    held = listed["customer"]["fahrenheit"][0].partition("about ")[2].rstrip(".")
    assert held.endswith("°F") and f"Set to 350 °F (177 °C), the oven would hold about {held}" in " ".join(
        shown.split()
    )
    assert max(map(len, shown.splitlines())) <= 80
    alone = json.loads(run("--json").stdout)
    assert all(each["weight"] is None for each in alone["hypotheses"])
    assert all(each["weighted"] is None for each in alone["effects"])


def test_the_harness_on_the_command_line() -> None:
    listed = json.loads(run("--harness", "12", "--u-harness", "0.5", "--u-ohms", "0.3", "--json").stdout)
    assert [each["kind"] for each in listed["hypotheses"] if each["compatible"]] == ["series-resistance"]
    assert listed["points"] and json.loads(run("--harness", "0.2", "--json").stdout)["effects"]
    bare = run("--u-harness", "0.5")
    assert bare.exit_code == 2 and "give --harness too" in " ".join(bare.output.split())
