"""Tolerances against the printed tables, row by row, in degrees and in ohms of a 100-ohm element."""

import pytest

from probecore.errors import RangeError
from probeledger import curves
from probeledger.sensors import tolerance

PT100 = curves.curve("pt100-3850")

# IEC 751:1983 with amendment 2 (1995), table of tolerances for 100 ohm, as reproduced on a public page:
# degC; class A in degC and ohm; class B in degC and ohm. The print rounds halves up (3.55 to 3.6), and gives 1.13 ohm
# at 650 degC and 1.17 at 700, where the slope of the equation makes it 1.121 and 1.178.
IEC_751 = [
    (-200, 0.55, 0.24, 1.3, 0.56), (-100, 0.35, 0.14, 0.8, 0.32), (0, 0.15, 0.06, 0.3, 0.12),
    (100, 0.35, 0.13, 0.8, 0.30), (200, 0.55, 0.20, 1.3, 0.48), (300, 0.75, 0.27, 1.8, 0.64),
    (400, 0.95, 0.33, 2.3, 0.79), (500, 1.15, 0.38, 2.8, 0.93), (600, 1.35, 0.43, 3.3, 1.06),
    (650, 1.45, 0.46, 3.6, 1.13), (700, None, None, 3.8, 1.17), (800, None, None, 4.3, 1.28),
    (850, None, None, 4.6, 1.34),
]  # fmt: skip
PRINTED_OHMS = 0.012

# ASTM E1137, table of tolerances for 100 ohm: degC; grade A in degC and ohm; grade B in degC and ohm. From memory; the
# degrees follow from the grades' formulae, the ohms only to the digit that rounding moves.
E1137 = [
    (-200, 0.47, 0.20, 1.1, 0.47), (-100, 0.30, 0.12, 0.67, 0.27), (0, 0.13, 0.05, 0.25, 0.10),
    (100, 0.30, 0.11, 0.67, 0.25), (200, 0.47, 0.17, 1.1, 0.40), (300, 0.64, 0.23, 1.5, 0.53),
    (400, 0.81, 0.28, 1.9, 0.66), (500, 0.98, 0.33, 2.4, 0.78), (600, 1.15, 0.37, 2.8, 0.88),
    (650, 1.24, 0.39, 3.0, 0.94),
]  # fmt: skip


def rows(table):
    for celsius, a_celsius, a_ohms, b_celsius, b_ohms in table:
        if a_celsius is not None:
            yield "A", celsius, a_celsius, a_ohms
        yield "B", celsius, b_celsius, b_ohms


@pytest.mark.parametrize(("letter", "at", "celsius", "ohms"), list(rows(IEC_751)))
def test_the_rows_of_iec_751(letter: str, at: float, celsius: float, ohms: float) -> None:
    width = tolerance.tolerance(f"751-{letter}").width(PT100, at)
    assert width.celsius == pytest.approx(celsius, abs=0.051 if celsius > 3.5 else 1e-9)
    assert width.ohms == pytest.approx(ohms, abs=PRINTED_OHMS)
    # Today's classes say the same where they hold, and nothing elsewhere.
    for name in (f"{letter}-W", f"{letter}-F", *{"A": ("F0.15", "W0.15"), "B": ("F0.3", "W0.3")}[letter]):
        of_today = tolerance.tolerance(name)
        if of_today.holds_at(at):
            assert of_today.width(PT100, at) == width
        else:
            with pytest.raises(RangeError):
                of_today.width(PT100, at)


@pytest.mark.parametrize(("letter", "at", "celsius", "ohms"), list(rows(E1137)))
def test_the_rows_of_astm_e1137(letter: str, at: float, celsius: float, ohms: float) -> None:
    width = tolerance.tolerance(f"E1137-{letter}").width(PT100, at)
    # Below 1 degC and for grade A the table has two decimals, above one.
    assert width.celsius == pytest.approx(celsius, abs=0.0051 if letter == "A" or celsius < 1.0 else 0.051)
    assert width.ohms == pytest.approx(ohms, abs=PRINTED_OHMS)


@pytest.mark.parametrize(("name", "low", "high"), [("751-A", -200, 650), ("751-B", -200, 850), ("E1137-B", -200, 650)])
def test_nothing_beyond_the_tables(name: str, low: float, high: float) -> None:
    within, wide = tolerance.tolerance(name), curves.PlatinumCurve("wide", 100, 3.9083e-3, -5.775e-7, 0.0, -220, 900)
    for celsius in (low - 1.0, high + 1.0):
        with pytest.raises(RangeError, match=f"from {low} to {high}"):
            within.width(wide, celsius)


# IEC 60751:2022, tables of thermometer classes AA and C: a + b |t|
@pytest.mark.parametrize(
    ("name", "at", "celsius"),
    [("AA-W", -50, 0.185), ("AA-W", 250, 0.525), ("AA-F", 150, 0.355), ("C-W", -196, 2.56), ("C-F", 600, 6.6),
     ("B-W", -196, 1.28), ("B-W", 600, 3.3), ("B-F", 500, 2.8)],
)  # fmt: skip
def test_the_ends_of_the_classes(name: str, at: float, celsius: float) -> None:
    assert tolerance.tolerance(name).width(PT100, at).celsius == pytest.approx(celsius, abs=1e-9)
