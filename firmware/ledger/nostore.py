"""What stands in for the ledger's store where there is nothing to write to."""

from probecore import record
from probecore.errors import StoredDataError

from .store import LedgerError


class NoStore:
    """Stands in where no file system can be written: measuring goes on, and nothing claims to be saved."""

    kind = "none"
    ledger_id = None
    first = 0
    last = 0
    boot = 0
    confirmed = 0
    head = record.GENESIS
    full = False
    failing = False
    damaged_bytes = 0

    def __init__(self, reason):
        """Keep the sentence that says why there is no ledger."""
        self.notes = [reason]
        self.settings = _Nothing()
        self.calibration = _Nothing()
        self.checks = _Nothing()

    def place(self, name):
        """Return what stands in for Slots."""
        return _Nothing()

    def take_room(self):
        """Return False: there is nowhere to write."""
        return False

    def append(self, kind, body, calibration=None):
        """Raise LedgerError: there is no ledger."""
        raise LedgerError("ledger-none", "There is no ledger to save in: " + self.notes[0])

    def read(self, start, count):
        """Yield nothing."""
        return iter(())

    def confirm(self, sequence, digest):
        """Raise StoredDataError: there is nothing to confirm."""
        raise StoredDataError("confirm-mismatch", "This tester has no ledger, so there is nothing to confirm.")

    def change_settings(self, *pairs):
        """Raise LedgerError: there is nowhere to keep a setting."""
        raise LedgerError("ledger-none", "There is no ledger to keep settings in: " + self.notes[0])


class _Nothing:
    damaged = 0
    version = 0

    def load(self):
        return None

    def other(self):
        return None

    def save(self, value):
        raise LedgerError("ledger-none", "There is no ledger to keep anything in.")
