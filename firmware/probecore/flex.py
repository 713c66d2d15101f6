"""Dropouts and steps while somebody bends the harness.

Readings come several hundred times a second as whole milliohms, or as OPEN where the converter ran into its end.
Dropouts are looked for in each reading, because they are short. Steps are looked for in means over one period of the
mains, because hum moves single readings by ohms while the mean stays. A contact that opens or closes within a reading
leaves it at any value; so the readings at both edges of a dropout count in no mean. Nothing here allocates: integers
below 2^30 only.
"""

# Larger than any probe of the low range [milliohm].
OPEN = 1 << 29

# A single reading at the end of the scale is a spike; a dropout lasts.
_DROPOUT_FEWEST = 3

# The level follows slow drift (a hand warms the lead) by 1/16 of the difference with each quiet mean.
_FOLLOW_SHIFT = 4


class FlexCounter:
    """Count dropouts and steps.

    step_milliohms: a mean further than this from the level is a step; block: readings in one period of the mains
    (7 at 346 a second for 50 Hz, 6 for 60 Hz).
    """

    def __init__(self, step_milliohms=2000, block=7):
        """Begin without readings."""
        self.step_milliohms = step_milliohms
        self.block = block
        self.readings = 0
        self.dropouts = 0
        self.longest_dropout_ms = 0
        self.steps = 0
        self.largest_step_milliohms = 0
        self._first_ms = 0
        self._last_ms = 0
        self._open_readings = 0
        self._open_since_ms = 0
        self._sum = 0
        self._in_block = 0
        self._level = -1
        self._away = False

    def add(self, ms, milliohms):
        """Take a reading: its time [ms] and value [milliohm], OPEN where the circuit is open."""
        if self.readings == 0:
            self._first_ms = ms
        self.readings += 1
        self._last_ms = ms
        if milliohms >= OPEN:
            if self._open_readings == 0:
                self._open_since_ms = ms
            self._open_readings += 1
            # What the mean had gathered ends with the edge of the dropout.
            self._sum = 0
            self._in_block = 0
            return
        if self._in_block == self.block:
            # One reading late: had a dropout begun within the block's last one, the branch above would have dropped it.
            self._judge_mean(self._sum // self.block)
            self._sum = 0
            self._in_block = 0
        if self._open_readings:
            self._end_dropout(ms)
            return
        self._sum += milliohms
        self._in_block += 1

    def finish(self):
        """Close what still lasts at the end of the capture."""
        if self._open_readings:
            self._end_dropout(self._last_ms)
        if self._in_block == self.block:
            self._judge_mean(self._sum // self.block)
            self._in_block = 0

    def _end_dropout(self, ms):
        if self._open_readings >= _DROPOUT_FEWEST:
            self.dropouts += 1
            self.longest_dropout_ms = max(self.longest_dropout_ms, ms - self._open_since_ms)
        self._open_readings = 0

    def _judge_mean(self, mean):
        if self._level < 0:
            self._level = mean
            return
        away = abs(mean - self._level)
        if away > self.step_milliohms:
            if not self._away:
                self.steps += 1
            self._away = True
            if away > self.largest_step_milliohms:
                self.largest_step_milliohms = away
            return
        if self._away and away > self.step_milliohms // 2:
            # Half-way back is not back: one event is not counted twice.
            return
        self._away = False
        self._level += (mean - self._level) >> _FOLLOW_SHIFT

    def result(self):
        """Return the record's map: seconds, readings, dropouts, longest_dropout_ms, steps, largest_step_ohms."""
        return {
            "seconds": (self._last_ms - self._first_ms) / 1000,
            "readings": self.readings,
            "dropouts": self.dropouts,
            "longest_dropout_ms": self.longest_dropout_ms,
            "steps": self.steps,
            "largest_step_ohms": self.largest_step_milliohms / 1000,
        }
