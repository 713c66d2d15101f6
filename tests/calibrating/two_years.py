"""Two invented years of a tester's morning checks: noise, a room with seasons, and what befalls the tester."""

import datetime

import numpy as np

from probeledger.calibrating.charts import Check, Expected, Job

FIRST_DAY = datetime.datetime(2025, 1, 6, 7, 50, tzinfo=datetime.UTC)
MORNINGS = [day for day in (FIRST_DAY + datetime.timedelta(days=n) for n in range(730)) if day.weekday() < 5]
DAYS = np.array([(day - FIRST_DAY).days for day in MORNINGS], dtype=float)

# 0.02 % a month, and 0.1 %
DRIFT_PER_DAY = 200e-6 / (365.25 / 12)
STEP = 1e-3
# The tester's noise and its reference's temperature coefficient (front-end simulation: 3 to 11 ppm of noise in a
# reading at 1.1 kohm, 5 ppm from the supply, up to 10 ppm/K; the rest is for the contact and the check resistor).
LEAST_NOISE, MOST_NOISE = 10e-6, 25e-6
MOST_TEMPCO = 10e-6


class TwoYears:
    """One tester, drawn from a seed."""

    def __init__(self, seed: int, temperatures_known: bool = True) -> None:
        """Draw its noise, its temperature coefficient and its mornings."""
        self.random = np.random.default_rng(seed)
        self.noise = self.random.uniform(LEAST_NOISE, MOST_NOISE)
        season = self.random.uniform(1.0, 4.0) * np.sin(2 * np.pi * (DAYS - 100) / 365.25)
        self.celsius = 20.0 + season + self.random.normal(0, 1.0, len(DAYS))
        self.true = self.random.normal(0, 50e-6) + self.random.uniform(-1, 1) * MOST_TEMPCO * (self.celsius - 20)
        self.known = temperatures_known

    def drift_from(self, check: int, direction: int = 1) -> "TwoYears":
        """Let it drift linearly from after the check before this one on."""
        start = DAYS[check - 1] if check else DAYS[0] - 1
        self.true = self.true + direction * DRIFT_PER_DAY * np.maximum(0.0, DAYS - start)
        return self

    def step_at(self, check: int, direction: int = 1) -> "TwoYears":
        """Let it jump between the check before and this one."""
        self.true = self.true + direction * STEP * (np.arange(len(DAYS)) >= check)
        return self

    def checks(self, until: int | None = None) -> list[Check]:
        """Return the mornings up to a check."""
        read = self.true + self.random.normal(0, self.noise, len(DAYS))
        return [
            Check(day, float(value), 25e-6, float(celsius) if self.known else None)
            for day, value, celsius in list(zip(MORNINGS, read, self.celsius, strict=True))[:until]
        ]

    def after_calibration(self) -> Expected:
        """Return what a calibration on the first morning tells: where it stands, and the spread of testers like it."""
        level = float(self.true[0]) + self.random.normal(0, 5e-6)
        return Expected(level, 5e-6, 20e-6, 20)


def jobs() -> list[Job]:
    """Return four invented jobs a day, each with its ticket."""
    return [
        Job(day + datetime.timedelta(hours=hour), f"T-{number:03d}-{hour}", f"record {number * 4 + hour}")
        for number, day in enumerate(MORNINGS)
        for hour in (2, 4, 6, 8)
    ]
