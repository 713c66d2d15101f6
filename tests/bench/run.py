"""Measure speeds and sizes; print a table and write docs/benchmarks.md.

Run as `make bench`. With names of groups, only those are measured, and the page is left alone.
"""

from __future__ import annotations

import importlib
import re
import sys
import time

from figures import Group, as_markdown, as_table, machine
from paths import ROOT

# Each is a module with `measure() -> list[Group]`. What is measured on the wall clock runs alone.
MODULES = ("starting", "conversion", "answers", "ingest", "scale", "transfer", "bridge", "day", "size", "covering")

# A failure's text goes onto the page, which names no place of this machine.
_PATH = re.compile(r"(?<![\w.])/[^\s:;,'\"]+")

_PAGE = ROOT / "docs" / "benchmarks.md"
_HEAD = """\
# Speeds and sizes

Written by `make bench`; every figure below is from one run of it. "Measured" is the median of the repetitions, "spread"
their smallest and largest value and, in brackets, how many they were. An aim that is not met is left standing. Times
on the wall clock suffer from whatever else the machine does; ratios suffer less, as their two sides take turns, and
simulated times do not.

Nothing was measured on a built tester: what a tester does is simulated, its firmware is real.

"""


def measure_all(names: tuple[str, ...]) -> list[Group]:
    """Measure the groups of these modules; one that fails says so and keeps no other from being measured."""
    groups: list[Group] = []
    for name in names:
        begun_s = time.perf_counter()
        try:
            found = importlib.import_module(name).measure()
        except Exception as error:
            text = _PATH.sub("(path)", " ".join(str(error).split()))[:300]
            found = [Group(name.capitalize(), "", failure=f"{type(error).__name__}: {text}")]
        for group in found:
            print("\n".join(as_table(group)), flush=True)
        print(f"  ({name}: {time.perf_counter() - begun_s:.0f} s)\n", flush=True)
        groups += found
    return groups


def main(arguments: list[str]) -> int:
    """Measure what was asked for; return the exit status, 1 where something could not be measured."""
    unknown = [name for name in arguments if name not in MODULES]
    if unknown:
        print(f"There is no group {unknown[0]!r}. There are: {', '.join(MODULES)}.", file=sys.stderr)
        return 2
    measured_on = machine()
    print(f"Measured on {measured_on}.\n", flush=True)
    groups = measure_all(tuple(arguments) or MODULES)
    aims = [one.met for group in groups for one in group.figures if one.met is not None]
    print(f"{sum(aims)} of {len(aims)} aims met.")
    if not arguments:
        lines = [f"Measured on {measured_on}.", ""]
        for group in groups:
            lines += as_markdown(group)
        _PAGE.write_text(_HEAD + "\n".join(lines).rstrip() + "\n", encoding="utf-8")
        print(f"Written: {_PAGE.relative_to(ROOT)}")
    return 1 if any(group.failure is not None for group in groups) else 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
