"""The virtual tester operated in a terminal: draw, read keys, act, until somebody quits."""

from __future__ import annotations

import os
import signal
from collections.abc import Iterator
from contextlib import contextmanager
from typing import TextIO

from probeledger.virtual.device import VirtualTester

from .hand import Hand
from .keyboard import ACTS, Decoder
from .layout import draw, styled
from .tty import Terminal

__all__ = ["operate"]

# How often the picture is looked at [wall s].
_LOOK_S = 0.08


def operate(tester: VirtualTester, oven: str, speed: float, source: TextIO, sink: TextIO) -> None:
    """Let a person operate a tester until they quit.

    Args:
        tester: switched on, with its pace set.
        oven: its name.
        speed: simulated seconds a real one.
        source, sink: a terminal that `tty.check` has found good; it is given back at the end, whatever the end is.

    Raises:
        KeyboardInterrupt: Ctrl-C came, or whatever the caller's signal handlers raise.
        ProbeError: the virtual tester failed.
    """
    hand = Hand(tester, oven, speed)
    colour = not os.environ.get("NO_COLOR")
    decoder = Decoder()
    with Terminal(source, sink) as terminal, _sleeps_on_request(terminal):
        while True:
            columns, lines = terminal.size()
            terminal.show([styled(line, colour) for line in draw(hand.scene(), columns, lines)])
            data = terminal.read(_LOOK_S)
            if data is None:
                return
            if not data:
                decoder.pause()
            for key in decoder.feed(data):
                if key == "q":
                    return
                if hand.waiting and (key not in ACTS or ACTS[key].name != "wait"):
                    hand.stop_waiting()
                elif key == "redraw":
                    terminal.forget()
                elif key in ACTS:
                    hand.act(ACTS[key])
                else:
                    hand.message = f"no key {key}; the keys are below"


@contextmanager
def _sleeps_on_request(terminal: Terminal) -> Iterator[None]:
    """Give the terminal back while Ctrl-Z stops the program, and take it again afterwards."""

    def sleep(number: int, frame: object) -> None:
        terminal.give_back()
        os.kill(os.getpid(), signal.SIGSTOP)
        terminal.take()

    before = signal.signal(signal.SIGTSTP, sleep)
    try:
        yield
    finally:
        signal.signal(signal.SIGTSTP, before)
