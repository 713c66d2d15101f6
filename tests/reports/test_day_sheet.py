"""The day sheet: contents, escaping, and the page as a browser gets it."""

import datetime
import html.parser
import json
import pathlib
import re

import builder
import pytest
from click.testing import CliRunner

from probeledger.cli import main
from probeledger.reports.day import day_sheet, document
from probeledger.reports.render import render

DAY = datetime.date(2026, 11, 25)
UTC = datetime.UTC
VOID = {"meta", "br", "hr", "img", "link", "input"}
DRAWN = {"circle", "path", "line", "rect"}


class Page(html.parser.HTMLParser):
    """Reads a page: tags with attributes, texts, and whether every tag is closed."""

    def __init__(self, source: str) -> None:
        super().__init__()
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.open: list[str] = []
        self.text = ""
        self.feed(source)
        assert self.open == []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))
        if tag not in VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop() == tag

    def handle_data(self, data: str) -> None:
        if not (self.open and self.open[-1] == "style"):
            self.text += data


def sheet_of(tmp_path: pathlib.Path, *ledgers: builder.Ledger, **options: object):
    with builder.archive_of(tmp_path, *ledgers) as archive:
        return day_sheet(archive, DAY, UTC, **options)


def test_the_page_stands_alone(tmp_path: pathlib.Path) -> None:
    source = render(sheet_of(tmp_path, builder.a_day()))
    page = Page(source)
    for tag, attributes in page.tags:
        assert tag not in ("script", "link", "iframe", "img", "object", "form")
        assert not any(name.startswith("on") for name in attributes)
        assert attributes.get("src") is None
        if tag == "a":
            assert str(attributes["href"]).startswith("#")
    assert not re.search(r"https?://|@import|url\(", source)
    anchors = [str(a["href"])[1:] for tag, a in page.tags if tag == "a"]
    ids = [a["id"] for _, a in page.tags if "id" in a]
    assert set(anchors) <= set(ids) and len(ids) == len(set(ids))


def test_every_test_stands_on_it_with_its_verdict_in_words_and_shape(tmp_path: pathlib.Path) -> None:
    sheet = sheet_of(tmp_path, builder.a_day())
    source = render(sheet)
    assert [test.verdict for test in sheet.tests].count("fail") == 4
    for test in sheet.tests:
        start = source.index(f'<article id="{test.anchor}"')
        article = source[start : source.index("</article>", start)]
        assert {"pass": "Pass", "fail": "Fail", "undecided": "Undecided"}[test.verdict] in article
        assert '<svg class="mark"' in article
        for finding in test.again.findings:
            assert finding.message in article and finding.advice[:30] in article
        for name in test.again.not_checked:
            assert name in article
    shapes = {
        verdict: re.search(r"<svg class=\"mark\".*?</svg>", source[source.index(f'v-{verdict}"') :], re.S).group()
        for verdict in ("pass", "fail", "undecided")
    }
    assert len({re.sub(r"width=\S+ height=\S+", "", shape) for shape in shapes.values()}) == 3


def test_first_things_first(tmp_path: pathlib.Path) -> None:
    sheet = sheet_of(tmp_path, builder.a_day())
    titles = [each.title for each in sheet.attention]
    assert titles[0] == "Voltage was on the leads"
    assert titles[1] == "Tester pl-3f9a1c stored a fault"
    assert "5 jobs not finished" in titles and "1 job without a ticket" in titles
    by_title = {each.title: [test.record.job for test in each.tests] for each in sheet.attention}
    assert by_title["5 jobs not finished"] == [103, 104, 105, 106, 107]
    assert by_title["1 job without a ticket"] == [103]
    page = render(sheet)
    assert page.index('id="first-h"') < page.index('id="glance-h"') < page.index('id="tester-1"')


def test_safety_notes_are_on_it_even_when_empty(tmp_path: pathlib.Path) -> None:
    text = " ".join(Page(render(sheet_of(tmp_path))).text.split())
    assert "Nothing on this day" in text
    for words in (
        "Power off and verified",
        "Hot surfaces, sharp edges",
        "smell of gas stop, touch no switch, leave, and call",
        "microwave generator",
        "does not replace an insulation test at 500 V",
        "Local codes and licensed practice come first",
        "A pass covers only what was checked",
    ):
        assert words in text
    assert not re.search(r"\b(safe to|is safe|dead|no voltage)\b", text, re.I)


def test_uncertainty_is_split(tmp_path: pathlib.Path) -> None:
    ledger = builder.Ledger()
    ledger.add("probe", builder.probe(celsius=25.0, ambient_celsius=25.0))
    sheet = sheet_of(tmp_path, ledger)
    (test,) = document(sheet)["testers"][0]["tests"]
    assert test["celsius"] == pytest.approx(25.0, abs=test["expanded_celsius"])
    assert test["expanded_celsius"] <= 0.3
    assert test["expanded_ambient_celsius"] == pytest.approx(0.5)
    both = (test["expanded_celsius"] ** 2 + test["expanded_ambient_celsius"] ** 2) ** 0.5
    assert test["expanded_difference_celsius"] == pytest.approx(both)
    text = Page(render(sheet)).text.replace("\u00a0", " ")
    assert re.search(r"By the curve\s*25\.00 ± 0\.17 °C \(77\.0 °F\), the tester's part", text)
    assert re.search(r"Room\s*25\.00 ± 0\.50 °C \(77\.0 °F\), room sensor", text)


HOSTILE = [
    "<script>alert(1)</script>",
    '"><img src=x onerror=alert(1)>',
    "'-alert(1)-'",
    "</style><script>alert(1)</script>",
    "{{ 7 * 7 }}{% raw %}",
    "javascript:alert(1)",
    "\u202eevil\u202c\u0000\x1b[31m",
    "../../etc/passwd",
    "x" * 5000,
    "]]><!--",
    "🧁\u0301\u0301\u0301\u0301",
]


@pytest.mark.parametrize("evil", HOSTILE, ids=range(len(HOSTILE)))
def test_hostile_texts_stay_text(tmp_path: pathlib.Path, evil: str) -> None:
    short = evil[:200]
    ledger = builder.Ledger(tester=short)
    header = {"firmware": short, "calibration": short}
    ledger.add("probe", builder.probe(ticket=short, place=short, mode=short, profile=short, job=None), **header)
    body = builder.probe(fault=short, curve="pt1000-3850")
    body["curve"] = short
    ledger.add("probe", body, **header)
    body = builder.probe(ambient={"celsius": 22.0, "u_celsius": 0.2, "source": short})
    body["foreign"] = {"seen": True, "at": short, "dc_volts": 1.0, "ac_volts": 1.0, "over_range": False}
    body["findings"] = [short]
    body["requirements"] = [[short, 0.5]]
    body["not_checked"] = [short]
    body["verdict"] = "fail"
    body["leads"] = short
    ledger.add("probe", body, **header)
    ledger.add("fault", {"task": short, "error": short, "text": short, "trace": short}, **header)
    clean = Page(render(sheet_of(tmp_path / "a", builder.a_day(), remark="x")))
    source = render(sheet_of(tmp_path / "b", ledger, remark=short))
    page = Page(source)
    allowed = {tag for tag, _ in clean.tags}
    for tag, attributes in page.tags:
        assert tag in allowed and tag != "script"
        assert not any(name.startswith("on") for name in attributes)
        for name in ("id", "class", "href", "style"):
            value = str(attributes.get(name) or "")
            assert re.fullmatch(r"[#\w\s-]*", value), (name, value)
    assert "\u202e" not in source and "\x1b" not in source and "\x00" not in source
    assert "49" not in re.sub(r"[0-9]{3,}|\d+[.:]\d+", "", page.text) or "7 * 7" in page.text


def test_damaged_bodies_stand_on_the_sheet(tmp_path: pathlib.Path) -> None:
    ledger = builder.Ledger()
    bodies = [
        {},
        {"ohms": "many", "ambient": 5, "isolation": [1], "readings": {"a": 1}, "curve": None},
        {"ohms": 1085.0, "u_ohms": -1.0, "settling": {"settled": "yes"}, "flex": {"dropouts": -3}},
        {"verdict": "excellent", "probability": 7.0, "job": "five", "place": ["sensor"], "ticket": 12},
        {"curve": "pt9000", "ohms": 1085.0},
        {"ohms": 1085.7, "u_ohms": 0.3, "ambient": {"celsius": 1e30, "u_celsius": 1e-30}},
        {"ohms": 1e38, "u_ohms": 1e38, "ambient": {"celsius": 22.0, "u_celsius": 1e30}, "cell_volts": 1e38},
    ]
    for body in bodies:
        ledger.add("probe", body)
    ledger.add("fault", {})
    ledger.add("unheard-of", {"x": 1})
    sheet = sheet_of(tmp_path, ledger)
    assert len(sheet.tests) == len(bodies)
    assert not any(test.verdict == "pass" for test in sheet.tests)
    text = Page(render(sheet)).text
    assert "pt9000" in text and "nan" not in text and "inf " not in text
    json.dumps(document(sheet), allow_nan=False)


def test_a_record_of_another_day_or_without_time_is_left_out(tmp_path: pathlib.Path) -> None:
    ledger = builder.Ledger()
    ledger.add("probe", builder.probe(), builder.NOON - 86_400)
    ledger.add("probe", builder.probe(), None, boot=7)
    ledger.add("probe", builder.probe(), builder.NOON)
    sheet = sheet_of(tmp_path, ledger)
    assert [test.record.sequence for test in sheet.tests] == [3]
    assert sheet.undated == 1
    assert any("without a time" in each.title for each in sheet.attention)


def test_local_midnight_counts(tmp_path: pathlib.Path) -> None:
    """23:30 UTC is the next day two hours east."""
    ledger = builder.Ledger()
    ledger.add("probe", builder.probe(), builder.NOON + 11 * 3600 + 1800)
    east = datetime.timezone(datetime.timedelta(hours=2))
    with builder.archive_of(tmp_path, ledger) as archive:
        assert len(day_sheet(archive, DAY, UTC).tests) == 1
        assert len(day_sheet(archive, DAY, east).tests) == 0
        (test,) = day_sheet(archive, DAY + datetime.timedelta(days=1), east).tests
    assert test.moment is not None and test.moment.strftime("%H:%M") == "01:30"


def test_a_job_is_finished_by_a_pass_after_fitting(tmp_path: pathlib.Path) -> None:
    ledger = builder.Ledger()
    bad = {"leads": "open", "settling": None}
    ledger.add("probe", builder.probe(job=1, **bad))
    ledger.add("probe", builder.probe(job=1, place="after-fitting"))
    ledger.add("probe", builder.probe(job=2, **bad))
    ledger.add("probe", builder.probe(job=2, place="new-part"))
    ledger.add("probe", builder.probe(job=3))
    ledger.add("probe", builder.probe(job=4, place="new-part"))
    sheet = sheet_of(tmp_path, ledger)
    open_ends = [visit.job for visit in sheet.testers[0].visits if visit.open_end]
    assert open_ends == [2, 4]


def test_command_writes_and_names_the_file(tmp_path: pathlib.Path, monkeypatch: pytest.MonkeyPatch) -> None:
    builder.archive_of(tmp_path, builder.a_day()).close()
    archive = str(tmp_path / "archive.sqlite")
    monkeypatch.chdir(tmp_path)
    result = CliRunner().invoke(main, ["day", "--date", "2026-11-25", "--archive", archive])
    assert result.exit_code == 0, result.output
    assert result.stdout.splitlines()[-1] == "day sheet: day-2026-11-25.html"
    assert (tmp_path / "day-2026-11-25.html").read_text(encoding="utf-8").startswith("<!DOCTYPE html>")
    target = tmp_path / "x.html"
    result = CliRunner().invoke(
        main, ["day", "--date", "2026-11-25", "--archive", archive, "--output", str(target), "--json"]
    )
    answer = json.loads(result.stdout)
    assert answer["output"] == str(target) and target.exists()
    assert len(answer["testers"][0]["tests"]) == 10
    only_json = CliRunner().invoke(main, ["day", "--date", "2026-11-24", "--archive", archive, "--json"])
    assert json.loads(only_json.stdout)["output"] is None


@pytest.mark.parametrize(
    ("args", "said", "status"),
    [
        (["--date", "25.11.2026"], "2026-11-25", 2),
        (["--date", "0001-01-01"], "no records of the year", 2),
        (["--archive", "none.sqlite"], "none.sqlite", 2),
        (["--output", "no/such/folder/x.html"], "cannot be written", 2),
    ],
)
def test_command_bad_input(
    tmp_path: pathlib.Path, monkeypatch: pytest.MonkeyPatch, args: list[str], said: str, status: int
) -> None:
    builder.archive_of(tmp_path, builder.a_day()).close()
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("PROBELEDGER_ARCHIVE", str(tmp_path / "archive.sqlite"))
    result = CliRunner().invoke(main, ["day", *args])
    assert result.exit_code == status and said in result.stderr and "Traceback" not in result.output
