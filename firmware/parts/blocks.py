"""A block device over a flash chip, as littlefs asks for, and the settling of what a power cut left between two states.

A program that the supply cut off can leave bits between erased and programmed, which read differently from one time to
the next. Littlefs would take the commit that they belong to as whole in one moment and as torn in the next, and lose
what was appended behind it in the meantime. So while `settling` is on, every page that is read for the first time is
read many times over, and where it wavers, what was seen as 0 is programmed to 0: from then on it reads the same, be it
whole or torn. To program a bit that is programmed already changes nothing.
"""

from micropython import const

from .fault import PartError

_EIO = const(5)
# A bit that is half the time 0 and half the time 1 escapes all of these once in thirty thousand times.
_LOOKS = const(16)
_ROUNDS = const(4)
# Littlefs turns to another block where one does not keep what was written. Where one after the other does not, the chip
# as a whole fails, and trying all of them would take a minute; a worn chip does not lose so many in a row.
_BAD_IN_A_ROW = const(6)


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
        self.settled_pages = 0
        # While settling: the numbers of the pages that were looked at, and room for two pages.
        self._seen: set | None = None
        self._page = self._all = bytearray(0)
        self._check = memoryview(bytearray(flash.page_bytes))
        self._bad_in_a_row = 0

    def settling(self, on):
        """Begin or end settling: to be on while a file system is mounted and its folders are listed.

        on: bool. Takes two pages of memory and makes each page read for the first time cost sixteen reads.
        """
        self._seen = set() if on else None
        size = self._flash.page_bytes if on else 0
        self._page = bytearray(size)
        self._all = bytearray(size)

    def _settle(self, seen, address, size):
        page_bytes = self._flash.page_bytes
        for number in range(address // page_bytes, (address + size - 1) // page_bytes + 1):
            if number not in seen:
                seen.add(number)
                self._settle_page(number * page_bytes)

    def _settle_page(self, address):
        """Read a page until it is known whether it wavers; program what was seen as 0 in one that does."""
        page = self._page
        common = self._all
        for _ in range(_ROUNDS):
            self._flash.read(address, common)
            wavers = False
            for _ in range(_LOOKS - 1):
                self._flash.read(address, page)
                if page != common:
                    wavers = True
                    for index in range(len(page)):
                        common[index] &= page[index]
            if not wavers:
                return
            self._flash.program(address, common)
            self.settled_pages += 1

    def readblocks(self, block, buffer, offset=0):
        """Read from a block at an offset [bytes] into a buffer. Returns 0, or a negative error number."""
        address = block * self._block_bytes + offset
        try:
            if self._seen is not None:
                self._settle(self._seen, address, len(buffer))
            self._flash.read(address, buffer)
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
            address = block * self._block_bytes + offset
            self._flash.program(address, buffer)
            self._look_again(address, buffer)
        except PartError as error:
            self.problem = error
            return -_EIO
        return 0

    def _look_again(self, address, buffer):
        """Read back what was written. Raises PartError where several writes in a row were not kept."""
        # One piece of up to a page is enough to know; littlefs compares everything it writes.
        size = min(len(buffer), len(self._check))
        seen = self._check[:size]
        self._flash.read(address, seen)
        if seen == (buffer if size == len(buffer) else memoryview(buffer)[:size]):
            self._bad_in_a_row = 0
            return
        self._bad_in_a_row += 1
        if self._bad_in_a_row >= _BAD_IN_A_ROW:
            raise PartError(
                "flash-failing",
                "The flash chip does not keep what is written (0x%06x and before). Replace it." % address,
            )

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
