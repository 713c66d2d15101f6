"""Ways to move bytes to and from a tester. Nothing here knows what the bytes mean."""

import contextlib
import errno
import os
import select
import socket
import urllib.parse
from typing import Any, Protocol

import serial

from probeledger.errors import DeviceError, InputError, NoSuchPortError, VanishedError
from probeledger.link.ports import present_ports
from probeledger.text import clean

__all__ = ["SerialTransport", "SocketTransport", "Transport", "open_transport"]

_READ_BYTES = 65536
_CONNECT_S = 5.0
_WRITE_S = 5.0


class Transport(Protocol):
    """What a session needs of a port."""

    name: str

    def write(self, data: bytes) -> None:
        """Send all bytes. Raises VanishedError when the port is gone."""

    def read(self, timeout_s: float) -> bytes:
        """Return what has come, waiting at most `timeout_s` [s] for the first byte; empty where nothing came.

        Raises VanishedError when the port is gone.
        """

    def close(self) -> None:
        """Let go of the port."""


def _vanished(name: str) -> VanishedError:
    return VanishedError(
        f"{name} went away while it was in use. Check the plug and the cable, then run the command again."
    )


class SerialTransport:
    """A serial port or pseudo-terminal, by pyserial."""

    def __init__(self, name: str) -> None:
        """Open the port.

        Raises:
            NoSuchPortError: if there is none of that name, or it is no serial port.
            DeviceError: if it may not be opened, or another program has it.
        """
        self.name = name
        try:
            self._port: Any = serial.serial_for_url(
                name, baudrate=115200, timeout=0, write_timeout=_WRITE_S, exclusive=True if os.name == "posix" else None
            )
        except (serial.SerialException, OSError, ValueError) as error:
            raise _refusal(name, error) from error

    def write(self, data: bytes) -> None:
        """Send all bytes."""
        try:
            self._port.write(data)
        except serial.SerialTimeoutException as error:
            raise DeviceError(
                f"{self.name} takes no more bytes. Unplug the tester, plug it in again, and run the command again."
            ) from error
        except (serial.SerialException, OSError) as error:
            raise _vanished(self.name) from error

    def read(self, timeout_s: float) -> bytes:
        """Return what has come, waiting at most `timeout_s` [s] for the first byte."""
        try:
            if os.name == "posix" and not select.select([self._port.fileno()], [], [], timeout_s)[0]:
                return b""
            if os.name != "posix":
                self._port.timeout = timeout_s
                first: bytes = self._port.read(1)
                return first + self._port.read(self._port.in_waiting) if first else first
            # A port that is ready and gives nothing has hung up.
            data = os.read(self._port.fileno(), _READ_BYTES)
        except (serial.SerialException, OSError, ValueError, TypeError) as error:
            raise _vanished(self.name) from error
        if not data:
            raise _vanished(self.name)
        return data

    def close(self) -> None:
        """Let go of the port."""
        with contextlib.suppress(serial.SerialException, OSError):
            self._port.close()


class SocketTransport:
    """A virtual tester on a socket of this computer: socket://127.0.0.1:PORT."""

    def __init__(self, name: str) -> None:
        """Connect.

        Raises:
            NoSuchPortError: if nothing listens there.
            InputError: if the name is no socket address.
        """
        self.name = name
        try:
            parts = urllib.parse.urlsplit(name)
            address = (parts.hostname, parts.port)
        except ValueError:
            address = (None, None)
        if not address[0] or not address[1]:
            raise InputError(f"{clean(name)!r} is no socket address. Write it as socket://127.0.0.1:PORT.")
        try:
            self._socket = socket.create_connection((address[0], address[1]), timeout=_CONNECT_S)
        except OSError as error:
            raise NoSuchPortError(f"Nothing listens at {clean(name)}. {_what_is_there()}") from error

    def write(self, data: bytes) -> None:
        """Send all bytes."""
        try:
            self._socket.settimeout(_WRITE_S)
            self._socket.sendall(data)
        except OSError as error:
            raise _vanished(self.name) from error

    def read(self, timeout_s: float) -> bytes:
        """Return what has come, waiting at most `timeout_s` [s] for the first byte."""
        try:
            self._socket.settimeout(max(timeout_s, 0.001))
            data = self._socket.recv(_READ_BYTES)
        except TimeoutError:
            return b""
        except OSError as error:
            raise _vanished(self.name) from error
        if not data:
            raise _vanished(self.name)
        return data

    def close(self) -> None:
        """Hang up."""
        self._socket.close()


def _what_is_there() -> str:
    names = [port.name for port in present_ports() if port.likely]
    if not names:
        return "No tester is plugged in that this computer can see; check the cable and that the tester is on."
    return f"Plugged in now: {', '.join(clean(name, 60) for name in names)}. 'probeledger testers' tells more."


def _refusal(name: str, error: Exception) -> DeviceError:
    """Return the sentence for a port that could not be opened."""
    shown = clean(name, 80)
    number = getattr(error, "errno", None)
    text = str(error)
    if number in (errno.EACCES, errno.EPERM):
        return DeviceError(
            f"You may not open {shown}. On Linux, have your user added to the group 'dialout', then log in again.",
            "no-permission",
        )
    if number in (errno.EBUSY, errno.EAGAIN) or "exclusively lock" in text:
        return DeviceError(
            f"{shown} is in use by another program. Close the other one (a terminal, an editor), then try again.",
            "port-in-use",
        )
    if number in (errno.ENOTTY, errno.EISDIR, errno.EINVAL, errno.ENODEV) or (number is None and os.path.exists(name)):
        return NoSuchPortError(f"{shown} is no serial port. {_what_is_there()}")
    return NoSuchPortError(f"There is no port {shown}. {_what_is_there()}")


def open_transport(name: str) -> Transport:
    """Open a port by its name: a serial port, a pseudo-terminal, or socket://HOST:PORT.

    Raises:
        NoSuchPortError, DeviceError, InputError: see the transports.
    """
    if name.startswith("socket://"):
        return SocketTransport(name)
    if "://" in name:
        raise InputError(f"{clean(name, 80)!r} is no port. Name a serial port, or socket://127.0.0.1:PORT.")
    if not name.strip():
        raise InputError("The port's name is empty. 'probeledger testers' lists the ports with a tester.")
    return SerialTransport(name)
