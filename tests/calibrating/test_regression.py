"""The regression against published data with published results, and against an independent program.

Sources: ISO/TS 28037:2010 (6.3, 7.4, Annex E; printed values as quoted by the GTC documentation); Pearson's data with
York's weights (York et al., Am. J. Phys. 72 (2004) 367; Neri et al., J. Phys. E 22 (1989) 215); Kalantar, Meas. Sci.
Technol. 3 (1992) 1113; NIST StRD Norris and Pontius (certified values); JCGM 100:2008 (GUM), H.3; odrpack (PyPI).
"""

import math

import numpy as np
import pytest
from published import NORRIS_X, NORRIS_Y, PONTIUS_X, PONTIUS_Y
from scipy import optimize

from probeledger.calibrating.regression import NoFitError, fit_polynomial


def variances(u):
    return np.diag(np.asarray(u, dtype=float) ** 2)


def exact(number):
    return np.zeros((number, number))


def u_of(fit):
    return np.sqrt(np.diag(fit.covariance))


@pytest.mark.parametrize(
    ("y", "u_y", "a", "b", "u_a", "u_b", "covariance", "chi2"),
    [
        ([3.3, 5.6, 7.1, 9.3, 10.7, 12.1], [0.5] * 6, 1.867, 1.757, 0.465, 0.120, -0.050, 1.665),
        ([3.2, 4.3, 7.6, 8.6, 11.7, 12.8], [0.5] * 3 + [1.0] * 3, 0.885, 2.057, 0.530, 0.178, -0.082, 4.131),
    ],
)
def test_weighted_least_squares_of_iso_28037(y, u_y, a, b, u_a, u_b, covariance, chi2):
    fit = fit_polynomial([1, 2, 3, 4, 5, 6], y, exact(6), variances(u_y))
    assert fit.coefficients == pytest.approx([a, b], abs=6e-4)
    assert u_of(fit) == pytest.approx([u_a, u_b], abs=6e-4)
    assert fit.covariance[0, 1] == pytest.approx(covariance, abs=6e-4)
    assert fit.chi2 == pytest.approx(chi2, abs=6e-4) and fit.degrees_of_freedom == 4


def test_both_axes_of_iso_28037():
    fit = fit_polynomial(
        [1.2, 1.9, 2.9, 4.0, 4.7, 5.9],
        [3.4, 4.4, 7.2, 8.5, 10.8, 13.5],
        variances([0.2] * 6),
        variances([0.2] * 3 + [0.4] * 3),
    )
    assert fit.coefficients == pytest.approx([0.5788, 2.1597], abs=1e-4)
    assert u_of(fit) == pytest.approx([0.4764, 0.1355], abs=1e-4)
    assert fit.covariance[0, 1] == pytest.approx(-0.0577, abs=1e-4)
    assert fit.chi2 == pytest.approx(2.743, abs=6e-4)


def test_uncertainty_of_unknown_size_in_iso_28037_annex_e():
    # data from memory (they reproduce the printed a, b, u and covariance before its factor for few points)
    x = np.arange(1.0, 7.0)
    y = [3.014, 5.225, 7.004, 9.061, 11.201, 12.762]
    fit = fit_polynomial(x, y, exact(6), np.eye(6))
    assert fit.coefficients == pytest.approx([1.172, 1.964], abs=6e-4)
    assert np.sqrt(np.diag(fit.scaled_covariance)) == pytest.approx([0.159, 0.041], abs=6e-4)
    assert fit.scaled_covariance[0, 1] == pytest.approx(-0.006, abs=6e-4)


# Pearson 1901 with the weights of York 1966
YORK_X = [0.0, 0.9, 1.8, 2.6, 3.3, 4.4, 5.2, 6.1, 6.5, 7.4]
YORK_Y = [5.9, 5.4, 4.4, 4.6, 3.5, 3.7, 2.8, 2.8, 2.4, 1.5]
YORK_WX = np.array([1000, 1000, 500, 800, 200, 80, 60, 20, 1.8, 1.0])
YORK_WY = np.array([1, 1.8, 4, 8, 20, 20, 70, 70, 100, 500])


def york():
    return fit_polynomial(YORK_X, YORK_Y, np.diag(1 / YORK_WX), np.diag(1 / YORK_WY))


def test_york_line_is_exact():
    fit = york()
    assert fit.coefficients == pytest.approx([5.47991022, -0.480533407], rel=1e-8)
    assert fit.chi2 == pytest.approx(11.86635319, rel=1e-9)
    assert fit.chi2 / fit.degrees_of_freedom == pytest.approx(1.4833, abs=5e-5)


def test_york_uncertainties_are_those_of_the_named_estimator():
    fit = york()
    # York 2004, at the adjusted points
    assert u_of(fit) == pytest.approx([0.294971, 0.057985], abs=1e-6)
    assert fit.covariance[0, 1] == pytest.approx(-0.016473, abs=1e-6)
    # at the observed points they would be 0.29713 and 0.05830, by Kalantar 0.29193 and 0.057617: not these
    for other in ([0.29713, 0.05830], [0.29193, 0.057617]):
        assert np.all(np.abs(u_of(fit) / other - 1) > 4e-3)


def test_york_against_odrpack():
    odrpack = pytest.importorskip("odrpack")
    found = odrpack.odr_fit(
        lambda x, beta: beta[0] + beta[1] * x,
        np.array(YORK_X),
        np.array(YORK_Y),
        np.array([5.0, -0.5]),
        weight_x=YORK_WX,
        weight_y=YORK_WY,
        partol=1e-14,
        sstol=1e-14,
        diff_scheme="central",
    )
    fit = york()
    assert fit.coefficients == pytest.approx(found.beta, rel=1e-7)
    # odrpack's standard deviations are those scaled by the residual variance
    assert np.sqrt(np.diag(fit.scaled_covariance)) == pytest.approx(found.sd_beta, rel=1e-5)


def test_quadratic_on_both_axes_against_odrpack():
    odrpack = pytest.importorskip("odrpack")
    random = np.random.default_rng(4)
    true_x = np.linspace(0.0, 4.0, 15)
    u_x, u_y = np.linspace(0.02, 0.08, 15), np.linspace(0.1, 0.03, 15)
    x = true_x + random.normal(0, u_x)
    y = 0.3 + 0.9 * true_x + 0.15 * true_x**2 + random.normal(0, u_y)
    fit = fit_polynomial(x, y, variances(u_x), variances(u_y), degree=2)
    found = odrpack.odr_fit(
        lambda at, beta: beta[0] + beta[1] * at + beta[2] * at**2,
        x,
        y,
        np.array([0.0, 1.0, 0.0]),
        weight_x=u_x**-2,
        weight_y=u_y**-2,
        partol=1e-14,
        sstol=1e-14,
        diff_scheme="central",
    )
    assert fit.coefficients == pytest.approx(found.beta, rel=1e-7)
    assert fit.chi2 == pytest.approx(found.sum_square, rel=1e-9)
    assert np.sqrt(np.diag(fit.scaled_covariance)) == pytest.approx(found.sd_beta, rel=1e-6)


def test_norris_certified_values():
    fit = fit_polynomial(NORRIS_X, NORRIS_Y, exact(36), np.eye(36))
    assert fit.coefficients == pytest.approx([-0.262323073774029, 1.00211681802045], rel=1e-9)
    assert np.sqrt(np.diag(fit.scaled_covariance)) == pytest.approx([0.232818234301152, 0.000429796848199937], rel=1e-9)
    assert fit.chi2 == pytest.approx(26.6173985294224, rel=1e-9)
    assert math.sqrt(fit.chi2 / fit.degrees_of_freedom) == pytest.approx(0.884796396144373, rel=1e-9)


def test_pontius_certified_values():
    fit = fit_polynomial(PONTIUS_X, PONTIUS_Y, exact(40), np.eye(40), degree=2)
    certified = [0.000673565789473684, 7.32059160401003e-07, -3.16081871345029e-15]
    assert fit.coefficients == pytest.approx(certified, rel=1e-8)
    u = [0.000107938612033077, 1.57817399981659e-10, 4.86652849992036e-17]
    assert np.sqrt(np.diag(fit.scaled_covariance)) == pytest.approx(u, rel=1e-8)


def test_thermometer_of_gum_h3():
    t = [21.521, 22.012, 22.512, 23.003, 23.507, 23.999, 24.513, 25.002, 25.503, 26.010, 26.511]
    b = [-0.171, -0.169, -0.166, -0.159, -0.164, -0.165, -0.156, -0.157, -0.159, -0.161, -0.160]
    fit = fit_polynomial(np.array(t) - 20.0, b, exact(11), np.eye(11))
    scaled = fit.scaled_covariance
    u = np.sqrt(np.diag(scaled))
    # printed: y1 = -0.1712, s 0.0029; y2 = 0.00218, s 0.00067; r = -0.930; s = 0.0035; b(30) = -0.1494, u 0.0041
    assert fit.coefficients == pytest.approx([-0.1712, 0.00218], abs=5e-5)
    assert u == pytest.approx([0.0029, 0.00067], abs=5e-5)
    assert scaled[0, 1] / (u[0] * u[1]) == pytest.approx(-0.930, abs=5e-4)
    assert math.sqrt(fit.chi2 / 9) == pytest.approx(0.0035, abs=5e-5)
    assert fit(10.0) == pytest.approx(-0.1494, abs=5e-5)
    assert math.sqrt(np.array([1, 10]) @ scaled @ np.array([1, 10])) == pytest.approx(0.0041, abs=5e-5)


def test_a_common_error_of_all_ordinates_goes_into_the_offset_alone():
    # Mathematics: a fully common part c of the ordinates moves the line as a whole.
    x, y, own, common = [0.0, 1.0, 2.0, 4.0], [0.1, 1.0, 2.1, 4.0], 0.05, 0.3
    alone = fit_polynomial(x, y, exact(4), variances([own] * 4))
    together = fit_polynomial(x, y, exact(4), variances([own] * 4) + common**2)
    assert together.coefficients == pytest.approx(alone.coefficients, abs=1e-12)
    assert together.covariance - alone.covariance == pytest.approx(np.diag([common**2, 0.0]), abs=1e-10)
    assert together.chi2 == pytest.approx(alone.chi2, rel=1e-9)


def test_covariance_is_that_of_many_drawn_data_sets():
    # JCGM 101 in short: the spread of the coefficients over drawn data is the stated covariance.
    random = np.random.default_rng(11)
    true_x = np.array([0.0, 100.0, 500.0, 1000.0, 2000.0, 4000.0])
    u_x, u_own = np.full(6, 0.02), 1e-5 * true_x + 1e-3
    shared = 3e-5 * true_x
    covariance_y = variances(u_own) + np.outer(shared, shared)
    found, stated, chi2 = [], [], []
    for _ in range(2000):
        x = true_x + random.normal(0, u_x)
        y = 0.05 + 0.9995 * true_x + random.normal(0, u_own) + shared * random.normal()
        fit = fit_polynomial(x, y, variances(u_x), covariance_y)
        found.append(fit.coefficients)
        stated.append(fit.covariance)
        chi2.append(fit.chi2)
    spread, mean = np.cov(np.array(found).T), np.mean(stated, axis=0)
    assert np.sqrt(np.diag(spread)) == pytest.approx(np.sqrt(np.diag(mean)), rel=0.06)
    assert spread[0, 1] == pytest.approx(mean[0, 1], rel=0.15)
    assert np.mean(found, axis=0) == pytest.approx([0.05, 0.9995], abs=4 * math.sqrt(spread[0, 0] / 2000))
    assert np.mean(chi2) == pytest.approx(4.0, abs=0.2)


@pytest.mark.parametrize("degree", [1, 2])
def test_all_correlations_against_the_plain_minimum(degree):
    # The definition of ISO/TS 28037, 10: the joint quadratic form, minimised by scipy without anything of ours.
    random = np.random.default_rng(degree)
    x = np.array([0.2, 1.1, 1.9, 3.2, 4.1, 4.8, 6.0])
    y = 0.5 + 1.2 * x - 0.08 * (degree - 1) * x**2 + random.normal(0, 0.1, 7)
    root = random.normal(0, 0.06, (14, 14))
    joint = root @ root.T + 0.05**2 * np.eye(14)
    fit = fit_polynomial(x, y, joint[:7, :7], joint[7:, 7:], degree, joint[:7, 7:])
    white = np.linalg.inv(np.linalg.cholesky(joint))

    def residuals(unknown):
        true_x, b = unknown[:7], unknown[7:]
        return white @ np.concatenate([x - true_x, y - np.polynomial.polynomial.polyval(true_x, b)])

    start = np.concatenate([x, np.polynomial.polynomial.polyfit(x, y, degree)])
    least = optimize.least_squares(residuals, start, xtol=1e-15, ftol=1e-15, gtol=1e-15)
    assert fit.coefficients == pytest.approx(least.x[7:], rel=1e-5)
    assert fit.adjusted_x == pytest.approx(least.x[:7], abs=1e-5)
    assert fit.chi2 == pytest.approx(2 * least.cost, rel=1e-8)
    # and the covariance is the block of that problem's own inverse (J'J)^-1, at the solution
    covariance = np.linalg.inv(least.jac.T @ least.jac)[7:, 7:]
    assert fit.covariance == pytest.approx(covariance, rel=1e-4)


def test_deviations_find_the_wrong_one_among_correlated_points():
    x = np.array([0.0, 1.0, 2.0, 3.0, 4.0, 5.0])
    y = 2.0 + 3.0 * x
    y[4] += 0.5
    shared = 0.4 * np.ones(6)
    fit = fit_polynomial(x, y, exact(6), variances([0.05] * 6) + np.outer(shared, shared))
    deviations = np.abs(fit.deviations())
    assert int(np.argmax(deviations)) == 4
    # w^2 is by how much chi-squared falls when that point goes (Baarda); here all of it, as the others are exact
    assert deviations[4] ** 2 == pytest.approx(fit.chi2, rel=1e-9)


@pytest.mark.parametrize(
    ("x", "covariance_y", "said"),
    [
        ([1.0, 1.0, 1.0], np.eye(3), "needs 2 points with different abscissas"),
        ([1.0, 2.0, 3.0], np.diag([1.0, 0.0, 1.0]), "needs an uncertainty of its own"),
    ],
)
def test_no_fit_is_said_in_words(x, covariance_y, said):
    with pytest.raises(NoFitError, match=said):
        fit_polynomial(x, [1.0, 2.0, 3.0], exact(3), covariance_y)
