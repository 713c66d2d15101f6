"""Test double of a 25-series SPI NOR flash chip: bus and chip select on one side, faults and power cuts on the other.

Behaviour after Winbond W25Q32JV rev. G, section 8 (commands), from memory where no figure is given: programming only
clears bits, wraps inside its page, needs the write enable latch, and so does erasing.
"""


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


class NorChip:
    """One chip: use it as the SPI bus, and its `select` as the chip select pin."""

    def __init__(self, blocks=64, jedec=b"\xef\x40", sfdp=False):
        self.size = blocks * 4096
        self.memory = bytearray(self.size)
        for at in range(0, self.size, 4096):
            self.memory[at : at + 4096] = b"\xff" * 4096
        exponent = 16
        while 1 << exponent < self.size:
            exponent += 1
        self.jedec = jedec + bytes([exponent])
        self.sfdp = sfdp
        self.silent = False
        self.protected = False
        self.stuck = False
        self.operations = 0
        self.cut_at = None
        self.noise = 0x5A
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
        self.given += bytes(data)

    def readinto(self, buffer):
        assert self.selected
        for index in range(len(buffer)):
            buffer[index] = self.answer()
            self.asked += 1

    def write_readinto(self, out, into):
        assert self.selected and len(out) == len(into)
        for index in range(len(out)):
            into[index] = self.answer() if self.given else 0xFF
            self.given += bytes(out[index : index + 1])
            if len(self.given) > 1:
                self.asked += 1

    def answer(self):
        if self.silent or self.sleeping or not self.given:
            return 0xFF
        command = self.given[0]
        if command == 0x9F:
            return self.jedec[self.asked % 3]
        if command == 0x05:
            if self.busy and not self.stuck:
                self.busy -= 1
            return (1 if self.busy or self.stuck else 0) | (2 if self.enabled else 0)
        if command == 0x5A:
            return self.sfdp_byte(self.address() + self.asked) if self.sfdp else 0xFF
        if command == 0x03:
            assert not self.busy, "read while busy"
            return self.memory[(self.address() + self.asked) % self.size]
        raise ValueError("command", command)

    def address(self):
        assert len(self.given) >= 4
        return self.given[1] << 16 | self.given[2] << 8 | self.given[3]

    def sfdp_byte(self, at):
        # JESD216: header with one parameter table of 9 words at 0x30; the second word is the number of bits less one.
        bits = self.size * 8 - 1
        table = b"\xe5\x20\xf1\xff" + bytes([bits & 0xFF, bits >> 8 & 0xFF, bits >> 16 & 0xFF, bits >> 24])
        head = b"SFDP\x00\x01\x00\xff" + b"\x00\x00\x01\x09\x30\x00\x00\xff"
        if at < 16:
            return head[at]
        return table[at - 0x30] if 0x30 <= at < 0x38 else 0xFF

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
                self.enabled = False
                self.busy = 2
                self.operate(command)

    def operate(self, command):
        cut = self.operations == self.cut_at
        self.operations += 1
        address = self.address()
        if command == 0x20:
            self.erases += 1
            start = address & ~4095
            self.memory[start : start + 4096] = b"\xff" * 4096
            if cut:
                # A half-erased sector: bits that are neither read as anything.
                for at in range(start, start + 4096, 3):
                    self.noise = (self.noise * 5 + 1) & 0xFF
                    self.memory[at] = self.noise
        else:
            self.programs += 1
            data = self.given[4:][-256:]
            if cut:
                data = data[: len(data) // 2]
            page = address & ~255
            for index in range(len(data)):
                at = page + (address + index) % 256
                if self.memory[at] & data[index] != data[index]:
                    self.overwrites += 1
                self.memory[at] &= data[index]
        if cut:
            self.dead = True
            raise PowerCut
