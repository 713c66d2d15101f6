"""The calibration's numbers: how covariances become independent parts, and what a stored map may hold."""

from probecore import budget, calibration
from probecore.errors import StoredDataError

BASE = calibration.to_map(calibration.uncalibrated(500, 10, 0.04))


def changed(**values):
    made = dict(BASE)
    made.update(values)
    return made


def read(**values):
    return calibration.from_map(changed(**values))


def refused(**values):
    try:
        read(**values)
    except StoredDataError as error:
        return error.message
    raise AssertionError(values)


def near(one, other, share):
    return abs(one - other) <= share * abs(other)


LINE = {"u_offset_ohms": 0.012, "u_gain": 2.5e-5, "covariance_offset_gain_ohms": -2.4e-7}
# Invented, of the size that a quadratic through five references has.
BEND = {
    "u_offset_ohms": 9.5e-3,
    "u_gain": 3.0e-5,
    "u_quadratic_per_ohm": 1.1e-8,
    "covariance_offset_gain_ohms": -1.6e-7,
    "covariance_offset_quadratic": 3.0e-11,
    "covariance_gain_quadratic_per_ohm": -3.0e-13,
}


def variance(found, ohms):
    """Return the variance of offset + gain x + quadratic x^2 by the law of propagation (GUM 5.2.2, equation 13)."""
    return (
        found.u_offset_ohms**2
        + (found.u_gain * ohms) ** 2
        + (found.u_quadratic_per_ohm * ohms**2) ** 2
        + 2 * ohms * found.covariance_offset_gain_ohms
        + 2 * ohms**2 * found.covariance_offset_quadratic
        + 2 * ohms**3 * found.covariance_gain_quadratic_per_ohm
    )


def test_parts_add_up_to_the_law_of_propagation():
    for numbers in (LINE, BEND, {"u_offset_ohms": 0.01, "u_gain": 3e-5}):
        found = read(**numbers)
        for ohms in (0.0, 100.0, 480.0, 1000.0, 1100.0, 2500.0, 4000.0):
            parts = calibration.doubts(found, ohms, False)
            assert near(sum([part * part for part in parts]), variance(found, ohms), 1e-3), (numbers, ohms)


def test_parts_of_the_high_range():
    found = read(u_high_gain=2e-4, u_high_offset_siemens=5e-10, high_covariance_siemens=-6e-14)
    for ohms in (10e3, 100e3, 300e3, 1e6):
        siemens = 1 / ohms
        expected = (5e-10**2 + (2e-4 * siemens) ** 2 - 2 * siemens * 6e-14) * ohms**4
        parts = calibration.doubts(found, ohms, True)
        assert near(sum([part * part for part in parts]), expected, 1e-3), ohms


def test_the_budget_holds_them():
    found = read(u_linearity_ohms=0.0, tempco_ppm_per_k=0.0, **BEND)
    lines = {line.name: line.u_ohms for line in budget.lines(1100.0, 0.0, found, 23.0, False)}
    names = ("reference resistor and gain", "offset", "quadratic")
    assert near(sum([lines[name] ** 2 for name in names]), variance(found, 1100.0), 1e-3)
    assert min([lines[name] for name in names]) >= 0


def test_a_quadratic_counts_in_the_value():
    found = read(offset_ohms=0.5, gain=1.001, quadratic_per_ohm=2e-7)
    assert near(calibration.low_ohms(found, 0.5, 2000), 0.5 + 1001.0 + 0.2, 1e-6)


def test_a_map_of_a_former_version():
    old = {name: BASE[name] for name in BASE if "covariance" not in name and "quadratic" not in name}
    for name in ("date", "due", "previous"):
        del old[name]
    assert calibration.from_map(old) == calibration.from_map(BASE)


def test_a_map_there_and_back():
    made = changed(
        id="20261125-0a1b2c", state="calibrated", previous="20251120-ffffff", date=1795593600, due=1827129600
    )
    made.update(BEND)
    found = calibration.from_map(made)
    again = calibration.to_map(found)
    assert again == made
    assert calibration.from_map(again) == found


def test_what_has_no_sense_is_refused():
    for values in (
        {"gain": float("nan")},
        {"gain": float("inf")},
        {"gain": "1"},
        {"gain": None},
        {"gain": 0.1},
        {"u_gain": -1e-6},
        {"state": "fine"},
        {"id": "a b"},
        {"id": ""},
        {"id": "x" * 25},
        {"id": 7},
        {"previous": "\u00e4"},
        {"date": -1},
        {"date": 1.5},
        {"due": True},
        {"quadratic_per_ohm": 1e-3},
        {"covariance_offset_gain_ohms": 1.0},
        {"high_covariance_siemens": 1.0},
        {"covariance_gain_quadratic_per_ohm": 1e-9},
    ):
        assert "calibration" in refused(**values)
    for other in (None, [], {}, "x"):
        try:
            calibration.from_map(other)
        except StoredDataError:
            continue
        raise AssertionError(other)


def test_due():
    found = read(id="c-1", state="calibrated", date=1795593600, due=1827129600)
    assert not calibration.is_due(found, 1827129600) and calibration.is_due(found, 1827129601)
    assert not calibration.is_due(found, None)
    assert not calibration.is_due(read(id="c-1", state="calibrated", date=1795593600), 1900000000)
    late = calibration.with_state(found, calibration.OVERDUE)
    assert late.state == "overdue" and late[2:] == found[2:] and late.id == "c-1"
    assert not calibration.is_due(late, 1900000000)
