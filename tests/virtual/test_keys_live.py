"""`virtual --keys` in a real pseudo-terminal: operated by typing, read off its screen, ended in every way."""

from __future__ import annotations

import codecs
import fcntl
import os
import pty
import re
import select
import signal
import struct
import subprocess
import sys
import termios
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from probeledger.virtual.glass import shows
from probeledger.virtual.terminal.tty import Terminal

sys.path.insert(0, str(Path(__file__).parent))
from keys_screen import Screen

# Nothing here takes nearly so long [wall s].
_PATIENCE_S = 60.0


class Session:
    """The command in a terminal of its own."""

    def __init__(self, state: Path, *options: str, columns: int = 80, lines: int = 24, **environment: str) -> None:
        self.master, slave = pty.openpty()
        self._resize(columns, lines)
        self.modes = termios.tcgetattr(slave)
        self.screen = Screen(columns, lines)
        surroundings = {name: value for name, value in os.environ.items() if name not in ("NO_COLOR", "TERM")}

        def own_terminal() -> None:
            os.setsid()
            fcntl.ioctl(0, termios.TIOCSCTTY, 0)

        self.process = subprocess.Popen(
            [sys.executable, "-m", "probeledger", "virtual", "good-sensor", "--keys", "--state", str(state), *options],
            stdin=slave,
            stdout=slave,
            stderr=subprocess.PIPE,
            preexec_fn=own_terminal,
            env={**surroundings, "TERM": "xterm-256color", "PYTHONUTF8": "1", **environment},
        )
        self.slave = slave
        self._decoder = codecs.getincrementaldecoder("utf-8")()

    def _resize(self, columns: int, lines: int) -> None:
        fcntl.ioctl(self.master, termios.TIOCSWINSZ, struct.pack("HHHH", lines, columns, 0, 0))

    def resize(self, columns: int, lines: int) -> None:
        self.screen.resize(columns, lines)
        self._resize(columns, lines)

    def type(self, keys: str) -> None:
        os.write(self.master, keys.encode())

    def look(self, seconds: float = 0.1) -> None:
        """Take what comes within a wall time."""
        ready, _, _ = select.select([self.master], [], [], seconds)
        if ready:
            try:
                self.screen.feed(self._decoder.decode(os.read(self.master, 65536)))
            except OSError:
                pass

    def until(self, condition: Callable[[], Any], what: str) -> Any:
        deadline_s = time.monotonic() + _PATIENCE_S
        while not (found := condition()):
            self.look()
            assert time.monotonic() < deadline_s, f"{what} did not come:\n{self.screen.text()}"
        return found

    def until_glass(self, text: str) -> None:
        self.until(lambda: shows(self.screen.picture(), text), f"{text!r} on the glass")

    def until_text(self, text: str) -> None:
        self.until(lambda: text in self.screen.text(), repr(text))

    def end(self, status: int = 0) -> str:
        """Wait for the end; the terminal has to be as it was, and no process may be left."""
        children = descendants(self.process.pid)
        deadline_s = time.monotonic() + _PATIENCE_S
        while self.process.poll() is None:
            self.look(0.02)
            children |= descendants(self.process.pid)
            assert time.monotonic() < deadline_s, "it does not end"
        while select.select([self.master], [], [], 0)[0]:
            self.look(0)
        assert self.process.stderr is not None
        said = self.process.stderr.read().decode()
        assert self.process.returncode == status, said
        assert termios.tcgetattr(self.slave) == self.modes
        assert self.screen.modes == {25} or not self.screen.modes and not self.screen.codes
        for pid in children:
            assert not lives(pid), f"process {pid} is left behind"
        return said

    def close(self) -> None:
        if self.process.poll() is None:
            self.process.kill()
        self.process.wait()
        assert self.process.stderr is not None
        self.process.stderr.close()
        os.close(self.master)
        os.close(self.slave)


def descendants(pid: int) -> set[int]:
    """Return the processes that a process has started, from /proc."""
    found = set()
    for name in os.listdir("/proc"):
        try:
            if name.isdigit() and int(Path(f"/proc/{name}/stat").read_text().rpartition(")")[2].split()[1]) == pid:
                found.add(int(name))
        except OSError:
            pass
    return found


def lives(pid: int) -> bool:
    try:
        return Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[0] != "Z"
    except OSError:
        return False


Start = Callable[..., Session]


@pytest.fixture
def start(tmp_path: Path, micropython: str) -> Iterator[Start]:
    sessions: list[Session] = []

    def begin(*options: str, **settings: Any) -> Session:
        sessions.append(Session(tmp_path / "state", "--micropython", micropython, *options, **settings))
        return sessions[-1]

    yield begin
    for session in sessions:
        session.close()


def test_a_person_tests_a_probe(start: Start) -> None:
    session = start("--speed", "5")
    session.until_glass("TEST")
    assert {1049} <= session.screen.modes and 25 not in session.screen.modes
    text = session.screen.text()
    assert "unplugged" in text and "nothing" in text and "q quit" in text and "speed 5" in text
    session.type("1")
    session.until_text("probe clips on: sensor")
    session.type("c")
    session.until_text("chassis clip put on")
    session.type("o")
    session.until_glass("PASS")
    session.until_text("saved")
    # On the verdict's page NEXT leads to the next place.
    session.type("\x1b[C")
    session.until_glass("Control")
    session.type("q")
    assert session.end() == ""


def test_a_long_press_is_another_key(start: Start) -> None:
    session = start("--speed", "5")
    session.until_glass("TEST")
    session.type("B")
    session.until_glass("stop")
    session.until(lambda: shows(session.screen.picture(), "Clips together"), "the morning check")
    session.type("b")
    session.until_glass("Stopped")
    session.type("o")
    session.until_glass("TEST")
    session.type("q")
    session.end()


def test_presses_typed_at_once_come_one_after_the_other(start: Start) -> None:
    session = start("--speed", "4")
    session.until_glass("TEST")
    session.until_glass("Sensor")
    session.type("nnn")
    session.until_glass("Fitted")
    session.type("q")
    session.end()


def test_the_world_is_moved_and_shown(start: Start) -> None:
    session = start("--speed", "2", "--clip", "control-end", "--chassis")
    session.until_glass("TEST")
    session.until_text(" control end")
    session.type("us")
    session.until_text(" plugged in")
    session.until_text("S+ slipped off")
    session.type("u3f")
    session.until_text(" unplugged")
    session.until_text(" new part")
    session.until_text("bent, ")
    session.type("5s")
    session.until_text(" together")
    session.type("60")
    session.until_text(" nothing")
    session.type("+")
    session.until_text("speed 4")
    session.type("-")
    session.until_text("speed 2")
    session.type("?")
    session.until_text("no key ?")
    session.type("p")
    session.until_text(" off")
    session.until(lambda: session.screen.picture() == bytes(1024), "a dark display")
    session.type("p")
    session.until_glass("TEST")
    session.type("q")
    session.end()


def test_on_usb_a_probe_test_is_refused(start: Start) -> None:
    session = start("--speed", "5", "--usb", "--clip", "sensor", "--chassis")
    session.until_glass("TEST")
    session.type("o")
    session.until_glass("USB is in")
    session.until_text("refused")
    session.type("q")
    session.end()


def test_time_runs_ahead_while_one_waits(start: Start) -> None:
    session = start()
    session.until_glass("TEST")
    session.type("W")
    session.until(lambda: re.search(r"  0:1\d:\d\d  speed 1", session.screen.text()), "ten minutes")
    session.type("WWWW")
    session.until_text("any other key ends it")
    session.type("x")
    session.until(lambda: "any other key" not in session.screen.text(), "the end of the wait")
    session.type("q")
    session.end()


def test_the_picture_follows_the_terminal_s_size(start: Start) -> None:
    session = start("--speed", "2")
    session.until_glass("TEST")
    session.resize(60, 20)
    session.until_text("Too small: 60 x 20.")
    session.resize(100, 45)
    session.until_text("q quit")
    session.until(lambda: re.search("[▀▄█▌▐]{3}", session.screen.text()), "quadrants")
    session.resize(160, 45)
    session.until(lambda: re.search("[▀▄█]{12}", session.screen.text()), "half blocks")
    session.resize(80, 24)
    session.until_glass("TEST")
    session.type("q")
    session.end()


def test_the_display_as_text(start: Start) -> None:
    session = start("--speed", "5", "--clip", "sensor", "--chassis")
    session.until_glass("TEST")
    session.type("t")
    session.until_text("flex/check")
    session.type("o")
    session.until(lambda: "\nPASS " in session.screen.text(), "PASS as text")
    session.type("t")
    session.until(lambda: "saved no." not in session.screen.text(), "dots")
    session.until_glass("PASS")
    session.type("q")
    session.end()


def test_whatever_happens_the_terminal_is_given_back() -> None:
    master, slave = pty.openpty()
    before = termios.tcgetattr(slave)
    with open(slave, "w", encoding="utf-8") as sink, open(os.dup(slave), encoding="utf-8") as source:
        with pytest.raises(ZeroDivisionError), Terminal(source, sink) as terminal:
            assert termios.tcgetattr(slave) != before
            terminal.show(["a line"])
            raise ZeroDivisionError
        assert termios.tcgetattr(slave) == before
        sent = ""
        while select.select([master], [], [], 0.5)[0]:
            sent += os.read(master, 65536).decode()
        assert "a line" in sent and sent.endswith("\x1b[?25h\x1b[?1049l")
        # The other side hangs up: nothing to read, nothing raised.
        with Terminal(source, sink) as terminal:
            os.close(master)
            assert terminal.read(5.0) is None


def test_no_color_is_heeded(start: Start) -> None:
    session = start(NO_COLOR="1")
    session.until_glass("TEST")
    assert session.screen.codes <= {"0", "1", "2", "7"}
    session.type("q")
    session.end()


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM, signal.SIGHUP])
def test_a_signal_gives_the_terminal_back(start: Start, number: signal.Signals) -> None:
    session = start()
    session.until_glass("TEST")
    session.process.send_signal(number)
    session.end()


def test_ctrl_c_gives_the_terminal_back(start: Start) -> None:
    session = start()
    session.until_glass("TEST")
    session.type("\x03")
    session.end()


def test_ctrl_z_gives_the_terminal_back_until_it_goes_on(start: Start) -> None:
    session = start()
    session.until_glass("TEST")
    session.process.send_signal(signal.SIGTSTP)
    session.until(lambda: session.screen.modes == {25}, "the terminal")
    assert termios.tcgetattr(session.slave) == session.modes
    session.process.send_signal(signal.SIGCONT)
    session.until(lambda: 1049 in session.screen.modes, "the picture")
    session.until_glass("TEST")
    session.type("q")
    session.end()


def test_a_broken_interpreter_gives_the_terminal_back(start: Start) -> None:
    session = start()
    session.until_glass("TEST")
    (pid,) = descendants(session.process.pid)
    os.kill(pid, signal.SIGSTOP)
    # Its requests stay away; quitting works all the same.
    session.type("q")
    session.end()


@pytest.mark.parametrize(
    ("settings", "message"),
    [
        ({"columns": 79}, "needs a terminal of 80 columns and 24 lines, and this one has 79 and 24"),
        ({"lines": 10}, "and this one has 80 and 10"),
        ({"TERM": "dumb"}, "TERM is 'dumb'"),
        ({"PYTHONUTF8": "0", "PYTHONIOENCODING": "latin-1"}, "set LANG to a UTF-8 locale"),
    ],
)
def test_a_terminal_that_does_not_do_is_refused(start: Start, settings: dict[str, Any], message: str) -> None:
    session = start(**settings)
    said = session.end(status=2)
    assert message in " ".join(said.split())
    assert "Traceback" not in said


@pytest.mark.parametrize(
    ("options", "message"),
    [
        (["--keys"], "--keys draws the tester in a terminal, and here input or output is none"),
        (["--keys", "--json"], "leave --json out"),
        (["--keys", "--press", "ok@1"], "leave --press out"),
        (["--script", os.devnull], "give both"),
    ],
)
def test_what_does_not_go_together_is_refused(tmp_path: Path, options: list[str], message: str) -> None:
    command = [sys.executable, "-m", "probeledger", "virtual", "good-sensor", "--state", str(tmp_path / "state")]
    done = subprocess.run([*command, *options], stdin=subprocess.DEVNULL, capture_output=True, text=True, timeout=60)
    assert done.returncode == 2
    assert message in " ".join(done.stderr.split())
    assert done.stdout == "" and "Traceback" not in done.stderr
    assert not (tmp_path / "state").exists()
