"""The uncertainty code against published examples and an independent library.

Sources: JCGM 100:2008 (GUM) examples H.1 and H.2 and Table G.2; EA-4/02 M:2022 supplement 1, example S3 (a 10-kohm
resistor by ratio; inputs from memory, they reproduce the printed result); JCGM 101:2008, 9.2 (sums of rectangular
inputs); GTC, the GUM Tree Calculator (PyPI).
"""

import math

import GTC
import numpy as np
import pytest

from probeledger import gum

# JCGM 100:2008, Table H.2: five simultaneous observations
VOLTS = [5.007, 4.994, 5.005, 4.990, 4.999]
AMPS = [19.663e-3, 19.639e-3, 19.640e-3, 19.685e-3, 19.678e-3]
RADIANS = [1.0456, 1.0438, 1.0468, 1.0428, 1.0433]

# EA-4/02 S3
RATIOS = [1.0000104, 1.0000107, 1.0000106, 1.0000103, 1.0000105]


def resistor_inputs():
    # S3 says of the five ratios: the mean and the standard deviation of the mean
    return [
        gum.certified("reference", 10000.053, 0.005),
        gum.bounded("drift of the reference", 0.020, 0.010),
        gum.bounded("temperature of the reference", 0.0, 2.75e-3),
        gum.bounded("temperature of the unknown", 0.0, 5.5e-3),
        gum.bounded("parasitic voltages", 1.0, 1.0e-6, gum.TRIANGULAR),
        gum.repeated("ratio", RATIOS),
    ]


def resistor(reference, drift, reference_temperature, unknown_temperature, parasitic, ratio):
    return (reference + drift + reference_temperature) * parasitic * ratio - unknown_temperature


def test_ten_kilohm_resistor_by_ratio():
    found = gum.evaluate(resistor, resistor_inputs())
    assert found.value == pytest.approx(10000.178, abs=0.0005)
    assert found.u == pytest.approx(8.33e-3, abs=0.01e-3)
    ratio = found.contributions[-1].input
    assert ratio.value == pytest.approx(1.0000105, abs=1e-9) and ratio.u == pytest.approx(7.07e-8, abs=1e-10)
    assert 2 * found.u == pytest.approx(17e-3, abs=0.5e-3)


def test_ten_kilohm_resistor_against_another_library():
    def rectangular(value, half_width):
        return GTC.ureal(value, half_width / math.sqrt(3))

    reference = GTC.ureal(10000.053, 0.0025)
    ratio = GTC.type_a.estimate(RATIOS)
    result = (reference + rectangular(0.020, 0.010) + rectangular(0, 2.75e-3)) * GTC.ureal(
        1.0, 1e-6 / math.sqrt(6)
    ) * ratio - rectangular(0, 5.5e-3)
    found = gum.evaluate(resistor, resistor_inputs())
    assert found.value == pytest.approx(GTC.value(result), rel=1e-12)
    assert found.u == pytest.approx(GTC.uncertainty(result), rel=1e-6)
    assert found.degrees_of_freedom == pytest.approx(GTC.dof(result), rel=1e-4)


def test_impedance_from_simultaneous_observations():
    covariance = np.cov(np.array([VOLTS, AMPS, RADIANS])) / 5
    values = [float(np.mean(data)) for data in (VOLTS, AMPS, RADIANS)]
    models = [
        lambda v, i, phi: v / i * math.cos(phi),
        lambda v, i, phi: v / i * math.sin(phi),
        lambda v, i, phi: v / i,
    ]
    results, found = gum.propagate(models, values, covariance)
    u = np.sqrt(np.diag(found))
    # printed: R = 127.732, X = 219.847, Z = 254.260 ohm; u 0.071, 0.295, 0.236; r -0.588, -0.485, 0.993
    assert results == pytest.approx([127.732, 219.847, 254.260], abs=6e-4)
    assert u == pytest.approx([0.071, 0.295, 0.236], abs=1e-3)
    correlation = found / np.outer(u, u)
    assert [correlation[0, 1], correlation[0, 2], correlation[1, 2]] == pytest.approx([-0.588, -0.485, 0.993], abs=1e-3)


def test_impedance_by_correlated_inputs():
    inputs = [gum.repeated("V", VOLTS), gum.repeated("I", AMPS), gum.repeated("phi", RADIANS)]
    data = dict(zip(("V", "I", "phi"), (VOLTS, AMPS, RADIANS), strict=True))
    pairs = [("V", "I"), ("V", "phi"), ("I", "phi")]
    correlations = {pair: float(np.corrcoef(data[pair[0]], data[pair[1]])[0, 1]) for pair in pairs}
    found = gum.evaluate(lambda v, i, phi: v / i, inputs, correlations)
    assert found.value == pytest.approx(254.260, abs=6e-4) and found.u == pytest.approx(0.236, abs=1e-3)
    assert found.degrees_of_freedom == 4


def test_end_gauge():
    # JCGM 100:2008, H.1: l = l_s + d - l_s (d_alpha theta + alpha_s d_theta); first order
    l_s = gum.Input("l_s", 50.000623e6, 25.0, degrees_of_freedom=18)
    parts = [(5.8, 24), (3.9, 5), (6.7, 8)]
    u_d = math.sqrt(sum(u**2 for u, _ in parts))
    d = gum.Input("d", 215.0, u_d, degrees_of_freedom=gum.effective_degrees_of_freedom(u_d, parts))
    d_alpha = gum.Input("d_alpha", 0.0, 1e-6 / math.sqrt(3), degrees_of_freedom=50)
    theta = gum.Input("theta", -0.1, math.hypot(0.2, 0.5 / math.sqrt(2)))
    alpha = gum.bounded("alpha_s", 11.5e-6, 2e-6)
    d_theta = gum.Input("d_theta", 0.0, 0.05 / math.sqrt(3), degrees_of_freedom=2)
    found = gum.evaluate(
        lambda length, d, da, t, a, dt: length + d - length * (da * t + a * dt),
        [l_s, d, d_alpha, theta, alpha, d_theta],
    )
    assert u_d == pytest.approx(9.7, abs=0.05)
    assert found.u == pytest.approx(31.7, abs=0.1)
    assert math.floor(found.degrees_of_freedom) == 16
    assert gum.student_factor(0.99, 16) == pytest.approx(2.92, abs=0.005)


@pytest.mark.parametrize(
    ("degrees", "factors"),
    [
        # JCGM 100:2008, Table G.2: 68.27, 90, 95, 95.45, 99, 99.73 %
        (1, [1.84, 6.31, 12.71, 13.97, 63.66, 235.80]),
        (2, [1.32, 2.92, 4.30, 4.53, 9.92, 19.21]),
        (5, [1.11, 2.02, 2.57, 2.65, 4.03, 5.51]),
        (10, [1.05, 1.81, 2.23, 2.28, 3.17, 3.96]),
        (20, [1.03, 1.72, 2.09, 2.13, 2.85, 3.42]),
        (50, [1.01, 1.68, 2.01, 2.05, 2.68, 3.16]),
        (math.inf, [1.000, 1.645, 1.960, 2.000, 2.576, 3.000]),
    ],
)
def test_factors_of_the_table(degrees, factors):
    for probability, factor in zip((0.6827, 0.90, 0.95, 0.9545, 0.99, 0.9973), factors, strict=True):
        assert gum.student_factor(probability, degrees) == pytest.approx(factor, abs=0.0051, rel=1e-4)


def test_one_rectangular_input():
    # A single rectangle holds 95 % within 0.95 of its half-width, 1.645 u (EA-4/02, S9: k = 1.65)
    found = gum.evaluate(lambda x: x, [gum.bounded("x", 0.0, 1.0)])
    assert found.shape_matters and found.coverage_factor(0.95) == pytest.approx(1.645, abs=1e-3)


def test_four_rectangular_inputs():
    # JCGM 101:2008, 9.2.3: the interval of the sum is [-3.88, 3.88] where the normal one is [-3.92, 3.92]
    inputs = [gum.Input(f"x{index}", 0.0, 1.0, gum.RECTANGULAR) for index in range(4)]
    found = gum.evaluate(lambda a, b, c, d: a + b + c + d, inputs)
    assert found.u == pytest.approx(2.0) and found.interval(0.95)[1] == pytest.approx(3.88, abs=0.006)


def test_one_rectangular_input_ten_times_the_others():
    # JCGM 101:2008, 9.2.4: [-17.0, 17.0] where the normal interval is [-19.9, 19.9]
    inputs = [gum.Input(f"x{index}", 0.0, 1.0, gum.RECTANGULAR) for index in range(3)]
    inputs.append(gum.Input("x3", 0.0, 10.0, gum.RECTANGULAR))
    found = gum.evaluate(lambda a, b, c, d: a + b + c + d, inputs)
    assert found.interval(0.95)[1] == pytest.approx(17.0, abs=0.05)


def test_the_convolution_against_drawing_lots():
    rng = np.random.default_rng(20261125)
    inputs = [
        gum.bounded("rectangle", 0.0, 2.0),
        gum.bounded("triangle", 0.0, 1.5, gum.TRIANGULAR),
        gum.bounded("arcsine", 0.0, 0.7, gum.U_SHAPED),
        gum.Input("normal", 0.0, 0.3),
        gum.Input("student", 0.0, 0.2, degrees_of_freedom=6),
    ]
    found = gum.evaluate(lambda a, b, c, d, e: a + b + 2 * c + d + e, inputs)
    draws = 400_000
    total = rng.uniform(-2, 2, draws) + rng.triangular(-1.5, 0, 1.5, draws)
    total += 2 * 0.7 * np.sin(rng.uniform(0, 2 * np.pi, draws)) + rng.normal(0, 0.3, draws)
    total += 0.2 * rng.standard_t(6, draws)
    assert found.interval(0.95)[1] == pytest.approx(np.quantile(np.abs(total), 0.95), rel=0.01)


def test_what_is_no_uncertainty_is_refused():
    with pytest.raises(ValueError, match="zero or more"):
        gum.Input("x", 1.0, -0.1)
    with pytest.raises(ValueError, match="two readings"):
        gum.repeated("x", [1.0])
