"""Test double of a 25-series SPI NOR flash chip: bus and chip select on one side, faults and power cuts on the other.

Behaviour after Winbond W25Q32JV rev. G, section 8 (commands), from memory where no figure is given: programming only
clears bits, wraps inside its page, needs the write enable latch, and so does erasing.

What a cut leaves: of a page the bits that had time to fall have fallen, of a sector those that had time to rise have
risen, and some bits stand between the two: they read differently each time until they are programmed or erased anew.
"""

PAGE = 256
SECTOR = 4096


class PowerCut(Exception):
    """The supply went away in the middle of an operation."""


class Wires:
    """Bus and chip select of one run: a file that an earlier run left open can no longer reach the chip."""

    def __init__(self, chip):
        self.chip = chip
        self.run = chip.run

    def alive(self):
        if self.chip.dead or self.run != self.chip.run:
            raise PowerCut

    def select(self, value):
        self.alive()
        self.chip.select(value)

    def write(self, data):
        self.alive()
        self.chip.write(data)

    def readinto(self, buffer):
        self.alive()
        self.chip.readinto(buffer)

    def write_readinto(self, out, into):
        self.alive()
        self.chip.write_readinto(out, into)


def sfdp_table(size, erase_4k=0x20):
    """Return what a chip of `size` bytes tells of itself: JESD216B, 6.2 and 6.4, a basic table of 16 words at 0x30.

    From memory. Page of 256 bytes; 0.7 ms to program one, at most 3 ms; 45 ms to erase 4 kB, at most 400 ms.
    """
    words = [0] * 16
    words[0] = 0xFFF100E5 | erase_4k << 8
    words[1] = size * 8 - 1
    words[7] = 0x520F000C | erase_4k << 8
    words[8] = 0x0000D810
    # Erase: most = 2 * (4 + 1) * typical; type 1: (2 + 1) * 16 ms; type 2: (7 + 1) * 16 ms; type 3: (9 + 1) * 16 ms.
    words[9] = 4 | (1 << 5 | 2) << 4 | (1 << 5 | 7) << 11 | (1 << 5 | 9) << 18
    # Program: most = 2 * (1 + 1) * typical; page 2^8; (10 + 1) * 64 us.
    words[10] = 1 | 8 << 4 | (1 << 5 | 10) << 8
    # Deep power-down: awake after (2 + 1) * 1 us by 0xAB, asleep by 0xB9.
    words[13] = (1 << 5 | 2) << 8 | 0xAB << 15 | 0xB9 << 23
    table = bytearray(0x30 + 64)
    for at in range(len(table)):
        table[at] = 0xFF
    table[:16] = b"SFDP\x06\x01\x00\xff" + b"\x00\x06\x01\x10\x30\x00\x00\xff"
    for index in range(16):
        for byte in range(4):
            table[0x30 + 4 * index + byte] = words[index] >> 8 * byte & 0xFF
    return table


class NorChip:
    """One chip: use it as the SPI bus, and its `select` as the chip select pin."""

    def __init__(self, blocks=64, jedec=b"\xef\x40", sfdp=False):
        self.size = blocks * SECTOR
        self.memory = bytearray(self.size)
        for at in range(0, self.size, SECTOR):
            self.memory[at : at + SECTOR] = b"\xff" * SECTOR
        exponent = 16
        while 1 << exponent < self.size:
            exponent += 1
        self.jedec = jedec + bytes([exponent])
        self.sfdp = sfdp_table(self.size) if sfdp else b""
        self.silent = False
        self.protected = False
        self.protection = 0
        self.deaf = False
        self.forgets = False
        self.stuck = False
        self.operations = 0
        self.cut_at = None
        self.seed = 1
        # Sector number -> mask of the bits that read differently each time.
        self.unstable = {}
        # Where set, a list that takes (what, start, bytes before, unstable mask before) of each change: to undo it.
        self.journal = None
        # Where set, called with (opcode, address, data) before each operation.
        self.observer = None
        self.programs = 0
        self.erases = 0
        self.overwrites = 0
        self.run = 0
        self.power_on()

    def power_on(self):
        """Lose what a power cycle loses."""
        self.run += 1
        self.dead = False
        self.selected = False
        self.sleeping = False
        self.enabled = False
        self.busy = 0
        self.given = b""

    # ---------------------------------------------------------------- bus

    def select(self, value):
        if value == 0:
            self.selected = True
            self.given = b""
            self.asked = 0
        elif self.selected:
            self.selected = False
            self.finish()

    def write(self, data):
        assert self.selected
        self.given = self.given + bytes(data) if self.given else bytes(data)

    def readinto(self, buffer):
        assert self.selected
        count = len(buffer)
        given = self.given
        if not self.silent and not self.sleeping and given and given[0] == 0x03:
            assert not self.busy, "read while busy"
            self.read_array((self.address() + self.asked) % self.size, buffer, count)
            self.asked += count
            return
        for index in range(count):
            buffer[index] = self.answer()
            self.asked += 1

    def write_readinto(self, out, into):
        assert self.selected and len(out) == len(into)
        for index in range(len(out)):
            into[index] = self.answer() if self.given else 0xFF
            self.given += bytes(out[index : index + 1])
            if len(self.given) > 1:
                self.asked += 1

    def read_array(self, at, buffer, count):
        end = at + count
        if end > self.size:
            buffer[: self.size - at] = self.memory[at:]
            buffer[self.size - at :] = self.memory[: end - self.size]
        else:
            buffer[:] = memoryview(self.memory)[at:end]
        if self.unstable:
            for sector in range(at // SECTOR, (end - 1) // SECTOR + 1):
                mask = self.unstable.get(sector)
                if mask:
                    start = max(at, sector * SECTOR)
                    for place in range(start, min(end, (sector + 1) * SECTOR)):
                        loose = mask[place % SECTOR]
                        if loose:
                            buffer[place - at] ^= loose & self.random()

    def random(self):
        """Return the next byte of a fixed sequence: the upper bits of a linear congruential generator."""
        self.seed = (self.seed * 1103515245 + 12345) & 0x7FFFFFFF
        return self.seed >> 16 & 0xFF

    def answer(self):
        if self.silent or self.sleeping or not self.given:
            return 0xFF
        command = self.given[0]
        if command == 0x9F:
            return self.jedec[self.asked % 3] if not self.busy else 0xFF
        if command == 0x05:
            if self.busy and not self.stuck:
                self.busy -= 1
            return (1 if self.busy or self.stuck else 0) | (2 if self.enabled else 0) | self.protection
        if command == 0x5A:
            at = self.address() + self.asked
            return self.sfdp[at] if at < len(self.sfdp) else 0xFF
        raise ValueError("command", command)

    def address(self):
        assert len(self.given) >= 4
        return self.given[1] << 16 | self.given[2] << 8 | self.given[3]

    # ---------------------------------------------------------------- commands that act at the end

    def finish(self):
        if self.silent or not self.given:
            return
        command = self.given[0]
        if command == 0xAB:
            self.sleeping = False
        if self.sleeping:
            return
        if command == 0xB9:
            self.sleeping = True
        elif command == 0x06 and not self.protected:
            self.enabled = True
        elif command in (0x02, 0x20):
            assert not self.busy, "command while busy"
            if self.enabled:
                if command == 0x20:
                    assert len(self.given) == 4
                self.enabled = self.deaf
                if not self.deaf:
                    self.busy = 2
                    self.operate(command)

    def operate(self, command):
        cut = self.operations == self.cut_at
        self.operations += 1
        address = self.address()
        data = self.given[4:][-PAGE:]
        if self.observer:
            self.observer(command, address, data)
        if cut:
            self.tear(command, address, data)
            self.dead = True
            raise PowerCut
        if self.forgets:
            self.erases += command == 0x20
            return
        self.apply(command, address, data)

    def remember(self, start, size):
        if self.journal is not None:
            sector = start // SECTOR
            mask = self.unstable.get(sector)
            self.journal.append((start, bytes(self.memory[start : start + size]), mask and bytes(mask)))

    def undo(self):
        """Take back all that the journal holds, and begin it anew."""
        for start, before, mask in reversed(self.journal):
            self.memory[start : start + len(before)] = before
            if mask is None:
                self.unstable.pop(start // SECTOR, None)
            else:
                self.unstable[start // SECTOR] = bytearray(mask)
        self.journal = []

    def apply(self, command, address, data):
        """Carry an operation out whole."""
        if command == 0x20:
            self.erases += 1
            start = address // SECTOR * SECTOR
            self.remember(start, SECTOR)
            self.memory[start : start + SECTOR] = b"\xff" * SECTOR
            self.unstable.pop(start // SECTOR, None)
            return
        self.programs += 1
        page = address // PAGE * PAGE
        self.remember(page, PAGE)
        mask = self.unstable.get(page // SECTOR)
        memory = self.memory
        for index in range(len(data)):
            at = page + (address + index) % PAGE
            byte = data[index]
            if memory[at] & byte != byte:
                self.overwrites += 1
            memory[at] &= byte
            if mask:
                mask[at % SECTOR] &= byte

    def tear(self, command, address, data):
        """Leave an operation half done: how far it came, and how, follows from `seed`."""
        for _ in range(4):
            self.random()
        # How much of the operation's time had passed: often hardly any or nearly all, where the worst lies.
        share = (1, 13, 64, 128, 192, 243, 251, 255)[self.random() & 7]
        start = address // SECTOR * SECTOR if command == 0x20 else address // PAGE * PAGE
        self.remember(start, SECTOR if command == 0x20 else PAGE)
        mask = self.unstable.get(start // SECTOR)
        if mask is None:
            mask = self.unstable[start // SECTOR] = bytearray(SECTOR)
        if command == 0x20:
            for at in range(start, start + SECTOR):
                self.tear_byte(at, 0xFF, share, mask)
            return
        # Some chips program byte after byte, others all bytes at once.
        by_bytes = self.random() & 1
        for index in range(len(data)):
            at = start + (address + index) % PAGE
            if not by_bytes:
                self.tear_byte(at, self.memory[at] & data[index], share, mask)
            elif index * 256 < share * len(data):
                self.memory[at] &= data[index]
                mask[at % SECTOR] &= data[index]
            else:
                self.tear_byte(at, self.memory[at] & data[index], share, mask)
                break

    def tear_byte(self, at, target, share, mask):
        """Let each bit that changes have changed, stand between, or be as it was."""
        changing = self.memory[at] ^ target
        if not changing:
            return
        bit = 1
        while bit < 256:
            if changing & bit:
                drawn = self.random() - share
                if drawn < -8:
                    self.memory[at] ^= bit
                    mask[at % SECTOR] &= 0xFF ^ bit
                elif drawn < 8:
                    mask[at % SECTOR] |= bit
            bit <<= 1
