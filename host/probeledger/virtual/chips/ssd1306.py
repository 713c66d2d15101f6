"""The SSD1306 display controller on I2C, 128 x 64: commands, addressing, memory, and the picture on the glass.

Source: Solomon Systech SSD1306 data sheet revision 1.1 (2008), sections 8.1.5 (I2C) and 9 (commands), from memory.
"""

from __future__ import annotations

from pathlib import Path

WIDTH, PAGES = 128, 8
# Commands with a fixed number of arguments; all others have none.
_ARGUMENTS = {
    0x20: 1, 0x21: 2, 0x22: 2, 0x26: 6, 0x27: 6, 0x29: 5, 0x2A: 5, 0x81: 1, 0x8D: 1, 0xA3: 2, 0xA8: 1,
    0xD3: 1, 0xD5: 1, 0xD9: 1, 0xDA: 1, 0xDB: 1,
}  # fmt: skip


class Ssd1306:
    """Be one display; `ram` holds 1024 bytes, page by page, bit 0 on top."""

    def __init__(self) -> None:
        self.powered = False
        self.ram = bytearray(WIDTH * PAGES)
        self.power_on()

    def power_on(self) -> None:
        """Come up after the supply: off, memory undefined (here a pattern), page addressing."""
        self.powered = True
        self.ram[:] = bytes((k * 37 + (k >> 7)) & 0xFF for k in range(WIDTH * PAGES))
        self.on = False
        self.charge_pump = False
        self.inverted = False
        self.all_on = False
        self.contrast = 0x7F
        self.mode = 2
        self.columns = (0, WIDTH - 1)
        self.pages = (0, PAGES - 1)
        self.column = 0
        self.page = 0
        self.start_line = 0
        self.offset = 0
        self.segment_remap = False
        self.com_reversed = False
        self._command = 0
        self._wanted = 0
        self._given: list[int] = []

    def power_off(self) -> None:
        """Lose the supply: the glass goes dark, the memory is lost."""
        self.powered = False
        self.on = False
        self.ram[:] = bytes(WIDTH * PAGES)

    def write(self, data: bytes) -> None:
        """Take an I2C write: a control byte, then commands or data (8.1.5.2)."""
        k = 0
        while k < len(data):
            control = data[k]
            k += 1
            is_data = bool(control & 0x40)
            # With the continuation bit one byte follows and then another control byte, else all the rest.
            rest = data[k : k + 1] if control & 0x80 else data[k:]
            k += len(rest)
            if is_data:
                self._take_data(rest)
            else:
                for byte in rest:
                    self._take_command(byte)

    def read(self, count: int) -> bytes:
        """Answer an I2C read: the status byte, bit 6 high while the display is off."""
        return bytes([0x00 if self.on else 0x40]) * count

    def _take_data(self, data: bytes) -> None:
        for byte in data:
            self.ram[self.page * WIDTH + self.column] = byte
            self._step()

    def _step(self) -> None:
        first, last = self.columns if self.mode != 2 else (0, WIDTH - 1)
        top, bottom = self.pages
        if self.mode == 1:
            self.page = top if self.page >= bottom else self.page + 1
            if self.page == top:
                self.column = first if self.column >= last else self.column + 1
            return
        if self.column < last:
            self.column += 1
            return
        self.column = first
        if self.mode == 0:
            self.page = top if self.page >= bottom else self.page + 1

    def _take_command(self, byte: int) -> None:
        if self._wanted:
            self._given.append(byte)
            self._wanted -= 1
            if not self._wanted:
                self._with_arguments(self._command, self._given)
            return
        if byte in _ARGUMENTS:
            self._command, self._wanted, self._given = byte, _ARGUMENTS[byte], []
        elif byte <= 0x0F:
            self.column = (self.column & 0x70) | byte
        elif byte <= 0x1F:
            self.column = (self.column & 0x0F) | ((byte & 0x07) << 4)
        elif 0x40 <= byte <= 0x7F:
            self.start_line = byte & 0x3F
        elif byte in (0xA0, 0xA1):
            self.segment_remap = byte == 0xA1
        elif byte in (0xA4, 0xA5):
            self.all_on = byte == 0xA5
        elif byte in (0xA6, 0xA7):
            self.inverted = byte == 0xA7
        elif byte in (0xAE, 0xAF):
            self.on = byte == 0xAF
        elif 0xB0 <= byte <= 0xB7:
            self.page = byte & 7
        elif byte in (0xC0, 0xC8):
            self.com_reversed = byte == 0xC8

    def _with_arguments(self, command: int, given: list[int]) -> None:
        if command == 0x20:
            self.mode = given[0] & 3
        elif command == 0x21:
            self.columns = (given[0] & 0x7F, given[1] & 0x7F)
            self.column = self.columns[0]
        elif command == 0x22:
            self.pages = (given[0] & 7, given[1] & 7)
            self.page = self.pages[0]
        elif command == 0x81:
            self.contrast = given[0]
        elif command == 0x8D:
            self.charge_pump = bool(given[0] & 0x04)
        elif command == 0xD3:
            self.offset = given[0] & 0x3F

    # ------------------------------------------------------------ the glass

    def pixel(self, x: int, y: int) -> int:
        """Return 1 where the dot at column `x`, row `y` of the glass is lit, seen the usual way up.

        The module is mounted so that segment remap and reversed scan give the upright picture.
        """
        if not (self.powered and self.on and self.charge_pump):
            return 0
        if self.all_on:
            return 1
        column = x if self.segment_remap else WIDTH - 1 - x
        row = y if self.com_reversed else 63 - y
        row = (row + self.start_line + self.offset) & 63
        lit = (self.ram[(row >> 3) * WIDTH + column] >> (row & 7)) & 1
        return lit ^ 1 if self.inverted else lit

    def to_png(self, path: Path | str, scale: int = 4) -> None:
        """Write a picture of the glass to `path`, each dot `scale` pixels wide.

        Raises RuntimeError where Pillow is not installed.
        """
        try:
            from PIL import Image
        except ImportError:
            raise RuntimeError("Pictures of the display need Pillow: install it with pip install pillow.") from None
        dim, lit = (8, 12, 16), (150, 210, 255)
        picture = Image.new("RGB", (WIDTH, PAGES * 8), dim)
        for y in range(PAGES * 8):
            for x in range(WIDTH):
                if self.pixel(x, y):
                    picture.putpixel((x, y), lit)
        picture.resize((WIDTH * scale, PAGES * 8 * scale), Image.Resampling.NEAREST).save(path)
