"""The archive: every record of every tester, kept at the shop.

    with open_archive(None) as archive:                     # the default place
        for record in archive.search(Search(ticket="1042")):
            print(record.verdict, record.body["ohms"])

`Archive` opens, writes and searches; `Search` says what to look for; `Record` is one found record.
"""

from probeledger.archive.records import Record, Search
from probeledger.archive.store import Added, Archive, PullEntry, default_path, open_archive
from probeledger.archive.times import day_bounds, utc_text

__all__ = [
    "Added",
    "Archive",
    "PullEntry",
    "Record",
    "Search",
    "day_bounds",
    "default_path",
    "open_archive",
    "utc_text",
]
