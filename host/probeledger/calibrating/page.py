"""A certificate as one HTML page: self-contained, without a script, printed on one or two pages of A4 or Letter.

It has the look of the day sheet. The template escapes every value; texts are also cleaned of control, bidirectional
and invisible characters. The number, which the style sheet repeats on each page, has safe characters only.
"""

import functools
from typing import Any

import jinja2
from markupsafe import Markup

from probeledger import __version__
from probeledger.calibrating import certificate as content
from probeledger.calibrating.certificate import Certificate, Result, UsedReference
from probeledger.calibrating.certificate_json import TITLE
from probeledger.calibrating.plot import deviations
from probeledger.reports.render import mark
from probeledger.rounding import fixed, significant, with_uncertainty
from probeledger.text import clean

__all__ = ["render_certificate"]

_RANGE_TITLES = {"low": "Low range", "high": "High range", "isolation": "Isolation"}


def _clean(value: object, limit: int = 120) -> str:
    return clean(value, limit)


def _decimals(expanded: float) -> int:
    """Return the decimals to which an expanded uncertainty of two digits reaches."""
    text = with_uncertainty(0.0, expanded / 2)[1]
    return len(text.partition(".")[2])


def reference_text(reference: UsedReference) -> str:
    """Return a reference's value with its expanded uncertainty [ohm]."""
    if reference.expanded_ohms <= 0:
        return f"{significant(reference.ohms, 6)} Ω"
    return " ± ".join(with_uncertainty(reference.ohms, reference.expanded_ohms / 2)) + " Ω"


def rows_of(certificate: Certificate, range_name: str) -> list[dict[str, Any]]:
    """Return the lines of one range's table: one for each resistance, as found and as left beside each other."""
    by_ohms: dict[float, dict[str, Result]] = {}
    for kind, all_results in (("found", certificate.as_found), ("left", certificate.as_left)):
        for each in all_results:
            if each.range == range_name:
                by_ohms.setdefault(each.reference_ohms, {})[kind] = each
    rows = []
    for ohms in sorted(by_ohms):
        results = list(by_ohms[ohms].values())
        decimals = min(_decimals(each.expanded_ohms) for each in results)
        rows.append(
            {
                "reference": fixed(ohms, decimals),
                "limit": significant(min(each.limit_ohms for each in results), 2),
                **{kind: _cells(by_ohms[ohms].get(kind)) for kind in ("found", "left")},
            }
        )
    return rows


def _cells(result: Result | None) -> dict[str, str] | None:
    if result is None:
        return None
    error, expanded = with_uncertainty(result.error_ohms, result.u_error_ohms)
    return {
        "indicated": fixed(result.indicated_ohms, _decimals(result.expanded_ohms)).replace("-", "−"),
        "error": error.replace("-", "−") if error.startswith("-") or error.strip("0.") == "" else f"+{error}",
        "expanded": expanded,
        "statement": result.statement,
    }


@functools.cache
def _environment() -> jinja2.Environment:
    environment = jinja2.Environment(
        loader=jinja2.PackageLoader("probeledger.calibrating"),
        autoescape=True,
        undefined=jinja2.StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.filters.update(clean=_clean, fixed=fixed, significant=significant)
    environment.globals.update(
        content=content,
        deviations=deviations,
        mark=mark,
        range_titles=_RANGE_TITLES,
        reference_text=reference_text,
        rows_of=rows_of,
    )
    return environment


def _style() -> Markup:
    """Return the day sheet's style with the certificate's own after it."""
    sources = []
    for package, name in (("probeledger.reports", "sheet.css"), ("probeledger.calibrating", "certificate.css")):
        sources.append(jinja2.PackageLoader(package).get_source(_environment(), name)[0])
    return Markup("".join(sources))


def render_certificate(certificate: Certificate) -> str:
    """Return the page of a certificate.

    Args:
        certificate: its content.

    Returns:
        One HTML document with everything in it.
    """
    return (
        _environment()
        .get_template("certificate.html")
        .render(
            certificate=certificate,
            style=_style(),
            title=TITLE,
            version=__version__,
        )
    )
