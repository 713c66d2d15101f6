"""The day sheet from the archive: the shop's local day, amendments, times that are not known."""

import datetime
import importlib.util
import zoneinfo
from pathlib import Path

import pytest

from probecore import record
from probeledger.archive import PullEntry, Search, open_archive
from probeledger.reports.day import day_sheet, document
from probeledger.reports.render import render

_BUILDER = Path(__file__).resolve().parents[1] / "reports" / "builder.py"
_spec = importlib.util.spec_from_file_location("archive_day_builder", _BUILDER)
builder = importlib.util.module_from_spec(_spec)
_spec.loader.exec_module(builder)


def utc(*parts):
    return int(datetime.datetime(*parts, tzinfo=datetime.UTC).timestamp())


def sheet_of(place, tests, day, zone):
    """Store tests at these moments; return the sheet of a day in a zone."""
    ledger = builder.Ledger()
    for number, time in enumerate(tests, start=1):
        ledger.add("probe", builder.probe(job=number), time, boot=number)
    with open_archive(place, create=True) as archive:
        archive.add(ledger.items, ledger.tester, ledger.ledger)
        return day_sheet(archive, day, zoneinfo.ZoneInfo(zone))


def times(sheet):
    return [f"{test.moment:%Y-%m-%d %H:%M %z}" for test in sheet.tests]


def test_the_day_of_25_hours_has_the_hour_twice(place):
    # Central European time: clocks go back at 01:00 UTC on 25 October 2026 (Directive 2000/84/EC).
    moments = [
        utc(2026, 10, 24, 21, 59),
        utc(2026, 10, 24, 22, 0),
        utc(2026, 10, 25, 0, 30),
        utc(2026, 10, 25, 1, 30),
        utc(2026, 10, 25, 22, 59),
        utc(2026, 10, 25, 23, 0),
    ]
    assert times(sheet_of(place, moments, datetime.date(2026, 10, 25), "Europe/Berlin")) == [
        "2026-10-25 00:00 +0200",
        "2026-10-25 02:30 +0200",
        "2026-10-25 02:30 +0100",
        "2026-10-25 23:59 +0100",
    ]


def test_the_day_of_23_hours_has_no_record_of_its_neighbours(place):
    # Mountain time: clocks go forward at 09:00 UTC on 8 March 2026 (Energy Policy Act of 2005, section 110).
    moments = [
        utc(2026, 3, 8, 6, 59),
        utc(2026, 3, 8, 7, 0),
        utc(2026, 3, 8, 8, 59),
        utc(2026, 3, 8, 9, 0),
        utc(2026, 3, 9, 5, 59),
        utc(2026, 3, 9, 6, 0),
    ]
    assert times(sheet_of(place, moments, datetime.date(2026, 3, 8), "America/Denver")) == [
        "2026-03-08 00:00 -0700",
        "2026-03-08 01:59 -0700",
        "2026-03-08 03:00 -0600",
        "2026-03-08 23:59 -0600",
    ]


@pytest.fixture
def amended(place):
    ledger = builder.Ledger()
    ledger.add("probe", builder.probe(job=1, ticket="1042"), builder.NOON)
    ledger.add("probe", builder.probe(job=2, ticket="1043"), builder.NOON + 600)
    ledger.add("probe", builder.probe(job=3), builder.NOON + 1200)
    with open_archive(place, create=True) as archive:
        archive.add(ledger.items, ledger.tester, ledger.ledger)
        archive.amend(ledger.tester, 1, "ticket", value="T-9", reason="typed wrong", author="shop", now=builder.NOON)
        archive.amend(ledger.tester, 2, "void", reason="wrong part", author="shop", now=builder.NOON)
        archive.amend(ledger.tester, 3, "note", value="come again", author="shop", now=builder.NOON)
        yield day_sheet(archive, datetime.date(2026, 11, 25), datetime.UTC)


def test_the_sheet_shows_the_original_and_the_correction(amended):
    page = render(amended)
    assert "ticket T-9 instead of 1042 (typed wrong); shop, 2026-11-25." in page
    assert "void, it does not count (wrong part); shop, 2026-11-25." in page
    assert "come again; shop, 2026-11-25." in page
    assert "ticket T-9</span>" in page
    found = document(amended)["testers"][0]["tests"]
    assert [(test["ticket"], test["ticket_now"], test["void"]) for test in found] == [
        ("1042", "T-9", False),
        ("1043", "1043", True),
        (None, None, False),
    ]


def test_a_test_without_a_time_is_told_and_is_on_no_sheet(place):
    ledger = builder.Ledger()
    ledger.add("probe", builder.probe(job=1), builder.NOON, boot=1)
    ledger.add("probe", builder.probe(job=2), None, boot=2)
    ledger.add("probe", builder.probe(job=3), builder.NOON + 3600, boot=3)
    with open_archive(place, create=True) as archive:
        archive.add(ledger.items, ledger.tester, ledger.ledger)
        archive.reconstruct_times(ledger.ledger)
        sheet = day_sheet(archive, datetime.date(2026, 11, 25), datetime.UTC)
        (undated,) = archive.search(Search(undated=True))
    assert [test.record.sequence for test in sheet.tests] == [1, 3]
    assert sheet.undated == 1
    assert (undated.time_earliest, undated.time_latest) == (builder.NOON + 120, builder.NOON + 3600 - 180)


def test_a_pull_that_was_cut_off_stands_first_on_the_sheet(place):
    ledger = builder.Ledger()
    for number in (1, 2):
        ledger.add("probe", builder.probe(job=number), builder.NOON + 60 * number)
    head = record.digest(ledger.items[-1][1])
    entry = PullEntry(builder.NOON + 7200, 0.0, None, None, 0, 0, 0, 2, head, True, False)
    with open_archive(place, create=True) as archive:
        number = archive.add_pull(ledger.tester, ledger.ledger, entry)
        archive.add(ledger.items[:1], ledger.tester, ledger.ledger, number)
        sheet = day_sheet(archive, datetime.date(2026, 11, 25), datetime.UTC)
        assert f"Tester {ledger.tester}: its last pull was cut off" in [each.title for each in sheet.attention]
        number = archive.add_pull(ledger.tester, ledger.ledger, entry)
        archive.add(ledger.items[1:], ledger.tester, ledger.ledger, number)
        archive.end_pull(number, seconds=1.0, verified=True, known_records=1, finished=True)
        sheet = day_sheet(archive, datetime.date(2026, 11, 25), datetime.UTC)
        assert not any("cut off" in each.title for each in sheet.attention)
        assert document(sheet)["testers"][0]["pull_cut_off"] is False
        assert archive.verify().findings == []
