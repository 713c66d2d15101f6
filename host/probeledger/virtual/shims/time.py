"""The module `time` of the RP2 port on simulated time."""

import sys

# With an empty path the interpreter's own module is found instead of this file.
_path = sys.path[:]
sys.path.clear()
from time import gmtime as _gmtime, mktime  # noqa: E402, F401

sys.path.extend(_path)
del _path, sys

import _vwire  # noqa: E402
from _vwire import sleep, sleep_ms, sleep_us, ticks_add, ticks_diff, ticks_ms, ticks_us  # noqa: E402, F401

# On the RP2 port ticks_cpu counts microseconds too.
ticks_cpu = ticks_us


def time_ns():
    """Return nanoseconds since 1970 by the board's own clock, which starts at 2021-01-01 when power comes."""
    ticks_us()
    return (_vwire.rtc_base_us + _vwire.now_us) * 1000


def time():
    """Return whole seconds since 1970 by the board's own clock."""
    return time_ns() // 1_000_000_000


def gmtime(seconds=None):
    """Return (year, month, day, hour, minute, second, weekday, day of the year) of a time since 1970 [s]."""
    return _gmtime(time() if seconds is None else seconds)[:8]


localtime = gmtime
