"""The archive: every record of every tester, kept at the shop.

    with open_archive(None) as archive:                     # the default place
        for record in archive.search(Search(ticket="1042")):
            print(record.verdict, record.body["ohms"])

`Archive` opens, writes and searches; `Search` says what to look for; `Record` is one found record.
"""

from probeledger.archive.amendments import Amendment
from probeledger.archive.copies import Copied, restore
from probeledger.archive.records import Record, Search
from probeledger.archive.store import Added, Archive, PullEntry, default_path, open_archive
from probeledger.archive.times import day_bounds, utc_text
from probeledger.archive.verifying import Finding, LedgerState, Verified, verify_archive

__all__ = [
    "Added",
    "Amendment",
    "Archive",
    "Copied",
    "Finding",
    "LedgerState",
    "PullEntry",
    "Record",
    "Search",
    "Verified",
    "day_bounds",
    "default_path",
    "open_archive",
    "restore",
    "utc_text",
    "verify_archive",
]
