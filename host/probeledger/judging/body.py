"""The body of a probe test's record, read with care.

A record comes from a device that may be damaged, old or not ours: any part may be missing, of another type, not a
number, or absurdly long. `probe_body` takes what is sound and names the parts that were not; nothing raises.
"""

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

# Longest text and longest list that a report shows; the tester's own are far shorter.
_MOST_TEXT = 200
_MOST_ITEMS = 64
# No quantity of a test comes near this in any of its units.
_MOST_NUMBER = 1e15

VERDICTS = ("pass", "fail", "undecided")


@dataclass(frozen=True)
class Foreign:
    """What the look for foreign voltage saw before anything was driven."""

    seen: bool
    at: str | None
    dc_volts: float | None
    ac_volts: float | None
    over_range: bool


@dataclass(frozen=True)
class Settled:
    """How the reading drifted: slope [ohm/min], its standard uncertainty, time waited and still to wait [s]."""

    settled: bool
    slope_ohms_per_minute: float | None
    u_slope_ohms_per_minute: float | None
    waited_s: float | None
    wait_s: float | None


@dataclass(frozen=True)
class Ambient:
    """Temperature at the probe by another thermometer [degC], and where it came from.

    `half_celsius`: half-width of the rectangular part that `u_celsius` contains.
    """

    celsius: float
    u_celsius: float | None
    source: str | None
    half_celsius: float | None = None


@dataclass(frozen=True)
class Leak:
    """Resistance from a lead to the chassis [ohm]; with `greater` it is a lower limit."""

    ohms: float
    u_ohms: float | None
    greater: bool


@dataclass(frozen=True)
class Flex:
    """What the fast capture counted while the leads were moved."""

    seconds: float | None
    readings: int | None
    dropouts: int | None
    longest_dropout_ms: float | None
    steps: int | None
    largest_step_ohms: float | None


@dataclass(frozen=True)
class Harness:
    """Control end minus sensor end of the same circuit [ohm], and what the test at the sensor's end came to."""

    ohms: float
    u_ohms: float | None
    other_sequence: int | None
    other_verdict: str | None = None


@dataclass(frozen=True)
class ProbeBody:
    """One probe test as the tester stored it, as far as it is sound. `unsound` names the parts that are not."""

    raw: Mapping[str, Any]
    place: str | None = None
    ticket: str | None = None
    job: int | None = None
    mode: str | None = None
    curve: str | None = None
    profile: str | None = None
    usb: bool | None = None
    cell_volts: float | None = None
    foreign: Foreign | None = None
    leads: str | None = None
    range: str | None = None
    gain: int | None = None
    rate_hz: float | None = None
    zero_ohms: float | None = None
    readings: tuple[tuple[int, ...], ...] = ()
    reference_ohms: float | None = None
    ohms: float | None = None
    u_ohms: float | None = None
    half_ohms: float | None = None
    celsius: float | None = None
    u_celsius: float | None = None
    expected_ohms: float | None = None
    tester_celsius: float | None = None
    settling: Settled | None = None
    ambient: Ambient | None = None
    contact_proven: bool | None = None
    contact_ohms: float | None = None
    leak_a: Leak | None = None
    leak_b: Leak | None = None
    leak_position: float | None = None
    u_leak_position: float | None = None
    flex: Flex | None = None
    harness: Harness | None = None
    fault: str | None = None
    fault_text: str | None = None
    verdict: str | None = None
    probability: float | None = None
    findings: tuple[str, ...] = ()
    requirements: tuple[tuple[str, float], ...] = ()
    not_checked: tuple[str, ...] = ()
    unsound: tuple[str, ...] = field(default=())


class _Reader:
    """Takes typed values out of maps and remembers the names of those that were of another type."""

    def __init__(self, unsound: list[str], prefix: str = "") -> None:
        self._unsound = unsound
        self._prefix = prefix

    def _refuse(self, key: str) -> None:
        self._unsound.append((self._prefix + key)[:_MOST_TEXT])

    def number(self, source: Mapping[str, Any], key: str, least: float = -math.inf) -> float | None:
        value = source.get(key)
        if value is None:
            return None
        if isinstance(value, bool) or not isinstance(value, (int, float)):
            self._refuse(key)
            return None
        try:
            number = float(value)
        except OverflowError:
            self._refuse(key)
            return None
        if not math.isfinite(number) or abs(number) > _MOST_NUMBER or number < least:
            self._refuse(key)
            return None
        return number

    def whole(self, source: Mapping[str, Any], key: str) -> int | None:
        value = source.get(key)
        if value is None:
            return None
        if isinstance(value, bool) or not isinstance(value, int) or not -(2**63) <= value < 2**63:
            self._refuse(key)
            return None
        return value

    def text(self, source: Mapping[str, Any], key: str) -> str | None:
        value = source.get(key)
        if value is None:
            return None
        if not isinstance(value, str):
            self._refuse(key)
            return None
        return value[:_MOST_TEXT]

    def flag(self, source: Mapping[str, Any], key: str) -> bool | None:
        value = source.get(key)
        if value is None:
            return None
        if not isinstance(value, bool):
            self._refuse(key)
            return None
        return value

    def part(self, source: Mapping[str, Any], key: str) -> Mapping[str, Any] | None:
        value = source.get(key)
        if value is None:
            return None
        if not isinstance(value, Mapping):
            self._refuse(key)
            return None
        return value

    def items(self, source: Mapping[str, Any], key: str) -> list[Any]:
        value = source.get(key)
        if value is None:
            return []
        if not isinstance(value, (list, tuple)) or len(value) > _MOST_ITEMS:
            self._refuse(key)
            return []
        return list(value)

    def texts(self, source: Mapping[str, Any], key: str) -> tuple[str, ...]:
        values = self.items(source, key)
        sound = [value[:_MOST_TEXT] for value in values if isinstance(value, str)]
        if len(sound) != len(values):
            self._refuse(key)
        return tuple(sound)

    def within(self, key: str) -> "_Reader":
        return _Reader(self._unsound, self._prefix + key + ".")


def probe_body(body: object) -> ProbeBody:
    """Read the body of a "probe" record.

    Args:
        body: the record's body as decoded, of any type.

    Returns:
        What was sound in it; a part that is missing, or unsound, is None or empty. Never raises.
    """
    if not isinstance(body, Mapping):
        return ProbeBody({}, unsound=("body",))
    unsound: list[str] = []
    take = _Reader(unsound)
    isolation = take.part(body, "isolation") or {}
    contact = take.part(body, "contact") or {}
    verdict = take.text(body, "verdict")
    if verdict is not None and verdict not in VERDICTS:
        unsound.append("verdict")
        verdict = None
    probability = take.number(body, "probability", 0.0)
    if probability is not None and probability > 1.0 + 1e-6:
        unsound.append("probability")
        probability = None
    return ProbeBody(
        raw=body,
        place=take.text(body, "place"),
        ticket=take.text(body, "ticket"),
        job=take.whole(body, "job"),
        mode=take.text(body, "mode"),
        curve=take.text(body, "curve"),
        profile=take.text(body, "profile"),
        usb=take.flag(body, "usb"),
        cell_volts=take.number(body, "cell_volts", 0.0),
        foreign=_foreign(take, body),
        leads=take.text(body, "leads"),
        range=take.text(body, "range"),
        gain=take.whole(body, "gain"),
        rate_hz=take.number(body, "rate_hz", 1.0),
        zero_ohms=take.number(body, "zero_ohms"),
        readings=_readings(take, body, unsound),
        reference_ohms=take.number(body, "reference_ohms", 0.0),
        ohms=take.number(body, "ohms"),
        u_ohms=take.number(body, "u_ohms", 0.0),
        half_ohms=take.number(body, "half_ohms", 0.0),
        celsius=take.number(body, "celsius"),
        u_celsius=take.number(body, "u_celsius", 0.0),
        expected_ohms=take.number(body, "expected_ohms"),
        tester_celsius=take.number(body, "tester_celsius"),
        settling=_settled(take, body),
        ambient=_ambient(take, body),
        contact_proven=take.within("contact").flag(contact, "proven"),
        contact_ohms=take.within("contact").number(contact, "ohms"),
        leak_a=_leak(take.within("isolation"), isolation, "a"),
        leak_b=_leak(take.within("isolation"), isolation, "b"),
        leak_position=_position(take.within("isolation"), isolation),
        u_leak_position=take.within("isolation").number(isolation, "u_position", 0.0),
        flex=_flex(take, body),
        harness=_harness(take, body),
        fault=take.text(body, "fault"),
        fault_text=take.text(body, "fault_text"),
        verdict=verdict,
        probability=probability,
        findings=take.texts(body, "findings"),
        requirements=_requirements(take, body, unsound),
        not_checked=take.texts(body, "not_checked"),
        unsound=tuple(unsound),
    )


def _foreign(take: _Reader, body: Mapping[str, Any]) -> Foreign | None:
    part = take.part(body, "foreign")
    if part is None:
        return None
    inner = take.within("foreign")
    return Foreign(
        bool(inner.flag(part, "seen")),
        inner.text(part, "at"),
        inner.number(part, "dc_volts"),
        inner.number(part, "ac_volts"),
        bool(inner.flag(part, "over_range")),
    )


def _settled(take: _Reader, body: Mapping[str, Any]) -> Settled | None:
    part = take.part(body, "settling")
    if part is None:
        return None
    inner = take.within("settling")
    settled = inner.flag(part, "settled")
    if settled is None:
        return None
    return Settled(
        settled,
        inner.number(part, "slope_ohms_per_minute"),
        inner.number(part, "u_slope_ohms_per_minute", 0.0),
        inner.number(part, "waited_s", 0.0),
        inner.number(part, "wait_s", 0.0),
    )


def _ambient(take: _Reader, body: Mapping[str, Any]) -> Ambient | None:
    part = take.part(body, "ambient")
    if part is None:
        return None
    inner = take.within("ambient")
    celsius = inner.number(part, "celsius")
    if celsius is None:
        return None
    return Ambient(
        celsius,
        inner.number(part, "u_celsius", 0.0),
        inner.text(part, "source"),
        inner.number(part, "half_celsius", 0.0),
    )


def _leak(take: _Reader, isolation: Mapping[str, Any], lead: str) -> Leak | None:
    part = take.part(isolation, lead)
    if part is None:
        return None
    inner = take.within(lead)
    ohms = inner.number(part, "ohms", 0.0)
    if ohms is None:
        return None
    return Leak(ohms, inner.number(part, "u_ohms", 0.0), bool(inner.flag(part, "greater")))


def _position(take: _Reader, isolation: Mapping[str, Any]) -> float | None:
    """Return where along the element a leak sits, from lead a (0) to lead b (1), where the tester could tell."""
    position = take.number(isolation, "position")
    return position if take.flag(isolation, "separable") else None


def _flex(take: _Reader, body: Mapping[str, Any]) -> Flex | None:
    part = take.part(body, "flex")
    if part is None:
        return None
    inner = take.within("flex")
    return Flex(
        inner.number(part, "seconds", 0.0),
        inner.whole(part, "readings"),
        inner.whole(part, "dropouts"),
        inner.number(part, "longest_dropout_ms", 0.0),
        inner.whole(part, "steps"),
        inner.number(part, "largest_step_ohms"),
    )


def _harness(take: _Reader, body: Mapping[str, Any]) -> Harness | None:
    part = take.part(body, "harness")
    if part is None:
        return None
    inner = take.within("harness")
    ohms = inner.number(part, "ohms")
    if ohms is None:
        return None
    return Harness(
        ohms,
        inner.number(part, "u_ohms", 0.0),
        inner.whole(part, "other_sequence"),
        inner.text(part, "other_verdict"),
    )


def _readings(take: _Reader, body: Mapping[str, Any], unsound: list[str]) -> tuple[tuple[int, ...], ...]:
    sound = []
    for reading in take.items(body, "readings"):
        if (
            isinstance(reading, (list, tuple))
            and len(reading) == 8
            and all(isinstance(c, int) and not isinstance(c, bool) and abs(c) < 2**23 + 1 for c in reading)
        ):
            sound.append(tuple(reading))
        else:
            unsound.append("readings")
            return ()
    return tuple(sound)


def _requirements(take: _Reader, body: Mapping[str, Any], unsound: list[str]) -> tuple[tuple[str, float], ...]:
    sound = []
    for item in take.items(body, "requirements"):
        if (
            isinstance(item, (list, tuple))
            and len(item) == 2
            and isinstance(item[0], str)
            and isinstance(item[1], (int, float))
            and not isinstance(item[1], bool)
            and 0.0 <= item[1] <= 1.0 + 1e-6
        ):
            sound.append((item[0][:_MOST_TEXT], float(item[1])))
        else:
            unsound.append("requirements")
    return tuple(sound)


__all__ = [
    "Ambient",
    "Flex",
    "Foreign",
    "Harness",
    "Leak",
    "ProbeBody",
    "Settled",
    "VERDICTS",
    "probe_body",
]
