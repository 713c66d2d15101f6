"""Where the ledger lives: its own flash chip, else the board's internal file system.

Nothing is ever formatted because a mount failed. Two things format: an explicit call of `format_flash`, and a chip
that is verifiably as it left the factory, or on which the formatting of such a chip was cut off: a mark in the last
block, written first and erased last, tells.
"""

import os

import vfs

from parts.fault import PartError
from parts.blocks import FlashBlocks

from .nostore import NoStore
from .store import Store

MOUNT_POINT = "/ledger"
# Programs of one 256-byte page and reads of 64 bytes; a lookahead of 128 bytes covers the 1024 blocks of 4 MB at once.
# No times of files are kept: they cost a write each, and records carry their own.
GEOMETRY = {"readsize": 64, "progsize": 64, "lookahead": 128}


_MARK = b"probeledger: formatting a blank chip" + b" " * 28
# Blocks in which littlefs begins, and which therefore show first whether a chip was ever used.
_SUPER_BLOCKS = 2
_LOOK_BYTES = 32


def format_flash(blocks):
    """Make an empty ledger file system on a block device. What was there is lost."""
    vfs.VfsLfs2.mkfs(blocks, **GEOMETRY)


def _format_blank(blocks):
    """Format a blank chip so that a cut at any moment leaves one that is known to be empty."""
    last = blocks.count - 1
    blocks.writeblocks(last, _MARK, 0)
    format_flash(blocks)
    blocks.ioctl(6, last)


def never_used(blocks):
    """Tell whether a chip holds nothing that anybody stored.

    All blocks but the first two and the last have to be blank at their beginning, where littlefs writes first; a chip
    that only lost its beginning is therefore not taken for a new one. The first two blocks have to be blank to the last
    byte, or the last block carries the mark of a formatting that was cut off. Takes about 0.3 s for 4 MB.
    """
    last = blocks.count - 1
    for block in range(_SUPER_BLOCKS, last):
        if not blocks.is_blank(block, _LOOK_BYTES):
            return False
    found = bytearray(len(_MARK))
    if blocks.readblocks(last, found, 0):
        return False
    if found == _MARK:
        return True
    for index in range(len(_MARK)):
        # A mark that was cut off: each bit is as erased, or as the mark has it.
        if found[index] & _MARK[index] != _MARK[index]:
            return False
    size_bytes = blocks.ioctl(5, 0)
    return all(blocks.is_blank(block, size_bytes) for block in range(_SUPER_BLOCKS))


def _mount_settled(blocks):
    """Mount, while what the last power cut may have left between two states is settled.

    Mounting reads all of littlefs's records of folders, up to the last one that is whole, and those are what must not
    waver; the data of files count only once such a record names them. Takes about 50 ms of the bus.
    """
    blocks.settling(True)
    try:
        vfs.mount(vfs.VfsLfs2(blocks, mtime=False, **GEOMETRY), MOUNT_POINT)  # type: ignore[abstract]
        for folder in (MOUNT_POINT, MOUNT_POINT + "/seg"):
            try:
                os.listdir(folder)
            except OSError:
                pass  # whoever needs it finds out
    finally:
        blocks.settling(False)


def mount_flash(blocks):
    """Mount the ledger's flash at MOUNT_POINT.

    Returns None, or the sentence that says why it cannot be used; the flash is then untouched.
    """
    try:
        vfs.umount(MOUNT_POINT)
    except OSError:
        pass  # the usual case: it was not mounted
    for attempt in (1, 2):
        try:
            _mount_settled(blocks)
            return None
        except OSError as error:
            if blocks.problem is not None:
                return blocks.problem.message
            if attempt == 2 or not never_used(blocks):
                return (
                    "The ledger's flash holds no file system that can be read (error %s); it was left as it is. "
                    "Have it read at the shop, then format it." % error.errno
                )
        _format_blank(blocks)
    return None


def open_store(make_flash, identity):
    """Open the ledger wherever it can be kept.

    make_flash: function that returns a NorFlash or raises PartError; identity: the further arguments of Store (tester,
    firmware, uptime_ms, wall_seconds). Returns a Store of kind "flash" or "internal", or a NoStore; `notes` says in
    sentences what is not as it should be.
    """
    problem = None
    try:
        flash = make_flash()
        problem = mount_flash(FlashBlocks(flash))
        if problem is None:
            store = Store(MOUNT_POINT, "flash", *identity)
            store.notes.extend(flash.notes)
            return store
    except PartError as error:
        problem = error.message
    except OSError as error:
        vfs.umount(MOUNT_POINT)
        problem = "The ledger's flash fails (error %s)." % error.errno
    try:
        try:
            os.mkdir(MOUNT_POINT)
        except OSError:
            pass  # there already, or the next line says why not
        store = Store(MOUNT_POINT, "internal", *identity)
    except OSError as error:
        return NoStore("%s The internal file system refuses too (error %s)." % (problem, error.errno))
    store.notes.insert(0, problem + " Records go to the internal file system.")
    return store
