"""The user's end of the virtual USB plug: a pseudo-terminal, or a loopback socket where there is none.

Plugged in, the port is there; unplugged, whoever has it open reads its end, as when a cable is pulled. Bytes for a
port that nobody has open are dropped, as a board drops them.
"""

from __future__ import annotations

import errno
import os
import select
import socket
import termios
from pathlib import Path
from typing import Protocol

__all__ = ["PtyPort", "SocketPort", "UserPort", "pty_available"]

_READ_BYTES = 4096


class UserPort(Protocol):
    """What the device process does with the user's port, whichever kind it is."""

    @property
    def url(self) -> str:
        """Return what a program opens."""

    def plug(self) -> None:
        """Make the port appear."""

    def unplug(self) -> None:
        """Make the port vanish under whoever has it open."""

    def open_fd(self) -> int | None:
        """Return the descriptor to wait on while somebody has the port open, else None. Looks anew."""

    def read(self) -> bytes:
        """Return the bytes that are there (b"" for none)."""

    def write(self, data: bytes) -> int:
        """Take as many bytes as fit; return how many."""


def pty_available() -> bool:
    """Tell whether this system gives pseudo-terminals."""
    try:
        master, slave = os.openpty()
    except OSError:
        return False
    os.close(master)
    os.close(slave)
    return True


def make_raw(fd: int, *, marked: bool = False) -> None:
    """Let a terminal pass every byte unchanged.

    With `marked` its ISIG flag is set. MicroPython clears it at its prompt and sets it again while a program runs,
    which tells what Ctrl-C has to become; with no process group on the terminal it has no other effect.
    """
    settings = termios.tcgetattr(fd)
    settings[0] = 0
    settings[1] = 0
    settings[2] = settings[2] & ~(termios.CSIZE | termios.PARENB) | termios.CS8 | termios.CREAD | termios.CLOCAL
    settings[3] = termios.ISIG if marked else 0
    codes = settings[6]
    codes[termios.VMIN] = 1
    codes[termios.VTIME] = 0
    disabled = bytes((os.fpathconf(fd, "PC_VDISABLE") & 0xFF,))
    codes[termios.VINTR] = b"\x03"
    codes[termios.VQUIT] = disabled
    codes[termios.VSUSP] = disabled
    termios.tcsetattr(fd, termios.TCSANOW, settings)


class PtyPort:
    """A pseudo-terminal behind a path that stays the same however often it is plugged.

    Args: `link` is that path, a symbolic link to the terminal of the moment.
    """

    def __init__(self, link: Path) -> None:
        self._link = link
        self._master: int | None = None
        self._open = False

    @property
    def url(self) -> str:
        """Return the path to open."""
        return str(self._link)

    def plug(self) -> None:
        """Make a terminal and point the link at it."""
        if self._master is not None:
            return
        master, slave = os.openpty()
        make_raw(slave)
        os.set_blocking(master, False)
        target = os.ttyname(slave)
        # Only once it has been opened and closed does the master say whether somebody has it open.
        os.close(slave)
        fresh = self._link.with_name(self._link.name + ".new")
        fresh.unlink(missing_ok=True)
        fresh.symlink_to(target)
        fresh.replace(self._link)
        self._master = master
        self._open = False

    def unplug(self) -> None:
        """Take the link away and hang up the terminal."""
        if self._master is None:
            return
        self._link.unlink(missing_ok=True)
        os.close(self._master)
        self._master = None
        self._open = False

    def open_fd(self) -> int | None:
        """Return the master while somebody has the terminal open."""
        if self._master is None:
            return None
        poller = select.poll()
        poller.register(self._master, 0)
        is_open = not any(event & select.POLLHUP for _, event in poller.poll(0))
        if self._open and not is_open:
            # Nothing of this session may greet the next one.
            termios.tcflush(self._master, termios.TCIOFLUSH)
        self._open = is_open
        return self._master if is_open else None

    def read(self) -> bytes:
        """Return what the user's program wrote."""
        if self._master is None:
            return b""
        try:
            return os.read(self._master, _READ_BYTES)
        except OSError as error:
            # EIO: closed meanwhile; EAGAIN: nothing there.
            if error.errno in (errno.EIO, errno.EAGAIN):
                return b""
            raise

    def write(self, data: bytes) -> int:
        """Give bytes to the user's program; all count as taken where nobody listens."""
        if self._master is None or not self._open:
            return len(data)
        try:
            return os.write(self._master, data)
        except OSError as error:
            if error.errno == errno.EAGAIN:
                return 0
            if error.errno == errno.EIO:
                return len(data)
            raise


class SocketPort:
    """A TCP port on the loopback interface, one user at a time; pyserial opens it as `socket://127.0.0.1:PORT`."""

    def __init__(self) -> None:
        self._number = 0
        self._listener: socket.socket | None = None
        self._user: socket.socket | None = None

    @property
    def url(self) -> str:
        """Return the address in pyserial's form."""
        return f"socket://127.0.0.1:{self._number}"

    def plug(self) -> None:
        """Listen, on the same number as before where that is still free."""
        if self._listener is not None:
            return
        listener = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
        listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            listener.bind(("127.0.0.1", self._number))
        except OSError:
            listener.bind(("127.0.0.1", 0))
        listener.listen(1)
        listener.setblocking(False)
        self._number = listener.getsockname()[1]
        self._listener = listener

    def unplug(self) -> None:
        """Close the user's connection and stop listening."""
        for end in (self._user, self._listener):
            if end is not None:
                end.close()
        self._user = self._listener = None

    def open_fd(self) -> int | None:
        """Return the connection's descriptor while there is one."""
        if self._user is None and self._listener is not None:
            try:
                self._user, _ = self._listener.accept()
            except BlockingIOError:
                return None
            self._user.setblocking(False)
            self._user.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        return None if self._user is None else self._user.fileno()

    def _drop(self) -> None:
        if self._user is not None:
            self._user.close()
            self._user = None

    def read(self) -> bytes:
        """Return what the user's program sent."""
        if self._user is None:
            return b""
        try:
            data = self._user.recv(_READ_BYTES)
        except BlockingIOError:
            return b""
        except OSError:
            data = b""
        if not data:
            self._drop()
        return data

    def write(self, data: bytes) -> int:
        """Give bytes to the user's program; all count as taken where nobody listens."""
        if self._user is None:
            return len(data)
        try:
            return self._user.send(data)
        except BlockingIOError:
            return 0
        except OSError:
            self._drop()
            return len(data)
