"""Checks of the curves and limits that a tester keeps: one act each, two slots, a record that holds all of it."""

import asyncio
import binascii
import math
from array import array

from nor_chip import NorChip, PowerCut, Wires

from ledger import volume
from link import offering as verbs
from parts.norflash import NorFlash
from probecore import cbor, definition, limits, record
from probecore.errors import ProbeError, RangeError
from tester import offer as offers
from tester import shelf

DATE = 1795593600  # 2026-11-25 08:00:00 UTC (GNU date)


class Uptime:
    now_ms = 0

    def ms(self):
        return self.now_ms


class FakeTester:
    """What the shelf and the verbs work with, as after a start of the tester."""

    def __init__(self, chip):
        chip.power_on()
        wires = Wires(chip)
        identity = ("pl-0000aa", "0.1.0", lambda: 1234, lambda: DATE)
        self.store = volume.open_store(lambda: NorFlash(wires, wires.select), identity)
        self.settings = self.store.settings.load() or {}
        self.notes = []
        self.quiet = asyncio.Lock()
        self.measuring = asyncio.Lock()
        self.uptime = Uptime()
        self.offer = None
        self.offer_parts = []
        self.refusing = False
        shelf.begin(self)
        asyncio.run(shelf.finish(self))
        self.store.append("boot", {"notes": self.notes}, None)

    async def keep(self, kind, body):
        if self.refusing:
            raise ProbeError("ledger-failed", "The record cannot be written.")
        return self.store.append(kind, body, None)


def thermistor(name, beta_kelvin=3977.0, count=12):
    """Return the definition of a thermistor of 10 kohm at 25 degC from -30 to 120 degC or so, as bytes."""
    x, celsius, slopes = array("f"), array("f"), array("f")
    for index in range(count):
        log_ohms = 6.2 + 6 * index / (count - 1)
        kelvin = 1 / (1 / 298.15 + (log_ohms - math.log(10000.0)) / beta_kelvin)
        x.append(log_ohms)
        celsius.append(kelvin - 273.15)
        slopes.append(-kelvin * kelvin / beta_kelvin)
    zero_ohms = 10000.0 * math.exp(beta_kelvin * (1 / 273.15 - 1 / 298.15))
    made = {"v": 1, "form": "ladder", "name": name, "falls": True, "r0_celsius": 0.0, "r0_ohms": zero_ohms}
    made["knots"] = bytes(x) + bytes(celsius) + bytes(slopes)
    return cbor.dumps(made)


def platinum(name, r0_ohms=1000.0):
    numbers = {"r0_ohms": r0_ohms, "a": 3.9083e-3, "b": -5.775e-7, "c": -4.183e-12}
    numbers.update({"v": 1, "form": "platinum", "name": name, "low_celsius": -40.0, "high_celsius": 300.0})
    return cbor.dumps(numbers)


def profile(name, **changes):
    made = dict(limits.DOMESTIC_1000)
    made.update(changes, name=name)
    return cbor.dumps(made)


def take(tester, kind, data, use=True):
    return asyncio.run(shelf.take(tester, kind, data, use))


def choose(tester, act, kind, name, wanted):
    return asyncio.run(shelf.choose(tester, {"act": act, "kind": kind, "name": name, "id": wanted}))


def bodies(tester, kind):
    values = [record.decode(item) for _, item in tester.store.read(1, 1000)]
    return [value["body"] for value in values if value["kind"] == kind]


def refusal(action, *args):
    """Return the code of a ProbeError, None where there is none."""
    try:
        action(*args)
    except ProbeError as error:
        return error.code
    return None


def check_a_curve_is_taken_kept_and_used():
    chip = NorChip(64)
    tester = FakeTester(chip)
    assert tester.curve.name == "pt1000-3850" and tester.curve_id is None and tester.lost is None
    data = thermistor("drawer")
    sequence = take(tester, "curve", data)
    wanted = definition.identity(data)
    assert len(wanted) == 8 and tester.curve.name == "drawer" and tester.curve_id == wanted
    # By the Beta equation itself
    assert abs(tester.curve.celsius(10000.0) - 25.0) < 0.05
    assert abs(tester.curve.ohms(0.0) / 33900.4 - 1) < 2e-3 and tester.curve.ohms_per_celsius(25.0) < -400
    (body,) = bodies(tester, "curve")
    assert body["act"] == "taken" and body["id"] == wanted and body["use"] is True and sequence == 2
    assert cbor.dumps(body["definition"]) == data
    for _ in range(2):
        tester = FakeTester(chip)
        assert tester.curve.name == "drawer" and tester.curve_id == wanted and tester.notes == []
        assert len(bodies(tester, "curve")) == 1


def check_limits_are_taken_and_one_that_is_not_used_changes_nothing():
    chip = NorChip(64)
    tester = FakeTester(chip)
    take(tester, "limits", profile("narrow", ambient_celsius=2.0), False)
    assert tester.limits["name"] == "domestic-1000" and tester.limits_id is None
    tester = FakeTester(chip)
    ((name, wanted, data),) = shelf.kept(tester.store, "limits")
    assert name == "narrow" and tester.limits_id is None
    choose(tester, "choose", "limits", name, wanted)
    tester = FakeTester(chip)
    assert tester.limits["ambient_celsius"] == 2.0 and tester.limits_id == wanted
    taken, chosen = bodies(tester, "limits")
    assert taken["use"] is False and chosen["act"] == "chosen" and chosen["before"] == "domestic-1000"
    choose(tester, "choose", "limits", "domestic-1000", None)
    assert tester.limits["name"] == "domestic-1000" and FakeTester(chip).limits_id is None


def check_a_cut_at_every_operation():
    """The old curve or the new one, in use as the person said, and never one without its record."""
    for use in (True, False):
        chip = NorChip(64)
        tester = FakeTester(chip)
        old, new = platinum("shop", 1001.0), platinum("shop", 1002.0)
        take(tester, "curve", old, use)
        whole = bytes(chip.memory)
        outcomes = {}
        cut = -1
        ended = False
        while not ended:
            cut += 1
            chip.memory[:] = whole
            tester = FakeTester(chip)
            chip.cut_at = chip.operations + cut
            try:
                take(tester, "curve", new, use)
                ended = True
            except PowerCut:
                pass
            chip.cut_at = None
            tester = FakeTester(chip)
            assert tester.lost is None and tester.notes == [], (cut, tester.lost)
            ((name, wanted, data),) = shelf.kept(tester.store, "curve")
            assert name == "shop" and data in (old, new)
            outcomes[data == new] = outcomes.get(data == new, 0) + 1
            ids = [body["id"] for body in bodies(tester, "curve") if body["act"] == "taken"]
            assert wanted in ids and wanted == definition.identity(data)
            assert ids[0] == definition.identity(old) and (data == old or ids[-1] == wanted), (cut, ids)
            if use:
                assert tester.curve_id == wanted and tester.curve.r0_ohms == (1002.0 if data == new else 1001.0)
            else:
                assert tester.curve_id is None and tester.curve.name == "pt1000-3850"
        print("cuts", cut, outcomes)
        assert cut > 8 and outcomes[True] > 1 and outcomes[False] > 0


def check_a_cut_at_every_operation_of_a_choice():
    """What was in use or what was chosen; one that was dropped is there or gone."""
    chip = NorChip(64)
    tester = FakeTester(chip)
    take(tester, "curve", platinum("one", 1001.0), True)
    take(tester, "curve", platinum("two", 1002.0), False)
    one, two = [entry[1] for entry in shelf.kept(tester.store, "curve")]
    whole = bytes(chip.memory)
    for act, name, wanted in (("choose", "two", two), ("choose", "pt1000-3750", None), ("drop", "two", two)):
        outcomes = set()
        cut = -1
        ended = False
        while not ended:
            cut += 1
            chip.memory[:] = whole
            tester = FakeTester(chip)
            chip.cut_at = chip.operations + cut
            try:
                choose(tester, act, "curve", name, wanted)
                ended = True
            except PowerCut:
                pass
            chip.cut_at = None
            tester = FakeTester(chip)
            assert tester.lost is None and tester.notes == [], (act, cut, tester.lost)
            names = [entry[0] for entry in shelf.kept(tester.store, "curve")]
            if act == "choose":
                assert names == ["one", "two"]
                assert (tester.curve.name, tester.curve_id) in (("one", one), (name, wanted)), (cut, tester.curve.name)
                outcomes.add(tester.curve.name)
            else:
                assert tester.curve_id == one
                outcomes.add(len(names))
        assert cut > 2 and len(outcomes) == 2, (act, cut, outcomes)


def check_one_of_the_same_name_takes_the_place_and_the_use():
    chip = NorChip(64)
    tester = FakeTester(chip)
    take(tester, "curve", platinum("shop", 1001.0), True)
    take(tester, "curve", platinum("shop", 1002.0), False)
    assert tester.curve.r0_ohms == 1002.0
    tester = FakeTester(chip)
    assert len(shelf.kept(tester.store, "curve")) == 1 and tester.curve.r0_ohms == 1002.0


def check_a_torn_slot_leaves_the_old_one():
    chip = NorChip(64)
    tester = FakeTester(chip)
    old, new = platinum("shop", 1001.0), platinum("shop", 1002.0)
    take(tester, "curve", old, True)
    slots = tester.store.place("curve-0")
    stored = {"id": definition.identity(new), "definition": new, "use": True, "recorded": False}
    slots.save(stored)
    path = f"/ledger/curve-0.{slots._slot}"
    with open(path, "rb") as file:
        data = file.read()
    with open(path, "wb") as file:
        file.write(data[: len(data) // 2])
    tester = FakeTester(chip)
    assert tester.curve.r0_ohms == 1001.0 and tester.lost is None and tester.curve_id == definition.identity(old)
    assert len(bodies(tester, "curve")) == 1 and shelf.damaged(tester.store, "curve") == 1


def spoil(store, name):
    """Change one bit in both slots of a name."""
    for slot in (0, 1):
        path = f"/ledger/{name}.{slot}"
        with open(path, "rb") as file:
            data = bytearray(file.read())
        data[30] ^= 4
        with open(path, "wb") as file:
            file.write(data)


def check_one_that_is_lost_is_never_replaced_quietly():
    chip = NorChip(64)
    tester = FakeTester(chip)
    take(tester, "curve", thermistor("drawer"))
    spoil(tester.store, "curve-0")
    tester = FakeTester(chip)
    assert "drawer" in tester.lost and tester.notes == [tester.lost] and tester.curve_id is None
    choose(tester, "choose", "curve", "pt1000-3850", None)
    assert tester.lost is None
    take(tester, "curve", thermistor("drawer"))
    assert tester.lost is None and tester.curve.name == "drawer"


def check_damage_to_one_of_two_slots_does_no_harm():
    chip = NorChip(64)
    tester = FakeTester(chip)
    take(tester, "curve", thermistor("drawer"))
    slots = tester.store.place("curve-0")
    path = f"/ledger/curve-0.{slots._slot}"
    with open(path, "wb") as file:
        file.write(b"nothing")
    tester = FakeTester(chip)
    assert tester.lost is None and tester.curve.name == "drawer"


def check_a_record_that_fails_changes_nothing():
    chip = NorChip(64)
    tester = FakeTester(chip)
    take(tester, "curve", platinum("shop", 1001.0))
    tester.refusing = True
    assert refusal(take, tester, "curve", platinum("shop", 1002.0)) == "ledger-failed"
    assert refusal(take, tester, "limits", profile("narrow")) == "ledger-failed"
    assert refusal(choose, tester, "choose", "curve", "pt100-3850", None) == "ledger-failed"
    tester = FakeTester(chip)
    assert tester.curve.r0_ohms == 1001.0 and tester.limits_id is None
    assert len(bodies(tester, "curve")) == 1 and bodies(tester, "limits") == []
    assert shelf.kept(tester.store, "limits") == []


def check_a_flash_that_is_nearly_full():
    """What settings and calibration need is left to them, whatever is sent."""
    chip = NorChip(64)
    tester = FakeTester(chip)
    taken = 0
    code = None
    while code is None:
        try:
            for _ in range(8):
                tester.store.append("probe", {"text": 900 * "x"}, None)
        except ProbeError as error:
            assert error.code == "ledger-full"
            break
        code = refusal(take, tester, "curve", thermistor("drawer", 3900.0 + taken, 140), False)
        taken += code is None
    assert taken > 3 and (code == "ledger" or tester.store.full)
    tester.store.change_settings("fahrenheit", True)
    tester.store.calibration.save({"id": "c-1", "report": 1500 * "x"})
    tester = FakeTester(chip)
    assert tester.settings["fahrenheit"] is True and len(shelf.kept(tester.store, "curve")) == 1


def check_full_places_and_dropping():
    chip = NorChip(64)
    tester = FakeTester(chip)
    names = ["one", "two", "three", "four"]
    for name in names:
        take(tester, "curve", platinum(name), False)
    assert refusal(shelf.check, tester, "curve", platinum("five")) == "shelf-full"
    assert refusal(take, tester, "curve", platinum("five")) == "shelf-full"
    take(tester, "curve", platinum("two", 1002.0), True)
    two = tester.curve_id
    assert refusal(choose, tester, "drop", "curve", "two", two) == "in-use"
    three = [entry[1] for entry in shelf.kept(tester.store, "curve") if entry[0] == "three"][0]
    choose(tester, "drop", "curve", "three", three)
    tester = FakeTester(chip)
    assert sorted(entry[0] for entry in shelf.kept(tester.store, "curve")) == ["four", "one", "two"]
    assert bodies(tester, "curve")[-1]["act"] == "dropped"
    take(tester, "curve", platinum("five"), False)
    assert len(shelf.kept(tester.store, "curve")) == 4
    for name in ("a", "b", "c"):
        take(tester, "limits", profile(name), False)
    assert refusal(take, tester, "limits", profile("d")) == "shelf-full"


def check_what_is_not_taken():
    tester = FakeTester(NorChip(64))
    for kind, data, code in (
        ("curve", platinum("pt100-3850"), "definition-name"),
        ("curve", platinum(""), "definition-name"),
        ("curve", platinum("x" * 41), "definition-name"),
        ("curve", platinum("a\nb"), "definition-name"),
        ("curve", platinum("turned", -1000.0), "curve-damaged"),
        ("curve", platinum("no number", float("nan")), "curve-damaged"),
        ("curve", thermistor("few", 3977.0, 12)[:-4], "cbor-damaged"),
        ("curve", thermistor("many", 3977.0, 151), "curve-damaged"),
        ("curve", thermistor("large", 3977.0, 160), "definition-size"),
        ("curve", cbor.dumps([1]), "definition-damaged"),
        ("curve", cbor.dumps({"name": "x", "v": 2, "form": "ladder"}), "curve-form"),
        ("curve", cbor.dumps({"name": "x", "v": 1, "form": "spline"}), "curve-form"),
        ("limits", profile("domestic-1000"), "definition-name"),
        ("limits", profile("zero", isolation_ohms=0.0), "limits-value"),
        ("limits", profile("order", window_low_ohms=2000.0), "limits-order"),
    ):
        assert refusal(shelf.check, tester, kind, data) == code, (code, refusal(shelf.check, tester, kind, data))
    for choice in (
        {},
        {"act": "choose", "kind": "limits", "name": 3, "id": None},
        {"act": "burn", "kind": "limits", "name": "domestic-1000", "id": None},
        {"act": "choose", "kind": "calibration", "name": "x", "id": None},
    ):
        assert refusal(shelf.check_choice, tester, choice) == "bad-choice"
    for choice in (("choose", "nothing", None), ("choose", "pt1000-3850", "00000000"), ("drop", "pt1000-3850", None)):
        choice = {"act": choice[0], "kind": "curve", "name": choice[1], "id": choice[2]}
        assert refusal(shelf.check_choice, tester, choice) == "unknown-curve", choice


def check_knots_that_make_no_curve():
    data = cbor.loads(thermistor("x"))
    whole = data["knots"]
    assert definition.of_map("curve", data).high_celsius > 100
    for at in range(0, len(whole), 4):
        knots = bytearray(whole)
        knots[at + 3] ^= 0x80  # the sign of one number
        data["knots"] = bytes(knots)
        code = refusal(definition.of_map, "curve", data)
        # Only the temperature at which the sign makes no step the wrong way may pass: there is none.
        assert code == "curve-damaged", at
    for knots in (b"", whole[:-4], whole[:12], bytes(len(whole))):
        data["knots"] = knots
        assert refusal(definition.of_map, "curve", data) == "curve-damaged"


def check_nothing_outside_the_range():
    curve = definition.read("curve", thermistor("x"))
    for ohms in (0.0, -1.0, float("nan"), float("inf"), curve.high_ohms * 0.99, curve.low_ohms * 1.01):
        try:
            curve.celsius(ohms)
        except RangeError:
            continue
        raise AssertionError(ohms)
    assert curve.celsius(curve.low_ohms * 1.0003) == curve.low_celsius
    for celsius in (curve.low_celsius - 0.01, curve.high_celsius + 0.01, float("nan")):
        try:
            curve.ohms(celsius)
        except RangeError:
            continue
        raise AssertionError(celsius)


def ask(tester, verb, *args):
    """Ask a verb. Returns its answer, or the code of its refusal."""
    try:
        return asyncio.run(verb(tester, [str(arg) for arg in args]))
    except ProbeError as error:
        return error.code


def send(tester, data):
    for number in range(0, len(data), 200):
        ask(tester, verbs.part, number // 200, binascii.hexlify(data[number : number + 200]).decode())
    return f"{binascii.crc32(data):08x}"


def check_an_offer_of_each_kind():
    tester = FakeTester(NorChip(64))
    choice = cbor.dumps({"act": "choose", "kind": "curve", "name": "pt1000-3750", "id": None})
    for kind, data, said in (
        ("curve", thermistor("drawer"), ["New curve:", "drawer"]),
        ("limits", profile("shop"), ["New limits:", "shop"]),
        ("choice", choice, ["Work with curve:", "pt1000-3750"]),
    ):
        check_sum = send(tester, data)
        assert ask(tester, verbs.offer, kind, check_sum) == {"state": "offered", "record": None, "message": None}
        assert list(tester.offer.lines)[:2] == said and tester.offer.kind == kind and not tester.offer.use
        assert ask(tester, verbs.offer, "curve", send(tester, platinum("other"))) == "busy"
        tester.uptime.now_ms += 60001
        assert ask(tester, verbs.offer, kind, check_sum)["state"] == "expired"
    assert "10 kohm at 25 C" in " ".join(_lines(tester, "curve", thermistor("drawer"), True))
    assert tester.offer.use and tester.offer.lines[0] == "New curve, to use:"
    assert bodies(tester, "curve") == [] and shelf.kept(tester.store, "curve") == []


def _lines(tester, kind, data, use):
    tester.offer = None
    answer = ask(tester, verbs.offer, kind, send(tester, data), "use")
    assert answer["state"] == "offered", answer
    return tester.offer.lines


def check_damaged_and_senseless_offers():
    tester = FakeTester(NorChip(64))
    data = thermistor("drawer")
    for at in range(0, len(data), 17):
        check_sum = f"{binascii.crc32(data):08x}"
        send(tester, data[:at] + bytes([data[at] ^ 1]) + data[at + 1 :])
        assert ask(tester, verbs.offer, "curve", check_sum) == "bad-check-sum"
    assert ask(tester, verbs.offer, "curve", send(tester, platinum("pt100-3850"))) == "definition-name"
    assert ask(tester, verbs.offer, "limits", send(tester, data)) == "limits-key"
    assert ask(tester, verbs.offer, "choice", send(tester, data)) == "bad-choice"
    assert ask(tester, verbs.offer, "choice", send(tester, cbor.dumps(3))) == "bad-choice"
    check_sum = send(tester, data)
    assert ask(tester, verbs.offer, "firmware", check_sum) == "bad-arguments"
    assert ask(tester, verbs.offer, "curve", check_sum, "abuse") == "bad-arguments"
    assert ask(tester, verbs.offer, "choice", check_sum, "use") == "bad-arguments"
    tester.store.full = True
    assert ask(tester, verbs.offer, "curve", check_sum) == "ledger"
    tester.store.full = False
    asyncio.run(tester.measuring.acquire())
    assert ask(tester, verbs.offer, "curve", check_sum) == "busy"
    tester.measuring.release()
    assert tester.offer is None and ask(tester, verbs.offer, "curve", check_sum)["state"] == "offered"


def check_what_the_tester_holds():
    from probecore import frames

    tester = FakeTester(NorChip(64))
    for number in range(4):
        take(tester, "curve", thermistor(38 * "0" + f" {number}", 3977.0, 140), number == 2)
    for number in range(3):
        take(tester, "limits", profile(38 * "0" + f" {number}"), False)
    answer = ask(tester, verbs.holds)
    assert answer["lost"] is None and answer["curve"]["places"] == 4 and answer["limits"]["places"] == 3
    assert len(answer["curve"]["kept"]) == 4 and answer["limits"]["name"] == "domestic-1000"
    name, wanted, size = answer["curve"]["kept"][2]
    assert (
        answer["curve"]["name"] == name
        and answer["curve"]["id"] == wanted
        and "pt100-3850" in answer["curve"]["built_in"]
    )
    assert len(frames.encode_reply("R", 1, cbor.dumps(answer))) < frames.MAX_REPLY_BYTES
    one = ask(tester, verbs.holds, "curve", wanted)
    assert one["definition"] == thermistor(name, 3977.0, 140) and size == len(one["definition"])
    assert len(frames.encode_reply("R", 1, cbor.dumps(one))) < frames.MAX_REPLY_BYTES
    assert ask(tester, verbs.holds, "curve", "00000000") == "unknown-curve"
    assert (
        ask(tester, verbs.holds, "curve") == "bad-arguments"
        and ask(tester, verbs.holds, "x", wanted) == "bad-arguments"
    )


def check_a_tester_without_a_ledger():
    chip = NorChip(64)
    tester = FakeTester(chip)
    from ledger.nostore import NoStore

    tester.store = NoStore("No flash.")
    shelf.begin(tester)
    assert tester.lost is None and tester.curve.name == "pt1000-3850" and tester.limits["name"] == "domestic-1000"
    assert ask(tester, verbs.holds)["curve"]["kept"] == []
    assert ask(tester, verbs.offer, "curve", send(tester, platinum("x"))) == "ledger"
    assert offers.WAIT_MS == 60000
