"""What the firmware's terminal shows, and what of it the user gets to see across restarts."""

from __future__ import annotations

__all__ = ["Console", "RAW_PROMPT", "SOFT_REBOOT"]

SOFT_REBOOT = b"MPY: soft reboot\r\n"
RAW_PROMPT = b"raw REPL; CTRL-B to exit\r\n>"
_RAW_BANNER = b"raw REPL; CTRL-B to exit\r\n"
_FRIENDLY_BANNER = b'Type "help()" for more information.\r\n'
_FRIENDLY_PROMPT = b">>> "
_KEEP_BYTES = 64 * 1024


class Console:
    """Follow the firmware's output: keep its end, know which prompt is on, hide a change of prompt.

    A board that is soft-reset from the raw prompt comes back at the raw prompt. The interpreter here comes back at
    the friendly one; `begin_raw` hides that prompt, and `feed` asks for Ctrl-A when it is there.
    """

    def __init__(self) -> None:
        self.raw = False
        self._kept = bytearray()
        self._tail = b""
        self._hidden: bytearray | None = None
        self._asked = False

    @property
    def hiding(self) -> bool:
        """Tell whether the change to the raw prompt is under way."""
        return self._hidden is not None

    def begin_raw(self) -> None:
        """Hide what comes, until the raw prompt."""
        self._hidden = bytearray()
        self._asked = False

    def begin(self) -> None:
        """Show everything: a new interpreter starts."""
        self.raw = False
        self._hidden = None
        self._tail = b""

    def text(self) -> str:
        """Return the end of everything that was printed, at most 64 kB."""
        return self._kept.decode("utf-8", "replace")

    def note(self, data: bytes) -> None:
        """Keep what the launcher itself prints."""
        self._kept += data
        del self._kept[:-_KEEP_BYTES]

    def feed(self, data: bytes) -> tuple[bytes, bytes]:
        """Take output of the firmware; return (what the user sees, what to type)."""
        if self._hidden is not None:
            return self._feed_hidden(data)
        self.note(data)
        self._follow(data)
        return data, b""

    def _feed_hidden(self, data: bytes) -> tuple[bytes, bytes]:
        hidden = self._hidden
        assert hidden is not None
        hidden += data
        typed = b""
        if not self._asked and hidden.endswith(_FRIENDLY_PROMPT):
            self._asked = True
            typed = b"\x01"
        place = hidden.find(RAW_PROMPT)
        if place < 0:
            return b"", typed
        seen = bytes(hidden[place:])
        self._hidden = None
        self.note(seen)
        self.raw = True
        self._tail = b""
        return seen, typed

    def _follow(self, data: bytes) -> None:
        window = self._tail + data
        raw_at = window.rfind(_RAW_BANNER)
        friendly_at = window.rfind(_FRIENDLY_BANNER)
        if raw_at >= 0 or friendly_at >= 0:
            self.raw = raw_at > friendly_at
        keep = max(len(_RAW_BANNER), len(_FRIENDLY_BANNER)) - 1
        self._tail = window[-keep:]
