"""The picture of one reading: where limit, guard band and reading stand."""

import re

import pytest

from probeledger.reports.gauge import gauge


def rectangles(markup):
    """Return (class, left, right) of each rectangle."""
    found = re.findall(r'<rect x="([\d.]+)" y="\d+" width="([\d.]+)" height="22" class="(g-\w+)"/>', markup)
    return [(name, float(x), float(x) + float(width)) for x, width, name in found]


def test_the_guard_bands_lie_inside_both_limits():
    drawn = rectangles(gauge(0.5, 0.3, 4.0, 1.0))
    ((_, low, high),) = [each for each in drawn if each[0] == "g-band"]
    guards = [each for each in drawn if each[0] == "g-guard"]
    # A quarter of the half-width on each side, from the limit inwards.
    quarter = (high - low) / 8
    assert guards[0][1:] == (low, pytest.approx(low + quarter, abs=0.11))
    assert guards[1][1:] == (pytest.approx(high - quarter, abs=0.11), pytest.approx(high, abs=0.11))
    assert "The outer 1.0 °C of that are undecided." in gauge(0.5, 0.3, 4.0, 1.0)


@pytest.mark.parametrize("guard", [None, 0.0, -0.5])
def test_no_guard_no_band(guard):
    drawn = gauge(0.5, 0.3, 4.0, guard)
    assert "g-guard" not in drawn and "undecided" not in drawn


def test_a_guard_wider_than_the_limit_fills_it():
    drawn = rectangles(gauge(0.5, 5.0, 4.0, 9.0))
    assert len(drawn) == 3
    band, first, second = drawn
    assert first[1] == band[1] and first[2] == second[1] and second[2] == pytest.approx(band[2], abs=0.11)
