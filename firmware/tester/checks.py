"""What the tester remembers of its morning checks: the newest, the last good one, and the values of the latest.

It stands in two slots beside the settings, so that a start need not search the ledger. Without a ledger it lasts until
the tester is switched off.
"""

from probecore import checking
from probecore.errors import ProbeError


class Checks:
    """The state of the checks; `setup` says what the tester is checked with."""

    def __init__(self, slots, settings, boot, uptime_ms, wall_seconds):
        """slots: Slots, or what stands in where there is no ledger; settings: map; boot: number of this start;
        uptime_ms, wall_seconds: functions that return [ms] since the start and [s] since 1970 or None.
        """
        self._slots = slots
        self._boot = boot
        self._uptime_ms = uptime_ms
        self._wall_seconds = wall_seconds
        self._state = slots.load() or {}
        self.setup = checking.setup_of(settings)

    def map(self):
        """Return what a probe test's record carries: passed (of the newest check, None where there was none), sequence
        (its record's), age_s (since the last good one, None where it is not known), good_sequence.
        """
        newest = self._state.get("newest") or {}
        good = self._state.get("good") or {}
        return {
            "passed": newest.get("passed"),
            "sequence": newest.get("sequence"),
            "age_s": self._age_s(good) if good else None,
            "good_sequence": good.get("sequence"),
        }

    def _age_s(self, check):
        """Return how long ago a check was [s]: by the clock, or within one start by the uptime."""
        now = self._wall_seconds()
        then = check.get("time")
        if now is not None and then is not None:
            return now - then if now >= then else None
        if check.get("boot") == self._boot:
            return (self._uptime_ms() - check.get("ms", 0)) // 1000
        return None

    def past(self, calibration_id):
        """Return the history that a new check is compared with: of the same resistor and calibration, else None."""
        history = self._state.get("history") or {}
        return history if history.get("of") == self._of(calibration_id) else None

    def _of(self, calibration_id):
        setup = self.setup
        return [calibration_id, setup.resistor, setup.resistor_ohms, setup.isolation_ohms]

    def done(self, body, sequence, calibration_id):
        """Note a check that was made.

        body: of its record; sequence: the record's number, None where it was not saved; calibration_id: in force.
        Returns False where it could not be kept beyond this start.
        """
        check = {
            "passed": body["passed"],
            "sequence": sequence,
            "time": self._wall_seconds(),
            "boot": self._boot,
            "ms": self._uptime_ms(),
        }
        state = dict(self._state)
        state["newest"] = check
        if body["passed"]:
            state["good"] = check
            history = checking.extended(self.past(calibration_id), body["steps"], body["tester_celsius"], self.setup)
            history["of"] = self._of(calibration_id)
            state["history"] = history
        self._state = state
        try:
            self._slots.save(state)
        except (ProbeError, OSError):
            return False
        return True
