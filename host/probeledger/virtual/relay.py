"""The cable between the firmware's terminal and the user's port.

Three things of a real cable and a real board have to be made here: bytes that nobody reads are dropped; Ctrl-C
reaches a running program as KeyboardInterrupt and the prompt as a character; what is typed behind a Ctrl-C waits
until the prompt is there, because the interpreter throws away what it has not read when it changes to its prompt.
"""

from __future__ import annotations

import time

from .console import SOFT_REBOOT, Console
from .launcher import Interpreter
from .ports import UserPort

__all__ = ["Relay"]

_CTRL_C = 0x03
# Bytes under way in one direction before the other side has to wait.
_LIMIT_BYTES = 16 * 1024
# How long what follows a Ctrl-C waits for the prompt at most [wall s]: a program may catch it and go on.
_HOLD_S = 0.3


class Relay:
    """Move bytes both ways. All methods return at once.

    Args: `port` is the user's port.
    """

    def __init__(self, port: UserPort) -> None:
        self.port = port
        self.console = Console()
        self._interpreter: Interpreter | None = None
        self._to_user = bytearray()
        self._to_firmware = bytearray()
        self._held_until_s = 0.0
        self._listening = False
        # Set when bytes were typed, until a wait of the firmware has been ended by them.
        self.typed = False
        # When Ctrl-C was typed to a running program that has not been told yet [wall s], or 0.
        self.interrupted_s = 0.0

    def attach(self, interpreter: Interpreter | None) -> None:
        """Connect a new interpreter, or none."""
        self._interpreter = interpreter
        self._listening = False
        self.typed = False
        self.interrupted_s = 0.0
        self._held_until_s = 0.0
        self.console.begin()

    def cut(self) -> None:
        """Pull the cable: what can still go to the user goes, the rest is lost."""
        self.flush()
        self._to_user.clear()
        self._to_firmware.clear()

    def listen(self) -> None:
        """The interpreter runs: bytes for it may go through."""
        self._listening = True

    def say_reboot(self) -> None:
        """Print what a board prints when the interpreter starts anew."""
        self.console.note(SOFT_REBOOT)
        self._to_user += SOFT_REBOOT

    def user_may_send(self) -> bool:
        """Tell whether there is room for more from the user."""
        return len(self._to_firmware) < _LIMIT_BYTES

    def firmware_may_print(self) -> bool:
        """Tell whether there is room for more from the firmware."""
        return len(self._to_user) < _LIMIT_BYTES

    def pending(self) -> bool:
        """Tell whether bytes wait to go on."""
        return bool(self._to_user or self._to_firmware)

    def from_user(self) -> None:
        """Take what the user sent."""
        self._to_firmware += self.port.read()
        self.flush()

    def from_firmware(self) -> bool:
        """Take what the firmware printed; return False when there was nothing."""
        if self._interpreter is None:
            return False
        data = self._interpreter.read_terminal()
        if not data:
            return False
        seen, typed = self.console.feed(data)
        self._to_user += seen
        if typed:
            self._interpreter.write_terminal(typed)
        self.flush()
        return True

    def drain(self) -> None:
        """Take everything that the firmware has printed so far."""
        while self.from_firmware():
            pass

    def flush(self) -> None:
        """Move on what can go on."""
        if self._to_user:
            if self.port.open_fd() is None:
                self._to_user.clear()
            else:
                del self._to_user[: self.port.write(bytes(self._to_user))]
        if self._to_firmware:
            self._type()

    def _type(self) -> None:
        interpreter = self._interpreter
        if interpreter is None or not self._listening or self.console.hiding:
            return
        while self._to_firmware:
            at_prompt = interpreter.reading_keys()
            if self._held_until_s:
                if not at_prompt and time.monotonic() < self._held_until_s:
                    return
                self._held_until_s = 0.0
            if self._to_firmware[0] == _CTRL_C and not at_prompt:
                del self._to_firmware[:1]
                self.interrupted_s = time.monotonic()
                self._held_until_s = self.interrupted_s + _HOLD_S
                continue
            end = self._to_firmware.find(_CTRL_C, 1)
            chunk = bytes(self._to_firmware if end < 0 else self._to_firmware[:end])
            taken = interpreter.write_terminal(chunk)
            if not taken:
                return
            del self._to_firmware[:taken]
            self.typed = True
