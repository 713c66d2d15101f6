"""The test vectors that docs/formats.md prints, read from the page and checked against the codec."""

import re
from pathlib import Path

from probecore import cbor, frames

PAGE = (Path(__file__).parents[2] / "docs" / "formats.md").read_text()


def vector(what: str) -> str:
    found = re.search(rf"^\| {re.escape(what)} \| `([^`]+)`", PAGE, re.MULTILINE)
    assert found, f"docs/formats.md has no vector {what}"
    return found.group(1)


def test_the_request_on_the_page():
    line = vector("request 7 `hello`").encode() + b"\n"
    assert frames.request(7, "hello") == line
    assert frames.parse_request(line) == frames.Request(7, "hello", [])


def test_the_reply_on_the_page():
    data = bytes.fromhex(vector("reply `R`, tag 7, empty map"))
    assert frames.encode_reply("R", 7, cbor.dumps({})) == data
    assert frames.Replies().feed(data) == [frames.Reply("R", 7, cbor.dumps({}))]
