"""Scripts of `virtual --keys`: what they refuse, what they write, and the page of the docs that one of them makes."""

from __future__ import annotations

import re
import subprocess
import sys
from pathlib import Path

import pytest
from click.testing import CliRunner

from probeledger.cli import main
from probeledger.errors import InputError
from probeledger.virtual.glass import shows
from probeledger.virtual.terminal.script import parse

sys.path.insert(0, str(Path(__file__).parent))
from keys_screen import picture_of

DOCS = Path(__file__).resolve().parents[2] / "docs"
RUN = [sys.executable, "-m", "probeledger", "virtual", "good-sensor", "--keys", "--script"]


def play(script: str, tmp_path: Path, micropython: str, *options: str) -> subprocess.CompletedProcess[str]:
    path = tmp_path / "the.script"
    path.write_text(script, encoding="utf-8")
    return subprocess.run(
        [*RUN, str(path), "--micropython", micropython, *options], capture_output=True, text=True, timeout=600
    )


def pictures(text: str) -> list[bytes]:
    blocks = re.findall(r"```text\n(.*?)\n```", text, re.DOTALL)
    return [picture_of(block.split("\n"), 2, 4) for block in blocks if "│" not in block]


def test_the_docs_walk_through_is_what_its_script_makes(micropython: str) -> None:
    done = subprocess.run(
        [*RUN, str(DOCS / "walk-through.script"), "--micropython", micropython],
        capture_output=True,
        text=True,
        timeout=600,
    )
    assert done.returncode == 0, done.stderr
    kept = (DOCS / "walk-through.md").read_text(encoding="utf-8")
    assert done.stdout == kept, (
        "The tester shows something else by now; look at it, then make the page again as it says itself."
    )


def test_the_walk_through_shows_what_its_text_tells() -> None:
    text = (DOCS / "walk-through.md").read_text(encoding="utf-8")
    sections = dict(re.findall(r"^## (.*?)\n(.*?)(?=^## |\Z)", text, re.DOTALL | re.MULTILINE))
    for title, words in (
        ("A test in seconds", "PASS"),
        ("One that fails", "FAIL"),
        ("A chassis clip on paint", "UNDECIDED"),
        ("A clip that slips off", "UNDECIDED"),
        ("Voltage on a lead", "STOP"),
        ("On USB", "USB is in"),
        ("The morning check", "Check PASS"),
        ("The guided test", "PASS"),
    ):
        (*_, last) = pictures(sections[title])
        assert shows(last, words), title
        assert f"Reads: {words}" in sections[title]
    assert not re.search(r"\bsafe\b|\bdead\b|no voltage", text, re.IGNORECASE)
    assert max(len(line) for line in text.splitlines() if not line.startswith("|")) <= 120


HAND = """# Hand
@until TEST
@clip sensor
@chassis on
@wait 1.5
@flex 30
@press back
@until PASS
@display
@heard
@heard
@press back
@oven intermittent-harness
@usb in
@slip S+
@screen
@slip none
@usb out
@power off
@display
@power on
@until TEST
@hold back
@until stop
@press back
@until Stopped
@display
the end
"""


def test_a_script_moves_everything_and_is_played_the_same_twice(tmp_path: Path, micropython: str) -> None:
    first, second = (play(HAND, tmp_path, micropython) for _ in range(2))
    assert first.returncode == 0, first.stderr
    assert first.stdout == second.stdout
    passed, dark, stopped = pictures(first.stdout)
    assert shows(passed, "PASS") and shows(stopped, "Stopped") and dark == bytes(1024)
    assert first.stdout.startswith("# Hand\n") and first.stdout.endswith("the end\n")
    for words in ("Heard: attention, saved.", "Heard: nothing.", "Reads: PASS · Sensor", "Reads: nothing."):
        assert words in first.stdout
    for words in ("S+ slipped off", "plugged in", "intermittent-harness", " nothing"):
        assert words in first.stdout


def test_a_text_that_never_comes_is_said_in_a_sentence(tmp_path: Path, micropython: str) -> None:
    done = play("@until TEST\n@power off\n\n@until PASS\n", tmp_path, micropython)
    assert done.returncode == 1
    assert 'Line 4: "PASS" did not come to the display within 60 simulated minutes' in " ".join(done.stderr.split())
    assert "Traceback" not in done.stderr and done.stdout == ""


@pytest.mark.parametrize(
    ("script", "message"),
    [
        ("@dance\n", "Line 1 of a.script has no act @dance; the acts are @press"),
        ("text\n@press enter\n", "Line 2 of a.script: @press wants one of back, ok, next, not 'enter'"),
        ("@hold\n", "@hold wants one of back, ok, next, not ''"),
        ("@clip nowhere\n", "@clip wants one of sensor,"),
        ("@wait\n", "@wait wants a number of seconds, not ''"),
        ("@wait soon\n", "@wait wants a number of seconds, not 'soon'"),
        ("@wait 0\n", "@wait wants more than 0 and at most 86400 seconds, not '0'"),
        ("@wait nan\n", "@wait wants more than 0 and at most 86400 seconds, not 'nan'"),
        ("@flex 1e9\n", "@flex wants more than 0"),
        ("@until\n", "@until wants a name or a text"),
        ("@display now\n", "@display wants nothing, not 'now'"),
        ("@power\n", "@power wants one of on, off"),
        ("@usb plug\n", "@usb wants one of in, out"),
        ("@chassis\n", "@chassis wants one of on, off"),
        ("@slip A\n", "@slip wants one of F+, S+, S-, F-, none"),
        ("@\n", "has no act @;"),
    ],
)
def test_a_bad_script_is_refused_before_anything_starts(script: str, message: str) -> None:
    with pytest.raises(InputError) as raised:
        parse(script, "a.script")
    assert message in raised.value.message


def test_an_oven_that_is_not_there_and_a_file_that_is_not_there(tmp_path: Path, micropython: str) -> None:
    done = play("@oven good-senor\n", tmp_path, micropython)
    assert done.returncode == 2
    assert 'did you mean "good-sensor"?' in " ".join(done.stderr.split())
    result = CliRunner().invoke(main, ["virtual", "good-sensor", "--keys", "--script", str(tmp_path / "none")])
    assert result.exit_code == 2 and "No such file" in result.output
