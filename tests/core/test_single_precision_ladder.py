"""Sent curves in single precision: the tester's code with every operation rounded as on the Pico, within 5 mK.

Truth are published figures where there are any, and the file's own equation in double precision elsewhere.
"""

import importlib.util
from pathlib import Path

import pytest

from probecore import definition as exact
from probecore.curves import PlatinumCurve
from probeledger.sending.definition import of_curve
from probeledger.sensors.formulae import BetaCurve, PolynomialCurve, SteinhartHartCurve
from probeledger.sensors.tabulated import TableCurve

_spec = importlib.util.spec_from_file_location("single_precision", Path(__file__).with_name("single_precision.py"))
single_precision = importlib.util.module_from_spec(_spec)
_spec.loader.exec_module(single_precision)
guard, is_single = single_precision.guard, single_precision.is_single

# Data sheet of leaded 10 k NTC components, B25/85 = 3977 K, printed table [degC, ohm]
MAKER_TABLE = [
    (-40.0, 332094.0), (-30.0, 175200.0), (-20.0, 96358.0), (-10.0, 55046.0), (5.0, 25339.0), (10.0, 19872.0),
    (20.0, 12488.0), (30.0, 8059.0), (40.0, 5330.0), (60.0, 2490.0), (85.0, 1070.0), (90.0, 915.4), (100.0, 677.3),
    (120.0, 386.6), (125.0, 338.7),
]  # fmt: skip
# Data sheet of precision 10 k thermistors: coefficients and printed table [degC, ohm]
PRECISION = SteinhartHartCurve("precision", 1.129241e-3, 2.341077e-4, 8.775468e-8, -40.0, 150.0)
PRECISION_TABLE = [(0.0, 32650.8), (50.0, 3601.0), (70.0, 1751.6), (100.0, 678.4)]
# Data sheet of 1 k silicon sensors: 1000 ohm at 25 degC, 7.9 ohm/K there; a parabola like theirs
SILICON = PolynomialCurve("silicon", [1000.0, 7.9, 0.019], -40.0, 125.0, 25.0)

CURVES = [
    TableCurve("maker", *zip(*MAKER_TABLE, strict=True)),
    PRECISION,
    SILICON,
    BetaCurve("oven", 1e5, 3950.0, -40.0, 300.0),
    BetaCurve("warm", 1e5, 3950.0, 60.0, 300.0),
    PolynomialCurve("iec", [1000.0, 3.9083, -5.775e-4], 0.0, 500.0),
    PlatinumCurve("own", 1000.3, 3.9090e-3, -5.78e-7, -4.18e-12, -50.0, 500.0),
    PlatinumCurve("whole", 100.0, 3.9083e-3, -5.775e-7, -4.183e-12, -200.0, 850.0),
]


@pytest.fixture(scope="module")
def core():
    return single_precision.load()


def on_tester(core, made):
    """Return a definition's curve as the tester has it."""
    stored = exact.cbor.loads(made.data)
    if stored["form"] == "platinum":
        numbers = [stored[key] for key in ("r0_ohms", "a", "b", "c", "low_celsius", "high_celsius")]
        return core["curves"].PlatinumCurve(stored["name"], *numbers)
    return core["ladder"].LadderCurve(
        stored["name"], stored["falls"], stored["knots"], stored["r0_ohms"], stored["r0_celsius"]
    )


@pytest.mark.parametrize("of", CURVES, ids=lambda of: of.name)
def test_within_five_millikelvin(core, of):
    single = on_tester(core, of_curve(of))
    low, high = max(of.low_celsius, -40.0), min(of.high_celsius, 500.0)
    for step in range(1201):
        celsius = low + (high - low) * step / 1200
        ohms = guard(of.ohms(min(max(celsius, of.low_celsius), of.high_celsius)))
        found = single.celsius(ohms)
        assert is_single(found) or found in (0, low, high)
        assert abs(found - of.celsius(ohms)) < 0.005
        at = guard(celsius)
        back = single.ohms(min(max(at, single.low_celsius), single.high_celsius))
        assert is_single(back) and abs((back - of.ohms(celsius)) / of.ohms_per_celsius(celsius)) < 0.005
        slope = single.ohms_per_celsius(at)
        assert is_single(slope) and slope == pytest.approx(of.ohms_per_celsius(celsius), rel=0.02)


@pytest.mark.parametrize(("celsius", "ohms"), MAKER_TABLE)
def test_the_makers_rows(core, celsius, ohms):
    single = on_tester(core, of_curve(CURVES[0]))
    assert single.celsius(guard(ohms)) == pytest.approx(celsius, abs=0.005)


@pytest.mark.parametrize(("celsius", "ohms"), PRECISION_TABLE)
def test_the_printed_rows_of_a_precision_thermistor(core, celsius, ohms):
    single = on_tester(core, of_curve(PRECISION))
    # Half the last printed digit of 678.4 ohm is 2 mK
    assert single.celsius(guard(ohms)) == pytest.approx(celsius, abs=0.005 + 0.5 * 0.1 / 20.0)


def test_it_can_fail(core):
    """The check itself: a ladder that misses half of its knots is seen."""
    stored = exact.cbor.loads(of_curve(PRECISION).data)
    count = len(stored["knots"]) // 12
    parts = [stored["knots"][4 * count * part : 4 * count * (part + 1)] for part in range(3)]
    thin = b"".join(b"".join(part[4 * at : 4 * at + 4] for at in range(0, count, 3)) for part in parts)
    single = core["ladder"].LadderCurve("thin", True, thin, stored["r0_ohms"], stored["r0_celsius"])
    # Between two of the knots that are left, away from both
    x = 0.7 * single._x[0] + 0.3 * single._x[1]
    ohms = guard(2.718281828459045**x)
    assert abs(single.celsius(ohms) - PRECISION.celsius(ohms)) > 0.005
