"""The flash model: instructions of the 25-series (W25Q32 data sheet, from memory), JESD216, and the physics of NOR."""

import pytest

from probeledger.virtual.chips.norflash import FlashImageError, NorFlash
from probeledger.virtual.circuit import description as descriptions

FIGURES = descriptions.load().chips["flash"]
SPI = (12_000_000, 0, 0)


class Bench:
    def __init__(self, folder):
        self.now_us = 0
        self.path = folder / "flash.img"
        self.chip = NorFlash(self.path, FIGURES, lambda: self.now_us, 7)

    def spi(self, *parts, mode=SPI):
        self.chip.select(True)
        out = b"".join(self.chip.transfer(bytes(p), *mode) for p in parts)
        self.chip.select(False)
        return out

    def read(self, address, count):
        return self.spi([0x03, *address.to_bytes(3, "big")], bytes(count))[4:]

    def program(self, address, data, wait=True):
        self.spi([0x06])
        self.spi([0x02, *address.to_bytes(3, "big"), *data])
        if wait:
            self.finish()

    def erase(self, address, opcode=0x20, wait=True):
        self.spi([0x06])
        self.spi([opcode, *address.to_bytes(3, "big")])
        if wait:
            self.finish()

    def finish(self):
        while self.chip.busy:
            self.now_us += 100


@pytest.fixture
def bench(tmp_path):
    made = Bench(tmp_path)
    yield made
    made.chip.close()


def test_a_new_chip_is_all_ones_and_names_itself(bench):
    assert bench.spi([0x9F, 0, 0, 0])[1:] == bytes([0xEF, 0x40, 0x16])
    assert bench.read(0, 16) == b"\xff" * 16
    assert bench.read(4_194_303, 3) == b"\xff" * 3


def test_discoverable_parameters_give_size_and_4_kbyte_erase(bench):
    head = bench.spi([0x5A, 0, 0, 0, 0], bytes(16))[5:]
    # JESD216: signature, then headers of eight bytes; identification byte, pointer to the table.
    assert head[:4] == b"SFDP"
    pointer, words = int.from_bytes(head[12:15], "little"), head[11]
    table = bench.spi([0x5A, *pointer.to_bytes(3, "big"), 0], bytes(words * 4))[5:]
    word = [int.from_bytes(table[4 * k : 4 * k + 4], "little") for k in range(words)]
    assert word[0] & 3 == 1 and (word[0] >> 8) & 0xFF == 0x20
    # Word 2: density in bits less one.
    assert (word[1] + 1) // 8 == 4_194_304
    # Word 8: erase type 1 is 2^12 bytes by 0x20.
    assert word[7] & 0xFFFF == 0x200C


def test_programming_clears_bits_and_never_sets_them(bench):
    bench.program(0x1000, [0xF0])
    assert bench.read(0x1000, 1) == b"\xf0"
    bench.program(0x1000, [0x3F])
    assert bench.read(0x1000, 1) == b"\x30"
    bench.program(0x1000, [0xFF])
    assert bench.read(0x1000, 1) == b"\x30"


def test_programming_wraps_at_the_page_s_end(bench):
    bench.program(0x20FE, [1, 2, 3, 4])
    assert bench.read(0x20FE, 2) == bytes([1, 2])
    assert bench.read(0x2000, 2) == bytes([3, 4])
    assert bench.read(0x2100, 2) == b"\xff\xff"


def test_of_more_than_a_page_only_the_last_bytes_are_programmed(bench):
    data = [k & 0xFF for k in range(300)]
    bench.program(0, data)
    assert bench.read(0, 256) == bytes(data[256:]) + bytes(data[44:256])


def test_erasing_sets_one_sector_only(bench):
    bench.program(0x0FFF, [0])
    bench.program(0x1000, [0])
    bench.program(0x1FFF, [0])
    bench.program(0x2000, [0])
    bench.erase(0x1234)
    assert [bench.read(a, 1)[0] for a in (0x0FFF, 0x1000, 0x1FFF, 0x2000)] == [0, 0xFF, 0xFF, 0]
    bench.erase(0x5000, 0xD8)
    assert bench.read(0x0FFF, 1) == b"\xff" and bench.read(0x2000, 1) == b"\xff"


def test_without_write_enable_nothing_happens_and_it_is_noted(bench):
    bench.spi([0x02, 0, 0, 0, 0x00])
    assert bench.read(0, 1) == b"\xff"
    assert bench.chip.misuses == ["program without write enable"]


def test_the_write_enable_latch_falls_with_the_operation(bench):
    bench.spi([0x06])
    assert bench.spi([0x05, 0])[1] & 2
    bench.spi([0x04])
    assert not bench.spi([0x05, 0])[1] & 2
    bench.program(0, [0x55], wait=False)
    assert bench.spi([0x05, 0])[1] & 3 == 1


def test_busy_lasts_the_sheet_s_times_and_reading_waits(bench):
    bench.program(0, [0x55], wait=False)
    begun = bench.now_us
    assert bench.read(0, 1) == b"\xff"
    bench.finish()
    assert bench.now_us - begun == pytest.approx(700, abs=100)
    bench.erase(0, wait=False)
    begun = bench.now_us
    bench.finish()
    assert bench.now_us - begun == pytest.approx(45_000, abs=100)


def test_an_instruction_while_busy_is_lost_and_noted(bench):
    bench.program(0, [0x00], wait=False)
    bench.spi([0x06])
    assert bench.chip.misuses == ["instruction 0x06 while busy"]


def test_fast_read_has_a_dummy_byte_and_reads_on_round_the_end(bench):
    bench.program(0, [0x42])
    assert bench.spi([0x0B, 0x3F, 0xFF, 0xFF, 0], bytes(2))[5:] == b"\xff\x42"


def test_deep_power_down_answers_nothing_but_its_release(bench):
    bench.spi([0xB9])
    assert bench.spi([0x9F, 0, 0, 0])[1:] == b"\xff\xff\xff"
    bench.spi([0xAB])
    bench.now_us += 5
    assert bench.spi([0x9F, 0, 0, 0])[1:] == bytes([0xEF, 0x40, 0x16])


def test_mode_1_is_nonsense_mode_3_is_right(bench):
    assert bench.spi([0x9F, 0, 0, 0], mode=(12_000_000, 0, 1))[1:] == b"\xff\xff\xff"
    assert bench.chip.mode_violations == 1
    assert bench.spi([0x9F, 0, 0, 0], mode=(12_000_000, 1, 1))[1:] == bytes([0xEF, 0x40, 0x16])


def test_the_image_outlives_the_chip(tmp_path):
    first = Bench(tmp_path)
    first.program(0x3000, b"kept")
    first.chip.close()
    second = Bench(tmp_path)
    assert second.read(0x3000, 4) == b"kept"
    second.chip.close()
    (tmp_path / "flash.img").write_bytes(b"short")
    with pytest.raises(FlashImageError, match="holds 5 bytes"):
        Bench(tmp_path)


def test_a_cut_during_a_program_leaves_only_bits_on_their_way(bench):
    bench.program(0, bytes([0xAA] * 64), wait=False)
    bench.now_us += 350
    bench.chip.power_off()
    bench.chip.power_on()
    seen = bench.read(0, 64)
    assert all(byte & 0xAA == 0xAA for byte in seen)
    assert len(set(seen)) > 1
    # The file has what the chip has, but for the bits that stand between.
    again = [bench.read(0, 64) for _ in range(20)]
    loose = [0] * 64
    for other in again:
        loose = [a | b ^ c for a, b, c in zip(loose, seen, other, strict=True)]
    assert 0 < sum(byte.bit_count() for byte in loose) < 64
    kept = bench.path.read_bytes()[:64]
    assert [byte & ~mask for byte, mask in zip(kept, loose, strict=True)] == [
        byte & ~mask for byte, mask in zip(seen, loose, strict=True)
    ]
    # Programming them firms those that are programmed, and erasing the rest.
    bench.program(0, bytes([0xAA] * 64))
    assert {bench.read(0, 64) for _ in range(20)} == {bytes([0xAA] * 64)}


def test_a_cut_during_an_erase_leaves_old_bits_and_new_ones(bench):
    bench.program(0, bytes(64))
    bench.erase(0, wait=False)
    bench.now_us += 22_000
    bench.chip.power_off()
    bench.chip.power_on()
    seen = bench.read(0, 64)
    assert 0 < sum(byte.bit_count() for byte in seen) < 512


def test_loose_bits_are_firm_after_an_erase_and_a_program_of_ones_leaves_them(bench):
    bench.program(0, bytes(256))
    bench.erase(0, wait=False)
    bench.now_us += 22_000
    bench.chip.power_off()
    bench.chip.power_on()
    assert len({bench.read(0, 256) for _ in range(20)}) > 1
    bench.program(0, b"\xff" * 256)
    assert len({bench.read(0, 256) for _ in range(20)}) > 1
    bench.erase(0)
    assert {bench.read(0, 256) for _ in range(20)} == {b"\xff" * 256}


def test_the_longest_times_are_the_sheet_s(bench):
    """W25Q32 data sheet, revision J, table of times, from memory: 3 ms a page, 400 ms a sector of 4 kbyte."""
    bench.chip.slow = True
    bench.program(0, [0x55], wait=False)
    bench.finish()
    assert bench.now_us == pytest.approx(3_000, abs=100)
    bench.erase(0, wait=False)
    bench.finish()
    assert bench.now_us == pytest.approx(403_000, abs=200)


def test_the_chip_is_deaf_until_it_is_awake(bench):
    bench.spi([0xB9])
    bench.now_us += 5
    bench.spi([0xAB])
    bench.now_us += 2  # tRES1 is 3 us
    bench.program(0, [0x00], wait=False)
    assert bench.chip.misuses[0] == "instruction 0x06 before the chip was awake"
    bench.now_us += 2
    assert bench.read(0, 1) == b"\xff"


def test_the_parameter_table_has_64_bytes_and_the_chip_s_times(bench):
    """JESD216B, words 10, 11 and 14, by hand: counts and units as they stand, against the data sheet's times."""
    head = bench.spi([0x5A, 0, 0, 0, 0], bytes(16))[5:]
    assert head[4:6] == bytes([6, 1]) and head[11] * 4 == 64
    table = bench.spi([0x5A, *head[14:11:-1], 0], bytes(64))[5:]
    word = [int.from_bytes(table[4 * k : 4 * k + 4], "little") for k in range(16)]
    # Word 10: type 1 in bits 10-4, units of 1, 16, 128, 1000 ms; at most 2 * (bits 3-0 + 1) times that.
    typical_ms = ((word[9] >> 4 & 31) + 1) * (1, 16, 128, 1000)[word[9] >> 9 & 3]
    assert typical_ms == pytest.approx(45, abs=8)
    assert 400 <= 2 * ((word[9] & 15) + 1) * typical_ms < 500
    # Word 11: page of 2^(bits 7-4); program time in bits 13-8, units of 8 or 64 us.
    assert 1 << (word[10] >> 4 & 15) == 256
    typical_us = ((word[10] >> 8 & 31) + 1) * (64 if word[10] >> 13 & 1 else 8)
    assert typical_us == pytest.approx(700, abs=32)
    assert 3000 <= 2 * ((word[10] & 15) + 1) * typical_us < 4500
    # Word 14: out of deep power-down in bits 14-8 by the opcode of bits 22-15, into it by that of bits 30-23.
    assert 3 <= ((word[13] >> 8 & 31) + 1) * (0.128, 1, 8, 64)[word[13] >> 13 & 3] < 3.2
    assert (word[13] >> 15 & 0xFF, word[13] >> 23 & 0xFF) == (0xAB, 0xB9)


@pytest.mark.parametrize(
    ("status", "locked", "free"),
    # W25Q32, table of the protected area, from memory: BP 001 is the upper 64 kbyte, 110 the upper half; TB turns it
    # to the bottom; SEC takes sectors of 4 kbyte.
    [
        (0x04, [0x3F0000, 0x3FFFFF], [0, 0x3EF000]),
        (0x18, [0x200000], [0, 0x1FF000]),
        (0x24, [0, 0xF000], [0x10000]),
        (0x44, [0x3FF000], [0x3FE000]),
        (0x1C, [0, 0x3FF000], []),
    ],
)
def test_protection_bits_lock_their_part_without_a_word(bench, status, locked, free):
    bench.spi([0x06])
    bench.spi([0x01, status])
    assert bench.spi([0x05, 0])[1] & 3 == 1
    bench.finish()
    assert bench.now_us == pytest.approx(10_000, abs=200)
    assert bench.spi([0x05, 0])[1] == status
    for address in locked:
        bench.program(address, [0x12])
        assert bench.read(address, 1) == b"\xff"
        # No operation was begun, so the latch stands.
        assert bench.spi([0x05, 0])[1] & 3 == 2
    for address in free:
        bench.program(address, [0x12])
        assert bench.read(address, 1) == b"\x12"
        bench.erase(address)
        assert bench.read(address, 1) == b"\xff"
    # They outlive the supply.
    bench.chip.power_off()
    bench.chip.power_on()
    assert bench.spi([0x05, 0])[1] == status


def test_an_erase_with_a_byte_too_many_is_not_executed(bench):
    bench.program(0x1000, [0])
    bench.spi([0x06])
    bench.spi([0x20, 0, 0x10, 0, 0])
    assert not bench.chip.busy and bench.read(0x1000, 1) == b"\x00"
    assert "5 bytes instead of 4" in bench.chip.misuses[0]


def test_a_stuck_bit_sticks(bench):
    bench.chip.faults.stuck[0x2000] = (0x81, 0x01)
    assert bench.read(0x2000, 2) == b"\x7f\xff"
    bench.program(0x2000, [0x00])
    assert bench.read(0x2000, 1) == b"\x01"
    bench.erase(0x2000)
    assert bench.read(0x2000, 1) == b"\x7f"


def test_an_operation_that_never_ends(bench):
    bench.chip.faults.busy_for_ever = True
    bench.program(0, [0], wait=False)
    bench.now_us += 10**9
    assert bench.chip.busy and bench.spi([0x05, 0])[1] & 1
    assert bench.chip.next_event_us() is None
    bench.chip.faults.busy_for_ever = False
    bench.chip.power_off()
    bench.chip.power_on()
    assert not bench.chip.busy


def test_writes_that_do_not_take_and_a_refused_enable(bench):
    bench.chip.faults.writes_lost = True
    bench.program(0, [0], wait=False)
    assert bench.chip.busy
    bench.finish()
    assert bench.read(0, 1) == b"\xff" and not bench.spi([0x05, 0])[1] & 2
    bench.chip.faults.refuses_enable = True
    bench.spi([0x06])
    assert not bench.spi([0x05, 0])[1] & 2


def test_a_hook_may_stop_an_operation_before_it_takes_effect(bench):
    seen = []

    def cut(kind, address, what):
        seen.append((kind, address, what))
        raise KeyboardInterrupt

    bench.chip.before_operation = cut
    with pytest.raises(KeyboardInterrupt):
        bench.program(0x40, b"never")
    bench.chip.before_operation = None
    assert seen == [("program", 0x40, b"never")]
    assert bench.read(0x40, 5) == b"\xff" * 5
