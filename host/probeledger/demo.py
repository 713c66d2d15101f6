"""A technician's day with a virtual tester, from the first oven to the day sheet.

The firmware, the chips, the circuit and the link are the real ones or their models; the technician is a script that
does what a person does: stands at an oven, switches the tester on, clips on, presses keys, bends a harness, reads the
display, hears the buzzer, unclips. What the tester finds depends on the oven's scenario file alone: nothing in here
knows a verdict before it stands on the display.
"""

import datetime
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from probeledger.archive import open_archive
from probeledger.errors import InputError, ProbeError
from probeledger.link.session import open_session
from probeledger.pulling import PullResult, pull_ledger
from probeledger.reports.day import DaySheet, day_sheet
from probeledger.reports.render import render
from probeledger.reports.words import duration_text
from probeledger.text import plural
from probeledger.virtual import scenario as scenarios
from probeledger.virtual.actors import Script
from probeledger.virtual.device import VirtualTester
from probeledger.virtual.glass import Reader
from probeledger.virtual.world import World

START = datetime.time(7, 55)

# What stands on the display, word for word (firmware/screen).
_READY = "ready"
PLACE_WORDS = {
    "sensor": "Sensor",
    "control-end": "Control",
    "new-part": "New part",
    "after-fitting": "Fitted",
}
_ENDS = ("PASS", "FAIL", "UNDECIDED", "STOP", "Fault", "Program fault", "Not now", "Stopped", "USB is in")
_BEND = "Bend leads"
_WAIT_HINT = "OK: wait"
# The morning check: its end, the steps as the display names them, and the beep of a step that was recognised [Hz].
_CHECK_ENDS = ("Check PASS", "Check FAIL", "Stopped", "Fault", "Program fault", "Not now")
_STEP_HZ = 1500
CHECK_OHMS = 1000.0
CHECK_CHASSIS_OHMS = 1e6
_PATIENCE_US = 90 * 60 * 1_000_000


class DemoError(ProbeError):
    """Say where the demonstration got stuck."""

    def __init__(self, message: str) -> None:
        super().__init__("demo", message)


@dataclass(frozen=True)
class Clipped:
    """One test: where the clips go, and whether the harness is bent while the tester watches."""

    place: str
    bend: bool = False


@dataclass(frozen=True)
class Visit:
    """One oven: its scenario, what is told before, the tests, and the way there [min]."""

    oven: str
    told: str
    tests: tuple[Clipped, ...]
    travel_minutes: float = 25.0


DAY = (
    Visit("reference-25", "The shop's bath at 25.00 °C, the case with a known answer.", (Clipped("sensor"),), 5),
    Visit("good-sensor", "Pale bread, they say.", (Clipped("sensor"), Clipped("control-end"))),
    Visit(
        "open-element",
        "No heat; a new part is in the van.",
        (Clipped("sensor"), Clipped("new-part"), Clipped("after-fitting")),
    ),
    Visit("shorted-sensor", "A rack hit the sensor.", (Clipped("sensor"),)),
    Visit("corroded-harness", "Underdone cakes: measured at both ends.", (Clipped("sensor"), Clipped("control-end"))),
    Visit("leak-to-chassis", "Trips its self-test after cleaning.", (Clipped("sensor"),)),
    Visit(
        "intermittent-harness",
        "A fault when the door is slammed.",
        (Clipped("sensor"), Clipped("control-end", bend=True)),
    ),
    Visit("nearly-cool", "Lunch has just ended; a fan cools the open oven.", (Clipped("sensor"),)),
    Visit("voltage-on-leads", "Was the breaker really off?", (Clipped("sensor"),)),
)

# Told to the person who watches: hour of the simulated day, what happens.
Report = Callable[[str, str], None]


@dataclass
class DemoDay:
    """What a demonstration leaves behind."""

    folder: Path
    archive: Path
    sheet_path: Path
    sheet: DaySheet
    pull: PullResult
    seen: list[tuple[str, str, str]] = field(default_factory=list)


class Technician:
    """Lives through visits with a tester.

    Args:
        tester: the virtual tester, switched off.
        reader: eyes on its display.
        report: told what happens.
        zone: for the hours that are told.
    """

    def __init__(self, tester: VirtualTester, report: Report, zone: datetime.tzinfo | None = None) -> None:
        self._tester = tester
        self._world: Any = tester.world
        self._reader = Reader(lambda: bytes(self._world.screen))
        self._report = report
        self._zone = zone
        # (oven, place, word on the display) of each test, in order.
        self.seen: list[tuple[str, str, str]] = []
        # What stood on the display at the end of the morning check.
        self.checked = ""

    def tell(self, text: str) -> None:
        """Tell something with the simulated time of day."""
        moment = datetime.datetime.fromtimestamp(self._world.epoch_s, datetime.UTC).astimezone(self._zone)
        self._report(moment.strftime("%H:%M"), text)

    def check(self) -> Script:
        """Make the morning check at the bench: clips apart, together, the check resistor, a megohm to the chassis."""
        world = self._world
        world.visit(None)
        self._tester.power_on()
        yield lambda: self._reader.sees("TEST")
        began_us = self._tester.now_us
        world.press("back", 1.0)
        for act in (
            lambda: None,
            lambda: world.clip_resistor(0.0),
            lambda: world.clip_resistor(CHECK_OHMS),
            lambda: (world.clip_resistor(CHECK_OHMS, CHECK_CHASSIS_OHMS), world.clip_chassis()),
        ):
            heard = self._steps_heard()
            act()
            while self._steps_heard() == heard and not self._reader.first_of(_CHECK_ENDS):
                self._check_patience(began_us, "the next step of the check")
                yield 0.1
            # A hand needs a moment for the next clip.
            yield 2.0
        while (said := self._reader.first_of(_CHECK_ENDS)) is None:
            self._check_patience(began_us, "the end of the check")
            yield 0.1
        self.checked = said
        self.tell(f"  morning check: {said} on the display after {(self._tester.now_us - began_us) / 1e6:.0f} s")
        yield 1.5
        world.unclip()
        world.unclip_chassis()
        yield from self._press("ok")
        yield from self._until(_READY, "the home page")
        self._tester.power_off()

    def _steps_heard(self) -> int:
        return sum(1 for beep in self._world.beeps if beep.hz == _STEP_HZ)

    def visit(self, visit: Visit, oven: Any) -> Script:
        """Drive there and make the tests of one visit."""
        self._tester.board.advance(round(visit.travel_minutes * 60e6))
        self._world.visit(oven)
        self.tell(f"{oven.name}: {visit.told}")
        self._tester.power_on()
        yield from self._until(_READY, "the home page")
        for number, test in enumerate(visit.tests):
            if number:
                yield 60.0
            yield from self._test(oven.name, test)
        self._tester.power_off()

    def _test(self, oven: str, test: Clipped) -> Script:
        world, reader = self._world, self._reader
        word = PLACE_WORDS[test.place]
        for _ in range(len(PLACE_WORDS)):
            if reader.sees(word):
                break
            yield from self._press("next")
            yield 0.5
        yield from self._until(word, f"the place {test.place}")
        world.clip(test.place)
        world.clip_chassis()
        yield 2.0
        yield from self._watch(oven, test, "back" if test.bend else "ok")
        if reader.sees(_WAIT_HINT):
            self.tell(f"  {word.lower()}: still moving; the tester is told to wait until it has settled")
            yield from self._watch(oven, test, "ok")
        world.unclip()
        world.unclip_chassis()
        yield 1.0
        yield from self._press("back")
        yield from self._until(_READY, "the home page")

    def _watch(self, oven: str, test: Clipped, key: str) -> Script:
        """Press a key, watch the display until the test ends, and note the word that stands there."""
        world, reader = self._world, self._reader
        beeps = len(world.beeps)
        began_us = self._tester.now_us
        yield from self._press(key)
        bent = False
        while (said := reader.first_of(_ENDS)) is None:
            if test.bend and not bent and reader.sees(_BEND):
                world.bend(30.0)
                bent = True
            self._check_patience(began_us, "a verdict")
            # Nobody stares at a display that says that it takes minutes.
            yield 0.1 if self._tester.now_us - began_us < 30_000_000 else 2.0
        # The buzzer sounds once the picture stands.
        yield 1.5
        lasted_s = (self._tester.now_us - began_us) / 1e6
        heard = len(world.beeps) - beeps
        self.seen.append((oven, test.place, said))
        self.tell(
            f"  {PLACE_WORDS[test.place].lower()}: {said} on the display after {duration_text(lasted_s)}, "
            f"{plural(heard, 'beep')}"
        )

    def _press(self, key: str) -> Script:
        self._world.press(key, 0.15)
        yield 0.4

    def _until(self, text: str, what: str) -> Script:
        began_us = self._tester.now_us
        while not self._reader.sees(text):
            self._check_patience(began_us, what)
            yield 0.1

    def _check_patience(self, began_us: int, what: str) -> None:
        if self._tester.now_us - began_us > _PATIENCE_US:
            raise DemoError(
                f"The tester's display did not come to {what} within {_PATIENCE_US / 60e6:.0f} simulated minutes; "
                f"the firmware printed last: {self._tester.console[-200:].strip()!r}."
            )


def prepare(folder: Path) -> None:
    """Make the folder of a demonstration.

    Raises:
        InputError: it holds something already, or cannot be made.
    """
    try:
        folder.mkdir(parents=True, exist_ok=True)
        if any(folder.iterdir()):
            raise InputError(
                f"{folder} is not empty; name a new folder, so that nothing of yours is mixed with the demo."
            )
    except OSError as error:
        raise InputError(f"The demo's folder {folder} cannot be used: {error.strerror}.") from None


def live(
    folder: Path,
    day: datetime.date,
    report: Report,
    visits: Sequence[Visit] = DAY,
    ovens: dict[str, Any] | None = None,
    zone: datetime.tzinfo | None = None,
    progress: Callable[[int, int], None] | None = None,
    seed: int = 7,
) -> DemoDay:
    """Live through a day.

    Args:
        folder: a new folder; keeps the tester's state, the archive and the day sheet.
        day: the day that is lived.
        report: told the hour and what happens.
        visits: ovens in order.
        ovens: scenarios by name that replace the built-in ones.
        zone: time zone of the day; None is this computer's own.
        progress: told how many of how many steps are done, or None.
        seed: of the tester's part values.

    Returns:
        Where everything lies, and the sheet.

    Raises:
        DemoError: the tester did not do what a technician waits for.
        InputError: the folder is in use, or MicroPython is missing.
    """
    prepare(folder)
    start = datetime.datetime.combine(day, START)
    start = start.astimezone() if zone is None else start.replace(tzinfo=zone)
    scenes = {visit.oven: (ovens or {}).get(visit.oven) or scenarios.load(visit.oven) for visit in visits}
    steps = len(visits) + 2
    world = World(start_epoch_s=int(start.timestamp()), seed=seed)
    archive_path = folder / "archive.sqlite"
    with VirtualTester(folder / "tester", world=world, seed=seed) as tester:
        technician = Technician(tester, report, zone)
        _morning(tester, technician)
        if progress:
            progress(1, steps)
        for number, visit in enumerate(visits, start=2):
            tester.run(technician.visit(visit, scenes[visit.oven]))
            if progress:
                progress(number, steps)
        pulled = _evening(tester, technician, archive_path)
        if progress:
            progress(steps, steps)
    with open_archive(archive_path) as archive:
        sheet = day_sheet(archive, day, zone)
    sheet_path = folder / f"day-{day.isoformat()}.html"
    sheet_path.write_text(render(sheet), encoding="utf-8")
    return DemoDay(folder, archive_path, sheet_path, sheet, pulled, technician.seen)


def _morning(tester: VirtualTester, technician: Technician) -> None:
    """Set the tester's clock at the shop, and check it."""
    tester.plug_usb()
    tester.power_on()
    with open_session(tester.port) as session:
        session.greet()
        technician.tell(f"At the shop: tester {session.hello.tester} is plugged in, its clock is set.")
        session.call("clock", int(tester.world.epoch_s))
    tester.unplug_usb()
    tester.power_off()
    tester.run(technician.check())


def _evening(tester: VirtualTester, technician: Technician, archive_path: Path) -> PullResult:
    """Pull the ledger at the shop."""
    tester.board.advance(30 * 60_000_000)
    tester.world.visit(None)
    tester.plug_usb()
    tester.power_on()
    technician.tell("Back at the shop: the tester is plugged in and its ledger is pulled.")
    with open_session(tester.port) as session, open_archive(archive_path, create=True) as archive:
        session.greet()
        result = pull_ledger(session, archive)
    technician.tell(
        f"{result.new_records} records are in the archive; their chain {'holds' if result.verified else 'is broken'}."
    )
    tester.unplug_usb()
    tester.power_off()
    return result
