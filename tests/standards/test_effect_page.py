"""The ten cases of docs/effect.md, each with every hypothesis's shift solved by a root finder instead of closed forms.

Source of the curve: IEC 60751:2022. The temperatures come from scipy.optimize.brentq on the circuit's resistance.
"""

import math
from pathlib import Path

import pytest
from scipy.optimize import brentq

from probeledger import curves
from probeledger.judging import effect

PAGE = (Path(__file__).resolve().parents[2] / "docs" / "effect.md").read_text(encoding="utf-8")
NOMINAL = curves.curve("pt1000-3850")
U_OHMS = 0.05


def cases():
    """Return the table's rows: off [ohm], u of the room, second point or None, set [degC], low, high, width [K]."""
    for line in PAGE.splitlines():
        cells = [cell.strip().replace("−", "-") for cell in line.strip("|").split("|")]
        if len(cells) == 6 and cells[0][:1] in "+-" and cells[0][1:].isdigit():
            low, high = cells[4].split(" to ")
            second = None if cells[2] == "–" else tuple(float(part) for part in cells[2].split(" ± "))
            yield float(cells[0]), float(cells[1]), second, float(cells[3]), float(low), float(high), float(cells[5])


def found(off_ohms, u_room, second):
    points = [effect.Point(NOMINAL.ohms(22.0) + off_ohms, U_OHMS, 22.0, u_room)]
    if second:
        points.append(effect.Point(NOMINAL.ohms(second[0]) + off_ohms, U_OHMS, *second))
    return effect.hypotheses(NOMINAL, points, curves.others(NOMINAL))


def shown_ohms(hypothesis, celsius, quantity):
    """Return what the circuit shows at a temperature of the element."""
    ohms = (hypothesis.other_curve or NOMINAL).ohms(celsius)
    if hypothesis.kind == "series-resistance":
        return ohms + quantity
    if hypothesis.kind == "shunt":
        return 1.0 / (1.0 / ohms + quantity)
    return ohms * quantity if hypothesis.kind == "scaled-element" else ohms


def solved(hypothesis, set_celsius):
    """Return lowest and highest shift [K] over the quantity's 95 %, where physics allows it."""
    target = NOMINAL.ohms(set_celsius)
    ends = [0.0]
    if hypothesis.quantity is not None:
        ends = [hypothesis.quantity + way * 2.0 * hypothesis.u_quantity for way in (-1, 0, 1)]
        if hypothesis.kind != "scaled-element":
            ends = [max(0.0, end) for end in ends]
    return [
        brentq(lambda t, q=end: shown_ohms(hypothesis, t, q) - target, -40.0, 500.0, xtol=1e-9) - set_celsius
        for end in ends
    ]


def test_there_are_ten():
    assert len(list(cases())) == 10


@pytest.mark.parametrize("case", list(cases()), ids=str)
def test_the_page_tells_what_a_root_finder_finds(case):
    off_ohms, u_room, second, set_celsius, low, high, width = case
    shifts = [
        shift for each in found(off_ohms, u_room, second) if each.compatible for shift in solved(each, set_celsius)
    ]
    assert (min(shifts), max(shifts)) == pytest.approx((low, high), abs=0.051)
    assert width == pytest.approx(max(shifts) - min(shifts), abs=0.11)
    assert all(math.isfinite(shift) for shift in shifts)


def test_twelve_ohms_are_less_than_eight_degrees_wide():
    (width,) = [case[6] for case in cases() if case[:4] == (12.0, 0.5, None, 175.0)]
    assert width < 8.0
