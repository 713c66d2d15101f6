"""Checks of the link's service: bytes in, bytes out, on a real ledger over a chip double."""

import asyncio
import struct
from binascii import hexlify

from nor_chip import NorChip, Wires

from ledger import volume
from link.service import LineBuffer, Service
from parts.norflash import NorFlash
from probecore import calibration, cbor, frames, record
from probecore.errors import RangeError


class Sink:
    def __init__(self):
        self.data = b""

    def write(self, data):
        self.data += bytes(data)


class Power:
    def cell_millivolts(self):
        return 3920


class Uptime:
    def ms(self):
        return 4321


class Clock:
    now = None

    def seconds(self):
        return self.now

    def set(self, seconds):
        if seconds < 1577836800:
            raise RangeError("clock-range", "Too early.")
        self.now = seconds


class FakeTester:
    id = "pl-0000aa"
    firmware = "0.1.0"
    notes = ["A note."]

    def __init__(self, records=0):
        chip = NorChip(64)
        wires = Wires(chip)
        self.clock = Clock()
        self.power = Power()
        self.uptime = Uptime()
        self.quiet = asyncio.Lock()
        self.calibration = calibration.uncalibrated(500, 10, 0.04)
        self.store = volume.open_store(
            lambda: NorFlash(wires, wires.select), (self.id, self.firmware, self.uptime.ms, self.clock.seconds)
        )
        for number in range(1, records + 1):
            self.store.append("probe", {"number": number, "zeros": bytes(200)})
        self.asked = None

    async def keep(self, kind, body):
        async with self.quiet:
            return self.store.append(kind, body)

    async def measure(self, readings, two_wire=False, zero_power=False):
        self.asked = (readings, two_wire, zero_power)
        return {"ohms": 1097.5, "readings": []}

    async def zero(self):
        return {"ohms": 0.21}


def talk(tester, data, at_once=True):
    """Send bytes to a service; return the replies to them and the raw output."""
    sink = Sink()
    service = Service(tester, source=1, sink=sink)

    async def run():
        if at_once:
            await service.take(data)
        else:
            for index in range(len(data)):
                await service.take(data[index : index + 1])

    asyncio.run(run())
    return frames.Replies().feed(sink.data), sink.data, service


def one(tester, *words):
    replies, _, _ = talk(tester, frames.request(7, *words))
    assert len(replies) == 1 and replies[0].tag == 7, replies
    return replies[0].kind, cbor.loads(replies[0].payload)


def check_hello():
    tester = FakeTester(3)
    kind, value = one(tester, "hello")
    assert kind == "R"
    assert value["protocol"] == 1 and value["tester"] == "pl-0000aa" and value["firmware"] == "0.1.0"
    assert value["ledger"] == tester.store.ledger_id and value["store"] == "flash"
    assert (value["first"], value["last"], value["confirmed"]) == (1, 3, 0)
    assert value["head"] == tester.store.head and value["boot"] == 1 and value["ms"] == 4321
    assert value["time"] is None and value["clock_set"] is False
    assert value["calibration"] is None and value["calibration_state"] == "uncalibrated"
    assert abs(value["cell_volts"] - 3.92) < 1e-6 and value["notes"] == ["A note."]
    assert value["micropython"].count(".") == 2


def check_pull():
    tester = FakeTester(30)
    for start, count, numbers, following in (
        (1, 100, range(1, 31), 31),
        (28, 2, range(28, 30), 30),
        (31, 5, range(0), 31),
        (1, 30, range(1, 31), 31),
    ):
        replies, _, _ = talk(tester, frames.request(9, "pull", start, count))
        assert [reply.kind for reply in replies] == ["D"] * len(numbers) + ["Z"]
        for reply, number in zip(replies, numbers):  # noqa: B905
            assert struct.unpack("<I", reply.payload[:4])[0] == number
            value = record.decode(reply.payload[4:])
            assert value["seq"] == number and value["body"]["number"] == number
        end = cbor.loads(replies[-1].payload)
        assert end == {"next": following, "last": 30, "head": tester.store.head}


def check_confirm():
    tester = FakeTester(4)
    items = [item for _, item in tester.store.read(1, 9)]
    assert one(tester, "confirm", 3, hexlify(record.digest(items[2])).decode()) == ("R", {"confirmed": 3})
    kind, value = one(tester, "confirm", 4, hexlify(record.digest(items[2])).decode())
    assert kind == "E" and value["code"] == "confirm-mismatch" and tester.store.confirmed == 3
    for bad in ("zz", "ab" * 31, "x" * 64):
        kind, value = one(tester, "confirm", 4, bad)
        assert kind == "E" and value["code"] == "bad-arguments", bad


def check_clock_is_set_and_recorded():
    tester = FakeTester()
    assert one(tester, "clock", 1795593600) == ("R", {"before": None, "after": 1795593600})
    value = record.decode(list(tester.store.read(1, 1))[0][1])
    assert value["kind"] == "clock" and value["body"] == {"before": None, "after": 1795593600}
    assert value["time"] == 1795593600
    kind, value = one(tester, "clock", 12)
    assert kind == "E" and value["code"] == "clock-range"
    kind, value = one(tester, "clock", "-5")
    assert kind == "E" and value["code"] == "bad-arguments"


def check_measure():
    tester = FakeTester()
    assert one(tester, "measure") == ("R", {"ohms": 1097.5, "readings": []}) and tester.asked == (1, False, False)
    for words, asked in (
        ((12,), (12, False, False)),
        ((4, "two-wire"), (4, True, False)),
        (("zero-power",), (1, False, True)),
        ((2, "zero-power", "two-wire"), (2, True, True)),
    ):
        one(tester, "measure", *words)
        assert tester.asked == asked, words
    for words in ((1000,), (4, "threewire"), ("-1",)):
        kind, value = one(tester, "measure", *words)
        assert kind == "E" and value["code"] == "bad-arguments", words
    kind, value = one(tester, "zero")
    assert kind == "R" and abs(value["ohms"] - 0.21) < 1e-6


def check_wrong_requests():
    tester = FakeTester()
    kind, value = one(tester, "sing")
    assert kind == "E" and value["code"] == "unknown-verb" and "sing" in value["message"]
    kind, value = one(tester, "pull", 1)
    assert kind == "E" and value["code"] == "bad-arguments" and "FROM COUNT" in value["message"]
    good = frames.request(7, "hello")
    for at in range(len(good) - 1):
        line = good[:at] + bytes([good[at] ^ 1]) + good[at + 1 :]
        if b"\r" in line or b"\n" in line[:-1] or b"\x03" in line:
            continue
        replies, _, service = talk(tester, line)
        assert len(replies) == 1 and replies[0].kind == "E" and replies[0].tag == 255, at
        assert cbor.loads(replies[0].payload)["code"] in ("damaged-request", "protocol-version")
        assert service.damaged == 1


def check_partial_lines_and_other_line_ends():
    tester = FakeTester()
    request = frames.request(5, "hello")
    for data in (request, b"\r\n" + request, request[:-1] + b"\r\n", b"\n\n" + request):
        replies, _, _ = talk(tester, data, at_once=False)
        assert [reply.tag for reply in replies] == [5], data
    replies, _, _ = talk(tester, request[:-1])
    assert replies == []
    replies, _, _ = talk(tester, request + frames.request(6, "hello"))
    assert [reply.tag for reply in replies] == [5, 6]


def check_a_line_without_end_takes_no_memory():
    buffer = LineBuffer(64)
    for _ in range(5000):
        assert buffer.feed(65) is None
    assert len(buffer._line) <= 64
    assert buffer.feed(10) == b"" and buffer.dropped == 1
    assert [buffer.feed(byte) for byte in b"id\n"][-1] == b"id"
    replies, _, _ = talk(FakeTester(), b"x" * 4000 + b"\n" + frames.request(5, "hello"))
    assert [(reply.kind, reply.tag) for reply in replies] == [("E", 255), ("R", 5)]


def check_help_and_id_in_plain_text():
    tester = FakeTester(2)
    _, text, _ = talk(tester, b"help\r\n")
    for verb in (b"hello", b"pull FROM COUNT", b"confirm", b"clock", b"measure", b"Ctrl-C"):
        assert verb in text
    assert text.endswith(b"\r\n") and b"\0" not in text
    _, text, _ = talk(tester, b"id\n")
    assert b"pl-0000aa" in text and text.count(b"\r\n") == 1


def check_ctrl_c_is_raised():
    for data in (b"\x03", b"pl1 3 hel\x03lo"):
        try:
            talk(FakeTester(), data)
        except KeyboardInterrupt:
            continue
        raise AssertionError("Ctrl-C was swallowed")


def check_a_failing_ledger_is_answered():
    tester = FakeTester(2)

    def fail(start, count):
        raise OSError(5)

    tester.store.read = fail
    kind, value = one(tester, "pull", 1, 5)
    assert kind == "E" and value["code"] == "tester-failed"
