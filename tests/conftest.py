"""What all tests share: the interpreters and tools that they need, and what to do where one is missing."""

import os
import shutil
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[1]


def tool(name: str, advice: str) -> str:
    """Return the path of a program: beside the interpreter, else on the PATH.

    Without it the test is skipped with the reason; in continuous integration (CI=true) it fails.
    """
    beside = Path(sys.executable).parent / name
    found = str(beside) if beside.exists() else shutil.which(name)
    if found:
        return found
    reason = f"{name} is missing: {advice}"
    if os.environ.get("CI") == "true":
        pytest.fail(reason)
    pytest.skip(reason)


@pytest.fixture(scope="session")
def micropython() -> str:
    """Return the path of MicroPython's Unix port."""
    return tool("micropython", "run make setup")


@pytest.fixture(scope="session")
def mpy_cross() -> str:
    """Return the path of the cross compiler."""
    return tool("mpy-cross", "run make setup")


@pytest.fixture(scope="session")
def ngspice() -> str:
    """Return the path of ngspice."""
    return tool("ngspice", "run make test-deps")


@pytest.fixture(scope="session")
def chromium() -> str:
    """Return the path of Chromium."""
    return tool("chromium", "run make test-deps")
