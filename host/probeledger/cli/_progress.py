"""The progress display of commands that take a while."""

from typing import Any

from rich.console import Console
from rich.progress import BarColumn, Progress, ProgressColumn, TextColumn, TimeRemainingColumn
from rich.text import Text

__all__ = ["display"]


class _CountColumn(ProgressColumn):
    """Show how much of how much is done; nothing while the whole is not known."""

    def render(self, task: Any) -> Text:
        """Return the counts [1]."""
        return Text("" if task.total is None else f"{task.completed:.0f} of {task.total:.0f}")


class _SpeedColumn(ProgressColumn):
    """Show kilobytes a second, from the task's field `bytes`."""

    def render(self, task: Any) -> Text:
        """Return the speed so far [kB/s]."""
        elapsed_s = task.elapsed or 0.0
        moved_bytes = task.fields.get("bytes", 0)
        if elapsed_s <= 0 or not moved_bytes:
            return Text("")
        return Text(f"{moved_bytes / 1000 / elapsed_s:.1f} kB/s")


def display(console: Console, *, shown: bool, speed: bool) -> Progress:
    """Return a progress display on a console.

    Args:
        console: where it is drawn.
        shown: whether it is drawn at all.
        speed: add a column with kB/s, from the task's field `bytes`.
    """
    columns: list[ProgressColumn] = [
        TextColumn("{task.description}", markup=False),
        BarColumn(bar_width=24),
        _CountColumn(),
    ]
    if speed:
        columns.append(_SpeedColumn())
    columns.append(TimeRemainingColumn(compact=True))
    return Progress(
        *columns,
        console=console,
        transient=True,
        disable=not shown,
        refresh_per_second=5,
        redirect_stdout=False,
        redirect_stderr=False,
    )
