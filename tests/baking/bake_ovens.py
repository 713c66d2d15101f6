"""Model ovens whose true cycles are known: one heat capacity, a thermostat with hysteresis, and what a log adds.

The cavity is C dT/dt = P u - G (T - T_room); with tau = C / G and T_end = T_room + P / G each phase is an exponential,
so switching times and the mean are closed forms. The thermostat may see the cavity through a first-order lag; then the
switching times are roots, and the mean over a period stays T_room + (T_end - T_room) * duty, by the balance of energy.
The logging probe's own lag does not change a periodic temperature's mean. Mathematics; all parameters are invented.
"""

import math
from dataclasses import dataclass, field

import numpy as np
from scipy.optimize import brentq
from scipy.signal import lfilter


@dataclass(frozen=True)
class Oven:
    tau_s: float
    end_celsius: float
    low_celsius: float
    high_celsius: float
    room_celsius: float = 20.0
    # Of the thermostat's sensor [s].
    lag_s: float = 0.0

    @property
    def t_on_s(self):
        return self.tau_s * math.log((self.end_celsius - self.low_celsius) / (self.end_celsius - self.high_celsius))

    @property
    def t_off_s(self):
        return self.tau_s * math.log((self.high_celsius - self.room_celsius) / (self.low_celsius - self.room_celsius))

    @property
    def period_s(self):
        return self.t_on_s + self.t_off_s

    @property
    def duty(self):
        return self.t_on_s / self.period_s

    @property
    def mean_celsius(self):
        return self.room_celsius + (self.end_celsius - self.room_celsius) * self.duty

    def mean_of(self, on_s, off_s):
        return self.room_celsius + (self.end_celsius - self.room_celsius) * on_s / (on_s + off_s)


@dataclass
class Course:
    """A cavity's temperature at even times, and when the heating switched."""

    seconds: np.ndarray
    celsius: np.ndarray
    switched_s: list = field(default_factory=list)


def run(oven, lasts_s, step_s=1.0, start_celsius=None, doors=(), shifts=None, most_switches=10**9):
    """Return the course of an oven from cold, exact at each time.

    doors: (from s, to s, how many times the losses).
    shifts: function of the switch's number and time that moves the next threshold [K].
    most_switches: where to end early; the rest of the course is then nothing.
    """
    times = np.arange(int(lasts_s / step_s) + 1) * step_s
    celsius = np.empty_like(times)
    edges = sorted({0.0, float(lasts_s) + step_s, *(edge for door in doors for edge in door[:2] if edge < lasts_s)})
    now, on = 0.0, True
    cavity = oven.room_celsius if start_celsius is None else start_celsius
    sensor = cavity
    switched = []
    while now < lasts_s and len(switched) < most_switches:
        until = next(edge for edge in edges if edge > now + 1e-9)
        loss = next((times_as for begin, end, times_as in doors if begin <= now + 1e-9 < end), 1.0)
        tau = oven.tau_s / loss
        goal = oven.room_celsius + (oven.end_celsius - oven.room_celsius) / loss * on
        shift = 0.0 if shifts is None else shifts(len(switched), now)
        threshold = (oven.high_celsius if on else oven.low_celsius) + shift

        def after(t, tau=tau, goal=goal, cavity=cavity):
            return goal + (cavity - goal) * np.exp(-t / tau)

        def seen(t, tau=tau, goal=goal, cavity=cavity, sensor=sensor):
            if oven.lag_s == 0.0:
                return goal + (cavity - goal) * math.exp(-t / tau)
            # The lag's answer to an exponential.
            part = (cavity - goal) * tau / (tau - oven.lag_s)
            return goal + part * math.exp(-t / tau) + (sensor - goal - part) * math.exp(-t / oven.lag_s)

        end = until - now
        switches = False
        sign = 1.0 if on else -1.0
        beyond = sign * (seen(0.0) - threshold) >= -1e-9
        # Beyond it already: a door was shut, or the threshold moved. It may still be on its way back from before.
        if beyond and (oven.lag_s == 0.0 or sign * (seen(1e-3) - threshold) > 0.0):
            end, switches = 0.0, True
        if not switches:
            # Looked for in pieces, so that a sensor that turns between is not missed.
            grid = np.linspace(0.0, end, max(int(end / 20.0), 2) + 1)
            for left, right in zip(grid[:-1], grid[1:], strict=True):
                if sign * (seen(right) - threshold) >= 0.0:
                    begin = left if sign * (seen(left) - threshold) < 0.0 else left + 1e-6
                    end = brentq(
                        lambda t, seen=seen, threshold=threshold: seen(t) - threshold, begin, right, xtol=1e-10
                    )
                    switches = True
                    break
        first, last = np.searchsorted(times, [now, now + end])
        if now + end >= lasts_s:
            last = times.size
        celsius[first:last] = after(times[first:last] - now)
        sensor, cavity = seen(end), float(after(end))
        now += end
        if switches:
            switched.append(now)
            on = not on
    return Course(times, celsius, switched)


def through_probe(course, lag_s):
    """Return the course [degC] through the logging probe's first-order lag, straight lines between times."""
    if lag_s == 0.0:
        return course.celsius.copy()
    step = float(course.seconds[1] - course.seconds[0])
    keep = math.exp(-step / lag_s)
    gain = lag_s / step * (1.0 - keep)
    # Ramp-invariant: exact for straight lines.
    b = np.array([1.0 - gain, gain - keep])
    start = course.celsius[0]
    return start + lfilter(b, [1.0, -keep], course.celsius - start)


def rises(seconds, celsius, level):
    """Return when a course without noise comes up through a level [s]."""
    up = ((celsius[:-1] < level) & (celsius[1:] >= level)).nonzero()[0]
    return seconds[up]


def draw(random, lagging=False):
    """Return an invented oven: periods of 45 s to 25 min, swings of 1 to 25 degrees C at its thermostat."""
    while True:
        room = random.uniform(15.0, 30.0)
        target = random.uniform(90.0, 260.0)
        swing = math.exp(random.uniform(0.0, math.log(25.0)))
        duty = random.uniform(0.15, 0.85)
        tau = math.exp(random.uniform(math.log(400.0), math.log(4000.0)))
        oven = Oven(
            tau,
            room + (target - room) / duty,
            target - swing / 2.0,
            target + swing / 2.0,
            room,
            random.uniform(5.0, 40.0) if lagging else 0.0,
        )
        if 45.0 <= oven.period_s <= 1500.0:
            return oven


@dataclass(frozen=True)
class Log:
    """A drawn log with its truth."""

    seconds: np.ndarray
    celsius: np.ndarray
    mean_celsius: float
    # The log's constant error, of probe, tester and placement [K], and the standard uncertainties it was drawn with.
    error_celsius: float
    u_parts: tuple
    # Times at which the course without noise comes up through its mean [s].
    rises_s: np.ndarray
    period_s: float
    swing_celsius: float
    first_off_s: float
    doors: int
    gap: bool


def true_mean(oven):
    """Return the mean over a period: the closed form, with a lagging thermostat by the settled switching times."""
    if oven.lag_s == 0.0:
        return oven.mean_celsius, oven.period_s
    first_s = -oven.tau_s * math.log((oven.end_celsius - oven.high_celsius) / (oven.end_celsius - oven.room_celsius))
    switched = run(oven, first_s + 100.0 * oven.period_s, 60.0, most_switches=40).switched_s
    # The last ones, from off to on to off to on.
    off, on = switched[-2] - switched[-3], switched[-1] - switched[-2]
    return oven.mean_of(off, on), off + on


def draw_log(seed):
    """Return an invented log: noise, lags, intervals of 1 to 5 s; half of them with doors, some with gaps."""
    random = np.random.default_rng(seed)
    oven = draw(random, lagging=seed % 3 == 2)
    mean, period_s = true_mean(oven)
    first_off_s = run(oven, 8 * 3600.0, 60.0, most_switches=1).switched_s[0]
    step_s = 1.0 if period_s < 100.0 else float(random.choice([1.0, 1.0, 2.0, 5.0]))
    lasts_s = first_off_s + min(max(random.uniform(4.2, 20.0) * period_s, 1300.0), 6 * 3600.0)
    doors = []
    for _ in range(int(random.integers(1, 3)) if seed % 2 else 0):
        begin, open_s = random.uniform(first_off_s, lasts_s - 120.0), random.uniform(10.0, 60.0)
        if all(begin > end + 1.0 or begin + open_s + 1.0 < start for start, end, _ in doors):
            fall = random.uniform(5.0, 50.0)
            doors.append((begin, begin + open_s, 1.0 + fall * oven.tau_s / open_s / (mean - oven.room_celsius)))
    course = run(oven, lasts_s, step_s, doors=doors)
    celsius = through_probe(course, float(random.choice([0.0, 3.0, 10.0])))
    u_parts = (random.uniform(0.2, 1.0), random.uniform(0.02, 0.3), random.uniform(0.3, 1.5))
    error = float(sum(random.normal(0.0, u) for u in u_parts))
    rises_s = rises(course.seconds, celsius, mean)
    settled = run(oven, first_off_s + 8.0 * period_s, 1.0).celsius[-int(2.0 * period_s) :]
    keep = random.random(celsius.size) > (0.01 if seed % 4 == 0 else 0.0)
    if seed % 5 == 0:
        begin = random.uniform(0.0, lasts_s)
        keep &= ~((course.seconds > begin) & (course.seconds < begin + random.uniform(20.0, 400.0)))
    celsius = celsius + error + random.normal(0.0, random.uniform(0.0, 0.15), celsius.size)
    return Log(
        course.seconds[keep],
        np.round(celsius[keep], int(random.integers(1, 4))),
        mean,
        error,
        u_parts,
        rises_s,
        period_s,
        float(np.ptp(settled)),
        first_off_s,
        len(doors),
        seed % 5 == 0,
    )
