"""Write version-1.sql: a small archive as the first version of the program made it, for the tests of migration.

It was run once, with that version's own code on the path; it is kept to show what the file holds:

    PYTHONPATH=host:firmware python make_version_1.py version-1.sql

Two ledgers: a boot without a time whose clock was set later, probe tests, a flex test, an item that cannot be read; and
the first records of another tester, of which the pull was cut off.
"""

import sqlite3
import sys
import tempfile
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[2] / "link" / "support"))
from scripted_tester import LEDGER, MORNING, TESTER, ScriptedTester, items, probe_body

from probecore import record
from probeledger.archive import PullEntry, open_archive

OTHER = bytes.fromhex("fedcba9876543210")


def ledger_items():
    """Return the items of the first ledger."""
    made = items(1, kind="boot", body=lambda number: {"cause": "power"}, time=None)
    made = items(1, body=lambda number: probe_body(number, ticket=None), time=None, start_ms=20_000, after=made)
    made = items(1, kind="clock", body=lambda number: {"before": None, "after": MORNING}, start_ms=80_000, after=made)
    made = items(4, start_ms=100_000, time=MORNING + 20, after=made)
    made = items(1, kind="flex", body=lambda number: {"dropouts": 2}, boot=2, time=MORNING + 7200, after=made)
    return items(2, boot=3, time=None, after=made)


def main(target):
    """Make the archive and write it down as SQL."""
    made = ledger_items()
    others = [*items(3, ledger=OTHER, tester="pl-other", time=MORNING + 86400), b"\xff\x00\x01"]
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "archive.sqlite"
        with open_archive(path, create=True) as archive:
            archive.note_tester(ScriptedTester(made, boot=4, ms=60_000).hello(), now=MORNING + 90_000)
            archive.add(list(enumerate(made, start=1)), TESTER, LEDGER)
            archive.reconstruct_times(LEDGER)
            sizes = sum(map(len, made))
            head = record.digest(made[-1])
            archive.add_pull(
                TESTER,
                LEDGER,
                PullEntry(MORNING + 90_000, 0.5, 1, len(made), len(made), 0, sizes, len(made), head, True),
            )
            archive.add(list(enumerate(others, start=1)), "pl-other", OTHER)
        with sqlite3.connect(path) as connection:
            lines = list(connection.iterdump())
        Path(target).write_text("\n".join(lines) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main(sys.argv[1])
