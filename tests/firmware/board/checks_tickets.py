"""Checks of tickets and mark on the tester: a new list replaces the old in one write, whatever happens meanwhile."""

import asyncio
import binascii

from nor_chip import NorChip, PowerCut, Wires

from ledger import volume
from ledger.nostore import NoStore
from link import offering
from link import tickets as verbs
from parts.norflash import NorFlash
from probecore import tickets as lists
from probecore.errors import ProbeError
from tester import tickets

MONDAY = [(f"M-{number}", f"range {number}") for number in range(1, 25)]
TUESDAY = [("T-1", "wall oven, upper"), ("T-2", "")]


class FakeTester:
    def __init__(self, chip):
        chip.power_on()
        wires = Wires(chip)
        identity = ("pl-0000aa", "0.1.0", lambda: 1234, lambda: None)
        self.store = volume.open_store(lambda: NorFlash(wires, wires.select), identity)
        self.settings = self.store.settings.load() or {}
        self.quiet = asyncio.Lock()
        self.offer = None
        self.offer_parts = []


def take(tester, listed):
    return asyncio.run(tickets.take(tester, lists.dump(listed)))


def refusal(action, *args):
    try:
        action(*args)
    except ProbeError as error:
        assert error.message.endswith("."), error.message
        return error.code
    return None


def check_a_list_replaces_the_one_before_and_outlives_the_power():
    chip = NorChip(64)
    tester = FakeTester(chip)
    assert tickets.kept(tester.store) == [] and tickets.mark(tester.store) is None
    assert take(tester, MONDAY) == 24 and tickets.kept(tester.store) == MONDAY
    assert tickets.kept(FakeTester(chip).store) == MONDAY
    assert take(tester, TUESDAY) == 2
    assert tickets.kept(FakeTester(chip).store) == TUESDAY and tickets.damaged(tester.store) == 0


def check_a_cut_at_every_operation():
    """The old list or the new one, whole."""
    for old, new in ((MONDAY, TUESDAY), (TUESDAY, MONDAY)):
        chip = NorChip(64)
        take(FakeTester(chip), old)
        whole = bytes(chip.memory)
        found = []
        ended = False
        while not ended:
            chip.memory[:] = whole
            tester = FakeTester(chip)
            chip.cut_at = chip.operations + len(found)
            try:
                take(tester, new)
                ended = True
            except PowerCut:
                pass
            chip.cut_at = None
            held = tickets.kept(FakeTester(chip).store)
            assert held in (old, new), (len(found), held)
            found.append(held == new)
        print("cuts", len(found), sum(found))
        assert len(found) > 3 and found[-1] and not found[0] and found.count(False) > 1


def check_damage_leaves_the_list_before():
    chip = NorChip(64)
    tester = FakeTester(chip)
    take(tester, MONDAY)
    take(tester, TUESDAY)
    slots = tester.store.place("tickets")
    with open(f"/ledger/tickets.{slots._slot}", "wb") as file:
        file.write(b"nothing")
    tester = FakeTester(chip)
    assert tickets.kept(tester.store) == MONDAY and tickets.damaged(tester.store) == 1


def check_the_mark_is_a_setting():
    chip = NorChip(64)
    tester = FakeTester(chip)
    tester.store.change_settings("fahrenheit", True)
    asyncio.run(tickets.take_mark(tester, "KM"))
    assert tester.settings["mark"] == "KM"
    tester = FakeTester(chip)
    assert tickets.mark(tester.store) == "KM" and tester.settings["fahrenheit"] is True
    assert refusal(asyncio.run, tickets.take_mark(tester, "1234567890123")) == "bad-mark"
    assert tickets.mark(tester.store) == "KM"
    asyncio.run(tickets.take_mark(tester, ""))
    assert tickets.mark(FakeTester(chip).store) is None


def check_without_a_ledger_it_is_said():
    tester = FakeTester(NorChip(64))
    tester.store = NoStore("The flash does not answer.")
    assert tickets.kept(tester.store) == []
    assert refusal(take, tester, TUESDAY) == "ledger-none"
    assert refusal(asyncio.run, tickets.take_mark(tester, "KM")) == "ledger-none"


def check_over_the_link():
    chip = NorChip(64)
    tester = FakeTester(chip)

    def ask(verb, *args):
        return asyncio.run(verb(tester, args))

    def send(listed, spoil=0):
        data = lists.dump(listed)
        for number in range(0, len(data), 200):
            ask(offering.part, str(number // 200), binascii.hexlify(data[number : number + 200]).decode())
        return ask(verbs.listed, "%08x" % (binascii.crc32(data) ^ spoil))

    answer = send(MONDAY)
    assert answer["tickets"] == [list(ticket) for ticket in MONDAY] and answer["mark"] is None
    # Asked again, as the answer was lost: the same is told and nothing is written.
    again = ask(verbs.listed, f"{binascii.crc32(lists.dump(MONDAY)):08x}")
    assert again["tickets"] == answer["tickets"]
    assert tester.store.place("tickets").version == 1
    assert refusal(send, TUESDAY, 1) == "bad-check-sum"
    assert tickets.kept(tester.store) == MONDAY
    assert refusal(send, [("T 1", "")]) == "bad-tickets" and tickets.kept(tester.store) == MONDAY
    assert refusal(ask, verbs.listed, "nonsense") == "bad-arguments"
    assert ask(verbs.mark, binascii.hexlify(b"K.M.").decode()) == {"mark": "K.M."} == ask(verbs.mark)
    assert refusal(ask, verbs.mark, "ff") == "bad-arguments" and refusal(ask, verbs.mark, "") == "bad-arguments"
    assert ask(verbs.listed)["mark"] == "K.M." and ask(verbs.mark, "-") == {"mark": None}
