"""Ladders, in the precision that both interpreters have, against the equations that they stand for."""

from array import array
from math import exp, log

from probecore import cbor, definition
from probecore.curves import PlatinumCurve
from probecore.errors import ProbeError, RangeError
from probecore.ladder import LadderCurve

# The Beta equation: 10 kohm at 25 degC, 3977 K
BETA_KELVIN = 3977.0
# IEC 60751's equation from 0 degC up, for 1000 ohm
A, B = 3.9083e-3, -5.775e-7


def celsius_of_log(log_ohms):
    return 1 / (1 / 298.15 + (log_ohms - log(10000.0)) / BETA_KELVIN) - 273.15


def thermistor(count=24):
    x, celsius, slopes = array("f"), array("f"), array("f")
    for index in range(count):
        x.append(6.2 + 6 * index / (count - 1))
        celsius.append(celsius_of_log(x[index]))
        slopes.append(-((celsius[index] + 273.15) ** 2) / BETA_KELVIN)
    return LadderCurve("thermistor", True, bytes(x) + bytes(celsius) + bytes(slopes), 33900.42, 0.0)


def platinum(count=12):
    x, celsius, slopes = array("f"), array("f"), array("f")
    for index in range(count):
        t = 400 * index / (count - 1)
        x.append(1000 * (1 + t * (A + B * t)))
        celsius.append(t)
        slopes.append(1 / (1000 * (A + 2 * B * t)))
    return LadderCurve("platinum", False, bytes(x) + bytes(celsius) + bytes(slopes), 1000.0, 0.0)


def test_a_falling_curve():
    of = thermistor()
    assert of.low_celsius < -25 and of.high_celsius > 110 and of.low_ohms > of.high_ohms
    for step in range(1000):
        ohms = exp(6.21 + 5.98 * step / 999)
        celsius = of.celsius(ohms)
        assert abs(celsius - celsius_of_log(log(ohms))) < 5e-4, ohms
        assert abs(of.ohms(celsius) / ohms - 1) < 1e-6, ohms
        expected = -ohms * BETA_KELVIN / (celsius + 273.15) ** 2
        assert abs(of.ohms_per_celsius(celsius) / expected - 1) < 1e-3


def test_a_rising_curve():
    of, exact = platinum(), PlatinumCurve("exact", 1000.0, A, B, 0.0, 0.0, 400.0)
    assert of.low_ohms == 1000 and of.low_celsius == 0 and of.high_celsius == 400
    for step in range(401):
        ohms = exact.ohms(step)
        assert abs(of.celsius(min(ohms, of.high_ohms)) - step) < 5e-4, step
        assert abs(of.ohms(step) - ohms) < 2e-3
        assert abs(of.ohms_per_celsius(step) - exact.ohms_per_celsius(step)) < 2e-3


def test_every_knot_is_met_from_both_sides():
    for of in (thermistor(), platinum()):
        for index in range(len(of._x)):
            ohms = exp(of._x[index]) if of.falls else of._x[index]
            for nudge in (1 - 1e-7, 1, 1 + 1e-7):
                assert abs(of.celsius(ohms * nudge) - of._celsius[index]) < 1e-3
            assert abs(of.ohms(of._celsius[index]) / ohms - 1) < 1e-6


def test_one_direction():
    for of in (thermistor(7), platinum(3)):
        before = None
        for step in range(2001):
            t = of.low_celsius + (of.high_celsius - of.low_celsius) * step / 2000
            ohms = of.ohms(min(t, of.high_celsius))
            assert before is None or (ohms < before) == of.falls
            before = ohms


def test_outside_is_an_error():
    of = thermistor()
    for ohms in (0.0, -5.0, of.high_ohms * 0.99, of.low_ohms * 1.01, float("nan"), float("inf")):
        try:
            of.celsius(ohms)
        except RangeError as error:
            assert "thermistor holds from" in error.message
            continue
        raise AssertionError(ohms)
    # A printed end, rounded in the fourth place, is the end
    assert of.celsius(of.low_ohms * 1.0004) == of.low_celsius
    # The slope beyond the range is that of the end
    assert of.ohms_per_celsius(500.0) == of.ohms_per_celsius(of.high_celsius)


def test_the_id_is_that_of_the_numbers():
    numbers = {"v": 1, "form": "platinum", "name": "x", "r0_ohms": 1000.0, "a": A, "b": B, "c": 0.0}
    numbers.update(low_celsius=0.0, high_celsius=400.0)
    data = cbor.dumps(numbers)
    # SHA-256 of "abc" (FIPS 180-2, appendix B.1) begins with these digits
    assert definition.identity(b"abc") == "ba7816bf"
    assert definition.identity(data) == definition.identity(cbor.dumps(cbor.loads(data)))
    assert abs(definition.read("curve", data).ohms(100.0) - 1385.055) < 1e-3  # IEC 60751: 138.51 ohm for 100
    numbers["a"] = A + 1e-6
    assert definition.identity(cbor.dumps(numbers)) != definition.identity(data)


def test_a_form_that_is_not_the_fixed_one():
    data = cbor.dumps({"name": "x"})
    longer = bytes([0xB8, 1]) + data[1:]  # the same map, its length in two bytes
    for wrong in (longer, data + b"\x00", b"", data[:-1]):
        try:
            definition.read("limits", wrong)
        except ProbeError:
            continue
        raise AssertionError(wrong)
