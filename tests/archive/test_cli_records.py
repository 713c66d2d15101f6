"""The command `records`: what it finds, how it shows it, and how it ends."""

import datetime
import json

import pytest
from click.testing import CliRunner
from scripted_tester import LEDGER, MORNING, TESTER, items, probe_body

from probeledger import cli
from probeledger.archive import open_archive

VERDICTS = ("pass", "fail", "undecided")


def run(*args):
    return CliRunner().invoke(cli.main, ["records", *args])


@pytest.fixture
def filled(tmp_path):
    """An archive of seven records in the default place: a start, five probe tests, one of them later, a flex test."""

    def body(number):
        return probe_body(
            number,
            verdict=VERDICTS[number % 3],
            findings=["harness-resistance", "ambient-disagrees"] if number % 3 == 1 else [],
            ohms=1234567.89 if number == 6 else 1085.5 + number / 8,
        )

    made = items(1, kind="boot", body=lambda number: {"cause": "power"})
    made = items(4, body=body, time=MORNING + 120, after=made)
    made = items(1, body=body, time=MORNING + 3 * 86400, boot=2, after=made)
    made = items(1, kind="flex", body=lambda number: {"dropouts": 3}, time=None, boot=3, after=made)
    with open_archive(tmp_path / "archive.sqlite", create=True) as archive:
        archive.add(list(enumerate(made, start=1)), TESTER, LEDGER)
    return made


def shown(*args):
    """Return the sequence numbers that a search finds."""
    done = run(*args, "--json")
    assert done.exit_code == 0, done.output
    return [one["sequence"] for one in json.loads(done.stdout)]


def test_json_has_every_field_that_scripts_rely_on_unrounded(filled):
    found = json.loads(run("--ticket", "T003", "--json").stdout)
    assert len(found) == 1
    one = found[0]
    assert {name: one[name] for name in ("tester", "sequence", "kind", "time", "time_reconstructed")} == {
        "tester": TESTER,
        "sequence": 3,
        "kind": "probe",
        "time": "2026-03-02T09:03:00Z",
        "time_reconstructed": False,
    }
    assert (one["verdict"], one["ticket"], one["place"], one["job"]) == ("pass", "T003", "sensor", 7003)
    assert one["ohms"] == 1085.875
    assert one["ledger"] == LEDGER.hex()
    assert one["body"]["readings"] == probe_body(3)["readings"]


def test_jsonl_is_one_object_a_line(filled):
    lines = run("--jsonl").stdout.splitlines()
    assert sorted(json.loads(line)["sequence"] for line in lines) == [1, 2, 3, 4, 5, 6, 7]


def test_filters(filled):
    local_day = datetime.datetime.fromtimestamp(MORNING).date()
    later = local_day + datetime.timedelta(days=3)
    assert shown("--verdict", "fail") == [4]
    assert shown("--kind", "flex") == [7]
    assert shown("--place", "sensor", "--verdict", "undecided") == [2, 5]
    assert shown("--job", "7005") == [5]
    assert shown("--day", str(local_day)) == [1, 2, 3, 4, 5]
    assert shown("--since", str(later)) == [6]
    assert shown("--until", str(local_day)) == [1, 2, 3, 4, 5]
    assert shown("--since", str(local_day), "--until", str(later)) == [1, 2, 3, 4, 5, 6]
    assert shown("--tester", "pl-nobody") == []
    assert shown("--text", "Ambient-dis") == [4]
    assert shown("--limit", "2") == [5, 6]


def test_the_table_fits_80_columns_and_says_what_a_person_wants(filled):
    done = run()
    assert done.exit_code == 0, done.output
    lines = done.stdout.splitlines()
    assert max(map(len, lines)) <= 80
    assert lines[0].split() == ["Time", "No.", "What", "Ticket", "Reading", "Verdict"]
    (row,) = [line for line in lines if "T004" in line]
    assert "1086.00 Ω" in row
    assert "fail" in row
    assert "harness resistance" in done.stdout
    assert "1235 kΩ" in done.stdout
    assert "start 3" in done.stdout
    assert done.stderr == f"All from tester {TESTER}.\n"


def test_a_reconstructed_time_is_marked(tmp_path):
    made = items(1, time=None)
    made = items(1, start_ms=600_000, after=made)
    with open_archive(tmp_path / "archive.sqlite", create=True) as archive:
        archive.add(list(enumerate(made, start=1)), TESTER, LEDGER)
        archive.reconstruct_times(LEDGER)
    done = run()
    assert done.stdout.count("~") == 1
    assert "the time was reconstructed" in done.stderr


def test_a_long_table_is_cut_to_the_newest_and_says_so(tmp_path):
    with open_archive(tmp_path / "archive.sqlite", create=True) as archive:
        archive.add(list(enumerate(items(230), start=1)), TESTER, LEDGER)
    done = run()
    assert "The newest 200 of 230; --limit 0 shows all." in done.stderr
    assert "T230" in done.stdout
    assert "T030" not in done.stdout
    assert "T001" in run("--limit", "0").stdout
    assert len(json.loads(run("--json").stdout)) == 230


def test_nothing_found_is_no_failure(filled):
    done = run("--ticket", "none")
    assert (done.exit_code, done.stdout, done.stderr) == (0, "", "No record fits.\n")


def test_hostile_text_reaches_no_terminal(tmp_path):
    evil = "\x1b[2J\x1b]0;t\x07[bold red]x[/]\u202e\u200b:smile:\r\nSecond"
    body = probe_body(0, ticket="[red]x:ok:", findings=[evil], verdict=evil)
    made = items(2, tester="pl\x1b[1m", body=lambda number: body)
    made = items(1, tester=evil[:20], after=made, kind=evil)
    with open_archive(tmp_path / "archive.sqlite", create=True) as archive:
        archive.add(list(enumerate(made, start=1)), TESTER, LEDGER)
    done = run()
    assert done.exit_code == 0
    assert not set("\x1b\x07\u202e\u200b\r") & set(done.output)
    # Neither markup nor emoji names were interpreted.
    assert "[red]x:ok:" in done.stdout
    for option in ("--json", "--jsonl"):
        text = run(option).stdout
        assert text.isascii()
        assert "\x1b" not in text


@pytest.mark.parametrize(
    ("args", "sentence"),
    [
        (["--day", "tomorrow-ish"], "'tomorrow-ish' is no day. Write it as 2026-11-25, 'today' or 'yesterday'."),
        (["--day", "2026-02-30"], "'2026-02-30' is no day."),
        (["--day", "9999-12-31"], "The year 9999 is out of range."),
        (["--json", "--jsonl"], "Give --json or --jsonl, not both."),
        (["--day", "today", "--since", "today"], "Give --day, or --since and --until, not both."),
        (["--since", "2026-03-02", "--until", "2026-03-01"], "--until (2026-03-01) is before --since (2026-03-02)."),
        (["--verdict", "good"], "'good' is not one of 'pass', 'fail', 'undecided'."),
    ],
)
def test_wrong_use_ends_with_2(filled, args, sentence):
    done = run(*args)
    assert (done.exit_code, done.stdout) == (2, "")
    assert sentence in done.stderr


def test_no_archive_yet(tmp_path):
    done = run()
    assert done.exit_code == 2
    assert done.stderr == (
        f"Error: There is no archive at {tmp_path / 'archive.sqlite'} yet. 'probeledger pull PORT' makes it, or name "
        "another with --archive.\n"
    )


def test_a_file_that_is_no_archive(tmp_path):
    path = tmp_path / "notes.txt"
    path.write_text("notes")
    done = run("--archive", str(path))
    assert done.exit_code == 2
    assert done.stderr.startswith(f"Error: {path} is not a probeledger archive.")


def test_a_record_without_a_time_shows_what_it_lies_between(tmp_path):
    made = items(1, boot=1, time=MORNING)
    made = items(1, boot=2, start_ms=10_000, time=None, after=made)
    made = items(1, boot=3, start_ms=20_000, time=MORNING + 3600, after=made)
    with open_archive(tmp_path / "archive.sqlite", create=True) as archive:
        archive.add(list(enumerate(made, start=1)), TESTER, LEDGER)
        archive.reconstruct_times(LEDGER)
    done = run("--undated")
    form = "%d %b %H:%M" if datetime.date.today().year == 2026 else "%Y-%m-%d %H:%M"
    after = datetime.datetime.fromtimestamp(MORNING + 10)
    before = datetime.datetime.fromtimestamp(MORNING + 3580)
    assert "start 2" in done.stdout
    assert f"after {after:{form}}" in done.stdout
    assert f"before {before:{form}}" in done.stdout
    (one,) = json.loads(run("--undated", "--json").stdout)
    assert (one["time"], one["time_earliest"], one["time_latest"]) == (
        None,
        "2026-03-02T09:00:10Z",
        "2026-03-02T09:59:40Z",
    )


def test_a_time_in_doubt_is_marked(tmp_path):
    made = items(1, time=MORNING)
    body = {"before": MORNING + 60, "after": MORNING + 7260}
    made = items(1, start_ms=65_000, time=MORNING + 7260, kind="clock", body=lambda number: body, after=made)
    with open_archive(tmp_path / "archive.sqlite", create=True) as archive:
        archive.add(list(enumerate(made, start=1)), TESTER, LEDGER)
        archive.reconstruct_times(LEDGER)
    done = run()
    assert done.stdout.count("?") == 1
    assert "? The tester's clock was found wrong later" in done.stderr
    first = next(one for one in json.loads(run("--json").stdout) if one["sequence"] == 1)
    assert (first["time"], first["time_latest"]) == ("2026-03-02T09:00:00Z", "2026-03-02T11:00:00Z")


def test_a_sensor_types_history_counts_by_local_month(tmp_path, monkeypatch):
    def body(number):
        return probe_body(number, curve="pt1000-3750" if number > 2 else "pt1000-3850", verdict=VERDICTS[number % 3])

    made = items(4, body=body)
    made = items(2, body=body, time=MORNING + 62 * 86400, boot=2, after=made)
    with open_archive(tmp_path / "archive.sqlite", create=True) as archive:
        archive.add(list(enumerate(made, start=1)), TESTER, LEDGER)
    done = run("--curve", "pt1000-3750", "--by-month", "--json")
    assert done.exit_code == 0, done.output
    assert json.loads(done.stdout) == [
        {"curve": "pt1000-3750", "month": "2026-03", "tests": 2, "pass": 1, "fail": 1, "undecided": 0},
        {"curve": "pt1000-3750", "month": "2026-04", "tests": 0, "pass": 0, "fail": 0, "undecided": 0},
        {"curve": "pt1000-3750", "month": "2026-05", "tests": 2, "pass": 1, "fail": 0, "undecided": 1},
    ]
    shown_rows = run("--curve", "pt1000-3750", "--by-month").stdout.splitlines()
    assert [row.split()[:2] for row in shown_rows if row.startswith("2026")] == [["2026-03", "2"], ["2026-05", "2"]]
    assert shown("--curve", "pt1000-3850") == [1, 2]
    nothing = run("--curve", "none", "--by-month")
    assert (nothing.exit_code, nothing.stdout, nothing.stderr) == (0, "", "No test with the curve none.\n")
    assert "--by-month goes with --curve and nothing else" in run("--by-month").stderr
    assert "of no day: give --undated or a day" in run("--undated", "--day", "today").stderr
