"""What commands write: JSON for scripts, tables for people, progress on stderr.

Rich is imported where something is drawn, so that a command that writes JSON starts without it.
"""

from __future__ import annotations

import datetime
import json
import math
import os
import shutil
import sys
import textwrap
from collections.abc import Collection, Iterable, Mapping, Sequence
from typing import TYPE_CHECKING, Any

import click

from probeledger.text import clean

if TYPE_CHECKING:
    from rich.console import Console
    from rich.progress import Progress
    from rich.table import Table
    from rich.text import Text

__all__ = ["cell", "console", "emit", "emit_line", "folded", "note", "plain_json", "progress", "say", "table"]

# A rule under the heading and nothing else: narrow, and readable where it is pasted into a message.
_RULED = "    \n    \n -- \n    \n    \n    \n    \n    \n"


def plain_json(value: Any) -> Any:
    """Return the value in types that JSON has: bytes as hex, dates as ISO 8601, no NaN or infinity (null)."""
    if isinstance(value, float):
        return value if math.isfinite(value) else None
    if isinstance(value, (bytes, bytearray, memoryview)):
        return bytes(value).hex()
    if isinstance(value, (datetime.datetime, datetime.date)):
        return value.isoformat()
    if isinstance(value, Mapping):
        return {str(key): plain_json(item) for key, item in value.items()}
    if isinstance(value, (list, tuple)) or (isinstance(value, Iterable) and not isinstance(value, str)):
        return [plain_json(item) for item in value]
    if value is None or isinstance(value, (str, int, bool)):
        return value
    if isinstance(value, os.PathLike):
        return os.fspath(value)
    if hasattr(value, "item"):
        return plain_json(value.item())
    raise TypeError(f"no JSON for {type(value).__name__}")


def emit(document: Any) -> None:
    """Write one JSON document to stdout. Numbers are never rounded; text from outside is escaped to ASCII."""
    click.echo(json.dumps(plain_json(document), indent=2, allow_nan=False))


def emit_line(document: Any) -> None:
    """Write one JSON object on one line to stdout, at once."""
    click.echo(json.dumps(plain_json(document), allow_nan=False, separators=(", ", ": ")))


def folded(line: str, stream: Any) -> str:
    """Return a line folded between words where the stream is a terminal; elsewhere it stays one line."""
    if not stream.isatty():
        return line
    indent = line[: len(line) - len(line.lstrip())]
    columns = shutil.get_terminal_size().columns
    return textwrap.fill(line, columns, subsequent_indent=indent, break_long_words=False, break_on_hyphens=False)


def note(line: str) -> None:
    """Write one line for a person to stderr, cleaned of control characters."""
    click.echo(folded(clean(line), sys.stderr), err=True)


def say(line: str) -> None:
    """Write one line for a person to stdout; whatever came from outside has to be clean by then."""
    click.echo(folded(line, sys.stdout))


def console(*, stderr: bool = False) -> Console:
    """Return a rich console that never takes text for markup. NO_COLOR is heeded by rich itself."""
    from rich.console import Console

    return Console(stderr=stderr, highlight=False, markup=False, emoji=False, soft_wrap=False)


def cell(value: object, style: str = "", limit: int | None = None) -> Text:
    """Return a table cell that shows the value as it is, cleaned, with "-" for nothing."""
    from rich.text import Text

    return Text(clean(value, limit) or "-", style=style)


def table(
    columns: Sequence[str | tuple[str, str]],
    rows: Iterable[Sequence[object]],
    title: str | None = None,
    fold: Collection[str] | None = None,
) -> Table:
    """Return a table for a terminal of 80 columns.

    Args:
        columns: headings; a pair (heading, "right") aligns numbers.
        rows: cells; anything that is not a rich Text already is cleaned.
        title: a line above it, or None.
        fold: headings of the columns that may fold where the terminal is narrow; None for all.
    """
    from rich.box import Box
    from rich.table import Table
    from rich.text import Text

    made = Table(
        box=Box(_RULED, ascii=True),
        title=None if title is None else Text(title),
        title_justify="left",
        pad_edge=False,
        show_edge=False,
        padding=(0, 1, 0, 0),
        header_style="bold",
    )
    for column in columns:
        heading, justify = (column, "left") if isinstance(column, str) else column
        made.add_column(
            Text(heading),
            justify="right" if justify == "right" else "left",
            overflow="fold",
            no_wrap=fold is not None and heading not in fold,
        )
    for row in rows:
        made.add_row(*(item if isinstance(item, Text) else cell(item) for item in row))
    return made


def progress(*, quiet: bool = False, speed: bool = False) -> Progress:
    """Return a progress display on stderr; it shows nothing where stderr is no terminal or `quiet` is set.

    Args:
        quiet: show nothing.
        speed: add a column with kB/s, from the task's field `bytes`.
    """
    from probeledger.cli._progress import display

    return display(console(stderr=True), shown=not quiet and sys.stderr.isatty(), speed=speed)
