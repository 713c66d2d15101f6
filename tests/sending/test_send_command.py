"""`send` on the real firmware: taken by a key, used by a test, judged again the same; and all that goes wrong."""

import datetime
import json

import pytest
from counter import LIMITS, NTC, counter, file, in_use, listed, platinum, pulled, run, send, set_clock, test_oven

from probeledger.archive import Search, open_archive
from probeledger.judging.again import judge_again
from probeledger.reports.day import day_sheet, document
from probeledger.reports.render import render
from probeledger.sending.archived import Definitions
from probeledger.virtual import scenario
from probeledger.virtual.glass import shows

pytestmark = pytest.mark.usefixtures("micropython")

UTC = datetime.UTC
EPOCH = 1795593600  # 2026-11-25 08:00:00 UTC (GNU date)


@pytest.fixture(scope="module")
def tester(tmp_path_factory, request):
    """A tester whose shelf the tests fill one after the other, and leave as they found it."""
    request.getfixturevalue("micropython")
    with counter(tmp_path_factory.mktemp("counter")) as made:
        yield made


@pytest.fixture
def unchanged(tester):
    before = listed(tester)
    yield
    assert listed(tester) == before


def refused(result, status, words):
    assert result.exit_code == status, result.output
    last = result.stderr.strip().splitlines()[-1]
    assert last.startswith("Error: ") and words in last, result.stderr
    assert last.count("Error") == 1 and "Traceback" not in result.output


def test_a_thermistor_from_the_file_to_the_day_sheet(tmp_path):
    with counter(tmp_path) as tester:
        assert in_use(tester) == ["pt1000-3850", "domestic-1000"]
        result = send(
            tester, "--curve", file(tmp_path, NTC), "--limits", file(tmp_path, LIMITS, "l.toml"), "--use", times=2
        )
        assert result.exit_code == 0, result.output
        assert "cabinet 3977" in result.stdout and "read back and verified; record 2 in its ledger" in result.stdout
        assert "our shop" in result.stdout and "record 3" in result.stdout
        assert "its middle key takes it, BACK refuses it" in result.stderr
        assert in_use(tester) == ["cabinet 3977", "our shop"]
        set_clock(tester, EPOCH)
        # What was chosen outlives the power.
        tester.power_off()
        tester.power_on()
        tester.run_for(3.0)
        test_oven(tester, "ntc-cabinet")
        test_oven(tester, "ntc-cabinet", "control-end")
        test_oven(tester, "good-sensor")
        archive = tmp_path / "a.sqlite"
        told = pulled(tester, archive)
    assert [each["kind"] for each in told] == ["boot", "curve", "limits", "clock", "boot", *3 * ["probe"]]
    assert told[1]["body"]["act"] == "taken" and told[1]["body"]["definition"]["name"] == "cabinet 3977"
    ntc, again, platinum_test = [each for each in told if each["kind"] == "probe"]
    for each in (ntc, again):
        assert each["verdict"] == "pass" and each["body"]["range"] == "high" and each["curve"] == "cabinet 3977"
        # The oven's file says 22 degC, and the Beta equation 11447 ohm
        assert each["celsius"] == pytest.approx(22.0, abs=0.3) and each["ohms"] == pytest.approx(11451, rel=3e-3)
        assert each["body"]["u_celsius"] > 0 and each["body"]["settling"]["settled"] is True
        assert each["body"]["curve_id"] == told[1]["body"]["id"] and each["body"]["profile"] == "our shop"
        assert each["body"]["profile_id"] == told[2]["body"]["id"]
        assert "service window" not in [name for name, _ in each["body"]["requirements"]]
        # A thermistor's own change between two tests is tens of ohm: no harness is told from it
        assert each["body"]["harness"] is None
    assert again["place"] == "control-end"
    assert platinum_test["verdict"] == "fail" and "ambient-disagrees" in platinum_test["body"]["findings"]

    with open_archive(archive) as opened:
        definitions = Definitions(opened)
        for each in opened.search(Search(kind="probe")):
            judged = judge_again(each.body, each.calibration, None, definitions)
            assert judged.verdict == each.verdict and not judged.differs and judged.problem is None
            assert judged.ohms == pytest.approx(each.ohms, abs=0.01)
            if judged.celsius is not None:
                # Single against double precision
                assert judged.celsius == pytest.approx(each.celsius, abs=1e-3)
            alone = judge_again(each.body, each.calibration)
            assert alone.verdict is None and "record that says what it is is not in this archive" in alone.problem
            assert any("the limits our shop" in said for said in alone.reasons) is False
            by_name = judge_again({**each.body, "curve_id": None, "curve": "pt1000-3850"}, each.calibration)
            assert any("the limits our shop" in said and "judged by domestic-1000" in said for said in by_name.reasons)
        made = day_sheet(opened, datetime.date(2026, 11, 25), UTC)
        page = render(made).replace("\u00a0", " ")
        assert f"cabinet 3977 ({told[1]['body']['id']}), as sent to the tester" in page
        assert f"our shop ({told[2]['body']['id']}), as sent to the tester" in page
        sheet = document(made)
        tests = [test for each in sheet["testers"] for test in each["tests"]]
        assert [test["verdict"] for test in tests] == ["pass", "pass", "fail"]
        assert not any(test["differs"] for test in tests)


def test_what_the_person_at_the_tester_reads(tmp_path):
    with counter(tmp_path) as tester:
        seen = {}

        def look(tester):
            before = len(tester.world.beeps)
            yield lambda: len(tester.world.beeps) > before
            yield 1.0
            for text in ("New curve, to use:", "cabinet 3977", "-40 to 125 C", "10 kohm at 25 C", "refuse", "TAKE IT"):
                seen[text] = shows(tester.world.screen, text)
            tester.world.press("ok")
            yield 1.0
            seen["done"] = shows(tester.world.screen, "Tests work with it now.")
            seen["saved"] = shows(tester.world.screen, "saved no. 2")
            yield 6.0

        actor = tester.begin(look)
        assert run("send", tester.port, "--curve", file(tmp_path, NTC), "--use").exit_code == 0
        assert actor.ended.wait(30) and actor.error is None
        assert len(seen) == 8 and all(seen.values()), seen
        tester.unplug_usb()
        at_home = []
        for _ in range(12):
            tester.run_for(1.0)
            at_home.append(shows(tester.world.screen, "curve cabinet 3977"))
        assert any(at_home)


def test_a_hot_a_broken_and_a_shorted_thermistor(tmp_path):
    """At 70 degC it has a twentieth of its resistance at 0 degC, and is no short circuit."""
    with counter(tmp_path) as tester:
        assert send(tester, "--curve", file(tmp_path, NTC), "--use").exit_code == 0
        for changes in ({}, {"fault": "open", "open_position": 0.5}, {"fault": "short"}):
            element = {"curve": "ntc-beta", "r0_ohms": 10000.0, "beta_kelvin": 3977.0, **changes}
            oven = {"name": "x", "story": "Invented.", "element": element, "room": {"celsius": 22.0}}
            if not changes:
                oven["temperature"] = {"celsius": 75.0}
            test_oven(tester, scenario.from_table(oven))
        told = [each for each in pulled(tester, tmp_path / "a.sqlite") if each["kind"] == "probe"]
    hot, broken, shorted = told
    assert hot["body"]["leads"] == "connected" and hot["celsius"] == pytest.approx(75.0, abs=0.5)
    assert hot["verdict"] == "fail" and "ambient-disagrees" in hot["body"]["findings"]
    assert broken["verdict"] == "fail" and "open-circuit" in broken["body"]["findings"]
    assert shorted["verdict"] == "fail" and "short-circuit" in shorted["body"]["findings"]


# ohms at 25 degC, Beta, self-heating [K/mW]: one that warms itself in the low range, where its resistance falls by
# far more a minute than the limits call settled, and one of 100 kohm
@pytest.mark.parametrize(("ohms", "beta_kelvin", "warming"), [(2000, 3500, 0.2), (100000, 3950, 0.1)])
def test_thermistors_small_and_large(tmp_path, ohms, beta_kelvin, warming):
    element = {"curve": "ntc-beta", "r0_ohms": float(ohms), "beta_kelvin": float(beta_kelvin)}
    element |= {"self_heating_kelvin_per_milliwatt": warming, "self_heating_tau_s": 4.0}
    oven = {"name": "x", "story": "Invented.", "element": element, "room": {"celsius": 21.0}}
    text = NTC.replace("10000", str(ohms)).replace("3977", str(beta_kelvin))
    with counter(tmp_path) as tester:
        assert send(tester, "--curve", file(tmp_path, text), "--use").exit_code == 0
        test_oven(tester, scenario.from_table(oven))
        (told,) = [each for each in pulled(tester, tmp_path / "a.sqlite") if each["kind"] == "probe"]
    assert told["verdict"] == "pass" and told["body"]["settling"]["settled"] is True
    assert told["body"]["range"] == ("low" if ohms < 4000 else "high")
    assert told["celsius"] == pytest.approx(21.0, abs=0.2) and 0 < told["body"]["u_celsius"] < 0.1
    warmed = told["body"]["settling"]["slope_ohms_per_minute"]
    assert ohms > 4000 or warmed < -0.08 * told["ohms"] * beta_kelvin / 294.15**2


@pytest.mark.parametrize(("key", "words"), [("back", "was refused at the tester"), (None, "no key was pressed")])
def test_without_the_key_nothing_changes(tester, tmp_path, unchanged, key, words):
    refused(send(tester, "--curve", file(tmp_path, NTC), "--use", key=key), 1, words)


def test_json_of_a_refusal(tester, tmp_path, unchanged):
    result = send(tester, "--use-curve", "pt1000-3750", "--json", key="back")
    assert result.exit_code == 1
    told = json.loads(result.stdout)
    assert [(each["act"], each["state"], each["verified"]) for each in told["done"]] == [("use", "refused", False)]


def test_choosing_and_dropping(tester, tmp_path):
    result = send(tester, "--curve", file(tmp_path, platinum()))
    assert result.exit_code == 0 and "do not work with it yet: --use-curve does that" in result.output
    assert in_use(tester)[0] == "pt1000-3850"
    result = send(tester, "--use-curve", "ours")
    assert result.exit_code == 0 and "works with the curve ours now" in result.output
    assert in_use(tester)[0] == "ours"
    result = send(tester, "--use-curve", "ours", key=None)
    assert result.exit_code == 0 and "works with the curve ours already" in result.output
    refused(send(tester, "--drop-curve", "ours", key=None), 1, "is in use and was not dropped; choose another first")
    # The same file again changes nothing and asks nobody
    result = send(tester, "--curve", file(tmp_path, platinum()), key=None)
    assert result.exit_code == 0 and "already" in result.output
    # Another file of that name takes the place of the one in use
    result = send(tester, "--curve", file(tmp_path, platinum(r0_ohms=1000.4)))
    assert result.exit_code == 0 and "work with it now" in result.output
    assert in_use(tester)[0] == "ours" and len([each for each in listed(tester)["curve"] if each["id"]]) == 1
    assert send(tester, "--use-curve", "pt1000-3850").exit_code == 0
    result = send(tester, "--drop-curve", "ours")
    assert result.exit_code == 0 and "has dropped the curve ours" in result.output
    assert not any(each["id"] for each in listed(tester)["curve"])


def test_a_fifth_curve(tester, tmp_path):
    for number in range(4):
        assert send(tester, "--curve", file(tmp_path, platinum(f"no. {number}"))).exit_code == 0
    result = send(tester, "--curve", file(tmp_path, platinum("one more")), key=None)
    refused(result, 1, "keeps 4 curves already: no. 0, no. 1, no. 2, no. 3. Drop one")
    for number in range(4):
        assert send(tester, "--drop-curve", f"no. {number}").exit_code == 0


@pytest.mark.parametrize(
    ("option", "text", "words"),
    [
        ("--curve", platinum("pt1000-3850"), "is the name of a built-in one"),
        ("--curve", platinum("x" * 41), "1 to 40 printable characters"),
        ("--curve", 'name = "x"\nkind = "ntc"\n', "kind must be one of"),
        ("--limits", 'name = "domestic-1000"\nharness_ohms = 1\n', "name of the built-in domestic-1000"),
        ("--limits", 'name = "x"\nharness_mohm = 1\n', "harness_mohm"),
        ("--limits", "harness_ohms = 1\n", "have no name"),
        ("--limits", f'name = "{41 * "x"}"\nharness_ohms = 1\n', "1 to 32 characters"),
    ],
)
def test_files_that_are_not_sent(tester, tmp_path, unchanged, option, text, words):
    refused(run("send", tester.port, option, file(tmp_path, text)), 2, words)


@pytest.mark.parametrize(
    ("args", "words"),
    [
        ((), "Say what to send"),
        (("--use",), "--use goes with --curve or --limits"),
        (("--use-curve", "none"), "has no curve 'none'; it has pt100-3850"),
        (("--use-limits", "none"), "has no limits 'none'; it has domestic-1000"),
        (("--drop-curve", "pt1000-3850"), "built in and cannot be dropped"),
        (("--use-curve", "pt1000-3750", "--drop-limits", "none"), "has no limits 'none'"),
        (("--curve", "no-such-file.toml"), "no-such-file.toml"),
    ],
)
def test_what_makes_no_sense(tester, unchanged, args, words):
    refused(run("send", tester.port, *args), 2, words)


def test_a_plug_that_is_pulled_while_the_tester_asks(tmp_path):
    with counter(tmp_path, seed=20) as tester:
        before = listed(tester)

        def unplug(tester):
            heard = len(tester.world.beeps)
            yield lambda: len(tester.world.beeps) > heard
            yield 1.0
            tester.unplug_usb()
            yield 1.0
            # Too late: the question went with the plug.
            tester.world.press("ok")
            yield 3.0

        tester.usb_pace = 5.0
        actor = tester.begin(unplug)
        result = run("send", tester.port, "--curve", file(tmp_path, NTC), "--use")
        refused(result, 1, "Unless the key was pressed before that, nothing was changed; 'send --list' tells")
        assert actor.ended.wait(60) and actor.error is None
        tester.plug_usb()
        tester.usb_pace = None
        assert listed(tester) == before
        kinds = [each["kind"] for each in pulled(tester, tmp_path / "a.sqlite")]
        assert "curve" not in kinds


def test_a_curve_that_is_lost_stops_tests_until_another_is_chosen(tmp_path):
    with counter(tmp_path) as tester:
        assert send(tester, "--curve", file(tmp_path, NTC), "--use").exit_code == 0
        script = "for n in (0, 1):\n with open('/ledger/curve-0.%d' % n, 'wb') as file:\n  file.write(b'x')\n"
        _on_the_tester(tester, script)
        tester.power_off()
        tester.power_on()
        tester.run_for(3.0)
        result = run("send", tester.port, "--list")
        assert result.exit_code == 0 and "The curve in use cannot be read: cabinet 3977" in result.stderr
        test_oven(tester, "good-sensor")
        assert send(tester, "--use-curve", "pt1000-3850").exit_code == 0
        test_oven(tester, "good-sensor")
        told = pulled(tester, tmp_path / "a.sqlite")
    tests = [each for each in told if each["kind"] == "probe"]
    assert [each["curve"] for each in tests] == ["pt1000-3850"] and tests[0]["verdict"] == "pass"
    assert any("cannot be read: cabinet 3977" in note for note in told[2]["body"]["notes"])


def _on_the_tester(tester, script):
    """Run a script at the tester's own prompt, as mpremote does."""
    import subprocess
    import sys

    done = subprocess.run(
        [sys.executable, "-m", "mpremote", "connect", tester.port, "resume", "exec", script],
        capture_output=True,
        text=True,
        timeout=60,
    )
    assert done.returncode == 0, done.stdout + done.stderr


def test_a_damaged_definition_in_the_archive_judges_nothing(tmp_path):
    from probeledger.sending.archived import of_bodies
    from probeledger.sending.definition import of_curve
    from probeledger.sensors import description

    made = of_curve(description.from_text(NTC))
    good = {"act": "taken", "id": made.id, "definition": dict(made.stored)}
    assert list(of_bodies("curve", [good])) == [made.id]
    for spoiled in (
        {**good, "definition": {**made.stored, "knots": made.stored["knots"][:-1]}},
        {**good, "definition": {**made.stored, "falls": False}},
        {**good, "definition": {**made.stored, "name": 5}},
        {**good, "definition": "x"},
        {"act": "chosen", "id": made.id},
        {**good, "definition": {**made.stored, 3: {}}},
    ):
        assert made.id not in of_bodies("curve", [spoiled])
    # Another number has another id: nothing is judged by it under the old one.
    other = {**good, "definition": {**made.stored, "r0_ohms": made.stored["r0_ohms"] * 1.0001}}
    assert made.id not in of_bodies("curve", [other])
