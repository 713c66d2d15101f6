"""A shop's counter for the tests: a virtual tester that is plugged in, files to send, and a hand on its keys."""

import contextlib
import json

from click.testing import CliRunner

from probeledger.cli import main
from probeledger.link import open_session
from probeledger.virtual import scenario
from probeledger.virtual.device import VirtualTester
from probeledger.virtual.world import World

NTC = """
name = "cabinet 3977"
kind = "ntc-beta"
reference_ohms = 10000
beta_kelvin = 3977
low_celsius = -40
high_celsius = 125
"""
LIMITS = """
name = "our shop"
ambient_celsius = 3.0
harness_ohms = 2
"""


def platinum(name="ours", r0_ohms=1000.3):
    """Return a curve file of an element of the shop's own."""
    numbers = "a = 3.909e-3\nb = -5.78e-7\nc = -4.18e-12\nlow_celsius = -50\nhigh_celsius = 500\n"
    return f'name = "{name}"\nkind = "platinum"\nr0_ohms = {r0_ohms}\n{numbers}'


def file(folder, text, name="sent.toml"):
    """Write a file to send; returns its path."""
    path = folder / name
    path.write_text(text, encoding="utf-8")
    return path


@contextlib.contextmanager
def counter(folder, seed=3, **options):
    """Switch a tester on at the counter, its USB plugged in."""
    with VirtualTester(folder / "state", world=World(None, seed=seed), seed=seed, usb_pace=None, **options) as tester:
        tester.power_on()
        tester.run_for(3.0)
        tester.plug_usb()
        yield tester


def run(*args):
    """Run the command line; returns click's result."""
    return CliRunner().invoke(main, [str(each) for each in args])


def pressing(key, times=1):
    """Return an actor that presses a key on the tester each time it asks, two seconds later."""

    def act(tester):
        for _ in range(times):
            before = len(tester.world.beeps)
            yield lambda before=before: len(tester.world.beeps) > before
            yield 2.0
            tester.world.press(key)
            yield 1.0

    return act


def send(tester, *args, key="ok", times=1):
    """Run `send` with a hand on the tester's keys; returns click's result."""
    actor = tester.begin(pressing(key, times)) if key else None
    result = run("send", tester.port, *args)
    assert actor is None or actor.ended.wait(30), result.output
    return result


def listed(tester):
    """Return what `send --list --json` tells."""
    result = run("send", tester.port, "--list", "--json")
    assert result.exit_code == 0, result.output
    return json.loads(result.stdout)


def in_use(tester):
    """Return the names of the curve and the limits in use."""
    document = listed(tester)
    return [each["name"] for kind in ("curve", "limits") for each in document[kind] if each["in_use"]]


def set_clock(tester, epoch_seconds):
    """Set the tester's clock [s since 1970, UTC]."""
    with open_session(tester.port) as session:
        session.call("clock", epoch_seconds)


def test_oven(tester, oven, place="sensor"):
    """Unplug, clip onto an oven, make a quick test there, and plug in again.

    oven: a built-in one's name, or a Scenario; place: "sensor", or "control-end", which a key chooses first.
    """
    scene = scenario.load(oven) if isinstance(oven, str) else oven

    def act(tester):
        tester.world.visit(scene)
        tester.world.clip(place)
        tester.world.clip_chassis()
        yield 4.0
        if place == "control-end":
            tester.world.press("next")
            yield 2.0
        before = len(tester.world.beeps)
        tester.world.press("ok")
        yield lambda: len(tester.world.beeps) > before
        yield 2.0
        tester.world.press("back")
        yield 2.0

    tester.unplug_usb()
    tester.run(act)
    tester.plug_usb()


test_oven.__test__ = False


def pulled(tester, archive):
    """Pull into an archive and return the day's tests as the sheet has them, and the records."""
    result = run("pull", tester.port, "--archive", archive, "--json")
    assert result.exit_code == 0, result.output
    result = run("records", "--archive", archive, "--json")
    assert result.exit_code == 0, result.output
    return json.loads(result.stdout)
