"""Checks of the calibration in force: one act, two slots, a record, never other numbers than those that are said."""

import asyncio
import binascii

from nor_chip import NorChip, PowerCut, Wires

from ledger import volume
from link import calibration as verbs
from parts.norflash import NorFlash
from probecore import calibration, cbor, record
from probecore.errors import ProbeError
from screen import offers
from tester.calibrated import InForce

DATE = 1795593600  # 2026-11-25 08:00:00 UTC (GNU date)
DUE = 1827129600  # a year later


def start(chip):
    """Do what a start of the tester does. Returns the store and what is in force, its missing record written."""
    chip.power_on()
    wires = Wires(chip)
    store = volume.open_store(lambda: NorFlash(wires, wires.select), ("pl-0000aa", "0.1.0", lambda: 1234, lambda: DATE))
    found = InForce(store, lambda: DATE)
    asyncio.run(found.complete(keeper(store, found)))
    store.append("boot", {"notes": found.notes}, found.now().id)
    return store, found


def keeper(store, found):
    async def keep(kind, body):
        return store.append(kind, body, found.now().id)

    return keep


def new_set(name, previous, gain=1.0004, **values):
    made = calibration.to_map(calibration.uncalibrated(500, 10, 0.04))
    made.update(id=name, state="calibrated", previous=previous, date=DATE, due=DUE, gain=gain)
    made["report"] = {"as_found": [[1000.0, 0.4, 0.02]], "by": "the maker", "source": "run.json"}
    made.update(values)
    return made


def take(store, found, made):
    return asyncio.run(found.take(made, keeper(store, found), asyncio.Lock()))


def changes(store):
    """Return the bodies of all records of a change, and the id that each record names."""
    values = [record.decode(item) for _, item in store.read(1, 1000)]
    return [value["body"] for value in values if value["kind"] == "calibration"], [value["cal"] for value in values]


def spoil(chip, store, slot=None):
    """Change one bit of the slot in force (or of another one)."""
    path = f"/ledger/calibration.{store.calibration._slot if slot is None else slot}"
    with open(path, "rb") as file:
        data = bytearray(file.read())
    data[30] ^= 4
    with open(path, "wb") as file:
        file.write(data)


def check_a_set_is_taken_and_kept():
    chip = NorChip(64)
    store, found = start(chip)
    assert found.now().state == "uncalibrated" and found.now().id is None and found.before() is None
    sequence = take(store, found, new_set("c-1", None))
    assert found.now().id == "c-1" and abs(found.now().gain - 1.0004) < 1e-6
    bodies, ids = changes(store)
    assert len(bodies) == 1 and ids[sequence - 1] == "c-1" and ids[0] is None
    assert bodies[0]["before"]["state"] == "uncalibrated" and bodies[0]["after"]["id"] == "c-1"
    assert bodies[0]["as_found"][0][0] == 1000.0 and bodies[0]["by"] == "the maker" and bodies[0]["act"] == "taken"
    take(store, found, new_set("c-2", "c-1", 1.0005))
    store, found = start(chip)
    assert found.now().id == "c-2" and found.before()["id"] == "c-1" and found.notes == []
    bodies, ids = changes(store)
    assert [body["after"]["id"] for body in bodies] == ["c-1", "c-2"] and ids[-1] == "c-2"
    assert bodies[1]["before"]["id"] == "c-1" and "report" not in bodies[1]["before"]


def check_a_cut_at_every_operation_leaves_the_old_set_or_the_new_one():
    chip = NorChip(64)
    store, found = start(chip)
    take(store, found, new_set("c-1", None))
    whole = bytes(chip.memory)
    outcomes = {"c-1": 0, "c-2": 0}
    cut = -1
    ended = False
    while not ended:
        cut += 1
        chip.memory[:] = whole
        store, found = start(chip)
        chip.cut_at = chip.operations + cut
        try:
            take(store, found, new_set("c-2", "c-1", 1.0005))
            ended = True
        except PowerCut:
            pass
        chip.cut_at = None
        store, found = start(chip)
        name = found.now().id
        outcomes[name] += 1
        bodies, ids = changes(store)
        assert ids[-1] == name and bodies[-1]["after"]["id"] == name, (cut, name, ids)
        assert [body["after"]["id"] for body in bodies] == (["c-1"] if name == "c-1" else ["c-1", "c-2"]), cut
        assert abs(found.now().gain - (1.0004 if name == "c-1" else 1.0005)) < 1e-6
    print("cuts", cut, outcomes)
    assert cut > 5 and outcomes["c-1"] > 1 and outcomes["c-2"] > 1


def check_a_cut_between_set_and_record_is_made_up_for():
    chip = NorChip(64)
    store, found = start(chip)
    store.calibration.save(new_set("c-1", None))
    store, found = start(chip)
    bodies, ids = changes(store)
    assert found.now().id == "c-1" and [body["after"]["id"] for body in bodies] == ["c-1"]
    assert bodies[0]["as_found"] and ids == [None, "c-1", "c-1"]
    store, found = start(chip)
    assert len(changes(store)[0]) == 1 and not found.unrecorded


def check_a_damaged_set_is_never_replaced_quietly_by_the_one_before():
    chip = NorChip(64)
    store, found = start(chip)
    take(store, found, new_set("c-1", None))
    take(store, found, new_set("c-2", "c-1", 1.0005))
    spoil(chip, store)
    for _ in range(3):
        store, found = start(chip)
        now = found.now()
        assert now.state == "damaged" and now.id is None and now.gain == 1.0, now
        assert len(found.notes) == 1 and "damaged" in found.notes[0]
        assert changes(store)[1][-1] is None
    take(store, found, new_set("c-3", None, 1.0006))
    assert store.calibration.damaged == 0
    store, found = start(chip)
    assert found.now().id == "c-3" and found.now().state == "calibrated" and found.notes == []


def check_damage_to_the_set_before_does_no_harm():
    chip = NorChip(64)
    store, found = start(chip)
    take(store, found, new_set("c-1", None))
    take(store, found, new_set("c-2", "c-1", 1.0005))
    spoil(chip, store, 1 - store.calibration._slot)
    store, found = start(chip)
    assert found.now().id == "c-2" and found.before() is None


def check_both_damaged():
    chip = NorChip(64)
    store, found = start(chip)
    take(store, found, new_set("c-1", None))
    spoil(chip, store)
    store, found = start(chip)
    assert found.now().state == "damaged" and found.now().gain == 1.0
    assert [body["after"]["id"] for body in changes(store)[0]] == ["c-1"]


def check_overdue():
    chip = NorChip(64)
    store, found = start(chip)
    take(store, found, new_set("c-1", None))
    late = InForce(store, lambda: DUE + 1)
    assert late.now().state == "overdue" and late.now().id == "c-1" and late.now().gain == found.now().gain
    assert InForce(store, lambda: None).now().state == "calibrated"


def refusal(found, made):
    try:
        found.check(made)
    except ProbeError as error:
        return error.code
    return None


def check_what_is_not_taken():
    chip = NorChip(64)
    store, found = start(chip)
    take(store, found, new_set("c-1", None))
    assert refusal(found, new_set("c-2", "c-1")) is None
    assert refusal(found, new_set("c-2", None)) == "other-calibration"
    assert refusal(found, new_set("c-1", "c-1")) == "same-calibration"
    assert refusal(found, new_set(None, "c-1")) == "bad-calibration"
    assert refusal(found, new_set("c-2", "c-1", state="overdue")) == "bad-calibration"
    assert refusal(found, new_set("c-2", "c-1", date=None)) == "bad-calibration"
    assert refusal(found, new_set("c-2", "c-1", gain=3.0)) == "calibration-damaged"
    for made in (new_set("c-2", None), new_set("c-2", "c-1", gain=float("nan"))):
        try:
            take(store, found, made)
        except ProbeError:
            continue
        raise AssertionError(made)
    assert found.now().id == "c-1" and len(changes(store)[0]) == 1


class Uptime:
    now_ms = 0

    def ms(self):
        return self.now_ms


class FakeTester:
    def __init__(self):
        self.store, self.in_force = start(NorChip(64))
        self.offer = None
        self.offer_parts = []
        self.uptime = Uptime()
        self.measuring = asyncio.Lock()

    @property
    def calibration(self):
        return self.in_force.now()


def ask(tester, verb, *args):
    """Ask a verb. Returns its answer, or the code of its refusal."""
    try:
        return asyncio.run(verb(tester, [str(arg) for arg in args]))
    except ProbeError as error:
        return error.code


def send(tester, data, size=200):
    for number in range(0, len(data), size):
        ask(tester, verbs.part, number // size, binascii.hexlify(data[number : number + size]).decode())
    return f"{binascii.crc32(data):08x}"


def check_an_offer_in_parts():
    tester = FakeTester()
    data = cbor.dumps(new_set("c-1", None))
    check_sum = send(tester, data)
    assert tester.offer is None
    assert ask(tester, verbs.offer, check_sum) == {"state": "offered", "record": None, "message": None}
    assert tester.offer.stored["id"] == "c-1"
    # Asked again, it tells; it does not offer twice.
    first = tester.offer
    assert ask(tester, verbs.offer, check_sum)["state"] == "offered" and tester.offer is first
    assert ask(tester, verbs.offer, send(tester, cbor.dumps(new_set("c-9", None)))) == "busy"
    tester.uptime.now_ms = 60001
    assert ask(tester, verbs.offer, check_sum)["state"] == "expired"
    assert ask(tester, verbs.read)["in_force"]["id"] is None and tester.store.calibration.load() is None


def check_a_part_twice_and_a_part_missing():
    tester = FakeTester()
    data = cbor.dumps(new_set("c-1", None))
    check_sum = f"{binascii.crc32(data):08x}"
    pieces = [binascii.hexlify(data[at : at + 100]).decode() for at in range(0, len(data), 100)]
    assert ask(tester, verbs.part, 1, pieces[1]) == "part-missing"
    for number, piece in enumerate(pieces):
        for _ in range(2):
            answer = ask(tester, verbs.part, number, piece)
        assert answer["bytes"] == min(len(data), 100 * number + 100)
    assert ask(tester, verbs.part, len(pieces) + 1, pieces[1]) == "part-missing"
    assert ask(tester, verbs.offer, check_sum)["state"] == "offered"


def check_damaged_and_senseless_offers():
    tester = FakeTester()
    data = cbor.dumps(new_set("c-1", None))
    for at in range(0, len(data), 37):
        check_sum = f"{binascii.crc32(data):08x}"
        send(tester, data[:at] + bytes([data[at] ^ 1]) + data[at + 1 :])
        assert ask(tester, verbs.offer, check_sum) == "bad-check-sum"
    for made in (new_set("c-1", "c-0"), new_set("c-1", None, gain=float("inf")), {"id": "c-1"}, {}):
        answer = ask(tester, verbs.offer, send(tester, cbor.dumps(made)))
        assert answer in ("other-calibration", "calibration-damaged"), answer
    assert ask(tester, verbs.offer, send(tester, cbor.dumps([1]))) == "calibration-damaged"
    assert ask(tester, verbs.offer, send(tester, b"\xff" * 30)) == "cbor-form"
    for args in ((0, "zz"), (0, ""), (0, "ab" * 201), (16, "ab"), ("x", "ab"), (-1, "ab")):
        assert ask(tester, verbs.part, *args) == "bad-arguments", args
    for words in ("xyz", "", "0011223344"):
        assert ask(tester, verbs.offer, words) == "bad-arguments"
    send(tester, bytes(3000))
    assert ask(tester, verbs.offer, f"{binascii.crc32(bytes(3000)):08x}") == "bad-check-sum"
    assert tester.offer is None and tester.store.calibration.load() is None


def check_no_offer_without_a_ledger_or_during_a_test():
    tester = FakeTester()
    check_sum = send(tester, cbor.dumps(new_set("c-1", None)))
    tester.store.full = True
    assert ask(tester, verbs.offer, check_sum) == "ledger"
    tester.store.full = False
    asyncio.run(tester.measuring.acquire())
    assert ask(tester, verbs.offer, check_sum) == "busy"
    tester.measuring.release()
    assert ask(tester, verbs.offer, check_sum)["state"] == "offered"


def check_the_answer_fits_a_reply():
    from probecore import frames

    tester = FakeTester()
    take(tester.store, tester.in_force, new_set("c" * 24, None))
    take(tester.store, tester.in_force, new_set("d" * 24, "c" * 24))
    answer = ask(tester, verbs.read)
    assert answer["in_force"]["id"] == "d" * 24 and answer["before"]["id"] == "c" * 24
    assert "report" not in answer["before"] and answer["version"] == 2 and answer["damaged_slots"] == 0
    assert len(frames.encode_reply("R", 1, cbor.dumps(answer))) < frames.MAX_REPLY_BYTES


def check_days():
    # GNU date: date -u -d @N +%F
    for seconds, day in (
        (0, "1970-01-01"),
        (951782400, "2000-02-29"),
        (1077926400, "2004-02-28"),
        (1795593600, "2026-11-25"),
        (1827129600, "2027-11-25"),
        (4102444799, "2099-12-31"),
    ):
        assert offers.day(seconds) == day, (seconds, offers.day(seconds))


def check_the_same_numbers_can_be_offered_again():
    tester = FakeTester()
    data = cbor.dumps(new_set("c-1", None))
    check_sum = send(tester, data)
    ask(tester, verbs.offer, check_sum)
    tester.offer.state = "refused"
    assert ask(tester, verbs.offer, check_sum)["state"] == "refused"
    send(tester, data)
    assert ask(tester, verbs.offer, check_sum)["state"] == "offered"
