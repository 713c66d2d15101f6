"""Segment files: appending frames, reading them one at a time, cutting a torn tail.

A segment is named after its first record, eight digits and ".seg". Only those first numbers are kept in memory. The
records of a segment count up by one from its name; where damage was skipped the number is read from the record.
"""

import os
from array import array

from probecore import record
from probecore.errors import StoredDataError

SEGMENT_BYTES = 16384
_SUFFIX = ".seg"
_COPY_BYTES = 512
# The first byte of a record's map, 0xA0 plus its number of fields: what a search for the next record looks for.
_MAP_FROM = 0xA8
_MAP_TO = 0xB7


def path_of(folder, first):
    """Return the path of the segment whose first record is `first`."""
    return "%s/%08d%s" % (folder, first, _SUFFIX)


def first_numbers(folder):
    """List the first numbers of the segments in a folder, rising. Files of other names are left alone."""
    found = []
    for name in os.listdir(folder):
        digits = name[: -len(_SUFFIX)]
        if name.endswith(_SUFFIX) and len(digits) == 8 and digits.isdigit():
            found.append(int(digits))
    found.sort()
    return array("I", found)


def append(path, frame):
    """Append a frame and return once the file system has it for good."""
    with open(path, "ab") as file:
        file.write(frame)
        file.flush()
    sync = getattr(os, "sync", None)
    if sync:
        sync()


class Reader:
    """Read the frames of one segment, one at a time, through one buffer of the largest frame's size."""

    def __init__(self, buffer=None):
        """Make the buffer, or take one of `record.MAX_ITEM_BYTES + record.FRAME_OVERHEAD_BYTES`."""
        size = record.MAX_ITEM_BYTES + record.FRAME_OVERHEAD_BYTES
        self._buffer = memoryview(buffer if buffer is not None else bytearray(size))
        self.skipped_bytes = 0
        self.tail_state = record.WHOLE

    def _frame_at(self, file, at):
        """Read the frame at an offset. Returns (item or None, end, state) as `record.read_frame` does."""
        file.seek(at)
        got = file.readinto(self._buffer[:2])
        if got < 2:
            return None, at, record.TORN
        size = (self._buffer[0] | self._buffer[1] << 8) + record.FRAME_OVERHEAD_BYTES
        if size > len(self._buffer):
            return None, at, record.DAMAGED
        got += file.readinto(self._buffer[2:size])
        item, end, state = record.read_frame(self._buffer[:got], 0)
        return item, at + end, state

    def _next_whole(self, file, at):
        """Look for the next whole frame from an offset on. Returns its offset, or None where none follows."""
        window = bytearray(256)
        size = file.seek(0, 2)
        while at < size:
            file.seek(at)
            got = file.readinto(window)
            for index in range(2, got):
                if not _MAP_FROM <= window[index] <= _MAP_TO or window[index - 1] > record.MAX_ITEM_BYTES >> 8:
                    continue
                item, _, state = self._frame_at(file, at + index - 2)
                if state == record.WHOLE:
                    try:
                        record.decode(item)
                    except StoredDataError:
                        continue
                    return at + index - 2
            # The next window repeats the last two bytes, which may be the length of a frame.
            at += max(got - 2, 1)
        return None

    def frames(self, path, first):
        """Go through a segment.

        path: the file; first: sequence number of its first record. Yields (sequence, item, end): the item's bytes and
        where its frame ends. Damage is skipped and counted in `skipped_bytes`. Where nothing whole follows, the segment
        ends, and `tail_state` tells why: WHOLE at its end, TORN inside a frame, DAMAGED at a frame that is all there
        and not what was written.
        """
        sequence = first
        at = 0
        self.tail_state = record.WHOLE
        with open(path, "rb") as file:
            while True:
                item, end, state = self._frame_at(file, at)
                if state != record.WHOLE:
                    found = self._next_whole(file, at + 1)
                    if found is None:
                        self.tail_state = record.WHOLE if at == file.seek(0, 2) else state
                        return
                    self.skipped_bytes += found - at
                    at = found
                    sequence = None
                    continue
                if sequence is None:
                    sequence = record.decode(item)["seq"]
                yield sequence, item, end
                sequence += 1
                at = end


def size_of(path):
    """Return the size of a file [bytes]."""
    return os.stat(path)[6]


def cut(path, size):
    """Keep the first `size` [bytes] of a file: a copy takes its place in one step, so that a cut in between harms
    nothing."""
    copy = path + ".cut"
    left = size
    buffer = memoryview(bytearray(_COPY_BYTES))
    with open(path, "rb") as source, open(copy, "wb") as target:
        while left:
            got = source.readinto(buffer[: min(left, _COPY_BYTES)])
            if not got:
                break
            target.write(buffer[:got])
            left -= got
        target.flush()
    os.rename(copy, path)
