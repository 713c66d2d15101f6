"""A tester in memory, which answers by the link's rules, and a port with named faults to reach it through.

It is written from the description of the link, on the core's codec alone, so that the client is tested against the
rules and not against itself.
"""

import random
import struct
from collections.abc import Callable, Iterable

from probecore import cbor, frames, record
from probecore.errors import LinkError
from probeledger.errors import VanishedError

TESTER = "pl-00c0de"
LEDGER = bytes.fromhex("0123456789abcdef")
# 2026-03-02 09:00:00 UTC
MORNING = 1_772_442_000


def probe_body(number: int, **values) -> dict:
    """Return the body of an invented probe test."""
    body = {
        "place": "sensor",
        "ticket": f"T{number:03d}",
        "job": 7000 + number,
        "mode": "guided",
        "curve": "pt1000-3850",
        "profile": "domestic-1000",
        "ohms": 1085.5 + number / 8,
        "u_ohms": 0.125,
        "celsius": 22.0,
        "u_celsius": 0.03125,
        "readings": [[1000, 700, -701, -1000, -1001, -699, 702, 999]] * 2,
        "verdict": "pass",
        "findings": [],
    }
    body.update(values)
    return body


def items(
    count: int,
    *,
    ledger: bytes = LEDGER,
    tester: str = TESTER,
    boot: int = 1,
    start_ms: int = 5000,
    time: int | None = MORNING,
    after: Iterable[bytes] = (),
    body: Callable[[int], dict] = probe_body,
    kind: str = "probe",
) -> list[bytes]:
    """Return `after`, continued by `count` chained records, a minute apart."""
    made = list(after)
    for index in range(count):
        sequence = len(made) + 1
        previous = record.digest(made[-1]) if made else record.GENESIS
        made.append(
            record.encode(
                ledger,
                sequence,
                kind,
                boot,
                start_ms + 60_000 * index,
                None if time is None else time + 60 * index,
                tester,
                "0.1.0",
                None,
                previous,
                body(sequence),
            )
        )
    return made


class ScriptedTester:
    """Answer request lines. `requests` keeps what was asked, as (verb, args)."""

    def __init__(self, ledger_items: list[bytes], *, first: int = 1, confirmed: int = 0, **hello) -> None:
        self.items = dict(enumerate(ledger_items, start=1))
        self.first = first
        self.confirmed = confirmed
        self.hello_values = hello
        self.requests: list[tuple[str, list[str]]] = []
        self.most_a_pull = 1000
        self.prompt = False
        self.prompt_restarts = True
        # How often `zero` finds the clips apart.
        self.apart = 0
        self._buffer = b""

    @property
    def last(self) -> int:
        """The number of the newest record."""
        return max(self.items, default=0)

    @property
    def head(self) -> bytes:
        """The digest of the newest record."""
        return record.digest(self.items[self.last]) if self.items else record.GENESIS

    def hello(self) -> dict:
        """Return what the tester says of itself."""
        values = {
            "protocol": 1,
            "tester": TESTER,
            "firmware": "0.1.0",
            "ledger": LEDGER,
            "store": "flash",
            "first": self.first if self.items else 0,
            "last": self.last,
            "confirmed": self.confirmed,
            "head": self.head,
            "boot": 1,
            "ms": 3_600_000,
            "time": MORNING + 3600,
            "clock_set": True,
            "calibration": None,
            "calibration_state": "uncalibrated",
            "cell_volts": 3.875,
            "micropython": "1.28.0",
        }
        values.update(self.hello_values)
        return values

    def feed(self, data: bytes) -> bytes:
        """Take bytes of the computer, return what the tester sends."""
        if self.prompt:
            return self._feed_prompt(data)
        self._buffer += data
        out = b""
        while b"\n" in self._buffer:
            line, self._buffer = self._buffer.split(b"\n", 1)
            if line.strip():
                out += self._answer(line)
        return out

    def _feed_prompt(self, data: bytes) -> bytes:
        if b"\x04" in data:
            self.prompt = not self.prompt_restarts
            return b"\r\nMPY: soft reboot\r\nMicroPython v1.28.0\r\n" + (b">>> " if self.prompt else b"")
        if b"\n" in data:
            return data + b"\r\nSyntaxError: invalid syntax\r\n>>> "
        return b"\r\nKeyboardInterrupt\r\n>>> " if b"\x03" in data else b""

    def _answer(self, line: bytes) -> bytes:
        try:
            request = frames.parse_request(line)
        except LinkError as error:
            return self._error(255, error.code, error.message)
        self.requests.append((request.verb, list(request.args)))
        method = getattr(self, f"_do_{request.verb}", None)
        if method is None:
            return self._error(request.tag, "unknown-verb", f"Unknown verb {request.verb}.")
        return method(request.tag, request.args)

    @staticmethod
    def _error(tag: int, code: str, message: str) -> bytes:
        return frames.encode_reply(frames.ERROR, tag, cbor.dumps({"code": code, "message": message}))

    @staticmethod
    def _result(tag: int, values: dict) -> bytes:
        return frames.encode_reply(frames.RESULT, tag, cbor.dumps(values))

    def _do_hello(self, tag: int, args: list[str]) -> bytes:
        return self._result(tag, self.hello())

    def _do_pull(self, tag: int, args: list[str]) -> bytes:
        start, count = int(args[0]), min(int(args[1]), self.most_a_pull)
        end = min(start + count, self.last + 1)
        out = b"".join(
            frames.encode_reply(frames.DATA, tag, struct.pack("<I", number) + self.items[number])
            for number in range(start, end)
            if number in self.items and number >= self.first
        )
        closing = {"next": max(end, start), "last": self.last, "head": self.head}
        return out + frames.encode_reply(frames.END, tag, cbor.dumps(closing))

    def _do_confirm(self, tag: int, args: list[str]) -> bytes:
        sequence = int(args[0])
        if record.digest(self.items[sequence]).hex() != args[1]:
            return self._error(tag, "wrong-head", "The records kept are not the ones on this tester.")
        self.confirmed = max(self.confirmed, sequence)
        return self._result(tag, {"confirmed": self.confirmed})

    def _do_measure(self, tag: int, args: list[str]) -> bytes:
        return self._result(
            tag,
            {
                "readings": [[1500, 1100, -1100, -1500, -1500, -1100, 1100, 1500]] * 3
                + [[1500, 1101, -1101, -1500, -1500, -1101, 1101, 1500]],
                "range": "low",
                "gain": 4,
                "ratio": 0.73,
                "ohms": 1097.5,
                "u_ohms": 0.25,
                "leads": "connected",
                "tester_celsius": 23.5,
                "reference_ohms": 1500.0,
                "calibration": None,
                "ambient": None,
                "element_microwatts": 93.75,
                "two_wire": "two-wire" in args,
                "zero_ohms": 0.25 if "two-wire" in args else 0.0,
                "self_heating": {
                    "ohms_zero_power": 1097.4375,
                    "u_ohms": 0.25,
                    "ohms_per_milliwatt": 0.625,
                    "u_ohms_per_milliwatt": 0.25,
                    "milliwatts": 0.09375,
                }
                if "zero-power" in args
                else None,
            },
        )

    def _do_zero(self, tag: int, args: list[str]) -> bytes:
        if self.apart:
            self.apart -= 1
            return self._error(tag, "not-shorted", "The two clips are not together: 1097.3 ohm.")
        return self._result(tag, {"ohms": 0.25, "u_ohms": 0.03125, "readings": [[1500, 1, -1, -1500] * 2]})


class FakePort:
    """A port with faults, and a clock that only its waiting moves.

    Faults: `flips`, `losses` and `strays` (chance of each byte on the way from the tester to be altered, to be lost, or
    to have a made-up byte before it), `doubles` and `swaps` (chance of a frame to come twice, or after the next one),
    `stalls` (chance of an answer never to come), `gone_after` (bytes from the tester after which the port is gone),
    `request_flips` (chance of each byte to the tester to be altered).
    """

    def __init__(
        self,
        tester: ScriptedTester | None,
        *,
        seed: int = 1,
        flips: float = 0.0,
        losses: float = 0.0,
        strays: float = 0.0,
        doubles: float = 0.0,
        swaps: float = 0.0,
        stalls: float = 0.0,
        request_flips: float = 0.0,
        gone_after: int | None = None,
        most_bytes: int = 4096,
        noise: bytes = b"",
    ) -> None:
        self.name = "/dev/ttyFAKE0"
        self.tester = tester
        self.seconds = 0.0
        self.closed = False
        self.sent = b""
        self._random = random.Random(seed)
        self._flips, self._losses, self._strays = flips, losses, strays
        self._doubles, self._swaps, self._stalls = doubles, swaps, stalls
        self._request_flips = request_flips
        self._left = gone_after
        self._most = most_bytes
        self._waiting = noise

    def now(self) -> float:
        """Return the time that waiting has taken [s]."""
        return self.seconds

    def write(self, data: bytes) -> None:
        """Send bytes to the tester."""
        if self._left is not None and self._left <= 0:
            raise VanishedError("The port is gone.")
        self.sent += data
        if self.tester is None:
            return
        answer = self.tester.feed(self._disturb(data, self._request_flips, 0.0))
        if self._stalls and self._random.random() < self._stalls:
            return
        if self._doubles or self._swaps:
            answer = b"".join(b"\0" + part + b"\0" for part in self._shuffled(answer))
        self._waiting += self._disturb(answer, self._flips, self._losses, self._strays)

    def _shuffled(self, answer: bytes) -> list[bytes]:
        """Return the frames of an answer as they arrive: some twice, some after the next one."""
        parts = [part for part in answer.split(b"\0") if part]
        arriving = [part for part in parts for _ in range(1 + (self._random.random() < self._doubles))]
        for at in range(len(arriving) - 1):
            if self._random.random() < self._swaps:
                arriving[at], arriving[at + 1] = arriving[at + 1], arriving[at]
        return arriving

    def _disturb(self, data: bytes, flips: float, losses: float, strays: float = 0.0) -> bytes:
        if not flips and not losses and not strays:
            return data
        out = bytearray()
        for byte in data:
            if strays and self._random.random() < strays:
                out.append(self._random.randrange(256))
            chance = self._random.random()
            if chance < flips:
                out.append(byte ^ (1 << self._random.randrange(8)))
            elif chance >= flips + losses:
                out.append(byte)
        return bytes(out)

    def read(self, timeout_s: float) -> bytes:
        """Return what has come; waiting in vain moves the clock."""
        data, self._waiting = self._waiting[: self._most], self._waiting[self._most :]
        if self._left is not None:
            data = data[: self._left]
            self._left -= len(data)
            if not data and self._left <= 0:
                raise VanishedError("The port is gone.")
        if not data:
            self.seconds += timeout_s
        return data

    def close(self) -> None:
        """Note that the port was let go."""
        self.closed = True
