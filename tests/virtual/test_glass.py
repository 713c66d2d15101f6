"""Reading the virtual display: the firmware's own pages, drawn into a frame buffer, are read word for word."""

import importlib
import sys
from collections.abc import Iterator
from typing import Any

import pytest

from probeledger.resources import firmware_folder
from probeledger.virtual.glass import Reader, shows


class Frame:
    """A frame buffer with the controller's layout: bit 0 of each byte on top."""

    width, height = 128, 64

    def __init__(self) -> None:
        self.ram = bytearray(1024)

    def fill(self, color: int) -> None:
        self.ram[:] = bytes([255 * color]) * 1024

    def fill_rect(self, x: int, y: int, width: int, height: int, color: int) -> None:
        for column in range(max(x, 0), min(x + width, 128)):
            for row in range(max(y, 0), min(y + height, 64)):
                place, bit = row // 8 * 128 + column, 1 << row % 8
                self.ram[place] = self.ram[place] | bit if color else self.ram[place] & ~bit

    def rect(self, x: int, y: int, width: int, height: int, color: int) -> None:
        for edge in ((x, y, width, 1), (x, y + height - 1, width, 1), (x, y, 1, height), (x + width - 1, y, 1, height)):
            self.fill_rect(*edge, color)

    def show(self) -> None:
        pass


@pytest.fixture()
def canvas() -> Iterator[Any]:
    path = str(firmware_folder())
    sys.path.insert(0, path)
    try:
        yield importlib.import_module("screen.canvas").Canvas(Frame())
    finally:
        sys.path.remove(path)
        for name in [name for name in sys.modules if name == "screen" or name.startswith("screen.")]:
            del sys.modules[name]


@pytest.mark.parametrize("scale", [1, 2, 3])
@pytest.mark.parametrize("inverse", [False, True])
@pytest.mark.parametrize("text", ["PASS", "FAIL", "ready", "Bend leads", "1097.3"])
def test_texts_in_every_size(canvas: Any, text: str, scale: int, inverse: bool) -> None:
    if canvas.text_width(text, scale) > 120:
        pytest.skip("too wide for the display")
    canvas.clear(int(inverse))
    canvas.text(text, 4, 20, scale, int(not inverse))
    screen = bytes(canvas._display.ram)
    assert shows(screen, text)
    for other in ("PASS", "FAIL", "STOP", "UNDECIDED", "ready"):
        assert shows(screen, other) == (other == text)


def test_a_part_of_a_word_is_no_word(canvas: Any) -> None:
    canvas.clear()
    canvas.text("PASSED", 0, 0, 2)
    assert not shows(bytes(canvas._display.ram), "PASS")


def test_the_picture_is_read_again_when_it_changes(canvas: Any) -> None:
    reader = Reader(lambda: bytes(canvas._display.ram))
    canvas.clear()
    assert reader.first_of(("PASS", "FAIL")) is None
    canvas.text("FAIL", 0, 0, 3)
    assert reader.first_of(("PASS", "FAIL")) == "FAIL" and reader.sees("FAIL")
    canvas.clear()
    assert not reader.sees("FAIL")
