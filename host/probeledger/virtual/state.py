"""The folder in which a virtual tester keeps what a real one keeps without power.

internal/       the internal file system: the firmware and what it stores there
firmware.json   which firmware was copied there
flash.img       the flash chip's bytes
clock.json      the battery clock
tester.json     the microcontroller's unique number
lock            held while the tester runs
"""

from __future__ import annotations

import errno
import fcntl
import json
import os
from pathlib import Path

from probeledger.errors import InputError

__all__ = ["StateFolder"]


class StateFolder:
    """A virtual tester's folder, held by one process at a time.

    Args: `path` is the folder, made where it is missing. Raises InputError where it cannot be made or is in use.
    """

    def __init__(self, path: Path) -> None:
        self.path = Path(path).resolve()
        try:
            self.path.mkdir(parents=True, exist_ok=True)
            self._lock = os.open(self.path / "lock", os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o600)
        except OSError as error:
            raise InputError(
                f"{self.path} cannot hold a virtual tester's state ({error.strerror}); choose another folder."
            ) from error
        try:
            fcntl.flock(self._lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError as error:
            os.close(self._lock)
            if error.errno not in (errno.EWOULDBLOCK, errno.EACCES):
                raise
            raise InputError(
                f"The virtual tester in {self.path} is running already; stop it first or choose another folder "
                "with --state."
            ) from error

    @property
    def flash_image(self) -> Path:
        """Return the file of the flash chip."""
        return self.path / "flash.img"

    @property
    def clock_file(self) -> Path:
        """Return the file of the battery clock."""
        return self.path / "clock.json"

    def unique_id(self, wanted: bytes | None = None) -> bytes:
        """Return the microcontroller's eight bytes, drawn (or taken from `wanted`) the first time."""
        file = self.path / "tester.json"
        try:
            kept = bytes.fromhex(json.loads(file.read_text())["unique_id"])
            if len(kept) == 8 and wanted in (None, kept):
                return kept
        except (OSError, ValueError, KeyError, TypeError):
            pass
        drawn = wanted if wanted is not None else os.urandom(8)
        if len(drawn) != 8:
            raise InputError(f"A microcontroller's unique number has 8 bytes, not {len(drawn)}.")
        fresh = file.with_suffix(".new")
        fresh.write_text(json.dumps({"unique_id": drawn.hex()}))
        os.replace(fresh, file)
        return drawn

    def close(self) -> None:
        """Let another process have the folder."""
        os.close(self._lock)
