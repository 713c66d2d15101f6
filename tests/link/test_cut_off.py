"""A pull whose process is killed: what was stored is whole, and the next pull completes it."""

import json
import os
import subprocess
import sys

import pytest
from pty_tester import PtyTester
from scripted_tester import ScriptedTester, items

from probeledger.archive import open_archive


def pull(port, archive):
    return subprocess.Popen(
        [sys.executable, "-m", "probeledger", "pull", port, "--archive", str(archive), "--json"],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        env={**os.environ, "PYTHONWARNINGS": "default"},
    )


@pytest.mark.parametrize("requests", [4, 6])
def test_a_killed_pull_leaves_whole_records_and_the_next_one_completes(tmp_path, requests):
    sent = items(300)
    tester = ScriptedTester(sent)
    archive = tmp_path / "archive.sqlite"
    with PtyTester(tester, freeze_after_requests=requests) as other:
        process = pull(other.port, archive)
        assert other.frozen.wait(30)
        process.kill()
        process.communicate()
    with open_archive(archive, create=True) as kept:
        stored = [one.item for one in kept.search()]
    assert stored == sent[: len(stored)]
    assert len(stored) < 300
    # The sixth request goes out after the first batch was stored.
    assert stored or requests == 4
    assert tester.confirmed == 0
    with PtyTester(tester) as other:
        process = pull(other.port, archive)
        out, err = process.communicate(timeout=60)
    assert process.returncode == 0, err
    assert json.loads(out)["verified"] is True
    with open_archive(archive) as kept:
        assert [one.item for one in kept.search()] == sent
    assert tester.confirmed == 300


def test_a_tester_unplugged_in_the_middle_is_named(tmp_path):
    with PtyTester(ScriptedTester(items(300)), vanish_after_requests=4) as other:
        process = pull(other.port, tmp_path / "archive.sqlite")
        out, err = process.communicate(timeout=60)
    assert (process.returncode, out) == (1, "")
    assert err.startswith(f"Error: {other.port} went away while it was in use.")
    assert err.count("\n") == 1
