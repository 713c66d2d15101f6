"""Cut the power at the flash operations of a scripted day, on the real MicroPython, and print cuts and losses.

    .venv/bin/python tests/ledger/powercut.py              every operation (about half a minute)
    .venv/bin/python tests/ledger/powercut.py --cut 140    exactly that one, with the traceback of what it loses
    .venv/bin/python tests/ledger/powercut.py --every 20 --seed 3 --again

The seed decides how far each torn operation came. See tests/ledger/board/cutting.py for what is done and checked.
"""

from __future__ import annotations

import argparse
import os
import shutil
import subprocess
import sys
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
CUTTING = Path(__file__).resolve().parent / "board" / "cutting.py"
CHIP_FOLDER = ROOT / "tests" / "firmware" / "board"
TIMEOUT_S = 1800


@dataclass
class Outcome:
    """What the cuts of a run came to."""

    operations: int = 0
    records: int = 0
    cuts: int = 0
    losses: int = 0
    second_cuts: int = 0
    second_losses: int = 0
    living: int = 0
    unlike: int = 0
    details: list[str] = field(default_factory=list)


def interpreter() -> str:
    """Return the MicroPython to use: the environment's choice, the one beside this Python, the PATH's."""
    beside = Path(sys.executable).with_name("micropython")
    named = os.environ.get("PROBELEDGER_MICROPYTHON")
    found = named or (str(beside) if beside.exists() else shutil.which("micropython"))
    if not found:
        raise SystemExit("MicroPython is missing: run `make setup`.")
    return found


def _part(first: int, last: int, step: int, seed: int, mode: str) -> Outcome:
    command = [interpreter(), "-X", "heapsize=16M", str(CUTTING), str(ROOT / "firmware"), str(CHIP_FOLDER)]
    command += [str(first), str(last), str(step), str(seed), *([mode] if mode else [])]
    done = subprocess.run(command, capture_output=True, text=True, timeout=TIMEOUT_S)
    if done.returncode:
        raise RuntimeError(done.stdout + done.stderr)
    outcome = Outcome()
    for line in done.stdout.splitlines():
        word = line.split()
        if word[:1] == ["operations"]:
            outcome.operations, outcome.records = int(word[1]), int(word[3])
        elif word[:1] == ["cuts"]:
            outcome.cuts, outcome.losses = int(word[1]), int(word[3])
        elif word[:2] == ["second", "cuts"]:
            outcome.second_cuts, outcome.second_losses = int(word[2]), int(word[4])
        elif word[:1] == ["living"]:
            outcome.living, outcome.unlike = int(word[1]), int(word[3])
        else:
            outcome.details.append(line)
    return outcome


def cut(first: int = 1, last: int = 0, every: int = 1, seed: int = 1, mode: str = "", processes: int = 1) -> Outcome:
    """Cut at the operations `first`, `first + every` ... `last` (0: the last of the day), shared out to processes.

    mode: "", "again" for second cuts during the start that follows, "living" to compare with a day cut while it runs.
    Raises RuntimeError with MicroPython's own words where a run breaks off.
    """
    with ThreadPoolExecutor(processes) as pool:
        parts = pool.map(
            lambda number: _part(first + every * number, last, every * processes, seed, mode), range(processes)
        )
        whole = Outcome()
        for part in parts:
            whole.operations, whole.records = part.operations, part.records
            for name in ("cuts", "losses", "second_cuts", "second_losses", "living", "unlike", "details"):
                setattr(whole, name, getattr(whole, name) + getattr(part, name))
    return whole


def main() -> int:
    """Read the command line, cut, and print what came of it. Returns the exit status: 1 where something was lost."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--cut", type=int, metavar="K", help="only this operation, counted from 1")
    parser.add_argument("--every", type=int, default=1, metavar="N", help="each Nth operation")
    parser.add_argument("--seed", type=int, default=1, help="how far the torn operations came")
    parser.add_argument("--again", action="store_true", help="and a second cut at each operation of the next start")
    parser.add_argument("--processes", type=int, default=os.cpu_count() or 1)
    asked = parser.parse_args()
    mode = "again" if asked.again else ""
    if asked.cut is not None:
        outcome = cut(asked.cut, asked.cut, 1, asked.seed, mode)
        if not outcome.cuts:
            parser.error(f"there is no operation {asked.cut}: the day has {outcome.operations}")
    else:
        outcome = cut(every=asked.every, seed=asked.seed, mode=mode, processes=asked.processes)
    for line in outcome.details:
        print(line)
    print(f"operations {outcome.operations}, records {outcome.records}")
    print(f"cuts {outcome.cuts}, losses {outcome.losses}")
    if mode:
        print(f"second cuts {outcome.second_cuts}, losses {outcome.second_losses}")
    return 1 if outcome.losses or outcome.second_losses else 0


if __name__ == "__main__":
    sys.exit(main())
