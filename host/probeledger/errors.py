"""Errors of the host package, with the exit status that a command ends with.

All derive from `probecore.errors.ProbeError` (attributes `code` and `message`), so one place can turn every foreseen
failure into one sentence. Exit status 2 stands for wrong use or bad input, 1 for a task that failed.
"""

from probecore.errors import LinkError, MisuseError, ProbeError, RangeError

__all__ = [
    "ArchiveError",
    "ConflictError",
    "DeviceError",
    "InputError",
    "NoSuchPortError",
    "NotAnArchiveError",
    "NotATesterError",
    "ProbeError",
    "SilentError",
    "VanishedError",
    "exit_status",
]


class InputError(ProbeError):
    """Report bad input from a person or a file: what is wrong, what was seen, what to do next."""

    exit_status = 2

    def __init__(self, message: str, code: str = "bad-input") -> None:
        super().__init__(code, message)


class DeviceError(LinkError):
    """Report trouble between this computer and a tester."""

    exit_status = 1

    def __init__(self, message: str, code: str = "link") -> None:
        super().__init__(code, message)


class NoSuchPortError(DeviceError):
    """Report a port that does not exist or cannot be opened."""

    exit_status = 2

    def __init__(self, message: str) -> None:
        super().__init__(message, "no-such-port")


class NotATesterError(DeviceError):
    """Report a device that answers, but not as a tester."""

    def __init__(self, message: str) -> None:
        super().__init__(message, "not-a-tester")


class SilentError(DeviceError):
    """Report a device that does not answer within its deadline."""

    def __init__(self, message: str) -> None:
        super().__init__(message, "silent")


class VanishedError(DeviceError):
    """Report a port that went away while it was in use."""

    def __init__(self, message: str) -> None:
        super().__init__(message, "vanished")


class ArchiveError(ProbeError):
    """Report an archive that could not be read or written."""

    exit_status = 1

    def __init__(self, message: str, code: str = "archive") -> None:
        super().__init__(code, message)


class NotAnArchiveError(ArchiveError):
    """Report a file or database that is not an archive of this program, or one from a newer version."""

    exit_status = 2

    def __init__(self, message: str) -> None:
        super().__init__(message, "not-an-archive")


class ConflictError(ArchiveError):
    """Report a record that differs from the one kept under the same key. The kept one stays as it is."""

    def __init__(self, message: str) -> None:
        super().__init__(message, "conflict")


def exit_status(error: BaseException) -> int:
    """Return the exit status that a command ends with after this error.

    An error says so itself by an attribute `exit_status`; misuse and values out of range are wrong use (2), all
    else is a task that failed (1).
    """
    status = getattr(error, "exit_status", None)
    if isinstance(status, int):
        return status
    return 2 if isinstance(error, (MisuseError, RangeError)) else 1
