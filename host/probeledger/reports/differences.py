"""What the harness alone does: the test at the control's end less the one at the sensor's end of the same job.

Each difference comes with its uncertainty, and is held against the limit that the harness alone would have to meet
(JCGM 106:2012, 7.1): series resistance in ohms, isolation in conductance, as leaks side by side add there, and what
comes and goes as a rate of events.
"""

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from probecore import conformance
from probecore import verdict as core_verdict
from probecore.curves import curve as core_curve
from probecore.errors import ProbeError
from probecore.limits import DOMESTIC_1000
from probeledger.judging.again import Again
from probeledger.judging.body import Flex, Leak
from probeledger.reports import words
from probeledger.rounding import COVERAGE_FACTOR, significant

__all__ = ["Difference", "differences", "event_rates"]

RESISTANCE = "series resistance"
ISOLATION = "isolation"
FLEX = "flex"

# What an element's temperature may change between two tests of one visit (assumed, standard uncertainty) [degC].
_U_VISIT_CELSIUS = 0.08

# From this probability on it is said that the harness misses or meets what is asked of it, as the limits' default.
_SURE = 0.95


@dataclass(frozen=True)
class Difference:
    """What the harness adds.

    `value` and its standard uncertainty `u` in `unit` ("ohm", "siemens" or "1/s"); `limit` of the harness alone in the
    same unit; `probability` that it is met. `text` says it in words.
    """

    name: str
    value: float
    u: float
    unit: str
    limit: float
    probability: float
    text: str

    @property
    def missed(self) -> bool:
        """Tell whether the harness alone misses its limit, as good as surely."""
        return self.probability <= 1.0 - _SURE


def differences(sensor: Again, control: Again, sensor_sequence: int | None = None) -> tuple[Difference, ...]:
    """Compare two tests of one circuit.

    Args:
        sensor: the test at the sensor's own connector, judged again.
        control: the test at the control's connector, judged again.
        sensor_sequence: the sensor test's record, to know whether the tester compared with it.

    Returns:
        Series resistance, isolation and flex, as far as both tests measured them.
    """
    found = (
        _resistance(sensor, control, sensor_sequence),
        _isolation(sensor, control),
        _flex(sensor.body.flex, control.body.flex),
    )
    return tuple(each for each in found if each is not None)


def _limit(control: Again, name: str, key: str) -> float:
    """Return a limit [ohm] as the control's test was judged by, else the default's."""
    defaults: Mapping[str, Any] = DOMESTIC_1000
    for guard in control.guards:
        if guard.name == name:
            limit = guard.high_limit if guard.low_limit is None else guard.low_limit
            if limit is not None:
                return limit
    return float(defaults[key])


def _steady_ohms(again: Again) -> tuple[float, float] | None:
    """Return resistance and standard uncertainty [ohm] of a test whose leads were connected and whose value stood."""
    moving = again.body.settling is not None and not again.body.settling.settled
    connected = dict(again.requirements).get(core_verdict.CONTINUITY) == 1.0
    if again.ohms is None or again.u_ohms is None or moving or not connected:
        return None
    return again.ohms, again.u_ohms


def _slope(again: Again) -> float | None:
    """Return the size of the curve's slope [ohm/degC] that a test was judged with, None where it is not known."""
    for guard in again.guards:
        if guard.ohms and guard.celsius:
            return guard.ohms / guard.celsius
    try:
        curve = core_curve(again.body.curve or "pt1000-3850")
        return None if again.celsius is None else abs(float(curve.ohms_per_celsius(again.celsius)))
    except ProbeError:
        return None


def _resistance(sensor: Again, control: Again, sensor_sequence: int | None) -> Difference | None:
    near, far = _steady_ohms(sensor), _steady_ohms(control)
    if near is None or far is None:
        return None
    told = control.body.harness
    if told is not None and told.u_ohms and told.other_sequence in (None, sensor_sequence):
        # One tester made both: its own errors cancel, and it knows what is left.
        value, u = told.ohms, told.u_ohms
    elif control.curve is not None and control.curve.low_ohms > control.curve.high_ohms:
        # What a thermistor's own temperature does between two tests hides a harness; else its tester would tell.
        return None
    else:
        slope = _slope(control)
        if slope is None:
            return None
        value, u = far[0] - near[0], math.hypot(near[1], far[1], _U_VISIT_CELSIUS * slope)
    limit = _limit(control, core_verdict.HARNESS, "harness_ohms")
    if u > limit:
        # As with a thermistor, whose own change hides a harness: such a difference would say nothing.
        return None
    shown = words.ohms_text(value, u)
    return Difference(
        RESISTANCE,
        value,
        u,
        "ohm",
        limit,
        float(conformance.below(limit, value, u)),
        f"{shown} in series",
    )


def _conductance(leaks: tuple[Leak | None, Leak | None]) -> tuple[float, float, float] | None:
    """Return conductance of the worse lead to the chassis, u of its normal part and its rectangular half-width [S].

    "More than so many ohms" is anything from nothing to that conductance, each as likely.
    """
    found = []
    for leak in leaks:
        if leak is None:
            continue
        if leak.ohms <= 0.0:
            return None
        if leak.greater:
            half = 0.5 / leak.ohms
            found.append((half, 0.0, half))
        else:
            found.append((1.0 / leak.ohms, (leak.u_ohms or 0.0) / leak.ohms**2, 0.0))
    return max(found) if found else None


def _isolation(sensor: Again, control: Again) -> Difference | None:
    near = _conductance((sensor.body.leak_a, sensor.body.leak_b))
    far = _conductance((control.body.leak_a, control.body.leak_b))
    if near is None or far is None or False in (sensor.body.contact_proven, control.body.contact_proven):
        return None
    limit = 1.0 / _limit(control, core_verdict.ISOLATION_A, "isolation_ohms")
    value = far[0] - near[0]
    u_normal = math.hypot(near[1], far[1])
    u = math.sqrt(u_normal**2 + (near[2] ** 2 + far[2] ** 2) / 3.0)
    probability = float(conformance.below(limit, value, u_normal, near[2], far[2]))
    said = f"{_microsiemens(value)} ± {_microsiemens(COVERAGE_FACTOR * u)} µS to the chassis"
    if value > COVERAGE_FACTOR * u:
        said += f" ({words.ohms_text(1.0 / value, u / value**2)})"
    return Difference(ISOLATION, value, u, "siemens", limit, probability, said)


def _microsiemens(siemens: float) -> str:
    return significant(siemens * 1e6, 2)


def event_rates(near: int, near_s: float, far: int, far_s: float) -> tuple[float, float, float]:
    """Compare how often a connection came and went at two places.

    Args:
        near, near_s: events at the sensor's end, and the seconds in which they were counted.
        far, far_s: the same at the control's end.

    Returns:
        Difference of the rates (far less near) and its standard uncertainty [1/s], and the probability that the rate at
        the far end is the higher one. Events are taken as independent (Poisson), every rate as likely before: the rate
        then is gamma distributed with n + 1 events, so that none seen is not taken for certainty.
    """
    value = far / far_s - near / near_s
    u = math.sqrt((far + 1) / far_s**2 + (near + 1) / near_s**2)
    share = far_s / (far_s + near_s)
    total = near + far + 1
    higher = math.fsum(math.comb(total, k) * share**k * (1.0 - share) ** (total - k) for k in range(far + 1))
    return value, u, min(1.0, higher)


# More events than this in one capture tell no more, and their binomials would leave the range of floats.
_MOST_EVENTS = 400


def _flex(near: Flex | None, far: Flex | None) -> Difference | None:
    if near is None or far is None or not near.seconds or not far.seconds:
        return None
    counts = []
    for flex in (near, far):
        if flex.dropouts is None or flex.steps is None or flex.dropouts < 0 or flex.steps < 0:
            return None
        counts.append(min(_MOST_EVENTS, flex.dropouts + flex.steps))
    value, u, higher = event_rates(counts[0], near.seconds, counts[1], far.seconds)
    said = (
        f"{significant(value, 2)} ± {significant(COVERAGE_FACTOR * u, 2)} events a second when moved "
        f"({counts[1]} in {far.seconds:.0f} s against {counts[0]} in {near.seconds:.0f} s)"
    )
    # Any event is one too many: the harness is at fault where it has more than the sensor has.
    return Difference(FLEX, value, u, "1/s", 0.0, 1.0 - higher if counts[1] else 1.0, said)
