"""The certificate: what it has to say, escaping, the JSON document and back, and how it prints.

Content: ISO/IEC 17025:2017, clause 7.8; conformity: JCGM 106:2012.
"""

import dataclasses
import html.parser
import json
import math
import re
import subprocess

import pytest
from click.testing import CliRunner
from invented_calibration import DAY, HIGH_OHMS, LOW_OHMS, certificate, result
from scipy import stats

from probeledger.calibrating import certificate as content
from probeledger.calibrating.certificate import Adjustment, Conditions, Item, Party, Result, UsedReference
from probeledger.calibrating.certificate_json import document, read_document
from probeledger.calibrating.page import render_certificate
from probeledger.calibrating.plot import deviations
from probeledger.cli import main
from probeledger.errors import InputError

VOID = {"meta", "br"}


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
            self.text += data + " "


def text_of(page: str) -> str:
    return " ".join(Page(page).text.split())


def at(made: dict, path: str) -> object:
    for part in path.split("."):
        made = made[part]
    return made


def test_every_point_of_the_standard_is_answered() -> None:
    made = document(certificate())
    for clause, paths in content.CLAUSES.items():
        for path in paths:
            assert at(made, path) not in (None, "", [], {}), (clause, path)
    numbered = {clause.split()[0] + " " + clause.split()[1] for clause in (*content.CLAUSES, *content.NOT_APPLIED)}
    assert {f"7.8.2.1 {letter}" for letter in "abcdefghijklmnop"} <= numbered
    assert {f"7.8.4.1 {letter}" for letter in "abcdef"} <= numbered
    assert made["accredited"] is False


def test_the_page_says_it_all() -> None:
    whole = certificate()
    text = text_of(render_certificate(whole))
    for words in (
        "Calibration certificate PL-2026-0007",
        "pl-3f9a1c",
        "Workshop of the invented town",
        "1 Example Street, Nowhere",
        "bench of the workshop",
        "comparison with reference resistors",
        "22.6 to 23.4 °C",
        "2026-11-20",
        "2026-11-23",
        "2027-11-20, agreed with the owner",
        "No accreditation is claimed",
        "The results relate only to the tester named",
        "not rated for mains",
        "not an insulation test",
        "at least 95 %, fail where it is at most 5 %",
        "low range 0.03 % + 0.05 Ω; high range 0.3 %; isolation 5 %",
        "k = 2",
        "Traceable to the SI through the certificates",
        "linearity of the ADC",
        "from no calibration to cal-20261120-1",
        "the maker, authorised this certificate",
        "End of certificate PL-2026-0007",
    ):
        assert words in text, words
    for reference in whole.references:
        assert reference.certificate is not None and reference.certificate in text
    assert not re.search(r"\b(safe|accredited by|dead|no voltage)\b", text, re.I)


def test_the_page_stands_alone() -> None:
    source = render_certificate(certificate())
    for tag, attributes in Page(source).tags:
        assert tag not in ("script", "link", "iframe", "img", "object", "form", "a")
        assert not any(name.startswith("on") or name == "style" for name in attributes)
    assert not re.search(r"https?://|@import|url\(", source)


def test_results_stand_as_found_before_as_left_with_their_uncertainty() -> None:
    text = text_of(render_certificate(certificate()))
    # 1000.012 ohm as found: error 0.06 + 0.45 = 0.51, u = 0.06; as left: 0.007, u = 0.06
    assert "1000.01 0.35 1000.52 +0.51 0.12 fail 1000.02 +0.01 0.12 pass" in text
    assert text.index("as found") < text.index("as left")
    alone = text_of(render_certificate(certificate(as_left=(), adjustment=None)))
    assert "Not adjusted: the results as found hold as left" in alone and "As found: fail" in alone


@pytest.mark.parametrize(
    ("error", "u", "statement"),
    [(0.0, 0.1, "pass"), (0.3, 0.1, "undecided"), (0.35, 0.1, "undecided"), (0.6, 0.1, "fail"), (-0.6, 0.1, "fail")],
)
def test_conformity_is_that_of_jcgm_106(error: float, u: float, statement: str) -> None:
    found = result("low", 1000.0, error, u)
    limit = 0.35
    spread = stats.norm(error, u)
    assert found.limit_ohms == pytest.approx(limit)
    assert found.probability_conforming == pytest.approx(spread.cdf(limit) - spread.cdf(-limit), abs=1e-12)
    assert found.statement == statement
    assert found.expanded_ohms == pytest.approx(2 * u) and found.error_ohms == pytest.approx(error)


def test_the_whole_is_as_good_as_its_worst_result() -> None:
    good, doubtful, bad = result("low", 1000.0, 0.0, 0.05), result("low", 500.0, 0.2, 0.05), result("low", 0.0, 1, 0.01)

    def of(*results: Result) -> str:
        return certificate(as_found=results, as_left=(), adjustment=None).statement

    assert (of(good), of(good, doubtful), of(good, doubtful, bad)) == ("pass", "undecided", "fail")
    assert certificate().statement == "pass"


def test_document_and_back() -> None:
    whole = certificate(remarks=("one",), received=DAY)
    made = json.loads(json.dumps(document(whole), allow_nan=False))
    assert read_document(made) == whole
    first = made["as_found"][3]
    assert first["error_ohms"] == first["indicated_ohms"] - first["reference_ohms"]
    assert first["statement"] == "fail" and first["expanded_ohms"] == 2 * first["u_error_ohms"]
    assert made["budget"][1]["degrees_of_freedom"] is None and made["budget"][0]["degrees_of_freedom"] == 19
    assert made["u_budget_ohms"] == pytest.approx(math.sqrt(sum(line["u_ohms"] ** 2 for line in made["budget"])))
    # what follows from the rest is not believed
    first["statement"] = "pass"
    assert read_document(made) == whole


def changed(path: str, value: object) -> dict:
    made = json.loads(json.dumps(document(certificate())))
    *parents, last = path.split(".")
    place = made
    for part in parents:
        place = place[int(part)] if isinstance(place, list) else place[part]
    if value is ...:
        del place[last]
    else:
        place[last] = value
    return made


@pytest.mark.parametrize(
    ("path", "value", "said"),
    [
        ("number", "PL 7<script>", "has to be 1 to 40 letters, digits"),
        ("number", 7, "certificate, number must be a text, not '7'"),
        ("issued", "23.11.2026", "certificate, issued must be a day such as 2026-03-14"),
        ("issued", "2026-11-19", "these days have to follow each other"),
        ("place", " ", "lacks the place; fill it in"),
        ("laboratory.name", ..., "certificate, laboratory has no entry name"),
        ("laboratory.adress", "x", "unknown entry 'adress'; did you mean address?"),
        ("as_found", [], "has no results as found, or no references"),
        ("as_left", [], "needs results as left where the tester was adjusted, and only there"),
        ("as_found.0.u_error_ohms", 0, "both must be above zero"),
        ("as_found.0.u_error_ohms", float("nan"), "certificate, as_found 1, u_error_ohms must be a finite number"),
        ("as_found.0.limit_ohms", 3.0, "where its specification allows 0.0500001"),
        ("as_found.0.range", "middle", "a result in the range 'middle'"),
        ("next_agreed", "2026-11-20", "is not after 2026-11-20"),
        ("conditions", 5, "certificate, conditions must be an object with entries"),
        ("references", {}, "certificate, references must be a list"),
        ("format", 2, "This certificate has format 2"),
    ],
)
def test_a_wrong_document_gets_one_sentence(path: str, value: object, said: str) -> None:
    with pytest.raises(InputError) as error:
        read_document(changed(path, value))
    assert said in error.value.message and "\n" not in error.value.message


def test_traceability_is_claimed_only_where_certificates_are() -> None:
    whole = certificate()
    assert whole.traceability.startswith("Traceable to the SI through the certificates of the references listed")
    bare = tuple(dataclasses.replace(each, certificate=None, date=None) for each in whole.references)
    assert "no traceability to the SI is claimed" in certificate(references=bare).traceability
    mixed = (*whole.references[:-1], bare[-1])
    assert f"except at: {bare[-1].name}" in certificate(references=mixed).traceability
    # a short is a short without any paper
    short = (UsedReference("short", 0.0, 0.0004, None), *whole.references[1:])
    assert certificate(references=short).traceability.startswith("Traceable to the SI through the certificates of")


HOSTILE = [
    "<script>alert(1)</script>",
    '"><img src=x onerror=alert(1)>',
    "</style><script>alert(1)</script>",
    "{{ 7 * 7 }}",
    "\u202eevil\u202c\u0000\x1b[31m",
]


@pytest.mark.parametrize("evil", HOSTILE, ids=range(len(HOSTILE)))
def test_hostile_texts_stay_text(evil: str) -> None:
    source = render_certificate(
        certificate(
            laboratory=Party(evil, evil),
            customer=Party("b" + evil, evil),
            item=Item(evil, evil, evil, evil),
            place=evil,
            method=evil,
            departures=evil,
            authorised_by=evil,
            remarks=(evil,),
            references=(UsedReference(evil, 1000.0, 0.1, evil, DAY),),
            adjustment=Adjustment(evil, evil, (evil,)),
        )
    )
    page = Page(source)
    allowed = {tag for tag, _ in Page(render_certificate(certificate())).tags}
    assert {tag for tag, _ in page.tags} <= allowed
    assert "\u202e" not in source and "\x1b" not in source and "\x00" not in source
    assert "7 * 7" in page.text or "7 * 7" not in evil


def test_the_plot_shows_every_result_at_its_place() -> None:
    whole = certificate()
    drawn = deviations(whole.specification("low"), whole.as_found, whole.as_left)
    assert drawn is not None
    found = re.findall(r'<circle cx="([\d.]+)" cy="([\d.]+)"', drawn)
    left = re.findall(r'<path d="M([\d.]+) ([\d.]+) l', drawn)
    assert len(found) == len(left) == len(LOW_OHMS)
    # Where x is linear in resistance, as a short distance to the left of as-left ones, and y in the error.
    xs, ys = [float(x) for x, _ in found], [float(y) for _, y in found]
    scale = (xs[-1] - xs[0]) / (LOW_OHMS[-1] - LOW_OHMS[0])
    for x, ohms in zip(xs, LOW_OHMS, strict=True):
        assert x == pytest.approx(xs[0] + scale * (ohms - LOW_OHMS[0]), abs=0.15)
    errors = [each.error_ohms for each in whole.as_found if each.range == "low"]
    rise = (ys[-1] - ys[0]) / (errors[-1] - errors[0])
    assert rise < 0
    for y, error in zip(ys, errors, strict=True):
        assert y == pytest.approx(ys[0] + rise * (error - errors[0]), abs=0.15)
    bars = re.findall(r'<line x1="([\d.]+)" x2="\1" y1="([\d.]+)" y2="([\d.]+)" class="p-bar"/>', drawn)
    assert len(bars) == 2 * len(LOW_OHMS)
    _, low, high = bars[len(LOW_OHMS) - 1]
    expanded = [each for each in whole.as_found if each.range == "low"][-1].expanded_ohms
    assert abs(float(high) - float(low)) == pytest.approx(2 * expanded * abs(rise), abs=0.25)


def test_the_plot_is_left_out_where_there_is_nothing_to_compare() -> None:
    whole = certificate()
    assert deviations(whole.specification("isolation"), whole.as_found, whole.as_left) is None
    high = deviations(whole.specification("high"), whole.as_found, ())
    assert high is not None and high.count("<circle") == len(HIGH_OHMS) and "p-left" not in high


def test_command_writes_the_page_and_the_document(tmp_path, monkeypatch) -> None:
    monkeypatch.chdir(tmp_path)
    source = tmp_path / "calibration.json"
    source.write_text(json.dumps(document(certificate())), encoding="utf-8")
    done = CliRunner().invoke(main, ["calibrate", "certificate", "calibration.json"])
    assert done.exit_code == 0, done.output
    assert done.stdout.splitlines()[-1] == "certificate: certificate-PL-2026-0007.html"
    page = (tmp_path / "certificate-PL-2026-0007.html").read_text(encoding="utf-8")
    assert page == render_certificate(certificate())
    as_json = CliRunner().invoke(main, ["calibrate", "certificate", "calibration.json", "--json"])
    assert read_document({k: v for k, v in json.loads(as_json.stdout).items() if k != "output"}) == certificate()
    source.write_text("{", encoding="utf-8")
    bad = CliRunner().invoke(main, ["calibrate", "certificate", "calibration.json"])
    assert bad.exit_code == 2 and "is not valid JSON" in bad.stderr and bad.stderr.count("\n") == 1
    missing = CliRunner().invoke(main, ["calibrate", "certificate", "none.json"])
    assert missing.exit_code == 2 and "There is no certificate file none.json" in missing.stderr


def pages_of(chromium: str, folder, source: str) -> int:
    page, printed = folder / "page.html", folder / "page.pdf"
    page.write_text(source, encoding="utf-8")
    subprocess.run(
        [
            chromium,
            "--headless",
            "--no-sandbox",
            "--disable-gpu",
            f"--user-data-dir={folder / 'profile'}",
            "--no-pdf-header-footer",
            f"--print-to-pdf={printed}",
            page.as_uri(),
        ],
        check=True,
        capture_output=True,
        timeout=120,
    )
    return len(re.findall(rb"/Type\s*/Page\b(?!s)", printed.read_bytes()))


@pytest.mark.chromium
@pytest.mark.parametrize("paper", ["A4", "Letter"])
def test_it_prints_on_one_or_two_pages(chromium, tmp_path, paper: str) -> None:
    full = render_certificate(certificate())
    small = render_certificate(
        certificate(
            as_found=certificate().as_left[:6],
            as_left=(),
            adjustment=None,
            references=certificate().references[:6],
            conditions=Conditions(22.0, 23.0, 0.5),
            next_agreed=None,
        )
    )
    sized = [source.replace("@page{margin:13mm", f"@page{{size:{paper};margin:13mm") for source in (full, small)]
    assert [f"size:{paper}" in source for source in sized] == [True, True]
    assert {pages_of(chromium, tmp_path, source) for source in sized} <= {1, 2}
