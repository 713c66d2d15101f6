"""How often stated 95 % intervals hold the truth, over many simulated testers that were calibrated."""

from __future__ import annotations

import json
import subprocess
import sys
import time

from figures import AT_LEAST, AT_MOST, Group, figure
from paths import ROOT

_TESTERS = 2000


def measure() -> list[Group]:
    """Calibrate the testers and let each read ten resistors at five temperatures."""
    command = [sys.executable, str(ROOT / "tests" / "coverage" / "run.py"), "--json", "--testers", str(_TESTERS)]
    begun_s = time.perf_counter()
    done = subprocess.run(command, capture_output=True, text=True)
    took_s = time.perf_counter() - begun_s
    if done.returncode:
        raise RuntimeError(done.stderr.strip()[-300:])
    found = json.loads(done.stdout)
    return [
        Group(
            "Do the intervals hold the truth?",
            f"{_TESTERS} testers drawn from the parts' tolerances, each calibrated and then used within a year at 10 "
            "to 40 °C (docs/uncertainty.md). The cells are the combinations of resistor and temperature.",
            [
                figure(
                    "intervals of 95 % that hold the truth, overall: from",
                    found["overall_percent"],
                    "%",
                    (AT_LEAST, 94.0),
                ),
                figure("the same, to", found["overall_percent"], "%", (AT_MOST, 96.0)),
                figure("the cell with the fewest", found["least_percent"], "%", (AT_LEAST, 93.0)),
                figure("the cell with the most", found["most_percent"], "%", (AT_MOST, 97.0)),
                figure(
                    "error at 1 to 2 kΩ against 0.03 % + 0.05 Ω (k = 2)", found["worst_of_aim"], "times", (AT_MOST, 1.0)
                ),
                figure("time for all", took_s, "s"),
            ],
        )
    ]
