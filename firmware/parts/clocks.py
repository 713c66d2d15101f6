"""The tester's two clocks: milliseconds since the start, and the time of day where it is known."""

from time import ticks_diff, ticks_ms


class Uptime:
    """Milliseconds since the start, beyond the point where ticks begin anew (2^30 ms, 12.4 days).

    `ms` has to be called at least once in 6 days; the tester's loop does so many times a second.
    """

    def __init__(self):
        """Begin at zero."""
        self._ticks = ticks_ms()
        self._ms = 0

    def ms(self):
        """Return the milliseconds since the start."""
        ticks = ticks_ms()
        self._ms += ticks_diff(ticks, self._ticks)
        self._ticks = ticks
        return self._ms


class WallClock:
    """Seconds since 1970 in UTC: from the clock chip, or, where there is none, from when the time was last told."""

    def __init__(self, chip, uptime):
        """chip: Ds3231 or None; uptime: Uptime."""
        self._chip = chip
        self._uptime = uptime
        self._told_seconds = None
        self._told_ms = 0

    def seconds(self):
        """Return the time [s since 1970], or None where it is not known."""
        if self._chip is not None:
            try:
                return self._chip.seconds()
            except OSError:
                pass  # a chip that fell silent: what was told since the start still counts
        if self._told_seconds is None:
            return None
        return self._told_seconds + (self._uptime.ms() - self._told_ms) // 1000

    def set(self, seconds):
        """Set the time [s since 1970]. Raises PartError when it is out of range, OSError when the chip is silent."""
        if self._chip is not None:
            self._chip.set(seconds)
        self._told_seconds = seconds
        self._told_ms = self._uptime.ms()
