"""The board's internal file system: a folder that holds a copy of the firmware."""

from __future__ import annotations

import hashlib
import json
import os
import shutil
from collections.abc import Iterator
from pathlib import Path

import probecore

__all__ = ["firmware_files", "firmware_hash", "install"]

_STAMP = "firmware.json"


def firmware_files(firmware: Path, core: Path | None = None) -> Iterator[tuple[str, Path]]:
    """Yield (path on the board, file) of every file of the firmware, sorted, probecore from the imported package.

    Args: `firmware` is the folder with main.py; `core` the folder of probecore (default: the imported one's).
    """
    core = Path(probecore.__file__).parent if core is None else core
    found: list[tuple[str, Path]] = []
    for top, prefix in ((firmware, ""), (core, "probecore/")):
        for path in top.rglob("*"):
            inside = path.relative_to(top)
            if path.suffix not in (".py", ".mpy") or "__pycache__" in inside.parts:
                continue
            if not prefix and inside.parts[0] == "probecore":
                continue
            found.append((prefix + inside.as_posix(), path))
    yield from sorted(found)


def firmware_hash(files: list[tuple[str, Path]]) -> str:
    """Return the SHA-256 over names and contents, as hex."""
    digest = hashlib.sha256()
    for name, path in files:
        content = path.read_bytes()
        digest.update(f"{name}\0{len(content)}\0".encode())
        digest.update(content)
    return digest.hexdigest()


def install(firmware: Path, state_folder: Path, *, refresh: bool = True) -> Path:
    """Copy the firmware into the state folder's `internal` where it is missing or differs; return that folder.

    Files that the firmware put there itself stay. With `refresh` off an existing copy is left as it is.
    """
    internal = state_folder / "internal"
    stamp = state_folder / _STAMP
    try:
        before = json.loads(stamp.read_text())
    except (OSError, ValueError):
        before = {}
    if before and not refresh:
        return internal
    files = list(firmware_files(firmware))
    wanted = {"hash": firmware_hash(files), "files": [name for name, _ in files]}
    if before == wanted and all((internal / name).is_file() for name in wanted["files"]):
        return internal
    for name in before.get("files", []):
        # A file that is no longer part of the firmware must not be imported by accident.
        if name not in wanted["files"] and ".." not in Path(name).parts:
            (internal / name).unlink(missing_ok=True)
    for name, path in files:
        target = internal / name
        target.parent.mkdir(parents=True, exist_ok=True)
        shutil.copyfile(path, target)
    internal.mkdir(parents=True, exist_ok=True)
    fresh = stamp.with_suffix(".new")
    fresh.write_text(json.dumps(wanted))
    os.replace(fresh, stamp)
    return internal
