"""What is plugged into this computer, and which virtual testers run on it."""

import importlib
from typing import NamedTuple

from serial.tools import list_ports

__all__ = ["Port", "present_ports"]


class Port(NamedTuple):
    """One port.

    Attributes:
        name: what to open.
        description: as the system or the device describes it; clean it before showing.
        serial_number: of the USB device, or None.
        virtual: a virtual tester of this computer.
        likely: may be a tester (a USB port or a virtual one); others are left alone unless asked for by name.
    """

    name: str
    description: str
    serial_number: str | None
    virtual: bool
    likely: bool


def present_ports() -> list[Port]:
    """Return the ports of this computer: virtual testers first, then serial ports by name."""
    ports = [
        Port(entry.device, entry.description or "", entry.serial_number, False, entry.vid is not None)
        for entry in list_ports.comports()
    ]
    return _virtual_ports() + sorted(ports)


def _virtual_ports() -> list[Port]:
    try:
        registry = importlib.import_module("probeledger.virtual.registry")
    except ModuleNotFoundError:
        return []
    return [Port(entry.port, f"virtual tester, {entry.scenario}", None, True, True) for entry in registry.running()]
