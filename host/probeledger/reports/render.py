"""The day sheet as one HTML page: self-contained, without a script, readable on a phone and printed on A4 or Letter.

The template escapes every value (autoescape); texts from testers are also cleaned of control, bidirectional and
invisible characters. Nothing from a tester becomes a link, a class, an id or a style.
"""

import functools
import math
from typing import Any

import jinja2
from markupsafe import Markup

from probecore.limits import DOMESTIC_1000
from probecore.verdict import AMBIENT
from probeledger import __version__
from probeledger.judging.customer import sentence
from probeledger.judging.guards import words as guard_words
from probeledger.reports import words
from probeledger.reports.day import DaySheet, Entry
from probeledger.reports.gauge import gauge
from probeledger.rounding import fixed
from probeledger.text import clean, plural

# Marks differ by shape: a disc with a tick, an octagon with a cross, a diamond with a question mark.
_MARKS = {
    "pass": Markup(
        '<circle cx="12" cy="12" r="10" class="m-fill"/><path d="M7 12.5l3.4 3.4L17.2 8.6" class="m-line"/>'
    ),
    "fail": Markup(
        '<path d="M8 2h8l6 6v8l-6 6H8l-6-6V8z" class="m-fill"/><path d="M8 8l8 8M16 8l-8 8" class="m-line"/>'
    ),
    "undecided": Markup(
        '<path d="M12 1l11 11-11 11L1 12z" class="m-fill"/>'
        '<path d="M9.4 9.6a2.7 2.7 0 1 1 3.9 2.5c-.9.5-1.3 1-1.3 2" class="m-line"/>'
        '<circle cx="12" cy="17" r="1.2" class="m-dot"/>'
    ),
}


def mark(verdict: str, size: int = 20) -> Markup:
    """Return the mark of a verdict as inline SVG, hidden from readers that hear the word beside it."""
    return Markup(
        f'<svg class="mark" width="{size}" height="{size}" viewBox="0 0 24 24" aria-hidden="true">'
        f"{_MARKS[verdict]}</svg>"
    )


def _clean(value: object, limit: int = 80) -> str:
    return clean(value, limit)


def _slope(entry: Entry) -> float | None:
    """Return the curve's slope at the reading [ohm/degC], None where there is none."""
    if entry.again.celsius is None or entry.again.curve is None:
        return None
    return float(entry.again.curve.ohms_per_celsius(entry.again.celsius))


def amended(entry: Entry) -> list[str]:
    """Return what the shop corrected of the test's record."""
    return words.amendment_texts(entry.record, entry.moment.tzinfo if entry.moment else None)


def facts(entry: Entry) -> list[tuple[str, str]]:
    """Return what was measured, as pairs of a name and a text, in the order of the test."""
    again, seen = entry.again, entry.again.body
    rows: list[tuple[str, str]] = []

    def add(name: str, text: str | None) -> None:
        if text:
            rows.append((name, words.tied(text)))

    if seen.foreign and seen.foreign.seen:
        add("Voltage seen", words.foreign_text(seen.foreign))
    if seen.leads and seen.leads != "connected":
        add("Leads", words.word(words.LEADS, seen.leads))
    if again.ohms is not None and seen.leads in (None, "connected"):
        said = words.ohms_text(again.ohms, again.u_ohms)
        if again.expected_ohms is not None:
            off = words.signed(again.ohms - again.expected_ohms, 1)
            said += f"; expected {fixed(again.expected_ohms, 1)} Ω ({off} Ω)"
        add("Resistance", said)
    for name, key, wanted in (("Curve", "curve", "curve_id"), ("Limits", "profile", "profile_id")):
        if isinstance(seen.raw.get(wanted), str):
            add(name, f"{_clean(seen.raw.get(key), 40)} ({_clean(seen.raw[wanted], 16)}), as sent to the tester")
    if again.celsius is not None:
        add("By the curve", words.celsius_text(again.celsius, again.u_celsius) + ", the tester's part")
    if seen.ambient:
        add("Room", words.ambient_text(seen.ambient))
    if again.celsius is not None and seen.ambient and seen.ambient.u_celsius is not None and again.u_celsius:
        both = 2.0 * math.hypot(again.u_celsius, seen.ambient.u_celsius)
        add("Probe minus room", f"{words.signed(again.celsius - seen.ambient.celsius, 2)} ± {fixed(both, 2)} °C")
    if seen.settling:
        add("Settling", words.settling_text(seen.settling, _slope(entry)))
    if seen.contact_proven is False:
        add("Chassis clip", "no contact with metal")
    leaks = [f"lead {name} {words.leak_text(leak)}" for name, leak in (("a", seen.leak_a), ("b", seen.leak_b)) if leak]
    if seen.leak_position is not None and any(leak and not leak.greater for leak in (seen.leak_a, seen.leak_b)):
        leaks.append(words.position_text(seen.leak_position, seen.u_leak_position))
    add("To the chassis", ", ".join(leaks))
    if seen.harness:
        add("Harness", words.harness_text(seen.harness))
    if seen.flex:
        add("Leads moved", words.flex_text(seen.flex))
    if seen.fault:
        add("Tester's fault", _clean(seen.fault_text or seen.fault, 200))
    return rows


def odds(entry: Entry) -> str:
    """Return the conformance probabilities in one line, those that leave no doubt together; each with its guard."""
    guards = {each.name: f" (undecided within {words.tied(guard_words(each))})" for each in entry.again.guards}
    sure = [name + guards.get(name, "") for name, probability in entry.again.requirements if probability >= 0.9995]
    others = [
        f"{name} {fixed(100.0 * probability, 1)}{words.NBSP}%" + guards.get(name, "")
        for name, probability in entry.again.requirements
        if probability < 0.9995
    ]
    if sure:
        others.append(f"over 99.9{words.NBSP}% in {', '.join(sure)}")
    return "; ".join(others)


def picture(entry: Entry) -> Markup | None:
    """Return the gauge of a test, None where it has no reading to compare with the room."""
    again, seen = entry.again, entry.again.body
    if again.celsius is None or again.u_celsius is None or seen.ambient is None:
        return None
    limits: dict[str, Any] = DOMESTIC_1000
    u_ambient = seen.ambient.u_celsius
    if u_ambient is None:
        u_ambient = float(limits["u_ambient_celsius"])
    guard = next((each for each in again.guards if each.name == AMBIENT), None)
    return gauge(
        again.celsius - seen.ambient.celsius,
        math.hypot(again.u_celsius, u_ambient),
        float(limits["ambient_celsius"]) if guard is None or guard.high_limit is None else guard.high_limit,
        (guard.high_limit if guard.celsius is None else guard.celsius) if guard else None,
    )


def title(entry: Entry) -> str:
    """Return the heading of a test: where it was made, and how."""
    seen = entry.again.body
    parts = [words.word(words.PLACES, seen.place) or "place not stored", words.word(words.MODES, seen.mode)]
    said = ", ".join(part for part in parts if part)
    return said[:1].upper() + said[1:]


def headline(entry: Entry) -> str:
    """Return the one line that says why: the first finding, or what was measured."""
    if entry.again.problem:
        return clean(entry.again.problem, 200)
    if entry.about_probe:
        return entry.about_probe[0].message
    if entry.verdict == "pass":
        return "Within the limits in all that was checked."
    return "Nothing was measured that could be judged."


@functools.cache
def _environment() -> jinja2.Environment:
    environment = jinja2.Environment(
        loader=jinja2.PackageLoader("probeledger.reports"),
        autoescape=True,
        undefined=jinja2.StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.filters.update(clean=_clean)
    environment.globals.update(
        amended=amended,
        facts=facts,
        headline=headline,
        mark=mark,
        odds=odds,
        picture=picture,
        plural=plural,
        sentence=sentence,
        title=title,
        words=words,
    )
    return environment


def render(sheet: DaySheet) -> str:
    """Return the page of a day sheet as HTML.

    Args:
        sheet: its contents.

    Returns:
        One HTML document with everything in it.
    """
    environment = _environment()
    source, _, _ = jinja2.PackageLoader("probeledger.reports").get_source(environment, "sheet.css")
    context: dict[str, Any] = {
        "sheet": sheet,
        "style": Markup(source),
        "version": __version__,
        "date_text": words.date_text(sheet.day),
    }
    return environment.get_template("day.html").render(context)
