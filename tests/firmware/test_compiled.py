"""The firmware compiled for the board: every file by mpy-cross, and the core loaded from .mpy on MicroPython."""

import subprocess
from pathlib import Path

import pytest

FIRMWARE = Path(__file__).resolve().parents[2] / "firmware"
FILES = sorted(FIRMWARE.rglob("*.py"))
SHARED = FIRMWARE.parent / "tests" / "core" / "shared"
RUNNER = SHARED.parent / "run_on_micropython.py"


@pytest.fixture(scope="module")
def compiled(mpy_cross, tmp_path_factory):
    """Compile every file of the firmware for the RP2040. Returns the folder, laid out as on the board."""
    folder = tmp_path_factory.mktemp("mpy")
    for path in FILES:
        target = folder / path.relative_to(FIRMWARE).with_suffix(".mpy")
        target.parent.mkdir(parents=True, exist_ok=True)
        result = subprocess.run(
            [mpy_cross, "-march=armv6m", "-s", path.name, "-o", str(target), str(path)], capture_output=True, text=True
        )
        assert result.returncode == 0, f"{path.name}: {result.stderr}"
    return folder


def test_every_file_compiles(compiled):
    assert len(list(compiled.rglob("*.mpy"))) == len(FILES) > 10


@pytest.mark.parametrize("path", sorted(SHARED.glob("check_*.py")), ids=lambda path: path.stem)
def test_the_core_runs_from_compiled_files(compiled, micropython, path):
    result = subprocess.run(
        [micropython, "-X", "heapsize=460k", str(RUNNER), str(compiled), str(path)], capture_output=True, text=True
    )
    assert result.returncode == 0, result.stdout + result.stderr
    assert result.stdout.count("test_") > 3
