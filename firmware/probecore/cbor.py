"""CBOR (RFC 8949), as much as a record needs, written for a small heap.

Written: integers, single floats, byte and text strings, lists, maps, true, false, null. Lengths are definite and
integers take their shortest form. A float is always written as a single (major type 7, value 26): the Pico has no
other, and a tester's record reads the same wherever it is written.

Read: the same, and half and double floats, so that a record from another writer can be read. Tags, undefined,
indefinite lengths and what is left over at the end are refused.
"""

import struct

from .errors import MisuseError, StoredDataError

# RFC 8949, section 3: major types
_UNSIGNED = 0x00
_NEGATIVE = 0x20
_BYTES = 0x40
_TEXT = 0x60
_LIST = 0x80
_MAP = 0xA0
_SIMPLE = 0xE0

# Deeper than any record; keeps hostile bytes from exhausting the stack of the Pico.
MAX_DEPTH = 8


def dumps(value):
    """Encode a value.

    value: int of at most 64 bits, float, bool, None, bytes, str, list, tuple, or dict of these.
    Returns bytes. Raises MisuseError for any other type.
    """
    out = bytearray()
    _write(value, out)
    return bytes(out)


def loads(data):
    """Decode one item that fills `data` exactly.

    Returns the value: maps as dict, byte strings as bytes.
    Raises StoredDataError if the bytes are cut short, carry something left over, or use a form that is not read here.
    """
    try:
        value, end = _read(data, 0, 0)
    except (IndexError, ValueError, UnicodeError):
        raise StoredDataError("cbor-damaged", "The item is cut short or damaged.")
    if end != len(data):
        raise StoredDataError("cbor-left-over", "%d bytes are left over behind the item." % (len(data) - end))
    return value


def _first(pair):
    return pair[0]


def _write_head(major, number, out):
    if number < 24:
        out.append(major | number)
    elif number < 0x100:
        out.append(major | 24)
        out.append(number)
    elif number < 0x10000:
        out.append(major | 25)
        out.extend(struct.pack(">H", number))
    elif number < 0x100000000:
        out.append(major | 26)
        out.extend(struct.pack(">I", number))
    elif number < 0x10000000000000000:
        out.append(major | 27)
        out.extend(struct.pack(">Q", number))
    else:
        raise MisuseError("cbor-size", "The integer %d does not fit into 64 bits." % number)


def _write(value, out):
    if value is None:
        out.append(0xF6)
    elif value is True:
        out.append(0xF5)
    elif value is False:
        out.append(0xF4)
    elif isinstance(value, int):
        if value >= 0:
            _write_head(_UNSIGNED, value, out)
        else:
            _write_head(_NEGATIVE, -1 - value, out)
    elif isinstance(value, float):
        try:
            data = struct.pack(">f", value)
        except OverflowError:
            raise MisuseError("cbor-number", "The number %g is beyond single precision and cannot be stored." % value)
        out.append(0xFA)
        out.extend(data)
    elif isinstance(value, str):
        data = value.encode()
        _write_head(_TEXT, len(data), out)
        out.extend(data)
    elif isinstance(value, (bytes, bytearray)):
        _write_head(_BYTES, len(value), out)
        out.extend(value)
    elif isinstance(value, (list, tuple)):
        _write_head(_LIST, len(value), out)
        for entry in value:
            _write(entry, out)
    elif isinstance(value, dict):
        _write_head(_MAP, len(value), out)
        # In the order of RFC 8949, 4.2.1: MicroPython's maps have none, and the same record gives the same bytes.
        for encoded, key in sorted([(dumps(key), key) for key in value], key=_first):
            out.extend(encoded)
            _write(value[key], out)
    else:
        raise MisuseError("cbor-type", "A value of type %s cannot be stored." % type(value).__name__)


def _read_number(data, at, short):
    """Return the number that follows an initial byte, and where it ends."""
    if short < 24:
        return short, at
    size = {24: 1, 25: 2, 26: 4, 27: 8}.get(short)
    if size is None:
        raise StoredDataError("cbor-form", "An indefinite length or a reserved form is not read.")
    if at + size > len(data):
        raise IndexError
    number = 0
    for index in range(at, at + size):
        number = number << 8 | data[index]
    return number, at + size


def _half(bits):
    """Widen a half float (RFC 8949, appendix D)."""
    exponent = bits >> 10 & 0x1F
    fraction = bits & 0x3FF
    if exponent == 0:
        value = fraction / 16777216
    elif exponent == 31:
        value = float("nan") if fraction else float("inf")
    else:
        value = (1 + fraction / 1024) * (2.0 ** (exponent - 15))
    return -value if bits & 0x8000 else value


def _read_simple(data, at, short):
    if short == 20:
        return False, at
    if short == 21:
        return True, at
    if short == 22:
        return None, at
    if short == 25:
        bits, at = _read_number(data, at, 25)
        return _half(bits), at
    if short in (26, 27):
        size = 4 if short == 26 else 8
        if at + size > len(data):
            raise IndexError
        value = struct.unpack(">f" if short == 26 else ">d", bytes(data[at : at + size]))[0]
        return value, at + size
    raise StoredDataError("cbor-form", "The simple value %d is not read." % short)


def _read(data, at, depth):
    if depth > MAX_DEPTH:
        raise StoredDataError("cbor-depth", "The item is nested deeper than %d." % MAX_DEPTH)
    major = data[at] & 0xE0
    short = data[at] & 0x1F
    at += 1
    if major == _SIMPLE:
        return _read_simple(data, at, short)
    number, at = _read_number(data, at, short)
    if major == _UNSIGNED:
        return number, at
    if major == _NEGATIVE:
        return -1 - number, at
    left = len(data) - at
    if major in (_BYTES, _TEXT):
        if number > left:
            raise IndexError
        content = bytes(data[at : at + number])
        return (content if major == _BYTES else str(content, "utf-8")), at + number
    if number > left:
        # Every entry takes a byte at least: a longer list cannot be there, and memory is not asked for it.
        raise IndexError
    if major == _LIST:
        entries = []
        for _ in range(number):
            entry, at = _read(data, at, depth + 1)
            entries.append(entry)
        return entries, at
    if major == _MAP:
        pairs = {}
        for _ in range(number):
            key, at = _read(data, at, depth + 1)
            if not isinstance(key, (str, int)) or key is True or key is False or key in pairs:
                raise StoredDataError("cbor-key", "A map has a key twice, or one that is neither text nor integer.")
            pairs[key], at = _read(data, at, depth + 1)
        return pairs, at
    raise StoredDataError("cbor-form", "Tags are not read.")
