"""What the tests of the link share: a tester in memory, and a port whose other end it is."""

import sys
from pathlib import Path

import pytest

SUPPORT = str(Path(__file__).resolve().parent / "support")
if SUPPORT not in sys.path:
    sys.path.insert(0, SUPPORT)


@pytest.fixture(autouse=True)
def no_other_testers(tmp_path, monkeypatch):
    """Keep virtual testers and archives of this computer out of the tests."""
    monkeypatch.setenv("PROBELEDGER_RUNTIME", str(tmp_path / "runtime"))
    monkeypatch.setenv("PROBELEDGER_ARCHIVE", str(tmp_path / "archive.sqlite"))
