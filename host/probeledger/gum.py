"""Uncertainty of a result from those of its inputs, after the GUM (JCGM 100:2008) and its Supplement 1 (JCGM 101:2008).

A model is an ordinary function of its inputs. Sensitivities are found by central differences; contributions add in
quadrature, with the inputs' correlations where there are any (5.1, 5.2); degrees of freedom combine after Welch and
Satterthwaite (G.4). The coverage interval is that of the normal or Student distribution (G.3), unless inputs that are
not normal make up much of the uncertainty: then it is that of the sum of the contributions' own distributions, which
is what Supplement 1 asks for, here by convolution instead of by drawing lots.
"""

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

NORMAL = "normal"
RECTANGULAR = "rectangular"
TRIANGULAR = "triangular"
U_SHAPED = "U-shaped"

# Half-width over standard uncertainty (JCGM 100, 4.3.7, 4.3.9, H.1.3.4).
HALF_WIDTH = {RECTANGULAR: math.sqrt(3.0), TRIANGULAR: math.sqrt(6.0), U_SHAPED: math.sqrt(2.0)}

# From this share of the variance on, inputs that are not normal decide the interval's shape.
_SHAPE_MATTERS = 0.3

# A derivative by central differences is best with a step of about the cube root of the precision; an input's own
# uncertainty is the natural length where it has one.
_STEP = 0.05

_GRID_POINTS = 1 << 14
_GRID_REACH = 12.0


@dataclass(frozen=True)
class Input:
    """One input of a model.

    name: as the budget prints it; value: estimate, in its unit; u: standard uncertainty, in the same unit; shape: of
    its distribution; degrees_of_freedom: infinite for what is not from repeated readings.
    """

    name: str
    value: float
    u: float
    shape: str = NORMAL
    degrees_of_freedom: float = math.inf
    unit: str = ""

    def __post_init__(self) -> None:
        """Refuse what is no uncertainty."""
        if not (math.isfinite(self.value) and math.isfinite(self.u) and self.u >= 0):
            raise ValueError(f"{self.name}: a value and an uncertainty of zero or more are needed, not {self.u!r}.")
        if self.shape != NORMAL and self.shape not in HALF_WIDTH:
            raise ValueError(f"{self.name}: there is no shape {self.shape}.")

    @property
    def half_width(self) -> float | None:
        """Return the half-width of a bounded distribution, in the input's unit; None for a normal one."""
        return None if self.shape == NORMAL else self.u * HALF_WIDTH[self.shape]


def repeated(name: str, readings: Sequence[float], unit: str = "") -> Input:
    """Evaluate repeated readings (type A, JCGM 100, 4.2): the mean, and the standard deviation of the mean.

    Args:
        name: of the input.
        readings: at least two, in one unit.
        unit: their unit.

    Returns:
        The input, with one degree of freedom less than readings.

    Raises:
        ValueError: fewer than two readings.
    """
    if len(readings) < 2:
        raise ValueError(f"{name}: two readings at least are needed for a spread; there is {len(readings)}.")
    values = np.asarray(readings, dtype=float)
    u = float(values.std(ddof=1)) / math.sqrt(len(values))
    return Input(name, float(values.mean()), u, NORMAL, len(values) - 1, unit)


def bounded(name: str, value: float, half_width: float, shape: str = RECTANGULAR, unit: str = "") -> Input:
    """Evaluate an input of which only bounds are known (type B, JCGM 100, 4.3.7): value plus or minus half_width."""
    return Input(name, value, half_width / HALF_WIDTH[shape], shape, math.inf, unit)


def certified(name: str, value: float, expanded: float, k: float = 2.0, unit: str = "") -> Input:
    """Evaluate a certificate's value with its expanded uncertainty U = k u (type B, JCGM 100, 4.3.3)."""
    return Input(name, value, expanded / k, NORMAL, math.inf, unit)


@dataclass(frozen=True)
class Contribution:
    """One line of a budget: the input, the model's sensitivity to it, and their product in the result's unit."""

    input: Input
    sensitivity: float

    @property
    def u(self) -> float:
        """Return the share of the result's standard uncertainty, in the result's unit."""
        return abs(self.sensitivity) * self.input.u


@dataclass(frozen=True)
class Estimate:
    """A result: value, standard uncertainty, effective degrees of freedom, and the budget they come from.

    correlated: the inputs are, so that the contributions do not add up to u in quadrature.
    """

    value: float
    u: float
    degrees_of_freedom: float
    contributions: tuple[Contribution, ...]
    correlated: bool = False

    @property
    def shape_matters(self) -> bool:
        """Tell whether inputs that are not normal make up so much that the interval has to follow their shape.

        With correlated inputs it never does: what their sum is shaped like, the contributions alone do not tell.
        """
        other = sum(line.u**2 for line in self.contributions if line.input.shape != NORMAL)
        return not self.correlated and self.u > 0 and other > _SHAPE_MATTERS * self.u**2

    def share(self, line: Contribution) -> float:
        """Return a contribution's share of the variance, 0 to 1; 0 where there is no uncertainty at all."""
        return line.u**2 / self.u**2 if self.u > 0 else 0.0

    def coverage_factor(self, probability: float = 0.95) -> float:
        """Return k such that value plus or minus k u holds the quantity with this probability."""
        if self.u == 0:
            return 0.0
        if self.shape_matters:
            return _convolved_half_width(self.contributions, probability) / self.u
        return student_factor(probability, self.degrees_of_freedom)

    def expanded(self, probability: float = 0.95) -> float:
        """Return the expanded uncertainty U = k u for this probability, in the result's unit."""
        return self.coverage_factor(probability) * self.u

    def interval(self, probability: float = 0.95) -> tuple[float, float]:
        """Return the symmetric coverage interval, in the result's unit."""
        half_width = self.expanded(probability)
        return self.value - half_width, self.value + half_width

    def carried(self, value: float, slope: float, more: Sequence[Input] = ()) -> "Estimate":
        """Carry the estimate through a function of it that is straight over the uncertainty (JCGM 100, 5.1.2).

        Args:
            value: the function's value at the estimate.
            slope: its derivative there.
            more: further inputs, in the unit of the new result, which add to it with a sensitivity of one.

        Returns:
            The new result, with every input of the old one in its budget.

        Raises:
            ValueError: the estimate's inputs are correlated.
        """
        if self.correlated:
            raise ValueError("An estimate from correlated inputs has no budget of contributions to carry on.")
        lines = tuple(Contribution(line.input, line.sensitivity * slope) for line in self.contributions)
        return combined(value, lines + tuple(Contribution(item, 1.0) for item in more))


def combined(value: float, contributions: Sequence[Contribution]) -> Estimate:
    """Add independent contributions in quadrature (JCGM 100, 5.1.2, G.4.1).

    Args:
        value: the result, in its unit.
        contributions: of all inputs, uncorrelated.

    Returns:
        The estimate.
    """
    u = math.sqrt(math.fsum(line.u**2 for line in contributions))
    degrees = effective_degrees_of_freedom(u, [(line.u, line.input.degrees_of_freedom) for line in contributions])
    return Estimate(value, u, degrees, tuple(contributions))


def student_factor(probability: float, degrees_of_freedom: float) -> float:
    """Return the two-sided coverage factor of the Student distribution (JCGM 100, Table G.2); normal for infinite."""
    from scipy import special

    upper = 0.5 + probability / 2
    if math.isinf(degrees_of_freedom):
        return float(special.ndtri(upper))
    return float(special.stdtrit(degrees_of_freedom, upper))


def evaluate(
    model: Callable[..., float],
    inputs: Sequence[Input],
    correlations: Mapping[tuple[str, str], float] | None = None,
) -> Estimate:
    """Evaluate a model and its uncertainty.

    Args:
        model: takes the inputs' values in their order and returns the result.
        inputs: in the order of the model's arguments.
        correlations: coefficient by a pair of names, each pair once; the others are zero.

    Returns:
        The estimate with its budget. With correlated inputs the degrees of freedom are infinite unless all inputs
        have the same number (simultaneous readings, JCGM 100, H.2.4), because Welch-Satterthwaite does not hold then.
    """
    values = [item.value for item in inputs]
    lines = tuple(Contribution(item, _sensitivity(model, values, index, item.u)) for index, item in enumerate(inputs))
    value = float(model(*values))
    if not correlations:
        return combined(value, lines)
    variance = math.fsum(line.u**2 for line in lines)
    by_name = {line.input.name: line for line in lines}
    for (first, second), coefficient in correlations.items():
        one, two = by_name[first], by_name[second]
        variance += 2 * one.sensitivity * two.sensitivity * one.input.u * two.input.u * coefficient
    numbers = {item.degrees_of_freedom for item in inputs}
    degrees = numbers.pop() if len(numbers) == 1 else math.inf
    return Estimate(value, math.sqrt(max(0.0, variance)), degrees, lines, correlated=True)


def propagate(
    models: Sequence[Callable[..., float]], values: Sequence[float], covariance: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """Carry a covariance matrix through several models of the same inputs (JCGM 102:2011, 6.2).

    Args:
        models: m functions of n inputs.
        values: the inputs' estimates, n.
        covariance: of the inputs, n by n, in the products of their units.

    Returns:
        Results, shape (m,), and their covariance, shape (m, m).
    """
    steps = np.sqrt(np.diag(covariance))
    jacobian = np.array(
        [[_sensitivity(model, values, index, float(step)) for index, step in enumerate(steps)] for model in models]
    )
    results = np.array([model(*values) for model in models])
    return results, jacobian @ covariance @ jacobian.T


def effective_degrees_of_freedom(u: float, parts: Sequence[tuple[float, float]]) -> float:
    """Return the effective degrees of freedom (JCGM 100, G.4.1) of u from (contribution, degrees of freedom)."""
    below = math.fsum(part**4 / degrees for part, degrees in parts if math.isfinite(degrees) and part > 0)
    return u**4 / below if below > 0 else math.inf


def _sensitivity(model: Callable[..., float], values: Sequence[float], index: int, u: float) -> float:
    """Return the partial derivative to one input by central differences of fourth order."""
    step = _STEP * u if u > 0 else 1e-4 * max(1.0, abs(values[index]))

    def at(offset: float) -> float:
        moved = list(values)
        moved[index] += offset * step
        return float(model(*moved))

    return (8 * (at(1) - at(-1)) - (at(2) - at(-2))) / (12 * step)


def _characteristic(shape: str, u: float, degrees: float, frequencies: np.ndarray) -> np.ndarray:
    """Return a distribution's characteristic function, about zero, at angular frequencies in the grid's order."""
    if shape == NORMAL:
        if math.isinf(degrees):
            return np.asarray(np.exp(-0.5 * (u * frequencies) ** 2))
        # The Student distribution's own is a Bessel function that overflows; its density on the grid serves as well.
        cell = math.pi / frequencies[-1]
        grid = cell * np.minimum(np.arange(_GRID_POINTS), _GRID_POINTS - np.arange(_GRID_POINTS))
        density = (1 + (grid / u) ** 2 / degrees) ** (-(degrees + 1) / 2)
        return np.asarray(np.fft.rfft(density / density.sum()).real)
    half_width = u * HALF_WIDTH[shape]
    if shape == RECTANGULAR:
        return np.asarray(np.sinc(half_width / math.pi * frequencies))
    if shape == TRIANGULAR:
        return np.asarray(np.sinc(half_width / (2 * math.pi) * frequencies) ** 2)
    from scipy import special

    return np.asarray(special.j0(half_width * frequencies))


def _convolved_half_width(lines: Sequence[Contribution], probability: float) -> float:
    """Return the half-width that holds the sum of independent contributions with this probability.

    The characteristic function of the sum is the product of theirs (JCGM 101, 5.3: any means of propagation will do).
    """
    u = math.sqrt(math.fsum(line.u**2 for line in lines))
    cell = 2 * _GRID_REACH * u / _GRID_POINTS
    frequencies = np.arange(_GRID_POINTS // 2 + 1) * (2 * math.pi / (_GRID_POINTS * cell))
    # All that is normal is one normal contribution; the sum is taken over cells, as a narrow rectangle of one.
    normal = math.fsum(line.u**2 for line in lines if _is_normal(line.input))
    transform = np.sinc(cell / (2 * math.pi) * frequencies) * _characteristic(
        NORMAL, math.sqrt(normal), math.inf, frequencies
    )
    for line in lines:
        # A contribution narrower than a cell moves nothing.
        if not _is_normal(line.input) and line.u > u * 1e-4:
            transform = transform * _characteristic(
                line.input.shape, line.u, line.input.degrees_of_freedom, frequencies
            )
    density = np.fft.irfft(transform, _GRID_POINTS)[: _GRID_POINTS // 2]
    inside = density[0] + 2 * np.concatenate([[0.0], np.cumsum(density[1:])])
    # `inside` at index i is the probability within i cells and a half.
    return float(np.interp(probability, inside, (np.arange(len(inside)) + 0.5) * cell))


def _is_normal(item: Input) -> bool:
    return item.shape == NORMAL and math.isinf(item.degrees_of_freedom)
