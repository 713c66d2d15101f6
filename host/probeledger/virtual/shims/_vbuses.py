"""Buses of the RP2 port's `machine`: SPI and I2C.

Pin tables and messages follow the port's machine_spi.c and machine_i2c.c (MicroPython 1.28).
"""

import _vwire
from _vpins import pin_number
from _vwire import do, fetch, send
from micropython import const

_SPI_HZ_MIN = const(2929)


class SPI:
    """One of the two SPI blocks. `write`, `readinto` and `write_readinto` do not allocate."""

    LSB = 0
    MSB = 1
    _SCK = (18, 10)
    _MOSI = (19, 11)
    _MISO = (16, 8)

    def __init__(
        self, id, baudrate=1_000_000, *, polarity=0, phase=0, bits=8, firstbit=1, sck=None, mosi=None, miso=None
    ):
        if id not in (0, 1):
            raise ValueError("SPI(%d) doesn't exist" % id)
        self._id = id
        self._sck = self._check(sck, 2, "bad SCK pin", SPI._SCK)
        self._mosi = self._check(mosi, 3, "bad MOSI pin", SPI._MOSI)
        self._miso = self._check(miso, 0, "bad MISO pin", SPI._MISO)
        self._baudrate = self._polarity = self._phase = self._bits = 0
        self.init(baudrate=baudrate, polarity=polarity, phase=phase, bits=bits, firstbit=firstbit)

    def _check(self, pin, rest, message, standard):
        if pin is None:
            return standard[self._id]
        number = pin_number(pin)
        if number & 3 != rest or (number & 8) >> 3 != self._id:
            raise ValueError(message)
        return number

    def init(self, *, baudrate=-1, polarity=-1, phase=-1, bits=-1, firstbit=-1):
        """Change clock and mode."""
        if firstbit == 0:
            raise NotImplementedError("LSB")
        if baudrate != -1:
            # The slowest that the divider can do from a 125 MHz peripheral clock is used for anything slower.
            self._baudrate = max(baudrate, _SPI_HZ_MIN)
        if polarity != -1:
            self._polarity = polarity
        if phase != -1:
            self._phase = phase
        if bits != -1:
            self._bits = bits
        do(_vwire.SPI_CONFIGURE, self._id | self._polarity << 8 | self._phase << 9, self._baudrate)

    def deinit(self):
        """Stop the block (on this port nothing happens)."""

    def write(self, buf):
        """Clock a buffer out."""
        send(_vwire.SPI_WRITE, self._id, len(buf), buf)

    def read(self, nbytes, write=0):
        """Clock `nbytes` in while sending `write`; return them."""
        into = bytearray(nbytes)
        self.readinto(into, write)
        return bytes(into)

    def readinto(self, buf, write=0):
        """Fill a buffer while sending `write`."""
        fetch(_vwire.SPI_READ, self._id | write << 8, len(buf), buf)

    def write_readinto(self, write_buf, read_buf):
        """Clock one buffer out while filling another of the same length."""
        if len(write_buf) != len(read_buf):
            raise ValueError("buffers must be the same length")
        _vwire.call(_vwire.SPI_TRANSFER, self._id, len(write_buf), write_buf, read_buf)

    def __repr__(self):
        return "SPI(%d, baudrate=%d, polarity=%d, phase=%d, bits=%d, sck=%d, mosi=%d, miso=%d)" % (
            self._id, self._baudrate, self._polarity, self._phase, self._bits, self._sck, self._mosi, self._miso
        )  # fmt: skip


class I2C:
    """One of the two I2C blocks, as controller."""

    def __init__(self, id=0, freq=400_000, *, scl=None, sda=None, timeout=50_000):
        if id not in (0, 1):
            raise ValueError("I2C(%d) doesn't exist" % id)
        self._id = id
        self._scl = self._check(scl, 1, "bad SCL pin", (5, 7))
        self._sda = self._check(sda, 0, "bad SDA pin", (4, 6))
        self._freq = freq
        self._timeout = timeout
        do(_vwire.I2C_CONFIGURE, id | self._sda << 8 | self._scl << 16, freq)

    def _check(self, pin, rest, message, standard):
        if pin is None:
            return standard[self._id]
        number = pin_number(pin)
        if number & 1 != rest or (number & 2) >> 1 != self._id:
            raise ValueError(message)
        return number

    def _answer(self, value):
        if value < 0:
            raise OSError(-value)
        return value

    def scan(self):
        """Return the addresses that answer."""
        bits = bytearray(16)
        fetch(_vwire.I2C_SCAN, self._id, 0, bits)
        return [address for address in range(8, 0x78) if bits[address >> 3] >> (address & 7) & 1]

    def writeto(self, addr, buf, stop=True):
        """Write a buffer; return the number of bytes acknowledged."""
        return self._answer(send(_vwire.I2C_WRITE, self._id | addr << 8, len(buf), buf))

    def writevto(self, addr, vector, stop=True):
        """Write several buffers one behind the other in one transfer."""
        joined = bytearray()
        for buf in vector:
            joined.extend(buf)
        return self.writeto(addr, joined, stop)

    def readfrom_into(self, addr, buf, stop=True):
        """Fill a buffer."""
        self._answer(fetch(_vwire.I2C_READ, self._id | addr << 8, len(buf), buf))

    def readfrom(self, addr, nbytes, stop=True):
        """Return bytes read."""
        into = bytearray(nbytes)
        self.readfrom_into(addr, into)
        return bytes(into)

    def _register(self, memaddr, addrsize):
        return bytes((memaddr >> shift) & 0xFF for shift in range(addrsize - 8, -8, -8))

    def writeto_mem(self, addr, memaddr, buf, *, addrsize=8):
        """Write a buffer to a chip's register."""
        self.writeto(addr, self._register(memaddr, addrsize) + bytes(buf))

    def readfrom_mem_into(self, addr, memaddr, buf, *, addrsize=8):
        """Fill a buffer from a chip's register."""
        self.writeto(addr, self._register(memaddr, addrsize), False)
        self.readfrom_into(addr, buf)

    def readfrom_mem(self, addr, memaddr, nbytes, *, addrsize=8):
        """Return bytes read from a chip's register."""
        into = bytearray(nbytes)
        self.readfrom_mem_into(addr, memaddr, into, addrsize=addrsize)
        return bytes(into)

    def __repr__(self):
        return "I2C(%d, freq=%d, scl=%d, sda=%d, timeout=%d)" % (
            self._id, self._freq, self._scl, self._sda, self._timeout
        )  # fmt: skip
