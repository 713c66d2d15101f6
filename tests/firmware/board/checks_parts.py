"""Checks of the drivers on the I2C bus against a register double."""

import framebuf
from i2c_double import Bus

from parts import ds3231
from parts.ds3231 import Ds3231, date_and_time, epoch_seconds
from parts.fault import PartError
from parts.ssd1306 import Ssd1306
from parts.tmp117 import Tmp117


def refused(code, action, *args):
    try:
        action(*args)
    except PartError as error:
        assert error.code == code, error.code
        return
    raise AssertionError("no error " + code)


# Seconds since 1970 by GNU date (`date -u -d "2026-11-25 08:00:00" +%s` and so on).
DATES = (
    (2020, 1, 1, 0, 0, 0, 1577836800),
    (2024, 2, 29, 12, 30, 45, 1709209845),
    (2026, 11, 25, 8, 0, 0, 1795593600),
    (2028, 3, 1, 0, 0, 0, 1835481600),
    (2038, 1, 19, 3, 14, 8, 2147483648),
    (2099, 12, 31, 23, 59, 59, 4102444799),
)


def check_dates_both_ways():
    for year, month, day, hour, minute, second, seconds in DATES:
        assert epoch_seconds(year, month, day, hour, minute, second) == seconds, year
        assert date_and_time(seconds)[:6] == (year, month, day, hour, minute, second), year
    # 2026-11-25 was a Wednesday (GNU date): 3 in ISO's count.
    assert date_and_time(1795593600)[6] == 3


def check_every_day_of_two_leap_cycles():
    seconds = 1577836800
    for _ in range(2 * 1461):
        year, month, day, hour, minute, second, weekday = date_and_time(seconds)
        assert epoch_seconds(year, month, day, hour, minute, second) == seconds
        assert 1 <= day <= 31 and 1 <= month <= 12 and 1 <= weekday <= 7
        seconds += 86400


def check_clock_chip():
    bus = Bus()
    refused("clock-missing", Ds3231, bus)
    bus.chips[0x68] = {0x0F: 0x88}
    clock = Ds3231(bus)
    assert not clock.is_set() and clock.seconds() is None
    clock.set(1795593600)
    # DS3231 sheet, timekeeping registers: BCD seconds to year; OSF cleared, EN32kHz (0x08) left as it was.
    assert [bus.chips[0x68][register] for register in range(7)] == [0, 0, 8, 3, 0x25, 0x11, 0x26]
    assert bus.chips[0x68][0x0F] == 0x08
    assert clock.seconds() == 1795593600
    bus.chips[0x68].update({0: 0x59, 1: 0x59, 2: 0x71})  # 11:59:59 pm by a clock in twelve-hour mode
    assert clock.seconds() == 1795593600 + 16 * 3600 - 1  # 23:59:59 is 16 hours after 8, less a second
    bus.chips[0x68][5] = 0x13  # no month
    assert clock.seconds() is None
    refused("clock-range", clock.set, 1000)
    bus.chips[0x68].update({5: 0x11, 0x0F: 0x80})
    assert clock.seconds() is None
    assert ds3231.EARLIEST == 1577836800


def check_ambient_sensor():
    bus = Bus()
    refused("ambient-missing", Tmp117, bus)
    bus.chips[0x48] = {(0x0F, 0): 0x01, (0x0F, 1): 0x18, (0, 0): 0, (0, 1): 0, (1, 0): 0, (1, 1): 0}
    refused("ambient-unknown", Tmp117, bus)
    # SNOSD82, 7.6.1.11: device id 0x117, revision in the upper four bits.
    bus.chips[0x48].update({(0x0F, 0): 0x11, (0x0F, 1): 0x17, (0, 0): 0x80, (0, 1): 0x00})
    sensor = Tmp117(bus, u_celsius=0.25)
    assert sensor.celsius() is None and not sensor.ready() and sensor.u_celsius == 0.25
    # SNOSD82, table 7-1 (data format): 25 degC is 0C80h, -0.0078125 is FFFFh, -25 is F380h.
    for high, low, celsius in ((0x0C, 0x80, 25.0), (0xFF, 0xFF, -0.0078125), (0xF3, 0x80, -25.0)):
        bus.chips[0x48].update({(0, 0): high, (0, 1): low})
        assert sensor.celsius() == celsius
    bus.chips[0x48][(1, 0)] = 0x20
    assert sensor.ready()


def check_display():
    bus = Bus()
    refused("display-missing", Ssd1306, bus)
    bus.chips[0x3C] = {}
    display = Ssd1306(bus)
    assert bus.sent[0][1][0] == 0x00 and bus.sent[0][1][-1] == 0xAF
    display.pixel(3, 9, 1)
    bus.sent.clear()
    display.show()
    window, picture = bus.sent
    assert window == (0x3C, b"\x00\x21\x00\x7f\x22\x00\x07")
    assert len(picture[1]) == 1025 and picture[1][0] == 0x40
    # Page 1 (rows 8-15), column 3, bit 1.
    assert picture[1][1 + 128 + 3] == 0x02 and sum(picture[1][1:]) == 2
    bus.sent.clear()
    display.show_page(1)
    assert bus.sent[0][1] == b"\x00\x21\x00\x7f\x22\x01\x01" and bus.sent[1][1][1 + 3] == 0x02
    assert isinstance(display, framebuf.FrameBuffer)


def check_display_that_comes_back_is_set_up_again():
    bus = Bus()
    bus.chips[0x3C] = {}
    display = Ssd1306(bus)
    del bus.chips[0x3C]
    display.show()
    assert display.lost
    bus.chips[0x3C] = {}
    bus.sent.clear()
    display.show()
    assert not display.lost and bus.sent[0][1][-1] == 0xAF and len(bus.sent) == 3
