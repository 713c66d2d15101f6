"""What a bake log says of an oven: preheat, cycles, mean with uncertainty, offset from what was set."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from probeledger.baking import turns
from probeledger.baking.cycles import Cycle, cycles_of, extreme_width
from probeledger.baking.grid import Grid, grid_of
from probeledger.baking.logfile import BakeLog
from probeledger.baking.steadiness import steady_state
from probeledger.text import plural, span

__all__ = ["U_PLACEMENT_CELSIUS", "U_TESTER_CELSIUS", "Analysis", "analyse", "u_probe_celsius"]

# IEC 60751:2022, class B: the reference probe may be off by 0.3 degC + 0.005 |t|, evenly distributed (JCGM 100, 4.3.7).
_CLASS_B = (0.3, 0.005)
# The tester's part of a reading, and how well one place stands for the cavity's centre [K]; common practice, no source.
U_TESTER_CELSIUS = 0.1
U_PLACEMENT_CELSIUS = 1.0
# What follows the last cycle is worth a remark when it is so many periods long.
_QUIET_PERIODS = 2.5
# A log that begins closer to its mean than this share of the swing begins in a warm oven.
_COLD_SWINGS = 1.0
# With fewer readings a cycle's extremes and its cuts are guesses.
_FEWEST_PER_CYCLE = 6


@dataclass(frozen=True)
class Analysis:
    """What was found in a log.

    Attributes:
        grid: the log on even steps.
        cycles: all whole cycles, each with its state.
        mean_celsius: time mean over the used cycles [degC], None where the oven is not steady.
        u_mean_celsius: its standard uncertainty from probe, tester, placement and cycles [K].
        u_cycles_celsius: the part of scatter and drift in it [K].
        swing_celsius: mean over the used cycles of maximum minus minimum [K].
        period_s: mean length of the used cycles [s].
        duty: mean share of the time in which the temperature rises [1].
        offset_celsius: mean minus set temperature [K].
        preheat_end_s: when the oven first came to its mean (or, not steady, to the set temperature) [s]; None where
            it never did or the log began later.
        first_peak_celsius: the first maximum after that [degC].
        overshoot_celsius: first peak minus mean [K].
        drift_celsius_per_hour: slope of the cycles' means [K/h].
        steady: whether it has a steady state.
        why: why, or why not, in a sentence or two.
        remarks: what else a reader should know, a sentence each.
    """

    grid: Grid
    set_celsius: float
    cycles: tuple[Cycle, ...]
    mean_celsius: float | None
    u_mean_celsius: float | None
    u_cycles_celsius: float | None
    swing_celsius: float | None
    period_s: float | None
    duty: float | None
    offset_celsius: float | None
    preheat_end_s: float | None
    first_peak_celsius: float | None
    overshoot_celsius: float | None
    drift_celsius_per_hour: float | None
    steady: bool
    why: str
    remarks: tuple[str, ...]


def u_probe_celsius(celsius: float) -> float:
    """Return the standard uncertainty [K] of a class B probe at a temperature [degC]. Source: IEC 60751:2022."""
    return (_CLASS_B[0] + _CLASS_B[1] * abs(celsius)) / math.sqrt(3.0)


def analyse(
    log: BakeLog,
    set_celsius: float,
    u_probe: float | None = None,
    u_tester: float = U_TESTER_CELSIUS,
    u_placement: float = U_PLACEMENT_CELSIUS,
) -> Analysis:
    """Analyse a bake log.

    Args:
        log: the readings.
        set_celsius: what the control was set to [degC].
        u_probe: standard uncertainty of the reference probe [K]; None for one of class B.
        u_tester: standard uncertainty of the tester [K].
        u_placement: standard uncertainty of the probe's place as the cavity's centre [K].

    Returns:
        The analysis; a log without a steady state says so in it.

    Raises:
        InputError: the times are spread too unevenly.
    """
    grid = grid_of(log)
    found = turns.find(grid.celsius)
    cycles = cycles_of(grid, found) if found is not None else ()
    remarks = _remarks(log, grid, cycles)
    if found is None or not cycles:
        end_s = _first_reach(grid, grid.celsius, set_celsius)
        return Analysis(
            grid, set_celsius, (), None, None, None, None, None, None, None, end_s, None, None, None, False,
            _without_cycles(grid, set_celsius, end_s), remarks,
        )  # fmt: skip
    state = steady_state(grid, cycles)
    mean, why, steady = state.mean_celsius, state.why, state.steady
    used = [cycle for cycle in state.cycles if cycle.state == "used"]
    if used and float(np.median([cycle.period_s for cycle in used])) < _FEWEST_PER_CYCLE * grid.step_s:
        mean, steady = None, False
        why = (
            f"A cycle has fewer than {_FEWEST_PER_CYCLE} readings, {grid.step_s:g} s apart, too few to cut it from the "
            "next. Log with shorter intervals."
        )
    usual = cycles[len(cycles) // 2]
    width = extreme_width(turns.noise_of(grid.celsius), usual.period_s / grid.step_s, usual.swing_celsius)
    series = turns.smoothed(grid.celsius, max(width, found.width))
    level = set_celsius if mean is None else mean
    end_s = _first_reach(grid, series, level)
    if end_s is not None and float(series[0]) > level - _COLD_SWINGS * cycles[0].swing_celsius:
        end_s = None
    peak = _first_peak(grid, series, found, end_s)
    u_mean = None
    if mean is not None and state.u_mean_celsius is not None:
        parts = (u_probe_celsius(mean) if u_probe is None else u_probe, u_tester, u_placement, state.u_mean_celsius)
        u_mean = math.hypot(*parts)
    return Analysis(
        grid,
        set_celsius,
        state.cycles,
        mean,
        u_mean,
        state.u_mean_celsius if steady else None,
        _mean([cycle.swing_celsius for cycle in used]) if steady else None,
        _mean([cycle.period_s for cycle in used]) if steady else None,
        _mean([cycle.duty for cycle in used]) if steady else None,
        None if mean is None else mean - set_celsius,
        end_s,
        peak,
        None if peak is None or mean is None else peak - mean,
        state.drift_celsius_per_hour,
        steady,
        why,
        remarks,
    )


def _mean(values: Sequence[float]) -> float:
    return float(np.mean(values))


def _first_reach(grid: Grid, series: np.ndarray, level: float) -> float | None:
    """Return when a series first comes up to a level [s], None where it begins there or never does."""
    there = series >= level
    at = int(there.argmax())
    if at == 0:
        return None
    part = float((level - series[at - 1]) / (series[at] - series[at - 1]))
    return grid.start_s + grid.step_s * (at - 1 + part)


def _first_peak(grid: Grid, series: np.ndarray, found: turns.Turns, end_s: float | None) -> float | None:
    """Return the first maximum at or after the preheat's end [degC]."""
    if end_s is None:
        return None
    maxima = found.places[(0 if found.first_is_maximum else 1) :: 2]
    return next((float(series[place]) for place in maxima if grid.start_s + grid.step_s * place >= end_s), None)


def _without_cycles(grid: Grid, set_celsius: float, end_s: float | None) -> str:
    """Return why a log without a whole cycle has no mean."""
    celsius, last = grid.celsius, float(grid.celsius[-1])
    tail = celsius[-max(celsius.size // 3, 2) :]
    if float(np.ptp(celsius)) < 3.0 or float(np.ptp(tail)) < 1.0:
        return (
            f"It has no cycles: over its last third it stays between {tail.min():.1f} and {tail.max():.1f} °C. Either "
            "the control does not switch on and off, or the oven was not heating, or the probe was not in it."
        )
    if last > celsius.max() - 1.0:
        return (
            f"It ends during the preheat, at {last:.0f} °C after {span(grid.end_s - grid.start_s)}. Let it go through "
            "three to five cycles."
        )
    if end_s is None and float(celsius.max()) < set_celsius - 30.0 and last < celsius.max() - 10.0:
        return (
            f"It rises to {celsius.max():.0f} °C, far below the set {set_celsius:.0f}, and falls again: the heating "
            "stopped, or the probe fell out. Look at the probe, then log again."
        )
    return (
        f"It has no whole cycle: it reaches {celsius.max():.0f} °C and ends at {last:.0f} °C. Either it was cut off, "
        "or the oven was switched off, or the probe fell out. Let it go through three to five cycles."
    )


def _remarks(log: BakeLog, grid: Grid, cycles: Sequence[Cycle]) -> tuple[str, ...]:
    """Return what else a reader should know."""
    said = []
    lost_s = grid.missing_s(grid.start_s, grid.end_s)
    if lost_s > 0.0 or log.missing:
        said.append(
            f"Readings are missing for {span(lost_s)} of {span(grid.end_s - grid.start_s)}"
            + (f"; {plural(log.missing, 'line')} had no usable temperature." if log.missing else ".")
        )
    if grid.glitches:
        said.append(f"{plural(grid.glitches, 'reading')} stood far off both neighbours and took their median instead.")
    if log.repeated:
        said.append(f"{plural(log.repeated, 'reading')} shared a time with another and went into one mean.")
    if cycles:
        period = float(np.median([cycle.period_s for cycle in cycles]))
        quiet_s = grid.end_s - cycles[-1].end_s
        if quiet_s > _QUIET_PERIODS * period:
            said.append(
                f"After {cycles[-1].end_s:.0f} s it has no whole cycles any more ({span(quiet_s)}, ending at "
                f"{grid.celsius[-1]:.0f} °C): the oven was switched off, its door left open, or the probe fell out. "
                "That part is not used."
            )
    return tuple(said)
