"""The link's codec: COBS after its paper, CRC-32 after the catalogue, request lines and reply frames."""

from binascii import crc32, hexlify, unhexlify

from probecore import frames
from probecore.errors import LinkError

# S. Cheshire, M. Baker, "Consistent Overhead Byte Stuffing", IEEE/ACM ToN 7 (1999) 159, and the common examples
COBS = (
    ("", "01"),
    ("00", "0101"),
    ("0000", "010101"),
    ("001100", "01021101"),
    ("11220033", "0311220233"),
    ("11223344", "0511223344"),
    ("11000000", "0211010101"),
)


def test_cobs_examples():
    for plain, coded in COBS:
        assert hexlify(frames.cobs_encode(unhexlify(plain))).decode() == coded, plain
        assert hexlify(frames.cobs_decode(unhexlify(coded))).decode() == plain, coded


def test_cobs_at_the_length_of_a_block():
    run = bytes(range(1, 255))
    assert bytes(frames.cobs_encode(run)) == b"\xff" + run
    assert bytes(frames.cobs_encode(b"\0" + run)) == b"\x01\xff" + run
    assert bytes(frames.cobs_encode(run + b"\xff")) == b"\xff" + run + b"\x02\xff"
    for size in (253, 254, 255, 507, 508, 509, 1016):
        for data in (bytes(size), b"\x07" * size, bytes([index % 5 for index in range(size)])):
            coded = frames.cobs_encode(data)
            assert coded.find(b"\0") < 0 and bytes(frames.cobs_decode(coded)) == data, size


def test_cobs_refuses_what_it_cannot_have_written():
    for coded in (b"", b"\x00", b"\x05\x11", b"\x02\x11\x00"):
        try:
            frames.cobs_decode(coded)
        except LinkError:
            continue
        raise AssertionError("%r was decoded" % coded)


def test_crc_is_the_one_of_the_catalogue():
    # CRC RevEng catalogue, CRC-32/ISO-HDLC, check value
    assert crc32(b"123456789") == 0xCBF43926


def test_a_request_comes_back_as_it_was():
    line = frames.request(7, "pull", 12, 64)
    assert line.endswith(b"\n") and line.startswith(b"pl1 7 pull 12 64 ")
    assert frames.parse_request(line) == frames.Request(7, "pull", ["12", "64"])


def test_a_damaged_request_is_refused():
    line = frames.request(7, "pull", 12, 64)
    for index in range(len(line) - 1):
        for bit in (1, 16):
            damaged = bytearray(line)
            damaged[index] ^= bit
            try:
                parsed = frames.parse_request(damaged)
            except LinkError:
                continue
            # A letter of the check sum in capitals is the same number.
            assert parsed == frames.parse_request(line) and index > len(line) - 10


def test_another_version_of_the_link_is_named():
    words = b"pl9 1 hello"
    try:
        frames.parse_request(b"%s %08x\n" % (words, crc32(words)))
    except LinkError as error:
        assert error.code == "protocol-version" and "pl9" in error.message
    else:
        raise AssertionError("another version was taken for this one")


def test_replies_in_any_pieces_and_among_text():
    sent = [frames.Reply("R", 1, b"\xa0"), frames.Reply("D", 2, bytes(300)), frames.Reply("Z", 255, b"")]
    stream = b">>> hello\r\n" + b"".join([frames.encode_reply(*reply) for reply in sent])
    for size in (1, 2, 3, 7, 50, len(stream)):
        reader = frames.Replies()
        got = []
        for start in range(0, len(stream), size):
            got.extend(reader.feed(stream[start : start + size]))
        assert got == sent and reader.damaged == 1, size


def test_a_damaged_reply_is_counted_and_the_next_one_read():
    first = bytearray(frames.encode_reply("R", 1, b"abcdef"))
    first[5] ^= 4
    reader = frames.Replies()
    assert reader.feed(bytes(first) + frames.encode_reply("R", 2, b"x")) == [frames.Reply("R", 2, b"x")]
    assert reader.damaged == 1


def test_an_endless_reply_does_not_fill_the_memory():
    reader = frames.Replies()
    for _ in range(40):
        assert reader.feed(b"\x55" * 1000) == []
    assert reader.overlong == 1
    assert reader.feed(b"\0" + frames.encode_reply("R", 3, b"y")) == [frames.Reply("R", 3, b"y")]
