"""The terminal's pictures of the display, the words for its sounds, the keys and the layout: without any terminal."""

import importlib
import random
import re
import sys
import types
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from probeledger.resources import firmware_folder
from probeledger.virtual.chips.ssd1306 import Ssd1306
from probeledger.virtual.glass import shows
from probeledger.virtual.scenario import PLACES
from probeledger.virtual.terminal import dots, sounds
from probeledger.virtual.terminal.hand import Scene
from probeledger.virtual.terminal.keyboard import ACTS, HELP, Decoder
from probeledger.virtual.terminal.layout import LEAST_COLUMNS, LEAST_LINES, draw, plain, styled
from probeledger.virtual.terminal.reading import texts_on
from probeledger.virtual.world import KEYS, Beep

sys.path.insert(0, str(Path(__file__).parent))
from keys_screen import Frame, picture_of


@pytest.fixture
def canvas() -> Iterator[Any]:
    path = str(firmware_folder())
    sys.path.insert(0, path)
    try:
        yield importlib.import_module("screen.canvas").Canvas(Frame())
    finally:
        sys.path.remove(path)
        for name in [name for name in sys.modules if name == "screen" or name.startswith("screen.")]:
            del sys.modules[name]


@pytest.fixture(params=range(4))
def picture(request: pytest.FixtureRequest) -> bytes:
    return random.Random(request.param).randbytes(1024)


def test_braille_shows_every_dot(picture: bytes) -> None:
    lines = dots.braille(picture)
    assert (len(lines), {len(line) for line in lines}) == (16, {64})
    assert picture_of(lines, 2, 4) == picture
    assert [line.replace("\u2800", " ") for line in dots.braille(picture, "\u2800")] == lines


def test_quadrants_show_every_dot(picture: bytes) -> None:
    lines = dots.quadrants(picture)
    assert (len(lines), {len(line) for line in lines}) == (32, {64})
    assert picture_of(lines, 2, 2) == picture


def test_half_blocks_show_every_dot(picture: bytes) -> None:
    lines = dots.half_blocks(picture)
    assert (len(lines), {len(line) for line in lines}) == (32, {128})
    assert picture_of(lines, 1, 2) == picture


def as_seen(spans: list[list[tuple[str, bool]]]) -> bytes:
    """Return the picture that spans make where reverse video turns each dot around."""
    lines = ["".join(text for text, _ in line) for line in spans]
    turned = set()
    for y, line in enumerate(spans):
        flags = [flag for text, flag in line for _ in text]
        turned |= {(y, x) for x, flag in enumerate(flags) if flag}
    return picture_of(lines, 2, 4, turned)


def test_reverse_video_shows_the_same_dots(picture: bytes) -> None:
    assert as_seen(dots.in_spans(picture)) == picture


def test_dark_text_on_lit_is_drawn_in_reverse_and_no_letter_is(canvas) -> None:
    canvas.clear()
    canvas.text("PASS BM8", 0, 0, 3)
    canvas.label("TEST", 40, 55)
    canvas.label("OK", 100, 24)
    found = dots.inverse_boxes(bytes(canvas._display.ram))
    assert sorted(found) == [(40, 55, 40 + canvas.text_width("TEST") + 4, 64), (100, 24, 113, 33)]
    spans = dots.in_spans(bytes(canvas._display.ram))
    assert as_seen(spans) == bytes(canvas._display.ram)
    assert any(turned for _, turned in spans[14]) and not any(turned for _, turned in spans[2])


@pytest.mark.parametrize("scale", [1, 2, 3])
def test_no_character_of_the_font_counts_as_a_box(canvas, scale: int) -> None:
    for code in [*range(33, 127), 0xB0, 0x3A9, 0x2192]:
        canvas.clear()
        canvas.text(chr(code), 10, 10, scale)
        assert dots.inverse_boxes(bytes(canvas._display.ram)) == (), chr(code)


def test_the_glass_is_what_the_display_shows() -> None:
    display = Ssd1306()
    assert dots.glass(display) == dots.DARK
    display.write(bytes((0x00, 0x8D, 0x14, 0xA1, 0xC8, 0xAF)))
    display.write(bytes((0x00, 0x20, 0x00, 0x21, 0, 127, 0x22, 0, 7)))
    memory = random.Random(1).randbytes(1024)
    display.write(b"\x40" + memory)

    def by_dots() -> bytes:
        frame = Frame()
        for y in range(64):
            for x in range(128):
                if display.pixel(x, y):
                    frame.fill_rect(x, y, 1, 1, 1)
        return bytes(frame.ram)

    assert dots.glass(display) == memory == by_dots()
    for command in (0xA7, 0xA0, 0xC0, 0x47, 0xA6, 0xA5, 0xA4, 0xAE):
        display.write(bytes((0x00, command)))
        assert dots.glass(display) == by_dots(), hex(command)
    assert dots.glass(display) == dots.DARK


# ------------------------------------------------------------ sounds


@pytest.fixture
def buzzer(monkeypatch: pytest.MonkeyPatch) -> types.ModuleType:
    """Load the firmware's module as it is, with nothing behind it."""
    machine = types.ModuleType("machine")
    machine.PWM = machine.Pin = object  # type: ignore[attr-defined]
    monkeypatch.setitem(sys.modules, "machine", machine)
    source = (firmware_folder() / "parts" / "buzzer.py").read_text().replace("import create_task, sleep_ms", "import *")
    module = types.ModuleType("buzzer")
    exec(compile(source, "buzzer.py", "exec"), module.__dict__)
    return module


def test_every_sound_of_the_firmware_is_known_and_told_apart(buzzer: types.ModuleType) -> None:
    of_firmware = {name: value for name, value in vars(buzzer).items() if isinstance(value, tuple)}
    assert of_firmware and sorted(sounds.known().values()) == sorted(of_firmware.values())
    played: list[Beep] = []
    time_us = 0
    wanted = []
    for words, tones in sounds.known().items():
        wanted.append((time_us, words))
        for hz, ms in tones:
            if hz:
                played.append(Beep(time_us, hz, ms))
            time_us += ms * 1000
        time_us += 2_000_000
    assert [(sound.time_us, sound.words) for sound in sounds.heard(played)] == wanted
    assert len({words for _, words in wanted}) == len(wanted)


def test_sounds_cut_short_late_or_unknown() -> None:
    tones = [(hz, ms) for hz, ms in sounds.known()["STOP"] if hz]
    begun = [Beep(k * 90_000, hz, ms) for k, (hz, ms) in enumerate(tones)][:3]
    assert [sound.words for sound in sounds.heard(begun)] == ["STOP"]
    assert [sound.words for sound in sounds.heard([Beep(0, 123, 50.0)])] == ["123 Hz"]
    assert sounds.heard([]) == []
    # Two of a kind, apart: two sounds.
    hz, ms = sounds.known()["saved"][0]
    assert [sound.time_us for sound in sounds.heard([Beep(0, hz, ms), Beep(3_000_000, hz, ms)])] == [0, 3_000_000]


# ------------------------------------------------------------ keyboard


def test_every_key_of_the_help_is_a_key_and_every_key_is_in_the_help() -> None:
    helped = " ".join(HELP)
    for key in ACTS:
        if key in ("left", "right", "enter", "redraw"):
            continue
        assert re.search(rf"(?<!\S){re.escape(key)}(?!\S)|{re.escape(key)}\)", helped), key
    assert max(len(line) for line in HELP) <= LEAST_COLUMNS
    assert {ACTS[key].value for key in "bon"} == {ACTS[key].value for key in "BON"} == set(KEYS)
    assert set(PLACES) <= {act.value for act in ACTS.values() if act.name == "clip"}


@pytest.mark.parametrize(
    ("data", "keys"),
    [
        (b"o", ["o"]),
        (b"oN", ["o", "N"]),
        (b"\r", ["enter"]),
        (b" ", ["enter"]),
        (b"\x1b[D\x1b[C", ["left", "right"]),
        (b"\x1bOC", ["right"]),
        (b"\x1b[1;5C", []),
        (b"\x1b[15~q", ["q"]),
        (b"\x1bo", []),
        ("é€o".encode(), ["o"]),
        (b"\x03", ["q"]),
        (b"\x00\x7f", []),
    ],
)
def test_bytes_become_keys_however_they_are_split(data: bytes, keys: list[str]) -> None:
    for cut in range(len(data) + 1):
        decoder = Decoder()
        assert decoder.feed(data[:cut]) + decoder.feed(data[cut:]) == keys, cut
    decoder = Decoder()
    assert [key for byte in data for key in decoder.feed(bytes((byte,)))] == keys


def test_an_escape_alone_is_forgotten_and_a_flood_is_bounded() -> None:
    decoder = Decoder()
    assert decoder.feed(b"\x1b") == []
    decoder.pause()
    assert decoder.feed(b"[") == ["["]
    assert len(decoder.feed(b"o" * 100_000)) <= 64


def test_no_bytes_upset_the_decoder() -> None:
    source = random.Random(3)
    decoder = Decoder()
    for _ in range(2000):
        for key in decoder.feed(bytes(source.choice((0x1B, 0x5B, 0x4F, source.randrange(256))) for _ in range(9))):
            assert key.isprintable()
    decoder.pause()
    assert decoder.feed(b"q") == ["q"]


# ------------------------------------------------------------ layout


def scene(**changes: object) -> Scene:
    values: dict[str, object] = {
        "oven": "good-sensor",
        "picture": bytes(1024),
        "place": "fitted part",
        "slipped": None,
        "chassis": True,
        "usb": False,
        "bent_s": 0.0,
        "state": "on",
        "sounds": (),
        "elapsed_us": 3_723_000_000,
        "epoch_s": 1_795_593_600.0,
        "speed": 1.0,
    }
    return Scene(**{**values, **changes})  # type: ignore[arg-type]


@pytest.mark.parametrize("columns", [80, 81, 120, 144, 300])
@pytest.mark.parametrize("lines", [24, 30, 40, 41, 90])
def test_the_layout_fits_the_terminal(columns: int, lines: int, picture: bytes) -> None:
    heard = tuple(sounds.Heard(59 * 60_000_000 + k, "STOP and more than fits") for k in range(40))
    full = scene(
        oven="an oven with a name that has no end at all, not even here " * 3,
        picture=picture,
        slipped="S+",
        sounds=heard,
        bent_s=123.4,
        state="program ended",
        speed=1024.0,
        message="a long message " * 30,
        elapsed_us=3_600_000_000 * 100,
    )
    for moment in (scene(picture=picture), full):
        drawn = draw(moment, columns, lines)
        assert len(drawn) <= lines
        for line in plain(drawn):
            assert len(line) <= columns
            assert "\x1b" not in line
        assert plain(drawn)[-len(HELP) :] == [line.rstrip() for line in HELP]


def test_the_world_stands_beside_the_glass() -> None:
    last_us = 3_599_000_000
    beeps = sounds.Heard(62_000_000, "saved"), sounds.Heard(last_us, "not saved"), sounds.Heard(last_us, "attention")
    text = "\n".join(plain(draw(scene(slipped="S-", usb=True, bent_s=7.0, sounds=beeps), 80, 24)))
    for words in (
        "08:00:00 UTC  1:02:03  speed 1",
        "Virtual tester at good-sensor",
        "fitted part",
        "S- slipped off",
        "plugged in",
        "bent, 7 s",
        "1:02 saved",
        "│59:59 not saved",
        "│59:59 attention",
    ):
        assert words in text
    assert "unplugged" not in text
    waiting = "\n".join(plain(draw(scene(waiting_s=30.0, message="hidden"), 80, 24)))
    assert "30 s to go" in waiting and "hidden" not in waiting


@pytest.mark.parametrize(("columns", "lines"), [(79, 24), (80, 23), (20, 5), (7, 2), (1, 1), (0, 0)])
def test_a_terminal_too_small_says_so(columns: int, lines: int) -> None:
    text = plain(draw(scene(), columns, lines))
    assert len(text) <= lines and all(len(line) <= max(columns, 0) for line in text)
    if columns >= 20 and lines >= 4:
        assert " ".join(text) == f"Too small: {columns} x {lines}. Make it {LEAST_COLUMNS} x {LEAST_LINES}; q quits."


def test_control_characters_of_an_oven_do_not_reach_the_terminal() -> None:
    drawn = draw(scene(oven="a\x1b[2Jb\nc", message="x\x07y"), 80, 24)
    for line in drawn:
        assert not any(ord(character) < 32 for text, _ in line for character in text)
        bare = re.sub(r"\x1b\[[0-9;]*m", "", styled(line, True))
        assert bare == re.sub(r"\x1b\[[0-9;]*m", "", styled(line, False)) == "".join(text for text, _ in line)


def test_without_colour_no_colour_is_set(canvas) -> None:
    canvas.clear(1)
    canvas.text("STOP", 1, 1, 3, 0)
    alarm = (sounds.Heard(0, "STOP"),)
    drawn = draw(scene(picture=bytes(canvas._display.ram), sounds=alarm), 80, 24)
    for line in drawn:
        for code in re.findall(r"\x1b\[([0-9;]*)m", styled(line, False)):
            assert code in ("0", "1", "2", "7")
    assert shows(bytes(canvas._display.ram), "STOP")
    assert any(style == "reverse glass" for line in drawn for _, style in line)


# ------------------------------------------------------------ reading


@pytest.mark.parametrize("scale", [1, 2, 3])
@pytest.mark.parametrize(
    "text",
    ["PASS", "STOP", "1090.0 ohm", "0.00 ohm", "Isolation", "lead a: 40.1", "OK: wait", "-0.05", "23.0°C", "I can"],
)
def test_a_text_is_read_in_every_size(canvas: Any, text: str, scale: int) -> None:
    if canvas.text_width(text, scale) > 120:
        pytest.skip("too wide for the display")
    canvas.clear()
    canvas.text(text, 5, 17, scale)
    assert texts_on(bytes(canvas._display.ram)) == (text,)


def test_texts_are_read_lit_and_dark_close_together_and_at_the_edge(canvas: Any) -> None:
    canvas.clear()
    canvas.text("PASS", 0, 0, 3)
    canvas.right("Sensor", 0)
    canvas.right("job 7", 9)
    # The large figures reach into the rows that the word's letters leave for descenders.
    canvas.text("1097.4 ohm", 0, 23, 2)
    canvas.text("shape of a g", 0, 38)
    canvas.banner("NOT SAVED: ledger is full", 47)
    canvas.text("saved no. 10", 0, 57)
    assert texts_on(bytes(canvas._display.ram)) == (
        "PASS",
        "Sensor",
        "job 7",
        "1097.4 ohm",
        "shape of a g",
        "NOT SAVED: ledger is full",
        "saved no. 10",
    )


def test_nothing_is_read_where_nothing_stands() -> None:
    assert texts_on(bytes(1024)) == () == texts_on(b"\xff" * 1024)
    for seed in range(20):
        for text in texts_on(random.Random(seed).randbytes(1024)):
            assert text.isprintable()


def test_the_display_as_text(canvas: Any) -> None:
    canvas.clear()
    canvas.text("UNDECIDED", 0, 0, 2)
    lines = plain(draw(scene(picture=bytes(canvas._display.ram), as_text=True), 80, 24))
    assert lines[1].startswith("UNDECIDED" + " " * 55 + "│ probe clips")
    assert len(lines) == 24
