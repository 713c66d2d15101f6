"""The ledger's store: appending records that stay, reading them back, and finding its place again after a cut.

Rules that hold at any moment, also when the supply fails in the middle of anything:

1. `append` returns a sequence number only after the file system has the record for good.
2. Sequence numbers rise by one and none is given twice; each record carries the digest of the one before.
3. A record that was returned by `append` is removed only when the shop has confirmed it and room is needed.
4. What cannot be read is left out and counted; it never keeps the tester from starting or from appending.

Memory: one frame's buffer (4 kB) while reading, and the first number of each segment.
"""

import os

from micropython import const
from probecore import cbor, record
from probecore.errors import ProbeError, StoredDataError

from . import segments
from .slots import Slots

LEDGER_FORMAT = 1

# Error numbers as littlefs gives them on every board (MicroPython's errno module does not name them all).
_EEXIST = const(17)
_ENOSPC = const(28)

# Blocks that a new segment may take, and that are kept for settings and for littlefs itself.
_SEGMENT_BLOCKS = 6
_RESERVE_BLOCKS = 6
# Blocks that a place takes, one a slot.
_PLACE_BLOCKS = 2
# No record is shorter: its fixed fields alone take more.
_LEAST_FRAME_BYTES = 128


class LedgerError(ProbeError):
    """A record could not be kept: `code` is "ledger-full", "ledger-failed", "ledger-memory" or "ledger-none"."""


def _draw():
    return os.urandom(8)


class Store:
    """The ledger in one folder of a mounted file system."""

    def __init__(self, root, kind, tester, firmware, uptime_ms, wall_seconds):
        """Open the ledger in `root`, begin one where the folder is empty, and recover what a cut left behind.

        kind: "flash" or "internal"; tester, firmware: texts for the records; uptime_ms, wall_seconds: functions that
        return [ms] since the start and [s] since 1970 or None. Reads the last segment, which takes about 0.1 s.
        Raises OSError when the file system cannot be used at all.
        """
        self.kind = kind
        self.tester = tester
        self.firmware = firmware
        self._uptime_ms = uptime_ms
        self._wall_seconds = wall_seconds
        self._root = root
        self._folder = root + "/seg"
        self.notes = []
        self.full = False
        self.damaged_bytes = 0
        try:
            os.mkdir(self._folder)
        except OSError as error:
            if error.errno != _EEXIST:
                raise
        self.settings = Slots(root + "/settings")
        self.calibration = Slots(root + "/calibration")
        self.checks = Slots(root + "/checks")
        self._identity = Slots(root + "/ledger")
        self._buffer = bytearray(record.MAX_ITEM_BYTES + record.FRAME_OVERHEAD_BYTES)
        self.last = 0
        self.boot = 1
        self.head = record.GENESIS
        self._size = 0
        self._walking = 0
        self._passed_over = 0
        self._recover()
        self._free_blocks = os.statvfs(root)[3]

    def place(self, name):
        """Return the Slots of a name, read now: for what is too large to be held all the time."""
        return Slots(self._root + "/" + name)

    def take_room(self):
        """Set room aside for what will be written into a place. Returns False where settings would miss it."""
        free = os.statvfs(self._root)[3] - _PLACE_BLOCKS
        if free < _RESERVE_BLOCKS:
            return False
        self._free_blocks = free
        return True

    # ------------------------------------------------------------------ start

    def _recover(self):
        """Find the last whole record, cut what is torn behind it, and take sequence, chain and boot number from it."""
        for name in os.listdir(self._folder):
            if name.endswith(".cut"):
                os.remove(self._folder + "/" + name)
        self._firsts = segments.first_numbers(self._folder)
        last = None
        while len(self._firsts) and last is None:
            last = self._recover_segment(self._firsts[-1])
            if last is None:
                # Leaves the list, never the flash: somebody may still want to look at it.
                self._firsts = self._firsts[:-1]
        found = self._identity.load()
        if last is not None:
            # Read loosely: a record of a later format, left by a newer firmware, still counts.
            value = cbor.loads(last)
            self.last = value.get("seq", self.last)
            self.boot = value.get("boot", 0) + 1
            self.head = record.digest(last)
            if found is None:
                found = {"format": LEDGER_FORMAT, "ledger": value.get("ledger") or _draw()}
                self._identity.save(found)
                self.notes.append("The ledger's id was lost and taken from its records.")
        elif found is None:
            found = {"format": LEDGER_FORMAT, "ledger": _draw()}
            self._identity.save(found)
        self.ledger_id = found["ledger"]
        self.last = max(self.last, self._passed_over)
        confirmed = self.confirmed
        if confirmed > self.last:
            # The newest records are unreadable, but the shop has them: their numbers stay used.
            self.last = confirmed
            self.head = (self.settings.load() or {}).get("confirmed_hash", self.head)

    def _recover_segment(self, first):
        """Walk through the last segment. Returns its last item, or None where it holds no whole record."""
        path = segments.path_of(self._folder, first)
        reader = segments.Reader(self._buffer)
        last = None
        end = 0
        size = segments.size_of(path)
        try:
            for sequence, item, end in reader.frames(path, first):
                last = item
                self.last = sequence
        except OSError as error:
            return self._leave_unreadable(first, last, size - end, error)
        if reader.skipped_bytes:
            self.damaged_bytes += reader.skipped_bytes
            self.notes.append("Skipped %d damaged bytes in segment %08d." % (reader.skipped_bytes, first))
        if last is None:
            if size:
                self.damaged_bytes += size
                self.notes.append("Segment %08d holds no readable record and was put aside." % first)
                os.rename(path, path + ".bad")
            else:
                os.remove(path)
            return None
        if size > end:
            self.notes.append("Cut %d torn bytes behind record %d." % (size - end, self.last))
            self._cut(path, end)
        self._size = end
        return last

    def _leave_unreadable(self, first, last, rest_bytes, error):
        """Go on behind a segment that the flash gives only in part. Returns its last readable item or None.

        The numbers of the records that may stand in the rest are passed over: they were given away once.
        """
        self.damaged_bytes += rest_bytes
        self.notes.append("Segment %08d cannot be read to its end (error %s)." % (first, error.errno))
        known = self.last if last is not None else first - 1
        self._passed_over = max(self._passed_over, known + rest_bytes // _LEAST_FRAME_BYTES + 1)
        self._size = segments.SEGMENT_BYTES
        return last

    def _cut(self, path, end):
        try:
            segments.cut(path, end)
        except OSError:
            # No room for the copy: a new segment is begun instead, and reading skips the torn bytes.
            self._size = segments.SEGMENT_BYTES

    # ------------------------------------------------------------------ appending

    def append(self, kind, body, calibration=None):
        """Append a record and return its sequence number once the flash has it.

        kind: text; body: map of the kind; calibration: id or None. Blocks for about 0.1 s, up to 1 s when littlefs
        tidies up. Raises LedgerError when it could not be kept; MisuseError when it is too large.
        """
        sequence = self.last + 1
        item = record.encode(
            self.ledger_id,
            sequence,
            kind,
            self.boot,
            self._uptime_ms(),
            self._wall_seconds(),
            self.tester,
            self.firmware,
            calibration,
            self.head,
            body,
        )
        frame = record.frame(item)
        if not len(self._firsts) or self._size + len(frame) > segments.SEGMENT_BYTES:
            self._begin_segment(sequence)
        self._write(frame)
        self.last = sequence
        self.head = record.digest(item)
        self.full = False
        return sequence

    def _begin_segment(self, first):
        need = _SEGMENT_BLOCKS + _RESERVE_BLOCKS
        if self._free_blocks < need:
            # Only an estimate: asking littlefs means walking through all of its blocks.
            self._free_blocks = os.statvfs(self._root)[3]
        while self._free_blocks < need:
            if not self._drop_oldest():
                self.full = True
                raise LedgerError(
                    "ledger-full",
                    "The ledger is full at record %d. Pull it at the shop; measuring goes on unsaved." % self.last,
                )
            self._free_blocks = os.statvfs(self._root)[3]
        self._free_blocks -= _SEGMENT_BLOCKS
        self._firsts.append(first)
        self._size = 0

    def _drop_oldest(self):
        """Remove the oldest segment if the shop has confirmed all of it, it is not the last, and nobody reads it."""
        if len(self._firsts) < 2 or self._firsts[1] - 1 > self.confirmed or self._firsts[0] == self._walking:
            return False
        os.remove(segments.path_of(self._folder, self._firsts[0]))
        self._firsts = self._firsts[1:]
        return True

    def _write(self, frame):
        path = segments.path_of(self._folder, self._firsts[-1])
        size = self._size
        try:
            segments.append(path, frame)
        except OSError as error:
            self._take_back(path, size)
            if error.errno == _ENOSPC:
                self.full = True
                raise LedgerError("ledger-full", "The ledger is full at record %d. Pull it at the shop." % self.last)
            raise LedgerError(
                "ledger-failed",
                "Record %d could not be written (error %d). Have the tester's flash checked."
                % (self.last + 1, error.errno or 0),
            )
        self._size = size + len(frame)

    def _take_back(self, path, size):
        """Remove what a failed write may have left, so that no record stands where none was returned."""
        try:
            if size == 0:
                self._firsts = self._firsts[:-1]
                self._size = segments.SEGMENT_BYTES
                os.remove(path)
            elif segments.size_of(path) > size:
                self._cut(path, size)
        except OSError:
            pass

    # ------------------------------------------------------------------ reading

    @property
    def first(self):
        """Sequence number of the oldest record kept, 0 where there is none."""
        return self._firsts[0] if len(self._firsts) else 0

    def read(self, start, count):
        """Go through records.

        start: the first sequence number wanted; count: how many at most. Yields (sequence, item). Reading uses the
        store's one buffer: finish or drop one walk before beginning the next. What is damaged is left out and counted
        in `damaged_bytes`.
        """
        number = len(self._firsts) - 1
        while number > 0 and self._firsts[number] > start:
            number -= 1
        reader = segments.Reader(self._buffer)
        firsts = self._firsts
        while 0 <= number < len(firsts) and count > 0:
            self._walking = firsts[number]
            path = segments.path_of(self._folder, firsts[number])
            try:
                for sequence, item, _ in reader.frames(path, firsts[number]):
                    if sequence < start:
                        continue
                    yield sequence, item
                    count -= 1
                    if count <= 0:
                        break
            except OSError:
                # What the flash does not give is left out like any other damage.
                reader.skipped_bytes += 1
            number += 1
        self._walking = 0
        self.damaged_bytes = max(self.damaged_bytes, reader.skipped_bytes)

    # ------------------------------------------------------------------ confirmation and settings

    @property
    def confirmed(self):
        """Sequence number up to which the shop has the records, 0 at first."""
        return (self.settings.load() or {}).get("confirmed", 0)

    def confirm(self, sequence, digest):
        """Note that the shop has all records up to `sequence`.

        digest: SHA-256 of that record's item; it must be this ledger's. Returns the number that now is confirmed, which
        never goes back. Raises StoredDataError when the record is not here or its digest is another; OSError when the
        note cannot be written.
        """
        if sequence <= self.confirmed:
            return self.confirmed
        for number, item in self.read(sequence, 1):
            if number == sequence and record.digest(item) == digest:
                self.change_settings("confirmed", sequence, "confirmed_hash", digest)
                return sequence
        raise StoredDataError(
            "confirm-mismatch",
            "Record %d of this ledger has another digest, or is not here. Pull it again." % sequence,
        )

    def change_settings(self, *pairs):
        """Change settings and write them: name, value, name, value ... Raises OSError when they cannot be written."""
        changed = dict(self.settings.load() or {})
        for index in range(0, len(pairs), 2):
            changed[pairs[index]] = pairs[index + 1]
        self.settings.save(changed)


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
