"""Fits: against scipy's curve_fit, orthogonal distances, and a published Steinhart-Hart set."""

import numpy as np
import pytest
from scipy.optimize import curve_fit, least_squares

from probeledger import curves
from probeledger.errors import InputError
from probeledger.judging.effect import Point
from probeledger.sensors.fitting import fit

BASE = curves.curve("pt1000-3850")
TRUE = curves.curve("pt1000-3750")
TEMPERATURES = (0.0, 22.0, 99.6, 150.0, 175.0, 230.0)
# Deviations drawn once, ohm.
OFF = (0.11, -0.23, 0.31, -0.18, 0.27, -0.12)


def noisy(u_celsius: float) -> list[Point]:
    return [Point(TRUE.ohms(t) + off, 0.25, t, u_celsius) for t, off in zip(TEMPERATURES, OFF, strict=True)]


def callendar(t, r0, a, b):  # type: ignore[no-untyped-def]
    return r0 * (1.0 + a * t + b * t * t)


def test_r0_a_b_equals_curve_fit_where_only_ohms_are_uncertain() -> None:
    points = noisy(0.0)
    ohms = [p.ohms for p in points]
    expected, covariance = curve_fit(
        callendar, np.array(TEMPERATURES), ohms, (1000.0, 3.9e-3, -5e-7), [0.25] * 6, absolute_sigma=True
    )
    made = fit("r0-a-b", points, BASE)
    assert made.parameters == pytest.approx(expected, rel=1e-5)
    assert made.u_parameters == pytest.approx(np.sqrt(np.diag(covariance)), rel=1e-3)
    assert made.covariance[0][1] == pytest.approx(covariance[0, 1], rel=1e-3)


def test_r0_a_b_agrees_with_orthogonal_distances() -> None:
    # The independent route: the true temperatures are unknowns too, and both kinds of residual are minimised at once.
    points = noisy(0.3)
    celsius, ohms = np.array(TEMPERATURES), np.array([p.ohms for p in points])
    unit = np.array([1000.0, 3.8e-3, 6e-7])

    def residuals(unknown):  # type: ignore[no-untyped-def]
        true = celsius + 0.3 * unknown[3:]
        return np.concatenate([(ohms - callendar(true, *(unknown[:3] * unit))) / 0.25, unknown[3:]])

    other = least_squares(residuals, [1.0, 1.0, -1.0, *[0.0] * 6], xtol=1e-14, ftol=1e-14, gtol=1e-14)
    covariance = np.linalg.inv(other.jac.T @ other.jac)[:3, :3] * np.outer(unit, unit)
    made = fit("r0-a-b", points, BASE)
    # Two estimators: they agree far inside their uncertainty, not to the last digit.
    for ours, u, theirs in zip(made.parameters, made.u_parameters, other.x[:3] * unit, strict=True):
        assert abs(ours - theirs) < 0.05 * u
    assert made.u_parameters == pytest.approx(np.sqrt(np.diag(covariance)), rel=0.02)
    assert made.chi_square == pytest.approx(2.0 * other.cost, rel=0.01)


@pytest.mark.parametrize(
    ("model", "true"), [("r0", (1003.0,)), ("r0-a", (1003.0, BASE.a)), ("r0-a-b", (1003.0, BASE.a, BASE.b))]
)
def test_exact_points_give_their_parameters_back(model: str, true: tuple[float, ...]) -> None:
    points = [Point(1.003 * BASE.ohms(t), 0.1, t, 0.2) for t in (-20.0, 0.0, 100.0, 175.0, 250.0)]
    assert fit(model, points, BASE).parameters == pytest.approx(true, rel=1e-9)


def test_steinhart_hart_gives_back_the_published_set() -> None:
    # The 10 kohm thermistor's set as makers print it, with the resistances worked from it at 0, 50, 70 and 100 degC.
    a, b, c = 0.001129241, 0.0002341077, 8.775468e-08
    pairs = ((32649.92, 0.0), (3601.1, 50.0), (1751.6, 70.0), (678.42, 100.0))
    made = fit("steinhart-hart", [Point(ohms, ohms * 1e-5, t, 0.001) for ohms, t in pairs], BASE)
    for ours, u, printed in zip(made.parameters, made.u_parameters, (a, b, c), strict=True):
        assert abs(ours - printed) < 2.0 * u
        assert u < 0.05 * printed
    assert made.probability is not None and made.probability > 0.05


def test_chi_square_tells_a_wrong_model() -> None:
    made = fit("r0", noisy(0.1), BASE)
    assert made.probability is not None and made.probability < 1e-6
    assert any("scatter more" in remark for remark in made.remarks)


def test_a_fit_without_freedom_says_that_nothing_checks_it() -> None:
    made = fit("r0", [Point(1000.4, 0.2, 0.0, 0.2)], BASE)
    # One point by hand: R0 is the reading, its uncertainty both contributions at the slope 3.9083 ohm/degC.
    assert made.parameters[0] == pytest.approx(1000.4)
    assert made.u_parameters[0] == pytest.approx((0.2**2 + (0.2 * 3.9083) ** 2) ** 0.5, rel=1e-3)
    assert made.probability is None and "nothing checks it" in made.remarks[-1]


@pytest.mark.parametrize(
    ("model", "temperatures", "u_celsius", "word"),
    [
        ("r0-a", (22.0,), 0.2, "1 different temperatures"),
        ("r0-a-b", (0.0, 0.1, 230.0), 0.2, "2 different temperatures"),
        ("r0-a", (20.0, 40.0), 0.2, "span 20.0"),
        ("r0-a-b", (0.0, 60.0, 130.0), 1.0, "leave B"),
        ("steinhart-hart", (0.0, 10.0, 20.0), 0.2, "span 20.0"),
    ],
)
def test_points_that_cannot_carry_it_are_refused(
    model: str, temperatures: tuple[float, ...], u_celsius: float, word: str
) -> None:
    with pytest.raises(InputError, match=word) as caught:
        fit(model, [Point(BASE.ohms(t), 0.2, t, u_celsius) for t in temperatures], BASE)
    assert "add " in caught.value.message
