"""Run modules of checks on the real MicroPython and hand their results to pytest.

A test module names its module of checks as CHECKS; its one test takes `check` and `on_micropython`.
"""

import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
BOARD = Path(__file__).resolve().parent / "board"


def _interpreter() -> str:
    """Return the MicroPython to use: the environment's choice, the one beside this Python, the PATH's."""
    beside = Path(sys.executable).with_name("micropython")
    named = os.environ.get("PROBELEDGER_MICROPYTHON")
    found = named or (str(beside) if beside.exists() else shutil.which("micropython"))
    assert found, "MicroPython is missing: run `make setup`."
    return found


def _checks(module: str) -> list[str]:
    """List the checks of a module without running it."""
    text = (BOARD / f"{module}.py").read_text()
    return [line[4 : line.index("(")] for line in text.splitlines() if line.startswith("def check_")]


def pytest_generate_tests(metafunc: pytest.Metafunc) -> None:
    """Make one test of each check."""
    if "check" in metafunc.fixturenames:
        module = metafunc.module.CHECKS
        metafunc.parametrize("check", [(module, name) for name in _checks(module)], ids=lambda pair: pair[1])


@pytest.fixture
def on_micropython():
    """Return a function that runs one check and fails with MicroPython's own traceback.

    The heap is larger than the Pico's, as the doubles of the chips live in it too.
    """

    def run(check: tuple[str, str], heap: str = "4M", settings: tuple[str, ...] = ()) -> str:
        module, name = check
        command = [_interpreter(), "-X", f"heapsize={heap}", str(BOARD / "run.py"), str(ROOT / "firmware")]
        done = subprocess.run(
            [*command, module, name, *settings],
            capture_output=True,
            text=True,
            timeout=240,
        )
        assert done.returncode == 0 and f"ok {name}" in done.stdout.splitlines(), done.stdout + done.stderr
        return done.stdout

    return run
