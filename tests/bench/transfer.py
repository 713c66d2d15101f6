"""The link: the ledger's way to the shop, against copying the same files with MicroPython's own tool."""

from __future__ import annotations

import json
import os
import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from figures import AT_LEAST, BELOW, Figure, Group, figure, timed
from ledgers import LEDGER, chain_of_bytes, make_bodies, write_image
from paths import BIN

from probecore import record
from probeledger.archive import open_archive
from probeledger.link import open_session
from probeledger.pulling import pull_ledger
from probeledger.virtual.device import VirtualTester

_LEDGER_BYTES = 1_000_000
_UNIQUE_ID = bytes.fromhex("e6614103e73f9a1c")
_TESTER = "pl-3f9a1c"
_PULLS = 3
_NEW = 30
_SHORT_PULLS = 5
# The copy takes a minute: it is made in so many parts, which give its spread.
_PARTS = 3
_TIMEOUT_S = 300

Items = list[tuple[int, bytes]]


def _run(command: list[str]) -> str:
    done = subprocess.run(
        command, capture_output=True, text=True, timeout=_TIMEOUT_S, env={**os.environ, "NO_COLOR": "1"}
    )
    if done.returncode:
        raise RuntimeError(f"{Path(command[0]).name} failed: {done.stdout[-300:]}{done.stderr[-300:]}")
    return done.stdout


def _mpremote(port: str, *command: str) -> str:
    # `resume`: no restart, so that the ledger's flash stays mounted as the tester's program mounted it.
    return _run([sys.executable, "-m", "mpremote", "connect", port, "resume", *command])


def _pulled_s(port: str, archive: Path, items: Items) -> float:
    """Return how long the command `pull` takes, from its start to its end [s]."""
    command = [str(BIN / "probeledger"), "pull", port, "--archive", str(archive), "--json"]
    told: list[str] = []
    seconds = timed(lambda: told.append(_run(command)))
    answer = json.loads(told[0])
    if not answer["verified"] or not answer["confirmed"] or answer["new_records"] < len(items):
        raise RuntimeError(f"the pull is not whole: {told[0]}")
    return seconds


def _copied_s(port: str, folder: Path, items: Items) -> tuple[list[float], int]:
    """Copy the ledger's segment files with mpremote.

    Returns:
        how long each part took, without mpremote's own start, for each megabyte [s]; and the bytes copied.
    """
    _mpremote(port, "exec", "pass")
    start_s = statistics.median(timed(lambda: _mpremote(port, "exec", "pass")) for _ in range(3))
    names = sorted(
        line.split()[-1] for line in _mpremote(port, "fs", "ls", ":/ledger/seg").splitlines() if ".seg" in line
    )
    size = -(-len(names) // _PARTS)
    seconds = []
    held = b""
    for first in range(0, len(names), size):
        part = names[first : first + size]
        sources = [f":/ledger/seg/{name}" for name in part]
        taken_s = timed(lambda sources=sources: _mpremote(port, "fs", "cp", *sources, f"{folder}/"))
        copied = b"".join((folder / name).read_bytes() for name in part)
        seconds.append((taken_s - start_s) / len(copied) * 1e6)
        held += copied
    frames = b"".join(record.frame(item) for _, item in items)
    # Behind the ledger that was laid in stands the record of the tester's start.
    if not held.startswith(frames):
        raise RuntimeError("the copied files are not the ledger")
    return seconds, len(held)


def _short_pulls_s(port: str, folder: Path, items: Items) -> list[float]:
    """Return how long the last records take, from the greeted tester to the confirmation [s]."""
    seconds = []
    with open_session(port) as session:
        last = session.hello.last
        for number in range(_SHORT_PULLS):
            with open_archive(folder / f"short{number}.sqlite", create=True) as archive:
                archive.add(items[: last - _NEW], _TESTER, LEDGER)
                begun_s = time.perf_counter()
                result = pull_ledger(session, archive)
                seconds.append(time.perf_counter() - begun_s)
            if not result.verified or result.new_records != _NEW:
                raise RuntimeError(f"the short pull is not whole: {result}")
    return seconds


def measure() -> list[Group]:
    """Measure the link on a virtual tester whose flash holds a ledger of 1 MB."""
    items = chain_of_bytes(make_bodies(60), _LEDGER_BYTES, _TESTER)
    item_bytes = sum(len(item) for _, item in items)
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        state = folder / "state"
        state.mkdir()
        write_image(items, state / "flash.img", folder)
        with VirtualTester(state, seed=3, unique_id=_UNIQUE_ID) as tester:
            tester.plug_usb()
            tester.power_on()
            with open_session(tester.port, tries=15) as session:
                if session.hello.store != "flash" or session.hello.last <= len(items):
                    raise RuntimeError(f"the tester does not have its ledger: {session.hello}")
            pulls = [_pulled_s(tester.port, folder / f"{number}.sqlite", items) for number in range(_PULLS)]
            short = _short_pulls_s(tester.port, folder, items)
            copies, copied_bytes = _copied_s(tester.port, folder, items)
    per_megabyte = [seconds / item_bytes * 1e6 for seconds in pulls]
    usual = statistics.median(per_megabyte)
    found: list[Figure] = [
        figure("probeledger pull, 1 MB", per_megabyte, "s/MB"),
        figure("mpremote fs cp, 1 MB", copies, "s/MB"),
        figure("the copy's time against the pull's", [copy / usual for copy in copies], "times", (AT_LEAST, 3.0)),
        figure(f"pull of {_NEW} new records, after connecting", short, "s", (BELOW, 1.0)),
    ]
    return [
        Group(
            "The link",
            f"A virtual tester's flash holds {len(items)} records ({copied_bytes / 1e6:.2f} MB of segment files). The "
            "pull is the whole command: start, greeting, transfer, checks, the archive on disk, confirmation. The copy "
            "takes the same files from the same flash over the same port with mpremote, whose start is taken off. The "
            "virtual port has the delays of two processes that take turns, which a protocol of many small questions "
            "feels more than one that streams; on a board's USB the two will lie closer together.",
            found,
        )
    ]
