"""What a benchmark found: figures with their aims, and how they are printed and written down."""

from __future__ import annotations

import os
import platform
import statistics
import subprocess
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field

from paths import cores

AT_MOST = "at most"
AT_LEAST = "at least"
BELOW = "below"


@dataclass(frozen=True)
class Figure:
    """One measured figure.

    Attributes:
        name: what was measured.
        values: one number of each repetition, in `unit`.
        unit: of the values; "times" for a ratio.
        aim: (AT_MOST, AT_LEAST or BELOW, number in `unit`), or None where there is none.
    """

    name: str
    values: tuple[float, ...]
    unit: str
    aim: tuple[str, float] | None = None

    @property
    def median(self) -> float:
        """The median of the repetitions: what is compared with the aim."""
        return statistics.median(self.values)

    @property
    def met(self) -> bool | None:
        """Whether the median keeps the aim; None where there is none."""
        if self.aim is None:
            return None
        relation, limit = self.aim
        if relation == AT_LEAST:
            return self.median >= limit
        return self.median < limit if relation == BELOW else self.median <= limit

    def cells(self) -> tuple[str, str, str, str, str, str]:
        """Return the row of the table: name, median, spread, aim, unit, met or not."""
        spread = "once"
        if len(self.values) > 1:
            spread = f"{number(min(self.values))} to {number(max(self.values))} ({len(self.values)})"
        aim = "" if self.aim is None else f"{self.aim[0]} {number(self.aim[1])}"
        met = {None: "", True: "met", False: "not met"}[self.met]
        return self.name, number(self.median), spread, aim, self.unit, met


HEADINGS = ("Figure", "Measured", "Spread", "Aim", "Unit", "")


def figure(name: str, values: float | Sequence[float], unit: str, aim: tuple[str, float] | None = None) -> Figure:
    """Return a figure of one value or of several repetitions."""
    return Figure(name, tuple(values) if isinstance(values, Sequence) else (values,), unit, aim)


@dataclass
class Group:
    """Figures that belong together, and how they were measured."""

    title: str
    how: str
    figures: list[Figure] = field(default_factory=list)
    failure: str | None = None


def number(value: float) -> str:
    """Return a number with three significant digits, whole from a thousand on, without an exponent."""
    if value == 0:
        return "0"
    if abs(value) >= 1000:
        return f"{value:,.0f}"
    if abs(value) < 1e-6:
        return f"{value:.1e}"
    text = f"{value:.3g}"
    return f"{float(text):.9f}".rstrip("0").rstrip(".") if "e" in text else text


def timed(action: Callable[[], object]) -> float:
    """Return how long an action takes [s]."""
    begun_s = time.perf_counter()
    action()
    return time.perf_counter() - begun_s


def as_table(group: Group) -> list[str]:
    """Return the group as lines of plain text."""
    lines = [group.title]
    rows = [HEADINGS, *(one.cells() for one in group.figures)]
    widths = [max(len(row[column]) for row in rows) for column in range(len(HEADINGS))]
    for row in rows if group.figures else []:
        cells = [
            cell.rjust(width) if column == 1 else cell.ljust(width)
            for column, (cell, width) in enumerate(zip(row, widths, strict=True))
        ]
        lines.append(("  " + "  ".join(cells)).rstrip())
    if group.failure is not None:
        lines.append(f"  not measured: {group.failure}")
    return lines


def as_markdown(group: Group) -> list[str]:
    """Return the group as lines of Markdown."""
    lines = [f"## {group.title}", "", group.how, ""]
    if group.figures:
        lines += [f"| {' | '.join(HEADINGS)} |", "| --- | ---: | --- | --- | --- | --- |"]
        lines += [f"| {' | '.join(one.cells())} |" for one in group.figures]
        lines.append("")
    if group.failure is not None:
        lines += [f"Not measured: {group.failure}", ""]
    return lines


def machine() -> str:
    """Return what the figures were measured on, and how busy it was before, without names or dates."""
    from probeledger.virtual.launcher import find_interpreter

    asked = "import sys; print('.'.join(str(part) for part in sys.implementation.version[:3]))"
    done = subprocess.run([str(find_interpreter()), "-c", asked], capture_output=True, text=True, check=True)
    busy = f", load before the run {os.getloadavg()[0]:.1f}" if hasattr(os, "getloadavg") else ""
    return (
        f"{cores()} cores ({platform.machine()}, {platform.system()}), Python {platform.python_version()}, "
        f"MicroPython {done.stdout.strip()}{busy}"
    )
