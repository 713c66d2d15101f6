"""Two years of drifting testers in the archive: what `calibrate history` finds in their records, and whose tickets.

The testers are invented, their seeds fixed. The demands (found within ten checks, false alarms under 1 in 200 checks)
are the project's own; that the lists are complete follows from the simulated day on which the tester went off.
"""

import datetime
import html.parser
import json

import pytest
from click.testing import CliRunner
from two_years import MORNINGS, TwoYears, jobs

from probecore import calibration, checking, record
from probeledger import circuit
from probeledger.archive import open_archive
from probeledger.calibrating.fromarchive import histories
from probeledger.cli import main

OHMS = 1000.0
WITHIN = 10
# The check at which each tester goes off, None for a sound one.
SHOP = {"pl-drifts": 200, "pl-steps": 310, "pl-sound": None}


def check_body(check, nominal_ohms=OHMS, name="check resistor"):
    setup = checking.Setup(name, nominal_ohms, 1000.0, 1e6)
    steps = [
        checking.judge_step(step, ohms, u_ohms, setup)
        for step, ohms, u_ohms in (
            ("together", 0.001, 0.01),
            ("open", checking.OPEN_OHMS, None),
            ("resistor", nominal_ohms * (1 + check.deviation), 0.1),
            ("isolation", 1e6, 1e4),
            ("jaws", 0.5, None),
        )
    ]
    steps[2]["u_readings_ohms"] = 0.004
    return {
        "passed": all(step["passed"] for step in steps),
        "resistor": name,
        "resistor_ohms": nominal_ohms,
        "tester_celsius": check.celsius,
        "steps": steps,
    }


class Ledger:
    """Records of one tester, chained."""

    def __init__(self, tester):
        self.tester = tester
        self.ledger = tester.encode()[:8].ljust(8, b".")
        self.items = []
        self.previous = record.GENESIS

    def add(self, kind, body, moment, cal=None):
        sequence = len(self.items) + 1
        item = record.encode(
            self.ledger, sequence, kind, 1, sequence * 1000, int(moment.timestamp()), self.tester, "0.1.0", cal,
            self.previous, body,
        )  # fmt: skip
        self.previous = record.digest(item)
        self.items.append((sequence, item))


def two_years(tester, simulated, until, every=1):
    """Return a ledger of mornings with their checks, and of the jobs between them."""
    ledger = Ledger(tester)
    events = [(check.time, "check", check_body(check)) for check in simulated.checks(until)]
    last = events[-1][0] + datetime.timedelta(hours=12)
    events += [
        (job.time, "probe", {"ticket": f"{tester} {job.ticket}", "job": number, "verdict": "pass"})
        for number, job in enumerate(jobs()[::every])
        if job.time < last
    ]
    for moment, kind, body in sorted(events, key=lambda event: event[0]):
        ledger.add(kind, body, moment)
    return ledger


def stored(folder, *ledgers):
    path = folder / "archive.sqlite"
    with open_archive(path, create=True) as archive:
        for ledger in ledgers:
            archive.add(ledger.items, ledger.tester, ledger.ledger)
    return path


@pytest.fixture(scope="module")
def shop(tmp_path_factory):
    drifts = two_years("pl-drifts", TwoYears(701).drift_from(SHOP["pl-drifts"]), 240)
    steps = two_years("pl-steps", TwoYears(705).step_at(SHOP["pl-steps"], -1), 315)
    sound = two_years("pl-sound", TwoYears(703), len(MORNINGS), every=4)
    return stored(tmp_path_factory.mktemp("shop"), drifts, steps, sound)


def run(*options):
    return CliRunner().invoke(main, ["calibrate", "history", *map(str, options)])


def test_two_years_of_a_shop(shop):
    done = run("--archive", shop, "--json")
    assert done.exit_code == 0, done.output
    found = {each["tester"]: each for each in json.loads(done.stdout)}
    assert list(found) == sorted(SHOP)
    for tester, onset in SHOP.items():
        told = found[tester]
        assert told["checks_failed"] == told["checks_left_out"] == told["checks_with_other_settings"] == 0
        if onset is None:
            assert told["checks"] == len(MORNINGS) and len(told["alarms"]) < told["checks"] / 200
            assert told["drift"]["span_years"] > 1.9
            continue
        first = next(alarm for alarm in told["alarms"] if alarm["index"] >= onset)
        assert first["index"] - onset < WITHIN
        assert told["advice"]["months"] == 0
        assert not [alarm for alarm in told["alarms"] if alarm["index"] < onset]
    # Every ticket since the last good check is listed, and for a step none from the week before.
    for tester in ("pl-drifts", "pl-steps"):
        onset = SHOP[tester]
        wanted = [f"{tester} {job.ticket}" for job in jobs() if MORNINGS[onset - 1] < job.time]
        last = datetime.datetime.fromisoformat(found[tester]["points"][-1]["time"])
        wanted = wanted[: 4 * sum(1 for morning in MORNINGS if MORNINGS[onset - 1] <= morning <= last)]
        listed = [job["ticket"] for job in found[tester]["affected"]]
        assert set(wanted) <= set(listed) and len(wanted) >= 20
    earliest = datetime.datetime.fromisoformat(found["pl-steps"]["affected"][0]["time"])
    assert earliest > MORNINGS[SHOP["pl-steps"] - 5]


def test_a_person_sees_them_side_by_side(shop):
    shown = " ".join(run("--archive", shop).stdout.split())
    for tester in SHOP:
        assert tester in shown
    assert "may be affected" in shown and "tickets pl-steps T-" in shown
    one = json.loads(run("--archive", shop, "--tester", "pl-sound", "--json").stdout)
    assert [each["tester"] for each in one] == ["pl-sound"]


class Page(html.parser.HTMLParser):
    """Tags and texts of a page; every tag is closed."""

    def __init__(self, source):
        super().__init__()
        self.open, self.tags, self.text = [], [], ""
        self.feed(source)
        assert self.open == []

    def handle_starttag(self, tag, attrs):
        self.tags.append((tag, dict(attrs)))
        if tag not in ("meta", "br"):
            self.open.append(tag)

    def handle_startendtag(self, tag, attrs):
        self.tags.append((tag, dict(attrs)))

    def handle_endtag(self, tag):
        assert self.open.pop() == tag

    def handle_data(self, data):
        self.text += data


def test_the_page_draws_a_chart_for_each_and_says_it_in_words(shop, tmp_path):
    output = tmp_path / "history.html"
    done = run("--archive", shop, "--output", output)
    assert done.exit_code == 0 and done.stdout.rstrip().endswith(f"history: {output}")
    source = output.read_text(encoding="utf-8")
    page = Page(source)
    assert not [tag for tag, _ in page.tags if tag in ("script", "img", "link", "iframe")]
    charts = [attributes for tag, attributes in page.tags if tag == "svg"]
    assert len(charts) == 3 and all(attributes["role"] == "img" for attributes in charts)
    labels = [attributes["aria-label"] for attributes in charts]
    assert "Alarm on" in labels[0] and "522 checks from 2025-01-06" in labels[1]
    for label in labels:
        assert label in page.text
    triangles = [attributes for tag, attributes in page.tags if attributes.get("class") == "p-alarm"]
    with open_archive(shop) as archive:
        alarms = sum(len(each.chart.alarms) for _, each in histories(archive) if each)
    assert len(triangles) == alarms
    # Every drawn number lies within the picture.
    width, height = (float(charts[0][name]) for name in ("width", "height"))
    for tag, attributes in page.tags:
        if tag in ("line", "circle", "rect"):
            for name, most in (("x1", width), ("x2", width), ("cx", width), ("y1", height), ("y2", height)):
                assert 0 <= float(attributes.get(name, 0)) <= most


def test_another_calibration_or_resistor_begins_a_new_chart(tmp_path):
    checks = TwoYears(5).checks(60)
    ledger = Ledger("pl-a")
    before = circuit.uncalibrated()
    gain = 1.0004
    after = calibration.Calibration("K1", calibration.CALIBRATED, *before[2:])._replace(gain=gain, u_gain=2e-5)
    for check in checks[:20]:
        ledger.add("check", check_body(check), check.time)
    ledger.add(
        "calibration",
        {"act": "taken", "before": calibration.to_map(before), "after": calibration.to_map(after)},
        checks[19].time + datetime.timedelta(hours=3),
        "K1",
    )
    for check in checks[20:40]:
        ledger.add("check", check_body(check), check.time, "K1")
    for check in checks[40:]:
        ledger.add("check", check_body(check, 999.87, "R2"), check.time, "K1")
    (told,) = json.loads(run("--archive", stored(tmp_path, ledger), "--json").stdout)
    assert told["checks"] == 20 and told["checks_with_other_settings"] == 40
    assert (told["calibration"], told["resistor"], told["resistor_ohms"]) == ("K1", "R2", pytest.approx(999.87))
    (made,) = told["calibrations"]
    # Without the adjustment 1000 ohm read 1000/1.0004 of itself.
    assert made["as_found"] == pytest.approx(1 / gain - 1, rel=1e-3) and made["as_left"] == 0.0


def test_damaged_checks_are_left_out_and_counted(tmp_path):
    checks = TwoYears(5).checks(30)
    ledger = Ledger("pl-a")
    for check in checks[:12]:
        ledger.add("check", check_body(check), check.time)
    good = check_body(checks[12])
    for body in (
        {},
        {**good, "steps": 7},
        {**good, "steps": [{"step": "resistor", "ohms": float("nan")}]},
        {**good, "resistor_ohms": 0},
        {**good, "resistor": ["x"]},
        # another resistor in the clips
        {**good, "steps": [{"step": "resistor", "ohms": 470.0}], "passed": False},
    ):
        ledger.add("check", body, checks[12].time)
    ledger.add("probe", {"ticket": "T1", "job": 1}, checks[13].time)
    never = Ledger("pl-b")
    never.add("probe", {"ticket": "T2", "job": 1}, checks[13].time)
    path = stored(tmp_path, ledger, never)
    first, second = json.loads(run("--archive", path, "--json").stdout)
    assert first["checks"] == 12 and first["checks_left_out"] == 6 and first["checks_failed"] == 2
    assert second["tester"] == "pl-b" and second["checks"] == 0
    shown = " ".join(run("--archive", path).stdout.split())
    assert "pl-b 0 - - - never checked" in shown
    page = tmp_path / "page.html"
    run("--archive", path, "--output", page)
    assert "never checked" in Page(page.read_text(encoding="utf-8")).text


def test_an_unknown_tester_or_archive_is_one_sentence(shop, tmp_path):
    done = run("--archive", shop, "--tester", "pl-nobody", "--json")
    assert done.exit_code == 2 and done.stdout == "" and done.stderr.count("\n") == 1
    assert "no records of tester pl-nobody" in done.stderr
    missing = run("--archive", tmp_path / "none.sqlite")
    assert missing.exit_code in (1, 2) and missing.stderr.count("\n") == 1
