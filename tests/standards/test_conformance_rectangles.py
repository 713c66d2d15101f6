"""Conformance with rectangular parts against a numerical integral of the convolution, in double and single precision.

Source of the definition: JCGM 106:2012, 7.1, and JCGM 100:2008, 4.3.7 for what a plus-or-minus is: the conformance
probability is the integral of the quantity's density over the tolerance interval. The densities of one rectangle and of
two (a trapezoid) are written down here from their corners and integrated by scipy.integrate.quad against scipy's own
normal distribution; the core computes antiderivatives of the normal distribution instead.
"""

import math
import random
import sys
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.integrate import quad
from scipy.special import ndtr

from probecore import conformance, verdict

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "core"))
import single_precision

CASES = 1000
guard = single_precision.guard


def integral(at, u, half, other=0.0):
    """Return P(X <= at) of a normal quantity about 0 with two rectangular parts, integrated."""
    wide, narrow = max(half, other), min(half, other)
    end, shoulder = wide + narrow, wide - narrow

    def density(t):
        size = abs(t)
        if size <= shoulder:
            return 0.5 / wide
        return max(0.0, end - size) / (4.0 * wide * narrow) if narrow else 0.0

    def weighted(t):
        return density(t) * (ndtr((at - t) / u) if u else float(t <= at))

    edges = {-end, -shoulder, shoulder, end}
    steps = range(-8, 9, 2) if u else (0,)
    edges |= {min(end, max(-end, at + step * u)) for step in steps}
    edges = sorted(edges)
    return math.fsum(quad(weighted, a, b, epsabs=1e-10)[0] for a, b in zip(edges, edges[1:], strict=False) if b > a)


def drawn(number, seed):
    """Yield widths over six decades each, as singles, every tenth without a normal part: (u, half, other, at)."""
    rng = random.Random(seed)

    def size():
        return guard(math.exp(rng.uniform(math.log(1e-3), math.log(1e3))))

    for index in range(CASES):
        half = size()
        # Every other case near in size, where all parts count.
        u = size() if index % 2 else guard(half * rng.uniform(0.02, 3.0))
        other = (size() if index % 4 < 2 else guard(half * rng.uniform(0.0, 1.0))) if number == 2 else 0.0
        if index % 10 == 0:
            u = 0.0
        yield u, half, other, guard(rng.uniform(-1.3, 1.3) * (2.0 * u + half + other))


@pytest.fixture(scope="module", params=[1, 2], ids=["one rectangle", "two rectangles"])
def cases(request):
    """The cases with their integrals below one limit and between two."""
    found = []
    rng = random.Random(request.param)
    for u, half, other, at in drawn(request.param, 20261125 + request.param):
        width = guard(rng.uniform(0.1, 3.0) * (u + half + other))
        one = integral(at, u, half, other)
        found.append(((u, half, other), at, width, one, one - integral(guard(at - width), u, half, other)))
    return found


def test_one_limit(cases):
    for parts, at, _, expected, _ in cases:
        assert conformance.below(at, 0.0, *parts) == pytest.approx(expected, abs=1e-6), (parts, at)
        assert conformance.above(at, 0.0, *parts) == pytest.approx(1.0 - expected, abs=1e-6), (parts, at)
    # They reach from surely not to surely, and most lie between.
    values = [case[3] for case in cases]
    assert min(values) < 1e-3 and max(values) > 1 - 1e-3 and sum(0.02 < each < 0.98 for each in values) > CASES / 2


def test_two_limits(cases):
    for parts, at, width, _, expected in cases:
        low = guard(at - width)
        assert conformance.within(low, at, 0.0, *parts) == pytest.approx(expected, abs=1e-6), (parts, at, width)


def test_the_order_of_the_rectangles_does_not_matter(cases):
    for (u, half, other), at, _, _, _ in cases:
        assert conformance.below(at, 0.0, u, half, other) == conformance.below(at, 0.0, u, other, half)


def test_single_precision(cases):
    """The very code of the tester, every operation rounded to a single."""
    single = single_precision.load("probecore_single_rectangles")["conformance"]
    worst = 0.0
    for parts, at, width, expected, between in cases:
        worst = max(
            worst,
            abs(single.below(at, 0.0, *parts) - expected),
            abs(single.above(at, 0.0, *parts) - (1.0 - expected)),
            abs(single.within(guard(at - width), at, 0.0, *parts) - between),
        )
    assert worst < 1e-5
    # The check itself: singles were used.
    assert worst > 1e-9


def test_without_a_normal_part_it_is_the_rectangle_and_the_trapezoid():
    assert conformance.below(0.5, 0.0, 0.0, 1.0) == 0.75
    assert conformance.below(-1.0, 0.0, 0.0, 1.0) == 0.0 and conformance.below(1.0, 0.0, 0.0, 1.0) == 1.0
    # Two equal ones make a triangle: half of one half from the end is an eighth of a half.
    assert conformance.below(-1.0, 0.0, 0.0, 1.0, 1.0) == 0.125
    assert conformance.below(0.0, 0.0, 0.0, 3.0, 1.0) == 0.5


@pytest.mark.parametrize("u", [1.0, 1e-3, 1e-9, 1e-30, 0.0])
def test_a_normal_part_that_vanishes_leaves_no_jump(u):
    for half, other in ((1.0, 0.0), (1.0, 1.0), (1.0, 1e-6), (1e-6, 1e-6)):
        expected = (
            integral(0.3 * half, u, half, other) if u > 1e-9 else conformance.below(0.3 * half, 0, 0, half, other)
        )
        assert conformance.below(0.3 * half, 0.0, u, half, other) == pytest.approx(expected, abs=1e-6)


def test_a_narrow_rectangle_may_join_the_variance():
    """On both sides of the share where it does, the integral is met within a ten-millionth."""
    for share in (0.01, 0.05, 0.0749, 0.0751, 0.1):
        for z in (-3.0, -1.7, -0.74, -0.2, 0.5, 0.74, 2.3):
            found = conformance.below(z, 0.0, 1.0, share)
            assert found == pytest.approx(integral(z, 1.0, share), abs=1.5e-7), (share, z)


def test_isolation_is_normal_in_conductance():
    """P(R >= limit) is the integral of the conductance's density up to 1/limit, in siemens, by quad."""
    rng = random.Random(5)
    single = single_precision.load("probecore_single_isolation")["verdict"]
    for _ in range(CASES):
        share = math.exp(rng.uniform(math.log(1e-4), math.log(0.3)))
        if rng.random() < 0.5:
            ohms = guard(math.exp(rng.uniform(math.log(1e3), math.log(4.9e7))))
        else:
            # Near the limit, where it counts.
            ohms = guard(1e6 * math.exp(3.0 * share * rng.uniform(-1.0, 1.0)))
        u_ohms = guard(ohms * share)
        siemens, u_siemens = 1.0 / ohms, u_ohms / ohms**2

        def density(each, at=siemens, u=u_siemens):
            return math.exp(-0.5 * ((each - at) / u) ** 2) / (u * math.sqrt(2.0 * math.pi))

        edges = [min(1e-6, siemens + step * u_siemens) for step in range(-9, 10)]
        pairs = zip(edges, edges[1:], strict=False)
        expected = math.fsum(quad(density, one, other, epsabs=1e-11)[0] for one, other in pairs if other > one)
        body = {"isolation": {"a": {"ohms": ohms, "u_ohms": u_ohms}}}
        assert dict(verdict.judge(body).requirements)["isolation a"] == pytest.approx(expected, abs=1e-6)
        assert dict(single.judge(body).requirements)["isolation a"] == pytest.approx(expected, abs=1e-5)


def test_the_tester_judges_as_the_host_does():
    """Whole bodies with both kinds of doubt: what is left is the temperature that a single makes of the ohms."""
    rng = random.Random(31)
    single = single_precision.load("probecore_single_bodies")["verdict"]
    for _ in range(CASES):
        half_ohms, half_celsius = guard(rng.uniform(0.0, 6.0)), guard(rng.uniform(0.0, 2.0))
        body = {
            "ohms": guard(rng.uniform(1070.0, 1110.0)),
            "u_ohms": guard(half_ohms / math.sqrt(3.0) + rng.uniform(0.0, 2.0)),
            "half_ohms": half_ohms,
            "ambient": {
                "celsius": 22.0,
                "u_celsius": guard(half_celsius / math.sqrt(3.0) + rng.uniform(0.0, 0.5)),
                "half_celsius": half_celsius,
            },
            "harness": {"ohms": guard(rng.uniform(0.0, 5.0)), "u_ohms": guard(rng.uniform(0.1, 1.0))},
        }
        ours, theirs = single.judge(body), verdict.judge(body)
        assert [name for name, _ in ours.requirements] == [name for name, _ in theirs.requirements]
        for (_, found), (_, expected) in zip(ours.requirements, theirs.requirements, strict=True):
            assert found == pytest.approx(expected, abs=3e-4)
        for (name, *found), (other, *expected) in zip(ours.guards, theirs.guards, strict=True):
            assert name == other
            assert [each is None for each in found] == [each is None for each in expected]
            assert [each for each in found if each is not None] == pytest.approx(
                [each for each in expected if each is not None], rel=1e-3, abs=1e-3
            )


def test_the_guard_is_where_the_integral_gives_the_probability():
    rng = random.Random(9)
    single = single_precision.load("probecore_single_guard")["conformance"]
    for u, half, other, _ in list(drawn(2, 77))[:200]:
        wanted = rng.choice([0.8, 0.9, 0.95, 0.99])
        inside = conformance.guard(wanted, u, half, other)
        assert integral(inside, u, half, other) == pytest.approx(wanted, abs=2e-6)
        assert single.guard(guard(wanted), u, half, other) == pytest.approx(inside, rel=2e-4)
        # Between two limits the other one takes its share.
        width = 2.2 * inside
        between = conformance.guard(wanted, u, half, other, width)
        if between is not None:
            found = integral(between, u, half, other) - integral(between - width, u, half, other)
            assert found == pytest.approx(wanted, abs=2e-6)
            assert between >= inside - 1e-9 * inside
    assert conformance.guard(0.95, 1.0, 0.0, 0.0, 2.0) is None
    assert conformance.guard(0.95, 0.0) == 0.0


widths = st.one_of(st.just(0.0), st.floats(1e-12, 1e12))


@given(st.floats(-1e12, 1e12), st.floats(0.0, 1e12), widths, widths, widths)
def test_it_is_a_distribution(at, step, u, half, other):
    """From 0 to 1, rising with the limit, symmetric about the estimate, for sizes over 24 decades."""
    found = conformance.below(at, 0.0, u, half, other)
    assert 0.0 <= found <= 1.0
    assert conformance.below(at + step, 0.0, u, half, other) >= found - 1e-9
    if abs(at) > 1e-6 * (u + half + other):
        assert conformance.below(-at, 0.0, u, half, other) == pytest.approx(1.0 - found, abs=1e-9)
    reach = 8.0 * u + half + other + 1e-6
    assert conformance.below(reach, 0.0, u, half, other) == pytest.approx(1.0, abs=1e-9)


@given(st.floats(0.01, 0.99), widths, widths, widths)
def test_a_guard_is_a_quantile(probability, u, half, other):
    inside = conformance.guard(probability, u, half, other)
    scale = u + half + other
    assert conformance.below(inside + 1e-9 * scale, 0.0, u, half, other) >= probability - 1e-6
    if scale:
        assert conformance.below(inside - 1e-6 * scale, 0.0, u, half, other) <= probability + 1e-3
