"""Each decoder on its seeds, on every input that fuzzing has kept, and on damaged copies of both.

Fuzzing itself needs minutes and atheris: `make fuzz`.
"""

import random

import corpus_file
import pytest
from seeds import seeds
from targets import TARGETS

SEEDS = seeds()


def damaged(data, draws):
    """Return a copy with a byte changed, a piece cut out, or a piece twice."""
    at, to = sorted((draws.randrange(len(data) + 1), draws.randrange(len(data) + 1)))
    how = draws.randrange(3)
    if how == 0 and data:
        at = min(at, len(data) - 1)
        return data[:at] + bytes([data[at] ^ 1 << draws.randrange(8)]) + data[at + 1 :]
    return data[:at] + data[to:] if how == 1 else data[:to] + data[at:]


@pytest.mark.parametrize("name", TARGETS)
def test_the_kept_inputs(name):
    kept = corpus_file.load(name)
    assert kept, f"no corpus of {name}: run make fuzz"
    for each in [*SEEDS[name], *kept]:
        TARGETS[name](each)


@pytest.mark.parametrize("name", TARGETS)
def test_damaged_copies(name):
    draws = random.Random(name)
    sources = [*SEEDS[name], *corpus_file.load(name)]
    for _ in range(300):
        TARGETS[name](damaged(draws.choice(sources), draws))


def test_every_seed_is_sound():
    """A seed that is refused at once leads nowhere: each of the file formats takes its own."""
    from probeledger.calibrating import points, references, runfile

    for each in SEEDS["references"][:1]:
        assert len(references.read_references(each.decode(), "seed").references) == 5
    assert len(points.read_points(SEEDS["points"][0].decode(), "seed")[0]) == 4
    assert runfile.read_run(SEEDS["run"][0].decode(), "seed").steps


def test_a_target_can_fail(monkeypatch):
    """A decoder that lets a wrong byte through, or fails in another way than it promises, is a find."""
    from probecore import frames, record

    monkeypatch.setattr(frames, "cobs_decode", lambda data: bytearray(len(data)))
    with pytest.raises(AssertionError):
        TARGETS["reply"](b"abc")
    monkeypatch.undo()
    monkeypatch.setattr(record, "read_frame", lambda buffer, at: (b"x", at + 1, record.WHOLE))
    with pytest.raises(AssertionError):
        TARGETS["segment"](b"abc")


def test_the_corpus_file_gives_back_what_it_took(tmp_path):
    inputs = [b"", b"\n", b"\x00\xff'\"\\", "Ω\r\n".encode(), bytes(range(256))]
    assert corpus_file.save("some", [*inputs, b""], tmp_path) == len(inputs)
    assert sorted(corpus_file.load("some", tmp_path)) == sorted(inputs)
    assert corpus_file.load("other", tmp_path) == []
