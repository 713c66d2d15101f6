"""A ledger on a chip double, told by lines what to do: `micropython serve.py FIRMWARE_FOLDER CHIP_FOLDER`.

One JSON list a line on stdin, one line of "=" and a JSON map on stdout (other lines are what MicroPython says when it
closes the files of a run that was cut). The first entry names the action; an action may be
preceded by "cut": [count, seed, action...] lets the power fail at the count-th flash operation from then on, and starts
the tester anew where it did.

    ["new"]                            a blank chip
    ["append", size]                   a record with a body of about that size
    ["confirm", sequence]              as the shop does after a pull
    ["set", name, value]               a setting
    ["calibrate", number]              the calibration's slots
    ["restart"]                        a start
    ["rot", sequence, permille, bit]   one bit of a record's frame turns over
    ["state"]                          nothing

Answers hold what the store says of itself; "records" has [sequence, digest, digest before] of all that can be read.
"""

import gc
import json
import sys
from binascii import hexlify

sys.path[:0] = [sys.argv[0].rsplit("/", 1)[0], sys.argv[2], sys.argv[1]]

from nor_chip import NorChip, PowerCut, Wires  # noqa: E402

from ledger import segments, volume  # noqa: E402
from ledger.store import LedgerError  # noqa: E402
from parts.norflash import NorFlash  # noqa: E402
from probecore import record  # noqa: E402

SECTORS = 32


class Bench:
    """The chip, and the store of the run under way."""

    def __init__(self):
        self.chip = NorChip(SECTORS, sfdp=True)
        self.start()

    def start(self):
        self.chip.power_on()
        self.chip.cut_at = None
        gc.collect()
        wires = Wires(self.chip)
        identity = ("pl-0000aa", "0.1.0", lambda: 1000, lambda: None)
        self.store = volume.open_store(lambda: NorFlash(wires, wires.select), identity)
        if self.store.kind != "flash":
            raise RuntimeError(self.store.notes)

    def act(self, action, arguments):
        store = self.store
        if action == "append":
            return store.append("probe", {"filling": bytes(arguments[0])})
        if action == "confirm":
            item = list(store.read(arguments[0], 1))[0][1]
            return store.confirm(arguments[0], record.digest(item))
        if action == "set":
            return store.change_settings(*arguments)
        if action == "calibrate":
            return store.calibration.save({"number": arguments[0], "filling": bytes(200)})
        if action == "restart":
            return self.start()
        if action == "rot":
            return self.rot(*arguments)
        return None

    def rot(self, sequence, permille, bit):
        firsts = [first for first in segments.first_numbers("/ledger/seg") if first <= sequence]
        path = segments.path_of("/ledger/seg", firsts[-1])
        begin = 0
        for number, item, end in segments.Reader().frames(path, firsts[-1]):
            size = len(item) + record.FRAME_OVERHEAD_BYTES
            if number == sequence:
                begin = end - size
                break
        with open(path, "rb") as file:
            data = bytearray(file.read())
        data[begin + size * permille // 1000] ^= 1 << bit
        with open(path, "wb") as file:
            file.write(data)

    def state(self):
        store = self.store
        records = []
        for sequence, item in store.read(1, 100000):
            value = record.decode(item)
            if value["seq"] != sequence:
                raise RuntimeError("sequence")
            records.append([sequence, hexlify(record.digest(item)).decode(), hexlify(value["prev"]).decode()])
        return {
            "last": store.last,
            "head": hexlify(store.head).decode(),
            "boot": store.boot,
            "confirmed": store.confirmed,
            "settings": {name: value for name, value in (store.settings.load() or {}).items() if name in "abc"},
            "calibration": (store.calibration.load() or {}).get("number"),
            "firsts": list(segments.first_numbers("/ledger/seg")),
            "notes": store.notes,
            "records": records,
        }


def answer(bench, asked):
    said = {"cut": False, "error": None, "value": None}
    if asked[0] == "cut":
        bench.chip.cut_at = bench.chip.operations + asked[1]
        bench.chip.seed = asked[2]
        asked = asked[3:]
    try:
        said["value"] = bench.act(asked[0], asked[1:])
    except LedgerError as error:
        said["error"] = error.code
    except PowerCut:
        said["cut"] = True
        bench.start()
    bench.chip.cut_at = None
    said.update(bench.state())
    return said


def main():
    bench = None
    while True:
        line = sys.stdin.readline()
        if not line:
            return
        asked = json.loads(line)
        try:
            if asked[0] == "new":
                bench = None
                gc.collect()
                bench = Bench()
                asked = ["state"]
            print("=" + json.dumps(answer(bench, asked)))
        except Exception as error:
            sys.print_exception(error, sys.stderr)
            print("=" + json.dumps({"failed": repr(error)}))


main()
