"""What is fuzzed: every decoder that takes bytes from outside, as a function of bytes.

A target ends without an exception, or with one of the errors that the decoder's docstring promises, which the target
catches. Anything else is a find. Where two readers have to agree, or a value has to come back, the target says so with
an assertion of its own.

A CRC-32 keeps nearly every random input out. So the link's and the segments' targets take each input twice: as it is,
and wrapped as a sender would, which puts it before the decoder behind the check sum.
"""

from __future__ import annotations

import binascii
import math
import os
import tempfile
from collections.abc import Callable
from pathlib import Path
from typing import Any

from probecore import calibration, cbor, definition, frames, record
from probecore.errors import LinkError, ProbeError, StoredDataError
from probeledger import fastcbor
from probeledger.archive import open_archive, restore
from probeledger.archive.records import columns_of
from probeledger.baking import logfile
from probeledger.calibrating import points, references, runfile
from probeledger.errors import DeviceError, InputError
from probeledger.judging import profiles
from probeledger.judging.again import judge_again
from probeledger.judging.body import probe_body
from probeledger.link.client import Client, Hello
from probeledger.link.puller import Puller
from probeledger.sending import tickets
from probeledger.sensors import description
from probeledger.virtual import scenario

Target = Callable[[bytes], None]

_LEDGER = bytes(8)
_WINDOW_RECORDS = 3


def request(data: bytes) -> None:
    """What the tester reads: a line as it is, and one whose check sum is right."""
    words = data.replace(b"\n", b" ")
    for line in (data, b"%s %08x\n" % (words, binascii.crc32(words))):
        try:
            read = frames.parse_request(line)
        except LinkError:
            continue
        assert 0 <= read.tag <= 255 and " " not in read.verb
        assert frames.parse_request(frames.request(read.tag, read.verb, *read.args)) == read


def reply(data: bytes) -> None:
    """What the host cuts a stream into: in one piece and byte by byte are the same."""
    whole, bytewise = frames.Replies(), frames.Replies()
    stream = data + frames.encode_reply("R", len(data) % 256, data) + data + b"\0"
    at_once = whole.feed(stream)
    assert bytewise_replies(bytewise, stream) == at_once
    assert (whole.damaged, whole.overlong) == (bytewise.damaged, bytewise.overlong)
    if len(data) < 4000:
        assert frames.Reply("R", len(data) % 256, data) in at_once
    assert bytes(frames.cobs_decode(frames.cobs_encode(data))) == data


def bytewise_replies(replies: frames.Replies, stream: bytes) -> list[frames.Reply]:
    """Feed byte by byte."""
    found: list[frames.Reply] = []
    for at in range(len(stream)):
        found.extend(replies.feed(stream[at : at + 1]))
    return found


def answer(data: bytes) -> None:
    """What the host makes of answers, and of a greeting."""
    client = Client()
    for kind in frames.KINDS:
        tag, _ = client.request("hello")
        client.feed(data)
        client.feed(frames.encode_reply(kind, tag, data))
    try:
        values = cbor.loads(data)
    except StoredDataError:
        return
    if isinstance(values, dict):
        Hello.read(values)


def pull(data: bytes) -> None:
    """A run of records from a stream: it hands on nothing but items as they were sent, in order, each once."""
    client = Client()
    puller = Puller(client, 1, _WINDOW_RECORDS, record.GENESIS)
    handed: list[int] = []
    sent = {number: data[number:] or b"x" for number in range(1, _WINDOW_RECORDS + 1)}
    try:
        puller.requests()
        handed += [each.sequence for each in puller.take(client.feed(data + b"\0"))]
        for number, item in sent.items():
            payload = number.to_bytes(4, "little") + item
            taken = puller.take(client.feed(frames.encode_reply("D", 0, payload)))
            handed += [each.sequence for each in taken]
            assert all(each.item == sent[each.sequence] for each in taken)
    except (DeviceError, LinkError):
        pass
    assert handed == sorted(set(handed)) and set(handed) <= set(sent)


def same(one: Any, other: Any) -> bool:
    """Tell whether two decoded values are the same in type and value; a NaN equals a NaN."""
    if type(one) is not type(other):
        return False
    if isinstance(one, float):
        return one == other or (math.isnan(one) and math.isnan(other))
    if isinstance(one, list):
        return len(one) == len(other) and all(map(same, one, other))
    if isinstance(one, dict):
        return list(one) == list(other) and all(same(one[key], other[key]) for key in one)
    return bool(one == other)


def cbor_item(data: bytes) -> None:
    """Both readers of CBOR agree on values and refusals, and what was read can be written and read again."""
    try:
        value = cbor.loads(data)
    except StoredDataError:
        try:
            fastcbor.loads(data)
        except StoredDataError:
            return
        raise AssertionError("the host's reader takes what the core's refuses") from None
    assert same(fastcbor.loads(data), value)
    try:
        written = cbor.dumps(value)
    except ProbeError:
        return
    again = cbor.loads(written)
    assert same(again, value) or isinstance(value, (dict, list, float, int))
    assert cbor.dumps(again) == written


def ledger_item(data: bytes) -> None:
    """A record's item in the archive, and its body before the judge; a body of its own in a sound record too."""
    columns_of(data)
    try:
        body: Any = fastcbor.loads(data)
    except StoredDataError:
        body = None
    probe_body(body)
    judge_again(body)
    if isinstance(body, dict):
        try:
            item = record.encode(_LEDGER, 1, "probe", 1, 1, None, "pl-000000", "0", None, record.GENESIS, body)
        except ProbeError:
            return
        assert columns_of(item)["sequence"] == 1


def segment(data: bytes) -> None:
    """A segment file: whole frames are cut out, and the rest is told from them."""
    items, used, state = record.scan(data)
    assert 0 <= used <= len(data)
    assert b"".join(record.frame(item) for item in items) == data[:used]
    assert (state == record.WHOLE) == (used == len(data))
    for item in items:
        columns_of(item)
    if 0 < len(data) <= record.MAX_ITEM_BYTES:
        assert record.scan(record.frame(data) + data)[0][0] == data


def offer(data: bytes) -> None:
    """What a tester is offered: a calibration, a curve, limits. A curve that it takes has each resistance once."""
    try:
        value = cbor.loads(data)
    except StoredDataError:
        value = None
    for read in (lambda: calibration.from_map(value), lambda: definition.read(definition.LIMITS, data)):
        try:
            read()
        except ProbeError as error:
            assert error.message
    try:
        curve = definition.read(definition.CURVE, data)
    except ProbeError:
        return
    middle = (curve.low_celsius + curve.high_celsius) / 2
    for celsius in (curve.low_celsius, middle, curve.high_celsius):
        ohms = curve.ohms(celsius)
        assert math.isfinite(ohms) and ohms > 0
        assert abs(curve.celsius(ohms) - celsius) < 0.1 + 1e-3 * abs(celsius)


def _of_text(read: Callable[[str], Any]) -> Target:
    def target(data: bytes) -> None:
        try:
            read(data.decode("utf-8", "replace"))
        except ProbeError as error:
            assert error.message and "\n" not in error.message and "Traceback" not in error.message

    return target


def _of_file(read: Callable[[Path], Any], suffix: str) -> Target:
    def target(data: bytes) -> None:
        path = Path(tempfile.gettempdir()) / f"probeledger-fuzz-{os.getpid()}{suffix}"
        path.write_bytes(data)
        try:
            read(path)
        except ProbeError as error:
            assert error.message and "\n" not in error.message
        finally:
            path.unlink()

    return target


_archive: list[bytes] = []


def _sample_archive() -> bytes:
    """Return the bytes of a small archive, made once."""
    if not _archive:
        with tempfile.TemporaryDirectory() as folder:
            path = Path(folder) / "sample.sqlite"
            with open_archive(path, create=True) as made:
                previous = record.GENESIS
                items = []
                for number in range(1, 6):
                    body = {"job": number, "curve": "pt1000-3850", "verdict": "pass", "ohms": 1085.5}
                    when = 1764000000 + number
                    item = record.encode(
                        _LEDGER, number, "probe", 1, number, when, "pl-000000", "0", None, previous, body
                    )
                    previous = record.digest(item)
                    items.append((number, item))
                made.add(items, "pl-000000", _LEDGER)
            _archive.append(path.read_bytes())
    return _archive[0]


def archive_file(data: bytes) -> None:
    """An archive file with bytes changed, as a copy that is brought back: four bytes say where, and the new value."""
    content = bytearray(_sample_archive())
    for at in range(0, len(data) - 3, 4):
        content[int.from_bytes(data[at : at + 3], "big") % len(content)] = data[at + 3]
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "copy.sqlite"
        path.write_bytes(content)
        try:
            with open_archive(path) as opened:
                for each in opened.search():
                    judge_again(each.body)
        except ProbeError as error:
            assert error.message
        path.write_bytes(content)
        try:
            restore(path, str(Path(folder) / "new.sqlite"))
        except ProbeError as error:
            assert error.message


curve_file = _of_file(description.load, ".toml")
limits_file = _of_file(lambda path: profiles.load(str(path)), ".toml")
scenario_file = _of_file(scenario.load, ".toml")
reference_file = _of_text(lambda text: references.read_references(text, "references"))
points_file = _of_text(lambda text: points.read_points(text, "points"))
tickets_file = _of_text(lambda text: tickets.read(text, "tickets"))
bake_file = _of_text(logfile.from_text)
run_file = _of_text(lambda text: runfile.read_run(text, "run"))

TARGETS: dict[str, Target] = {
    "request": request,
    "reply": reply,
    "answer": answer,
    "pull": pull,
    "cbor": cbor_item,
    "item": ledger_item,
    "segment": segment,
    "offer": offer,
    "curve": curve_file,
    "limits": limits_file,
    "scenario": scenario_file,
    "references": reference_file,
    "points": points_file,
    "run": run_file,
    "tickets": tickets_file,
    "bake": bake_file,
    "archive": archive_file,
}

__all__ = ["TARGETS", "InputError", "Target"]
