"""What a 25-series flash tells of itself: the serial flash discoverable parameters, JEDEC JESD216 (SFDP).

Field places from memory of JESD216D, 6.4 (words counted from 1), checked against the published table of a real chip.
Words 10 to 14 came with JESD216A; where a chip's table ends before them the fields are 0.
"""

from collections import namedtuple

from micropython import const

# size_bytes; erase_opcode of 4 kB, 0 where the chip has none; page_bytes; program_max_ms, erase_max_ms (the chip's
# longest times, rounded up); wake_us (out of deep power-down); long_addresses: only four address bytes are understood.
Parameters = namedtuple(
    "Parameters",
    ("size_bytes", "erase_opcode", "page_bytes", "program_max_ms", "erase_max_ms", "wake_us", "long_addresses"),
)

_HEAD_BYTES = const(16)
_WORDS = const(16)
_WORDS_LEAST = const(9)
_4_KB = const(12)
_ERASE_UNITS_MS = (1, 16, 128, 1000)
_WAKE_UNITS_NS = (128, 1000, 8000, 64000)


def _halves(table, number):
    """Return (low, high) 16 bits of a word, so that no number grows beyond a small integer."""
    at = 4 * (number - 1)
    return table[at] | table[at + 1] << 8, table[at + 2] | table[at + 3] << 8


def _size(table):
    """Return the size [bytes], 0 where it makes no sense. Word 2: bits less one or, with bit 31, a power of two."""
    low, high = _halves(table, 2)
    if high & 0x8000:
        exponent = low if high == 0x8000 else 0
        return 1 << exponent - 3 if 19 <= exponent <= 40 else 0
    # Bits less one; (high << 16 | low) + 1 over 8, without leaving the small integers.
    return (high << 13) + (low + 1 >> 3) if low == 0xFFFF or low & 7 == 7 else 0


def _erase(table):
    """Return (opcode, index) of the 4-kB erase: among words 8 and 9, else word 1's older field with index None."""
    for index in range(4):
        at = 28 + 2 * index
        if table[at] == _4_KB:
            return table[at + 1], index
    if table[0] & 3 == 1:
        return table[1], None
    return 0, None


def _erase_max_ms(table, index):
    """Return how long the erase type of an index takes at most [ms]. Word 10: a factor, then seven bits each."""
    low, high = _halves(table, 10)
    field = (low >> 4, low >> 11 | high << 5, high >> 2, high >> 9)[index] & 0x7F
    return 2 * ((low & 15) + 1) * ((field & 31) + 1) * _ERASE_UNITS_MS[field >> 5]


def parse(read):
    """Read a chip's parameters.

    read: function of (address [bytes], buffer) that fills the buffer from the chip's parameters. Returns Parameters,
    or None where the chip has none, or none that make sense.
    """
    head = bytearray(_HEAD_BYTES)
    read(0, head)
    words = head[11]
    # Signature, major revision 1, then the header of the basic table: its id 0xFF00 and major revision 1.
    if head[:4] != b"SFDP" or head[5] != 1 or head[8] != 0 or head[10] != 1 or words < _WORDS_LEAST:
        return None
    table = bytearray(4 * _WORDS)
    words = min(words, _WORDS)
    read(head[12] | head[13] << 8 | head[14] << 16, memoryview(table)[: 4 * words])
    size_bytes = _size(table)
    if not size_bytes:
        return None
    opcode, index = _erase(table)
    page_bytes = 256
    program_max_ms = erase_max_ms = wake_us = 0
    if words >= 11:
        low, _ = _halves(table, 11)
        page_bytes = 1 << (low >> 4 & 15)
        typical_us = ((low >> 8 & 31) + 1) * (64 if low & 0x2000 else 8)
        program_max_ms = (2 * ((low & 15) + 1) * typical_us + 999) // 1000
        if index is not None:
            erase_max_ms = _erase_max_ms(table, index)
    if words >= 14:
        low, high = _halves(table, 14)
        if not high & 0x8000:
            wake_us = (((low >> 8 & 31) + 1) * _WAKE_UNITS_NS[low >> 13 & 3] + 999) // 1000
    # Word 1, bits 18-17: 2 stands for four address bytes and no other way.
    long_addresses = table[2] >> 1 & 3 == 2
    return Parameters(size_bytes, opcode, page_bytes, program_max_ms, erase_max_ms, wake_us, long_addresses)
