"""Which cycles of a bake log are those of the steady oven, and what their mean is.

Three questions in turn. Which cycles are unlike the rest (a door was opened, readings are missing)? They are left out.
Where does the steady state begin? There where leaving out one more of the first cycles no longer makes the mean's
standard error smaller (the marginal standard error rule: K. P. White, An effective truncation heuristic for bias
reduction in simulation output, Simulation 69, 1997, from memory). And do the cycles from there on stay where they are?
Only then has the oven a mean. All limits are the project's own; no standard's averaging rule is claimed.
"""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.special import stdtrit

from probeledger.baking.cycles import Cycle, likeness
from probeledger.baking.grid import Grid
from probeledger.rounding import fixed
from probeledger.text import plural, span

__all__ = ["FEWEST_CYCLES", "LEAST_SPAN_S", "Steadiness", "steady_state"]

# Three to five cycles after the preheat: common practice, no source. Three of many may agree by chance, so it takes one
# more for each that was disturbed.
FEWEST_CYCLES = 3
LEAST_SPAN_S = 600.0
# What a mean may move per hour, and over all of the steady state [K].
MOST_DRIFT_CELSIUS_PER_HOUR = 3.0
MOST_DRIFT_CELSIUS = 2.0
# How far means, maxima and minima may scatter, as a standard deviation [K] or share of the swing; periods, as a share.
MOST_SCATTER_CELSIUS = 1.0
MOST_SCATTER_SHARE = 0.05
MOST_EXTREME_SCATTER_CELSIUS = 0.7
MOST_EXTREME_SCATTER_SHARE = 0.1
MOST_PERIOD_SCATTER = 0.15
# How much of the variation within cycles must be their common shape, of all and of those in the mean: below, they are
# wandering noise.
LEAST_LIKENESS = (0.3, 0.7)
# How far the period or the swing of the last third may be from those of the first (factor).
MOST_CHANGE = 1.3
# Parts of the cycles that may be disturbed, and in a row at the end.
MOST_DISTURBED = 0.3
MOST_DISTURBED_LAST = 2
# A level is left for another where three cycles and the next three differ by so much [K], and by so many times of what
# each three differ among themselves. An approach, however slow, makes that twice and no more.
LEAST_STEP_CELSIUS = 1.5
STEP_SPREADS = 4.0
# Of a cycle so much may be missing.
MOST_MISSING = 0.05
# A cycle is unlike the others beyond so many robust standard deviations, and beyond these shares of the swing and [K];
# of the period between these shares.
_UNLIKE = 5.0
_UNLIKE_MEAN = (0.02, 0.15)
_UNLIKE_EXTREME = (0.05, 0.3)
_UNLIKE_PERIOD = (0.1, 0.2)
# Means of cycles are not told apart below this [K]; without it, noise-free logs would lose cycles to the last digit.
_LEAST_SCATTER_CELSIUS = 0.02


@dataclass(frozen=True)
class Steadiness:
    """What a log says of the steady oven.

    Attributes:
        cycles: all of them, each with its state.
        mean_celsius: time mean over the used ones [degC], None where it is not steady.
        u_mean_celsius: standard uncertainty of that mean from the scatter and drift of the cycles alone [K].
        drift_celsius_per_hour: slope of the cycles' means [K/h], None for fewer than three.
        steady: whether it has a steady state.
        why: one sentence for the answer.
    """

    cycles: tuple[Cycle, ...]
    mean_celsius: float | None
    u_mean_celsius: float | None
    drift_celsius_per_hour: float | None
    steady: bool
    why: str


def steady_state(grid: Grid, found: Sequence[Cycle]) -> Steadiness:
    """Find the steady state in the cycles of a log.

    Args:
        grid: the log.
        found: whole cycles in order of time, one at least.

    Returns:
        Their states, the mean with its uncertainty, and why.
    """
    cycles = _marked(found)
    unlike = sum(cycle.state == "disturbed" for cycle in cycles[1:])
    good = [place for place, cycle in enumerate(cycles) if cycle.state == "used"]
    if len(good) >= FEWEST_CYCLES:
        first = good[_begin([cycles[place].mean_celsius for place in good])]
        cycles = [
            dataclasses.replace(cycle, state="before steady state") if place < first else cycle
            for place, cycle in enumerate(cycles)
        ]
    used = [cycle for cycle in cycles if cycle.state == "used"]
    drift = _drift(used) if len(used) >= FEWEST_CYCLES else None
    after = cycles[cycles.index(used[0]) :] if used else []
    against = _against(used, after, cycles, drift, unlike)
    whole = [cycle for cycle in cycles if cycle.state != "missing data"]
    if (whole and likeness(grid, whole) < LEAST_LIKENESS[0]) or (
        against is None and likeness(grid, used) < LEAST_LIKENESS[1]
    ):
        against = (
            "It has no regular cycles: the temperature wanders without a common shape. Either the control does not "
            "switch on and off, or the oven was not heating, or its door was opened again and again, or the probe was "
            "not in it."
        )
    if against:
        return Steadiness(tuple(cycles), None, None, drift, False, against)
    weights = np.array([cycle.period_s for cycle in used])
    means = np.array([cycle.mean_celsius for cycle in used])
    mean = float((weights * means).sum() / weights.sum())
    assert drift is not None
    lasted_h = (used[-1].end_s - used[0].start_s) / 3600.0
    u_mean = math.hypot(_u_scatter(means), drift * lasted_h / math.sqrt(12.0))
    left_out = len(after) - len(used)
    why = (
        f"{plural(len(used), 'whole cycle')} over {span(used[-1].end_s - used[0].start_s)} stay within "
        f"{max(means.max() - mean, mean - means.min()):.1f} °C of their mean and drift by {_signed(drift)} °C an hour"
        + (f"; {plural(left_out, 'cycle')} left out." if left_out else ".")
    )
    return Steadiness(tuple(cycles), mean, u_mean, drift, True, why)


def _signed(kelvin: float) -> str:
    """Return a difference [K] to a tenth, with its sign unless that is none."""
    shown = fixed(abs(kelvin), 1)
    return shown if not float(shown) else f"{'+' if kelvin > 0.0 else '−'}{shown}"


def _marked(found: Sequence[Cycle]) -> list[Cycle]:
    """Return the cycles, those marked that miss readings or are unlike the others."""
    whole = [cycle for cycle in found if cycle.missing_s <= MOST_MISSING * cycle.period_s]
    if not whole:
        return [dataclasses.replace(cycle, state="missing data") for cycle in found]
    swing = float(np.median([cycle.swing_celsius for cycle in whole]))

    def limits(values: list[float], least: float) -> tuple[float, float]:
        middle = float(np.median(values))
        return middle, max(_UNLIKE * 1.4826 * float(np.median(np.abs(np.array(values) - middle))), least)

    mean = limits([cycle.mean_celsius for cycle in whole], max(_UNLIKE_MEAN[0] * swing, _UNLIKE_MEAN[1]))
    extreme = max(_UNLIKE_EXTREME[0] * swing, _UNLIKE_EXTREME[1])
    top = limits([cycle.maximum_celsius for cycle in whole], extreme)
    bottom = limits([cycle.minimum_celsius for cycle in whole], extreme)
    periods = [cycle.period_s for cycle in whole]
    usual, away = limits(periods, _UNLIKE_PERIOD[0] * float(np.median(periods)))
    period = usual, min(away, _UNLIKE_PERIOD[1] * usual)
    marked = []
    for cycle in found:
        if cycle.missing_s > MOST_MISSING * cycle.period_s:
            marked.append(dataclasses.replace(cycle, state="missing data"))
            continue
        unlike = any(
            abs(value - middle) > limit
            for value, (middle, limit) in (
                (cycle.mean_celsius, mean),
                (cycle.maximum_celsius, top),
                (cycle.minimum_celsius, bottom),
                (cycle.period_s, period),
            )
        )
        # After a door was shut, an oven overshoots once: its next cycle looks like the others, and is not.
        after = not unlike and bool(marked) and marked[-1].state == "disturbed"
        state = "disturbed" if unlike else "recovering" if after else cycle.state
        marked.append(dataclasses.replace(cycle, state=state))
    return marked


def _begin(means: Sequence[float]) -> int:
    """Return how many of the first cycles to leave out, by the marginal standard error rule; at most half or three."""
    values = np.asarray(means)
    most = min(values.size - FEWEST_CYCLES, max(values.size // 2, FEWEST_CYCLES))
    errors = []
    for first in range(most + 1):
        rest = values[first:]
        errors.append((rest.var() + _LEAST_SCATTER_CELSIUS**2) / rest.size)
    return int(np.argmin(errors))


def _drift(used: Sequence[Cycle]) -> float:
    """Return the slope of the cycles' means over time [K/h]."""
    hours = np.array([0.5 * (cycle.start_s + cycle.end_s) / 3600.0 for cycle in used])
    means = np.array([cycle.mean_celsius for cycle in used])
    hours -= hours.mean()
    return float((hours * (means - means.mean())).sum() / (hours**2).sum())


def _stepped(cycles: Sequence[Cycle]) -> tuple[float, float] | None:
    """Return when [s] and by how much [K] the cycles' level changed for good, None where it did not."""
    means = [cycle.mean_celsius for cycle in cycles]
    for place in range(3, len(means) - 3):
        before, after = sorted(means[place - 3 : place]), sorted(means[place + 1 : place + 4])
        step = after[1] - before[1]
        if abs(step) > max(LEAST_STEP_CELSIUS, STEP_SPREADS * max(before[2] - before[0], after[2] - after[0])):
            return cycles[place].start_s, step
    return None


def _scatter_limit(cycles: Sequence[Cycle]) -> float:
    """Return how far means may scatter [K]."""
    swing = float(np.median([cycle.swing_celsius for cycle in cycles]))
    return max(MOST_SCATTER_CELSIUS, MOST_SCATTER_SHARE * swing)


def _u_scatter(means: np.ndarray) -> float:
    """Return the standard uncertainty of a mean of cycles [K] by their scatter.

    Neighbours that resemble each other say less than their number: their correlation widens it. Few cycles know their
    own scatter badly: Student's factor over that of many, so that twice the result holds 95 %.
    """
    many = means.size
    away = means - means.mean()
    total = float((away**2).sum())
    alike = float((away[1:] * away[:-1]).sum()) / total if total > 0.0 else 0.0
    alike = min(max(alike, 0.0), 0.9)
    widened = (1.0 + alike) / (1.0 - alike)
    student = float(stdtrit(many - 1, 0.975)) / 2.0
    return student * math.sqrt(widened * total / (many - 1) / many)


def _against(
    used: Sequence[Cycle], after: Sequence[Cycle], cycles: Sequence[Cycle], drift: float | None, unlike: int
) -> str | None:
    """Return why the log has no steady state, None where it has one."""
    disturbed = sum(cycle.state == "disturbed" for cycle in cycles)
    missing = sum(cycle.state == "missing data" for cycle in cycles)
    if len(used) < FEWEST_CYCLES or drift is None:
        lost = [f"{disturbed} disturbed"] * bool(disturbed) + [f"{missing} with missing data"] * bool(missing)
        return (
            f"It has {plural(len(cycles), 'whole cycle')}"
            + (f", of them {' and '.join(lost)}" if lost else "")
            + f"; a mean takes at least {FEWEST_CYCLES} undisturbed ones. Log for longer, with the door shut."
        )
    lasted_s = used[-1].end_s - used[0].start_s
    if lasted_s < LEAST_SPAN_S:
        return (
            f"The cycles after the preheat last {span(lasted_s)} only; a mean takes at least {span(LEAST_SPAN_S)}, as "
            "the walls are still warming. Log for longer."
        )
    last = 0
    for cycle in reversed(after):
        if cycle.state != "disturbed":
            break
        last += 1
    if last > MOST_DISTURBED_LAST:
        return (
            f"The last {last} cycles are unlike those before: the oven, its setting or the probe's place changed at "
            f"{after[-last].start_s:.0f} s. Log again, attended."
        )
    stepped = _stepped(cycles)
    if stepped is not None:
        return (
            f"It holds one level and then another, {abs(stepped[1]):.1f} °C {'higher' if stepped[1] > 0 else 'lower'}: "
            f"the oven, its setting or the probe's place changed at about {stepped[0]:.0f} s. Log again, attended."
        )
    fewest = FEWEST_CYCLES + unlike
    if len(used) < fewest:
        return (
            f"It has {plural(len(used), 'undisturbed cycle')} beside {unlike} disturbed, where a mean takes at least "
            f"{fewest}. Log for longer, with the door shut."
        )
    among = sum(cycle.state == "disturbed" for cycle in after)
    if among > MOST_DISTURBED * len(after):
        return f"{among} of {len(after)} cycles are disturbed (door, draught or wiring). Log again, with the door shut."
    means = np.array([cycle.mean_celsius for cycle in used])
    periods = np.array([cycle.period_s for cycle in used])
    swings = np.array([cycle.swing_celsius for cycle in used])
    moved = drift * lasted_s / 3600.0
    way = "rises" if drift > 0 else "falls"
    if abs(drift) > MOST_DRIFT_CELSIUS_PER_HOUR or abs(moved) > MOST_DRIFT_CELSIUS:
        return (
            f"It never settles: the cycles' mean {way} by {abs(drift):.1f} °C an hour, {abs(moved):.1f} °C over "
            f"{span(lasted_s)}. Log for longer; where it goes on, look at heating, door seal and control."
        )
    limit = _scatter_limit(used)
    whole = np.array([cycle.mean_celsius for cycle in cycles if cycle.state != "missing data"])
    # From one cycle to the next, over all the log: of many that hunt, a few agree by chance.
    from_next = 1.4826 / math.sqrt(2.0) * float(np.median(np.abs(np.diff(whole))))
    scatter = max(float(means.std(ddof=1)), from_next)
    if scatter > limit:
        return (
            f"It never settles: the means of single cycles scatter by {scatter:.1f} °C (standard deviation), "
            f"more than {limit:.1f}. Look for draught, a loose probe, or a control that hunts."
        )
    limit = max(MOST_EXTREME_SCATTER_CELSIUS, MOST_EXTREME_SCATTER_SHARE * float(np.median(swings)))
    for what, extremes in (
        ("highest", [cycle.maximum_celsius for cycle in used]),
        ("lowest", [cycle.minimum_celsius for cycle in used]),
    ):
        if np.std(extremes, ddof=1) > limit:
            return (
                f"It never settles: the cycles' {what} temperatures go from {min(extremes):.1f} to {max(extremes):.1f} "
                "°C, wider than a control with fixed thresholds makes them. Look for draught, a loose probe, or a "
                "control that hunts."
            )
    if periods.std(ddof=1) > MOST_PERIOD_SCATTER * periods.mean():
        return (
            f"It never settles: the cycles last from {periods.min():.0f} to {periods.max():.0f} s, so they are no "
            "cycles of one control. Look for draught, a loose probe, or a control that hunts."
        )
    third = max(len(used) // 3, 1)
    for what, values in (("period", periods), ("swing", swings)):
        ratio = float(np.median(values[-third:]) / np.median(values[:third]))
        if len(used) >= 2 * FEWEST_CYCLES and not 1.0 / MOST_CHANGE < ratio < MOST_CHANGE:
            return (
                f"It never settles: the {what} of the last cycles is {ratio:.2f} times that of the first. "
                "Log for longer; where it goes on, look at heating, door seal and control."
            )
    return None
