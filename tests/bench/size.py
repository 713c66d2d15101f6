"""The firmware's size: compiled files, and the heap that is left after the start and during a test."""

from __future__ import annotations

import subprocess
import tempfile
from collections import Counter
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from figures import AT_LEAST, BELOW, Figure, Group, figure
from paths import BIN, ROOT

from probeledger.virtual import scenario
from probeledger.virtual.device import VirtualTester
from probeledger.virtual.launcher import HEAP_BYTES

_FIRMWARE = ROOT / "firmware"
_BOARD_HEAP_BYTES = 230 * 1024
_SAVED_HZ = 2000
_PATIENCE_US = 30_000_000

# Runs the tester's program with a task beside it that looks at the heap 20 times a second.
_WATCHING_MAIN = """
import asyncio, gc, sys
import app

inner = app.main

async def watch():
    known = 0
    while True:
        gc.collect()
        if len(sys.modules) != known:
            known = len(sys.modules)
            print("loaded=" + " ".join(sys.modules))
        print("heap=%d,%d" % (gc.mem_free(), gc.mem_alloc()))
        await asyncio.sleep_ms(50)

async def main(tester):
    task = asyncio.create_task(watch())
    await inner(tester)

app.main = main
app.run()
"""


def compile_firmware(folder: Path) -> dict[str, int]:
    """Compile the firmware into a folder, laid out as on the board; return the size of each file [bytes]."""
    sizes = {}
    for path in sorted(_FIRMWARE.rglob("*.py")):
        name = path.relative_to(_FIRMWARE).with_suffix(".mpy")
        target = folder / name
        target.parent.mkdir(parents=True, exist_ok=True)
        command = [str(BIN / "mpy-cross"), "-march=armv6m", "-s", path.name, "-o", str(target), str(path)]
        done = subprocess.run(command, capture_output=True, text=True)
        if done.returncode:
            raise RuntimeError(f"{name} does not compile: {done.stderr.strip()}")
        sizes[name.as_posix()] = target.stat().st_size
    return sizes


def _sizes(sizes: dict[str, int]) -> list[Figure]:
    packages: Counter[str] = Counter()
    for name, size in sizes.items():
        packages[name.partition("/")[0] + "/" if "/" in name else "beside the packages"] += size
    figures = [figure(f".mpy files, all {len(sizes)}", sum(sizes.values()) / 1000, "kB", (BELOW, 90.0))]
    figures += [figure(f"of it {name}", size / 1000, "kB") for name, size in packages.most_common()]
    return figures


def _put_compiled(internal: Path, compiled: Path) -> None:
    """Let the compiled files take the place of the sources in a tester's internal file system."""
    for source in internal.rglob("*.py"):
        source.unlink()
    for path in compiled.rglob("*.mpy"):
        if path.name != "main.mpy":
            target = internal / path.relative_to(compiled)
            target.parent.mkdir(parents=True, exist_ok=True)
            target.write_bytes(path.read_bytes())
    (internal / "main.py").write_text(_WATCHING_MAIN)


def _heaps(compiled: Path, heap_bytes: int) -> tuple[float, float, set[str]]:
    """Return the heap free after the start, the least during a test [kB], and the modules loaded for it.

    heap_bytes: what the firmware is given.
    """

    def act(tester: VirtualTester) -> Iterator[Any]:
        tester.world.unplug_usb()
        tester.world.clip("sensor")
        tester.world.clip_chassis()
        yield 4.0
        at_home = len(tester.console)
        heard = len(tester.world.beeps)
        begun_us = tester.now_us
        tester.world.press("ok")
        yield lambda: tester.world.beeps[heard:] or tester.now_us - begun_us > _PATIENCE_US
        yield 1.0
        sounds = tester.world.beeps[heard:]
        if not sounds or sounds[0].hz != _SAVED_HZ:
            raise RuntimeError(f"no test in {heap_bytes} bytes of heap: {' '.join(tester.console[-300:].split())}")
        return at_home

    with (
        tempfile.TemporaryDirectory() as folder,
        VirtualTester(Path(folder), scenario=scenario.load("good-sensor"), seed=1, heap_bytes=heap_bytes) as tester,
    ):
        _put_compiled(tester.state.path / "internal", compiled)
        tester.power_on()
        at_home = tester.run(act)
        console = tester.console
        shim_bytes = tester.shim_bytes

    def free(text: str) -> list[float]:
        taken = [line.partition("=")[2].partition(",")[2] for line in text.splitlines() if line.startswith("heap=")]
        return [(heap_bytes - (int(value) - shim_bytes)) / 1000 for value in taken]

    home = free(console[:at_home])
    during = free(console[at_home:])
    if not home or not during:
        raise RuntimeError(f"the tester did not tell its heap: {console[-300:]}")
    loaded = [line.partition("=")[2] for line in console.splitlines() if line.startswith("loaded=")]
    return home[-1], min(during), set(loaded[-1].split())


def measure() -> list[Group]:
    """Compile the firmware and run it from the compiled files."""
    with tempfile.TemporaryDirectory() as folder:
        compiled = Path(folder)
        sizes = compile_firmware(compiled)
        home_kb, least_kb, loaded = _heaps(compiled, HEAP_BYTES)
    # What is loaded only for its time (firmware/aside.py) does not take part in a test.
    code_kb = sum(size for name, size in sizes.items() if name.removesuffix(".mpy").replace("/", ".") in loaded) / 1000
    heap_kb, board_kb = HEAP_BYTES / 1000, _BOARD_HEAP_BYTES / 1000
    # What is bytes takes as much on the board, the rest half: (taken + bytes) / 2.
    on_board_kb = board_kb - (heap_kb - least_kb + code_kb) / 2
    figures = [
        *_sizes(sizes),
        figure("of it loaded during a test", code_kb, "kB"),
        figure(f"heap free at the home page, of {heap_kb:.0f} kB, 64-bit", home_kb, "kB"),
        figure(f"least heap free in a test, of {heap_kb:.0f} kB, 64-bit", least_kb, "kB"),
        figure(f"the same on a board's {board_kb:.0f} kB, estimated", on_board_kb, "kB", (AT_LEAST, 80.0)),
    ]
    return [
        Group(
            "The firmware's size",
            "Every file through `mpy-cross -march=armv6m`; then the virtual tester runs from these files, and a task "
            "beside the program collects garbage and looks at the heap 20 times a second, at the home page and through "
            "a quick test of a good sensor. **The virtual tester's MicroPython is a 64-bit build**: everything made of "
            "machine words takes twice its room on the board, while bytes, bytecode and texts take as much; it "
            "is therefore given twice the board's heap. The board's figure is estimated: as much of what is taken as "
            "the compiled files have counts as bytes, the rest is halved. No board has confirmed it.",
            figures,
        )
    ]
