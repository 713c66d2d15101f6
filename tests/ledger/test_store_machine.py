"""The store on the real littlefs in the real MicroPython against a plain model: appends, cuts, rot, confirmations.

Hypothesis draws what happens; a MicroPython behind a pipe does it (board/serve.py); the model is a few dictionaries.
"""

import importlib.util
import json
import subprocess
import sys
import tempfile
from pathlib import Path

import pytest
from hypothesis import HealthCheck, settings
from hypothesis import strategies as st
from hypothesis.stateful import (
    RuleBasedStateMachine,
    initialize,
    invariant,
    precondition,
    rule,
    run_state_machine_as_test,
)

HERE = Path(__file__).resolve().parent
ROOT = HERE.parents[1]
GENESIS = "00" * 32

_spec = importlib.util.spec_from_file_location("powercut_of_machine", HERE / "powercut.py")
powercut = importlib.util.module_from_spec(_spec)
sys.modules["powercut_of_machine"] = powercut
_spec.loader.exec_module(powercut)


class Board:
    """One MicroPython process that serves the machines of all examples."""

    def __init__(self, errors):
        """errors: open file for what MicroPython writes to stderr."""
        self._errors = errors
        self._begin()

    def _begin(self):
        command = [powercut.interpreter(), "-X", "heapsize=8M", str(HERE / "board" / "serve.py")]
        command += [str(ROOT / "firmware"), str(powercut.CHIP_FOLDER)]
        self._process = subprocess.Popen(
            command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=self._errors, text=True
        )

    def ask(self, *asked):
        if self._process.poll() is not None:
            self.close()
            self._begin()
        self._process.stdin.write(json.dumps(asked) + "\n")
        self._process.stdin.flush()
        line = "start"
        while line and not line.startswith("="):
            line = self._process.stdout.readline()
        answer = json.loads(line[1:]) if line else {"failed": "MicroPython ended"}
        if "failed" in answer:
            self._errors.seek(0)
            raise AssertionError(answer["failed"] + "\n" + self._errors.read()[-3000:])
        return answer

    def close(self):
        self._process.stdin.close()
        self._process.wait(10)
        self._process.stdout.close()


class Machine(RuleBasedStateMachine):
    board: Board
    counts: dict

    @initialize()
    def begin(self):
        self.digests = {}  # of every number ever given to a record, also of those that are lost
        self.rotten = set()
        self.kept = 0  # the newest number that was shown as saved
        self.confirmed = 0
        self.settings = {}
        self.calibration = None
        self.boot = 1
        self.seen = self.board.ask("new")

    # ------------------------------------------------------------ what happens

    def _do(self, *asked, cut=None):
        """Do something, with a power cut at an operation where one is given. Returns whether it was done."""
        if cut is not None:
            asked = ("cut", *cut, *asked)
        self.seen = self.board.ask(*asked)
        self.counts[asked[0]] = self.counts.get(asked[0], 0) + 1
        if self.seen["cut"]:
            self.counts["really cut"] = self.counts.get("really cut", 0) + 1
            self.boot = self.seen["boot"]
        return not self.seen["cut"] and self.seen["error"] is None

    def _appended(self, done):
        number = self.kept + 1
        if done:
            assert self.seen["value"] == self.seen["last"] == number
        elif self.seen["error"]:
            assert self.seen["error"] == "ledger-full"
            self.counts["full"] = self.counts.get("full", 0) + 1
            # Nothing that could have gone was kept for nothing.
            firsts = self.seen["firsts"]
            assert len(firsts) < 2 or firsts[1] - 1 > self.confirmed
            return
        # A record that was cut off may be there whole, or not at all.
        if self.seen["last"] == number:
            self.kept = number
            self.digests[number] = self.seen["head"]
        else:
            assert not done

    cuts = st.none() | st.tuples(st.integers(0, 14), st.integers(1, 10**6))

    @rule(size=st.sampled_from([0, 40, 300, 1200, 3500]), cut=cuts)
    def append(self, size, cut):
        self._appended(self._do("append", size, cut=cut))

    @rule(count=st.integers(2, 8), size=st.sampled_from([900, 3000]))
    def append_many(self, count, size):
        for _ in range(count):
            self._appended(self._do("append", size))

    @precondition(lambda self: self.seen["records"])
    @rule(share=st.integers(0, 100), cut=cuts)
    def confirm(self, share, cut):
        records = self.seen["records"]
        number = records[share * (len(records) - 1) // 100][0]
        done = self._do("confirm", number, cut=cut)
        wanted = max(number, self.confirmed)
        assert self.seen["confirmed"] in ((wanted,) if done else (wanted, self.confirmed))
        self.confirmed = self.seen["confirmed"]

    @rule(name=st.sampled_from("abc"), value=st.integers(0, 9), cut=cuts)
    def change(self, name, value, cut):
        done = self._do("set", name, value, cut=cut)
        changed = {**self.settings, name: value}
        assert self.seen["settings"] in ((changed,) if done else (changed, self.settings))
        self.settings = self.seen["settings"]

    @rule(number=st.integers(1, 99), cut=cuts)
    def calibrate(self, number, cut):
        done = self._do("calibrate", number, cut=cut)
        assert self.seen["calibration"] in ((number,) if done else (number, self.calibration))
        self.calibration = self.seen["calibration"]

    @rule(cut=cuts)
    def restart(self, cut):
        self._do("restart", cut=cut)
        self.boot = self.seen["boot"]

    @precondition(lambda self: self.seen["records"])
    @rule(share=st.integers(0, 100), permille=st.integers(0, 999), bit=st.integers(0, 7))
    def rot(self, share, permille, bit):
        records = self.seen["records"]
        number = records[share * (len(records) - 1) // 100][0]
        before = {entry[0] for entry in records}
        self._do("rot", number, permille, bit)
        # Found at once where it is read, and still there as a number after the next start.
        assert before - {entry[0] for entry in self.seen["records"]} == {number}
        self.rotten.add(number)
        self._do("restart")
        if number == self.kept:
            assert any(f"{number} was saved and can no longer be read" in note for note in self.seen["notes"]) or any(
                f"to {number} were saved and can no longer be read" in note for note in self.seen["notes"]
            )

    # ------------------------------------------------------------ what must hold

    @invariant()
    def what_was_saved_is_there(self):
        if not hasattr(self, "seen"):
            return
        records = self.seen["records"]
        found = {number: digest for number, digest, _ in records}
        assert self.seen["last"] == self.kept
        assert self.seen["head"] == self.digests.get(self.kept, GENESIS)
        assert [number for number, _, _ in records] == sorted(found)
        for number, digest, before in records:
            assert digest == self.digests[number]
            assert before == self.digests.get(number - 1, GENESIS)
        missing = set(self.digests) - set(found) - self.rotten
        # Only whole segments at the beginning may be gone, and only what the shop has.
        assert all(number <= self.confirmed for number in missing)
        oldest = self.seen["firsts"][0] if self.seen["firsts"] else 0
        assert all(number < oldest for number in missing)
        assert self.seen["confirmed"] == self.confirmed
        assert self.seen["settings"] == self.settings
        assert self.seen["calibration"] == self.calibration
        assert self.seen["boot"] >= self.boot


def run(examples, steps, seeded):
    counts = {}
    how = settings(
        max_examples=examples,
        stateful_step_count=steps,
        deadline=None,
        derandomize=seeded,
        database=None,
        suppress_health_check=list(HealthCheck),
    )
    with tempfile.TemporaryFile("w+") as errors:
        board = Board(errors)
        try:
            run_state_machine_as_test(
                type("StoreMachine", (Machine,), {"board": board, "counts": counts}), settings=how
            )
        finally:
            board.close()
    return counts


def test_the_store_is_as_its_model_says():
    counts = run(30, 30, True)
    print(counts)
    # The rules were really used.
    assert counts["really cut"] > 30 and counts["append"] > 100 and counts["rot"] > 10 and counts["full"] > 0


@pytest.mark.long
def test_the_store_is_as_its_model_says_for_long():
    counts = run(120, 50, False)
    print(counts)
    assert counts["really cut"] > 200 and counts["full"] > 0
