"""Judging one reading that was typed in by hand, from a hand-held meter or a note."""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from probecore import findings as core_findings
from probecore import verdict as core_verdict
from probecore.errors import RangeError
from probeledger import curves
from probeledger.errors import InputError
from probeledger.judging import effect as oven_effect
from probeledger.judging.chassis import isolation_of
from probeledger.judging.guards import Guard, guards_of
from probeledger.sensors.choosing import falls
from probeledger.sensors.formulae import SensorCurve

LEAST_AMBIENT_CELSIUS = -40.0
MOST_AMBIENT_CELSIUS = 60.0
DEFAULT_U_AMBIENT_CELSIUS = 1.0

# A hand-held digital multimeter on its 4- or 6-kohm range is commonly good for plus or minus 0.5 % and 1 ohm with the
# test leads' own resistance taken off; as a rectangular distribution. Common practice, no source: the meter's data
# sheet tells better.
METER_FRACTION = 0.005
METER_OHMS = 1.0
# The same meter on a megohm range, relative (common practice, no source).
METER_LEAK_FRACTION = 0.02
# What any such meter reaches when it shows an open circuit between lead and chassis (common practice, no source).
METER_OPEN_LEAK_OHMS = 10e6


_ROOT_3 = math.sqrt(3.0)


def meter_half_ohms(ohms: float) -> float:
    """Return the plus-or-minus [ohm] that a hand-held meter is taken to have at a resistance [ohm]."""
    return METER_FRACTION * ohms + METER_OHMS


def meter_u_ohms(ohms: float) -> float:
    """Return the standard uncertainty [ohm] of that plus-or-minus, as a rectangular distribution (GUM 4.3.7)."""
    return meter_half_ohms(ohms) / _ROOT_3


@dataclass(frozen=True)
class LeakReading:
    """Resistance from a lead to the chassis [ohm]; with `greater`, the instrument showed no leak up to there."""

    ohms: float
    greater: bool = False


@dataclass(frozen=True)
class Explained:
    """A finding with its texts."""

    code: str
    message: str
    advice: str


@dataclass(frozen=True)
class TypedJudgement:
    """The answer: the core's judgement, the texts, and what the reading does to the oven."""

    verdict: str
    probability: float | None
    requirements: tuple[tuple[str, float], ...]
    findings: tuple[Explained, ...]
    not_checked: tuple[str, ...]
    leads: str
    ohms: float | None
    u_ohms: float | None
    celsius: float | None
    u_celsius: float | None
    ambient_celsius: float
    u_ambient_celsius: float
    expected_ohms: float
    hypotheses: tuple[oven_effect.Hypothesis, ...]
    effects: tuple[oven_effect.Effect, ...]
    cautions: tuple[str, ...]
    half_ohms: float | None
    half_ambient_celsius: float | None
    guards: tuple[Guard, ...]


def of_leak(reading: LeakReading | None) -> tuple[float, float, bool] | None:
    """Return a leak as `chassis.isolation_of` takes it: value, standard uncertainty [ohm], whether a lower limit."""
    if reading is None:
        return None
    return reading.ohms, 0.0 if reading.greater else METER_LEAK_FRACTION * reading.ohms, reading.greater


def explain(codes: Sequence[str]) -> tuple[Explained, ...]:
    """Return the findings of these codes with message and advice."""
    return tuple(Explained(code, *core_findings.text(code)) for code in codes)


def judge_typed(
    ohms: float | None,
    ambient_celsius: float,
    curve: curves.PlatinumCurve | SensorCurve,
    profile: dict[str, Any],
    u_ohms: float | None = None,
    u_ambient_celsius: float = DEFAULT_U_AMBIENT_CELSIUS,
    leak_a: LeakReading | None = None,
    leak_b: LeakReading | None = None,
    set_celsius: Sequence[float] = oven_effect.DEFAULT_SET_CELSIUS,
    half_ohms: float | None = None,
    half_ambient_celsius: float | None = None,
) -> TypedJudgement:
    """Judge one reading.

    Args:
        ohms: the reading [ohm]; None where the meter showed an open circuit.
        ambient_celsius: the room's temperature at the sensor [degC].
        curve: the sensor's curve.
        profile: complete limits.
        u_ohms: standard uncertainty of the reading [ohm], taken as normal; None where half_ohms says it, else for that
            of a hand-held meter.
        u_ambient_celsius: standard uncertainty of the room's temperature [degC], taken as normal.
        leak_a, leak_b: each lead against the chassis; None where it was not measured.
        set_celsius: settings of the oven [degC] for the effect.
        half_ohms: the reading's plus-or-minus [ohm], rectangular; None for none.
        half_ambient_celsius: the room's plus-or-minus [degC], rectangular, in place of u_ambient_celsius; None for
            none.

    Returns:
        Verdict, findings, guard bands, effect and cautions.

    Raises:
        InputError: a number without a meaning, or an ambient outside -40 to 60 degC.
        probecore.errors.RangeError: the ambient is outside the curve's range.
    """
    _check(ohms, ambient_celsius, u_ohms, u_ambient_celsius)
    if u_ohms is not None and half_ohms is not None:
        raise InputError("Give the reading's uncertainty once: as u_ohms or as half_ohms.")
    for name, half in (("reading", half_ohms), ("ambient", half_ambient_celsius)):
        if half is not None and not (math.isfinite(half) and half >= 0.0):
            raise InputError(f"The plus-or-minus of the {name} must be finite and not negative, not {half:g}.")
    by_default = u_ohms is None and half_ohms is None
    if by_default and ohms is not None:
        half_ohms = meter_half_ohms(ohms)
    if half_ohms is not None:
        u_ohms = half_ohms / _ROOT_3
    if half_ambient_celsius is not None:
        u_ambient_celsius = half_ambient_celsius / _ROOT_3
    expected_ohms = float(curve.ohms(ambient_celsius))
    body: dict[str, Any] = {
        "curve": curve.name,
        "ambient": {
            "celsius": ambient_celsius,
            "u_celsius": u_ambient_celsius,
            "half_celsius": half_ambient_celsius,
            "source": "entered",
        },
    }
    if ohms is None:
        body["leads"] = core_verdict.OPEN
    else:
        body["ohms"] = ohms
        body["u_ohms"] = u_ohms
        body["half_ohms"] = half_ohms
    isolation = {
        lead: {
            "ohms": leak[0],
            "u_ohms": leak[1],
            "greater": leak[2],
        }
        for lead, leak in (("a", of_leak(leak_a)), ("b", of_leak(leak_b)))
        if leak is not None
    }
    if isolation:
        body["isolation"] = isolation
    judgement = core_verdict.judge(body, profile, curve)
    leads = core_verdict.OPEN if ohms is None else core_verdict.leads_of(ohms, curve.r0_ohms, profile, curve)

    hypotheses: tuple[oven_effect.Hypothesis, ...] = ()
    effects: tuple[oven_effect.Effect, ...] = ()
    # What a falling curve does to an oven is not told.
    if leads == core_verdict.CONNECTED and ohms is not None and u_ohms is not None and not falls(curve):
        point = oven_effect.Point(ohms, u_ohms, ambient_celsius, u_ambient_celsius)
        hypotheses = oven_effect.hypotheses(
            curve, [point], curves.others(curve), isolation=isolation_of(of_leak(leak_a), of_leak(leak_b))
        )
        effects = oven_effect.effects(curve, hypotheses, set_celsius, ambient_celsius)
    return TypedJudgement(
        verdict=judgement.verdict,
        probability=judgement.probability,
        requirements=tuple((name, float(p)) for name, p in judgement.requirements),
        findings=explain(judgement.findings),
        not_checked=tuple(judgement.not_checked),
        leads=leads,
        ohms=ohms,
        u_ohms=u_ohms if ohms is not None else None,
        celsius=judgement.celsius,
        u_celsius=judgement.u_celsius,
        ambient_celsius=ambient_celsius,
        u_ambient_celsius=u_ambient_celsius,
        expected_ohms=expected_ohms,
        hypotheses=hypotheses,
        effects=effects,
        cautions=_cautions(
            curve, ambient_celsius, leads, ohms, u_ohms, by_default, u_ambient_celsius, isolation, hypotheses
        ),
        half_ohms=half_ohms if ohms is not None else None,
        half_ambient_celsius=half_ambient_celsius,
        guards=guards_of(judgement, profile),
    )


def _check(ohms: float | None, ambient_celsius: float, u_ohms: float | None, u_ambient_celsius: float) -> None:
    if ohms is not None and not (math.isfinite(ohms) and ohms >= 0.0):
        raise InputError(
            f"A resistance must be a finite number of ohms from 0 up, not {ohms:g}. "
            "Where the meter shows an open circuit, give 'open'."
        )
    if not LEAST_AMBIENT_CELSIUS <= ambient_celsius <= MOST_AMBIENT_CELSIUS:
        raise InputError(
            f"An ambient of {ambient_celsius:g} degrees C is outside {LEAST_AMBIENT_CELSIUS:g} to "
            f"{MOST_AMBIENT_CELSIUS:g}: a cold reading is judged against the room. "
            "A hot point goes to 'probeledger effect --second OHMS,CELSIUS'."
        )
    for name, value in (("resistance", u_ohms), ("ambient", u_ambient_celsius)):
        if value is not None and not (math.isfinite(value) and value >= 0.0):
            raise InputError(f"The standard uncertainty of the {name} must be finite and not negative, not {value:g}.")


def _two_digits(ohms: float) -> str:
    """Return two digits of a resistance [ohm], without a power of ten."""
    return f"{ohms:.2g}" if ohms < 100.0 else f"{float(f'{ohms:.2g}'):.0f}"


def _cautions(
    curve: curves.PlatinumCurve | SensorCurve,
    ambient_celsius: float,
    leads: str,
    ohms: float | None,
    u_ohms: float | None,
    by_default: bool,
    u_ambient_celsius: float,
    isolation: dict[str, Any],
    hypotheses: Sequence[oven_effect.Hypothesis],
) -> tuple[str, ...]:
    said = []
    if by_default and ohms is not None and u_ohms is not None:
        said.append(
            f"The reading's uncertainty was taken as that of a common hand-held meter: ± 0.5 % ± 1 ohm, rectangular, "
            f"so that u = {_two_digits(u_ohms)} ohm (common practice, no source). Give --plus-minus-ohms or --u-ohms "
            "for a better one."
        )
    if leads == core_verdict.CONNECTED and u_ohms is not None:
        u_as_ohms = u_ambient_celsius * abs(curve.ohms_per_celsius(ambient_celsius))
        if u_as_ohms > u_ohms:
            said.append(
                f"The room's temperature limits this answer: {u_ambient_celsius:g} degrees C of doubt is "
                f"{_two_digits(u_as_ohms)} ohm. Hold the thermometer beside the sensor."
            )
    if leads != core_verdict.CONNECTED:
        said.append(
            "A control takes an open or shorted sensor for a fault and stops heating: no baking temperature is "
            "computed."
        )
    names = [h.other_curve.name for h in hypotheses if h.other_curve is not None and h.compatible]
    if names:
        said.append(
            f"A cold reading cannot tell {curve.name} from {' or '.join(names)}: the part's data or a second, hot "
            "point can."
        )
    said.append(
        "The reading counts only if the sensor was unplugged from the control and had the room's temperature: a probe "
        "that still cools reads too warm."
    )
    if isolation:
        said.append(
            "A meter's low voltage finds a short or a gross leak to the chassis; it does not replace an insulation "
            "test at 500 V."
        )
    said.append("A pass covers only what was checked.")
    return tuple(said)


def parse_leak(text: str, name: str) -> LeakReading:
    """Read a leak resistance as a technician types it.

    Args:
        text: ohms ("2200000"), with k or M ("40k", "2.2M"), as a lower limit (">20M"), or "OL", "open" or "inf" where
            the meter shows no leak at all, which is taken as more than 10 Mohm.
        name: how a message names the lead.

    Returns:
        The reading.

    Raises:
        InputError: it is none of these.
    """
    plain = text.strip()
    if plain.lower() in ("ol", "o.l", "o.l.", "open", "inf", "infinite"):
        return LeakReading(METER_OPEN_LEAK_OHMS, True)
    greater = plain.startswith(">")
    try:
        ohms = parse_ohms(plain[1:] if greater else plain)
    except ValueError:
        raise InputError(
            f"The leak of {name} must be ohms like 40000, 40k, 2.2M or >20M, or OL where the meter shows no leak; "
            f"not {text[:40]!r}."
        ) from None
    return LeakReading(ohms, greater)


def parse_ohms(text: str) -> float:
    """Return the ohms of a text with an optional k or M and an optional unit. Raises ValueError where it is none."""
    plain = text.strip()
    for unit in ("ohms", "ohm", "Ω", "\u2126"):
        if plain.lower().endswith(unit):
            plain = plain[: -len(unit)].strip()
            break
    factor = 1.0
    if plain[-1:] in ("k", "K"):
        factor, plain = 1e3, plain[:-1]
    elif plain[-1:] == "M":
        factor, plain = 1e6, plain[:-1]
    value = float(plain.replace(",", ".") if plain.count(",") == 1 and "." not in plain else plain) * factor
    if not math.isfinite(value) or value < 0.0:
        raise ValueError(text)
    return value


__all__ = [
    "DEFAULT_U_AMBIENT_CELSIUS",
    "Explained",
    "LEAST_AMBIENT_CELSIUS",
    "LeakReading",
    "MOST_AMBIENT_CELSIUS",
    "RangeError",
    "TypedJudgement",
    "explain",
    "judge_typed",
    "meter_half_ohms",
    "meter_u_ohms",
    "parse_leak",
    "parse_ohms",
]
