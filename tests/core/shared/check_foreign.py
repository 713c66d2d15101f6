"""Scans of leads with known voltages: a fit that keeps the phase, and what counts as a stiff source."""

from array import array
from math import pi, sin, sqrt

from probecore import foreign

NAMES = [foreign.JAW_1, foreign.FORCE_A, foreign.SENSE_B]


def scan(waves, hz, step_us=1100, total_us=100000, start_us=137):
    """Sample one channel after the other. waves: (volts, rms volts, phase in degrees) of each channel."""
    times = array("i")
    values = array("i")
    at_us = start_us
    while at_us < start_us + total_us:
        for dc, ac, degrees in waves:
            volts = dc + ac * sqrt(2) * sin(2 * pi * hz * at_us * 1e-6 + degrees * pi / 180)
            times.append(at_us)
            values.append(int(volts * 10000 + 0.5) if volts >= 0 else -int(-volts * 10000 + 0.5))
            at_us += step_us
    return foreign.analyse(times, values, NAMES)


def by_name(pairs):
    return {pair.at: pair for pair in pairs}


def test_direct_voltage_is_the_difference_of_two_channels():
    channels = scan([(1.35, 0, 0), (1.65, 0, 0), (1.645, 0, 0)], 50)
    pairs = by_name(foreign.pairs(channels))
    assert abs(pairs["lead a to chassis"].dc_volts - 0.3) < 0.001
    assert abs(pairs["lead a to lead b"].dc_volts - 0.005) < 0.001
    assert pairs["lead a to chassis"].ac_volts < 0.001


def test_alternating_voltage_between_channels_depends_on_their_phase():
    # rms of the difference of two sines of equal frequency (law of cosines)
    for hz in (50, 60):
        for degrees in (0, 45, 90, 180):
            channels = scan([(1.65, 0.6, 20 + degrees), (1.65, 0.4, 20), (1.65, 0.4, 20)], hz)
            expected = sqrt(0.6 * 0.6 + 0.4 * 0.4 - 2 * 0.6 * 0.4 * sin((90 - degrees) * pi / 180))
            found = by_name(foreign.pairs(channels))["lead a to chassis"].ac_volts
            assert abs(found - expected) < 0.01 * expected + 0.002, (hz, degrees, found, expected)
            assert abs(channels[foreign.JAW_1].ac_volts - 0.6) < 0.02


def test_irregular_rounds_are_fitted_all_the_same():
    # A tester that another interrupt holds up now and then: 1.9 ms a reading instead of 1.1
    channels = scan([(1.65, 0.5, 0), (1.65, 0.5, 180), (1.65, 0, 0)], 50, step_us=1900)
    assert abs(by_name(foreign.pairs(channels))["lead a to chassis"].ac_volts - 1.0) < 0.03


def pair_lists(*values):
    return [[foreign.Pair("lead a to chassis", dc, ac)] for dc, ac in values]


def test_what_holds_under_load_is_a_voltage():
    assert foreign.stiff(*pair_lists((0.3, 0), (0.3, 0), (0.299, 0), (0.3, 0))).dc_volts == 0.3
    assert foreign.stiff(*pair_lists((-0.3, 0), (-0.29, 0), (-0.31, 0), (-0.3, 0))).dc_volts == -0.3
    assert foreign.stiff(*pair_lists((0.0, 0.3), (0, 0.2), (0, 0.2), (0.0, 0.29))).ac_volts == 0.3
    # 42 V peak, cut by the clamps: it shows as 3.7 V free and keeps most of it (simulation of the circuit)
    assert foreign.stiff(*pair_lists((0.0, 3.7), (0.3, 3.5), (0.3, 3.5), (0.0, 3.6)))


def test_what_gives_way_is_none():
    # Leakage of pins: moves with the load, by 1.6 V (simulation of the circuit)
    assert foreign.stiff(*pair_lists((0.32, 0), (-1.3, 0), (1.9, 0), (0.1, 0))) is None
    # Pick-up: 0.33 V falls to 0.16 V and less (simulation of the circuit)
    assert foreign.stiff(*pair_lists((0, 0.33), (0, 0.16), (0, 0.16), (0, 0.1))) is None
    # An earthed chassis on a computer's USB: its difference to pulled leads changes sign
    assert foreign.stiff(*pair_lists((1.6, 0), (0.34, 0), (2.9, 0), (1.6, 0))) is None
    assert foreign.stiff(*pair_lists((0.1, 0.1), (0.1, 0.1), (0.1, 0.1), (0.1, 0.1))) is None


def test_a_channel_at_a_rail_is_over_range():
    assert not foreign.over_range(scan([(1.65, 0.5, 0), (1.65, 0, 0), (1.65, 0, 0)], 50), 3.3)
    assert foreign.over_range(scan([(3.28, 0, 0), (1.65, 0, 0), (1.65, 0, 0)], 50), 3.3)
    assert foreign.over_range(scan([(1.0, 0.9, 0), (1.65, 0, 0), (1.65, 0, 0)], 50), 3.3)
