"""Where the firmware and the circuit's description lie: in the source tree, or in the wheel's bundle."""

from __future__ import annotations

from pathlib import Path

_PACKAGE = Path(__file__).resolve().parent
_BUNDLE = _PACKAGE / "bundle"
_TREE = _PACKAGE.parent.parent


class ResourceError(Exception):
    """Say that a file which belongs to the program is missing."""


def _found(relative: str) -> Path:
    for root in (_TREE, _BUNDLE):
        path = root / relative
        # The source tree's folder of the same name elsewhere on the disk is not ours: ours has this package in it.
        if root == _TREE and not (_TREE / "host" / "probeledger").is_dir():
            continue
        if path.exists():
            return path
    raise ResourceError(f"{relative} is missing from this installation of probeledger; install it again.")


def firmware_folder() -> Path:
    """Return the folder with the tester's firmware (main.py, app.py and its packages).

    From a wheel it holds no probecore: that is a package of its own, the same copy for host and tester.
    Raises ResourceError where the installation is damaged.
    """
    return _found("firmware")


def tester_file() -> Path:
    """Return the path of tester.toml, the description of the tester's circuit.

    Raises ResourceError where the installation is damaged.
    """
    return _found("hardware/tester.toml")
