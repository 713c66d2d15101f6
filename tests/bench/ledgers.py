"""Ledgers for the benchmarks: records of invented probe tests, and a flash chip's image that holds them.

The bodies are those of the reports' tests, judged by the core; the core's own encoder chains them. The image is written
by the real littlefs on MicroPython through the firmware's own segment and slot code, over a block device in memory.
"""

from __future__ import annotations

import random
import subprocess
from pathlib import Path
from typing import Any

from paths import ROOT, load_module

from probecore import cbor, record
from probecore.curves import curve
from probeledger.virtual.launcher import find_interpreter

LEDGER = b"bench-01"
EPOCH = 1_795_608_000  # 2026-11-25 12:00:00 UTC
FIRMWARE = "0.1.0"
_TESTS_A_BOOT = 6

# Blocks of the flash chip: 4 MB in sectors of 4 kB, as hardware/tester.toml has it.
_MAKE_IMAGE = """
import os, sys, vfs
frames_path, image_path, firmware, ledger = sys.argv[1:5]
sys.path.insert(0, firmware)
from ledger import segments, volume
from ledger.slots import Slots
from ledger.store import LEDGER_FORMAT

BLOCK = 4096
COUNT = 1024

class Blocks:
    def __init__(self):
        self.memory = [None] * COUNT
    def readblocks(self, block, buffer, offset=0):
        kept = self.memory[block]
        buffer[:] = kept[offset:offset + len(buffer)] if kept else b"\\xff" * len(buffer)
        return 0
    def writeblocks(self, block, buffer, offset=0):
        if self.memory[block] is None:
            self.memory[block] = bytearray(b"\\xff" * BLOCK)
        self.memory[block][offset:offset + len(buffer)] = buffer
        return 0
    def ioctl(self, operation, argument):
        if operation == 4:
            return COUNT
        if operation == 5:
            return BLOCK
        if operation == 6:
            self.memory[argument] = None
        return 0

with open(frames_path, "rb") as file:
    frames = file.read()
blocks = Blocks()
volume.format_flash(blocks)
vfs.mount(vfs.VfsLfs2(blocks, mtime=False, **volume.GEOMETRY), "/flash")
folder = "/flash/seg"
os.mkdir(folder)
Slots("/flash/ledger").save({"format": LEDGER_FORMAT, "ledger": bytes(ledger, "ascii")})
at = 0
sequence = 0
path = None
used = 0
while at < len(frames):
    size = (frames[at] | frames[at + 1] << 8) + 6
    sequence += 1
    if path is None or used + size > segments.SEGMENT_BYTES:
        path = segments.path_of(folder, sequence)
        used = 0
    segments.append(path, frames[at:at + size])
    used += size
    at += size
vfs.umount("/flash")
with open(image_path, "wb") as file:
    for kept in blocks.memory:
        file.write(kept or b"\\xff" * BLOCK)
print(sequence)
"""


def make_bodies(number: int, seed: int = 1) -> list[dict[str, Any]]:
    """Return bodies of invented probe tests, all different.

    Args:
        number: how many [1].
        seed: of the drawn temperatures and of the readings' noise.
    """
    builder = load_module(ROOT / "tests" / "reports" / "builder.py")
    drawn = random.Random(seed)
    of = curve("pt1000-3850")
    bodies = []
    for index in range(number):
        room_celsius = drawn.gauss(22.0, 3.0)
        ohms = of.ohms(room_celsius + drawn.gauss(0.0, 0.5))
        body = builder.probe(ohms, ambient_celsius=room_celsius, readings=builder.counts_for(ohms, 6, seed=index))
        body["job"] = index // 2 + 1
        bodies.append(body)
    return bodies


def chain(bodies: list[dict[str, Any]], number: int, tester: str, ledger: bytes = LEDGER) -> list[tuple[int, bytes]]:
    """Return `number` chained records as pairs (sequence, item); the bodies take turns, each with its own job."""
    items = []
    previous = record.GENESIS
    for sequence in range(1, number + 1):
        body = {**bodies[sequence % len(bodies)], "job": sequence // 2 + 1}
        boot = sequence // _TESTS_A_BOOT + 1
        time = EPOCH + 1200 * sequence
        item = record.encode(ledger, sequence, "probe", boot, 61_000, time, tester, FIRMWARE, None, previous, body)
        previous = record.digest(item)
        items.append((sequence, item))
    return items


class Stencil:
    """A record of one body whose head, job and ticket are put in: many times as fast as encoding all of it.

    The core's encoder writes each part; they are joined in its order of keys, which the bench's own check compares.
    """

    def __init__(self, body: dict[str, Any]) -> None:
        """body: of a probe test."""
        self._fixed = {key: cbor.dumps(value) for key, value in body.items() if key not in ("job", "ticket")}
        self._keys = sorted((cbor.dumps(key), key) for key in body)
        probe = {"boot": 2, "ms": 3, "time": 4, "tester": "t", "firmware": "f", "job": 5, "ticket": "k"}
        made = self.item(ledger=LEDGER, sequence=1, previous=record.GENESIS, **probe)
        body = {**body, "job": 5, "ticket": "k"}
        if made != record.encode(LEDGER, 1, "probe", 2, 3, 4, "t", "f", None, record.GENESIS, body):
            raise RuntimeError("the stencil's record is not the encoder's")

    def item(self, *, job: int, ticket: str, **head: Any) -> bytes:
        """Return a record's item; head: as the arguments of `record.encode`."""
        own = {"job": cbor.dumps(job), "ticket": cbor.dumps(ticket)}
        body = b"".join(key + (own.get(name) or self._fixed[name]) for key, name in self._keys)
        size = len(self._keys)
        values = {
            "v": b"\x01",
            "ledger": cbor.dumps(head["ledger"]),
            "seq": cbor.dumps(head["sequence"]),
            "kind": b"\x65probe",
            "boot": cbor.dumps(head["boot"]),
            "ms": cbor.dumps(head["ms"]),
            "time": cbor.dumps(head["time"]),
            "tester": cbor.dumps(head["tester"]),
            "fw": cbor.dumps(head["firmware"]),
            "cal": b"\xf6",
            "prev": b"\x58\x20" + head["previous"],
            "body": (bytes([0xA0 + size]) if size < 24 else bytes([0xB8, size])) + body,
        }
        return b"\xac" + b"".join(key + values[name] for key, name in _HEAD_KEYS)


_HEAD_KEYS = sorted(
    (cbor.dumps(key), key)
    for key in ("v", "ledger", "seq", "kind", "boot", "ms", "time", "tester", "fw", "cal", "prev", "body")
)


def chain_of_bytes(bodies: list[dict[str, Any]], total_bytes: int, tester: str) -> list[tuple[int, bytes]]:
    """Return chained records whose frames take `total_bytes` [bytes] or just over."""
    number = 1
    while True:
        items = chain(bodies, number, tester)
        held = sum(len(item) + record.FRAME_OVERHEAD_BYTES for _, item in items)
        if held >= total_bytes:
            return items
        number = max(number + 1, round(number * total_bytes / held))


def write_image(items: list[tuple[int, bytes]], image: Path, scratch: Path) -> None:
    """Write a flash chip's image that holds a ledger of these records.

    Args:
        items: pairs (sequence, item) from 1 up.
        image: the file to write [4 MB].
        scratch: a folder for what lies between.
    """
    frames = scratch / "frames"
    frames.write_bytes(b"".join(record.frame(item) for _, item in items))
    script = scratch / "make_image.py"
    script.write_text(_MAKE_IMAGE)
    program = find_interpreter()
    command = [program, "-X", "heapsize=32M", script, frames, image, ROOT / "firmware", LEDGER.decode()]
    done = subprocess.run([str(part) for part in command], capture_output=True, text=True, timeout=120)
    if done.returncode or done.stdout.split()[-1:] != [str(len(items))]:
        raise RuntimeError(f"the flash image was not made: {done.stdout}{done.stderr}")
