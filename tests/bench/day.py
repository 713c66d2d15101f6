"""The demonstration: a whole day with a virtual tester."""

from __future__ import annotations

import subprocess
import tempfile

from figures import BELOW, Group, figure, timed
from paths import BIN

_TIMEOUT_S = 300


def measure() -> list[Group]:
    """Time the command `demo`, once."""
    with tempfile.TemporaryDirectory() as folder:
        command = [str(BIN / "probeledger"), "demo", "--keep", f"{folder}/demo"]
        done: list[subprocess.CompletedProcess[str]] = []
        seconds = timed(
            lambda: done.append(subprocess.run(command, capture_output=True, text=True, timeout=_TIMEOUT_S))
        )
    if done[0].returncode:
        last = (done[0].stderr.strip().splitlines() or ["it said nothing"])[-1]
        raise RuntimeError(f"the demo ended with status {done[0].returncode}: {last}")
    return [
        Group(
            "The demonstration",
            "`make demo`: a simulated day at invented ovens on a virtual tester, with the pull, the second judging and "
            "the day sheet; wall time, run once.",
            [figure("make demo", seconds, "s", (BELOW, 60.0))],
        )
    ]
