"""Amendments: appended, shown beside the record, which stays as it is."""

import json

import pytest
from click.testing import CliRunner
from scripted_tester import LEDGER, MORNING, TESTER, items, probe_body

from probeledger import cli
from probeledger.archive import Search, open_archive
from probeledger.errors import InputError

OTHER_LEDGER = bytes.fromhex("fedcba9876543210")


def fill(place, number=4):
    made = items(number)
    with open_archive(place, create=True) as archive:
        archive.add(list(enumerate(made, start=1)), TESTER, LEDGER)
    return made


def run(*args):
    return CliRunner().invoke(cli.main, list(args))


def amend(place, *args):
    return run("ticket", "amend", TESTER, *args, "--by", "shop", "--archive", place)


def test_a_wrong_ticket_is_corrected_and_the_record_stays(place):
    made = fill(place)
    done = amend(place, "2", "--ticket", "T-77", "--reason", "typed wrong")
    assert done.exit_code == 0, done.output
    assert done.stdout == f"Record 2 of {TESTER} now belongs to ticket T-77. The record itself is unchanged.\n"
    with open_archive(place) as archive:
        assert [one.item for one in archive.search()] == made
        (found,) = archive.search(Search(ticket="T-77"))
        # Found by its own ticket as well, with both shown.
        assert archive.search(Search(ticket="T002")) == [found]
        assert (found.sequence, found.ticket, found.ticket_now) == (2, "T002", "T-77")
        (amendment,) = found.amendments
        assert (amendment.kind, amendment.value, amendment.reason, amendment.author) == (
            "ticket",
            "T-77",
            "typed wrong",
            "shop",
        )
        assert archive.count(Search(ticket="T-77")) == 1
        assert archive.verify().findings == []


def test_the_last_correction_counts_and_all_are_kept(place):
    fill(place)
    for ticket in (["--ticket", "A"], ["--ticket", "B"], ["--no-ticket"]):
        assert amend(place, "1", *ticket).exit_code == 0
    with open_archive(place) as archive:
        found = archive.search()[0]
    assert [amendment.value for amendment in found.amendments] == ["A", "B", None]
    assert [amendment.number for amendment in found.amendments] == [1, 2, 3]
    assert (found.ticket, found.ticket_now) == ("T001", None)


def test_records_shows_the_original_and_the_correction(place):
    fill(place)
    amend(place, "2", "--ticket", "T-77", "--reason", "typed wrong")
    amend(place, "3", "--void", "--reason", "clips on the wrong part")
    amend(place, "4", "--note", "customer away")
    done = run("records", "--archive", place)
    assert done.exit_code == 0, done.output
    assert max(map(len, done.stdout.splitlines())) <= 80
    assert "T002" in done.stdout and "now T-77" in done.stdout
    assert "void, was pass" in done.stdout
    assert f"Record 2 of {TESTER}: ticket T-77 (typed wrong); by shop, " in done.stderr
    assert f"Record 3 of {TESTER}: void (clips on the wrong part); by shop, " in done.stderr
    assert f"Record 4 of {TESTER}: note: customer away; by shop, " in done.stderr
    found = {one["sequence"]: one for one in json.loads(run("records", "--json", "--archive", place).stdout)}
    assert (found[2]["ticket"], found[2]["ticket_now"], found[3]["void"], found[1]["void"]) == (
        "T002",
        "T-77",
        True,
        False,
    )
    assert found[3]["verdict"] == "pass"
    assert found[4]["amendments"][0]["value"] == "customer away"
    assert found[1]["amendments"] == []


def test_json_of_an_amendment(place):
    fill(place)
    done = amend(place, "2", "--note", "again", "--json")
    document = json.loads(done.stdout)
    assert {name: document[name] for name in ("tester", "sequence", "number", "kind", "value", "author")} == {
        "tester": TESTER,
        "sequence": 2,
        "number": 1,
        "kind": "note",
        "value": "again",
        "author": "shop",
    }


@pytest.mark.parametrize(
    ("args", "sentence"),
    [
        (["9", "--note", "x"], f"has no record 9 of tester {TESTER}. 'probeledger records' lists what it has."),
        (["1"], "Give one of --ticket, --no-ticket, --void and --note."),
        (["1", "--void", "--note", "x"], "Give one of --ticket, --no-ticket, --void and --note."),
        (["1", "--void"], "--void needs --reason: say why the record does not count."),
        (["1", "--ticket", " "], "The ticket is empty. Give its number, or --no-ticket."),
        (["1", "--note", " "], "An amendment needs the note."),
        (["1", "--note", "x" * 1001], "The note is too long: 1001 characters, at most 1000."),
        (["1", "--ticket", "a\udcffb"], "The ticket holds bytes that are no text. Type it again."),
        (["0", "--note", "x"], "0 is not in the range"),
    ],
)
def test_wrong_use_ends_with_2_and_changes_nothing(place, args, sentence):
    fill(place)
    done = amend(place, *args)
    assert done.exit_code == 2, done.output
    assert sentence in " ".join(done.stderr.split())
    with open_archive(place) as archive:
        assert all(one.amendments == () for one in archive.search())


def test_a_number_in_two_ledgers_has_to_be_told_apart(place):
    fill(place)
    with open_archive(place) as archive:
        archive.add(list(enumerate(items(2, ledger=OTHER_LEDGER), start=1)), TESTER, OTHER_LEDGER)
        with pytest.raises(InputError, match="has 2 ledgers with a record 1. Say which: 0123456789abcdef, fedc"):
            archive.amend(TESTER, 1, "note", value="x", author="shop")
        archive.amend(TESTER, 1, "note", ledger=OTHER_LEDGER.hex(), value="x", author="shop")
        assert [one.ledger for one in archive.search() if one.amendments] == [OTHER_LEDGER.hex()]


def test_a_ticket_with_very_many_corrections_is_found_whole(place):
    fill(place, 250)
    with open_archive(place) as archive:
        for sequence in range(1, 211):
            archive.amend(TESTER, sequence, "ticket", value="many", author="shop", now=MORNING)
        assert len(archive.search(Search(ticket="many"))) == 210
        assert len(archive.search(Search(ticket="many", limit=5))) == 5


def test_the_ticket_of_a_record_without_one_can_be_given(place):
    made = items(1, body=lambda number: probe_body(number, ticket=None))
    with open_archive(place, create=True) as archive:
        archive.add([(1, made[0])], TESTER, LEDGER)
        archive.amend(TESTER, 1, "ticket", value="T-5", author="shop")
        (found,) = archive.search(Search(ticket="T-5"))
        assert (found.ticket, found.ticket_now) == (None, "T-5")
    assert "now T-5" in run("records", "--archive", place).stdout
