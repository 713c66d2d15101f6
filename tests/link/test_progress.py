"""What is shown while something runs: on a terminal only, on stderr only, whatever is known of the whole."""

import os
import pty
import subprocess
import sys

from pty_tester import PtyTester
from scripted_tester import ScriptedTester, items


def run_on_terminal(*args):
    """Run the command with stderr on a terminal of 80 columns; return (status, stdout, what the terminal got)."""
    master, slave = pty.openpty()
    process = subprocess.Popen(
        [sys.executable, "-m", "probeledger", *args],
        stdout=subprocess.PIPE,
        stderr=slave,
        env={**os.environ, "COLUMNS": "80", "LINES": "24", "TERM": "xterm", "NO_COLOR": "1"},
    )
    os.close(slave)
    out = process.stdout.read()
    seen = b""
    try:
        while piece := os.read(master, 4096):
            seen += piece
    except OSError:
        pass  # the terminal's end on Linux
    os.close(master)
    return process.wait(30), out.decode(), seen.decode()


def test_a_pull_shows_its_progress_on_a_terminal(tmp_path):
    archive = str(tmp_path / "archive.sqlite")
    with PtyTester(ScriptedTester(items(200))) as other:
        status, out, seen = run_on_terminal("pull", other.port, "--archive", archive)
    assert status == 0, seen
    assert "Pulling" in seen
    assert "200 of 200" in seen
    assert "kB/s" in seen
    # NO_COLOR: no colour is set (ECMA-48 SGR 30-37, 90-97 and 38).
    assert not any(f"\x1b[{code}" in seen for code in ("31", "32", "33", "35", "36", "38"))
    assert "200 new records" in out


def test_json_shows_no_progress_even_on_a_terminal(tmp_path):
    archive = str(tmp_path / "archive.sqlite")
    with PtyTester(ScriptedTester(items(50))) as other:
        status, out, seen = run_on_terminal("pull", other.port, "--archive", archive, "--json")
    assert status == 0
    assert "Pulling" not in seen
    assert out.lstrip().startswith("{")
