"""What a 25-series flash tells of itself (SFDP) and which part of it its protection bits lock.

Sources: JEDEC JESD216B for the discoverable parameters; the W25Q32 data sheet (revision J, 2013), section 8 with the
table of the protected area, from memory.
"""

from __future__ import annotations

import math

SFDP_POINTER = 0x80
SFDP_WORDS = 16
_ERASE_UNITS_MS = (1, 16, 128, 1000)


def _counted(value: float, units: tuple[float, ...]) -> int:
    """Return a time as JESD216B writes it: five bits of count less one, above them the unit's index; rounded up."""
    for index, unit in enumerate(units):
        if value <= 32 * unit:
            return index << 5 | max(math.ceil(value / unit), 1) - 1
    return len(units) - 1 << 5 | 31


def _factor(typical: float, longest: float) -> int:
    """Return N of "at most 2 * (N + 1) times the typical", the smallest that covers it."""
    return min(max(-int(-longest // (2 * typical)) - 1, 0), 15)


def sfdp(
    size_bytes: int, program_us: float, program_max_us: float, erase_us: float, erase_max_us: float, wake_us: float
) -> bytes:
    """Return the discoverable parameters of a chip: header, and a basic table of sixteen words (64 bytes).

    Args: `size_bytes`, then the typical and longest times of a page of 256 bytes and of a sector of 4 kbyte [us], and
    the time that leaving deep power-down takes [us].
    """
    header = b"SFDP" + bytes([0x06, 0x01, 0x00, 0xFF])
    parameter = bytes([0x00, 0x06, 0x01, SFDP_WORDS]) + SFDP_POINTER.to_bytes(3, "little") + b"\xff"
    erase_ms = erase_us / 1000
    sector = _counted(erase_ms, _ERASE_UNITS_MS)
    block_32 = _counted(2.7 * erase_ms, _ERASE_UNITS_MS)
    block_64 = _counted(3.4 * erase_ms, _ERASE_UNITS_MS)
    # The times are rounded to the table's units, so the factors are taken from what the table says.
    said_erase_ms = ((sector & 31) + 1) * _ERASE_UNITS_MS[sector >> 5]
    page = _counted(program_us, (8, 64))
    said_page_us = ((page & 31) + 1) * (8, 64)[page >> 5]
    words = [
        0xFFF120E5 & ~(1 << 19),  # 4-kbyte erase by 0x20, 3-byte addresses, no double rate
        size_bytes * 8 - 1,
        0x6B08EB44,
        0xBB423B08,
        0xFFFFFFFE,
        0x0000FFFF,
        0xEB40FFFF,
        0x520F200C,  # 4 kbyte by 0x20, 32 kbyte by 0x52
        0x0000D810,  # 64 kbyte by 0xD8
        _factor(said_erase_ms, erase_max_us / 1000) | sector << 4 | block_32 << 11 | block_64 << 18,
        _factor(said_page_us, program_max_us) | 8 << 4 | page << 8,  # pages of 2^8 bytes
        0xFFFFFFFF,  # suspending is not modelled, and not said to be there
        0xFFFFFFFF,
        _counted(wake_us, (0.128, 1, 8, 64)) << 8 | 0xAB << 15 | 0xB9 << 23,
        0x00000000,
        0x00000000,
    ]
    table = b"".join(word.to_bytes(4, "little") for word in words)
    return (header + parameter).ljust(SFDP_POINTER, b"\xff") + table


def protected_range(status: int, size_bytes: int) -> tuple[int, int]:
    """Return the half-open range of addresses [bytes] that the protection bits lock.

    Args: `status` is status register 1: BP2 to BP0 in bits 4 to 2, TB (from the bottom) in bit 5, SEC (sectors instead
    of blocks) in bit 6; `size_bytes` of the chip. The complement bit of register 2 is taken as 0.
    """
    block = status >> 2 & 7
    if block == 0:
        return 0, 0
    if block == 7:
        return 0, size_bytes
    if status & 0x40:
        length = 4096 << min(block - 1, 3)
    else:
        length = size_bytes >> (7 - block)
    return (0, length) if status & 0x20 else (size_bytes - length, size_bytes)
