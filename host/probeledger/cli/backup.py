"""The command `backup`: a copy of the archive in one file."""

from __future__ import annotations

from pathlib import Path

import click

from probeledger.cli._options import archive_option, json_option
from probeledger.cli._output import emit, say
from probeledger.text import clean, plural

__all__ = ["command"]


@click.command()
@click.argument("file", type=click.Path(path_type=Path), metavar="FILE")
@click.option("--replace", is_flag=True, help="Write over an older copy of that name.")
@archive_option
@json_option
def command(file: Path, replace: bool, archive: str | None, as_json: bool) -> None:
    """Copy the archive into one file.

    The archive is checked before, the copy after. Others may go on writing meanwhile; the copy holds the archive as it
    stood at one moment. An archive on PostgreSQL becomes a file of the same kind, which can be read and restored
    anywhere; pg_dump does its own part besides.

    \b
    Examples:
      probeledger backup /media/stick/archive-2026-11.sqlite
      probeledger backup --archive postgresql://shop@server/probeledger copy.sqlite
    """
    from probeledger.archive import open_archive

    with open_archive(archive) as opened:
        done = opened.backup(file, replace=replace)
        place = opened.name
    if as_json:
        emit({"archive": place, "file": done.path, "records": done.records, "bytes": done.size_bytes})
        return
    say(f"{plural(done.records, 'record')} copied, {done.size_bytes / 1e6:.1f} MB; archive and copy are whole.")
    say(f"Copy: {clean(done.path)}")
