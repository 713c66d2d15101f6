"""Taking one reference: is it the right one, does the contact hold, has it settled, are there enough readings?

The tester is asked for blocks of readings. What has to hold before a value counts:

1. The leads are as expected, and the first block is near the reference's value; where another reference of the set is
   nearer, it is named.
2. Single readings scatter no more than a few times what the converter's noise explains; a clip that moves does not.
3. Three blocks in a row agree within their noise and have no trend that leads away. From there on readings are
   gathered; a later block that leaves them begins anew.
4. The mean's standard uncertainty is as small as asked, or the limit of readings is reached, which is remarked.

Nothing here knows a port: `measure` is handed in.
"""

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from probecore.calibration import Calibration
from probeledger import uncertainty
from probeledger.errors import DeviceError, ProbeError
from probeledger.rounding import significant
from probeledger.text import clean

__all__ = ["BLOCK", "Expected", "NotYetError", "Taken", "take"]

# Readings in a block, blocks that have to agree, and the most readings of one reference.
BLOCK = 4
_AGREEING = 3
_MOST_READINGS = 480
# A tester before its calibration, with room: the reference resistor's tolerance and the converter's linearity in the
# low range, the leakage that adds up in conductance in the high one.
_LOW_SHARE, _LOW_FIXED_OHMS, _HIGH_SHARE = 0.003, 0.5, 0.03
# Noise of a sound contact in its own standard deviations; more is a clip that moves.
_CONTACT_FACTOR = 8.0
_CONTACT_FLOOR_OHMS, _CONTACT_FLOOR_SHARE = 0.01, 1e-5
_SETTLED_FACTOR = 3.5
# Blocks may differ by this for other reasons than their noise, and still count as settled.
_SETTLED_FLOOR_OHMS, _SETTLED_FLOOR_SHARE = 1e-3, 2e-6
# A resistor that comes to the room's temperature slows down for tens of seconds: a trend that stands out of the noise
# may not lead further than this in so many readings to come, about half a minute.
_TREND_FACTOR = 2.0
_TREND_FLOOR_OHMS, _TREND_FLOOR_SHARE = 2e-3, 1e-5
_HORIZON_READINGS = 60
_CLIPS = (uncertainty.CLIPS, uncertainty.THERMAL)
# What the converter adds each time and no straight line takes up. Of the input currents' effect a line takes up most;
# what it leaves stands in the budget of each later value.
_SYSTEMATIC = (uncertainty.LINEARITY,)


class NotYetError(ProbeError):
    """Say what stands in the way of a value, and what to do; the reference can be tried again."""


@dataclass(frozen=True)
class Expected:
    """The reference that should be in the clips: its value and standard uncertainty [ohm]."""

    name: str
    ohms: float
    u_ohms: float

    @property
    def is_short(self) -> bool:
        """Tell whether it is the short."""
        return self.ohms <= 1.0

    def fits(self, ohms: float) -> bool:
        """Tell whether a value that the tester indicates [ohm] can be this reference."""
        high = self.ohms > 4500.0
        share, fixed_ohms = (_HIGH_SHARE, 0.0) if high else (_LOW_SHARE, _LOW_FIXED_OHMS)
        return abs(ohms - self.ohms) <= share * self.ohms + fixed_ohms + 4.0 * self.u_ohms


@dataclass
class Taken:
    """What was read on one reference.

    range: of the tester; raw_ohms: mean of ratio times reference resistor, before any correction; u_noise_ohms: its
    standard uncertainty from the readings; readings: how many [1]; u_clips_ohms, u_systematic_ohms: standard
    uncertainties of clips and thermal voltages, new with every clipping, and of the converter, the same each time;
    u_supply_ohms: of the supply; celsius figures: means [degC], None where unknown; remarks: sentences.
    """

    range: str
    gain: int
    raw_ohms: float
    u_noise_ohms: float
    readings: int
    u_clips_ohms: float
    u_supply_ohms: float
    u_systematic_ohms: float
    tester_celsius: float | None
    ambient_celsius: float | None
    u_ambient_celsius: float | None
    ratios: list[float]
    remarks: list[str] = field(default_factory=list)


@dataclass
class _Block:
    ratios: list[float]
    answer: Mapping[str, Any]

    @property
    def mean(self) -> float:
        return math.fsum(self.ratios) / len(self.ratios)


def take(
    measure: Callable[[int], Mapping[str, Any]],
    expected: Expected,
    others: Sequence[Expected],
    used: Calibration,
    wanted_u_ohms: float,
    tell: Callable[[int, float, float], None] = lambda readings, ohms, u_ohms: None,
) -> Taken:
    """Read a reference until its value counts.

    Args:
        measure: asks the tester for so many readings and returns its answer.
        expected: the reference that should be in the clips.
        others: all references of the set, to name the one that is there instead.
        used: the calibration in force, which the tester indicates with.
        wanted_u_ohms: standard uncertainty of the mean from the readings that is asked for [ohm].
        tell: called with readings so far, their mean [ohm] and its standard uncertainty [ohm].

    Returns:
        The value.

    Raises:
        NotYetError: what stands in the way; nothing is lost by trying again.
        DeviceError: the tester does not answer, or what it answers makes no sense.
    """
    kept: list[_Block] = []
    taken = 0
    shaky = 0
    noise_ratio = 0.0
    while taken < _MOST_READINGS:
        answer = measure(BLOCK)
        _check_leads(answer, expected)
        block = _block(answer)
        reference_ohms = _number(answer, "reference_ohms")
        indicated = _indicated(used, answer, block.mean * reference_ohms)
        if not expected.fits(indicated):
            if kept and not any(other.fits(indicated) for other in others):
                raise NotYetError("bad-contact", _moved(expected, indicated))
            raise NotYetError("wrong-resistor", _wrong(expected, others, indicated))
        taken += len(block.ratios)
        noise_ratio = _noise_ratio(answer, used)
        spread = _roughness(block.ratios)
        floor = max(_CONTACT_FLOOR_OHMS, _CONTACT_FLOOR_SHARE * expected.ohms) / reference_ohms
        if spread > max(_CONTACT_FACTOR * noise_ratio, floor):
            shaky += 1
            kept = []
            if shaky > 1:
                raise NotYetError(
                    "bad-contact",
                    f"The readings of {expected.name} scatter by {significant(spread * reference_ohms, 2)} ohm, far "
                    "more than the tester's noise: a clip does not hold. Clean and clip on again, then Enter.",
                )
            continue
        kept.append(block)
        kept = _agreeing(kept, noise_ratio, expected, reference_ohms)
        ratios = [ratio for each in kept for ratio in each.ratios]
        mean = math.fsum(ratios) / len(ratios)
        u_ratio = max(_deviation(ratios), noise_ratio) / math.sqrt(len(ratios))
        tell(taken, mean * reference_ohms, u_ratio * reference_ohms)
        if len(kept) < _AGREEING:
            continue
        if not _still(ratios, noise_ratio, max(_TREND_FLOOR_OHMS, _TREND_FLOOR_SHARE * expected.ohms) / reference_ohms):
            kept = kept[1:]
            continue
        if u_ratio * reference_ohms <= wanted_u_ohms:
            return _taken(kept, used, u_ratio, reference_ohms, [])
    if len(kept) < _AGREEING:
        raise NotYetError(
            "not-stable",
            f"{expected.name} does not settle within {taken} readings. Let it come to the room's temperature, keep "
            "draughts and hands away, then Enter.",
        )
    reached = u_ratio * reference_ohms
    remark = (
        f"{expected.name}: {len(ratios)} readings reach a standard uncertainty of {significant(reached, 2)} ohm, not "
        f"the {significant(wanted_u_ohms, 2)} ohm that was asked for; the larger one counts."
    )
    return _taken(kept, used, u_ratio, reference_ohms, [remark])


def _agreeing(kept: list[_Block], noise_ratio: float, expected: Expected, reference_ohms: float) -> list[_Block]:
    """Return the newest blocks that agree with each other."""
    floor = max(_SETTLED_FLOOR_OHMS, _SETTLED_FLOOR_SHARE * expected.ohms) / reference_ohms
    newest = kept[-1]
    if len(kept) <= _AGREEING:
        while len(kept) > 1:
            first = kept[0]
            u = math.hypot(_u_block(first, noise_ratio), _u_block(newest, noise_ratio))
            if abs(newest.mean - first.mean) <= _SETTLED_FACTOR * u + floor:
                break
            kept = kept[1:]
        return kept
    before = [ratio for each in kept[:-1] for ratio in each.ratios]
    u = math.hypot(_u_block(newest, noise_ratio), max(_deviation(before), noise_ratio) / math.sqrt(len(before)))
    if abs(newest.mean - math.fsum(before) / len(before)) > 1.3 * _SETTLED_FACTOR * u + floor:
        return [newest]
    return kept


def _u_block(block: _Block, noise_ratio: float) -> float:
    return max(noise_ratio, _deviation(block.ratios)) / math.sqrt(len(block.ratios))


def _deviation(values: Sequence[float]) -> float:
    if len(values) < 2:
        return 0.0
    mean = math.fsum(values) / len(values)
    return math.sqrt(math.fsum((value - mean) ** 2 for value in values) / (len(values) - 1))


def _roughness(values: Sequence[float]) -> float:
    """Return the standard deviation by successive differences, which a slow drift hardly enters."""
    if len(values) < 2:
        return 0.0
    steps = math.fsum((after - before) ** 2 for before, after in zip(values, values[1:], strict=False))
    return math.sqrt(steps / (2.0 * (len(values) - 1)))


def _still(ratios: Sequence[float], noise_ratio: float, floor_ratio: float) -> bool:
    """Tell whether readings have no trend that would take them further than the floor within the horizon."""
    number = len(ratios)
    middle = (number - 1) / 2.0
    squares = number * (number**2 - 1) / 12.0
    slope = math.fsum((index - middle) * ratio for index, ratio in enumerate(ratios)) / squares
    u_slope = max(noise_ratio, _roughness(ratios)) / math.sqrt(squares)
    return abs(slope) <= _TREND_FACTOR * u_slope or abs(slope) * _HORIZON_READINGS <= floor_ratio


def _check_leads(answer: Mapping[str, Any], expected: Expected) -> None:
    """Raise NotYetError where the leads are not what the reference makes of them."""
    leads = answer.get("leads")
    detail = f" ({clean(answer.get('note'), 80)})" if answer.get("note") else ""
    if leads in ("connected", "short"):
        return
    if leads == "open":
        raise NotYetError(
            "open", f"Nothing is in the clips, or no current flows{detail}. Clip {expected.name} on, then Enter."
        )
    if leads == "sense-lost":
        raise NotYetError(
            "bad-contact",
            f"A jaw has no contact{detail}. Let both jaws of each clip bite the wire of {expected.name}, then Enter.",
        )
    raise NotYetError(
        "no-value",
        f"The tester gives no value: {clean(leads, 40) or 'it gives no reason'}. Clip {expected.name} on again.",
    )


def _block(answer: Mapping[str, Any]) -> _Block:
    readings = answer.get("readings")
    try:
        ratios = [uncertainty.ratio_of([reading])[0] for reading in readings or ()]
    except (ProbeError, TypeError, ValueError, IndexError, ZeroDivisionError):
        ratios = []
    if not ratios or not all(map(math.isfinite, ratios)):
        raise DeviceError("The tester's counts make no sense. Restart it, then run the command again.")
    return _Block(ratios, answer)


def _number(answer: Mapping[str, Any], name: str) -> float:
    value = answer.get(name)
    if isinstance(value, bool) or not isinstance(value, (int, float)) or not math.isfinite(value) or value <= 0:
        raise DeviceError(f"The tester sent no sound {name.replace('_', ' ')}. Restart it, then run the command again.")
    return float(value)


def _budget(answer: Mapping[str, Any], readings: Any, used: Calibration) -> uncertainty.Budget:
    celsius = answer.get("tester_celsius")
    try:
        return uncertainty.budget(
            readings,
            _number(answer, "reference_ohms"),
            used,
            float(celsius) if isinstance(celsius, (int, float)) else None,
            high_range=answer.get("range") == "high",
            gain=int(_number(answer, "gain")),
            rate_hz=_number(answer, "rate_hz"),
        )
    except ProbeError as error:
        raise DeviceError(f"The tester's counts make no sense: {error.message}") from None


def _noise_ratio(answer: Mapping[str, Any], used: Calibration) -> float:
    """Return the converter's noise in the ratio of a single reading [1]."""
    made = _budget(answer, answer["readings"][:1], used)
    return made.lines[0].u_ohms / _number(answer, "reference_ohms")


def _indicated(used: Calibration, answer: Mapping[str, Any], raw_ohms: float) -> float:
    from probeledger.calibrating.coefficients import indicated_ohms

    return indicated_ohms(used, str(answer.get("range")), raw_ohms)


def _wrong(expected: Expected, others: Sequence[Expected], ohms: float) -> str:
    fitting = [other for other in others if other.fits(ohms) and other.name != expected.name]
    seen = f"{significant(ohms, 6)} ohm" if ohms >= 1.0 else "a short"
    if fitting:
        there = min(fitting, key=lambda other: abs(other.ohms - ohms))
        return (
            f"That is {there.name}, not {expected.name}: the tester sees {seen}. Clip {expected.name} on, then Enter."
        )
    return (
        f"That is not {expected.name}: the tester sees {seen}, {significant(expected.ohms, 6)} ohm was expected, and "
        "no reference of the file has it. Check resistor and clips, then Enter."
    )


def _moved(expected: Expected, ohms: float) -> str:
    return (
        f"{expected.name} jumped to {significant(ohms, 6)} ohm while it was read: a clip does not hold. Clip it on "
        "again, then Enter."
    )


def _mean(blocks: Sequence[_Block], *names: str) -> float | None:
    """Return the mean of a number of the answers, None where one lacks it."""
    values = []
    for block in blocks:
        value: Any = block.answer
        for name in names:
            value = value.get(name) if isinstance(value, Mapping) else None
        if isinstance(value, bool) or not isinstance(value, (int, float)) or not math.isfinite(value):
            return None
        values.append(float(value))
    return math.fsum(values) / len(values)


def _taken(
    kept: Sequence[_Block], used: Calibration, u_ratio: float, reference_ohms: float, remarks: list[str]
) -> Taken:
    answer = kept[-1].answer
    ratios = [ratio for each in kept for ratio in each.ratios]
    lines = {line.name: line.u_ohms for line in _budget(answer, answer["readings"], used).lines}

    def together(names: Sequence[str]) -> float:
        return math.sqrt(math.fsum(lines.get(name, 0.0) ** 2 for name in names))

    return Taken(
        range="high" if answer.get("range") == "high" else "low",
        gain=int(_number(answer, "gain")),
        raw_ohms=math.fsum(ratios) / len(ratios) * reference_ohms,
        u_noise_ohms=u_ratio * reference_ohms,
        readings=len(ratios),
        u_clips_ohms=together(_CLIPS),
        u_supply_ohms=lines.get(uncertainty.SUPPLY, 0.0),
        u_systematic_ohms=together(_SYSTEMATIC),
        tester_celsius=_mean(kept, "tester_celsius"),
        ambient_celsius=_mean(kept, "ambient", "celsius"),
        u_ambient_celsius=_mean(kept, "ambient", "u_celsius"),
        ratios=ratios,
        remarks=remarks,
    )
