"""The fast reader gives the core's answers: the same values, the same refusals."""

import math
import struct

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scripted_tester import items

from probecore import cbor, record
from probecore.errors import StoredDataError
from probeledger import fastcbor


def answer(loads, data):
    """Return what a reader makes of bytes: ("read", value) with its types told apart, or ("refused", code)."""
    try:
        return "read", told(loads(data))
    except StoredDataError as error:
        return "refused", error.code


def told(value):
    if isinstance(value, dict):
        return {(type(key).__name__, key): told(entry) for key, entry in value.items()}
    if isinstance(value, list):
        return [told(entry) for entry in value]
    if isinstance(value, float):
        return "nan" if math.isnan(value) else struct.pack(">d", value)
    return type(value).__name__, value


def same(data):
    assert answer(fastcbor.loads, data) == answer(cbor.loads, data), data.hex()


VALUES = st.recursive(
    st.none() | st.booleans() | st.integers(-(2**64), 2**64 - 1) | st.floats(width=32) | st.text() | st.binary(),
    lambda inner: (
        st.lists(inner, max_size=5) | st.dictionaries(st.text(max_size=8) | st.integers(0, 99), inner, max_size=5)
    ),
    max_leaves=20,
)


@given(VALUES)
@settings(max_examples=300, derandomize=True)
def test_what_the_core_writes(value):
    same(cbor.dumps(value))


@given(st.binary(max_size=40))
@settings(max_examples=1000, derandomize=True)
def test_any_bytes(data):
    same(data)


@given(st.data())
@settings(max_examples=500, derandomize=True)
def test_a_record_with_changed_bytes(data):
    item = bytearray(items(1)[0])
    for _ in range(data.draw(st.integers(0, 3))):
        item[data.draw(st.integers(0, len(item) - 1))] = data.draw(st.integers(0, 255))
    cut = data.draw(st.integers(0, len(item)))
    same(bytes(item[:cut] if data.draw(st.booleans()) else item))


def head(major, number):
    """Return an initial byte and its number (RFC 8949, 3)."""
    if number < 24:
        return bytes([major << 5 | number])
    if number < 0x100:
        return bytes([major << 5 | 24, number])
    if number < 0x10000:
        return bytes([major << 5 | 25]) + struct.pack(">H", number)
    return bytes([major << 5 | 26]) + struct.pack(">I", number)


INSIDE = ("01", "4101", "6130", "820102", "a0", "8261610a", "fb3ff8000000000000")


def test_every_tag_is_refused():
    for number in range(70_000):
        for inside in INSIDE if number < 300 else INSIDE[:3]:
            tagged = head(6, number) + bytes.fromhex(inside)
            with pytest.raises(StoredDataError):
                fastcbor.loads(tagged)


@pytest.mark.parametrize(
    "text",
    [
        "0102",  # left over
        "f7",  # undefined
        "81f7",
        "e0",  # simple value
        "81f8ff",
        "9f01ff",  # indefinite
        "5f4101ff",
        "7f6161ff",
        "bf616101ff",
        "a2616101616102",  # key twice
        "a1410102",  # byte string for a key
        "a1f501",
        "a1820102f6",
        "61ff",  # bad UTF-8
        "818181818181818100",  # eight deep is read, nine not
        "81818181818181818100",
        "8181818181818181818100",
        "818181818181818180",
        "81818181818181818180",
        "1801",  # longer than need be: read
        "a1613100",
        "a10100",
        "f97e00",
        "3bffffffffffffffff",
    ],
)
def test_edges(text):
    same(bytes.fromhex(text))


def test_records_of_a_ledger():
    for item in items(20):
        assert fastcbor.decode(item) == record.decode(item)


def test_what_is_no_record_is_refused_alike():
    for data in (b"", b"\xa0", cbor.dumps([1]), cbor.dumps({"v": 99})):
        with pytest.raises(StoredDataError) as fast:
            fastcbor.decode(data)
        with pytest.raises(StoredDataError) as core:
            record.decode(data)
        assert (fast.value.code, fast.value.message) == (core.value.code, core.value.message)
