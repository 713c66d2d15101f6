"""The generator's modules, and ngspice run on a generated deck."""

import subprocess
import sys
from pathlib import Path

import pytest

HARDWARE = Path(__file__).resolve().parents[2] / "hardware"
sys.path.insert(0, str(HARDWARE))


@pytest.fixture(scope="session")
def description():
    """The circuit's description as the generator reads it."""
    import generate

    return generate.load()


@pytest.fixture(scope="session")
def run_deck(ngspice):
    """Run a deck of hardware/spice and return what it printed."""

    def run(name: str) -> str:
        result = subprocess.run(
            [ngspice, "-b", name], cwd=HARDWARE / "spice", capture_output=True, text=True, timeout=120
        )
        output = result.stdout + result.stderr
        assert "Error" not in output and "singular" not in output, output[:2000]
        return output

    return run
