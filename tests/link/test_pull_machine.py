"""Any order of testing, pulling, unplugging and disturbing: the archive holds what the tester sent and nothing else."""

import tempfile
from pathlib import Path

from hypothesis import HealthCheck, settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, invariant, rule
from scripted_tester import FakePort, ScriptedTester, items

from probecore import record
from probeledger.archive import open_archive
from probeledger.errors import DeviceError
from probeledger.link.session import Session
from probeledger.pulling import pull_ledger

MOST_RECORDS = 60
EVERY = items(MOST_RECORDS)


class Pulls(RuleBasedStateMachine):
    """One tester, two shops. The model is the list of records that the tester has."""

    @initialize()
    def begin(self):
        self.folder = tempfile.TemporaryDirectory()
        self.count = 3
        self.confirmed = 0
        self.archives = [
            open_archive(Path(self.folder.name) / f"{name}.sqlite", create=True) for name in ("one", "other")
        ]

    def teardown(self):
        for archive in getattr(self, "archives", []):
            archive.__exit__(None, None, None)
        if hasattr(self, "folder"):
            self.folder.cleanup()

    def pull(self, which, **faults):
        tester = ScriptedTester(EVERY[: self.count], confirmed=self.confirmed)
        port = FakePort(tester, **faults)
        try:
            session = Session(port, now=port.now)
            session.greet(tries=10)
            return pull_ledger(session, self.archives[which])
        finally:
            self.confirmed = tester.confirmed

    @rule(more=st.integers(1, 9))
    def test_probes(self, more):
        self.count = min(self.count + more, MOST_RECORDS)

    @rule(which=st.integers(0, 1))
    def pull_whole(self, which):
        known = len(self.stored(which))
        result = self.pull(which)
        assert (result.new_records, result.known_records) == (self.count - known, known)
        assert result.verified and result.confirmed in (True, None)
        assert self.stored(which) == EVERY[: self.count]
        assert self.confirmed == self.count

    @rule(which=st.integers(0, 1), after=st.integers(0, 20000))
    def unplug(self, which, after):
        try:
            self.pull(which, gone_after=after)
        except DeviceError as error:
            assert error.message.endswith(".")

    @rule(
        which=st.integers(0, 1),
        seed=st.integers(0, 1000),
        flips=st.sampled_from([0.0, 0.001, 0.01]),
        strays=st.sampled_from([0.0, 0.001]),
        swaps=st.sampled_from([0.0, 0.3]),
        doubles=st.sampled_from([0.0, 0.3]),
        stalls=st.sampled_from([0.0, 0.1]),
    )
    def disturbed(self, which, **faults):
        try:
            self.pull(which, **faults)
        except DeviceError as error:
            assert error.message.endswith(".")

    def stored(self, which):
        return [one.item for one in self.archives[which].search()]

    @invariant()
    def only_what_was_sent_and_without_a_hole(self):
        if not hasattr(self, "archives"):
            return
        kept = [self.stored(which) for which in (0, 1)]
        for found in kept:
            assert found == EVERY[: len(found)]
        # The tester is told only of what an archive holds for good.
        assert self.confirmed <= max(map(len, kept))


TestPulls = Pulls.TestCase
TestPulls.settings = settings(
    max_examples=12, stateful_step_count=12, deadline=None, suppress_health_check=[HealthCheck.too_slow]
)

FEW = items(6)
WHOLE_BYTES = 12_000


def bytes_of_a_pull(tmp_path):
    """Return how many bytes the tester sends in a whole pull of the few."""
    port = FakePort(ScriptedTester(FEW), gone_after=WHOLE_BYTES)
    session = Session(port, now=port.now)
    session.greet(tries=10)
    with open_archive(tmp_path / "whole.sqlite", create=True) as archive:
        pull_ledger(session, archive)
    return WHOLE_BYTES - port._left


def test_unplugged_at_every_byte(tmp_path):
    """A pull either ends with a sentence or is whole; no record is ever another one, none is skipped."""
    total = bytes_of_a_pull(tmp_path)
    whole = 0
    for cut in range(total + 1):
        port = FakePort(ScriptedTester(FEW), gone_after=cut)
        got = []
        try:
            session = Session(port, now=port.now)
            session.greet(tries=10)
            for arrived in session.pull(1, len(FEW), record.GENESIS):
                got.extend(arrived)
            whole += 1
        except DeviceError as error:
            assert error.message.endswith(".")
        assert [pulled.item for pulled in got] == FEW[: len(got)]
    assert 0 < whole < total


def test_unplugged_anywhere_the_next_pull_goes_on(tmp_path):
    total = bytes_of_a_pull(tmp_path)
    ends = set()
    for cut in range(0, total, 83):
        path = tmp_path / f"{cut}.sqlite"
        with open_archive(path, create=True) as archive:
            for gone_after in (cut, None):
                port = FakePort(ScriptedTester(FEW), gone_after=gone_after)
                try:
                    session = Session(port, now=port.now)
                    session.greet(tries=10)
                    pull_ledger(session, archive)
                    ends.add("whole")
                except DeviceError as error:
                    assert gone_after is not None and error.message.endswith(".")
                    ends.add(error.code)
                kept = [one.item for one in archive.search()]
                assert kept == FEW[: len(kept)]
            assert kept == FEW and record.digest(kept[-1]) == archive.pulls()[-1]["head"]
        path.unlink()
    assert "vanished" in ends and "whole" in ends
