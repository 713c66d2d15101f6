"""Cut the power of a scripted day at each program or erase operation, and look at what is left.

    micropython cutting.py FIRMWARE_FOLDER CHIP_FOLDER FIRST LAST STEP SEED [again | living]

The day is lived once, while each operation on the flash and each thing reported as done is written down. As nothing in
it depends on chance, the flash before operation k is exactly what the first k - 1 operations leave; so operation k is
torn on that image, and the tester starts on it: the driver, littlefs and the store as they are on the board. Then the
image is put back and the next cut made. This is what a cut in the living run would leave, without living it again.

With "again", the power fails a second time at each operation of the start that follows the cut. With "living", the day
is lived anew up to each cut, and the image compared with the one from the log.

FIRST, LAST and STEP choose the cuts, counted from 1 (LAST 0: to the end). Prints "operations N records R", one line for
each cut that lost something, "second cuts S losses L" or "living L unlike U" where asked for, and "cuts C losses L".
"""

import gc
import sys

sys.path[:0] = [sys.argv[0].rsplit("/", 1)[0], sys.argv[2], sys.argv[1]]

import day  # noqa: E402
from nor_chip import NorChip, PowerCut  # noqa: E402

from probecore import record  # noqa: E402


class Truth:
    """What the screen and the link had reported as done before an operation."""

    def __init__(self, shown, coming):
        """shown: map of the last values; coming: what is reported next, as (what, value, first), or None."""
        self.saved = shown["saved"]
        self.confirmed = shown["confirmed"]
        self.first = shown["first"]
        self.first_after = coming[2] if coming else self.first
        self.may_be = {}
        for what in ("calibrated", "unit", "confirmed"):
            self.may_be[what] = [shown[what]]
            if coming and coming[0] == what:
                self.may_be[what].append(coming[1])


def live_once():
    """Return (operations, events, digests): the log, what was reported when, and each record's digest by number."""
    chip = NorChip(day.SECTORS, sfdp=True)
    operations = []
    chip.observer = lambda command, address, data: operations.append((command, address, bytes(data)))
    events = []
    digests = {}

    def tell(what, value, store):
        events.append((len(operations), what, value, store.first))
        if what == "saved":
            digests[value] = store.head

    day.live(chip, tell)
    return operations, events, digests


def check(found, wanted, what):
    if not found:
        raise AssertionError(what % wanted)


def walk(store, digests):
    """Read all that is there: numbers rise by one, each has the digest of the one before. Returns digests by number."""
    seen = {}
    previous = None
    for sequence, item in store.read(1, 100000):
        digest = record.digest(item)
        # What was shown as saved is compared with the very bytes; the chain of these was looked at when they were made.
        if digests.get(sequence) != digest:
            value = record.decode(item)
            check(value["seq"] == sequence, sequence, "record %d carries another number")
            check(previous is None or value["prev"] == previous, sequence, "the chain breaks before record %d")
        check(previous is None or sequence - 1 in seen, sequence, "the record before %d is missing")
        seen[sequence] = digest
        previous = digest
    return seen


def inspect(chip, truth, digests):
    """Start on what the cut left, and compare it with what had been reported. Raises AssertionError with the reason."""
    store = day.start(chip)
    check(store.last in (truth.saved, truth.saved + 1), (store.last, truth.saved), "last record %d, %d shown as saved")
    check(truth.first <= store.first <= truth.first_after or not truth.first, store.first, "first record is %d")
    compare(store, truth, digests)
    value = (store.calibration.load() or {}).get("id")
    wanted = [None if number is None else f"c-{number}" for number in truth.may_be["calibrated"]]
    check(value in wanted, (value, wanted), "calibration is %s instead of %s")
    unit = (store.settings.load() or {}).get("unit")
    check(unit in truth.may_be["unit"], (unit,), "unit is %s")
    check(store.confirmed in truth.may_be["confirmed"], store.confirmed, "confirmed is %d")
    # The next record can be written, and what a further start sees is the same.
    sequence = store.last + 1
    check(store.append("boot", day.boot_body(store)) == sequence, sequence, "record %d got another number")
    head = store.head
    compare(store, truth, digests)
    again = day.start(chip)
    check((again.last, again.head) == (sequence, head), (again.last, sequence), "started again at %d instead of %d")
    seen = compare(again, truth, digests)
    check(seen.get(sequence) == head, sequence, "record %d is another after a start")
    check(again.boot == store.boot + 1, again.boot, "boot number is %d")
    check((again.calibration.load() or {}).get("id") == value, (value,), "calibration is no longer %s")


def compare(store, truth, digests):
    seen = walk(store, digests)
    # What the shop has not confirmed is never removed; what it has only together with all that is older.
    for sequence in range(max(min(store.first, truth.confirmed + 1), 1), truth.saved + 1):
        check(sequence in seen, sequence, "record %d is lost")
        check(seen[sequence] == digests[sequence], sequence, "record %d is another")
    return seen


def truths(count, events):
    """Return what had been reported before each operation, by its number from 1."""
    shown = {"saved": 0, "confirmed": 0, "calibrated": None, "unit": None, "first": 0, "boot": 0}
    found = [None]
    at = 0
    for number in range(1, count + 1):
        # An event that was told after `done` operations holds for the cut at each later one.
        while at < len(events) and events[at][0] < number:
            shown[events[at][1]] = events[at][2]
            shown["first"] = events[at][3]
            at += 1
        found.append(Truth(shown, events[at][1:] if at < len(events) else None))
    return found


def second_cuts(chip, truth, digests):
    """Cut the power again at each operation that a start and its first record make. Returns (cuts, losses)."""
    operations = []
    chip.observer = lambda command, address, data: operations.append((command, address, bytes(data)))
    keep = chip.journal
    chip.journal = []
    seed = chip.seed
    store = day.start(chip)
    # The start's own record, if the cut is behind it, counts as well.
    before_record = len(operations)
    store.append("boot", day.boot_body(store))
    chip.observer = None
    chip.undo()
    losses = 0
    for number in range(len(operations)):
        # What the bits between the two states give is drawn anew, so that both starts see the same.
        chip.seed = seed
        chip.journal = []
        for command, address, data in operations[:number]:
            chip.apply(command, address, data)
        chip.tear(*operations[number])
        try:
            inspect(chip, truth, digests) if number < before_record else inspect_after(chip, truth, digests)
        except Exception as error:
            losses += 1
            print("  second cut", number + 1, type(error).__name__, error)
        chip.undo()
    chip.journal = keep
    return len(operations), losses


def inspect_after(chip, truth, digests):
    """As `inspect`, where the record of the start may stand behind one that the first cut left whole."""
    store = day.start(chip)
    check(store.last - truth.saved in (0, 1, 2), (store.last, truth.saved), "last record %d, %d shown as saved")
    compare(store, truth, digests)
    sequence = store.append("boot", day.boot_body(store))
    again = day.start(chip)
    check((again.last, again.head) == (sequence, store.head), (again.last, sequence), "started again at %d, not %d")
    compare(again, truth, digests)


def is_alike(chip, number):
    """Cut the living day at an operation, and tell whether it leaves what the log says: `chip` was torn there."""
    living = NorChip(day.SECTORS, sfdp=True)
    living.seed = seed_of(number)
    living.cut_at = number - 1
    try:
        day.live(living, lambda what, value, store: None)
    except PowerCut:
        return living.memory == chip.memory and sorted(living.unstable.items()) == sorted(chip.unstable.items())
    raise AssertionError("the living day was not cut")


def seed_of(number):
    return int(sys.argv[6]) * 7919 + number


def main():
    first, last, step = [int(argument) for argument in sys.argv[3:6]]
    twice = "again" in sys.argv
    living = "living" in sys.argv
    unlike = 0
    operations, events, digests = live_once()
    print("operations", len(operations), "records", len(digests))
    known = truths(len(operations), events)
    chip = NorChip(day.SECTORS, sfdp=True)
    cuts = losses = second = second_losses = 0
    last = min(last or len(operations), len(operations))
    for number in range(1, last + 1):
        if number >= first and (number - first) % step == 0:
            chip.journal = []
            chip.seed = seed_of(number)
            chip.tear(*operations[number - 1])
            cuts += 1
            try:
                if living and not is_alike(chip, number):
                    unlike += 1
                if twice:
                    found = second_cuts(chip, known[number], digests)
                    second += found[0]
                    second_losses += found[1]
                inspect(chip, known[number], digests)
            except Exception as error:
                losses += 1
                print("cut", number, type(error).__name__, error)
                if first == last:
                    sys.print_exception(error)
            chip.undo()
            chip.journal = None
            gc.collect()
        chip.apply(*operations[number - 1])
    if twice:
        print("second cuts", second, "losses", second_losses)
    if living:
        print("living", cuts, "unlike", unlike)
    print("cuts", cuts, "losses", losses)


main()
