"""Records: written, framed, chained, and read again from damaged buffers."""

from binascii import hexlify

from probecore import record
from probecore.errors import MisuseError, StoredDataError

LEDGER = b"\x01\x02\x03\x04\x05\x06\x07\x08"


def items(count=3):
    written = []
    previous = record.GENESIS
    for sequence in range(1, count + 1):
        item = record.encode(
            LEDGER, sequence, "probe", 4, 1000 * sequence, 1780000000, "pl-1", "0.1.0", None, previous, {"ohms": 1097.5}
        )
        previous = record.digest(item)
        written.append(item)
    return written


def test_a_record_comes_back():
    first, second, _ = items()
    value = record.decode(second)
    assert value["seq"] == 2 and value["ledger"] == LEDGER and value["body"] == {"ohms": 1097.5}
    assert value["prev"] == record.digest(first) and value["cal"] is None


def test_the_digest_is_sha_256():
    # FIPS 180-4, example "abc"
    assert hexlify(record.digest(b"abc")) == b"ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"


def test_frames_of_a_whole_file():
    written = items()
    data = b"".join([record.frame(item) for item in written])
    assert record.scan(data) == (written, len(data), record.WHOLE)


def test_a_torn_tail_counts_as_absent():
    written = items()
    data = b"".join([record.frame(item) for item in written])
    last = len(record.frame(written[-1]))
    for cut in range(1, last):
        found, used, state = record.scan(data[: len(data) - cut])
        assert found == written[:2] and used == len(data) - last and state == record.TORN, cut


def test_a_flipped_bit_is_seen():
    item = items(1)[0]
    data = record.frame(item)
    for at in range(len(data)):
        for bit in (1, 128):
            damaged = bytearray(data)
            damaged[at] ^= bit
            found, _, state = record.scan(damaged)
            assert found == [] and state != record.WHOLE, (at, bit)


def test_what_is_no_record_is_refused():
    good = record.decode(items(1)[0])
    from probecore import cbor

    for name, value in (
        ("seq", 0),
        ("seq", True),
        ("seq", "1"),
        ("ledger", b"short"),
        ("prev", b""),
        ("time", "noon"),
        ("cal", 3),
        ("body", []),
    ):
        changed = dict(good)
        changed[name] = value
        try:
            record.decode(cbor.dumps(changed))
        except StoredDataError:
            continue
        raise AssertionError("%s = %r was accepted" % (name, value))
    try:
        record.decode(cbor.dumps([1]))
    except StoredDataError as error:
        assert error.code == "record-form"


def test_a_record_from_the_future_is_named():
    from probecore import cbor

    changed = record.decode(items(1)[0])
    changed["v"] = 9
    try:
        record.decode(cbor.dumps(changed))
    except StoredDataError as error:
        assert error.code == "record-version" and "9" in error.message
    else:
        raise AssertionError("a record of format 9 was read")


def test_too_long_a_record_is_refused():
    try:
        record.encode(LEDGER, 1, "probe", 1, 0, None, "pl-1", "0", None, record.GENESIS, {"x": bytes(5000)})
    except MisuseError as error:
        assert error.code == "record-size"
    else:
        raise AssertionError("a record of over 4096 bytes was written")
