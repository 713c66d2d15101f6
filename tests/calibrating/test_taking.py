"""Taking one reference, against a scripted tester: nothing counts before it is the right one, firm and at rest."""

import math

import numpy as np
import pytest

from probecore import counts
from probeledger import circuit
from probeledger.calibrating.taking import BLOCK, Expected, NotYetError, take
from probeledger.errors import DeviceError

USED = circuit.uncalibrated()
SET = [
    Expected("Short", 0.0, 0.0005),
    Expected("R100", 100.003, 0.002),
    Expected("R1000", 1000.012, 0.02),
    Expected("R2000", 2000.01, 0.04),
]
THOUSAND = SET[2]


class Scripted:
    """A tester that answers `measure` with counts of what `ohms(seconds)` gives, with the converter's noise."""

    def __init__(self, ohms, noise_factor=1.0, seed=5, **changes):
        self._ohms = ohms if callable(ohms) else lambda seconds: ohms
        self._rng = np.random.default_rng(seed)
        self._noise_factor = noise_factor
        self._changes = changes
        self.seconds = 0.0
        self.asked = 0

    def __call__(self, number):
        self.asked += number
        return {
            "readings": [self._reading() for _ in range(number)],
            "range": "low",
            "gain": 4,
            "rate_hz": 20,
            "reference_ohms": 1500,
            "leads": "connected",
            "note": None,
            "tester_celsius": 24.0,
            "ambient": {"celsius": 23.1, "u_celsius": 0.25, "source": "sensor"},
            **self._changes,
        }

    def _reading(self):
        self.seconds += 0.45
        ohms = self._ohms(self.seconds)
        scale = (counts.FULL_SCALE_COUNTS + 1) / circuit.full_scale_volts(4)
        amps = circuit.excitation_amps(max(ohms, 0.0))
        noise = circuit.noise_volts(20, 4) * scale * self._noise_factor
        reading = [0] * 8
        for places, signs, value in (
            (counts.REFERENCE_POSITIONS, counts.REFERENCE_SIGNS, 1500.0),
            (counts.PROBE_POSITIONS, counts.PROBE_SIGNS, ohms),
        ):
            for place, sign in zip(places, signs, strict=True):
                reading[place] = round(sign * value * amps * scale + self._rng.normal(0.0, noise))
        return reading


def taken(scripted, expected=THOUSAND, wanted_u_ohms=0.005):
    return take(scripted, expected, SET, USED, wanted_u_ohms)


def not_yet(scripted, expected=THOUSAND, wanted_u_ohms=0.005):
    with pytest.raises(NotYetError) as caught:
        taken(scripted, expected, wanted_u_ohms)
    assert "\n" not in caught.value.message and caught.value.message.endswith(".")
    return caught.value


def test_a_quiet_resistor_takes_three_blocks():
    scripted = Scripted(1000.2)
    found = taken(scripted)
    assert scripted.asked == found.readings == 3 * BLOCK and found.remarks == []
    assert abs(found.raw_ohms - 1000.2) < 4 * found.u_noise_ohms
    assert found.range == "low" and found.tester_celsius == 24.0 and found.ambient_celsius == pytest.approx(23.1)


def test_as_many_readings_as_the_uncertainty_needs():
    few, many = Scripted(1000.2, noise_factor=3.0), Scripted(1000.2, noise_factor=3.0)
    loose, tight = taken(few, wanted_u_ohms=0.01), taken(many, wanted_u_ohms=0.0012)
    assert many.asked > 2 * few.asked
    assert tight.u_noise_ohms <= 0.0012 and loose.u_noise_ohms <= 0.01
    assert abs(tight.raw_ohms - 1000.2) < 4 * tight.u_noise_ohms


def test_the_uncertainty_is_that_of_the_mean():
    """Over many runs the means scatter as they say."""
    ratios = []
    for seed in range(60):
        found = taken(Scripted(1000.2, noise_factor=2.0, seed=seed))
        ratios.append((found.raw_ohms - 1000.2) / found.u_noise_ohms)
    # Student's t with 11 degrees of freedom has a standard deviation of 1.106
    assert 0.75 < np.std(ratios) < 1.45


def test_the_limit_of_readings_is_remarked():
    found = taken(Scripted(1000.2, noise_factor=3.0), wanted_u_ohms=1e-5)
    assert len(found.remarks) == 1 and "not the 0.000010 ohm that was asked for" in found.remarks[0]
    assert found.u_noise_ohms > 1e-5


def test_a_cooling_resistor_is_waited_for():
    """0.1 ohm above (10 K of 10 ppm/K), falling with 20 s: the first three blocks would be off by 80 mohm."""
    for seed in range(8):
        scripted = Scripted(lambda seconds: 1000.0 + 0.1 * math.exp(-seconds / 20.0), seed=seed)
        found = taken(scripted)
        assert scripted.seconds > 20.0
        assert abs(found.raw_ohms - 1000.0) < 0.030


def test_one_that_never_settles():
    error = not_yet(Scripted(lambda seconds: 1000.0 + 0.012 * seconds))
    assert error.code == "not-stable" and "R1000 does not settle" in error.message


@pytest.mark.parametrize(
    ("ohms", "words"),
    [
        (2000.0, "That is R2000, not R1000"),
        (100.0, "That is R100, not R1000"),
        (0.0, "That is Short, not R1000: the tester sees a short"),
        (1500.0, "no reference of the file has it"),
        (995.0, "no reference of the file has it"),
    ],
)
def test_the_wrong_resistor_is_named(ohms, words):
    error = not_yet(Scripted(ohms))
    assert error.code == "wrong-resistor" and words in error.message


def test_a_tester_out_of_calibration_still_knows_its_resistors():
    # 0.05 % is the reference resistor's tolerance, 0.1 % twice that
    assert taken(Scripted(1001.0)).raw_ohms == pytest.approx(1001.0, abs=0.05)


def test_a_clip_that_moves():
    error = not_yet(Scripted(lambda seconds: 1000.0 + 0.5 * (int(seconds / 0.9) % 3 == 1)))
    assert error.code == "bad-contact" and "a clip does not hold" in error.message


def test_a_clip_that_slips_between_blocks():
    error = not_yet(Scripted(lambda seconds: 1000.0 if seconds < 3.7 else 1400.0))
    assert error.code == "bad-contact" and "R1000 jumped to 1400" in error.message


@pytest.mark.parametrize(
    ("changes", "code", "words"),
    [
        ({"leads": "open"}, "open", "Nothing is in the clips"),
        ({"leads": "sense-lost", "note": "the jaws of lead a are not joined"}, "bad-contact", "lead a are not joined"),
        ({"leads": "saturated"}, "no-value", "saturated"),
        ({"leads": None}, "no-value", "gives no reason"),
        ({"leads": "\x1b[31mred"}, "no-value", "[31mred"),
    ],
)
def test_leads(changes, code, words):
    error = not_yet(Scripted(1000.0, **changes))
    assert error.code == code and words in error.message and "\x1b" not in error.message


@pytest.mark.parametrize(
    "changes",
    [
        {"readings": []},
        {"readings": [[0] * 8] * 4},
        {"readings": [[1, 2]]},
        {"readings": "x"},
        {"reference_ohms": None},
        {"reference_ohms": float("nan")},
        {"gain": 0},
        {"rate_hz": "fast"},
    ],
)
def test_answers_without_sense(changes):
    with pytest.raises(DeviceError) as caught:
        taken(Scripted(1000.0, **changes))
    assert "run the command again" in caught.value.message or "make no sense" in caught.value.message
