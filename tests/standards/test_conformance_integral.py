"""The conformance probability against a numerical integral of the density, on 1000 random cases.

Source of the definition: JCGM 106:2012, 7.1: the conformance probability is the integral of the quantity's probability
density over the tolerance interval. The integral is scipy.integrate.quad's; the core computes error functions.
"""

import math

import numpy as np
import pytest
from scipy.integrate import quad

from probecore.conformance import normal_above, normal_below, within

CASES = 1000
# Beyond so many standard deviations less than 1e-15 of a normal distribution is left.
FAR = 8.5


def integral(low, high, estimate, u):
    """Integrate the normal density between two limits, in pieces of one standard deviation."""
    low, high = max(low, estimate - FAR * u), min(high, estimate + FAR * u)
    if low >= high:
        return 0.0
    edges = np.linspace(low, high, 2 + math.ceil((high - low) / u))

    def density(value):
        return math.exp(-0.5 * ((value - estimate) / u) ** 2) / (u * math.sqrt(2.0 * math.pi))

    return sum(quad(density, one, other, epsabs=1e-10)[0] for one, other in zip(edges, edges[1:], strict=False))


@pytest.fixture(scope="module")
def cases():
    """Limits of a sensor's window, estimates in and around it, uncertainties from a hundredth to twice its width."""
    rng = np.random.default_rng(20261125)
    low = rng.uniform(50.0, 1100.0, CASES)
    width = np.exp(rng.uniform(np.log(1.0), np.log(100.0), CASES))
    u = width * np.exp(rng.uniform(np.log(0.01), np.log(2.0), CASES))
    estimate = low + width * rng.uniform(-0.5, 1.5, CASES)
    return [tuple(map(float, row)) for row in np.stack([low, low + width, estimate, u], axis=1)]


def test_within_two_limits(cases):
    found = [within(*case) for case in cases]
    expected = [integral(*case) for case in cases]
    assert found == pytest.approx(expected, abs=1e-6)
    # The cases reach from surely outside to surely inside, and many lie between.
    assert min(expected) < 1e-6 and max(expected) > 1 - 1e-6
    assert sum(0.05 < each < 0.95 for each in expected) > CASES / 4


def test_one_limit(cases):
    for low, high, estimate, u in cases:
        assert normal_above(low, estimate, u) == pytest.approx(integral(low, math.inf, estimate, u), abs=1e-6)
        assert normal_below(high, estimate, u) == pytest.approx(integral(-math.inf, high, estimate, u), abs=1e-6)
