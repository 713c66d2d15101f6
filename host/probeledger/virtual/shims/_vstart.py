"""Start the board the way the RP2 port does: internal file system at "/", boot.py, main.py, then the prompt."""

import gc
import os
import sys

import vfs

import _vwire


def _announce():
    # Everything that would otherwise be found beside this file is loaded now, because the host's folders
    # are out of reach once the internal file system is mounted.
    import _vtasks
    import machine
    import rp2  # noqa: F401
    import select
    import time

    for name, module in (("_asyncio", _vtasks), ("umachine", machine), ("uselect", select), ("utime", time)):
        sys.modules[name] = module
    _vwire.rtc_base_us = 0
    _vwire.rtc_base_us = _vwire.do(_vwire.HELLO, 1)


def run(names, folder, with_main):
    """Mount the folder, then run boot.py and, where `with_main` is set, main.py with `names` as its globals."""
    _announce()
    vfs.umount("/")
    vfs.mount(vfs.VfsPosix(folder), "/")
    os.chdir("/")
    sys.path[:] = ["", ".frozen", "/lib"]
    sys.argv.clear()
    for name in ("sys", "_vstart"):
        names.pop(name, None)
    gc.collect()
    _vwire.do(_vwire.READY, 0, gc.mem_alloc())
    _run_file("boot.py", names)
    if with_main:
        _run_file("main.py", names)
    _vwire.do(_vwire.READY, 1, 0)


def _run_file(name, names):
    try:
        os.stat(name)
    except OSError:
        return
    try:
        with open(name) as file:
            code = compile(file.read(), name, "exec")
        exec(code, names)
    except SystemExit:
        _vwire.do(_vwire.RESET, 0)
    except BaseException as error:
        # Ctrl-C and failures end at the prompt, as on a board.
        sys.print_exception(error)
