"""Display, clock and ambient sensor against their sheets (SSD1306 rev 1.1, DS3231 rev 10, SNOSD82; from memory)."""

import calendar

import pytest

from probeledger.virtual.chips.ds3231 import Ds3231
from probeledger.virtual.chips.ssd1306 import Ssd1306
from probeledger.virtual.chips.tmp117 import Tmp117

# ---------------------------------------------------------------- SSD1306


def started():
    chip = Ssd1306()
    # Section 10.1.3 and the charge-pump note: horizontal addressing, remap, pump, on.
    for command in (0xAE, 0x20, 0x00, 0x40, 0xA1, 0xA8, 0x3F, 0xC8, 0xD3, 0, 0xDA, 0x12, 0xD5, 0x80, 0x8D, 0x14, 0xAF):
        chip.write(bytes([0x80, command]))
    chip.write(bytes([0x00, 0x21, 0, 127, 0x22, 0, 7]))
    return chip


def test_horizontal_addressing_takes_a_frame_and_wraps():
    chip = started()
    frame = bytes((7 * k) & 0xFF for k in range(1024))
    chip.write(b"\x40" + frame)
    assert bytes(chip.ram) == frame
    chip.write(b"\x40\x99")
    assert chip.ram[0] == 0x99


def test_a_window_bounds_horizontal_addressing():
    chip = started()
    chip.write(b"\x40" + bytes(1024))
    chip.write(bytes([0x00, 0x21, 10, 12, 0x22, 2, 3]))
    chip.write(b"\x40" + bytes([1, 2, 3, 4, 5, 6]))
    assert list(chip.ram[2 * 128 + 10 : 2 * 128 + 13]) == [1, 2, 3]
    assert list(chip.ram[3 * 128 + 10 : 3 * 128 + 13]) == [4, 5, 6]


def test_page_addressing_stays_in_its_page():
    chip = started()
    chip.write(b"\x40" + bytes(1024))
    chip.write(bytes([0x00, 0x20, 0x02, 0xB3, 0x0F, 0x17]))
    chip.write(b"\x40\xaa\xbb")
    assert chip.ram[3 * 128 + 127] == 0xAA and chip.ram[3 * 128] == 0xBB


def test_the_glass_is_dark_until_it_is_on_and_shows_bit_0_on_top():
    chip = started()
    chip.write(b"\x40" + b"\x01" + bytes(1023))
    assert chip.pixel(0, 0) == 1 and chip.pixel(0, 1) == 0 and chip.pixel(127, 63) == 0
    chip.write(bytes([0x00, 0xA7]))
    assert chip.pixel(0, 0) == 0 and chip.pixel(127, 63) == 1
    chip.write(bytes([0x00, 0xAE]))
    assert chip.pixel(127, 63) == 0
    assert chip.read(1) == b"\x40"


def test_contrast_and_losing_the_supply():
    chip = started()
    chip.write(bytes([0x00, 0x81, 0x2F]))
    assert chip.contrast == 0x2F
    chip.power_off()
    chip.power_on()
    assert not chip.on and chip.contrast == 0x7F


def test_picture_of_the_glass(tmp_path):
    image = pytest.importorskip("PIL.Image")
    chip = started()
    chip.write(b"\x40" + b"\x80" + bytes(1023))
    chip.to_png(tmp_path / "glass.png", 2)
    with image.open(tmp_path / "glass.png") as picture:
        assert picture.size == (256, 128)
        assert picture.getpixel((0, 15)) != picture.getpixel((0, 13))


# ---------------------------------------------------------------- DS3231


class Time:
    def __init__(self):
        self.us = 0

    def __call__(self):
        return self.us


def read_clock(chip):
    chip.write(b"\x00")
    return list(chip.read(7))


def test_a_new_clock_says_that_it_was_never_set():
    chip = Ds3231(Time(), lambda: 23.0)
    chip.write(b"\x0f")
    assert chip.read(1)[0] & 0x80
    assert read_clock(chip)[4:] == [0x01, 0x01, 0x00]


def test_the_calendar_runs_in_bcd_over_a_leap_day():
    time = Time()
    chip = Ds3231(time, lambda: 23.0)
    # 28 February 2028, 23:59:58.
    chip.write(bytes([0x00, 0x58, 0x59, 0x23, 0x02, 0x28, 0x02, 0x28]))
    chip.write(b"\x0f\x00")
    time.us += 3_000_000
    seconds, minutes, hours, _day, date, month, year = read_clock(chip)
    assert (seconds, minutes, hours, date, month, year) == (0x01, 0x00, 0x00, 0x29, 0x02, 0x28)
    assert not chip.stopped_flag
    assert chip.epoch_s == pytest.approx(calendar.timegm((2028, 2, 29, 0, 0, 1)), abs=0.01)


def test_twelve_hour_writing_is_understood():
    chip = Ds3231(Time(), lambda: 23.0)
    # Bit 6: twelve-hour, bit 5: afternoon: 11 p.m.
    chip.write(bytes([0x00, 0x00, 0x30, 0x40 | 0x20 | 0x11]))
    assert read_clock(chip)[1:3] == [0x30, 0x23]


def test_the_battery_carries_it_through_an_off_time_and_a_dead_one_does_not(tmp_path):
    time = Time()
    chip = Ds3231(time, lambda: 23.0, state=tmp_path / "clock.json")
    chip.set_epoch(1_800_000_000)
    chip.power_off()
    time.us += 3_600_000_000
    chip.power_on()
    assert chip.epoch_s == pytest.approx(1_800_003_600, abs=0.01) and not chip.stopped_flag
    chip.save()
    again = Ds3231(Time(), lambda: 23.0, state=tmp_path / "clock.json")
    assert again.epoch_s == pytest.approx(1_800_003_600, abs=0.01) and not again.stopped_flag
    again.battery_dead = True
    again.power_off()
    again.power_on()
    assert again.stopped_flag


@pytest.mark.parametrize(("celsius", "registers"), [(25.25, b"\x19\x40"), (-1.0, b"\xff\x00"), (-0.25, b"\xff\xc0")])
def test_temperature_is_ten_bits_of_a_quarter_degree(celsius, registers):
    chip = Ds3231(Time(), lambda: celsius)
    chip.write(b"\x11")
    assert chip.read(2) == registers


# ---------------------------------------------------------------- TMP117


def register(chip, address):
    chip.write(bytes([address]))
    return int.from_bytes(chip.read(2), "big")


def test_identity_and_reset_values():
    chip = Tmp117(Time(), lambda: 25.0)
    assert register(chip, 0x0F) == 0x0117
    assert register(chip, 0x01) == 0x0220
    # 7.6.2: until the first result the register reads -256 degrees C.
    assert register(chip, 0x00) == 0x8000


@pytest.mark.parametrize(
    ("celsius", "code"),
    # 7.5.1, table of codes.
    [(25.0, 0x0C80), (100.0, 0x3200), (0.0078125, 0x0001), (0.0, 0x0000), (-0.0078125, 0xFFFF), (-25.0, 0xF380)],
)
def test_codes(celsius, code):
    time = Time()
    chip = Tmp117(time, lambda: celsius)
    time.us += 200_000
    assert register(chip, 0x00) == code


def test_one_shot_takes_its_eight_averages_then_rests():
    time = Time()
    seen = [20.0]
    chip = Tmp117(time, lambda: seen[0])
    chip.write(bytes([0x01, 0x0C, 0x20]))
    time.us += 120_000
    assert register(chip, 0x01) & 0x2000 == 0
    time.us += 5_000
    # 8 x 15.5 ms; the ready flag is cleared by reading.
    assert register(chip, 0x01) & 0x2000
    assert register(chip, 0x01) & 0x2C00 == 0x0400
    assert register(chip, 0x00) == 20 * 128
    seen[0] = 30.0
    time.us += 5_000_000
    assert register(chip, 0x00) == 20 * 128


def test_continuous_mode_has_a_new_result_each_second():
    time = Time()
    chip = Tmp117(time, lambda: 20.0)
    time.us += 130_000
    assert register(chip, 0x01) & 0x2000
    time.us += 500_000
    assert not register(chip, 0x01) & 0x2000
    time.us += 500_000
    assert register(chip, 0x01) & 0x2000
