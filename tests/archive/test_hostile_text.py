"""Text that means harm, from a tester or a file, through every channel that shows it."""

import html.parser
import json
import pathlib

import pytest
from click.testing import CliRunner
from scripted_tester import LEDGER, MORNING, items, probe_body

from probecore import cbor, record
from probeledger import cli
from probeledger.archive import Search, open_archive, verify_archive
from probeledger.reports.day import day_sheet
from probeledger.reports.render import render

HOSTILE = {
    "html": "<script>alert(1)</script><img src=x onerror=alert(2)>",
    "attribute": '" onmouseover="alert(1)" x="',
    "template": "{{ 7 * 7 }}{% raw %}",
    "formula": '=HYPERLINK("http://127.0.0.1/","open")',
    "escape": "\x1b[2J\x1b]0;owned\x07\x9b31m",
    "path": "../../../../tmp/owned",
    "absolute": "/etc/passwd\0.sqlite",
    "sql": "'; DROP TABLE records; --",
    "like": "100%_\\",
    "long": "W" * 3000,
    "breaks": "one\r\ntwo\u2028three\vfour",
    "right-to-left": "abc\u202egnp.exe\u2066\u200f",
    "invisible": "a\u200b\u00ad\U000e0041b\u3164",
    "marks": "z" + "\u0301" * 500,
    "markup": "[bold red]x[/] :smile:",
    "wide": "\u7535\u963b" * 40,
}
# What must never reach a terminal: controls but the line feed, and characters that reorder or hide.
FORBIDDEN = set(map(chr, [*range(10), *range(11, 32), *range(127, 160)])) | set("\u202e\u2066\u200f\u200b\u00ad\u3164")

SHORT = 90

each_hostile = pytest.mark.parametrize("evil", HOSTILE.values(), ids=HOSTILE)


def fill(place, evil):
    """Store records with the text in each place that a tester can put one in."""
    # A record has 4096 bytes at most: one field has all of a long text.
    short = evil[:SHORT]
    names = ("place", "mode", "curve", "profile", "verdict")
    body = {"ticket": evil, "findings": [short], **dict.fromkeys(names, short)}
    tester = evil[:SHORT]
    made = items(1, tester=tester, body=lambda number: probe_body(number, **body))
    made = items(1, tester=tester, after=made, start_ms=70_000, body=lambda number: probe_body(number, ticket=evil))
    made = items(1, tester=tester, after=made, kind=short, start_ms=80_000)
    fault = {"task": short, "error": short, "text": evil}
    made = items(1, tester=tester, after=made, kind="fault", start_ms=90_000, body=lambda number: fault)
    with open_archive(place, create=True) as archive:
        archive.note_tester({"tester": tester, "firmware": evil, "calibration": evil}, now=MORNING)
        archive.add(list(enumerate(made, start=1)), tester, LEDGER)
        archive.amend(archive.search()[0].tester, 1, "ticket", value=evil[:900], author=short, reason=evil[:900])
        archive.amend(archive.search()[0].tester, 2, "void", author=short, reason=evil[:900])
    return made


def run(*args):
    return CliRunner().invoke(cli.main, [str(arg) for arg in args])


def check_terminal(done):
    assert done.exception is None or isinstance(done.exception, SystemExit), done.exception
    assert not FORBIDDEN & set(done.output), sorted(map(hex, map(ord, FORBIDDEN & set(done.output))))
    assert "Traceback" not in done.output


@each_hostile
def test_in_the_archive_every_byte_stays_and_searches_take_it_as_text(place, evil):
    made = fill(place, evil)
    with open_archive(place) as archive:
        assert [one.item for one in archive.search()] == made
        stored = evil.replace("\0", "\ufffd")
        assert archive.count(Search(ticket=stored)) == 2
        assert archive.count(Search(text=stored[:50])) >= 2
        assert archive.count(Search(curve=stored[:SHORT])) == 1
        assert archive.count(Search(ticket=stored + "'")) == 0
        assert archive.verify().findings == []


@each_hostile
def test_in_the_table_of_records(tmp_path, evil):
    fill(tmp_path / "archive.sqlite", evil)
    done = run("records")
    assert done.exit_code == 0, done.output
    check_terminal(done)
    # A double-width character takes two columns.
    assert all(len(line) <= 80 for line in done.stdout.splitlines())
    check_terminal(run("records", "--ticket", evil))
    check_terminal(run("records", "--curve", evil[:SHORT], "--by-month"))
    check_terminal(run("records", "--tester", evil[:SHORT]))


@each_hostile
def test_in_json_it_is_escaped_and_comes_back_as_it_was(tmp_path, evil):
    fill(tmp_path / "archive.sqlite", evil)
    for option in ("--json", "--jsonl"):
        done = run("records", option)
        assert done.stdout.isascii()
        assert not FORBIDDEN & set(done.stdout)
        found = json.loads(done.stdout) if option == "--json" else list(map(json.loads, done.stdout.splitlines()))
        assert {one["body"].get("ticket") for one in found if one["kind"] == "probe"} == {evil}


class Page(html.parser.HTMLParser):
    """Collect the tags of a page and the names of their attributes."""

    def __init__(self):
        super().__init__()
        self.seen = set()

    def handle_starttag(self, tag, attrs):
        self.seen |= {tag, *(name for name, _ in attrs)}
        self.seen |= {f"{name}={value}" for name, value in attrs if name in ("src", "href") and value}


@each_hostile
def test_in_the_day_sheet(tmp_path, evil):
    import datetime

    fill(tmp_path / "archive.sqlite", evil)
    with open_archive(tmp_path / "archive.sqlite") as archive:
        page = render(day_sheet(archive, datetime.date(2026, 3, 2), datetime.UTC, remark=evil))
    parsed = Page()
    parsed.feed(page)
    assert not {"script", "img", "iframe", "link", "onerror", "onmouseover", "onload"} & parsed.seen
    assert all(each.startswith("href=#") for each in parsed.seen if "=" in each)
    assert not FORBIDDEN & set(page)
    assert "49" not in page.split("<body>")[1].split("<h2")[0] or "{{" not in evil
    assert "Amended:" in page
    assert len(page) < 200_000


@each_hostile
def test_in_the_day_sheets_command_and_its_json(tmp_path, evil, monkeypatch):
    monkeypatch.chdir(tmp_path)
    fill(tmp_path / "archive.sqlite", evil)
    done = run("day", "--date", "2026-03-02", "--json")
    assert done.exit_code == 0, done.output
    assert done.stdout.isascii()
    json.loads(done.stdout)
    check_terminal(run("day", "--date", "2026-03-02"))


@each_hostile
def test_in_what_verify_says(tmp_path, evil):
    path = tmp_path / "archive.sqlite"
    fill(path, evil)
    with open_archive(path) as archive, archive._writer.begin() as connection:
        connection.exec_driver_sql("UPDATE records SET verdict = ?, digest = x'00' WHERE sequence = 1", (evil,))
        connection.exec_driver_sql("UPDATE records SET firmware = ? WHERE sequence = 2", (evil,))
    done = run("verify")
    assert done.exit_code == 1
    check_terminal(done)
    told = run("verify", "--json")
    assert told.stdout.isascii()
    assert len(json.loads(told.stdout)["findings"]) >= 2


@each_hostile
def test_nothing_of_it_becomes_a_path(tmp_path, evil):
    folder = tmp_path / "shop"
    fill(folder / "archive.sqlite", evil)
    run("backup", folder / "copy.sqlite", "--archive", folder / "archive.sqlite")
    assert {path.name.split("-")[0] for path in folder.iterdir()} == {"archive.sqlite", "copy.sqlite"} - (
        set() if (folder / "copy.sqlite").exists() else {"copy.sqlite"}
    )
    assert (folder / "copy.sqlite").exists()
    assert not pathlib.Path("/tmp/owned").exists()


@each_hostile
def test_in_errors_and_amendments(tmp_path, evil):
    path = tmp_path / "archive.sqlite"
    fill(path, evil)
    for args in (
        ("ticket", "amend", evil, "99", "--note", "x"),
        ("ticket", "amend", "pl", "1", "--note", evil),
        ("records", "--day", evil),
        ("verify", "--head", evil),
    ):
        done = run(*args)
        assert done.exit_code == 2
        check_terminal(done)


def test_text_that_is_no_utf_8_is_kept_unread(place):
    good = items(1)[0]
    # The verdict's four letters become bytes that no UTF-8 text has.
    bad = good.replace(b"\x64pass", b"\x64\xff\xfe\xc0\x80")
    assert bad != good
    with open_archive(place, create=True) as archive:
        archive.add([(1, bad)], "pl-00c0de", LEDGER)
        (found,) = archive.search()
        assert (found.kind, found.item, found.body) == ("unreadable", bad, {})
        assert archive.verify().findings == []
    check_terminal(run("records", "--archive", place))


def test_a_text_that_was_broken_in_the_file_is_shown_harmlessly(tmp_path):
    path = tmp_path / "archive.sqlite"
    with open_archive(path, create=True) as archive:
        archive.add([(1, items(1)[0])], "pl-00c0de", LEDGER)
        with archive._writer.begin() as connection:
            connection.exec_driver_sql("UPDATE records SET ticket = CAST(x'54ff1b5b324a' AS TEXT)")
        found = verify_archive(archive._engine, archive.name)
    assert [finding.code for finding in found.findings] == ["parsed"]
    done = run("verify")
    assert done.exit_code == 1
    check_terminal(done)
    done = run("records")
    assert done.exit_code == 1
    assert "is damaged" in done.stderr
    check_terminal(done)


def test_deep_and_odd_bodies_are_taken(place):
    deep = {"a": [[[[[["deep"]]]]]], "b": {"c": {"d": {"e": {"f": "deep"}}}}, "": "", "n" * 300: 2**63}
    made = items(1, body=lambda number: {**deep, "verdict": 1, "ticket": ["list"], "findings": "text"})
    with open_archive(place, create=True) as archive:
        archive.add([(1, made[0])], "pl-00c0de", LEDGER)
        assert archive.search()[0].body == record.decode(made[0])["body"]
        assert archive.verify().findings == []
    check_terminal(run("records", "--archive", place))
    assert cbor.loads(made[0])["body"]["n" * 300] == 2**63
