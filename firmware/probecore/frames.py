"""The link's codec: request lines in, reply frames out, and the other way round. No port is touched here.

A request is a line of ASCII text that a person can read:

    pl1 TAG VERB ARGUMENT... CRC

TAG (0-255) comes back with the reply; CRC is the CRC-32, in eight hexadecimal digits, of everything before the last
space. A reply is binary: a zero byte, the COBS encoding (Cheshire and Baker, IEEE/ACM Transactions on Networking 7,
1999) of kind, tag, payload and CRC-32, and a zero byte. As COBS leaves no zero inside, a reader that lost its place
finds it again at the next zero, and text that MicroPython's prompt writes between replies does no harm.
"""

import binascii
import struct
from collections import namedtuple

from . import PROTOCOL
from .errors import LinkError

RESULT = "R"
ERROR = "E"
DATA = "D"
END = "Z"
KINDS = "REDZ"

MAX_REQUEST_BYTES = 512
MAX_REPLY_BYTES = 4608

_PREFIX = "pl%d" % PROTOCOL

Request = namedtuple("Request", ("tag", "verb", "args"))
Reply = namedtuple("Reply", ("kind", "tag", "payload"))


def request(tag, verb, *args):
    """Write a request line.

    tag: 0-255; verb and args: texts or numbers without spaces. Returns bytes that end with a newline.
    """
    words = " ".join([_PREFIX, str(tag), verb] + [str(arg) for arg in args])
    return b"%s %08x\n" % (words.encode(), binascii.crc32(words.encode()))


def parse_request(line):
    """Read a request line [bytes], with or without its line end.

    Returns Request(tag, verb, args). Raises LinkError with code "damaged-request", or "protocol-version" when the line
    is whole but speaks another version of the link.
    """
    try:
        text = str(bytes(line).strip(), "ascii")
        head, crc = text.rsplit(" ", 1)
        intact = len(crc) == 8 and int(crc, 16) == binascii.crc32(head.encode())
        words = head.split(" ")
        tag = int(words[1])
        verb = words[2]
    except (ValueError, IndexError, UnicodeError):
        intact = False
    if not intact:
        raise LinkError("damaged-request", "The request is damaged: its check sum does not fit. Send it again.")
    if words[0] != _PREFIX:
        raise LinkError(
            "protocol-version",
            "The request speaks %s; this tester speaks %s. Update the older end." % (words[0], _PREFIX),
        )
    if not 0 <= tag <= 255:
        raise LinkError("damaged-request", "The request's tag %d is outside 0-255." % tag)
    return Request(tag, verb, words[3:])


def cobs_encode(data):
    """Encode bytes so that no zero is left in them. Returns a bytearray without delimiter."""
    out = bytearray()
    at = 0
    size = len(data)
    while True:
        zero = data.find(b"\0", at)
        end = size if zero < 0 else zero
        while end - at >= 254:
            out.append(255)
            out.extend(data[at : at + 254])
            at += 254
            if at == size:
                return out
        out.append(end - at + 1)
        out.extend(data[at:end])
        if zero < 0:
            return out
        at = zero + 1


def cobs_decode(data):
    """Undo cobs_encode. Returns a bytearray; raises LinkError when the bytes are no COBS encoding."""
    out = bytearray()
    at = 0
    size = len(data)
    if size == 0:
        raise LinkError("damaged-reply", "The reply is empty.")
    while at < size:
        code = data[at]
        end = at + code
        if code == 0 or end > size:
            raise LinkError("damaged-reply", "The reply is damaged: its encoding does not fit its length.")
        out.extend(data[at + 1 : end])
        at = end
        if code < 255 and at < size:
            out.append(0)
    return out


def encode_reply(kind, tag, payload):
    """Write a reply frame.

    kind: one of RESULT, ERROR, DATA, END; tag: that of the request; payload: bytes. Returns bytes with both delimiters.
    """
    head = kind.encode() + bytes([tag]) + payload
    return b"\0" + bytes(cobs_encode(head + struct.pack("<I", binascii.crc32(head)))) + b"\0"


def parse_reply(data):
    """Read what stood between two zero bytes. Returns Reply; raises LinkError when it is none."""
    raw = bytes(cobs_decode(data))
    if len(raw) < 6 or struct.unpack("<I", raw[-4:])[0] != binascii.crc32(raw[:-4]):
        raise LinkError("damaged-reply", "The reply is damaged: its check sum does not fit.")
    kind = chr(raw[0])
    if kind not in KINDS:
        raise LinkError("unknown-reply", "The reply has the unknown kind %d." % raw[0])
    return Reply(kind, raw[1], raw[2:-4])


class Replies:
    """Cut a stream of bytes into replies; what is no reply is counted and left out.

    `damaged` counts frames that were no reply (a line of text from the prompt counts too), `overlong` those that grew
    past MAX_REPLY_BYTES. The buffer never grows beyond that limit.
    """

    def __init__(self):
        """Begin with an empty buffer."""
        self._buffer = bytearray()
        self._skipping = False
        self.damaged = 0
        self.overlong = 0

    def feed(self, data):
        """Take bytes as they came. Returns the list of replies that they completed."""
        replies: list = []
        start = 0
        while True:
            zero = data.find(b"\0", start)
            piece = data[start:] if zero < 0 else data[start:zero]
            if not self._skipping:
                if len(self._buffer) + len(piece) > MAX_REPLY_BYTES:
                    self.overlong += 1
                    self._skipping = True
                    self._buffer = bytearray()
                else:
                    self._buffer.extend(piece)
            if zero < 0:
                return replies
            self._finish(replies)
            start = zero + 1

    def _finish(self, replies):
        if self._buffer:
            try:
                replies.append(parse_reply(self._buffer))
            except LinkError:
                self.damaged += 1
        self._buffer = bytearray()
        self._skipping = False
