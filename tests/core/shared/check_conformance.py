"""Conformance probabilities against JCGM 106:2012 (inputs of its examples from memory, results recomputed)."""

from probecore.conformance import above, below, guard, normal_above, normal_below, within


def near(value, expected, tolerance=1e-5):
    return abs(value - expected) <= tolerance


def test_upper_limit_example():
    # JCGM 106:2012, clause 7.2.2 (a Zener diode): limit -5.40 V, estimate -5.47 V, u 0.05 V
    assert near(normal_below(-5.40, -5.47, 0.05), 0.919243)


def test_two_sided_example():
    # JCGM 106:2012, clause 7 (viscosity of an oil): 12.5 to 16.3, estimate 13.6, u 1.8
    assert near(within(12.5, 16.3, 13.6, 1.8), 0.66263)


def test_one_sided_factors():
    # JCGM 106:2012, Table 1: z of 0.80, 0.95, 0.99, 0.999
    for z, probability in ((0.8416, 0.80), (1.6449, 0.95), (2.3263, 0.99), (3.0902, 0.999)):
        assert near(normal_above(0, z, 1), probability, 2e-5)


def test_interval_of_unit_half_width():
    # p = Phi((1-y)/u) - Phi((-1-y)/u), computed with scipy.stats.norm
    for y, u, probability in (
        (0.5, 0.25, 0.97724987),
        (0.9, 0.1, 0.84134475),
        (1.1, 0.1, 0.15865525),
        (0.75, 0.25, 0.84134475),
    ):
        assert near(within(-1, 1, y, u), probability, 1e-6)


def test_no_uncertainty_is_a_step():
    assert within(0, 1, 1.0, 0) == 1.0 and within(0, 1, 1.0001, 0) == 0.0
    assert normal_above(5, 5, 0) == 1.0 and normal_below(5, 5.1, 0) == 0.0


def test_mirror_image():
    for offset in (0.0, 0.3, 1.7, 4.0):
        assert near(within(-4, 4, offset, 1.0), within(-4, 4, -offset, 1.0), 1e-6)


def test_rectangular_parts():
    # limit, u of the normal part, both half-widths, P(quantity <= limit): scipy.integrate.quad of the convolution
    for limit, u, half, other, probability in (
        (1.0, 1.0, 2.0, 0.0, 0.72926667),
        (1.5, 0.5, 2.0, 1.0, 0.84493036),
        (-0.3, 1.0, 1.0, 1.0, 0.40933823),
        (2.9, 0.1, 2.0, 1.0, 0.99879709),
        (0.2, 0.0, 1.0, 0.5, 0.6),
        (1.0, 1.0, 0.05, 0.0, 0.84124395),
    ):
        assert near(below(limit, 0.0, u, half, other), probability, 1e-6)
        assert near(above(-limit, 0.0, u, other, half), probability, 1e-6)
        assert near(within(-limit, limit, 0.0, u, half, other), max(0.0, 2 * probability - 1), 2e-6)


def test_guards():
    # JCGM 106:2012, Table 1: z of 0.95; a rectangle's 95 % lies at nine tenths of its half-width
    assert near(guard(0.95, 2.0), 3.28971, 1e-4)
    assert near(guard(0.95, 0.0, 2.0), 1.8, 1e-5)
    assert near(guard(0.5, 1.0), 0.0, 1e-5)
    # Between two limits the far one takes its share (scipy.optimize.brentq), until no estimate will do.
    assert near(guard(0.95, 1.0, 0.0, 0.0, 4.0), 1.796213, 1e-4)
    assert guard(0.95, 1.0, 0.0, 0.0, 3.9) is None
