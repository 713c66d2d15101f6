"""`calibrate run` and `calibrate apply` when things go wrong: one sentence each, and nothing changed on the tester."""

import json
import math

import pytest

from bench import REFERENCES, Person, bench, calibrate_run, pressing, records, reference_file, run
from probeledger.calibrating import taking

pytestmark = pytest.mark.usefixtures("micropython")

ALL = list(REFERENCES)
UP = ["--order", "up", "--noise-ppm", 20]


@pytest.fixture(scope="module", autouse=True)
def few_readings():
    """Take few readings: here nobody looks at the third decimal."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(taking, "BLOCK", 2)
        patch.setattr(taking, "_AGREEING", 2)
        yield


@pytest.fixture(scope="module")
def tester(tmp_path_factory, request):
    request.getfixturevalue("micropython")
    with bench(tmp_path_factory.mktemp("bench"), seed=16) as made:
        yield made


@pytest.fixture(scope="module")
def found(tester, tmp_path_factory):
    """Return a finished run, each reference once."""
    folder = tmp_path_factory.mktemp("found")
    result, _ = calibrate_run(tester, folder, reference_file(folder), ALL, more=UP)
    assert result.exit_code == 0, result.output
    return folder / "run.json"


def in_force(tester):
    answer = run(["show", tester.port, "--json"])
    assert answer.exit_code == 0, answer.output
    return json.loads(answer.stdout)


def refused(result, status, words):
    assert result.exit_code == status, result.output
    last = result.stderr.strip().splitlines()[-1]
    assert last.startswith("Error: ") and words in last, result.stderr
    assert last.count("Error") == 1 and "Traceback" not in result.output
    return last


@pytest.fixture
def unchanged(tester):
    """Check that a test leaves the tester's calibration, and its ledger, as they were."""
    before = in_force(tester)
    yield
    assert in_force(tester) == before


BAD_FILES = [
    ([("uncertainty_ohms = 0.04", "uncertainty_mohm = 40")], "uncertainty_mohm"),
    ([("uncertainty_ohms = 0.04", 'uncertainty_ohms = "40 mohm"')], "plain number of ohm"),
    ([("uncertainty_ohms = 0.04", "uncertainty_ohms = -0.04")], "cannot be negative"),
    ([("uncertainty_ohms = 0.04", "uncertainty_ohms = nan")], "finite number"),
    ([("ohms = 1000.012", "ohms = inf")], "finite number"),
    ([("ohms = 1000.012", "ohms = 100.003")], "identical"),
    ([("ohms = 1000.012", "ohms = 5e9")], "another unit"),
    ([("ohms = 0.0\n", "ohms = 5000.0\n")], "too few references"),
]


@pytest.mark.parametrize(("edits", "words"), BAD_FILES, ids=[words.split()[0] for _, words in BAD_FILES])
def test_a_bad_reference_file(tester, tmp_path, unchanged, edits, words):
    file = reference_file(tmp_path, edits=edits)
    result = run(["run", tester.port, "--references", file, "--output", tmp_path / "run.json"], Person(tester, ALL))
    refused(result, 2, words)
    assert not (tmp_path / "run.json").exists()


def test_too_few_references(tester, tmp_path, unchanged):
    few = {name: REFERENCES[name] for name in ALL[:3]}
    file = reference_file(tmp_path, few)
    result = run(["run", tester.port, "--references", file, "--output", tmp_path / "run.json"], Person(tester, ALL))
    refused(result, 2, "too few references: 1 short and 2 values")


def test_no_references_and_no_run(tester, tmp_path):
    refused(run(["run", tester.port, "--output", tmp_path / "run.json"]), 2, "name their file with --references")


def test_a_certificate_of_tomorrow(tester, tmp_path, unchanged):
    file = reference_file(tmp_path, edits=[("2026-03-14", "2199-03-14")])
    result = run(["run", tester.port, "--references", file, "--output", tmp_path / "run.json"], Person(tester, ALL))
    refused(result, 2, "2199-03-14")
    assert not (tmp_path / "run.json").exists()


def test_the_wrong_resistor_open_clips_and_going_back(tester, tmp_path, unchanged):
    """A person who clips the wrong one, forgets one, loses a jaw, and wants to repeat one."""

    def open_clips(tester):
        tester.do(lambda: tester.world.clip_resistor(math.inf))
        return ""

    def lost_jaw(tester):
        def act():
            tester.world.clip_resistor(100.0045)
            tester.world.lose_clip("S+")

        tester.do(act)
        return ""

    def hold_again(tester):
        def act():
            tester.world.lose_clip(None)
            tester.world.clip_resistor(REFERENCES["R100"][2])

        tester.do(act)
        return ""

    def back(tester):
        return "b"

    def nonsense(tester):
        return "what?"

    steps = ["Short", open_clips, "R2000", lost_jaw, hold_again, back, nonsense, "R100", "R1000", "R2000", "R4000"]
    result, document = calibrate_run(tester, tmp_path, reference_file(tmp_path), steps, more=UP)
    assert result.exit_code == 0, result.output
    said = result.stderr
    assert "Nothing is in the clips" in said
    assert "That is R2000, not R100" in said
    assert "A jaw has no contact" in said and "lead a" in said
    assert "Back: R100 will be read again." in said and "Enter reads what is clipped on" in said
    assert [each["reference"] for each in document["measured"]] == ALL and document["complete"] is True


def test_it_goes_on_after_a_break(tester, tmp_path, unchanged):
    file = reference_file(tmp_path)
    result, document = calibrate_run(tester, tmp_path, file, ALL[:2], more=UP)
    refused(result, 1, "The input ended after 2 of 5 steps")
    assert document["complete"] is False and len(document["measured"]) == 2
    first = document["measured"]

    def stop(tester):
        return "q"

    result = run(["run", tester.port, "--output", tmp_path / "run.json"], Person(tester, ["R1000", stop]))
    refused(result, 1, "Stopped after 3 of 5 steps")
    refused(run(["apply", tester.port, tmp_path / "run.json", "--yes"]), 2, "3 of 5 steps")
    result = run(["run", tester.port, "--output", tmp_path / "run.json"], Person(tester, ["R2000", "R4000"]))
    assert result.exit_code == 0, result.output
    assert "Going on with" in result.stderr and "3 of 5 steps are done" in result.stderr
    document = json.loads((tmp_path / "run.json").read_text(encoding="utf-8"))
    assert document["measured"][:2] == first and [each["reference"] for each in document["measured"]] == ALL
    refused(run(["run", tester.port, "--output", tmp_path / "run.json"]), 2, "holds a finished run")


def test_it_does_not_go_on_with_something_else(tester, tmp_path, unchanged):
    file = reference_file(tmp_path)
    calibrate_run(tester, tmp_path, file, ALL[:1], more=UP)
    path = tmp_path / "run.json"
    document = json.loads(path.read_text(encoding="utf-8"))
    other = reference_file(tmp_path, edits=[("ohms = 1000.012", "ohms = 1000.013")])
    args = ["run", tester.port, "--output", path]
    refused(run([*args, "--references", other]), 2, "is not the one with which")
    path.write_text(json.dumps({**document, "tester": "pl-ffffff"}), encoding="utf-8")
    refused(run(args), 2, "unfinished run of tester pl-ffffff")
    path.write_text(json.dumps({**document, "measured": [{"reference": "R100"}]}), encoding="utf-8")
    refused(run(args), 2, "is damaged")
    path.write_text("{", encoding="utf-8")
    refused(run(args), 2, "not valid JSON")


def test_json_lines(tester, tmp_path, unchanged):
    file = reference_file(tmp_path)
    args = ["run", tester.port, "--references", file, "--output", tmp_path / "run.json", "--json", *UP]
    result = run(args, Person(tester, ["R100", *ALL]))
    assert result.exit_code == 0 and result.stderr == ""
    events = [json.loads(line) for line in result.stdout.splitlines()]
    kinds = [each["event"] for each in events]
    assert kinds[0] == "begin" and kinds[-1] == "end"
    assert kinds.count("clip") == len(ALL) + 1 and kinds.count("point") == len(ALL)
    assert [each["code"] for each in events if each["event"] == "not-yet"] == ["wrong-resistor"]
    assert {each["reference"] for each in events[-1]["errors"]} == set(ALL)


@pytest.mark.parametrize(("key", "words"), [("back", "was refused at the tester"), (None, "no key was pressed")])
def test_without_the_key_nothing_changes(tester, found, unchanged, key, words):
    actor = tester.begin(pressing(key)) if key else None
    result = run(["apply", tester.port, found, "--yes"])
    last = refused(result, 1, words)
    assert last.startswith("Error: Nothing was changed: ") and "works on with no calibration" in last
    assert actor is None or actor.ended.wait(20)


def test_without_a_yes_nothing_is_sent(tester, found, unchanged):
    def no(tester):
        return "n"

    refused(run(["apply", tester.port, found], Person(tester, [no])), 2, "Nothing was sent")
    refused(run(["apply", tester.port, found, "--json"]), 2, "add --yes")


def test_a_run_of_another_tester_or_another_state(tester, found, tmp_path, unchanged):
    document = json.loads(found.read_text(encoding="utf-8"))
    path = tmp_path / "other.json"
    path.write_text(json.dumps({**document, "tester": "pl-ffffff"}), encoding="utf-8")
    refused(run(["apply", tester.port, path, "--yes"]), 2, "This run is of tester pl-ffffff")
    older = {**document["calibration"], "id": "20250101-000001", "state": "calibrated"}
    path.write_text(json.dumps({**document, "calibration": older}), encoding="utf-8")
    refused(run(["apply", tester.port, path, "--yes"]), 2, "make a new run")


FIT = {
    "range": "low",
    "model": "line",
    "coefficients": [0.01, 1.0004],
    "covariance": [[1e-4, -1e-9], [-1e-9, 1e-10]],
    "points": [{"reference_ohms": 1000.0, "raw_ohms": 999.6, "u_ohms": 0.02}],
}


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"coefficients": [0.01, float("nan")]}, "no finite numbers"),
        ({"coefficients": [0.01, 1.3]}, "not near one"),
        ({"coefficients": [0.01]}, "two or three coefficients"),
        ({"coefficients": "x"}, "have to be numbers"),
        ({"covariance": [[-1.0, 0.0], [0.0, 1.0]]}, "negative variances"),
        ({"covariance": [[1e-4, 1.0], [-1.0, 1e-10]]}, "not symmetric"),
        ({"covariance": [[1e-4, 1.0], [1.0, 1e-10]]}, "covariances make no sense"),
        ({"range": "middle"}, "range and model"),
        ({"range": "high", "coefficients": [0, 1, 0], "covariance": [[1, 0, 0], [0, 1, 0], [0, 0, 1]]}, "--model line"),
        ({"points": [{"raw_ohms": "x"}]}, "points are damaged"),
    ],
)
def test_fits_without_sense(tester, tmp_path, unchanged, changes, words):
    path = tmp_path / "fit.json"
    path.write_text(json.dumps({**FIT, **changes}), encoding="utf-8")
    refused(run(["apply", tester.port, path, "--yes"]), 2, words)


def test_no_fit_at_all(tester, tmp_path, unchanged):
    path = tmp_path / "fit.json"
    for text, words in (("[1]", "no fit"), ("{}", "no fit"), ("x", "not valid JSON")):
        path.write_text(text, encoding="utf-8")
        refused(run(["apply", tester.port, path, "--yes"]), 2, words)
    refused(run(["apply", tester.port, tmp_path / "none.json", "--yes"]), 2, "There is no run or fit")
    path.write_text(json.dumps(FIT), encoding="utf-8")
    refused(run(["apply", tester.port, path, path, "--yes"]), 2, "Two fits of the low range")


def test_a_tester_that_disappears(tmp_path):
    """Unplugged during a reading, and while it asks for the key: the run is kept, and the tester is as it was."""
    with bench(tmp_path, seed=20) as tester:
        file = reference_file(tmp_path)

        def pull_the_plug(tester):
            tester.unplug_usb()
            return ""

        result, document = calibrate_run(tester, tmp_path, file, ["Short", "R100", pull_the_plug], more=UP)
        refused(result, 1, "went away")
        assert len(document["measured"]) == 2
        tester.plug_usb()
        result = run(["run", tester.port, "--output", tmp_path / "run.json"], Person(tester, ALL[2:]))
        assert result.exit_code == 0, result.output
        before = in_force(tester)

        def unplug_while_it_asks(tester):
            heard = len(tester.world.beeps)
            yield lambda: len(tester.world.beeps) > heard
            yield 1.0
            tester.unplug_usb()
            yield 1.0
            # Too late: the question went with the plug.
            tester.world.press("ok")
            yield 3.0

        tester.usb_pace = 5.0
        actor = tester.begin(unplug_while_it_asks)
        result = run(["apply", tester.port, tmp_path / "run.json", "--yes"])
        refused(result, 1, "Unless the key was pressed before that, nothing was changed")
        assert actor.ended.wait(60) and actor.error is None
        tester.plug_usb()
        tester.usb_pace = None
        assert in_force(tester) == before


def test_a_fit_is_taken_and_the_next_one_follows_it(tmp_path):
    with bench(tmp_path, seed=27) as tester:
        path = tmp_path / "low.json"
        named = []
        for gain in (1.0004, 1.0005):
            path.write_text(json.dumps({**FIT, "coefficients": [0.01, gain]}), encoding="utf-8")
            actor = tester.begin(pressing("ok"))
            result = run(["apply", tester.port, path, "--yes", "--json"])
            assert result.exit_code == 0, result.output
            assert actor.ended.wait(20)
            document = json.loads(result.stdout)
            assert document["state"] == "taken" and document["verified"] is True
            assert document["before"] == (named[-1] if named else None)
            named.append(document["calibration"])
        answer = in_force(tester)
        assert answer["in_force"]["id"] == named[1] and answer["before"]["id"] == named[0]
        # The high range was in neither: nominal, with the parts' tolerances
        assert answer["in_force"]["high_gain"] == 1.0 and answer["in_force"]["u_high_gain"] > 8e-4
        tester.power_off()
        tester.power_on()
        tester.run_for(3.0)
        assert in_force(tester)["in_force"]["id"] == named[1]
        _, listed = records(tmp_path, tester.port)
        assert [each["kind"] for each in listed].count("calibration") == 2
