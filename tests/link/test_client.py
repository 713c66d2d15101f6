"""The client without a port: every split of the stream gives the same answers, and damage gives none."""

import struct

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scripted_tester import LEDGER, TESTER, ScriptedTester, items

from probecore import cbor, frames
from probeledger.link.client import Client, Failure, Hello, PullEnd, RecordData, Result


def stream(client: Client, count: int) -> bytes:
    """Return what a tester with `count` records sends for a hello, a pull and an unknown verb."""
    tester = ScriptedTester(items(count))
    requests = [client.request("hello"), client.request("pull", 1, count), client.request("dance")]
    return b"".join(tester.feed(line) for _, line in requests)


@given(st.lists(st.integers(min_value=0, max_value=5000), max_size=12))
def test_any_split_of_the_stream_gives_the_same_answers(cuts):
    whole, pieces = Client(), Client()
    data = stream(whole, 6)
    assert stream(pieces, 6) == data
    expected = whole.feed(data)
    bounds = sorted({min(cut, len(data)) for cut in cuts} | {0, len(data)})
    got = [answer for start, end in zip(bounds, bounds[1:], strict=False) for answer in pieces.feed(data[start:end])]
    assert got == expected
    assert [type(answer) for answer in got] == [Result, *[RecordData] * 6, PullEnd, Failure]


@given(st.binary(max_size=600))
def test_garbage_gives_no_answer_and_no_error(garbage):
    client = Client()
    client.request("hello")
    answers = client.feed(garbage + b"\0")
    # A valid frame in random bytes needs a right CRC-32: one in 4 thousand million.
    assert answers == []


@given(st.data())
def test_one_altered_byte_never_alters_a_record(data):
    client = Client()
    sent = items(3)
    raw = bytearray(stream(client, 3))
    at = data.draw(st.integers(min_value=0, max_value=len(raw) - 1))
    raw[at] ^= data.draw(st.integers(min_value=1, max_value=255))
    for answer in client.feed(bytes(raw)):
        if isinstance(answer, RecordData):
            assert answer.item == sent[answer.sequence - 1]


def test_noise_of_a_prompt_between_replies_does_no_harm():
    client = Client()
    tag, line = client.request("hello")
    reply = ScriptedTester([]).feed(line)
    answers = client.feed(b"MicroPython v1.28\r\n>>> " + reply + b"print")
    assert [answer.tag for answer in answers] == [tag]
    assert client.damaged == 1


def test_an_answer_to_a_request_that_was_given_up_is_a_stray():
    client = Client()
    tag, line = client.request("hello")
    client.give_up(tag)
    assert client.feed(ScriptedTester([]).feed(line)) == []
    assert client.strays == 1


def test_tags_go_round_and_leave_out_those_still_open():
    client = Client(first_tag=250)
    first, _ = client.request("hello")
    tags = [first]
    for _ in range(254):
        tag, _ = client.request("hello")
        tags.append(tag)
    assert sorted(tags) == list(range(255))


@pytest.mark.parametrize(
    "payload",
    [b"\x00", b"\xff\xff", cbor.dumps([1, 2]), cbor.dumps({"next": "1", "last": 2, "head": bytes(32)})],
)
def test_an_intact_frame_without_sense_is_counted(payload):
    client = Client()
    tag, _ = client.request("pull", 1, 1)
    assert client.feed(frames.encode_reply(frames.END, tag, payload)) == []
    assert client.malformed == 1


def test_a_record_frame_without_a_record_is_counted():
    client = Client()
    tag, _ = client.request("pull", 1, 1)
    assert client.feed(frames.encode_reply(frames.DATA, tag, struct.pack("<I", 1))) == []
    assert client.malformed == 1


def test_hello_reads_what_a_tester_says():
    hello = Hello.read(ScriptedTester(items(2)).hello())
    assert hello is not None
    assert (hello.tester, hello.ledger, hello.last, hello.cell_volts) == (TESTER, LEDGER, 2, 3.875)


@pytest.mark.parametrize(
    "change",
    [{"tester": None}, {"tester": ""}, {"last": -1}, {"last": "many"}, {"ledger": b"short"}, {"protocol": "1"}],
)
def test_hello_without_sense_is_none(change):
    assert Hello.read({**ScriptedTester(items(2)).hello(), **change}) is None
