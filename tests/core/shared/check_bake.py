"""Bake logs: the coding of chunks, the sums, and the cycles, against arithmetic done another way."""

from probecore import bake
from probecore.errors import MisuseError, StoredDataError


class Dice:
    """Numbers that look random, the same on both interpreters (MINSTD: Park and Miller, CACM 31 (1988) 1192)."""

    def __init__(self, seed):
        self._state = seed

    def below(self, limit):
        # 16807 * 2^31 would not be small; Schrage's split keeps every step below 2^31.
        high, low = divmod(self._state, 127773)
        self._state = 16807 * low - 2836 * high
        if self._state <= 0:
            self._state += 2147483647
        return self._state % limit


def refused(code, action, *args):
    try:
        action(*args)
    except (MisuseError, StoredDataError) as error:
        assert error.code == code, error.code
        return
    raise AssertionError("no error " + code)


def coded(values, seconds=None):
    chunk = bake.Chunk(seconds or len(values))
    for value in values:
        chunk.add(value)
    return chunk.base_centicelsius, chunk.differences(), chunk.seconds


def test_hundredths_are_rounded_to_the_nearest():
    for celsius, expected in ((175.0, 17500), (174.996, 17500), (174.994, 17499), (0.0, 0), (-0.004, 0), (-0.006, -1)):
        assert bake.centicelsius(celsius) == expected, celsius
    # Exact in binary: a quarter of a degree.
    for quarter in range(-800, 3400):
        assert bake.centicelsius(quarter / 4) == 25 * quarter


def test_the_bytes_of_a_chunk():
    # Worked out by hand from the table in the module's text.
    assert coded([17500, 17501, 17499, 17623, 17499]) == (17500, bytes([124, 125, 122, 248, 0]), 5)
    assert coded([None, None, 2500, 2500]) == (2500, bytes([249, 2, 124, 124]), 4)
    assert coded([100, 225, -25]) == (100, bytes([124, 250, 0, 0, 125, 250, 255, 255, 6]), 3)
    assert coded([None] * 300) == (None, bytes([249, 255, 249, 45]), 300)
    assert coded([], 5) == (None, b"", 0)


def test_any_course_comes_back():
    dice = Dice(20261125)
    for length in (1, 2, 3, 59, 255, 256, 300):
        for wild in (1, 40, 124, 125, 4000, 80000):
            value = 2400
            values = []
            for _ in range(length):
                if dice.below(9) == 0:
                    values.append(None)
                    continue
                value = max(-20000, min(85000, value + dice.below(2 * wild + 1) - wild))
                values.append(value)
            base, data, seconds = coded(values)
            assert bake.decode(base, data, seconds) == values
            if wild < 124:
                assert len(data) <= 2 * length


def test_a_chunk_is_used_again_and_looking_at_it_changes_nothing():
    chunk = bake.Chunk(4)
    for value in (1, None, 3):
        chunk.add(value)
        chunk.differences()
    assert bake.decode(chunk.base_centicelsius, chunk.differences(), 3) == [1, None, 3]
    chunk.add(None)
    assert chunk.full
    refused("bake-full", chunk.add, 5)
    chunk.begin(4)
    assert (chunk.first_s, chunk.seconds, chunk.base_centicelsius, chunk.differences()) == (4, 0, None, b"")
    refused("bake-range", bake.Chunk(2).add, 1 << 40)


def test_damaged_chunks_are_refused():
    for base, data, seconds in (
        (None, bytes([124]), 1),
        (10, bytes([124, 249]), 2),
        (10, bytes([124, 249, 0]), 1),
        (10, bytes([124, 250, 0, 0]), 2),
        (10, bytes([124, 251]), 2),
        (10, bytes([125]), 1),
        (10, bytes([124, 124]), 1),
        (10, bytes([124]), 2),
        (10, bytes([249, 255]), 254),
    ):
        refused("bake-damaged", bake.decode, base, data, seconds)


def test_a_sum_beyond_the_small_integers():
    # 12 h at 300 degC: 1.3e9, more than 2^30.
    total = bake.Total()
    for _ in range(43200):
        total.add(30000)
    assert total.mean() == 30000
    for value in (-19999, 85000, 12345):
        total.clear()
        for _ in range(5000):
            total.add(value)
        assert total.mean() == value
    total.clear()
    assert total.mean() is None


def test_means_are_rounded_right():
    dice = Dice(7)
    for _ in range(60):
        total = bake.Total()
        exact = 0
        count = 1 + dice.below(300)
        for _ in range(count):
            value = dice.below(105000) - 20000
            total.add(value)
            exact += value
        assert total.mean() == (2 * exact + count - count % 2) // (2 * count), (exact, count)


def course(low, high, up_s, down_s, cycles, begin=2400):
    """A heating-up, then cycles of straight lines from peak to trough."""
    values = [begin + (high - begin) * second // 200 for second in range(200)]
    for _ in range(cycles):
        values += [high - (high - low) * second // down_s for second in range(down_s)]
        values += [low + (high - low) * second // up_s for second in range(up_s)]
    return values


def followed(values):
    cycles = bake.Cycles()
    for value in values:
        cycles.add(value)
    return cycles


def test_cycles_of_straight_lines():
    # The mean of straight lines between 166 and 180 degC is their middle, whatever the two slopes are.
    for up_s, down_s in ((40, 160), (100, 100), (150, 50)):
        cycles = followed(course(16600, 18000, up_s, down_s, 7))
        # The first trough begins the first cycle; six more follow, the last of which is not over.
        assert cycles.count == 6
        assert abs(cycles.mean() - 17300) <= 8
        assert cycles.swing == 1400 and cycles.highest == 18000 and cycles.lowest == 16600


def test_a_small_swing_with_flicker_is_counted_right():
    dice = Dice(99)
    values = [value + dice.below(31) - 15 for value in course(17400, 17550, 60, 60, 10)]
    cycles = followed(values)
    assert cycles.count == 9 and abs(cycles.mean() - 17475) <= 6
    assert 150 <= cycles.swing <= 180


def test_what_does_not_cycle_has_no_mean():
    assert followed(range(2400, 18000, 30)).mean() is None
    assert followed([17500] * 500).swing is None
    falling = followed(range(18000, 2400, -30))
    assert falling.count == 0 and falling.swing is None
    # Cooling down, then heating up and a peak: no whole cycle yet.
    assert followed(list(range(18000, 10000, -30)) + course(16600, 18000, 40, 160, 1, 10000)).count == 0


def test_a_long_gap_takes_its_cycle_out_and_a_short_one_does_not():
    values = course(16600, 18000, 40, 160, 7)
    whole = followed(values)
    short = list(values)
    short[700:720] = [None] * 20
    found = followed(short)
    assert found.count == whole.count and abs(found.mean() - whole.mean()) < 40
    # Troughs are at 560, 760, 960 s: a gap within one cycle, and one that hides the trough between two.
    for begin, end, lost in ((640, 700, 1), (730, 790, 2)):
        long = list(values)
        long[begin:end] = [None] * (end - begin)
        found = followed(long)
        assert found.count == whole.count - lost, begin
        assert abs(found.mean() - whole.mean()) <= 4
