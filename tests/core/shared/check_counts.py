"""Counts to ratios: cancellation by the order of the reads, division in small integers, data-sheet codes."""

from probecore import counts
from probecore.errors import RangeError

# R = R_ref * code / (gain * 2^23) (ratiometric use of the ADC, SBAS501 section 8.5.2): ohms, reference, gain, code
RATIOMETRIC = (
    (1000.0, 2000, 1, 4194304),
    (1385.055, 2000, 1, 5809342),
    (1758.56, 2000, 1, 7375935),
    (100.0, 2000, 16, 6710886),
    (1000.0, 4020, 4, 8346874),
    (500.0, 1500, 2, 5592405),
)


def test_codes_of_the_converter():
    for ohms, reference, gain, code in RATIOMETRIC:
        assert abs(counts.divide(code, gain * 8388608) * reference - ohms) < 5e-4, ohms


def test_a_reading_adds_up():
    # forward 400 and 300, reverse the same the other way round
    reading = [400, 300, -300, -400, -400, -300, 300, 400]
    assert counts.sums(reading) == (1600, 1200)
    assert counts.ratio(reading) == 0.75


def test_offset_and_its_drift_cancel():
    clean = [400000, 300000, -300000, -400000, -400000, -300000, 300000, 400000]
    for offset, drift in ((0, 0), (1234, 0), (-5000, 0), (0, 77), (900, -31)):
        reading = [count + offset + drift * at for at, count in enumerate(clean)]
        assert counts.sums(reading) == counts.sums(clean), (offset, drift)


def test_a_drift_of_the_current_cancels():
    signs = (1, 1, -1, -1, -1, -1, 1, 1)
    reading = []
    for at in range(8):
        current = 1000000 + 500 * at
        full = current * 4 if at in counts.REFERENCE_POSITIONS else current * 3
        reading.append(signs[at] * full)
    assert abs(counts.ratio(reading) - 0.75) < 1e-6


def test_division_in_small_integers():
    for numerator, denominator in (
        (1, 3),
        (-1, 3),
        (8388607, 8388606),
        (33554428, 12345678),
        (4, 33554428),
        (-33554428, 33554428),
        (16777215, 16777214),
        (0, 5),
    ):
        expected = numerator / denominator
        assert abs(counts.divide(numerator, denominator) - expected) <= 2.4e-7 * max(1, abs(expected))


def test_no_current_is_an_error():
    try:
        counts.divide(5, 0)
    except RangeError as error:
        assert error.code == "no-current"
    else:
        raise AssertionError("a division by zero was answered")


def test_mean_and_its_uncertainty():
    # mean 0.75, standard deviation of the three ratios 0.01: u = 0.01 / sqrt(3) (GUM 4.2.3)
    readings = []
    for probe in (29600, 30000, 30400):
        readings.append([40000, probe, -probe, -40000, -40000, -probe, probe, 40000])
    ratio, u_ratio = counts.mean_ratio(readings)
    assert abs(ratio - 0.75) < 1e-6 and abs(u_ratio - 0.01 / 3**0.5) < 1e-6
    assert counts.mean_ratio(readings[:1])[1] is None


def test_saturation():
    assert counts.saturated([1, 2, 3, 4, 5, 6, 7, 8388607])
    assert counts.saturated([1, 2, 3, 4, 5, 6, 7, -8388608])
    assert not counts.saturated([8388606, 0, 0, 0, 0, 0, 0, -8388606])
