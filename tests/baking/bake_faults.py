"""Logs that have no steady state, invented: each kind draws one with a known reason."""

import math

import numpy as np
from bake_ovens import draw, run, through_probe


def _readings(random, course, lag_s=3.0):
    return course.seconds, through_probe(course, lag_s) + random.normal(
        0.0, random.uniform(0.0, 0.12), course.seconds.size
    )


def _settled(random, cycles):
    oven = draw(random)
    preheat_s = run(oven, 8 * 3600.0, 60.0, most_switches=1).switched_s[0]
    return oven, preheat_s, preheat_s + max(cycles * oven.period_s, 1500.0)


def drifting(random):
    """The setting creeps by 5 to 30 degrees an hour, either way."""
    oven, _, lasts_s = _settled(random, random.uniform(6.0, 20.0))
    rate = random.choice([-1.0, 1.0]) * random.uniform(5.0, 30.0) / 3600.0
    return _readings(random, run(oven, lasts_s, shifts=lambda number, now: rate * now))


def hunting(random):
    """Each threshold is drawn anew, over more than the swing; eight cycles at least."""
    while True:
        oven = draw(random)
        wide = max(1.5 * (oven.high_celsius - oven.low_celsius), 8.0)
        # So that it reaches whatever is drawn.
        if oven.high_celsius + wide + 5.0 < oven.end_celsius and oven.low_celsius - wide - 5.0 > oven.room_celsius:
            break
    lots = np.random.default_rng(random.integers(2**32)).uniform(0.0, wide, 20000)

    def shifts(number, now):
        return lots[number] * (1.0 if number % 2 == 0 else -1.0)

    switched = run(oven, 24 * 3600.0, 60.0, shifts=shifts, most_switches=51).switched_s
    last = min(int(random.integers(20, 50)), len(switched) - 1)
    return _readings(random, run(oven, max(switched[0] + 1500.0, switched[last]), shifts=shifts))


def stepping(random):
    """Half way the control goes to another level, 3 to 12 degrees away, and goes through five cycles or more there."""
    oven, preheat_s, lasts_s = _settled(random, random.uniform(10.0, 20.0))
    when = preheat_s + (lasts_s - preheat_s) * random.uniform(0.4, 0.6)
    by = random.choice([-1.0, 1.0]) * random.uniform(3.0, 12.0)
    course = run(oven, when + 6 * 3600.0, 5.0, shifts=lambda number, now: by * (now > when))
    after = [time_s for time_s in course.switched_s if time_s > when]
    return _readings(random, run(oven, after[12], shifts=lambda number, now: by * (now > when)))


def cut_off(random):
    """It ends in the preheat or before the third cycle."""
    oven, preheat_s, _ = _settled(random, 4.0)
    return _readings(
        random,
        run(
            oven,
            random.choice(
                [random.uniform(0.3, 0.95) * preheat_s, preheat_s + random.uniform(0.2, 2.1) * oven.period_s]
            ),
        ),
    )


def constant(random):
    """It stays where it is, with noise that is its own neighbour's relative."""
    seconds = np.arange(0.0, random.uniform(1800.0, 14400.0))
    noise = random.normal(0.0, random.uniform(0.0, 0.3), seconds.size)
    keep = random.choice([0.0, 0.5, 0.9])
    for at in range(1, seconds.size):
        noise[at] += keep * noise[at - 1]
    return seconds, random.uniform(15.0, 220.0) + noise


def fallen_out(random):
    """The probe falls out of the cavity in the preheat or during the first two cycles."""
    oven, preheat_s, lasts_s = _settled(random, random.uniform(5.0, 15.0))
    seconds, celsius = _readings(random, run(oven, lasts_s))
    when = random.uniform(0.3 * preheat_s, preheat_s + 2.0 * oven.period_s)
    after = seconds > when
    start = celsius[~after][-1]
    celsius[after] = oven.room_celsius + (start - oven.room_celsius) * np.exp(-(seconds[after] - when) / 60.0)
    celsius[after] += random.normal(0.0, 0.1, int(after.sum()))
    return seconds, celsius


def restless_door(random):
    """The door is opened in most cycles, at any time."""
    oven, preheat_s, lasts_s = _settled(random, random.uniform(6.0, 12.0))
    doors, now = [], preheat_s
    while True:
        now += oven.period_s * random.uniform(0.6, 1.5)
        if now > lasts_s - 60.0:
            break
        open_s = random.uniform(15.0, 40.0)
        fall = random.uniform(10.0, 50.0)
        doors.append((now, now + open_s, 1.0 + fall * oven.tau_s / open_s / (oven.low_celsius - oven.room_celsius)))
        now += open_s
    return _readings(random, run(oven, lasts_s, doors=doors))


def warming(random):
    """The cavity's middle still follows walls that warm for hours."""
    oven, preheat_s, _ = _settled(random, 6.0)
    lasts_s = preheat_s + max(6.0 * oven.period_s, 2400.0)
    seconds, celsius = _readings(random, run(oven, lasts_s))
    hours = math.exp(random.uniform(math.log(1.5), math.log(4.0)))
    # At least 5 degrees an hour at the log's end.
    by = random.uniform(5.0, 15.0) * hours / math.exp(-lasts_s / 3600.0 / hours)
    return seconds, celsius - by * np.exp(-seconds / 3600.0 / hours)


KINDS = (drifting, hunting, stepping, cut_off, constant, fallen_out, restless_door, warming)
