"""Checks of the flash driver against a chip double."""

from nor_chip import NorChip

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
