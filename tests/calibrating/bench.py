"""A bench for the tests: a virtual tester with drawn parts, references that are not quite what they say, and a person.

The person is the standard input: whenever the program asks, the right resistor is clipped on (or the wrong one, where a
test says so) and a line is answered.
"""

import contextlib
import io
import json
from pathlib import Path

from click.testing import CliRunner

from probeledger.cli import main
from probeledger.virtual.device import VirtualTester
from probeledger.virtual.world import World

# What the certificates of the invented references say [ohm] with U (k = 2), and what they truly are.
REFERENCES = {
    "Short": (0.0, 0.001, 0.0002),
    "R100": (100.003, 0.004, 100.0045),
    "R1000": (1000.012, 0.04, 1000.021),
    "R2000": (2000.01, 0.08, 1999.97),
    "R4000": (4000.02, 0.16, 4000.09),
}
HIGH = {
    "R10k": (10000.4, 0.6, 10000.1),
    "R100k": (99998.0, 8.0, 100001.0),
    "R1M": (1000150.0, 100.0, 1000120.0),
}


def reference_file(folder, references=None, **changes):
    """Write a reference file; `changes` replace whole lines of it, by their text."""
    lines = ['name = "An invented set"']
    for name, (ohms, expanded, _) in (references or REFERENCES).items():
        lines += ["[[references]]", f'name = "{name}"', f"ohms = {ohms!r}", f"uncertainty_ohms = {expanded!r}", "k = 2"]
        if ohms > 1:
            lines += [f'certificate = "INV-{name}"', "date = 2026-03-14"]
    text = "\n".join(lines) + "\n"
    for old, new in changes.get("edits", ()):
        assert old in text, old
        text = text.replace(old, new)
    path = folder / "resistors.toml"
    path.write_text(text, encoding="utf-8")
    return path


@contextlib.contextmanager
def bench(folder, seed=11, **options):
    """Switch a tester on at the bench, its USB plugged in."""
    world = World(None, seed=seed)
    with VirtualTester(folder / "state", world=world, seed=seed, usb_pace=None, **options) as tester:
        tester.power_on()

        def settle(tester):
            yield 3.0

        tester.run(settle)
        tester.plug_usb()
        yield tester


class Person(io.RawIOBase):
    """Answers each question of the program after acting on the world.

    steps: names of references to clip on, in order, or functions of the tester that return the line to type.
    """

    def __init__(self, tester, steps, references=None):
        self._tester = tester
        self._steps = list(steps)
        self._true_ohms = {name: true for name, (_, _, true) in {**REFERENCES, **HIGH, **(references or {})}.items()}
        self.asked = 0

    def readable(self):
        return True

    def readinto(self, buffer):
        if not len(buffer) or not self._steps:
            return 0
        self.asked += 1
        step = self._steps.pop(0)
        line = step(self._tester) if callable(step) else self._clip(step)
        data = f"{line}\n".encode()
        buffer[: len(data)] = data
        return len(data)

    def _clip(self, name):
        """Clip a reference on; "leak NAME" from lead a to the chassis clip."""
        world = self._tester.world
        kind, _, leak = name.partition(" ")

        def act():
            if kind == "leak":
                world.clip_resistor(1000.0, self._true_ohms[leak])
                world.clip_chassis()
            else:
                world.unclip_chassis()
                world.clip_resistor(self._true_ohms[name])

        self._tester.do(act)
        return ""


def run(args, person=None):
    """Run the command line; returns click's result."""
    return CliRunner().invoke(main, ["calibrate", *map(str, args)], input=person)


def calibrate_run(tester, folder, file, steps, references=None, output="run.json", more=()):
    """Run `calibrate run` with a person; returns the result and the run's document."""
    path = folder / output
    args = ["run", tester.port, "--references", file, "--output", path, *more]
    result = run(args, Person(tester, steps, references))
    return result, json.loads(path.read_text(encoding="utf-8")) if path.exists() else None


def up_down(names):
    """Return the names going up, then down again."""
    return [*names, *reversed(names[:-1])]


def pressing(key):
    """Return an actor that presses a key on the tester once it asks for the new calibration, two seconds later."""

    def act(tester):
        before = len(tester.world.beeps)
        yield lambda: len(tester.world.beeps) > before
        yield 2.0
        tester.world.press(key)
        yield 1.0

    return act


def records(folder: Path, port: str):
    """Pull the ledger into an archive of its own; returns the archive's path and what `records --json` tells."""
    archive = folder / "archive.sqlite"
    pulled = CliRunner().invoke(main, ["pull", port, "--archive", str(archive), "--json"])
    assert pulled.exit_code == 0, pulled.output
    listed = CliRunner().invoke(main, ["records", "--archive", str(archive), "--json"])
    assert listed.exit_code == 0, listed.output
    return archive, json.loads(listed.stdout)
