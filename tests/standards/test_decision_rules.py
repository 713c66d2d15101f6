"""Guard bands against the decision rules of ILAC-G8:09/2019 and the examples of JCGM 106:2012.

The examples' inputs and the rules' names are from memory, their results recomputed; where a document prints a rounded
figure it stands beside. Global risks are exact for the parameters stated, whatever the document prints.
"""

import math

import pytest
from scipy import stats
from scipy.integrate import quad

from probecore import limits, verdict
from probecore.conformance import guard, within


@pytest.mark.parametrize(
    ("rule", "width_in_expanded", "risk"),
    [
        # ILAC-G8:09/2019, Table 1: guard band w = r U with U = 2 u; largest specific risk of a false acceptance
        ("6 sigma", 3.0, 9.86588e-10),
        ("3 sigma", 1.5, 0.0013499),
        ("simple acceptance", 0.0, 0.5),
        ("uncritical, rejection beyond U", -1.0, 1.0 - 0.0227501),
    ],
)
def test_guard_bands_of_ilac_g8(rule, width_in_expanded, risk):
    for u in (0.05, 1.0, 4.2):
        # Far out a probability of 1 - 1e-9 has few digits left for the width.
        assert guard(1.0 - risk, u) == pytest.approx(2.0 * width_in_expanded * u, abs=2e-5 * u), rule


def test_the_project_decides_in_three_ways():
    """Pass, fail and undecided are ILAC-G8's non-binary rule with a guard band of 1.645 u = 0.82 U on both sides."""
    u = 0.7
    inside = guard(limits.DOMESTIC_1000["pass_probability"], u)
    assert inside == pytest.approx(1.6449 * u, abs=1e-4) and inside / (2 * u) == pytest.approx(0.82, abs=0.005)

    def judged(harness_ohms):
        body = {"leads": "connected", "ohms": 1089.6, "u_ohms": 0.1, "ambient": {"celsius": 23.0, "u_celsius": 0.2}}
        body["harness"] = {"ohms": harness_ohms, "u_ohms": u}
        return verdict.judge(body).verdict

    assert judged(3.0 - inside - 1e-4) == "pass" and judged(3.0 - inside + 1e-4) == "undecided"
    assert judged(3.0 + inside - 1e-4) == "undecided" and judged(3.0 + inside + 1e-4) == "fail"


@pytest.mark.parametrize(("probability", "z"), [(0.80, 0.8416), (0.95, 1.6449), (0.99, 2.3263), (0.999, 3.0902)])
def test_one_sided_factors(probability, z):
    # JCGM 106:2012, Table 1 (prints 0.84, 1.64, 2.33, 3.09)
    assert guard(probability, 1.0) == pytest.approx(z, abs=1e-4)


def test_the_speed_meter():
    # JCGM 106:2012, 8.3.3: a speed limit of 100 km/h, u = 2 %, wrong in one case of a thousand: 107 km/h, rounded up
    assert math.ceil(100.0 + guard(0.999, 2.0)) == 107


@pytest.mark.parametrize(
    ("u", "inside", "consumer", "producer"),
    [
        (0.02, 0.00, 0.01114350, 0.01574109),
        (0.02, 0.02, 0.00244066, 0.04584241),
        (0.04, 0.00, 0.01894221, 0.03720780),
        (0.04, 0.04, 0.00433407, 0.11465658),
        (0.04, 0.08, 0.00046863, 0.24766964),
    ],
)
def test_global_risks_of_precision_resistors(u, inside, consumer, producer):
    """JCGM 106:2012, 9.5: resistors of 1500 ohm +- 0.2 ohm, made with a standard deviation of 0.12 ohm."""
    made = stats.norm(0.0, 0.12)
    accepted = 0.2 - inside

    def share_accepted(error_ohms):
        return within(-accepted, accepted, error_ohms, u)

    def integral(function, low, high):
        edges = [low + (high - low) * step / 20 for step in range(21)]
        return math.fsum(quad(function, a, b, epsabs=1e-11)[0] for a, b in zip(edges, edges[1:], strict=False))

    accepted_wrongly = 2 * integral(lambda each: made.pdf(each) * share_accepted(each), 0.2, 1.2)
    rejected_wrongly = integral(lambda each: made.pdf(each) * (1.0 - share_accepted(each)), -0.2, 0.2)
    assert accepted_wrongly == pytest.approx(consumer, abs=1e-6)
    assert rejected_wrongly == pytest.approx(producer, abs=1e-6)
