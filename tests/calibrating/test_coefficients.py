"""From a fit to the tester's set, and from a set to what the tester indicates."""

import datetime

import numpy as np
import pytest

from probecore import calibration as core
from probecore import cbor
from probeledger.calibrating.coefficients import (
    FitNumbers,
    calibration_set,
    change_lines,
    indicated_ohms,
    same_numbers,
)
from probeledger.calibrating.fitting import HIGH, LOW, fit
from probeledger.calibrating.points import Point

DAY = datetime.datetime(2026, 11, 25, 10, tzinfo=datetime.UTC)
DUE = datetime.datetime(2027, 11, 25, 10, tzinfo=datetime.UTC)


def fitted(range_name, ohms, bend=0.0, model=None):
    """Fit points of a tester that reads 0.05 % low, with 20 ppm of noise and a bend."""
    rng = np.random.default_rng(7)
    points = []
    for number, value in enumerate(ohms):
        raw = value * (1 - 5e-4 + 2e-5 * rng.normal()) + bend * value**2 + 0.001 * rng.normal()
        points.append(Point(number, value, 0.002 + 1e-5 * value, raw, 0.001 + 2e-5 * value, resistor=str(value)))
    return fit(points, range_name, model)


def numbers(of):
    return FitNumbers(of.range, of.polynomial.coefficients, of.polynomial.covariance)


@pytest.mark.parametrize(("bend", "model"), [(0.0, "line"), (4e-8, "quadratic")])
def test_the_set_says_what_the_fit_says(bend, model):
    """The fit's own value and uncertainty come another way, by powers and its covariance matrix."""
    low = fitted(LOW, [0.0, 100.0, 400.0, 1000.0, 2000.0, 3000.0, 4000.0], bend, model)
    high = fitted(HIGH, [10e3, 30e3, 100e3, 300e3, 1e6], model="line")
    made = calibration_set([numbers(low), numbers(high)], None, DAY, DUE, 25.5)
    # As the tester has it: in single precision
    used = core.from_map(cbor.loads(cbor.dumps(made)))
    for raw in (0.0, 109.0, 1097.0, 2500.0, 3900.0):
        value, u = low.ohms(raw)
        assert indicated_ohms(used, "low", raw) == pytest.approx(value, rel=2e-7, abs=1e-6)
        assert np.hypot.reduce(core.doubts(used, raw, False)) == pytest.approx(u, rel=2e-3)
    for raw in (12e3, 120e3, 900e3):
        value, u = high.ohms(raw)
        assert indicated_ohms(used, "high", raw) == pytest.approx(value, rel=3e-7)
        assert np.hypot.reduce(core.doubts(used, value, True)) == pytest.approx(u, rel=2e-3)
    assert used.celsius == 25.5 and used.date == int(DAY.timestamp()) and used.due == int(DUE.timestamp())


def test_a_range_without_a_fit_is_nominal():
    low = numbers(fitted(LOW, [0.0, 100.0, 1000.0, 2000.0, 4000.0], model="line"))
    made = calibration_set([low], "20251125-abcdef", DAY, None, None)
    assert made["high_gain"] == 1.0 and made["high_offset_siemens"] == 0.0 and made["u_high_gain"] > 8e-4
    assert made["previous"] == "20251125-abcdef" and made["due"] is None and made["celsius"] == 23.0


def test_ids_tell_sets_apart():
    low = numbers(fitted(LOW, [0.0, 100.0, 1000.0, 2000.0, 4000.0], model="line"))
    one = calibration_set([low], None, DAY, DUE, 25.0)
    other = calibration_set([low], None, DAY, DUE, 26.0)
    assert one["id"] != other["id"] and one["id"].startswith("20261125-")
    assert calibration_set([low], None, DAY, DUE, 25.0) == one


def test_reading_back():
    low = numbers(fitted(LOW, [0.0, 100.0, 1000.0, 2000.0, 4000.0], model="line"))
    made = {**calibration_set([low], None, DAY, DUE, 25.0), "report": {"by": "x"}}
    read = core.to_map(core.from_map(cbor.loads(cbor.dumps(made))))
    assert same_numbers(made, read)
    for name in ("gain", "offset_ohms", "covariance_offset_gain_ohms", "date"):
        assert not same_numbers(made, {**read, name: read[name] * 1.0001 + 1}), name
    for name, changed in (("id", "other"), ("state", "overdue"), ("gain", None), ("gain", "1")):
        assert not same_numbers(made, {**read, name: changed}), name
    assert not same_numbers(made, None) and not same_numbers(made, {})


def test_changes_in_words():
    before = core.to_map(core.uncalibrated(500, 10, 0.04))
    lines = change_lines(before, {**before, "gain": 1.0004, "offset_ohms": -0.012})
    assert lines == ["offset +0.00000 Ω to -0.01200 Ω", "gain 1.0000000 to 1.0004000"]
    assert change_lines(before, before) == []
