"""CBOR against the examples of RFC 8949, appendix A."""

from binascii import hexlify, unhexlify

from probecore import cbor
from probecore.errors import MisuseError, StoredDataError

# RFC 8949, appendix A: those that a record writes, in the writer's own form
BOTH_WAYS = (
    (0, "00"),
    (1, "01"),
    (10, "0a"),
    (23, "17"),
    (24, "1818"),
    (25, "1819"),
    (100, "1864"),
    (1000, "1903e8"),
    (1000000, "1a000f4240"),
    (1000000000000, "1b000000e8d4a51000"),
    (18446744073709551615, "1bffffffffffffffff"),
    (-1, "20"),
    (-10, "29"),
    (-100, "3863"),
    (-1000, "3903e7"),
    (False, "f4"),
    (True, "f5"),
    (None, "f6"),
    ("", "60"),
    ("a", "6161"),
    ("IETF", "6449455446"),
    ("\u00fc", "62c3bc"),
    ([], "80"),
    ([1, 2, 3], "83010203"),
    ([1, [2, 3], [4, 5]], "8301820203820405"),
    ({}, "a0"),
    ({1: 2, 3: 4}, "a201020304"),
    (b"\x01\x02\x03\x04", "4401020304"),
    (100000.0, "fa47c35000"),
)

# RFC 8949, appendix A: floats in other widths, which are read only
READ_ONLY = (
    ("f90000", 0.0),
    ("f93c00", 1.0),
    ("f93e00", 1.5),
    ("f97bff", 65504.0),
    ("f90400", 6.103515625e-05),
    ("f9c400", -4.0),
    ("fbc010666666666666", -4.1),
)

# Cut short, left over, tag, undefined, indefinite, reserved, key of a wrong type, key twice, bad UTF-8
REFUSED = (
    "",
    "18",
    "1903",
    "6261",
    "8201",
    "a101",
    "0000",
    "c000",
    "f7",
    "9fff",
    "1c",
    "a1f500",
    "a200010002",
    "61ff",
    "9b7fffffffffffffff",
    "bb7fffffffffffffff",
    "5b7fffffffffffffff",
    "818181818181818181818100",
)


def test_examples_of_the_rfc_both_ways():
    for value, text in BOTH_WAYS:
        assert hexlify(cbor.dumps(value)).decode() == text, text
        back = cbor.loads(unhexlify(text))
        assert back == value and type(back) is type(value), text


def test_examples_of_the_rfc_that_are_read():
    for text, value in READ_ONLY:
        assert abs(cbor.loads(unhexlify(text)) - value) <= 1e-6 * abs(value), text


def test_infinities_and_nan():
    assert cbor.loads(unhexlify("f97c00")) == float("inf")
    assert cbor.loads(unhexlify("faff800000")) == float("-inf")
    nan = cbor.loads(unhexlify("f97e00"))
    assert nan != nan


def test_what_is_no_item_is_refused_with_the_one_error():
    for text in REFUSED:
        try:
            value = cbor.loads(unhexlify(text))
        except StoredDataError:
            continue
        raise AssertionError("%s was read as %r" % (text, value))


def test_what_cannot_be_written_is_refused():
    for value in (object(), 1 << 64, -(1 << 64) - 1, {"a": object()}):
        try:
            cbor.dumps(value)
        except MisuseError:
            continue
        raise AssertionError("%r was written" % (value,))
