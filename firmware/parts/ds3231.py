"""DS3231 battery-backed clock: UTC seconds in, UTC seconds out.

Registers and bits: Maxim DS3231 data sheet, 19-5170 rev. 10, "Timekeeping registers" and "Status register (0Fh)".
The tester's clock runs in UTC; the shop's local day is the host's affair.
"""

from micropython import const

from .fault import PartError

_TIME = const(0x00)
_STATUS = const(0x0F)
_OSCILLATOR_STOPPED = const(0x80)
_CENTURY = const(0x80)
_TWELVE_HOURS = const(0x40)
_PM = const(0x20)

_DAYS_BEFORE_MONTH = (0, 31, 59, 90, 120, 151, 181, 212, 243, 273, 304, 334)
# Days from 1970-01-01 to 2000-01-01, a leap year: 30 years of 365 days and 7 leap days.
_DAYS_TO_2000 = const(10957)
_YEARS = const(200)

EARLIEST = 1577836800  # 2020-01-01: a clock that shows less was never set
LATEST = 4102444800  # 2100-01-01


def _leap_days_before(year):
    """Count the leap days from 2000 to the beginning of 2000 + year (2100 has none)."""
    return (year + 3) // 4 - (1 if year > 100 else 0)


def epoch_seconds(year, month, day, hour, minute, second):
    """Return seconds since 1970 for a date of 2000-2199, in UTC."""
    year -= 2000
    days = _DAYS_TO_2000 + year * 365 + _leap_days_before(year) + _DAYS_BEFORE_MONTH[month - 1] + day - 1
    if month > 2 and year % 4 == 0 and year != 100:
        days += 1
    return days * 86400 + hour * 3600 + minute * 60 + second


def date_and_time(seconds):
    """Return (year, month, day, hour, minute, second, weekday 1-7 from Monday) of seconds since 1970, from 2000 on."""
    days, left = divmod(seconds, 86400)
    weekday = (days + 3) % 7 + 1
    days -= _DAYS_TO_2000
    year = days // 366
    while year + 1 <= _YEARS and (year + 1) * 365 + _leap_days_before(year + 1) <= days:
        year += 1
    days -= year * 365 + _leap_days_before(year)
    leap = 1 if year % 4 == 0 and year != 100 else 0
    month = 12
    while month > 1 and days < _DAYS_BEFORE_MONTH[month - 1] + (leap if month > 2 else 0):
        month -= 1
    days -= _DAYS_BEFORE_MONTH[month - 1] + (leap if month > 2 else 0)
    return year + 2000, month, days + 1, left // 3600, left % 3600 // 60, left % 60, weekday


def _from_bcd(value):
    return (value >> 4) * 10 + (value & 0x0F)


def _to_bcd(value):
    return value // 10 << 4 | value % 10


class Ds3231:
    """The clock chip on an I2C bus."""

    def __init__(self, i2c, address=0x68):
        """Look for the chip. Raises PartError with code "clock-missing" when it does not answer."""
        self._i2c = i2c
        self._address = address
        self._buffer = bytearray(7)
        self._one = bytearray(1)
        try:
            self.is_set()
        except OSError:
            raise PartError(
                "clock-missing", "The clock chip does not answer at I2C address 0x%02x. Check its wiring." % address
            )

    def is_set(self):
        """Tell whether the clock ran without a stop since it was set (the chip's OSF flag is clear)."""
        self._i2c.readfrom_mem_into(self._address, _STATUS, self._one)
        return not self._one[0] & _OSCILLATOR_STOPPED

    def seconds(self):
        """Return seconds since 1970 in UTC, or None where the clock is not set or shows no possible date.

        Raises OSError when the chip has stopped answering.
        """
        if not self.is_set():
            return None
        raw = self._buffer
        self._i2c.readfrom_mem_into(self._address, _TIME, raw)
        hour = raw[2]
        if hour & _TWELVE_HOURS:
            hour = _from_bcd(hour & 0x1F) % 12 + (12 if hour & _PM else 0)
        else:
            hour = _from_bcd(hour & 0x3F)
        month = _from_bcd(raw[5] & 0x1F)
        day = _from_bcd(raw[4] & 0x3F)
        year = 2000 + _from_bcd(raw[6]) + (100 if raw[5] & _CENTURY else 0)
        minute = _from_bcd(raw[1])
        second = _from_bcd(raw[0])
        if not (1 <= month <= 12 and 1 <= day <= 31 and hour < 24 and minute < 60 and second < 60):
            return None
        value = epoch_seconds(year, month, day, hour, minute, second)
        return value if EARLIEST <= value < LATEST else None

    def set(self, seconds):
        """Set the clock to seconds since 1970 in UTC and clear the stop flag. Raises PartError outside 2020-2099."""
        if not EARLIEST <= seconds < LATEST:
            raise PartError("clock-range", "The time %d is outside the years 2020 to 2099." % seconds)
        year, month, day, hour, minute, second, weekday = date_and_time(seconds)
        raw = self._buffer
        raw[0] = _to_bcd(second)
        raw[1] = _to_bcd(minute)
        raw[2] = _to_bcd(hour)
        raw[3] = weekday
        raw[4] = _to_bcd(day)
        raw[5] = _to_bcd(month)
        raw[6] = _to_bcd(year - 2000)
        self._i2c.writeto_mem(self._address, _TIME, raw)
        self._i2c.readfrom_mem_into(self._address, _STATUS, self._one)
        self._one[0] &= 0xFF ^ _OSCILLATOR_STOPPED
        self._i2c.writeto_mem(self._address, _STATUS, self._one)
