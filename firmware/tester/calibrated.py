"""The calibration in force: found at the start, replaced in one act, and never quietly another one.

Rules:
1. A new set goes into the slot that is not in force; it is in force once it has been read back from there. The set
   before stays in the other slot.
2. The change is a record. Where the supply failed between set and record, the next start writes it.
3. Every record names the set that was in force. Where a slot is damaged and the whole one is not the one that the
   newest record names, the set in force was lost: the tester counts as damaged and works with nominal values. Where it
   is that one, a write was torn, and the set before goes on.
4. A set whose next date has passed counts as overdue.
"""

import board
from probecore import calibration as calibrations, record
from probecore.errors import ProbeError, StoredDataError

# The record of a set that a start found without one.
TAKEN = "taken"
_LOST = "The calibration in force is damaged; nominal values are used. Calibrate the tester again."


class CalibrationError(ProbeError):
    """A set could not be taken; the one before goes on."""


def nominal(state):
    """Return what holds without a calibration, in the given state."""
    return calibrations.uncalibrated(
        board.REFERENCE_TOLERANCE_PPM,
        board.REFERENCE_TEMPCO_PPM_PER_K,
        board.LINEARITY_MICROOHMS / 1e6,
        state,
    )


class InForce:
    """The calibration in force and where it is kept."""

    def __init__(self, store, seconds):
        """Find the set in force. store: Store or NoStore; seconds: function, the time [s since 1970] or None.

        `notes` says in sentences what is wrong; `unrecorded` is true where a change still needs its record.
        """
        self._store = store
        self._seconds = seconds
        self.notes = []
        self.unrecorded = False
        self._set = self._find()
        self._overdue = calibrations.with_state(self._set, calibrations.OVERDUE)

    def _find(self):
        slots = self._store.calibration
        stored = slots.load()
        if stored is None:
            if slots.damaged:
                self.notes.append(_LOST)
                return nominal(calibrations.DAMAGED)
            return nominal(calibrations.UNCALIBRATED)
        try:
            found = calibrations.from_map(stored)
        except StoredDataError as error:
            self.notes.append(error.message)
            return nominal(calibrations.DAMAGED)
        known, newest = self._newest()
        if not known or newest == found.id:
            # A ledger without records tells nothing; a damaged slot beside it could have been the newer one.
            lost = slots.damaged and not known
        elif slots.damaged:
            lost = True
        elif newest == found.previous:
            self.unrecorded = True
            lost = False
        else:
            lost = newest is not None
        if lost:
            self.notes.append(_LOST)
            return nominal(calibrations.DAMAGED)
        return found

    def _newest(self):
        """Return whether there is a newest record, and the id of the set that it names."""
        for _, item in self._store.read(self._store.last, 1):
            try:
                return True, record.decode(item)["cal"]
            except StoredDataError:
                break
        return False, None

    def now(self):
        """Return the Calibration in force, as overdue where its next date has passed."""
        return self._overdue if calibrations.is_due(self._set, self._seconds()) else self._set

    def before(self):
        """Return the map of the set before, None where there is none or it cannot be read."""
        return self._store.calibration.other()

    def check(self, stored):
        """Return the Calibration of a map that was offered. Raises ProbeError with what is wrong with it."""
        found = calibrations.from_map(stored)
        if found.id is None or found.state != calibrations.CALIBRATED or found.date is None:
            raise CalibrationError(
                "bad-calibration", "A new calibration needs an id, its date and the state calibrated."
            )
        if found.previous != self._set.id:
            raise CalibrationError(
                "other-calibration",
                "It was made for a tester that works with %s; this one works with %s."
                % (found.previous or "no calibration", self._set.id or "none"),
            )
        if found.id == self._set.id:
            raise CalibrationError("same-calibration", "The calibration %s is in force already." % found.id)
        return found

    async def take(self, stored, keep, quiet):
        """Put a set in force. Returns the number of its record.

        stored: map that `check` accepted, with what else is known of it; keep: coroutine function that appends a
        record; quiet: lock under which the flash is written. Raises ProbeError or OSError: before the set is in force
        nothing has changed; a record that fails afterwards is written at the next start.
        """
        found = self.check(stored)
        before = calibrations.to_map(self.now())
        slots = self._store.calibration
        async with quiet:
            slots.save(stored)
            if not slots.holds():
                raise CalibrationError(
                    "calibration-failed", "The flash does not keep the calibration. Nothing was changed."
                )
        self._set = found
        self._overdue = calibrations.with_state(found, calibrations.OVERDUE)
        self.unrecorded = True
        return await self._record(keep, before, stored)

    async def complete(self, keep):
        """Write the record of a change that a cut left without one. Returns its number, None where none was missing."""
        if not self.unrecorded:
            return None
        stored = self._store.calibration.load()
        return await self._record(keep, self.before(), stored)

    async def _record(self, keep, before, stored):
        body = {"act": TAKEN, "before": before, "after": calibrations.to_map(self._set)}
        report = stored.get("report")
        for name in ("as_found", "by", "source"):
            body[name] = report.get(name) if isinstance(report, dict) else None
        if isinstance(before, dict):
            before.pop("report", None)
        sequence = await keep("calibration", body)
        self.unrecorded = False
        return sequence
