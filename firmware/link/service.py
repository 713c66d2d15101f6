"""The link's task: lines in from the USB serial port, replies out, beside everything else.

The same port carries MicroPython's prompt. Ctrl-C is never held back: where the port delivers it as a byte and not as
an interrupt, it is raised here. Lines longer than a request are dropped to their end.
"""

import select
import sys
from asyncio import StreamReader, sleep_ms

from micropython import const
from probecore import cbor, frames
from probecore.errors import LinkError, ProbeError

from . import verbs

_CTRL_C = const(3)
_LINE_END = (10, 13)
_CLOSED_MS = const(200)
# Where no tag could be read.
_NO_TAG = const(255)


class LineBuffer:
    """Cut bytes into lines of bounded length."""

    def __init__(self, limit=frames.MAX_REQUEST_BYTES):
        """limit: longest line [bytes]. `dropped` counts longer ones."""
        self._line = bytearray()
        self._limit = limit
        self._skipping = False
        self.dropped = 0

    def feed(self, byte):
        """Take one byte. Returns the line that it ended, b"" for one that was too long, else None."""
        if byte in _LINE_END:
            line = bytes(self._line)
            skipped = self._skipping
            self._line = bytearray()
            self._skipping = False
            if skipped:
                self.dropped += 1
                return b""
            return line or None
        if len(self._line) >= self._limit:
            self._skipping = True
        else:
            self._line.append(byte)
        return None


class Service:
    """Answers requests for one tester."""

    def __init__(self, tester, source=None, sink=None):
        """tester: what the verbs act on; source, sink: binary streams, the serial port's unless others are given."""
        self._tester = tester
        self._source = source or sys.stdin.buffer
        self._sink = sink or sys.stdout.buffer
        self._lines = LineBuffer()
        self.damaged = 0

    async def task(self):
        """Serve for ever."""
        reader = StreamReader(self._source)
        poller = select.poll()
        poller.register(self._source, select.POLLIN)
        while True:
            data = await reader.read(1)
            if not data:
                await sleep_ms(_CLOSED_MS)
            while data:
                await self.take(data)
                # One byte at a time: the port's read waits until it has all that it was asked for.
                data = self._source.read(1) if poller.poll(0) else b""

    async def take(self, data):
        """Take bytes as they came and answer the lines that they end."""
        for byte in data:
            if byte == _CTRL_C:
                raise KeyboardInterrupt
            line = self._lines.feed(byte)
            if line is not None:
                await self.answer(line)

    async def answer(self, line):
        """Answer one line."""
        word = line.strip()
        if word in (b"help", b"?"):
            self._sink.write(verbs.help_text())
            return
        if word == b"id":
            self._sink.write(verbs.id_text(self._tester))
            return
        tag = _NO_TAG
        try:
            request = frames.parse_request(line)
            tag = request.tag
            await self._run(request)
        except LinkError as error:
            self.damaged += 1
            self._refuse(tag, error.code, error.message)
        except ProbeError as error:
            self._refuse(tag, error.code, error.message)
        except OSError as error:
            self._refuse(tag, "tester-failed", "The tester could not do it (error %s)." % error.errno)
        except MemoryError:
            self._refuse(tag, "tester-failed", "The tester ran out of memory. Ask for less at a time.")

    async def _run(self, request):
        verb = verbs.VERBS.get(request.verb)
        if verb is None:
            self._refuse(
                request.tag,
                "unknown-verb",
                "This tester does not know '%s'. Type help for what it knows, or update its firmware."
                % request.verb[:32],
            )
            return
        fewest, most = verb.arguments
        if not fewest <= len(request.args) <= most:
            self._refuse(request.tag, "bad-arguments", "'%s' wants %s." % (request.verb, verb.usage or "nothing more"))
            return
        if verb.streams:
            kind = frames.END
            result = await verb.action(self._tester, request.args, self._data_writer(request.tag))
        else:
            kind = frames.RESULT
            result = await verb.action(self._tester, request.args)
        self._sink.write(frames.encode_reply(kind, request.tag, cbor.dumps(result)))

    def _data_writer(self, tag):
        def write(payload):
            self._sink.write(frames.encode_reply(frames.DATA, tag, payload))

        return write

    def _refuse(self, tag, code, message):
        self._sink.write(frames.encode_reply(frames.ERROR, tag, cbor.dumps({"code": code, "message": message})))
