"""The command `restore`: put what a copy holds into an archive."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from probeledger.cli._options import archive_option, json_option
from probeledger.cli._output import emit, say
from probeledger.text import clean, plural

__all__ = ["command"]


@click.command()
@click.argument("file", type=click.Path(path_type=Path, dir_okay=False), metavar="FILE")
@click.option("--replace", is_flag=True, help="Put it in the place of what the archive holds; a copy of that is kept.")
@click.option("--anyway", is_flag=True, help="Restore a copy in which 'verify' finds something.")
@archive_option
@json_option
def command(file: Path, replace: bool, anyway: bool, archive: str | None, as_json: bool) -> None:
    """Put what a copy holds into the archive.

    The copy is checked before anything is written, record by record, and the archive after. Nothing is overwritten
    silently: an archive that holds records is left alone unless --replace is given, and then a copy of it is kept
    beside it. All of it happens at once: others see the old archive or the new one.

    \b
    Examples:
      probeledger restore /media/stick/archive-2026-11.sqlite
      probeledger restore copy.sqlite --archive postgresql://shop@server/probeledger
    """
    from probeledger.archive import restore, verify_archive
    from probeledger.errors import ArchiveError

    def check(source: Any) -> None:
        found = verify_archive(source, str(file))
        if not found.holds and not anyway:
            raise ArchiveError(
                f"The copy {file} does not hold: {found.findings[0].message} Nothing was changed; take another copy, "
                "or add --anyway to restore it as it is.",
                "not-whole",
            )

    done = restore(file, archive, replace=replace, verify=check)
    if as_json:
        emit({"file": done.path, "records": done.records, "kept_before": done.aside})
        return
    say(f"{plural(done.records, 'record')} restored from {clean(done.path)}.")
    if done.aside is not None:
        say(f"What the archive held before is kept: {clean(done.aside)}")
