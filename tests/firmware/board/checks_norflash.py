"""Checks of the flash driver against a chip double."""

import gc

from nor_chip import NorChip

from parts import sfdp
from parts.fault import PartError
from parts.norflash import FlashBlocks, NorFlash


def refused(code, action, *args):
    try:
        action(*args)
    except PartError as error:
        assert error.code == code, error.code
        assert error.message.endswith(".")
        return
    raise AssertionError("no error " + code)


def check_identity_and_size():
    chip = NorChip(64)
    flash = NorFlash(chip, chip.select)
    assert flash.jedec_id == b"\xef\x40\x12"
    assert flash.size_bytes == 64 * 4096 and not flash.from_sfdp
    chip = NorChip(48, sfdp=True)  # no power of two: only SFDP can say it
    flash = NorFlash(chip, chip.select)
    assert flash.size_bytes == 48 * 4096 and flash.from_sfdp


def check_silent_chip_and_grounded_line():
    chip = NorChip(16)
    chip.silent = True
    refused("flash-missing", NorFlash, chip, chip.select)
    chip = NorChip(16)
    chip.jedec = b"\0\0\0"
    refused("flash-missing", NorFlash, chip, chip.select)
    chip = NorChip(16)
    chip.jedec = b"\xef\x40\x51"
    refused("flash-unknown", NorFlash, chip, chip.select)


def check_pages_are_split_and_read_back():
    chip = NorChip(16)
    flash = NorFlash(chip, chip.select)
    data = bytes([index * 7 & 0xFF for index in range(700)])
    flash.program(4096 + 200, data)
    assert chip.programs == 4  # 56 + 256 + 256 + 132
    got = bytearray(700)
    flash.read(4096 + 200, got)
    assert got == data
    assert chip.memory[4096 + 199] == 0xFF and chip.memory[4096 + 900] == 0xFF
    flash.erase(4096)
    flash.read(4096 + 200, got)
    assert got == b"\xff" * 700
    refused("flash-address", flash.erase, 4097)
    refused("flash-address", flash.read, chip.size - 10, got)
    refused("flash-address", flash.program, chip.size - 10, got)


def check_write_enable_is_checked():
    chip = NorChip(16)
    flash = NorFlash(chip, chip.select)
    chip.protected = True
    refused("flash-protected", flash.program, 0, b"abc")
    refused("flash-protected", flash.erase, 0)


def check_busy_has_a_deadline():
    chip = NorChip(16)
    flash = NorFlash(chip, chip.select, program_timeout_ms=2, erase_timeout_ms=3)
    chip.stuck = True
    refused("flash-timeout", flash.program, 0, b"abc")
    # While it may still be busy nothing else is sent to it; once it is done, it is used again.
    refused("flash-timeout", flash.read, 0, bytearray(3))
    refused("flash-timeout", flash.erase, 0)
    chip.stuck = False
    got = bytearray(3)
    flash.read(0, got)
    assert got == b"abc"


def check_protection_bits_are_told():
    # BP2 to BP0 are bits 4 to 2 of the status register (W25Q32JV, 7.1, from memory); writes are then ignored silently.
    for bits in (0x04, 0x08, 0x10, 0x1C):
        chip = NorChip(16)
        flash = NorFlash(chip, chip.select)
        chip.protection = bits
        for action, arguments in ((flash.program, (0, b"abc")), (flash.erase, (0,))):
            try:
                action(*arguments)
            except PartError as error:
                assert error.code == "flash-protected" and "0x%02x" % (bits | 2) in error.message, error.message
            else:
                raise AssertionError
        assert chip.operations == 0


def check_a_command_that_was_not_taken_is_told():
    chip = NorChip(16)
    flash = NorFlash(chip, chip.select)
    chip.deaf = True  # the write enable latch stands, but no operation begins
    refused("flash-refused", flash.program, 0, b"abc")
    refused("flash-refused", flash.erase, 0)


def check_a_chip_that_was_pulled_out_is_told():
    chip = NorChip(16)
    flash = NorFlash(chip, chip.select)
    chip.silent = True
    refused("flash-missing", flash.program, 0, b"abc")


def check_a_chip_still_erasing_at_a_start_is_waited_for():
    chip = NorChip(16)
    chip.busy = 5
    assert NorFlash(chip, chip.select).size_bytes == 16 * 4096
    chip.stuck = True
    chip.busy = 1
    refused("flash-timeout", NorFlash, chip, chip.select, 256, 4096, 2, 3)


def reader_of(table):
    def read(address, buffer):
        for index in range(len(buffer)):
            buffer[index] = table[address + index] if address + index < len(table) else 0xFF

    return read


def words_of(text):
    return bytes([int(text[at : at + 2], 16) for at in range(0, len(text), 2)])


# Parameters that real chips gave, as published with changes to the Linux kernel's SPI NOR drivers: the dump of a
# W25Q128 (July 2023), and the basic table of a W25Q512. Their sheets, from memory: 16 and 64 MB; pages of 256 bytes in
# 0.7 ms; 4 kB erased by 0x20, in 45 ms (the W25Q128's table says 64); awake in 3 us.
W25Q128 = (
    words_of("53464450050100ff00050110800000ff")
    + b"\xff" * 112
    + words_of(
        "e520f9ffffffff0744eb086b083b42bbfeffffffffff0000ffff40eb0c200f52"
        "10d800003602a60082ea14c9e96376337a757a75f7a2d55c19f74dffe930f880"
    )
)
W25Q512 = (
    words_of("53464450060101ff00060110800000ff")
    + b"\xff" * 112
    + words_of(
        "e520fbffffffff1f44eb086b083b42bbfeffffffffff0000ffff40eb0c200f52"
        "10d800003602a60082ea14e2e96376337a757a75f7a2d55c19f74dffe970f9a5"
    )
)


def check_parameters_of_real_chips():
    found = sfdp.parse(reader_of(W25Q128))
    # At most 2 * (2 + 1) * 704 us a page, 2 * (6 + 1) * 64 ms a sector, as the table's own formula has it.
    assert found == (16 << 20, 0x20, 256, 5, 896, 3, False), found
    found = sfdp.parse(reader_of(W25Q512))
    assert found.size_bytes == 64 << 20 and not found.long_addresses and found.erase_opcode == 0x20
    assert sfdp.parse(reader_of(b"")) is None
    assert sfdp.parse(reader_of(b"SFDP" + W25Q128[4:8] + bytes(8))) is None
    # The first edition of JESD216 has nine words: size and erase command, no times.
    old = bytearray(W25Q128)
    old[11] = 9
    assert sfdp.parse(reader_of(old)) == (16 << 20, 0x20, 256, 0, 0, 0, False)


def check_what_the_chip_says_is_used():
    chip = NorChip(16, sfdp=True)
    chip.sfdp = bytearray(W25Q512)
    flash = NorFlash(chip, chip.select)
    assert flash.size_bytes == 16 << 20 and "64 MB" in flash.notes[0] and "16 MB" in flash.notes[0]
    # The chip's longest times win where they are longer than the caller's, three times over.
    flash = NorFlash(chip, chip.select, 256, 4096, 1, 1)
    assert (flash._program_timeout_ms, flash._erase_timeout_ms) == (15, 2688)
    small = NorChip(16)
    assert NorFlash(small, small.select).notes == []
    # No 4-kB erase at all, four-byte addresses only: such a chip cannot be used.
    for at, value in ((0x80, 0xE7), (0x82, 0xFD)):
        chip.sfdp = bytearray(W25Q512)
        chip.sfdp[at] = value
        if at == 0x80:
            chip.sfdp[0x80 + 28] = 0x0D
        refused("flash-unknown", NorFlash, chip, chip.select)


class Idle:
    """A bus on which every command succeeds at once, and nothing is allocated."""

    def __init__(self):
        self.enabled = 0

    def select(self, value):
        pass

    def write(self, data):
        if len(data) == 1 and data[0] == 0x06:
            self.enabled = 2
        elif len(data) == 4 and data[0] != 0x03:
            self.enabled = 0

    def readinto(self, buffer):
        if len(buffer) == 3:
            buffer[0] = 0xEF
            buffer[1] = 0x40
            buffer[2] = 0x16

    def write_readinto(self, out, into):
        into[1] = self.enabled


def check_nothing_is_allocated_in_use():
    bus = Idle()
    flash = NorFlash(bus, bus.select)
    buffer = bytearray(256)
    flash.read(0, buffer)
    gc.collect()
    gc.disable()
    before = gc.mem_alloc()
    for number in range(100):
        flash.read(number * 256, buffer)
        flash.program(number * 256, buffer)
        flash.erase(number * 4096)
    grown = gc.mem_alloc() - before
    gc.enable()
    # A range, and what a call itself may take once; three hundred calls leave nothing behind.
    assert grown < 300, grown


def check_wavering_bits_are_settled():
    chip = NorChip(16, sfdp=True)
    blocks = FlashBlocks(NorFlash(chip, chip.select))
    data = bytes([index * 5 & 0xFF for index in range(256)])
    for seed in range(40):
        blocks.ioctl(6, 3)
        chip.seed = seed
        chip.tear(0x02, 3 * 4096 + 512, data)
        loose = bytes(chip.unstable[3][512:768])
        blocks.settling(True)
        buffer = bytearray(16)
        # Reading a part of the page is enough.
        assert blocks.readblocks(3, buffer, 512 + 64) == 0
        blocks.settling(False)
        first = bytearray(256)
        again = bytearray(256)
        blocks.readblocks(3, first, 512)
        for _ in range(20):
            blocks.readblocks(3, again, 512)
            assert again == first, seed
        for index in range(256):
            # Nothing but wavering bits fell, and none of them rose again.
            assert first[index] & data[index] == data[index], (seed, index)
            assert not chip.unstable[3][512 + index] & ~loose[index]
    assert 10 < blocks.settled_pages <= 60


def check_settling_writes_nothing_where_nothing_wavers():
    chip = NorChip(16, sfdp=True)
    blocks = FlashBlocks(NorFlash(chip, chip.select))
    blocks.writeblocks(3, bytes(range(256)), 0)
    programs = chip.programs
    blocks.settling(True)
    buffer = bytearray(4096)
    assert blocks.readblocks(3, buffer, 0) == 0 and blocks.readblocks(4, buffer, 0) == 0
    blocks.settling(False)
    assert chip.programs == programs and blocks.settled_pages == 0


def check_power_down_and_wake():
    chip = NorChip(16)
    flash = NorFlash(chip, chip.select)
    flash.program(0, b"abc")
    flash.power_down()
    got = bytearray(3)
    flash.read(0, got)
    assert got == b"\xff\xff\xff"
    flash.wake()
    flash.read(0, got)
    assert got == b"abc"
    flash.power_down()
    NorFlash(chip, chip.select)  # a chip left asleep by the last run is found


def check_block_device():
    chip = NorChip(16)
    blocks = FlashBlocks(NorFlash(chip, chip.select))
    assert blocks.ioctl(4, 0) == 16 and blocks.ioctl(5, 0) == 4096
    assert blocks.is_blank(3, 4096)
    assert blocks.writeblocks(3, b"xyz", 100) == 0
    got = bytearray(3)
    assert blocks.readblocks(3, got, 100) == 0 and got == b"xyz"
    assert not blocks.is_blank(3, 4096) and blocks.is_blank(3, 96)
    whole = bytes(range(256)) * 16
    assert blocks.writeblocks(3, whole) == 0 and chip.memory[3 * 4096 : 4 * 4096] == whole
    assert blocks.ioctl(6, 3) == 0 and blocks.is_blank(3, 4096)
    chip.protected = True
    assert blocks.writeblocks(3, b"xyz", 100) == -5
    assert blocks.ioctl(6, 3) == -5
    assert blocks.problem.code == "flash-protected"
