"""The virtual testers that run now, one small file each in the user's runtime folder."""

from __future__ import annotations

import hashlib
import json
import os
import tempfile
from dataclasses import asdict, dataclass
from pathlib import Path

import platformdirs

__all__ = ["Running", "forget", "link_path", "register", "running", "runtime_folder"]

ENVIRONMENT = "PROBELEDGER_RUNTIME"


@dataclass(frozen=True)
class Running:
    """Describe a running virtual tester: its id, what to open, its process, its start [s since 1970] and folder."""

    id: str
    port: str
    pid: int
    started: int
    state: str
    scenario: str | None = None
    plugged: bool = True


def runtime_folder() -> Path:
    """Return the folder of the running testers, made where it is missing.

    It is PROBELEDGER_RUNTIME, else the user's runtime folder, else the user's state folder, else one under /tmp of
    this user alone.
    """
    named = os.environ.get(ENVIRONMENT)
    choices = (
        [Path(named)]
        if named
        else [
            Path(platformdirs.user_runtime_dir("probeledger", appauthor=False)),
            Path(platformdirs.user_state_dir("probeledger", appauthor=False)) / "running",
            Path(tempfile.gettempdir()) / f"probeledger-{os.getuid() if hasattr(os, 'getuid') else 'user'}",
        ]
    )
    failure: OSError | None = None
    for folder in choices:
        try:
            folder.mkdir(parents=True, exist_ok=True, mode=0o700)
            if os.access(folder, os.W_OK | os.X_OK) and _is_ours(folder):
                return folder
        except OSError as error:
            failure = error
    raise failure or PermissionError(f"{choices[-1]} cannot be written to")


def _is_ours(folder: Path) -> bool:
    # A folder under /tmp could have been put there by another user.
    return not hasattr(os, "getuid") or folder.stat().st_uid == os.getuid()


def _name(state_folder: Path) -> str:
    return "virtual-" + hashlib.sha256(str(state_folder.resolve()).encode()).hexdigest()[:10]


def link_path(state_folder: Path) -> Path:
    """Return the path of the port of the tester that lives in this state folder."""
    return runtime_folder() / (_name(state_folder) + ".port")


def register(entry: Running) -> Path:
    """Write the file of a running tester, in one step; return its path."""
    path = runtime_folder() / (_name(Path(entry.state)) + ".json")
    fresh = path.with_suffix(f".{os.getpid()}.new")
    fresh.write_text(json.dumps(asdict(entry)))
    os.replace(fresh, path)
    return path


def forget(path: Path) -> None:
    """Take a tester's file away."""
    path.unlink(missing_ok=True)


def _alive(pid: int) -> bool:
    try:
        os.kill(pid, 0)
    except ProcessLookupError:
        return False
    except PermissionError:
        return True
    return True


def running() -> list[Running]:
    """Return the testers that run, oldest first. Files whose process has ended, or that are damaged, go."""
    found = []
    for path in runtime_folder().glob("virtual-*.json"):
        try:
            values = json.loads(path.read_text())
            entry = Running(**values)
            alive = isinstance(entry.pid, int) and entry.pid > 0 and _alive(entry.pid)
        except (OSError, ValueError, TypeError):
            alive = False
        if alive:
            found.append(entry)
        else:
            path.unlink(missing_ok=True)
            path.with_suffix(".port").unlink(missing_ok=True)
    return sorted(found, key=lambda entry: (entry.started, entry.id))
