"""25-series SPI NOR flash, and a block device on it for littlefs.

Commands and timing classes as in JEDEC JESD216 (SFDP) and any maker's sheet of a 25-series chip with 256-byte pages
and 4-kB sectors, for example Winbond W25Q32JV rev. G, section 8. The part is found by its JEDEC id; its size comes
from SFDP where the chip has it, else from the id's third byte.

Nothing here allocates a block: reads and programs go through the caller's buffer, the command buffer is made once.
A sector erase blocks for up to 0.4 s, a page program for up to 3 ms.
"""

import time

from micropython import const

from .fault import PartError

_WRITE_ENABLE = const(0x06)
_READ_STATUS = const(0x05)
_READ = const(0x03)
_PAGE_PROGRAM = const(0x02)
_SECTOR_ERASE = const(0x20)
_JEDEC_ID = const(0x9F)
_READ_SFDP = const(0x5A)
_POWER_DOWN = const(0xB9)
_WAKE = const(0xAB)

_BUSY = const(0x01)
_WRITE_ENABLED = const(0x02)

# Three address bytes reach 16 MB; a larger chip is used up to there.
_REACH_BYTES = const(0x1000000)
# Time to leave deep power-down: at most 30 us for chips of this class (tRES1); longer does no harm.
_WAKE_US = const(50)
_EIO = const(5)


class NorFlash:
    """One 25-series chip on a SPI bus of its own."""

    def __init__(self, spi, select, page_bytes=256, erase_bytes=4096, program_timeout_ms=9, erase_timeout_ms=1200):
        """Wake the chip and identify it.

        spi: ready bus in mode 0 or 3; select: chip select pin, an output, low while selected; page_bytes, erase_bytes
        [bytes]; program_timeout_ms, erase_timeout_ms [ms]: deadlines of the busy wait. Raises PartError with code
        "flash-missing" when no chip answers.
        """
        self._spi = spi
        self._select = select
        self._command = bytearray(5)
        self._command_view = memoryview(self._command)
        self._status = bytearray(2)
        self.page_bytes = page_bytes
        self.erase_bytes = erase_bytes
        self._program_timeout_ms = program_timeout_ms
        self._erase_timeout_ms = erase_timeout_ms
        self._overdue = False
        select(1)
        self.wake()
        self.jedec_id = self._read_jedec_id()
        maker = self.jedec_id[0]
        if maker == 0x00 or maker == 0xFF:
            raise PartError(
                "flash-missing",
                "The ledger's flash chip does not answer (its id reads %02x%02x%02x). Check its wiring."
                % tuple(self.jedec_id),
            )
        self.from_sfdp = False
        self.size_bytes = self._find_size()

    def _short(self, command):
        self._command[0] = command
        self._select(0)
        self._spi.write(self._command_view[:1])
        self._select(1)

    def _address(self, command, address):
        self._command[0] = command
        self._command[1] = address >> 16 & 0xFF
        self._command[2] = address >> 8 & 0xFF
        self._command[3] = address & 0xFF

    def _read_jedec_id(self):
        answer = bytearray(3)
        self._command[0] = _JEDEC_ID
        self._select(0)
        self._spi.write(self._command_view[:1])
        self._spi.readinto(answer)
        self._select(1)
        return bytes(answer)

    def _read_sfdp(self, address, buffer):
        self._address(_READ_SFDP, address)
        self._command[4] = 0
        self._select(0)
        self._spi.write(self._command)
        self._spi.readinto(buffer)
        self._select(1)

    def _find_size(self):
        """Return the size [bytes] by SFDP (JESD216, 6.4.5: second word of the basic table), else by the JEDEC id."""
        head = bytearray(16)
        self._read_sfdp(0, head)
        if head[:4] == b"SFDP" and head[11] >= 2:
            table = bytearray(8)
            self._read_sfdp(head[12] | head[13] << 8 | head[14] << 16, table)
            density = table[4] | table[5] << 8 | table[6] << 16 | (table[7] & 0x7F) << 24
            if not table[7] & 0x80 and 0x7FFFF <= density < 0x3FFFFFFF:
                self.from_sfdp = True
                return min((density + 1) // 8, _REACH_BYTES)
        exponent = self.jedec_id[2]
        if not 16 <= exponent <= 32:
            raise PartError(
                "flash-unknown",
                "The flash chip's id %02x%02x%02x names no known size. Use a 25-series chip of 64 kB to 16 MB."
                % tuple(self.jedec_id),
            )
        return min(1 << min(exponent, 24), _REACH_BYTES)

    def wake(self):
        """Leave deep power-down. Does nothing to a chip that is awake."""
        self._short(_WAKE)
        time.sleep_us(_WAKE_US)

    def power_down(self):
        """Enter deep power-down (about 1 uA); only `wake` is understood then."""
        self._short(_POWER_DOWN)

    def status(self):
        """Return the status register."""
        self._command[0] = _READ_STATUS
        self._command[1] = 0
        self._select(0)
        self._spi.write_readinto(self._command_view[:2], self._status)
        self._select(1)
        return self._status[1]

    def _wait(self, timeout_ms, what, address):
        start_ms = time.ticks_ms()
        while True:
            # The time is taken before the look: whoever was held up in between gets a last one.
            late = time.ticks_diff(time.ticks_ms(), start_ms) > timeout_ms
            if not self.status() & _BUSY:
                self._overdue = False
                return
            if late:
                self._overdue = True
                raise PartError(
                    "flash-timeout",
                    "The flash chip is still busy %d ms after %s at 0x%06x. Replace it if this comes back."
                    % (timeout_ms, what, address),
                )
            time.sleep_us(100)

    def _finish_overdue(self, address):
        """Wait once more for an operation that was given up: a busy chip understands no other command."""
        if self._overdue:
            self._wait(self._erase_timeout_ms, "an earlier write", address)

    def _enable_writing(self, address):
        self._finish_overdue(address)
        self._short(_WRITE_ENABLE)
        if not self.status() & _WRITE_ENABLED:
            raise PartError(
                "flash-protected",
                "The flash chip refuses to be written at 0x%06x. Check its write-protect and hold pins." % address,
            )

    def read(self, address, buffer):
        """Read into a buffer.

        address [bytes] from the chip's beginning; buffer: writable, any length. Raises PartError past the chip's end.
        """
        self._check(address, len(buffer))
        self._finish_overdue(address)
        self._address(_READ, address)
        self._select(0)
        self._spi.write(self._command_view[:4])
        self._spi.readinto(buffer)
        self._select(1)

    def program(self, address, buffer):
        """Program bytes that were erased before.

        address [bytes]; buffer: any length, split at page boundaries, past which a chip would wrap around. Blocks for
        up to 3 ms a page. Raises PartError past the end, when writing is refused, or past the deadline.
        """
        size = len(buffer)
        self._check(address, size)
        view = memoryview(buffer)
        at = 0
        while at < size:
            piece = min(size - at, self.page_bytes - (address + at) % self.page_bytes)
            self._enable_writing(address + at)
            self._address(_PAGE_PROGRAM, address + at)
            self._select(0)
            self._spi.write(self._command_view[:4])
            self._spi.write(view[at : at + piece])
            self._select(1)
            self._wait(self._program_timeout_ms, "programming", address + at)
            at += piece

    def erase(self, address):
        """Erase the sector that begins at `address` [bytes]. Blocks for up to 0.4 s. Raises PartError as `program`."""
        if address % self.erase_bytes:
            raise PartError("flash-address", "0x%06x is not the beginning of a flash sector." % address)
        self._check(address, self.erase_bytes)
        self._enable_writing(address)
        self._address(_SECTOR_ERASE, address)
        self._select(0)
        self._spi.write(self._command_view[:4])
        self._select(1)
        self._wait(self._erase_timeout_ms, "erasing", address)

    def _check(self, address, size):
        if address < 0 or address + size > self.size_bytes:
            raise PartError(
                "flash-address",
                "%d bytes at 0x%06x are outside the flash chip of %d bytes." % (size, address, self.size_bytes),
            )


class FlashBlocks:
    """Block device over a NorFlash, with the extended interface that littlefs asks for.

    Littlefs is C code: an exception thrown through it leaves it half-way, so a failing chip becomes its error number
    here, and `problem` keeps the sentence.
    """

    def __init__(self, flash):
        """Take the chip; blocks are its erase sectors."""
        self._flash = flash
        self._block_bytes = flash.erase_bytes
        self.count = flash.size_bytes // flash.erase_bytes
        self.problem = None
        self.erases = 0

    def readblocks(self, block, buffer, offset=0):
        """Read from a block at an offset [bytes] into a buffer. Returns 0, or a negative error number."""
        try:
            self._flash.read(block * self._block_bytes + offset, buffer)
        except PartError as error:
            self.problem = error
            return -_EIO
        return 0

    def writeblocks(self, block, buffer, offset=None):
        """Program a buffer into a block at an offset [bytes]; without one the block is erased first."""
        try:
            if offset is None:
                at = block * self._block_bytes
                for sector in range(at, at + len(buffer), self._block_bytes):
                    self._flash.erase(sector)
                    self.erases += 1
                offset = 0
            self._flash.program(block * self._block_bytes + offset, buffer)
        except PartError as error:
            self.problem = error
            return -_EIO
        return 0

    def ioctl(self, operation, argument):
        """Answer the requests of a file system: 4 block count, 5 block size, 6 erase a block."""
        if operation == 4:
            return self.count
        if operation == 5:
            return self._block_bytes
        if operation == 6:
            try:
                self._flash.erase(argument * self._block_bytes)
                self.erases += 1
            except PartError as error:
                self.problem = error
                return -_EIO
        return 0

    def is_blank(self, block, size_bytes):
        """Tell whether the first `size_bytes` of a block, a multiple of 32, are erased."""
        buffer = bytearray(32)
        clean = b"\xff" * 32
        for offset in range(0, size_bytes, 32):
            if self.readblocks(block, buffer, offset) or buffer != clean:
                return False
        return True
