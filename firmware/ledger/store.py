"""The ledger's store: appending records that stay, reading them back, and finding its place again after a cut.

Rules that hold at any moment, also when the supply fails in the middle of anything:

1. `append` returns a sequence number only after the file system has the record for good.
2. Sequence numbers rise by one and none is given twice; each record carries the digest of the one before.
3. A record that was returned by `append` is removed only when the shop has confirmed it and room is needed.
4. What cannot be read is left out and counted; it never keeps the tester from starting or from appending.
5. What was returned by `append` and cannot be read any more is told, and its number is not given again: the number and
   digest of the newest record stand in two slots of their own, written after the record and before `append` returns.

Memory: one frame's buffer (4 kB) while reading, and the first number of each segment.
"""

import os

from micropython import const
from probecore import record
from probecore.errors import ProbeError, StoredDataError

from . import segments
from .slots import Slots, loosely, number_in

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
        self._newest = Slots(root + "/newest")
        self.failing = False
        self._doubtful = False
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
        value = loosely(last)
        if last is not None:
            self.last = number_in(value, "seq") or self.last
            self.head = record.digest(last)
        newest = self._newest.load() or {}
        self.boot = max(number_in(value, "boot"), number_in(newest, "boot")) + 1
        found = (self._identity.load() or {}).get("ledger")
        if not isinstance(found, bytes) or len(found) != 8:
            found = value.get("ledger")
            if isinstance(found, bytes):
                self.notes.append("The ledger's id was lost and taken from its records.")
            else:
                found = _draw()
            self._identity.save({"format": LEDGER_FORMAT, "ledger": found})
        self.ledger_id = found
        self._pass_over(newest)
        if number_in(newest, "last") != self.last:
            # A record that a cut left whole counts from here on: whoever reads it may rely on it.
            self._note_newest()

    def _pass_over(self, newest):
        """Keep the numbers of records used that were given away once and cannot be read any more."""
        readable = self.last
        known = number_in(newest, "last")
        if not known:
            self.last = max(self.last, self._passed_over)
        # Where it is known what the lost records were, the chain goes on from them.
        for number, digest in (
            (self.confirmed, (self.settings.load() or {}).get("confirmed_hash")),
            (known, newest.get("head")),
        ):
            if number > readable and number >= self.last and isinstance(digest, bytes) and len(digest) == 32:
                self.last = number
                self.head = digest
        if self.last > readable:
            # In a segment records are counted from its name, so behind a gap a new one begins.
            self._size = segments.SEGMENT_BYTES
            count = self.last - readable
            which = "Records %d to %d were" % (readable + 1, self.last) if count > 1 else "Record %d was" % self.last
            if not known:
                which = "Up to %d records behind number %d were" % (count, readable)
            self.notes.append(which + " saved and can no longer be read.")

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
                # It was begun for this record.
                self._passed_over = max(self._passed_over, first)
            else:
                os.remove(path)
            return None
        self._size = end
        if size > end:
            self._end_at(path, end, size - end, reader.tail_state)
        return last

    def _end_at(self, path, end, rest_bytes, state):
        """Deal with what stands behind the last whole record: torn and never returned, or damaged after it was."""
        newest = number_in(self._newest.load() or {}, "last")
        if newest > self.last or (newest == 0 and state == record.DAMAGED):
            # Left as it is, for whoever looks closer; the next record begins a new segment.
            self.damaged_bytes += rest_bytes
            self._passed_over = max(self._passed_over, self.last + 1)
            self._size = segments.SEGMENT_BYTES
            self.notes.append("Left %d damaged bytes behind record %d." % (rest_bytes, self.last))
            return
        self.notes.append("Cut %d torn bytes behind record %d." % (rest_bytes, self.last))
        self._cut(path, end)

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
        tidies up. Raises LedgerError where it could not be kept, MisuseError where it is too large.
        """
        if self._doubtful:
            self._look_again()
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
        self._place(frame, sequence)
        self.last = sequence
        self.head = record.digest(item)
        self.full = self.failing = False
        self._note_newest()
        return sequence

    def _note_newest(self):
        try:
            self._newest.save({"last": self.last, "head": self.head, "boot": self.boot})
        except OSError:
            pass  # the record stands; only what is known of it from elsewhere stays behind by one

    def _place(self, frame, sequence):
        """Write a frame into the last segment or a new one; make room where the file system has less than it said."""
        while True:
            if not len(self._firsts) or self._size + len(frame) > segments.SEGMENT_BYTES:
                self._begin_segment(sequence)
            try:
                return self._write(frame)
            except LedgerError as error:
                if error.code != "ledger-full" or not self._drop_oldest():
                    raise
                self._free_blocks = 0

    def _look_again(self):
        """Find the last record anew, where a write failed and what it left could not be taken back."""
        boot = self.boot
        try:
            self.head = record.GENESIS
            self.last = 0
            self._recover()
        except OSError as error:
            raise self._failed(error)
        finally:
            self.boot = boot
        self._doubtful = False

    def _failed(self, error):
        self.failing = True
        return LedgerError(
            "ledger-failed",
            "Record %d could not be written (error %d). Have the tester's flash checked."
            % (self.last + 1, error.errno or 0),
        )

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
            raise self._failed(error)
        self._size = size + len(frame)

    def _take_back(self, path, size):
        """Remove what a failed write may have left, so that no record stands where none was returned."""
        try:
            if size == 0:
                self._firsts = self._firsts[:-1]
                self._size = segments.SEGMENT_BYTES
                os.remove(path)
            elif segments.size_of(path) > size:
                segments.cut(path, size)
        except OSError:
            self._doubtful = True

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
        return number_in(self.settings.load() or {}, "confirmed")

    def confirm(self, sequence, digest):
        """Note that the shop has all records up to `sequence`.

        digest: SHA-256 of that record's item; it must be this ledger's. Returns the number that now is confirmed, which
        never goes back. Raises StoredDataError when the record is not here or its digest is another; OSError when the
        note cannot be written.
        """
        if sequence <= self.confirmed:
            return self.confirmed
        # A walk that is not finished would keep its segment from being removed.
        for number, item in list(self.read(sequence, 1)):
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
