"""Options that several commands share."""

from collections.abc import Callable
from typing import Any, TypeVar

import click

__all__ = ["archive_option", "json_option", "jsonl_option", "port_argument"]

_Function = TypeVar("_Function", bound=Callable[..., Any])


def archive_option(function: _Function) -> _Function:
    """Add `--archive`, the path or database URL of the archive; the command gets `archive: str | None`."""
    return click.option(
        "--archive",
        "archive",
        metavar="PATH",
        envvar="PROBELEDGER_ARCHIVE",
        show_envvar=True,
        help="Archive to use: a file, or a database URL.  [default: archive.sqlite in your data folder]",
    )(function)


def json_option(function: _Function) -> _Function:
    """Add `--json`; the command gets `as_json: bool`."""
    return click.option("--json", "as_json", is_flag=True, help="Write one JSON document, for scripts.")(function)


def jsonl_option(function: _Function) -> _Function:
    """Add `--jsonl`; the command gets `as_jsonl: bool`."""
    return click.option("--jsonl", "as_jsonl", is_flag=True, help="Write one JSON object a line, for scripts.")(
        function
    )


def port_argument(function: _Function) -> _Function:
    """Add the argument PORT; the command gets `port: str`."""
    return click.argument("port", metavar="PORT")(function)
