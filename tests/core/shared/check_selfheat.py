"""Zero power from two levels, on courses whose truth is known: R = R0 + s P, by hand."""

from probecore import budget, calibration, selfheat


def level(ohms, milliwatts, u_noise_ohms=0.001):
    return selfheat.Level(ohms, milliwatts, u_noise_ohms)


def test_the_line_through_two_levels():
    # 0.5 ohm a milliwatt, from 1097 ohm
    found = selfheat.compare(level(1097.0469, 0.0938), level(1097.000335, 0.00067), 24.7e-6)
    assert abs(found.ohms - 1097.0) < 2e-4
    assert abs(found.ohms_per_milliwatt - 0.5) < 0.004


def test_no_rise_is_no_heating():
    found = selfheat.compare(level(1097.0, 0.0938), level(1097.0, 0.00067), 24.7e-6)
    assert found.ohms == 1097.0 and found.ohms_per_milliwatt == 0


def test_doubts_of_the_comparison():
    # 0.5 uV over 25 uA are 20 mohm, 13 ppm of 1 kohm 13 mohm, both with two times 3 mohm of noise
    found = selfheat.compare(level(1000.0, 0.1, 0.003), level(1000.0, 0.001, 0.003), 25e-6)
    assert abs(found.u_ohms - (0.020**2 + 0.003**2) ** 0.5) < 1e-5
    expected = (0.020**2 + 2 * 0.003**2 + 0.013**2) ** 0.5 / 0.099
    assert abs(found.u_ohms_per_milliwatt - expected) < 1e-4


def test_input_currents_grow_and_have_a_floor():
    # docs/uncertainty.md: 12 ppm at 1 kohm, in proportion beyond; at least 10 mohm to either side, even
    used = calibration.uncalibrated(500, 10, 0.042)
    for ohms, u_ohms in ((100.0, 0.010 / 3**0.5), (1000.0, 0.012), (2000.0, 0.048), (4000.0, 0.192)):
        lines = budget.lines(ohms, 0.0, used, 23.0, False)
        (found,) = [line.u_ohms for line in lines if line.name == "input currents"]
        assert abs(found - u_ohms) < 1e-4, ohms


def test_a_sensor_may_be_warm():
    # 0.4 K/mW at most, 0.1 mW, 4 ohm a kelvin: 160 mohm, even from none to that
    used = calibration.uncalibrated(500, 10, 0.042)
    plain = budget.u_ohms(1000.0, 0.0, used, 23.0)
    warm = budget.u_ohms(1000.0, 0.0, used, 23.0, False, 0.4)
    assert abs(warm * warm - plain * plain - 0.16**2 / 3) < 1e-5
