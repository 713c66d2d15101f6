"""Platinum curves against what others publish.

Sources: the printed table of IEC 60751 (iec60751_pt100.csv, with its origins); `rtd-sensor` from PyPI, an independent
implementation of IEC 60751:2022; the edge case of the table's last row.
"""

import csv
import pathlib

import numpy as np
import pytest
from rtd_sensor import pt100, pt500, pt1000

from probeledger import curves

_FILE = pathlib.Path(__file__).parent / "iec60751_pt100.csv"
_LINES = [line for line in _FILE.read_text(encoding="utf-8").splitlines() if not line.startswith("#")]
TABLE = [(float(row["celsius"]), float(row["ohms"])) for row in csv.DictReader(_LINES)]
SIZES = {"pt100-3850": 1.0, "pt500-3850": 5.0, "pt1000-3850": 10.0}

# The printed values are rounded to 0.01 ohm on 100 ohm; half of that is what an exact value may differ.
ROUNDING_OHMS = 0.005 + 1e-9


def test_there_are_enough_points() -> None:
    assert len(TABLE) >= 60


@pytest.mark.parametrize("name", SIZES)
def test_resistance_as_printed(name: str) -> None:
    of = curves.curve(name)
    size = SIZES[name]
    for celsius, ohms in TABLE:
        assert of.ohms(celsius) == pytest.approx(ohms * size, abs=ROUNDING_OHMS * size)
    together = curves.ohms_array(of, [celsius for celsius, _ in TABLE])
    assert np.abs(together - size * np.array([ohms for _, ohms in TABLE])).max() <= ROUNDING_OHMS * size


@pytest.mark.parametrize("name", SIZES)
def test_temperature_as_printed(name: str) -> None:
    of = curves.curve(name)
    size = SIZES[name]
    for celsius, ohms in TABLE:
        allowed = ROUNDING_OHMS * size / of.ohms_per_celsius(celsius)
        assert of.celsius(ohms * size) == pytest.approx(celsius, abs=allowed)
    together = curves.celsius_array(of, [ohms * size for _, ohms in TABLE])
    allowed_array = [ROUNDING_OHMS * size / of.ohms_per_celsius(celsius) for celsius, _ in TABLE]
    assert (np.abs(together - np.array([celsius for celsius, _ in TABLE])) <= allowed_array).all()


# Exact inverses of printed values, by a root solver outside this project (digits as recorded, tolerance 1e-5 degC).
@pytest.mark.parametrize(
    ("ohms", "celsius"),
    [
        (18.53, -199.977055),
        (60.26, -99.989736),
        (96.09, -9.989487),
        (109.73, 24.987998),
        (138.51, 100.011865),
        (146.07, 120.005305),
        (175.86, 200.010878),
        (247.09, 399.994197),
        (390.48, 849.996156),
    ],
)
def test_inverse_of_printed_values(ohms: float, celsius: float) -> None:
    of = curves.curve("pt100-3850")
    assert of.celsius(ohms) == pytest.approx(celsius, abs=1e-5)
    assert float(curves.celsius_array(of, ohms)) == pytest.approx(celsius, abs=1e-5)


@pytest.mark.parametrize(("name", "other"), [("pt100-3850", pt100), ("pt500-3850", pt500), ("pt1000-3850", pt1000)])
def test_against_an_independent_implementation(name: str, other: object) -> None:
    """PyPI's rtd-sensor over a dense grid, both ways."""
    of = curves.curve(name)
    grid = np.linspace(-199.99, 849.99, 4201)
    theirs_ohms = np.array([other.celsius_to_resistance(float(t)) for t in grid])  # type: ignore[attr-defined]
    assert np.abs(curves.ohms_array(of, grid) - theirs_ohms).max() < 1e-9 * of.r0_ohms
    theirs_celsius = np.array([other.resistance_to_celsius(float(r)) for r in theirs_ohms])  # type: ignore[attr-defined]
    assert np.abs(curves.celsius_array(of, theirs_ohms) - theirs_celsius).max() < 1e-6
    for index in range(0, grid.size, 100):
        assert of.celsius(float(theirs_ohms[index])) == pytest.approx(float(theirs_celsius[index]), abs=1e-6)


def test_the_printed_end_of_the_table_is_accepted() -> None:
    """18.52 ohm is printed for -200 degC; the exact value is 18.52008 ohm, so that the inverse lies just outside."""
    of = curves.curve("pt100-3850")
    assert of.celsius(18.52) == pytest.approx(-200.00019, abs=1e-4)
    assert float(curves.celsius_array(of, 18.52)) == pytest.approx(-200.00019, abs=1e-4)


# R(t)/R0 of other platinum curves, computed outside this project from published coefficients: thin-film makers' data
# sheets for alpha 0.00375 (five digits); JIS C 1604-1989 for alpha 0.003916 (coefficients from memory).
@pytest.mark.parametrize(
    ("name", "celsius", "ratio"),
    [
        ("pt1000-3750", 100.0, 1.375001),
        ("pt1000-3750", 150.0, 1.557988),
        ("pt1000-3750", 200.0, 1.737964),
        ("pt1000-3750", 250.0, 1.914932),
        ("pt1000-3916", 100.0, 1.39152),
        ("pt1000-3916", 150.0, 1.582877),
        ("pt1000-3916", 200.0, 1.7713),
        ("pt1000-3916", 250.0, 1.956788),
    ],
)
def test_other_platinum(name: str, celsius: float, ratio: float) -> None:
    assert curves.curve(name).ohms(celsius) / 1000.0 == pytest.approx(ratio, abs=1e-6)
