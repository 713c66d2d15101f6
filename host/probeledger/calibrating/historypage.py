"""The history of a shop's testers as one HTML page: side by side in a table, then a control chart for each.

It has the look of the day sheet, needs no network and no script, and says every picture in words as well.
"""

import datetime
import functools
from collections.abc import Sequence

import jinja2
from markupsafe import Markup

from probeledger import __version__
from probeledger.calibrating.chartplot import control_chart, told
from probeledger.calibrating.charts import Job
from probeledger.calibrating.fromarchive import Told
from probeledger.calibrating.history import TesterHistory
from probeledger.text import clean, plural

__all__ = ["render_history"]

# The newest checks that the table under a chart lists.
_LISTED = 30


def _clean(value: object, limit: int = 80) -> str:
    return clean(value, limit)


def _ppm(relative: float) -> str:
    return f"{1e6 * relative:+.0f}".replace("-", "−")


def _by_day(jobs: Sequence[Job]) -> list[tuple[str, str]]:
    """Return days with the tickets, or record numbers, of their tests."""
    days: dict[str, list[str]] = {}
    for job in jobs:
        said = clean(job.ticket, 40) if job.ticket else f"record {clean(job.record.partition('/')[2], 20)}"
        days.setdefault(f"{job.time:%Y-%m-%d}", []).append(said)
    return [(day, ", ".join(dict.fromkeys(said))) for day, said in days.items()]


@functools.cache
def _environment() -> jinja2.Environment:
    environment = jinja2.Environment(
        loader=jinja2.PackageLoader("probeledger.calibrating"),
        autoescape=True,
        undefined=jinja2.StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.filters.update(clean=_clean, ppm=_ppm)
    environment.globals.update(by_day=_by_day, control_chart=control_chart, plural=plural, told=told)
    return environment


def _style() -> Markup:
    sources = []
    for package, name in (
        ("probeledger.reports", "sheet.css"),
        ("probeledger.calibrating", "certificate.css"),
        ("probeledger.calibrating", "history.css"),
    ):
        sources.append(jinja2.PackageLoader(package).get_source(_environment(), name)[0])
    return Markup("".join(sources))


def render_history(
    found: Sequence[tuple[Told | None, TesterHistory | None]],
    source: str,
    limit: float,
    written: datetime.datetime | None = None,
) -> str:
    """Return the page.

    Args:
        found: what is told of each tester (None where the checks came from a file), and its history.
        source: archive or file, as it is named to a person.
        limit: largest error allowed, relative.
        written: when the page is written; None is now.

    Returns:
        One HTML document with everything in it.
    """
    moment = written or datetime.datetime.now().astimezone()
    return (
        _environment()
        .get_template("history.html")
        .render(
            found=found,
            source=source,
            limit=limit,
            listed=_LISTED,
            style=_style(),
            version=__version__,
            written=moment,
        )
    )
