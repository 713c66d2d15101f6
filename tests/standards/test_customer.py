"""The customer's sentence: what is told holds what was found, in both units."""

import re

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from probeledger.judging import customer
from probeledger.judging.effect import Effect, Weighted
from probeledger.units import celsius, fahrenheit


@pytest.mark.parametrize(
    ("low", "high", "unit", "said"),
    [
        # 350 degF is 176.67 degC; 20 degF are 11.11 and 12 degF are 6.67 degrees C, by definition of the scale
        (-11.11, -6.67, "F", "Set to 350 °F, the oven would hold about 330 to 338 °F."),
        (-11.11, -6.67, "C", "Set to 177 °C, the oven would hold about 166 to 170 °C."),
        (-11.11, -6.67, "FC", "Set to 350 °F (177 °C), the oven would hold about 330 to 338 °F (166 to 170 °C)."),
        (-2.0, 2.5, "F", "Set to 350 °F, the oven would hold close to what is set."),
        # A fault that is known well: one temperature
        (10.0, 10.1, "F", "Set to 350 °F, the oven would hold about 368 °F."),
        # 32 degF wide: to five degrees, outwards (326.6 and 358.6)
        (-13.0, 4.78, "F", "Set to 350 °F, the oven would hold about 325 to 360 °F."),
        # 90 degF wide: to ten, outwards
        (-40.0, 10.0, "F", "Set to 350 °F, the oven would hold about 270 to 370 °F."),
        (3.0, None, "F", "Set to 350 °F, the oven may go on heating past any temperature that the control knows."),
        (None, None, "C", "Set to 177 °C, the oven cannot be foretold from these readings."),
    ],
)
def test_sentences(low: float | None, high: float | None, unit: str, said: str) -> None:
    assert customer.sentence([Effect(celsius(350.0), low, high, ())], unit=unit) == said


def test_the_weighted_interval_is_told_where_there_is_one() -> None:
    effect = Effect(175.0, -20.0, 20.0, (), Weighted(-8.0, -9.0, -7.0))
    assert customer.sentence([effect], unit="C") == "Set to 175 °C, the oven would hold about 166 to 168 °C."


def test_settings_choose_and_order() -> None:
    effects = [Effect(150.0, 0.0, 0.0, ()), Effect(200.0, 8.0, 9.0, ())]
    said = customer.sentence(effects, [200.0, 150.0], "C")
    assert said == (
        "Set to 200 °C, the oven would hold about 208 to 209 °C; set to 150 °C, the oven would hold close to what is "
        "set."
    )
    assert customer.sentence([]) == ""
    with pytest.raises(ValueError, match="no effect at 175"):
        customer.sentence(effects, [175.0])
    with pytest.raises(ValueError, match="unit"):
        customer.sentence(effects, unit="K")


@given(st.floats(100.0, 290.0), st.floats(-60.0, 60.0), st.floats(0.0, 80.0), st.sampled_from(["F", "C"]))
@settings(max_examples=200, derandomize=True)
def test_what_is_told_holds_what_was_found(set_celsius: float, low: float, width: float, unit: str) -> None:
    said = customer.sentence([Effect(set_celsius, low, low + width, ())], unit=unit)
    convert = fahrenheit if unit == "F" else float
    ends = [convert(set_celsius + low), convert(set_celsius + low + width)]
    if "close to" in said:
        assert max(abs(low), abs(low + width)) <= 5.0 / 1.8 + 1e-9
        return
    told = [int(number) for number in re.findall(r"-?\d+", said.partition("about ")[2])]
    assert told[0] <= ends[0] + 0.5 and told[-1] >= ends[1] - 0.5
    # Not wider than a tenth of a wide range on either side, nor than half a degree of a narrow one.
    slack = 10.0 if ends[1] - ends[0] > 60.0 else 5.0 if ends[1] - ends[0] > 20.0 else 0.5
    assert told[0] >= ends[0] - slack - 1e-9 and told[-1] <= ends[1] + slack + 1e-9
