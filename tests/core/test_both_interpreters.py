"""The core's tests on both interpreters: each module in shared/ runs here, and again on MicroPython.

They use nothing but `assert`, so that MicroPython, which has no pytest, can run the very same functions.
"""

import importlib.util
import subprocess
from pathlib import Path

import pytest

HERE = Path(__file__).parent
SHARED = sorted((HERE / "shared").glob("check_*.py"))
FIRMWARE = HERE.parents[1] / "firmware"


def functions(path):
    spec = importlib.util.spec_from_file_location(path.stem, path)
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return [(name, getattr(module, name)) for name in vars(module) if name.startswith("test_")]


CASES = [pytest.param(function, id=f"{path.stem}.{name}") for path in SHARED for name, function in functions(path)]


@pytest.mark.parametrize("check", CASES)
def test_on_cpython(check):
    check()


@pytest.mark.parametrize("path", SHARED, ids=lambda path: path.stem)
def test_on_micropython(path, micropython):
    result = subprocess.run(
        [micropython, "-X", "heapsize=460k", str(HERE / "run_on_micropython.py"), str(FIRMWARE), str(path)],
        capture_output=True,
        text=True,
        timeout=120,
    )
    assert result.returncode == 0, result.stdout + result.stderr
    expected = [name for name, _ in functions(path)]
    assert sorted(result.stdout.split()) == sorted(expected)
