"""Judging a reading typed in by hand, and the limits that a shop brings."""

import json
import math
import pathlib

import pytest
from click.testing import CliRunner, Result
from scipy import integrate, stats

from probecore.limits import DOMESTIC_1000
from probeledger import curves
from probeledger.cli import main
from probeledger.errors import InputError
from probeledger.judging import profiles, typed

NOMINAL = curves.curve("pt1000-3850")
FIELDS = {
    "verdict",
    "findings",
    "requirements",
    "probability_conforming",
    "not_checked",
    "celsius",
    "expected_ohms",
    "effects",
    "cautions",
}


def run(*args: object) -> Result:
    return CliRunner().invoke(main, [str(arg) for arg in args])


def judged(*args: object) -> dict:
    result = run("judge", *args, "--json")
    assert result.exit_code == 0, result.output
    return json.loads(result.stdout)


@pytest.mark.parametrize(
    ("args", "verdict", "codes"),
    [
        (["--ohms", 1085.7], "pass", []),
        (["--ohms", 1085.7, "--u-ohms", 0.3, "--u-ambient", 0.5], "pass", []),
        (["--ohms", 1150, "--u-ohms", 0.3, "--u-ambient", 0.5], "fail", ["ambient-disagrees"]),
        (["--ohms", 1097.7, "--u-ohms", 0.3], "undecided", ["too-close"]),
        (["--ohms", 1300], "fail", ["ambient-disagrees", "outside-window"]),
        (["--ohms", 0.4], "fail", ["short-circuit"]),
        (["--ohms", 0], "fail", ["short-circuit"]),
        (["--ohms", 1e6], "fail", ["open-circuit"]),
        (["--ohms", "OL"], "fail", ["open-circuit"]),
        (["--ohms", "open"], "fail", ["open-circuit"]),
        (["--ohms", 1085.7, "--leak-a", "40k"], "fail", ["leak-to-chassis"]),
        (["--ohms", 1085.7, "--leak-b", "400000"], "fail", ["leak-to-chassis"]),
        (["--ohms", 1085.7, "--leak-a", ">20M", "--leak-b", "OL"], "pass", []),
        (["--ohms", 1085.7, "--leak-a", ">0.5M"], "undecided", ["isolation-unclear"]),
        (["--ohms", 1085.7, "--leak-a", "1.01M"], "undecided", ["isolation-unclear"]),
    ],
)
def test_verdicts(args: list, verdict: str, codes: list[str]) -> None:
    answer = judged(*args, "--ambient", 22)
    assert set(answer) >= FIELDS
    assert answer["verdict"] == verdict
    assert [finding["code"] for finding in answer["findings"]] == codes
    assert all(finding["message"] and finding["advice"] for finding in answer["findings"])
    assert answer["expected_ohms"] == pytest.approx(NOMINAL.ohms(22.0), abs=1e-9)


def test_probability_by_an_independent_integral() -> None:
    """JCGM 106:2012, 7.3: integrate the density of probe minus room between the limits."""
    u_ohms, u_ambient = 0.7, 0.8
    answer = judged("--ohms", 1096, "--ambient", 22, "--u-ohms", u_ohms, "--u-ambient", u_ambient)
    difference = NOMINAL.celsius(1096.0) - 22.0
    u = math.hypot(u_ohms / NOMINAL.ohms_per_celsius(NOMINAL.celsius(1096.0)), u_ambient)
    expected, _ = integrate.quad(stats.norm(difference, u).pdf, -4.0, 4.0)
    found = {each["name"]: each["probability"] for each in answer["requirements"]}
    assert found["ambient agreement"] == pytest.approx(expected, abs=1e-6)
    assert answer["probability_conforming"] == min(found.values())


def test_what_was_not_measured_is_said() -> None:
    assert set(judged("--ohms", 1085.7, "--ambient", 22)["not_checked"]) >= {"isolation a", "isolation b", "harness"}
    with_leaks = judged("--ohms", 1085.7, "--ambient", 22, "--leak-a", "OL", "--leak-b", "OL")
    assert not {"isolation a", "isolation b"} & set(with_leaks["not_checked"])
    assert any("insulation test at 500 V" in caution for caution in with_leaks["cautions"])


def test_effects_by_default() -> None:
    answer = judged("--ohms", 1097.7, "--ambient", 22, "--u-ohms", 0.3, "--u-ambient", 0.5)
    assert [each["set_celsius"] for each in answer["effects"]] == [120, 150, 175, 200, 230, 260]
    assert all(each["low_celsius"] < each["high_celsius"] < 0 for each in answer["effects"])
    assert judged("--ohms", "open", "--ambient", 22)["effects"] == []


def test_a_cold_reading_cannot_tell_the_curves_apart() -> None:
    """At 22 degC a 0.00375 element lies 2.2 ohm under a 0.00385 one: 0.6 degC."""
    assert NOMINAL.ohms(22.0) - curves.curve("pt1000-3750").ohms(22.0) == pytest.approx(2.2, abs=0.1)
    answer = judged("--ohms", 1085.7, "--ambient", 22)
    assert any("pt1000-3750" in caution for caution in answer["cautions"])


def test_default_uncertainties() -> None:
    answer = judged("--ohms", 1085.7, "--ambient", 22)
    assert answer["u_ambient_celsius"] == 1.0
    assert answer["u_ohms"] == pytest.approx((0.005 * 1085.7 + 1.0) / math.sqrt(3.0))
    assert any("hand-held meter" in caution for caution in answer["cautions"])
    assert not any("hand-held meter" in c for c in judged("--ohms", 1085.7, "--ambient", 22, "--u-ohms", 1)["cautions"])


@pytest.mark.parametrize(
    ("args", "said"),
    [
        (["--ohms", "nan", "--ambient", 22], "finite number of ohms"),
        (["--ohms", "inf", "--ambient", 22], "give 'open'"),
        (["--ohms", "-5", "--ambient", 22], "finite number of ohms from 0 up"),
        (["--ohms", "ten", "--ambient", 22], "not 'ten'"),
        (["--ohms", 1085, "--ambient", "nan"], "finite number of degrees C"),
        (["--ohms", 1085, "--ambient", 60.01], "outside -40 to 60"),
        (["--ohms", 1085, "--ambient", -41], "effect --second"),
        (["--ohms", 1085, "--ambient", 22, "--u-ohms", -1], "at least 0"),
        (["--ohms", 1085, "--ambient", 22, "--u-ambient", "inf"], "finite"),
        (["--ohms", 1085, "--ambient", 22, "--leak-a", -1], "lead a"),
        (["--ohms", 1085, "--ambient", 22, "--leak-b", "wet"], "lead b"),
        (["--ohms", 1085, "--ambient", 22, "--curve", "pt1000-385"], "Did you mean pt1000-3850"),
        (["--ohms", 1085, "--ambient", 22, "--limits", "domestic"], "Did you mean domestic-1000?"),
        (["--ohms", 1085, "--ambient", 22, "--limits", "none.toml"], "There is no limits file none.toml"),
    ],
)
def test_bad_input_is_one_sentence(args: list, said: str) -> None:
    result = run("judge", *args, "--json")
    assert result.exit_code == 2
    assert said in result.stderr and "Traceback" not in result.stderr
    assert result.stdout == ""


def test_limits_of_a_shop(tmp_path: pathlib.Path) -> None:
    path = tmp_path / "strict.toml"
    path.write_text('name = "strict"\nambient_celsius = 1.5\nwindow_high_ohms = 1084\n', encoding="utf-8")
    assert judged("--ohms", 1085.7, "--ambient", 22, "--u-ohms", 0.1, "--u-ambient", 0.3)["verdict"] == "pass"
    answer = judged("--ohms", 1085.7, "--ambient", 22, "--u-ohms", 0.1, "--u-ambient", 0.3, "--limits", path)
    assert [finding["code"] for finding in answer["findings"]] == ["outside-window"]
    assert answer["limits"] == "strict"


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("ambient_celcius = 3", "did you mean ambient_celsius?"),
        ('ambient_celsius = "3"', "must be a number"),
        ("ambient_celsius = true", "must be a number"),
        ("ambient_celsius = -1", "above zero"),
        ("ambient_celsius = nan", "has to be a number"),
        ("window_low_ohms = 1300", "has to be below"),
        ("name = 5", "name must be a text"),
        ("[harness]\nohms = 3", "unknown entry"),
        ("ambient_celsius = ", "not valid TOML"),
    ],
)
def test_bad_limits_are_one_sentence(tmp_path: pathlib.Path, text: str, said: str) -> None:
    path = tmp_path / "limits.toml"
    path.write_text(text, encoding="utf-8")
    result = run("judge", "--ohms", 1085, "--ambient", 22, "--limits", path)
    assert result.exit_code == 2 and said in result.stderr and "Traceback" not in result.stderr


def test_limits_that_are_no_text(tmp_path: pathlib.Path) -> None:
    path = tmp_path / "limits.toml"
    path.write_bytes(b"\xff\xfe\x00")
    with pytest.raises(InputError, match="not text in UTF-8"):
        profiles.load(str(path))
    with pytest.raises(InputError, match="cannot be read"):
        profiles.load(str(tmp_path) + "/")
    path.write_bytes(b"#" * 200_000)
    with pytest.raises(InputError, match="over 100 kB"):
        profiles.load(str(path))
    assert profiles.load("domestic-1000") == DOMESTIC_1000


@pytest.mark.parametrize(
    ("text", "ohms", "greater"),
    [
        ("40000", 4e4, False),
        ("40k", 4e4, False),
        ("40 kohm", 4e4, False),
        ("2,2M", 2.2e6, False),
        ("> 20M", 2e7, True),
        (">20e6", 2e7, True),
        ("OL", 1e7, True),
        ("inf", 1e7, True),
        ("0", 0.0, False),
    ],
)
def test_leaks_as_typed(text: str, ohms: float, greater: bool) -> None:
    assert typed.parse_leak(text, "lead a") == typed.LeakReading(ohms, greater)


def test_plain_output_fits_80_columns() -> None:
    for args in (["--ohms", 1097.7], ["--ohms", 1300, "--leak-a", "40k"], ["--ohms", "open"]):
        result = CliRunner(env={"COLUMNS": "80"}).invoke(main, ["judge", *map(str, args), "--ambient", "22"])
        assert result.exit_code == 0
        assert max(len(line) for line in result.stdout.splitlines()) <= 80
        assert result.stdout.split(":")[0] in ("PASS", "FAIL", "UNDECIDED")


def test_effect_command() -> None:
    result = run(
        "effect", "--ohms", 1097.7, "--ambient", 22, "--u-ambient", 0.5, "--set", 175, "--set-fahrenheit", 350, "--json"
    )
    assert result.exit_code == 0
    answer = json.loads(result.stdout)
    assert [each["set_celsius"] for each in answer["effects"]] == [175.0, pytest.approx(176.6667, abs=1e-4)]
    assert answer["effects"][0]["high_celsius"] - answer["effects"][0]["low_celsius"] < 8.0
    narrower = run(
        "effect", "--ohms", 1097.7, "--ambient", 22, "--u-ambient", 0.5, "--set", 175, "--u-ohms", 0.2,
        "--second", "1678.3,175", "--u-second", 0.5, "--json",
    )  # fmt: skip
    second = json.loads(narrower.stdout)["effects"][0]
    assert second["high_celsius"] - second["low_celsius"] < 2.5
    plain = CliRunner(env={"COLUMNS": "80"}).invoke(main, ["effect", "--ohms", "1097.7", "--ambient", "22"])
    assert plain.exit_code == 0 and "too cold" in plain.stdout
    assert max(len(line) for line in plain.stdout.splitlines()) <= 80


@pytest.mark.parametrize(
    ("args", "said"),
    [
        (["--ohms", 0, "--ambient", 22], "above 0"),
        (["--ohms", 1085, "--ambient", 99], "--second OHMS,CELSIUS"),
        (["--ohms", 1085, "--ambient", 22, "--second", "1660"], "one comma"),
        (["--ohms", 1085, "--ambient", 22, "--second", "a,5"], "not a number"),
        (["--ohms", 1085, "--ambient", 22, "--second", "1660,2000"], "-200 to 850"),
        (["--ohms", 1085, "--ambient", 22, "--set", 2000], "-200 to 850"),
    ],
)
def test_effect_bad_input(args: list, said: str) -> None:
    result = run("effect", *args)
    assert result.exit_code == 2 and said in result.stderr and "Traceback" not in result.output
