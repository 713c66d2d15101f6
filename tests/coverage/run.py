"""Run the whole coverage simulation and print a table per cell: `python tests/coverage/run.py`."""

from __future__ import annotations

import argparse
import json
import os
import sys
import time
from collections.abc import Iterable, Sequence
from concurrent.futures import ProcessPoolExecutor
from multiprocessing import get_context
from pathlib import Path

# One thread a process: the matrices are small, and the processes share the cores.
for _name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(_name, "1")
sys.path.insert(0, str(Path(__file__).parent))

import numpy as np  # noqa: E402
import simulate  # noqa: E402

TESTERS = 2000
_PART = 25
# What a cell and the whole have to keep.
CELL_LOW, CELL_HIGH = 0.93, 0.97
OVERALL_LOW, OVERALL_HIGH = 0.94, 0.96
# The aim between 1000 and 2000 ohm: 0.03 % + 0.05 ohm at k = 2.
AIM_SHARE, AIM_OHMS = 3e-4, 0.05
AIM_VALUES_OHMS = tuple(ohms for ohms in simulate.LOW_OHMS if 1000.0 <= ohms <= 2000.0)


def whole(testers: int = TESTERS, jobs: int = 2, first_seed: int = 0) -> simulate.Results:
    """Simulate many testers in several processes.

    Args:
        testers: how many [1].
        jobs: processes [1].
        first_seed: of the first tester; the others follow.
    """
    seeds = range(first_seed, first_seed + testers)
    parts = [seeds[at : at + _PART] for at in range(0, testers, _PART)]
    with ProcessPoolExecutor(jobs, mp_context=get_context("spawn")) as pool:
        return simulate.joined(list(pool.map(simulate.simulate, parts)))


def faults(found: simulate.Results) -> list[str]:
    """Return a sentence for each criterion that is not kept."""
    said = []
    for name, values in simulate.VALUES_OHMS.items():
        shares = found.covered(name).mean(axis=0)
        for at, celsius in enumerate(simulate.USE_CELSIUS):
            for column, ohms in enumerate(values):
                if not CELL_LOW <= shares[at, column] <= CELL_HIGH:
                    said.append(f"{100 * shares[at, column]:.1f} % at {ohms:g} ohm and {celsius:g} degrees C")
    if not OVERALL_LOW <= found.overall <= OVERALL_HIGH:
        said.append(f"{100 * found.overall:.2f} % overall")
    for ohms, celsius, error, stated, allowed in aim(found):
        if max(error, stated) > allowed:
            said.append(f"{max(error, stated):.3f} ohm at {ohms:g} ohm and {celsius:g} degrees C, aim {allowed:g}")
    return said


def aim(found: simulate.Results) -> list[tuple[float, float, float, float, float]]:
    """Return for each cell of the aim: ohms, degrees C, 95 % of the errors, mean stated interval, allowed [ohm]."""
    rows = []
    for ohms in AIM_VALUES_OHMS:
        column = simulate.LOW_OHMS.index(ohms)
        for at, celsius in enumerate(simulate.USE_CELSIUS):
            error = float(np.quantile(np.abs(found.error["low"][:, at, column]), 0.95))
            stated = float(np.mean(found.half_width["low"][:, at, column]))
            rows.append((ohms, celsius, error, stated, AIM_SHARE * ohms + AIM_OHMS))
    return rows


def table(name: str, heading: str, cells: Sequence[Sequence[str]]) -> list[str]:
    """Return one table of a range as lines: a row a temperature, a column a value."""
    lines = [heading, "  degC" + "".join(f"{ohms:>14g}" for ohms in simulate.VALUES_OHMS[name])]
    for celsius, row in zip(simulate.USE_CELSIUS, cells, strict=True):
        lines.append(f"{celsius:6g}" + "".join(f"{cell:>14}" for cell in row))
    return [*lines, ""]


def report(found: simulate.Results) -> list[str]:
    """Return the whole result as lines of text."""
    lines = []
    for name, values in simulate.VALUES_OHMS.items():
        covered = 100 * found.covered(name).mean(axis=0)
        lines += table(
            name,
            f"{name} range, ohm: share of stated 95 % intervals that hold the truth [%]",
            [[f"{share:.1f}" for share in row] for row in covered],
        )
        scale = 1e6 / np.array(values)
        errors = np.quantile(np.abs(found.error[name]), 0.95, axis=0) * scale
        stated = found.half_width[name].mean(axis=0) * scale
        lines += table(
            name,
            f"{name} range, ohm: 95 % of the errors / mean stated interval [ppm]",
            [
                [f"{error:.0f} / {half_width:.0f}" for error, half_width in zip(*rows, strict=True)]
                for rows in zip(errors, stated, strict=True)
            ],
        )
    worst = max(aim(found), key=lambda row: max(row[2], row[3]) / row[4])
    lines.append(
        f"Worst against the aim of 0.03 % + 0.05 ohm (k = 2) from 1000 to 2000 ohm: {worst[0]:g} ohm at {worst[1]:g}"
        f" degC, 95 % of the errors within {worst[2]:.3f} ohm, stated {worst[3]:.3f} ohm, aim {worst[4]:.3f} ohm"
    )
    shares = np.concatenate([found.covered(name).mean(axis=0).ravel() for name in simulate.VALUES_OHMS])
    lines.append(
        f"Overall {100 * found.overall:.2f} % of {sum(found.u[name].size for name in found.u)} intervals;"
        f" cells from {100 * shares.min():.1f} to {100 * shares.max():.1f} %"
    )
    return lines


def figures(found: simulate.Results) -> dict[str, float]:
    """Return the shares [%] of covered cases, and the worst error as a part of the aim."""
    shares = np.concatenate([found.covered(name).mean(axis=0).ravel() for name in simulate.VALUES_OHMS])
    return {
        "overall_percent": 100 * found.overall,
        "least_percent": 100 * float(shares.min()),
        "most_percent": 100 * float(shares.max()),
        "worst_of_aim": max(max(error, stated) / allowed for _, _, error, stated, allowed in aim(found)),
    }


def main(arguments: Iterable[str] | None = None) -> int:
    """Run from the command line; returns 1 where a criterion is not kept."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--testers", type=int, default=TESTERS, help="how many")
    parser.add_argument("--jobs", type=int, default=os.cpu_count() or 1, help="processes")
    parser.add_argument("--first-seed", type=int, default=0, help="of the first tester")
    parser.add_argument("--json", action="store_true", help="the figures alone, as one JSON object")
    chosen = parser.parse_args(None if arguments is None else list(arguments))
    begun = time.monotonic()
    found = whole(chosen.testers, chosen.jobs, chosen.first_seed)
    if chosen.json:
        print(json.dumps(figures(found)))
        return 0
    print("\n".join(report(found)))
    print(f"{chosen.testers} testers in {time.monotonic() - begun:.0f} s")
    said = faults(found)
    for each in said:
        print(f"outside: {each}")
    return 1 if said else 0


if __name__ == "__main__":
    raise SystemExit(main())
