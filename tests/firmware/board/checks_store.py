"""Checks of the ledger on the real littlefs, over the flash driver and a chip double."""

import os

import vfs
from nor_chip import NorChip, PowerCut, Wires

from ledger import segments, volume
from ledger.slots import Slots
from ledger.store import LedgerError
from parts import sfdp  # held: once another file system stands at the root, no file of the firmware can be read
from parts.norflash import FlashBlocks, NorFlash
from probecore import record
from probecore.errors import StoredDataError

TESTER = "pl-0000aa"
HELD = (sfdp,)


def opener(chip):
    wires = Wires(chip)
    return lambda: NorFlash(wires, wires.select)


def start(chip, time=None):
    """Do what a start of the tester does with the ledger."""
    chip.power_on()
    return volume.open_store(opener(chip), (TESTER, "0.1.0", lambda: 1234, lambda: time))


def body(number, size=300):
    return {"number": number, "filling": bytes([number & 0xFF]) * size}


def walk(store, start=1):
    """Read the ledger and check sequence and chain. Returns the bodies' numbers."""
    numbers = []
    previous = None
    for sequence, item in store.read(start, 1000000):
        value = record.decode(item)
        assert value["seq"] == sequence, (value["seq"], sequence)
        assert value["ledger"] == store.ledger_id
        if previous is not None:
            assert value["prev"] == previous
        elif sequence == 1:
            assert value["prev"] == record.GENESIS
        previous = record.digest(item)
        numbers.append(value["body"]["number"])
    return numbers


def check_append_and_read():
    chip = NorChip(64)
    store = start(chip)
    assert store.kind == "flash" and store.notes == []
    assert (store.first, store.last, store.boot) == (0, 0, 1)
    for number in range(1, 101):
        assert store.append("probe", body(number)) == number
    assert walk(store) == list(range(1, 101))
    assert walk(store, 60) == list(range(60, 101))
    assert [pair[0] for pair in store.read(99, 1)] == [99]
    assert [pair[0] for pair in store.read(101, 5)] == []
    assert len(segments.first_numbers("/ledger/seg")) > 2
    ledger_id, head = store.ledger_id, store.head
    store = start(chip)
    assert (store.first, store.last, store.boot) == (1, 100, 2)
    assert store.ledger_id == ledger_id and store.head == head
    assert store.append("probe", body(101)) == 101
    assert walk(store) == list(range(1, 102))
    assert chip.overwrites == 0


def check_a_record_holds_what_it_should():
    chip = NorChip(32)
    store = start(chip, time=1790000000)
    store.append("probe", body(1), calibration="c-7")
    value = record.decode(list(store.read(1, 1))[0][1])
    assert value["kind"] == "probe" and value["boot"] == 1 and value["ms"] == 1234
    assert value["time"] == 1790000000 and value["cal"] == "c-7" and value["tester"] == TESTER
    store = start(chip)
    store.append("probe", body(2))
    value = record.decode(list(store.read(2, 1))[0][1])
    assert value["time"] is None and value["boot"] == 2 and value["cal"] is None


def check_two_ledgers_have_two_ids():
    assert start(NorChip(16)).ledger_id != start(NorChip(16)).ledger_id


def check_missing_chip_falls_back_and_says_so():
    chip = NorChip(16)
    chip.silent = True
    fall_back(chip, "does not answer")


def check_foreign_flash_is_left_alone():
    chip = NorChip(16)
    chip.memory[0:5] = b"photo"
    before = bytes(chip.memory)
    fall_back(chip, "left as it is")
    assert chip.memory == before


def check_used_chips_are_never_taken_for_new_ones():
    chip = NorChip(16)
    blocks = FlashBlocks(NorFlash(chip, chip.select))
    assert volume.never_used(blocks)
    for at in (0, 4095, 4096 + 2000, 2 * 4096, 9 * 4096 + 31, 15 * 4096 + 3):
        chip.memory[at] = 0x00
        assert not volume.never_used(blocks), at
        chip.memory[at] = 0xFF
    # A formatting that was cut off is one thing, a used chip with the same mark another.
    chip.memory[15 * 4096 : 15 * 4096 + 64] = volume._MARK
    chip.memory[100] = 0x12
    assert volume.never_used(blocks)
    chip.memory[7 * 4096] = 0x12
    assert not volume.never_used(blocks)


def check_flash_with_only_its_beginning_lost_is_left_alone():
    chip = NorChip(32)
    store = start(chip)
    store.append("probe", body(1))
    for at in range(0, 4 * 4096, 4096):
        chip.memory[at : at + 4096] = b"\xff" * 4096
    assert chip.memory[4 * 4096 :] != b"\xff" * (28 * 4096)
    before = bytes(chip.memory)
    fall_back(chip, "left as it is")
    assert chip.memory == before


def unmount_all():
    for path in ("/ledger", "/"):
        try:
            vfs.umount(path)
        except OSError:
            pass


def fall_back(chip, words):
    """Start with a flash that cannot be used, on an internal file system made for the occasion."""
    inside = NorChip(32)
    blocks = FlashBlocks(NorFlash(inside, inside.select))
    vfs.VfsLfs2.mkfs(blocks)
    unmount_all()
    try:
        vfs.mount(vfs.VfsLfs2(blocks), "/")
        store = start(chip)
        assert store.kind == "internal", store.kind
        assert words in store.notes[0] and "internal file system" in store.notes[0], store.notes
        assert store.append("probe", body(1)) == 1
        store = start(chip)
        assert store.append("probe", body(2)) == 2 and walk(store) == [1, 2]
    finally:
        vfs.umount("/")


def check_no_file_system_at_all():
    chip = NorChip(16)
    chip.silent = True
    unmount_all()
    store = start(chip)
    assert store.kind == "none" and store.last == 0
    try:
        store.append("probe", body(1))
    except LedgerError as error:
        assert error.code == "ledger-none"
    else:
        raise AssertionError
    assert list(store.read(1, 10)) == []


def check_full_flash_keeps_all_and_frees_what_is_confirmed():
    chip = NorChip(32)
    store = start(chip)
    kept = 0
    try:
        while kept < 1000:
            kept = store.append("probe", body(kept + 1))
    except LedgerError as error:
        assert error.code == "ledger-full" and "full" in error.message
    assert 40 < kept < 1000 and store.full
    assert walk(store) == list(range(1, kept + 1))
    store = start(chip)
    assert store.last == kept and walk(store) == list(range(1, kept + 1))
    # Settings can still be written, and what the shop has confirmed makes room, no more than needed.
    middle = kept // 2
    digest = record.digest(list(store.read(middle, 1))[0][1])
    assert store.confirm(middle, digest) == middle
    assert store.first == 1
    for number in range(kept + 1, kept + 11):
        assert store.append("probe", body(number)) == number
    assert 1 < store.first <= middle + 1 and not store.full
    assert walk(store, store.first) == list(range(store.first, kept + 11))


def check_confirmation():
    chip = NorChip(32)
    store = start(chip)
    digests = []
    for number in range(1, 6):
        store.append("probe", body(number))
        digests.append(store.head)
    assert store.confirmed == 0
    assert store.confirm(3, digests[2]) == 3
    assert store.confirm(2, b"?" * 32) == 3  # never goes back
    store = start(chip)
    assert store.confirmed == 3
    for sequence, digest in ((4, digests[2]), (9, digests[4])):
        try:
            store.confirm(sequence, digest)
        except StoredDataError as error:
            assert error.code == "confirm-mismatch"
        else:
            raise AssertionError
    assert store.confirm(5, digests[4]) == 5


def file_change(path, change):
    with open(path, "rb") as file:
        data = bytearray(file.read())
    data = change(data)
    with open(path, "wb") as file:
        file.write(data)


def check_torn_tail_is_cut():
    chip = NorChip(32)
    store = start(chip)
    for number in range(1, 6):
        store.append("probe", body(number))
    path = segments.path_of("/ledger/seg", 1)
    whole = segments.size_of(path)
    frame = record.frame(list(store.read(5, 1))[0][1])
    for left in (1, 2, 3, len(frame) - 1):
        file_change(path, lambda data, left=left: data + frame[:left])
        store = start(chip)
        assert store.last == 5 and "torn" in store.notes[0], store.notes
        assert segments.size_of(path) == whole
    assert store.append("probe", body(6)) == 6
    assert walk(store) == [1, 2, 3, 4, 5, 6]


def rot_the_last(change):
    """Damage the last of five saved records, start, and append one. Returns (store, records read)."""
    chip = NorChip(32)
    store = start(chip)
    for number in range(1, 6):
        store.append("probe", body(number))
    before, head = store.boot, store.head
    whole = segments.size_of(segments.path_of("/ledger/seg", 1))
    frame = len(record.frame(list(store.read(5, 1))[0][1]))
    file_change(segments.path_of("/ledger/seg", 1), lambda data: change(data, whole - frame))
    store = start(chip)
    assert store.boot == before + 1
    assert "Record 5 was saved and can no longer be read." in store.notes, store.notes
    # Its number is not given again, and the chain goes on from it: whoever has record 5 sees that nothing is missing.
    assert store.append("probe", body(6)) == 6
    found = {sequence: record.decode(item) for sequence, item in store.read(1, 100)}
    assert sorted(found) == [1, 2, 3, 4, 6], sorted(found)
    assert found[6]["prev"] == head
    # It is told once: the next start finds records 1 to 6 as they are, and the gap.
    store = start(chip)
    assert store.last == 6 and store.notes == [], store.notes
    return store


def check_rot_in_the_last_record_is_no_torn_tail():
    def flip(at):
        def change(data, start):
            data[start + at] ^= 0x10
            return data

        return change

    # In the length (too long, impossible), in the map's first byte, in its middle, in the check sum's last byte.
    for at in (0, 1, 2, 100, -1):
        rot_the_last(flip(at) if at >= 0 else lambda data, start: data[:-1] + bytes([data[-1] ^ 1]))
    rot_the_last(lambda data, start: data[:-1])
    rot_the_last(lambda data, start: data[:start])
    rot_the_last(lambda data, start: data[:start] + b"\xff" * (len(data) - start))


def check_rot_where_the_newest_number_is_not_known():
    """A ledger of an older firmware has no slots for it: a frame that is all there counts as saved all the same."""
    chip = NorChip(32)
    store = start(chip)
    for number in range(1, 6):
        store.append("probe", body(number))
    for slot in (0, 1):
        os.remove(f"/ledger/newest.{slot}")
    file_change(segments.path_of("/ledger/seg", 1), lambda data: data[:-20] + bytes([data[-20] ^ 1]) + data[-19:])
    store = start(chip)
    assert "Up to 1 records behind number 4 were saved and can no longer be read." in store.notes, store.notes
    assert store.append("probe", body(6)) == 6


def check_the_last_segment_lost_with_what_the_shop_has_not():
    chip = NorChip(64)
    store = start(chip)
    for number in range(1, 61):
        store.append("probe", body(number))
    head = store.head
    first = segments.first_numbers("/ledger/seg")[-1]
    os.remove(segments.path_of("/ledger/seg", first))
    store = start(chip)
    assert store.notes == [f"Records {first} to 60 were saved and can no longer be read."], store.notes
    assert store.append("probe", body(61)) == 61
    assert record.decode(list(store.read(61, 1))[0][1])["prev"] == head


def check_a_start_survives_whatever_its_files_hold():
    """Whole slots and records with contents that no version ever wrote: never a start that fails each time."""
    strange = (
        ("/ledger/ledger", {"format": 1}),
        ("/ledger/ledger", {"ledger": "text"}),
        ("/ledger/newest", {"last": "seven", "head": 7, "boot": None}),
        ("/ledger/newest", {"last": 9, "head": b"short"}),
        ("/ledger/settings", {"confirmed": "all"}),
    )
    for path, value in strange:
        chip = NorChip(32)
        store = start(chip)
        store.append("probe", body(1))
        Slots(path).save(value)
        store = start(chip)
        assert store.kind == "flash" and store.append("probe", body(store.last + 1)) == store.last, (path, value)
    for item in (b"\x01", b"\xff\xff\xff", b"\xa0", b"\xa1\x63seq\x61x"):
        chip = NorChip(32)
        store = start(chip)
        store.append("probe", body(1))
        segments.append(segments.path_of("/ledger/seg", 1), record.frame(item))
        store = start(chip)
        assert store.kind == "flash" and store.append("probe", body(9)) == store.last, item


def check_a_write_that_could_not_be_taken_back():
    chip = NorChip(32)
    store = start(chip)
    store.append("probe", body(1))
    real = segments.append

    def lasting(path, frame):
        real(path, frame)
        chip.protected = True  # from now on nothing can be cut away
        raise OSError(5)

    segments.append = lasting
    try:
        store.append("probe", body(2))
        raise AssertionError
    except LedgerError as error:
        assert error.code == "ledger-failed" and store.failing
    finally:
        segments.append = real
    chip.protected = False
    # The record stands although it was not shown as saved: the next one comes behind it, with a number of its own.
    assert store.append("probe", body(3)) == 3 and not store.failing
    assert walk(store) == [1, 2, 3]
    store = start(chip)
    assert walk(store) == [1, 2, 3] and store.boot == 2


def check_a_chip_that_keeps_nothing_fails_soon():
    chip = NorChip(64)
    store = start(chip)
    store.append("probe", body(1))
    chip.forgets = True
    before = chip.erases
    try:
        store.append("probe", body(2))
        raise AssertionError
    except LedgerError as error:
        assert error.code == "ledger-failed" and store.failing
    # Littlefs alone would try each of the chip's 64 sectors, and a real one has a thousand.
    assert chip.erases - before <= 12, chip.erases - before
    chip.forgets = False
    store = start(chip)
    assert walk(store)[0] == 1 and store.kind == "flash"


def check_damaged_middle_is_skipped_and_reported():
    chip = NorChip(64)
    store = start(chip)
    for number in range(1, 61):
        store.append("probe", body(number))
    first = segments.first_numbers("/ledger/seg")[-1]
    assert 1 < first < 58
    # One flipped bit in the last segment's first record, and one in the first segment's third.
    file_change(segments.path_of("/ledger/seg", first), lambda data: data[:40] + bytes([data[40] ^ 4]) + data[41:])
    size = segments.size_of(segments.path_of("/ledger/seg", 1))
    third = size // (first - 1) * 2 + 60
    file_change(
        segments.path_of("/ledger/seg", 1), lambda data: data[:third] + bytes([data[third] ^ 128]) + data[third + 1 :]
    )
    store = start(chip)
    assert store.last == 60 and store.damaged_bytes > 0 and "damaged" in store.notes[0]
    got = [sequence for sequence, item in store.read(1, 1000)]
    missing = [sequence for sequence in range(1, 61) if sequence not in got]
    assert len(missing) == 2 and first in missing, missing
    for sequence, item in store.read(1, 1000):
        assert record.decode(item)["seq"] == sequence
    assert store.append("probe", body(61)) == 61


def check_lost_length_finds_the_next_record():
    chip = NorChip(32)
    store = start(chip)
    for number in range(1, 9):
        store.append("probe", body(number))
    path = segments.path_of("/ledger/seg", 1)
    file_change(path, lambda data: b"\xff\xff" + data[2:])
    store = start(chip)
    assert [sequence for sequence, item in store.read(1, 100)] == list(range(2, 9))


def check_flash_that_gives_a_segment_only_in_part():
    chip = NorChip(64)
    store = start(chip)
    for number in range(1, 61):
        store.append("probe", body(number))
    first = segments.first_numbers("/ledger/seg")[-1]
    assert 1 < first < 45
    real = segments.Reader._frame_at
    size = segments.size_of(segments.path_of("/ledger/seg", first))

    def failing(reader, file, at):
        if at > 3000 and file.seek(0, 2) == size:
            raise OSError(5)
        return real(reader, file, at)

    segments.Reader._frame_at = failing
    try:
        store = start(chip)
        assert "cannot be read" in store.notes[0]
        given_before = 60
        number = store.append("probe", body(99))
        # Nothing that was given away once is given again, and what is readable is read.
        assert number > given_before
        got = [sequence for sequence, item in store.read(1, 1000)]
        assert got[-1] == number and set(range(1, first + 3)) <= set(got), (first, number, got)
    finally:
        segments.Reader._frame_at = real


def check_unreadable_last_segment_is_put_aside():
    chip = NorChip(64)
    store = start(chip)
    for number in range(1, 61):
        store.append("probe", body(number))
    head = store.head
    assert store.confirm(60, head) == 60
    first = segments.first_numbers("/ledger/seg")[-1]
    file_change(segments.path_of("/ledger/seg", first), lambda data: b"\x55" * len(data))
    store = start(chip)
    assert "put aside" in store.notes[0]
    assert store.last == 60 and store.head == head  # the shop has them: the numbers stay used
    assert store.append("probe", body(61)) == 61
    assert any(name.endswith(".bad") for name in os.listdir("/ledger/seg"))


def check_empty_segment_is_dropped():
    chip = NorChip(32)
    store = start(chip)
    store.append("probe", body(1))
    with open(segments.path_of("/ledger/seg", 2), "wb"):
        pass
    store = start(chip)
    assert store.last == 1 and store.append("probe", body(2)) == 2 and walk(store) == [1, 2]


def check_a_record_of_a_later_format_does_not_stop_the_start():
    chip = NorChip(32)
    store = start(chip)
    store.append("probe", body(1))
    keep = record.RECORD_FORMAT
    record.RECORD_FORMAT = 99
    store.append("probe", body(2))
    record.RECORD_FORMAT = keep
    store = start(chip)
    assert store.last == 2 and store.boot == 2 and store.append("probe", body(3)) == 3


def check_failing_flash_is_told_and_nothing_counts_as_saved():
    chip = NorChip(32)
    store = start(chip)
    store.append("probe", body(1))
    chip.protected = True
    try:
        store.append("probe", body(2))
    except LedgerError as error:
        assert error.code == "ledger-failed", error.code
    else:
        raise AssertionError
    assert store.last == 1
    chip.protected = False
    store = start(chip)
    assert store.append("probe", body(2)) == 2 and walk(store) == [1, 2]


def check_slots_keep_the_old_one():
    chip = NorChip(32)
    start(chip)
    slots = Slots("/ledger/x")
    assert slots.load() is None
    slots.save({"a": 1})
    slots.save({"a": 2})
    slots.save({"a": 3})
    assert Slots("/ledger/x").load() == {"a": 3}
    newest = f"/ledger/x.{slots._slot}"
    with open(newest, "rb") as file:
        good = file.read()
    for size in range(len(good)):
        with open(newest, "wb") as file:
            file.write(good[:size])
        again = Slots("/ledger/x")
        assert again.load() == {"a": 2} and again.damaged == 1, size
    for at in range(len(good)):
        with open(newest, "wb") as file:
            file.write(good[:at] + bytes([good[at] ^ 1]) + good[at + 1 :])
        assert Slots("/ledger/x").load() == {"a": 2}, at
    again = Slots("/ledger/x")
    again.save({"a": 4})
    assert Slots("/ledger/x").load() == {"a": 4}


def scripted(chip, shown):
    """Live through a short day; `shown` collects what was reported as saved or confirmed."""
    store = start(chip)
    shown["boot"] = store.boot
    for number in range(1, 26):
        size = 300 if number % 5 else 1500
        sequence = store.append("probe", {"number": store.last + 1, "filling": bytes(size)})
        shown["saved"] = sequence
        if number % 8 == 0:
            shown["confirmed"] = store.confirm(sequence, store.head)
    return store


# The short run makes every seventeenth cut; the long one sets this to 1.
STEP = 17


def check_power_cut_at_every_operation():
    plain = NorChip(32)
    scripted(plain, {})
    operations = plain.operations
    cuts = 0
    losses = 0
    for cut in range(0, operations, STEP):
        chip = NorChip(32)
        chip.cut_at = cut
        shown = {"saved": 0, "confirmed": 0}
        try:
            scripted(chip, shown)
        except PowerCut:
            cuts += 1
        chip.cut_at = None
        store = start(chip)
        assert store.kind == "flash", ("cut", cut, store.notes)
        numbers = walk(store)
        if numbers[: shown["saved"]] != list(range(1, shown["saved"] + 1)):
            losses += 1
            print("lost at cut", cut, numbers, shown)
        assert store.last in (shown["saved"], shown["saved"] + 1), ("cut", cut, store.last, shown)
        assert store.confirmed >= shown["confirmed"], ("cut", cut)
        assert store.append("probe", body(store.last + 1)) == len(numbers) + 1
        assert walk(store) == list(range(1, len(numbers) + 2))
    print("operations", operations, "cuts", cuts, "losses", losses)
    assert cuts == len(range(0, operations, STEP)) and losses == 0
