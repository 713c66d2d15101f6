"""What is wrong with the oven, in a sentence: for the customer what it would hold, for the shop how far it is off."""

import math
from collections.abc import Iterable, Sequence

from probeledger.judging.effect import Effect
from probeledger.units import fahrenheit, fahrenheit_difference

__all__ = ["CLOSE_CELSIUS", "UNITS", "off", "sentence"]

UNITS = ("F", "C")

# An oven within 5 degF of what is set is called close: nobody's baking shows less, and the thermostat's own swing is
# several times as much. Common practice, no source.
CLOSE_CELSIUS = 5.0 / 1.8

# A range up to so wide is given to so many degrees, in either unit; a wider one to ten.
_STEPS = ((20.0, 1), (60.0, 5))
_WIDEST_STEP = 10


def sentence(effects: Sequence[Effect], settings: Iterable[float] | None = None, unit: str = "F") -> str:
    """Tell a customer what the oven would hold.

    Args:
        effects: effects, one a setting; of one with weights the weighted 95 % is told, else the whole range.
        settings: those of their set temperatures [degC] that are told, in this order; None for all.
        unit: "F" or "C"; "FC" gives Fahrenheit with Celsius in brackets.

    Returns:
        One sentence, empty where there is nothing to tell.

    Raises:
        ValueError: an unknown unit, or a setting that no effect is for.

    >>> sentence([Effect(175.0, -9.4, -5.1, ())], unit="F")
    'Set to 347 °F, the oven would hold about 330 to 338 °F.'
    """
    if not unit or any(each not in UNITS for each in unit):
        raise ValueError(f"the unit is {unit!r}; give F, C or FC")
    by_setting = {effect.set_celsius: effect for effect in effects}
    wanted = list(by_setting) if settings is None else list(settings)
    missing = [each for each in wanted if each not in by_setting]
    if missing:
        raise ValueError(f"there is no effect at {missing[0]:g} degrees C")
    told = "; ".join(_told(by_setting[each], unit) for each in wanted)
    return f"{told[0].upper()}{told[1:]}." if told else ""


def _told(effect: Effect, unit: str) -> str:
    setting = f"set to {_in_units([effect.set_celsius], unit, exact=True)}, the oven "
    low, high = effect.low_celsius, effect.high_celsius
    if effect.weighted is not None:
        low, high = effect.weighted.low_celsius, effect.weighted.high_celsius
    if low is None:
        return setting + "cannot be foretold from these readings"
    if high is None:
        return setting + "may go on heating past any temperature that the control knows"
    if low >= -CLOSE_CELSIUS and high <= CLOSE_CELSIUS:
        return setting + "would hold close to what is set"
    return setting + "would hold about " + _in_units([effect.set_celsius + low, effect.set_celsius + high], unit)


def _in_units(celsius: Sequence[float], unit: str, exact: bool = False) -> str:
    """Return temperatures [degC] in the first unit, with the others in brackets."""
    texts = []
    for each in unit:
        values = [fahrenheit(value) for value in celsius] if each == "F" else list(celsius)
        width = max(values) - min(values)
        step = 1 if exact else next((step for limit, step in _STEPS if width <= limit), _WIDEST_STEP)
        # A coarse step rounds outwards: the range that is told holds the range that was found.
        low, high = (
            (round(min(values)), round(max(values)))
            if step == 1
            else (step * math.floor(min(values) / step), step * math.ceil(max(values) / step))
        )
        texts.append(f"{low} °{each}" if low == high else f"{low} to {high} °{each}")
    return texts[0] + "".join(f" ({text})" for text in texts[1:])


def off(effect: Effect) -> str:
    """Say how far the oven is off at one setting, in both units.

    Args:
        effect: the effect; its whole range is told.

    Returns:
        One sentence.

    >>> off(Effect(175.0, -4.2, -3.1, ()))
    'Set to 175 °C (347 °F), the oven runs 3 to 4 °C (6 to 8 °F) too cold.'
    """
    setting = f"Set to {effect.set_celsius:.0f} °C ({fahrenheit(effect.set_celsius):.0f} °F), the oven "
    low, high = effect.low_celsius, effect.high_celsius
    if low is None:
        return setting + "cannot be foretold from these readings."
    if high is None:
        return setting + "may go on heating past any temperature that the control knows."
    if low >= -0.5 and high <= 0.5:
        return setting + "is right within half a degree, as far as the sensor goes."
    if round(low) >= 0:
        return setting + f"runs {_both(low, high)} too hot."
    if round(high) <= 0:
        return setting + f"runs {_both(-high, -low)} too cold."
    return setting + f"may be from {_both(-low)} too cold to {_both(high)} too hot."


def _both(low: float, high: float | None = None) -> str:
    """Return a difference or a range of them in both units, without a range from a number to itself."""
    celsius = [f"{low:.0f}"] if high is None else [f"{low:.0f}", f"{high:.0f}"]
    degrees_f = [f"{fahrenheit_difference(value):.0f}" for value in ([low] if high is None else [low, high])]
    return f"{_range(celsius)} °C ({_range(degrees_f)} °F)"


def _range(texts: Sequence[str]) -> str:
    return texts[0] if len(set(texts)) == 1 else " to ".join(texts)
