"""Words and figures of the reports: how a stored part is said to a person.

Texts from a tester pass through `clean` here, and are escaped by the template as well.
"""

import datetime

from probeledger.archive import Record
from probeledger.judging.body import Ambient, Flex, Foreign, Harness, Leak, Settled
from probeledger.rounding import COVERAGE_FACTOR, fixed, significant, with_uncertainty
from probeledger.text import clean, plural
from probeledger.units import fahrenheit, fahrenheit_difference

PLACES = {
    "sensor": "at the sensor",
    "control-end": "at the control's connector",
    "new-part": "new part, before fitting",
    "after-fitting": "after fitting",
}
MODES = {"quick": "quick test", "flex": "flex test", "guided": "guided test", "bench": "bench"}
LEADS = {
    "connected": "connected",
    "open": "open circuit",
    "short": "short circuit",
    "sense-lost": "a sense jaw without contact",
    "saturated": "beyond the tester's range",
}
SOURCES = {"sensor": "room sensor", "entered": "typed in", "assumed": "assumed"}
VERDICT_WORDS = {"pass": "Pass", "fail": "Fail", "undecided": "Undecided"}
TESTER_TAGS = {
    "check-failed": "tester failed its check",
    "uncalibrated": "not calibrated",
    "check-never": "never checked",
    "calibration-overdue": "calibration overdue",
    "check-overdue": "check overdue",
}
_MOST = 80


NBSP = "\u00a0"


def tied(text: str) -> str:
    """Return the text with its figures tied to their signs and units, so that no line ends between them."""
    for before, after in ((" ± ", f"{NBSP}±{NBSP}"), (" Ω", f"{NBSP}Ω"), (" kΩ", f"{NBSP}kΩ"), (" MΩ", f"{NBSP}MΩ")):
        text = text.replace(before, after)
    return text.replace(" °", f"{NBSP}°").replace("> ", f">{NBSP}").replace(" V ", f"{NBSP}V ")


def signed(value: float, decimals: int) -> str:
    """Return a difference with its sign and so many decimals [1]; what rounds to zero has none.

    >>> signed(0.25, 1), signed(-0.001, 2)
    ('+0.2', '0.00')
    """
    text = fixed(value, decimals)
    return text if text.startswith("-") or float(text) == 0.0 else f"+{text}"


def _figures(value: float, u: float | None) -> tuple[str, str]:
    """Return value and expanded uncertainty as text; an uncertainty far below the value's last digit counts as none."""
    return with_uncertainty(value, None if u is None or u < 1e-9 * max(1.0, abs(value)) else u)


def word(table: dict[str, str], value: str | None) -> str:
    """Return the word of a table for a stored value; an unknown one as it is, cleaned."""
    if value is None:
        return ""
    return table.get(value) or clean(value, _MOST)


def ohms_text(ohms: float, u_ohms: float | None = None) -> str:
    """Return a resistance of any size [ohm] with its expanded uncertainty (k = 2), in a readable unit."""
    unit, factor = "Ω", 1.0
    if abs(ohms) >= 1e6:
        unit, factor = "MΩ", 1e-6
    elif abs(ohms) >= 1e4:
        unit, factor = "kΩ", 1e-3
    if u_ohms is None or u_ohms <= 0.0:
        return f"{significant(ohms * factor, 4)} {unit}"
    value, expanded = _figures(ohms * factor, u_ohms * factor)
    return f"{value} ± {expanded} {unit}"


def celsius_text(celsius: float, u_celsius: float | None = None) -> str:
    """Return a temperature [degC] with its expanded uncertainty (k = 2), and in Fahrenheit."""
    value, expanded = _figures(celsius, u_celsius)
    shown = f"{value} °C" if expanded == "-" else f"{value} ± {expanded} °C"
    return f"{shown} ({fixed(fahrenheit(celsius), 1)} °F)"


def leak_text(leak: Leak) -> str:
    """Return an isolation resistance; a lower limit as such."""
    if leak.greater:
        unit, factor = ("MΩ", 1e-6) if leak.ohms >= 1e6 else ("kΩ", 1e-3) if leak.ohms >= 1e3 else ("Ω", 1.0)
        return f"> {significant(leak.ohms * factor, 2)} {unit}"
    return ohms_text(leak.ohms, leak.u_ohms)


def position_text(position: float, u_position: float | None) -> str:
    """Return where a leak sits, from its position along the element: 0 is lead a, 1 is lead b."""
    u = 0.0 if u_position is None else u_position
    share = (
        f"{fixed(100 * position, 0)} ± {fixed(max(COVERAGE_FACTOR * 100 * u, 1.0), 0)} % of the way from lead a to b"
    )
    near = COVERAGE_FACTOR * u + 0.03
    if position <= near:
        return f"it sits at lead a ({share})"
    if position >= 1.0 - near:
        return f"it sits at lead b ({share})"
    return f"it sits inside the element ({share})"


def ambient_text(ambient: Ambient) -> str:
    """Return the room's temperature and where it came from."""
    source = word(SOURCES, ambient.source)
    return celsius_text(ambient.celsius, ambient.u_celsius) + (f", {source}" if source else "")


def settling_text(settled: Settled, ohms_per_celsius: float | None) -> str:
    """Return how the reading moved, and what was waited."""
    said = "settled" if settled.settled else "still moving"
    slope = settled.slope_ohms_per_minute
    if slope is not None:
        if ohms_per_celsius:
            per_minute = slope / ohms_per_celsius
            said += f", {signed(per_minute, 2)} °C/min ({signed(fahrenheit_difference(per_minute), 2)} °F/min)"
        else:
            said += f", {signed(slope, 2)} Ω/min"
    if settled.waited_s:
        said += f"; waited {duration_text(settled.waited_s)}"
    if not settled.settled and settled.wait_s:
        said += f"; {duration_text(settled.wait_s)} more advised"
    return said


def duration_text(seconds: float) -> str:
    """Return a duration [s] in minutes where it is long."""
    return f"{seconds:.0f} s" if seconds < 100 else f"{seconds / 60:.0f} min"


def flex_text(flex: Flex) -> str:
    """Return what the flex capture counted."""
    found = [
        plural(flex.dropouts or 0, "dropout"),
        plural(flex.steps or 0, "step"),
    ]
    said = " and ".join(found)
    if flex.dropouts and flex.longest_dropout_ms:
        said += f", the longest dropout {flex.longest_dropout_ms:.0f} ms"
    if flex.steps and flex.largest_step_ohms:
        said += f", the largest step {significant(abs(flex.largest_step_ohms), 2)} Ω"
    if flex.seconds:
        said += f", in {flex.seconds:.0f} s"
    return said


def harness_text(harness: Harness) -> str:
    """Return the harness's resistance as a difference of two tests."""
    said = ohms_text(harness.ohms, harness.u_ohms)
    if harness.other_sequence is not None:
        said += f", against record {harness.other_sequence}"
    return said


def foreign_text(foreign: Foreign) -> str:
    """Return what voltage was seen on the leads. Nothing here may say that there is none."""
    if not foreign.seen:
        return ""
    parts = []
    if foreign.over_range:
        parts.append("more than the tester can measure")
    if foreign.dc_volts is not None:
        parts.append(f"{foreign.dc_volts:+.2f} V DC")
    if foreign.ac_volts is not None:
        parts.append(f"{foreign.ac_volts:.2f} V AC")
    at = f" at {clean(foreign.at, 40)}" if foreign.at else ""
    return (", ".join(parts) or "a voltage") + at


def expanded(u: float | None) -> float | None:
    """Return the expanded uncertainty (k = 2) of a standard one, None for None."""
    return None if u is None else COVERAGE_FACTOR * u


def time_text(moment: datetime.datetime | None, reconstructed: bool) -> str:
    """Return the time of day, marked where it was worked out afterwards."""
    if moment is None:
        return "time not known"
    return moment.strftime("%H:%M") + ("*" if reconstructed else "")


def moment_text(record: Record, beside: datetime.datetime | None) -> str:
    """Return when a record was made, in the zone of another moment; with its date where the days differ."""
    moment = record.moment(beside.tzinfo if beside else None)
    if moment is None:
        return "at an unknown time"
    shown = time_text(moment, record.time_reconstructed)
    if beside is not None and moment.date() == beside.date():
        return f"at {shown}"
    return f"on {moment:%Y-%m-%d} at {shown}"


def amendment_texts(record: Record, zone: datetime.tzinfo | None) -> list[str]:
    """Return what the shop corrected of a record, each as a sentence; the record's own stays beside it."""
    texts = []
    for each in record.amendments:
        value = clean(each.value, 200)
        said = {
            "ticket": f"ticket {value or 'none'} instead of {clean(record.ticket, 40) or 'none'}",
            "void": "void, it does not count",
            "note": value,
        }.get(each.kind, clean(each.kind, 20))
        reason = f" ({clean(each.reason, 200)})" if each.reason else ""
        day = datetime.datetime.fromtimestamp(each.written, datetime.UTC).astimezone(zone)
        texts.append(f"{said}{reason}; {clean(each.author, 40)}, {day:%Y-%m-%d}.")
    return texts


def date_text(day: datetime.date) -> str:
    """Return a date in words that no country misreads."""
    return f"{day:%A} {day.day} {day:%B %Y}"
