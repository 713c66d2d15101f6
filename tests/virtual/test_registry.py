"""The list of running virtual testers."""

import json
import os
import subprocess
import sys

import platformdirs

from probeledger.virtual import registry


def entry(tmp_path, **changes):
    values = {
        "id": "0123",
        "port": "/somewhere/port",
        "pid": os.getpid(),
        "started": 1_795_593_600,
        "state": str(tmp_path),
    }
    return registry.Running(**{**values, **changes})


def test_what_is_registered_is_found_until_forgotten(tmp_path):
    first, second = entry(tmp_path / "a", started=20), entry(tmp_path / "b", started=10)
    path = registry.register(first)
    registry.register(second)
    assert registry.running() == [second, first]
    registry.forget(path)
    assert registry.running() == [second]


def test_files_of_ended_processes_and_damaged_ones_go(tmp_path):
    ended = subprocess.run([sys.executable, "-c", "import os; print(os.getpid())"], capture_output=True, text=True)
    stale = registry.register(entry(tmp_path, pid=int(ended.stdout)))
    stale.with_suffix(".port").symlink_to("/dev/null")
    folder = registry.runtime_folder()
    damaged = {
        "virtual-damaged.json": "{",
        "virtual-other.json": '["a list"]',
        "virtual-keys.json": json.dumps({"id": "1", "more": 2}),
        "virtual-pid.json": json.dumps({"id": "1", "port": "p", "pid": "-1", "started": 0, "state": "s"}),
    }
    for name, text in damaged.items():
        (folder / name).write_text(text)
    assert registry.running() == []
    assert list(folder.iterdir()) == []


def test_a_listed_tester_is_found_while_it_runs(make_tester):
    tester = make_tester("pass", listed=True)
    tester.power_on()
    (found,) = registry.running()
    assert (found.port, found.pid, found.plugged) == (tester.port, os.getpid(), False)
    tester.plug_usb()
    (found,) = registry.running()
    assert found.plugged
    assert os.path.exists(found.port)
    tester.close()
    assert registry.running() == []


def test_one_that_is_not_listed_is_not(make_tester):
    make_tester("pass").power_on()
    assert registry.running() == []


def test_without_a_runtime_folder_the_state_folder_serves(tmp_path, monkeypatch):
    monkeypatch.delenv("PROBELEDGER_RUNTIME")
    blocked = tmp_path / "file"
    blocked.write_text("")
    monkeypatch.setattr(platformdirs, "user_runtime_dir", lambda *args, **kwargs: str(blocked / "run"))
    monkeypatch.setattr(platformdirs, "user_state_dir", lambda *args, **kwargs: str(tmp_path / "state"))
    assert registry.runtime_folder() == tmp_path / "state" / "running"
