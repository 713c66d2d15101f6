"""The currents of the few diodes that conduct, by Newton's method on the logarithms of their currents.

For each conducting diode k, with i = Is exp(y) what it carries above its reverse current -Is, emission voltage n and
series resistance r:
    n y + r (i - Is) + sum over j of Z[k][j] i[j] = a[k]
where a is the voltage across it with nothing but reverse currents and Z the resistances between them. Each left
side is convex and rising in its own y, so that a start from above comes down to the solution without overshoot,
from any state of the circuit; the solution of the step before is the quicker start and is tried first. The supply
rail's limits join as a linear device.
"""

from __future__ import annotations

import numpy as np

from .netlist import Array, Devices

QUICK_ITERATIONS, ITERATIONS = 12, 200
# Largest change of a logarithm at which the result stands (a current to 1e-9 of itself), and of a voltage.
DONE_LOG, DONE_VOLTS = 1e-9, 1e-12
# A logarithm below this is no current worth settling further: 1e-13 of the saturation current.
IDLE_LOG = -30.0
STEP_LOG = 8.0
LOG_FLOOR, LOG_CEILING = -690.0, 60.0


class ConvergenceError(Exception):
    """Say that the circuit has no solution that was found: a value in the scenario is out of all range."""


def conduct(
    devices: Devices,
    order: list[int],
    resistances: Array,
    aims: Array,
    rail_law: tuple[float, float] | None,
    logarithms: Array,
) -> Array:
    """Return the currents [A] of the devices in `order`.

    Args: `resistances` [ohm] between them; `aims` the voltages [V] across them without any of their currents;
    `rail_law` slope [S] and offset [A] of the rail's current where the rail is the last of them, else None;
    `logarithms` the logarithms of the diodes' last currents by device, brought up to date here.
    Raises ConvergenceError where Newton's method finds nothing.
    """
    diodes = len(order) - (rail_law is not None)
    which = order[:diodes]
    saturation = devices.saturation_amps[which]
    emission = devices.emission_volts[which]
    series = devices.series_ohms[which]
    start = np.minimum(logarithms[which], aims[:diodes] / emission)
    found = _newton(start, saturation, emission, series, resistances, aims, rail_law, QUICK_ITERATIONS)
    if found is None:
        own = np.diagonal(resistances)[:diodes] + series
        above = np.log1p(np.maximum(aims[:diodes], 0.0) / own / saturation)
        start = np.minimum(aims[:diodes] / emission, above)
        found = _newton(start, saturation, emission, series, resistances, aims, rail_law, ITERATIONS)
        if found is None:
            raise ConvergenceError("the circuit has no solution; a value in the scenario is out of all range")
    y, amps = found
    logarithms[which] = y
    return amps


def _newton(
    start: Array,
    saturation: Array,
    emission: Array,
    series: Array,
    resistances: Array,
    aims: Array,
    rail_law: tuple[float, float] | None,
    iterations: int,
) -> tuple[Array, Array] | None:
    """Return the logarithms and the currents [A], or None where they are not found within the iterations."""
    diodes = len(start)
    count = len(aims)
    y = start
    rail_volts = float(aims[-1])
    amps = np.empty(count)
    slopes = np.empty(count)
    own = np.empty(count)
    diagonal = np.arange(count)
    for _ in range(iterations):
        flow = saturation * np.exp(np.minimum(np.maximum(y, LOG_FLOOR), LOG_CEILING))
        amps[:diodes] = slopes[:diodes] = flow
        own[:diodes] = emission * y + series * (flow - saturation)
        if rail_law is not None:
            amps[-1] = rail_law[0] * rail_volts + rail_law[1]
            slopes[-1] = rail_law[0]
            own[-1] = rail_volts
        matrix = resistances * slopes
        matrix[diagonal[:diodes], diagonal[:diodes]] += emission + series * flow
        if rail_law is not None:
            matrix[-1, -1] += 1.0
        step = np.linalg.solve(matrix, aims - own - resistances @ amps)
        moved = step[:diodes]
        settled = (np.abs(moved) < DONE_LOG) | ((y < IDLE_LOG) & (np.abs(moved) < 1.0))
        y = y + np.minimum(moved, STEP_LOG)
        if rail_law is not None:
            rail_volts += float(step[-1])
            if abs(float(step[-1])) > DONE_VOLTS * max(abs(rail_volts), 1.0) * 100.0:
                continue
        if settled.all():
            amps[:diodes] = saturation * np.exp(np.minimum(np.maximum(y, LOG_FLOOR), LOG_CEILING))
            if rail_law is not None:
                amps[-1] = rail_law[0] * rail_volts + rail_law[1]
            return y, amps
    return None
