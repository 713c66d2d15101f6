"""Two slots for a small map (settings, calibration): a torn write leaves the old one.

Each slot is a file of its own, NAME.0 and NAME.1:

    magic "PLS1", version (u32, low byte first), length (u16), CBOR map, CRC-32 over all before

The slot with the higher version that is whole is the one in force; a write goes to the other. A file system that
replaces a file only when it is closed (littlefs) makes the second slot a second safeguard, one that does not gives
the only one.
"""

import binascii
import struct

from micropython import const
from probecore import cbor
from probecore.errors import MisuseError, StoredDataError

_MAGIC = b"PLS1"
_HEAD = "<4sIH"
_HEAD_BYTES = 10
_ENOENT = const(2)
MAX_MAP_BYTES = 2048


def loosely(item):
    """Read the map of an item as far as it goes: one of a later format, left by a newer firmware, still counts.

    item: bytes, or None. Returns a dict, an empty one where there is no map.
    """
    try:
        value = cbor.loads(item) if item is not None else {}
    except StoredDataError:
        value = {}
    return value if isinstance(value, dict) else {}


def number_in(value, name):
    """Return a whole number of a map that was read loosely, 0 where it has none."""
    found = value.get(name)
    return found if isinstance(found, int) and found > 0 else 0


class Slots:
    """One map in two slots."""

    def __init__(self, path):
        """Look at both slots.

        path: file name without the slot's number.
        """
        self._path = path
        self._bad = [False, False]
        self.version = 0
        self._slot = 1
        self._value = None
        for slot in (0, 1):
            version, value = self._read(slot)
            if version > self.version:
                self.version = version
                self._slot = slot
                self._value = value

    @property
    def damaged(self):
        """How many slots are there and cannot be read."""
        return sum(self._bad)

    def _read(self, slot):
        self._bad[slot] = False
        try:
            with open("%s.%d" % (self._path, slot), "rb") as file:
                data = file.read(_HEAD_BYTES + MAX_MAP_BYTES + 5)
        except OSError as error:
            self._bad[slot] = error.errno != _ENOENT
            return 0, None
        try:
            magic, version, size = struct.unpack(_HEAD, data[:_HEAD_BYTES])
            end = _HEAD_BYTES + size
            if magic != _MAGIC or len(data) != end + 4:
                raise ValueError
            if struct.unpack("<I", data[end:])[0] != binascii.crc32(data[:end]):
                raise ValueError
            value = cbor.loads(data[_HEAD_BYTES:end])
            if not isinstance(value, dict):
                raise ValueError
        except (ValueError, StoredDataError):
            self._bad[slot] = True
            return 0, None
        return version, value

    def load(self):
        """Return the map in force, or None where there is none. The caller may change it before `save`."""
        return self._value

    def save(self, value):
        """Write a map into the slot that is not in force; it is in force once this returns.

        value: dict for CBOR. Raises MisuseError when it is too large, OSError when the file system refuses.
        """
        data = cbor.dumps(value)
        if len(data) > MAX_MAP_BYTES:
            raise MisuseError(
                "slot-size", "Settings of %d bytes are over the limit of %d." % (len(data), MAX_MAP_BYTES)
            )
        version = self.version + 1
        slot = 1 - self._slot
        content = struct.pack(_HEAD, _MAGIC, version, len(data)) + data
        with open("%s.%d" % (self._path, slot), "wb") as file:
            file.write(content + struct.pack("<I", binascii.crc32(content)))
            file.flush()
        self.version = version
        self._slot = slot
        self._value = value
        self._bad[slot] = False

    def holds(self):
        """Read the slot in force again. Returns True where it is whole and the one that was written.

        Where it is not, the other slot is in force again if it is whole.
        """
        if self._read(self._slot)[0] == self.version:
            return True
        self._bad[self._slot] = True
        version, value = self._read(1 - self._slot)
        self.version = version
        self._value = value
        self._slot = 1 - self._slot
        return False

    def other(self):
        """Read the map in the slot that is not in force; None where there is none, or it is damaged."""
        if self._value is None:
            return None
        return self._read(1 - self._slot)[1]
