"""Kill pulls at chosen moments; run as a program of its own, because it makes copies of itself by fork.

    python killed_pulls.py FOLDER RECORDS SEED KILLS

An event is a read from the port, the beginning or end of a statement, or a commit about to be made. A pull is run once
to count them; then, for seeded numbers among them, a copy runs the same pull and ends itself by SIGKILL at that event;
as many more are killed from outside after seeded waits. After each, the archive is looked at, and a second pull is
made. What was seen is printed as one JSON document.
"""

import json
import os
import random
import signal
import sys
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "link" / "support"))
from scripted_tester import FakePort, ScriptedTester, items
from sqlalchemy import Engine, event

from probeledger.archive import open_archive
from probeledger.link.session import Session
from probeledger.pulling import pull_ledger


class Counter:
    """Count events; end this process by SIGKILL at a given one."""

    def __init__(self, last=None):
        self.number = 0
        self.last = last

    def __call__(self, *_, **__):
        self.number += 1
        if self.number == self.last:
            os.kill(os.getpid(), signal.SIGKILL)


class CountedPort(FakePort):
    """A port whose reads are events."""

    def read(self, timeout_s):
        self.counter()
        return super().read(timeout_s)


class NotingTester(ScriptedTester):
    """A tester that writes down what it was told is kept, as its flash does."""

    def _do_confirm(self, tag, args):
        part = self.noted.with_suffix(".part")
        part.write_text(args[0])
        part.replace(self.noted)
        return super()._do_confirm(tag, args)


def confirmed(noted):
    """Return up to which record the tester was told that its records are kept."""
    return int(noted.read_text()) if noted.exists() else 0


def pull(place, noted, made, counter):
    """Pull once."""
    tester = NotingTester(made, confirmed=confirmed(noted))
    tester.noted = noted
    port = CountedPort(tester, most_bytes=1500)
    port.counter = counter
    session = Session(port, now=port.now)
    session.greet()
    with open_archive(place, create=True) as archive:
        result = pull_ledger(session, archive)
        assert result.verified


def counted(place, noted, made, last=None):
    """Pull with the database's events counted; return how many there were."""
    counter = Counter(last)
    for name in ("before_cursor_execute", "after_cursor_execute", "commit"):
        event.listen(Engine, name, counter)
    pull(place, noted, made, counter)
    return counter.number


def look(place, noted, made):
    """Return what is in the archive after a kill, and that it is sound."""
    if not place.exists():
        return {"stored": 0, "confirmed": confirmed(noted), "prefix": True, "findings": []}
    with open_archive(place, create=True) as archive:
        stored = [one.item for one in archive.search()]
        findings = [finding.message for finding in archive.verify().findings]
        pulls = archive.pulls()
    return {
        "stored": len(stored),
        "confirmed": confirmed(noted),
        "prefix": stored == made[: len(stored)],
        "findings": findings,
        "noted": sum(one["new_records"] for one in pulls),
        "finished": [one["finished"] for one in pulls],
    }


def killed(folder, made, last=None, wait_s=None):
    """Kill one pull, look, pull again, look again."""
    place, noted = folder / "archive.sqlite", folder / "confirmed"
    child = os.fork()
    if not child:
        try:
            counted(place, noted, made, last)
        finally:
            os._exit(0)
    if wait_s is not None:
        time.sleep(wait_s)
        os.kill(child, signal.SIGKILL)
    _, status = os.waitpid(child, 0)
    seen = {"event": last, "killed": os.WIFSIGNALED(status), "after": look(place, noted, made)}
    pull(place, noted, made, Counter())
    seen["again"] = look(place, noted, made)
    return seen


def main(folder, records, seed, kills):
    """Do all of it."""
    made = items(records)
    chance = random.Random(seed)
    begun = time.perf_counter()
    child_free = folder / "count"
    child_free.mkdir()
    reader, writer = os.pipe()
    child = os.fork()
    if not child:
        number = counted(child_free / "archive.sqlite", child_free / "confirmed", made)
        os.write(writer, str(number).encode())
        os._exit(0)
    os.waitpid(child, 0)
    events = int(os.read(reader, 100))
    whole_s = time.perf_counter() - begun
    chosen = sorted({1, events, *chance.sample(range(1, events + 1), min(kills, events))})
    seen = []
    for number, last in enumerate(chosen):
        (folder / f"event-{number}").mkdir()
        seen.append(killed(folder / f"event-{number}", made, last=last))
    for number in range(kills // 4):
        (folder / f"wait-{number}").mkdir()
        seen.append(killed(folder / f"wait-{number}", made, wait_s=chance.uniform(0, whole_s)))
    print(json.dumps({"events": events, "seen": seen}))


if __name__ == "__main__":
    main(Path(sys.argv[1]), int(sys.argv[2]), int(sys.argv[3]), int(sys.argv[4]))
