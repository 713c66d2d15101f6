"""Settling and flex on courses whose truth is known."""

from math import exp

from probecore.flex import OPEN, FlexCounter
from probecore.settling import Settling

# A fixed sequence of noise of about one unit: enough digits of a linear congruence, the same on both interpreters
_STATE = [12345]


def noise():
    total = 0.0
    for _ in range(4):
        _STATE[0] = (_STATE[0] * 1103 + 4721) % 32749
        total += _STATE[0] / 32749 - 0.5
    return total * 1.73


def follow(course, seconds, limit=0.31, sigma=0.0035):
    settling = Settling(limit)
    for at in range(int(seconds / 0.42)):
        settling.add(420 * at, course(0.42 * at) + sigma * noise())
        yield 0.42 * at, settling.state()


def test_a_probe_at_rest_settles_within_seconds():
    for _, state in follow(lambda t: 1090.0, 6):
        if state.settled:
            break
    assert state.settled and abs(state.slope_ohms_per_minute) < 0.31 and state.wait_s == 0


def test_a_cooling_probe_is_not_settled_until_it_is():
    tau = 480.0

    def course(t):
        return 1090.0 + 150.0 * exp(-t / tau)

    for seconds, state in follow(course, 4000):
        if state.settled:
            break
        if seconds > 4:
            slope = -150.0 * exp(-(seconds - 2.3) / tau) / tau * 60
            assert abs(state.slope_ohms_per_minute - slope) < 0.3
    # |slope| is at the limit after tau ln(150 / tau * 60 / 0.31) = 1975 s
    assert 1700 < seconds < 2400


def test_the_wait_is_told():
    tau = 300.0

    def course(t):
        return 1090.0 + 120.0 * exp(-t / tau)

    wait_s = None
    for seconds, state in follow(course, 400):
        if state.wait_s:
            told_at, wait_s = seconds, state.wait_s
    assert wait_s is not None
    # |slope| = 0.31 ohm/min at tau ln(120 / tau * 60 / 0.31) = 1305 s
    assert abs(told_at + wait_s - 1305) < 200


def test_few_readings_make_no_claim():
    settling = Settling(0.31)
    for at in range(5):
        settling.add(420 * at, 1090.0)
        state = settling.state()
        assert not state.settled and state.slope_ohms_per_minute is None and state.wait_s is None


def capture(disturb, seconds=10):
    counter = FlexCounter()
    count = seconds * 346
    for at in range(count):
        ms = at * 1000 // 346
        counter.add(ms, disturb(ms, 1090000 + int(13 * noise())))
    counter.finish()
    return counter.result()


def test_a_still_lead_gives_nothing():
    result = capture(lambda ms, value: value, 60)
    assert result["dropouts"] == 0 and result["steps"] == 0 and result["readings"] == 60 * 346


def test_dropouts_of_thirty_milliseconds_are_found():
    result = capture(lambda ms, value: OPEN if ms % 2500 in range(1000, 1030) else value)
    assert result["dropouts"] == 4 and 24 <= result["longest_dropout_ms"] <= 36 and result["steps"] == 0


def test_the_edges_of_a_dropout_are_no_steps():
    # The contact opens and closes within a reading, which then has any value; at every place in a block of seven.
    for place in range(14):
        counter = FlexCounter()
        first = 700 + place
        for at in range(1400):
            value = 1090000 + int(13 * noise())
            if at in (first, first + 11):
                value += 2150000
            elif first < at < first + 11:
                value = OPEN
            counter.add(at * 1000 // 346, value)
        counter.finish()
        result = counter.result()
        assert result["dropouts"] == 1 and result["steps"] == 0, (place, result)


def test_a_step_in_the_last_block_counts():
    counter = FlexCounter()
    for at in range(70):
        counter.add(3 * at, 1090000 + (5000 if at >= 63 else 0))
    counter.finish()
    assert counter.result()["steps"] == 1


def test_one_wild_reading_is_no_dropout():
    result = capture(lambda ms, value: OPEN if ms == 5000 else value)
    assert result["dropouts"] == 0 and result["steps"] == 0


def test_steps_are_found_and_counted_once():
    result = capture(lambda ms, value: value + 3000 if 4000 <= ms < 4500 or 7000 <= ms < 7100 else value)
    assert result["steps"] == 2 and abs(result["largest_step_ohms"] - 3.0) < 0.1


def test_a_step_below_two_ohms_is_none():
    assert capture(lambda ms, value: value + 1500 if ms > 5000 else value)["steps"] == 0


def test_hum_is_no_step():
    # 2.1 ohm rms at 50 Hz: what a microampere of pick-up makes
    from math import sin

    assert capture(lambda ms, value: value + int(2970 * sin(6.2832 * 50 * ms / 1000)))["steps"] == 0


def test_a_slow_drift_is_no_step():
    assert capture(lambda ms, value: value + ms // 3, 30)["steps"] == 0
