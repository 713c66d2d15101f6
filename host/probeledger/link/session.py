"""A conversation with one tester: find out that it is one, ask, and fetch its ledger.

A tester's USB port also carries MicroPython's prompt, so the first answer may be the prompt's. Then the board is
restarted softly (Ctrl-D), which starts the tester's program as switching it on would, and asked once more.
"""

import os
import time
from collections.abc import Callable, Iterator
from types import TracebackType
from typing import Any

from probecore import PROTOCOL
from probeledger.errors import DeviceError, NotATesterError, SilentError
from probeledger.link.client import DAMAGED_REQUEST_TAG, Answer, Client, Failure, Hello, Result
from probeledger.link.puller import Pulled, Puller
from probeledger.link.transport import Transport, open_transport
from probeledger.text import clean

__all__ = ["Session", "open_session"]

HELLO_S = 1.0
RESTART_S = 8.0
ANSWER_S = 3.0
# A measurement with what goes before it, and each reading of eight conversions with their waits.
MEASURE_S = 30.0
READING_S = 0.7
# How long a pull may go without a byte before its open requests are sent again [s].
STALL_S = 2.0
_RETRY_S = 0.7
# So many damaged pieces between delimiters, and no whole one, are a bad line and not another device.
_DAMAGED_REPLIES = 3
_TAIL_BYTES = 2000
# More than any flash of a tester holds; a larger claim is no ledger.
_MOST_RECORDS = 1_000_000

_END_LINE = b"\r\n"
_LEAVE_RAW_PROMPT = b"\r\x02"
_INTERRUPT = b"\r\x03\x03"
_SOFT_RESET = b"\x04"


class Session:
    """An open conversation. Use it in a `with` block, or call `close`.

    Attributes:
        hello: what the tester said of itself, from `greet` on.
        hello_time: when it said so, by this computer's clock [s since 1970, UTC].
        absent: the records that the tester left out of the last pull.
    """

    hello: Hello

    def __init__(self, transport: Transport, now: Callable[[], float] = time.monotonic) -> None:
        """Take an open transport.

        Args:
            transport: moves the bytes; closed with the session.
            now: the clock for deadlines [s].
        """
        self._transport = transport
        # Answers to a former session may still be on their way; another tag keeps them apart.
        self._client = Client(first_tag=os.urandom(1)[0])
        self._now = now
        self._tail = b""
        self.name = clean(transport.name, 80)
        self.hello_time = 0
        self.absent: set[int] = set()

    def __enter__(self) -> "Session":
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def close(self) -> None:
        """Let go of the port."""
        self._transport.close()

    @property
    def damaged(self) -> int:
        """How many damaged pieces came over the line so far [1]."""
        return self._client.damaged + self._client.malformed

    def greet(self, *, tries: int = 3, restart: bool = True) -> Hello:
        """Find out whether a tester is on the port, and what it says of itself.

        Args:
            tries: how often to ask [1].
            restart: restart the board softly where MicroPython's prompt answers.

        Raises:
            NotATesterError: if something else answers.
            SilentError: if nothing answers.
            VanishedError: if the port goes away.
        """
        hello = self._ask_hello(tries * HELLO_S)
        if hello is None and restart:
            if not self._tail.strip():
                self._transport.write(_LEAVE_RAW_PROMPT)
                self._listen(0.3)
            if self._prompt_answers():
                self._transport.write(_INTERRUPT)
                self._listen(0.2)
                self._tail = b""
                self._transport.write(_SOFT_RESET)
                hello = self._ask_hello(RESTART_S)
        if hello is not None:
            return hello
        raise self._no_tester(restart)

    def _ask_hello(self, patience_s: float) -> Hello | None:
        """Ask until a tester answers or the time [s] is over."""
        end = self._now() + patience_s
        while (left_s := end - self._now()) > 0:
            tag, line = self._client.request("hello")
            # The line end finishes whatever half a line may stand in the tester's buffer.
            self._transport.write(_END_LINE + line)
            answer = self._wait(tag, min(left_s, _RETRY_S))
            self._client.give_up(tag)
            if isinstance(answer, Result):
                hello = Hello.read(answer.values)
                if hello is None:
                    raise NotATesterError(
                        f"{self.name} answers as a tester does, but what it says makes no sense. Restart the tester, "
                        "then try again."
                    )
                if hello.protocol != PROTOCOL:
                    raise self._other_version(f"version {hello.protocol}")
                self.hello = hello
                self.hello_time = int(time.time())
                return hello
            if isinstance(answer, Failure):
                if answer.code == "protocol-version":
                    raise self._other_version("another version")
                raise DeviceError(f"The tester on {self.name} refuses: {clean(answer.message, 200)}")
        return None

    def _other_version(self, theirs: str) -> NotATesterError:
        return NotATesterError(
            f"The tester on {self.name} speaks {theirs} of the link, this program version {PROTOCOL}. Update the older "
            "of the two."
        )

    def _prompt_answers(self) -> bool:
        return b">>> " in self._tail or b"raw REPL" in self._tail or b"MicroPython v" in self._tail

    def _no_tester(self, restarted: bool) -> DeviceError:
        if self._prompt_answers() and not restarted:
            return NotATesterError(
                f"{self.name} is at MicroPython's prompt. If it is a tester, 'probeledger measure {self.name}' "
                "restarts its program; so does Ctrl-D in a terminal."
            )
        if self._prompt_answers():
            return NotATesterError(
                f"{self.name} answers, but not as a probeledger tester: it is a MicroPython board on which the "
                "tester's program does not start. Put the firmware on it, then try again."
            )
        if self.damaged >= _DAMAGED_REPLIES and b"\0" in self._tail:
            return DeviceError(
                f"What answers on {self.name} sends replies like a tester's, and all of them arrive damaged. Use "
                "another cable or socket, then try again.",
                "disturbed",
            )
        if self._tail.strip():
            return NotATesterError(
                f"{self.name} answers, but not as a probeledger tester. It sent {clean(self._tail[-80:], 40)!r}; "
                "check that this is the right port with 'probeledger testers'."
            )
        return SilentError(
            f"Nothing answers on {self.name}. Check that the tester is switched on and that this is the right port "
            "('probeledger testers')."
        )

    def _listen(self, seconds: float) -> None:
        end = self._now() + seconds
        while (left_s := end - self._now()) > 0:
            self._receive(left_s)

    def _receive(self, timeout_s: float) -> list[Answer]:
        data = self._transport.read(timeout_s)
        self._tail = (self._tail + data)[-_TAIL_BYTES:]
        return self._client.feed(data)

    def _wait(self, tag: int, timeout_s: float) -> Result | Failure | None:
        """Return the answer to a request, None where it does not come in time [s] or arrived damaged there."""
        end = self._now() + timeout_s
        while (left_s := end - self._now()) > 0:
            for answer in self._receive(left_s):
                if isinstance(answer, (Result, Failure)) and answer.tag == tag:
                    return answer
                if isinstance(answer, Failure) and answer.tag == DAMAGED_REQUEST_TAG:
                    if answer.code == "protocol-version":
                        return answer
                    if answer.code == "damaged-request" and self._has_greeted:
                        return None
        return None

    @property
    def _has_greeted(self) -> bool:
        return hasattr(self, "hello")

    def call(self, verb: str, *args: object, timeout_s: float = ANSWER_S, tries: int = 3) -> dict[str, Any]:
        """Ask once, and again where the answer does not come.

        Args:
            verb, args: the request; it must do no harm when it is done twice.
            timeout_s: how long to wait for each answer [s].
            tries: how often to ask [1].

        Returns:
            the tester's answer.

        Raises:
            DeviceError: if the tester refuses; its code is the tester's.
            SilentError: if no answer comes.
        """
        for _ in range(tries):
            tag, line = self._client.request(verb, *args)
            self._transport.write(line)
            answer = self._wait(tag, timeout_s)
            self._client.give_up(tag)
            if isinstance(answer, Result):
                return answer.values
            if isinstance(answer, Failure):
                raise DeviceError(
                    f"The tester on {self.name} refuses: {clean(answer.message, 200)}", clean(answer.code, 40)
                )
        raise SilentError(
            f"The tester on {self.name} does not answer any more. Check the cable and that it is switched on, then run "
            "the command again."
        )

    def measure(self, readings: int = 1, *options: str) -> dict[str, Any]:
        """Measure what is clipped on, as the mean of so many readings [1]; return the tester's answer.

        Options: "two-wire" takes the zero off that `zero` found; "zero-power" measures with a faint current as well,
        for which the tester may let the element cool for 20 s.
        """
        return self.call("measure", readings, *options, timeout_s=MEASURE_S + READING_S * readings, tries=2)

    def zero(self) -> dict[str, Any]:
        """Zero two-wire leads whose clips hold each other; return the tester's answer.

        Raises DeviceError with code "not-shorted" where they don't.
        """
        return self.call("zero", timeout_s=MEASURE_S, tries=2)

    def confirm(self, sequence: int, digest: bytes) -> int:
        """Tell the tester that its records up to `sequence`, whose item has this SHA-256, are kept for good.

        Returns:
            the number up to which the tester now takes its records as confirmed.
        """
        confirmed = self.call("confirm", sequence, digest.hex()).get("confirmed")
        return confirmed if type(confirmed) is int else 0

    def pull(self, first: int, last: int, previous: bytes | None) -> Iterator[list[Pulled]]:
        """Fetch the records `first` to `last`, a few at a time, as they arrive in order.

        Args:
            first, last: sequence numbers, both included.
            previous: digest of the record before `first`, GENESIS where there is none, None where it is not known.

        Yields:
            lists of records, never empty.

        Raises:
            DeviceError: if the tester refuses or the line is too disturbed; SilentError, VanishedError as named.
        """
        if last - first >= _MOST_RECORDS:
            raise DeviceError(
                f"The tester on {self.name} claims {last - first + 1} records, more than any tester holds. Restart it, "
                "then try again."
            )
        puller = Puller(self._client, first, last, previous)
        self.absent = puller.absent
        heard = self._now()
        while not puller.done:
            lines = puller.requests()
            if lines:
                self._transport.write(lines)
            data = self._transport.read(0.25)
            if data:
                heard = self._now()
            elif self._now() - heard > STALL_S:
                puller.stalled()
                heard = self._now()
                continue
            ready = puller.take(self._client.feed(data))
            if ready:
                yield ready


def open_session(port: str, *, tries: int = 3, restart: bool = True) -> Session:
    """Open a port and greet the tester on it.

    Args:
        port: a serial port, a pseudo-terminal, or socket://127.0.0.1:PORT.
        tries: how often to ask [1].
        restart: restart the board softly where MicroPython's prompt answers.

    Returns:
        the session; close it.

    Raises:
        NoSuchPortError, NotATesterError, SilentError, VanishedError, DeviceError, InputError.
    """
    session = Session(open_transport(port))
    try:
        session.greet(tries=tries, restart=restart)
    except BaseException:
        session.close()
        raise
    return session
