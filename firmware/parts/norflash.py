"""25-series SPI NOR flash.

Commands and timing classes as in JEDEC JESD216 (SFDP) and any maker's sheet of a 25-series chip with 256-byte pages
and 4-kB sectors, for example Winbond W25Q32JV rev. G, section 8. The part is found by its JEDEC id; its size, its
erase command and its longest times come from SFDP where the chip has it, else from the id's third byte and the caller.

Nothing here allocates a block: reads and programs go through the caller's buffer, the command buffer is made once.
A sector erase blocks for up to 0.4 s, a page program for up to 3 ms.
"""

import time

from aside import Aside
from micropython import const

from .blocks import FlashBlocks  # noqa: F401 - the block device over it, for whoever takes both from here
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
# BP2 to BP0: any of them makes a part of the chip refuse programs and erases, without a word.
_PROTECTED = const(0x1C)

# Three address bytes reach 16 MB; a larger chip is used up to there.
_REACH_BYTES = const(0x1000000)
# Time to leave deep power-down: at most 30 us for chips of this class (tRES1); longer does no harm.
_WAKE_US = const(50)
# A chip's longest times hold up to its end of life; past three times as long nothing more will come. No wait is longer
# than the last, whatever a damaged table says.
_PATIENCE = const(3)
_LONGEST_WAIT_MS = const(5000)


class NorFlash:
    """One 25-series chip on a SPI bus of its own."""

    def __init__(self, spi, select, page_bytes=256, erase_bytes=4096, program_timeout_ms=9, erase_timeout_ms=1200):
        """Wake the chip and identify it.

        spi: ready bus in mode 0 or 3; select: chip select pin, an output, low while selected; page_bytes, erase_bytes
        [bytes]; program_timeout_ms, erase_timeout_ms [ms]: least deadlines of the busy wait; a chip that states longer
        times gets them. `notes` says in sentences what is peculiar about the chip. Raises PartError: "flash-missing"
        when no chip answers, "flash-timeout" when it stays busy, "flash-unknown" when it cannot be used.
        """
        self._spi = spi
        self._select = select
        self._command = bytearray(5)
        view = memoryview(self._command)
        self._one = view[:1]
        self._two = view[:2]
        self._four = view[:4]
        self._status = bytearray(2)
        self.page_bytes = page_bytes
        self.erase_bytes = erase_bytes
        self._program_timeout_ms = program_timeout_ms
        self._erase_timeout_ms = erase_timeout_ms
        self._erase_opcode = _SECTOR_ERASE
        self._wake_us = _WAKE_US
        self._overdue = False
        self.notes = []
        select(1)
        self.wake()
        self.jedec_id = self._identify()
        self.from_sfdp = False
        self.size_bytes = self._find_size()

    def _short(self, command):
        self._command[0] = command
        self._select(0)
        self._spi.write(self._one)
        self._select(1)

    def _address(self, command, address):
        self._command[0] = command
        self._command[1] = address >> 16 & 0xFF
        self._command[2] = address >> 8 & 0xFF
        self._command[3] = address & 0xFF

    # ------------------------------------------------------------ identity

    def _identify(self):
        found = self._read_jedec_id()
        if self._is_silent(found):
            status = self.status()
            if status & _BUSY and status != 0xFF:
                # Only the program was started anew, in the middle of an erase: a busy chip tells but its status.
                self._wait(self._erase_timeout_ms, "a start", 0)
                found = self._read_jedec_id()
        if self._is_silent(found):
            raise PartError(
                "flash-missing",
                "The ledger's flash chip does not answer (its id reads %02x%02x%02x). Check its wiring." % tuple(found),
            )
        return found

    @staticmethod
    def _is_silent(jedec_id):
        return jedec_id[0] == 0x00 or jedec_id[0] == 0xFF

    def _read_jedec_id(self):
        answer = bytearray(3)
        self._command[0] = _JEDEC_ID
        self._select(0)
        self._spi.write(self._one)
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
        """Return the size to be used [bytes], by SFDP, else by the JEDEC id, and take over what SFDP says."""
        with Aside("parts.sfdp") as sfdp:
            found = sfdp.parse(self._read_sfdp)
        if found is None:
            exponent = self.jedec_id[2]
            if not 16 <= exponent <= 32:
                raise PartError(
                    "flash-unknown",
                    "The flash chip's id %02x%02x%02x names no known size. Use a 25-series chip of 4 MB to 16 MB."
                    % tuple(self.jedec_id),
                )
            size_bytes = 1 << exponent
        else:
            self._adopt(found)
            size_bytes = found.size_bytes
        if size_bytes > _REACH_BYTES:
            self.notes.append(
                "The flash chip has %d MB; the first 16 MB are used, as three address bytes reach no further."
                % (size_bytes >> 20)
            )
        return min(size_bytes, _REACH_BYTES)

    def _adopt(self, found):
        if found.erase_opcode == 0 or found.long_addresses or found.page_bytes < self.page_bytes:
            raise PartError(
                "flash-unknown",
                "The flash chip %02x%02x%02x has no 4-kB erase, no three-byte addresses, or too small pages. "
                "Use a 25-series chip of 4 MB to 16 MB." % tuple(self.jedec_id),
            )
        self.from_sfdp = True
        self._erase_opcode = found.erase_opcode
        self._wake_us = max(self._wake_us, min(found.wake_us, _LONGEST_WAIT_MS))
        self._program_timeout_ms = self._deadline(self._program_timeout_ms, found.program_max_ms)
        self._erase_timeout_ms = self._deadline(self._erase_timeout_ms, found.erase_max_ms)

    @staticmethod
    def _deadline(least_ms, longest_ms):
        return min(max(least_ms, _PATIENCE * longest_ms), _LONGEST_WAIT_MS)

    # ------------------------------------------------------------ state

    def wake(self):
        """Leave deep power-down. Does nothing to a chip that is awake."""
        self._short(_WAKE)
        time.sleep_us(self._wake_us)

    def power_down(self):
        """Enter deep power-down (about 1 uA), once it is idle; only `wake` is understood then."""
        self._finish_overdue(0)
        self._short(_POWER_DOWN)

    def status(self):
        """Return the status register."""
        self._command[0] = _READ_STATUS
        self._command[1] = 0
        self._select(0)
        self._spi.write_readinto(self._two, self._status)
        self._select(1)
        return self._status[1]

    def _wait(self, timeout_ms, what, address):
        """Wait until the chip is idle. Returns its status."""
        start_ms = time.ticks_ms()
        while True:
            # The time is taken before the look: whoever was held up in between gets a last one.
            late = time.ticks_diff(time.ticks_ms(), start_ms) > timeout_ms
            status = self.status()
            if not status & _BUSY:
                self._overdue = False
                return status
            if late:
                self._overdue = True
                raise PartError(
                    "flash-timeout",
                    "The flash chip is still busy %d ms after %s at 0x%06x. Replace it if this comes back."
                    % (timeout_ms, what, address),
                )
            time.sleep_us(100)

    def _finish_overdue(self, address):
        """Look whether an operation that was given up has ended since: a busy chip understands no other command."""
        if self._overdue:
            self._wait(0, "an earlier write", address)

    def _enable_writing(self, address):
        self._finish_overdue(address)
        self._short(_WRITE_ENABLE)
        status = self.status()
        if status & (_PROTECTED | _WRITE_ENABLED) != _WRITE_ENABLED:
            self._refuse(status, address)

    @staticmethod
    def _refuse(status, address):
        if status == 0xFF:
            raise PartError(
                "flash-missing", "The flash chip no longer answers at 0x%06x. Check its wiring and supply." % address
            )
        if status & _PROTECTED:
            raise PartError(
                "flash-protected",
                "The flash chip is write-protected (status 0x%02x) at 0x%06x. Clear its protection bits."
                % (status, address),
            )
        raise PartError(
            "flash-protected",
            "The flash chip refuses to be written at 0x%06x. Check its write-protect and hold pins." % address,
        )

    def _finish(self, timeout_ms, what, address):
        if self._wait(timeout_ms, what, address) & _WRITE_ENABLED:
            # The latch falls when an operation ends; where it stands, none was ever begun.
            raise PartError("flash-refused", "The flash chip did not take %s at 0x%06x." % (what, address))

    # ------------------------------------------------------------ data

    def read(self, address, buffer):
        """Read into a buffer.

        address [bytes] from the chip's beginning; buffer: writable, any length. Raises PartError past the chip's end.
        """
        self._check(address, len(buffer))
        self._finish_overdue(address)
        self._address(_READ, address)
        self._select(0)
        self._spi.write(self._four)
        self._spi.readinto(buffer)
        self._select(1)

    def program(self, address, buffer):
        """Program bytes that were erased before.

        address [bytes]; buffer: any length, split at page boundaries, past which a chip would wrap around. Blocks for
        up to 3 ms a page. Raises PartError past the end, when writing is refused, or past the deadline.
        """
        size = len(buffer)
        self._check(address, size)
        if address % self.page_bytes + size <= self.page_bytes:
            # The usual case, without making a view.
            if size:
                self._program_page(address, buffer)
            return
        view = memoryview(buffer)
        at = 0
        while at < size:
            piece = min(size - at, self.page_bytes - (address + at) % self.page_bytes)
            self._program_page(address + at, view[at : at + piece])
            at += piece

    def _program_page(self, address, data):
        self._enable_writing(address)
        self._address(_PAGE_PROGRAM, address)
        self._select(0)
        self._spi.write(self._four)
        self._spi.write(data)
        self._select(1)
        self._finish(self._program_timeout_ms, "programming", address)

    def erase(self, address):
        """Erase the sector that begins at `address` [bytes]. Blocks for up to 0.4 s. Raises PartError as `program`."""
        if address % self.erase_bytes:
            raise PartError("flash-address", "0x%06x is not the beginning of a flash sector." % address)
        self._check(address, self.erase_bytes)
        self._enable_writing(address)
        self._address(self._erase_opcode, address)
        self._select(0)
        self._spi.write(self._four)
        self._select(1)
        self._finish(self._erase_timeout_ms, "erasing", address)

    def _check(self, address, size):
        if address < 0 or address + size > self.size_bytes:
            raise PartError(
                "flash-address",
                "%d bytes at 0x%06x are outside the flash chip of %d bytes." % (size, address, self.size_bytes),
            )
