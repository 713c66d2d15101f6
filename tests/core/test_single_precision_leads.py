"""What looks at leads and chassis, in single precision: every operation rounded as on the Pico."""

import importlib.util
from pathlib import Path

import pytest

HERE = Path(__file__).parent


def _module(path):
    spec = importlib.util.spec_from_file_location(path.stem, path)
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


single_precision = _module(HERE / "single_precision.py")
guard = single_precision.guard


@pytest.fixture(scope="module")
def core():
    return single_precision.load("probecore_single_leads")


@pytest.fixture
def isolation_checks(core, monkeypatch):
    checks = _module(HERE / "shared" / "check_isolation.py")
    exact = checks.isolation.Circuit
    monkeypatch.setattr(checks, "isolation", core["isolation"])
    monkeypatch.setattr(checks, "circuit", lambda: exact(*[guard(value) for value in _circuit()]))
    return checks


def _circuit():
    return (1500, 4325.5, 0.0058, 3.3, 0.005, 1.15e-6, 3.71e-6)


@pytest.mark.parametrize("ohms", [1e3, 4e4, 1e6, 2e7])
@pytest.mark.parametrize("position", [0.0, 0.25, 0.5, 1.0])
def test_leak_and_place(isolation_checks, ohms, position):
    found = isolation_checks.measure(1100.0, [(position, ohms)], guard(1100.0))
    assert abs(found.a.ohms - ohms) < 2 * found.a.u_ohms + 0.003 * ohms
    assert found.position == pytest.approx(position, abs=0.02)
    assert single_precision.is_single(found.a.ohms)


def test_limits_and_open_element(isolation_checks):
    found = isolation_checks.measure(1100.0, [(0.5, 1e12)], guard(1100.0))
    assert found.a.greater and found.a.ohms == pytest.approx(1e8)
    found = isolation_checks.measure(None, [(0.0, 4e4), (1.0, 5e6)])
    assert found.a.ohms == pytest.approx(4e4, rel=0.02) and found.b.ohms == pytest.approx(5e6, rel=0.02)


def test_scans_keep_their_voltages(core, monkeypatch):
    checks = _module(HERE / "shared" / "check_foreign.py")
    monkeypatch.setattr(checks, "foreign", core["foreign"])
    checks.test_direct_voltage_is_the_difference_of_two_channels()
    checks.test_alternating_voltage_between_channels_depends_on_their_phase()
    checks.test_irregular_rounds_are_fitted_all_the_same()


def test_contact_resistance(core):
    found = core["contact"].jaw_ohms(1548900, -1548700, guard(3.3), guard(4730.0), guard(235000.0), guard(100000.0))
    expected = 1.5488 * 2 * (100000 + 4730 * 235000 / 239730) / (3.3 * 235000 / 239730 - 1.5488)
    assert found == pytest.approx(expected, rel=1e-5) and single_precision.is_single(found)
