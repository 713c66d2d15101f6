"""Records: how one is written, framed, checked and chained.

A record is one CBOR map (see docs/formats.md). In a segment file it stands as a frame: the item's length (two bytes,
low byte first), the item, and the CRC-32 of both (four bytes, low byte first). Each record carries the SHA-256 of the
item before it, so that a removed, altered or reordered record shows.
"""

import binascii
import struct
from hashlib import sha256

from . import RECORD_FORMAT, cbor
from .errors import MisuseError, StoredDataError

GENESIS = bytes(32)
MAX_ITEM_BYTES = 4096
FRAME_OVERHEAD_BYTES = 6

WHOLE = "whole"
TORN = "torn"
DAMAGED = "damaged"

_FIELDS = (
    ("v", int),
    ("ledger", bytes),
    ("seq", int),
    ("kind", str),
    ("boot", int),
    ("ms", int),
    ("tester", str),
    ("fw", str),
    ("prev", bytes),
    ("body", dict),
)


def encode(ledger, sequence, kind, boot, ms, time, tester, firmware, calibration, previous, body):
    """Write one record.

    ledger: eight bytes drawn when the ledger was formatted; sequence: from 1; boot: count of starts; ms: monotonic
    time since that start [ms]; time: seconds since 1970 in UTC, or None where the clock was not set; tester, firmware:
    texts; calibration: id or None; previous: SHA-256 of the item before, GENESIS for the first; body: map of the kind.
    Returns the item's bytes. Raises MisuseError where the item would be longer than MAX_ITEM_BYTES.
    """
    item = cbor.dumps(
        {
            "v": RECORD_FORMAT,
            "ledger": ledger,
            "seq": sequence,
            "kind": kind,
            "boot": boot,
            "ms": ms,
            "time": time,
            "tester": tester,
            "fw": firmware,
            "cal": calibration,
            "prev": previous,
            "body": body,
        }
    )
    if len(item) > MAX_ITEM_BYTES:
        raise MisuseError("record-size", "A record of %d bytes is over the limit of %d." % (len(item), MAX_ITEM_BYTES))
    return item


def decode(item, loads=cbor.loads):
    """Read one record's item.

    loads: reads CBOR as cbor.loads does; a computer may have a faster one. Returns the record as a dict.
    Raises StoredDataError when it is no record, or one of a format from the future.
    """
    value = loads(item)
    if not isinstance(value, dict):
        raise StoredDataError("record-form", "The item is not a record: it is no map.")
    version = value.get("v")
    if isinstance(version, int) and version > RECORD_FORMAT:
        raise StoredDataError(
            "record-version",
            "The record has format %d; this program reads up to %d. Update probeledger." % (version, RECORD_FORMAT),
        )
    for name, kind in _FIELDS:
        if not isinstance(value.get(name), kind) or value[name] is True or value[name] is False:
            raise StoredDataError("record-form", "The record's field %s is missing or has a wrong type." % name)
    for name, kind in (("time", int), ("cal", str)):
        if value.get(name) is not None and not isinstance(value[name], kind):
            raise StoredDataError("record-form", "The record's field %s has a wrong type." % name)
    if len(value["ledger"]) != 8 or len(value["prev"]) != 32 or value["seq"] < 1:
        raise StoredDataError("record-form", "The record's ledger, chain or sequence number has a wrong size.")
    return value


def digest(item):
    """Return the SHA-256 of an item's bytes: what the next record carries as `prev`."""
    return sha256(item).digest()


def frame(item):
    """Wrap an item for a segment file: length, item, CRC-32."""
    head = struct.pack("<H", len(item)) + item
    return head + struct.pack("<I", binascii.crc32(head))


def read_frame(buffer, at):
    """Look at the frame that begins at `at` in a buffer.

    Returns (item or None, end, state): WHOLE with the item and where the next frame begins; TORN when the buffer ends
    before the frame does; DAMAGED when the length is impossible or the CRC is wrong.
    """
    left = len(buffer) - at
    if left < 2:
        return None, at, TORN
    size = buffer[at] | buffer[at + 1] << 8
    if size == 0 or size > MAX_ITEM_BYTES:
        return None, at, DAMAGED
    end = at + size + FRAME_OVERHEAD_BYTES
    if end > len(buffer):
        return None, at, TORN
    body = bytes(buffer[at : end - 4])
    if struct.unpack("<I", bytes(buffer[end - 4 : end]))[0] != binascii.crc32(body):
        return None, at, DAMAGED
    return body[2:], end, WHOLE


def scan(buffer):
    """Read the frames of a buffer from its beginning.

    Returns (items, used, state): the items of the whole frames, how many bytes they take, and why reading ended:
    WHOLE at the buffer's end, TORN inside a frame, DAMAGED at a frame that cannot be read.
    """
    items: list = []
    at = 0
    while at < len(buffer):
        item, end, state = read_frame(buffer, at)
        if state != WHOLE:
            return items, at, state
        items.append(item)
        at = end
    return items, at, WHOLE
