"""SSD1306 display of 128 x 64 pixels on I2C, drawn through a frame buffer.

Commands: Solomon Systech SSD1306 rev. 1.1, section 9 (command table) and 8.1.5 (I2C control bytes).
The buffer is made once, with the control byte in front of it, so that showing it copies nothing. Showing takes 24 ms
at 400 kHz and blocks.
"""

import framebuf
from micropython import const

from .fault import PartError

_COMMANDS = const(0x00)
_DATA = const(0x40)

_START = bytes(
    (
        _COMMANDS,
        0xAE,  # off while setting up
        0xD5, 0x80,  # oscillator
        0xA8, 0x3F,  # 64 rows
        0xD3, 0x00,  # no row offset
        0x40,  # first row
        0x8D, 0x14,  # charge pump on
        0x20, 0x00,  # addressing: along the row, then the next page
        0xA1, 0xC8,  # connector at the top
        0xDA, 0x12,  # row pins alternate
        0x81, 0x9F,  # contrast
        0xD9, 0xF1,  # pre-charge
        0xDB, 0x40,  # deselect level
        0xA4, 0xA6,  # show the memory, lit is 1
        0x21, 0x00, 0x7F,  # all columns
        0x22, 0x00, 0x07,  # all pages
        0xAF,  # on
    )
)  # fmt: skip
_OFF = bytes((_COMMANDS, 0xAE))
_ON = bytes((_COMMANDS, 0xAF))


class Ssd1306(framebuf.FrameBuffer):
    """The display: draw with the methods of FrameBuffer, then `show`."""

    width = 128
    height = 64

    def __init__(self, i2c, address=0x3C):
        """Set the display up and clear it. Raises PartError with code "display-missing" when it does not answer."""
        self._i2c = i2c
        self._address = address
        self._sent = bytearray(1 + 128 * 64 // 8)
        self._sent[0] = _DATA
        self._row = bytearray(1 + 128)
        self._row[0] = _DATA
        self._window = bytearray((_COMMANDS, 0x21, 0x00, 0x7F, 0x22, 0x00, 0x07))
        self.lost = False
        self.pixels = memoryview(self._sent)[1:]
        super().__init__(self.pixels, 128, 64, framebuf.MONO_VLSB)
        try:
            i2c.writeto(address, _START)
        except OSError:
            raise PartError(
                "display-missing", "The display does not answer at I2C address 0x%02x. Check its wiring." % address
            )
        self.fill(0)
        self.show()

    def show(self):
        """Send the whole buffer. A display that fell silent is set up again at the next try."""
        self._try(self._show_all)

    def show_page(self, page):
        """Send eight rows of the buffer, page 0 to 7; blocks for 3 ms."""
        self._row[1:] = self.pixels[page * 128 : page * 128 + 128]
        self._window[5] = self._window[6] = page
        self._try(self._show_row)

    def power(self, on):
        """Switch the picture on or off; the buffer stays."""
        self._try(lambda: self._i2c.writeto(self._address, _ON if on else _OFF))

    def _show_all(self):
        self._window[5] = 0
        self._window[6] = 7
        self._i2c.writeto(self._address, self._window)
        self._i2c.writeto(self._address, self._sent)

    def _show_row(self):
        self._i2c.writeto(self._address, self._window)
        self._i2c.writeto(self._address, self._row)

    def _try(self, action):
        try:
            if self.lost:
                self._i2c.writeto(self._address, _START)
            action()
            self.lost = False
        except OSError:
            self.lost = True
