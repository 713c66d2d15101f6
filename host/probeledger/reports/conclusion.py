"""What the tests of one job say together: sensor, harness, or what lies beyond both."""

from collections.abc import Mapping
from typing import Protocol

from probecore import verdict

__all__ = ["conclusion"]

# In these places a test is of a part that was not in the circuit that failed; what was found before is settled then.
_REPLACED = ("new-part", "after-fitting")


class Tested(Protocol):
    """What a conclusion needs of a test: its verdict."""

    @property
    def verdict(self) -> str:
        """Return pass, fail or undecided."""
        ...


def conclusion(last: Mapping[str | None, Tested]) -> str | None:
    """Return one sentence on where to look next, or None where the tests don't say.

    Args:
        last: the last test of the job at each place.

    Common practice, no source: a circuit that is good at the sensor and at the control's connector leaves the control
    and what it switches.
    """
    if any(place in last for place in _REPLACED):
        return None
    sensor, control = last.get("sensor"), last.get("control-end")
    at_sensor = sensor.verdict if sensor else None
    at_control = control.verdict if control else None
    if at_sensor == verdict.FAIL:
        return "The sensor itself fails: replace it, and test the new one before and after fitting."
    if at_sensor == verdict.PASS and at_control == verdict.PASS:
        return "Sensor and harness are good in all that was checked: look at the control or the heating circuit."
    if at_sensor == verdict.PASS and at_control == verdict.FAIL:
        return "The sensor is good, and the control does not see it so: look at the harness and its connectors."
    if at_sensor is None and at_control == verdict.FAIL:
        return "Sensor or harness: test at the sensor's own connector to tell them apart."
    if at_sensor == verdict.PASS and at_control is None:
        return "The sensor is good; the harness was not tested: test at the control's connector too."
    return None
