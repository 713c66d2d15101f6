"""What the tests of one job say together: sensor, harness, or what lies beyond both."""

from collections.abc import Mapping, Sequence
from typing import Protocol

from probecore import verdict
from probeledger.reports.differences import FLEX, ISOLATION, RESISTANCE, Difference

__all__ = ["conclusion"]

# In these places a test is of a part that was not in the circuit that failed; what was found before is settled then.
_REPLACED = ("new-part", "after-fitting")

_FAULTS = {
    RESISTANCE: "adds resistance",
    ISOLATION: "leaks to the chassis",
    FLEX: "comes and goes when moved",
}


class Tested(Protocol):
    """What a conclusion needs of a test: its verdict."""

    @property
    def verdict(self) -> str:
        """Return pass, fail or undecided."""
        ...


def conclusion(last: Mapping[str | None, Tested], differences: Sequence[Difference] = ()) -> str | None:
    """Return one sentence on where to look next, or None where the tests don't say.

    Args:
        last: the last test of the job at each place.
        differences: what the harness alone does, where both ends were measured.

    Common practice, no source: a circuit that is good at the sensor and at the control's connector leaves the control
    and what it switches.
    """
    if any(place in last for place in _REPLACED):
        return None
    sensor, control = last.get("sensor"), last.get("control-end")
    at_sensor = sensor.verdict if sensor else None
    at_control = control.verdict if control else None
    missed = [_FAULTS[each.name] for each in differences if each.missed]
    faults = " and ".join([", ".join(missed[:-1]), missed[-1]] if len(missed) > 1 else missed)
    if at_sensor == verdict.FAIL:
        if faults:
            return (
                f"The sensor itself fails, and the harness {faults}: replace the one, repair the other, and test at "
                "both ends again."
            )
        return "The sensor itself fails: replace it, and test the new one before and after fitting."
    if at_sensor == verdict.PASS and at_control == verdict.PASS and not faults:
        return "Sensor and harness are good in all that was checked: look at the control or the heating circuit."
    if at_sensor == verdict.PASS and faults:
        return f"The sensor is good, and the harness {faults}: look at the harness and its connectors."
    if at_sensor == verdict.PASS and at_control == verdict.FAIL:
        return "The sensor is good, and the control does not see it so: look at the harness and its connectors."
    if at_sensor == verdict.UNDECIDED and faults:
        return f"The harness {faults}: look at it and its connectors. The sensor itself is still undecided."
    if at_sensor is None and at_control == verdict.FAIL:
        return "Sensor or harness: test at the sensor's own connector to tell them apart."
    if at_sensor == verdict.PASS and at_control is None:
        return "The sensor is good; the harness was not tested: test at the control's connector too."
    return None
