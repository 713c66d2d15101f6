"""What to set a control's own offset to after a bake log, and when to say nothing.

An offset is never turned up to hide a faulty sensor: without a sensor, isolation and harness that passed there is no
advice. It is rounded to what the control can be set to and stays within what it can be set to.
"""

from __future__ import annotations

import math
from collections.abc import Collection
from dataclasses import dataclass

from probeledger.baking.outcome import Analysis
from probeledger.errors import InputError
from probeledger.rounding import COVERAGE_FACTOR

__all__ = ["MUST_PASS", "Advice", "Control", "advise"]

MUST_PASS = ("sensor", "isolation", "harness")
# A quotient of decimal fractions is a whole number within this.
_WHOLE = 1e-9


@dataclass(frozen=True)
class Control:
    """A control's own offset.

    Attributes:
        present_celsius: what it is set to now [K]; up means a hotter oven.
        step_celsius: its step [K].
        range_celsius: how far it goes each way [K].
    """

    present_celsius: float
    step_celsius: float
    range_celsius: float


@dataclass(frozen=True)
class Advice:
    """What to change.

    Attributes:
        correction_celsius: what to add to the control's offset [K], None where that is withheld.
        new_offset_celsius: what the offset is then set to [K].
        left_celsius: the offset of the oven that then remains [K].
        limited: whether the control's range keeps it from more.
        why: why so, or why withheld, in a sentence.
    """

    correction_celsius: float | None
    new_offset_celsius: float | None
    left_celsius: float | None
    limited: bool
    why: str


def advise(analysis: Analysis, control: Control, passed: Collection[str]) -> Advice:
    """Advise a correction of the control's offset.

    Args:
        analysis: of the bake log.
        control: its own offset.
        passed: which of `MUST_PASS` were tested and passed.

    Returns:
        The advice, withheld where the oven is not steady or not all of them passed.

    Raises:
        InputError: a step or range that is none, or an offset outside the range.
    """
    step, limit, present = control.step_celsius, control.range_celsius, control.present_celsius
    if not (step > 0.0 and limit > 0.0 and step <= limit * (1.0 + _WHOLE)):
        raise InputError("The control's step must be above zero and no larger than its range; give --step and --range.")
    if abs(present) > limit * (1.0 + _WHOLE):
        raise InputError("The control's present offset is outside its range; check --present-offset and --range.")
    if analysis.offset_celsius is None or analysis.u_mean_celsius is None:
        return Advice(None, None, None, False, "Withheld: without a steady state there is no mean to correct.")
    lacking = [name for name in MUST_PASS if name not in passed]
    if lacking:
        return Advice(
            None,
            None,
            None,
            False,
            f"Withheld until {_listed(lacking)} passed: an offset is never turned up to hide a fault. Test first, then "
            f"add --passed {','.join(MUST_PASS)}.",
        )
    wanted = present - analysis.offset_celsius
    most = math.floor(limit / step + _WHOLE)
    steps = round(wanted / step)
    limited = abs(steps) > most
    new = step * min(max(steps, -most), most)
    correction = new - present
    if abs(correction) < _WHOLE:
        correction = 0.0
    left = analysis.offset_celsius + correction
    if limited:
        why = "The control's range allows no more: what is left is more than a setting; look for its cause."
    elif abs(analysis.offset_celsius) <= COVERAGE_FACTOR * analysis.u_mean_celsius:
        why = "The offset is no larger than its uncertainty (k = 2): to leave the control alone is as well founded."
    elif correction == 0.0:
        why = "Less than half of the control's step: leave it."
    else:
        why = "Rounded to the control's step; log again after the change."
    return Advice(correction, new, left, limited, why)


def _listed(names: list[str]) -> str:
    return names[0] if len(names) == 1 else f"{', '.join(names[:-1])} and {names[-1]}"
