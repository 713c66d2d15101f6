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
    assert answer["plus_minus_ohms"] == pytest.approx(0.005 * 1085.7 + 1.0)
    assert any("hand-held meter" in caution for caution in answer["cautions"])
    assert not any("hand-held meter" in c for c in judged("--ohms", 1085.7, "--ambient", 22, "--u-ohms", 1)["cautions"])


def test_a_plus_or_minus_is_rectangular() -> None:
    """JCGM 100:2008, 4.3.7 and JCGM 106:2012, 7.1: scipy's uniform distributions, folded by a numerical integral."""
    answer = judged("--ohms", 1098, "--ambient", 22, "--plus-minus-ohms", 3, "--plus-minus-ambient", 1)
    assert answer["u_ohms"] == pytest.approx(3 / math.sqrt(3)) and answer["plus_minus_ohms"] == 3
    assert answer["u_ambient_celsius"] == pytest.approx(1 / math.sqrt(3)) and answer["plus_minus_ambient_celsius"] == 1
    celsius = NOMINAL.celsius(1098.0)
    half = 3 / NOMINAL.ohms_per_celsius(celsius)
    difference = stats.uniform(celsius - 22.0 - half, 2 * half)
    room = stats.uniform(-1.0, 2.0)
    edges = [-1.0, *sorted(e for e in (celsius - 26.0 - half, celsius - 26.0 + half) if -1.0 < e < 1.0), 1.0]
    expected = sum(
        integrate.quad(lambda t: room.pdf(t) * (difference.cdf(4.0 + t) - difference.cdf(-4.0 + t)), a, b)[0]
        for a, b in zip(edges, edges[1:], strict=False)
    )
    found = {each["name"]: each["probability"] for each in answer["requirements"]}
    assert found["ambient agreement"] == pytest.approx(expected, abs=1e-6) and 0.5 < expected < 0.99
    assert not any("hand-held meter" in caution for caution in answer["cautions"])


def test_the_default_meter_is_rectangular_too() -> None:
    by_default = judged("--ohms", 1195, "--ambient", 22, "--u-ambient", 0.5)
    half = 0.005 * 1195 + 1.0
    stated = judged("--ohms", 1195, "--ambient", 22, "--u-ambient", 0.5, "--plus-minus-ohms", half)
    assert by_default["requirements"] == stated["requirements"]
    found = {each["name"]: each["probability"] for each in by_default["requirements"]}
    assert found["service window"] == pytest.approx(stats.uniform(1195 - half, 2 * half).cdf(1200.0), abs=1e-6)


def test_guard_bands() -> None:
    args = ["--ohms", 1085.7, "--ambient", 22, "--u-ohms", 0.5, "--u-ambient", 0.5, "--leak-a", "2M", "--leak-b", "OL"]
    answer = judged(*args)
    bands = {each["name"]: each for each in answer["guard_bands"]}
    assert set(bands) == {"ambient agreement", "service window", "isolation a"}
    room = bands["ambient agreement"]
    z = stats.norm.ppf(0.95)
    slope = NOMINAL.ohms_per_celsius(22.0)
    u = math.hypot(0.5 / NOMINAL.ohms_per_celsius(answer["celsius"]), 0.5)
    assert room["celsius"] == pytest.approx(z * u, abs=1e-6) and room["ohms"] == pytest.approx(z * u * slope, abs=1e-5)
    assert (room["unit"], room["low_limit"], room["high_limit"]) == ("celsius", -4.0, 4.0)
    assert room["high_passes"] == pytest.approx(4.0 - z * u) and room["low_passes"] == -room["high_passes"]
    window = bands["service window"]
    assert window["ohms"] == pytest.approx(z * 0.5, abs=1e-6)
    assert window["celsius"] == pytest.approx(z * 0.5 / slope, abs=1e-6)
    assert window["low_passes"] == pytest.approx(1000 + z * 0.5) and window["high_passes"] == pytest.approx(
        1200 - z * 0.5
    )
    leak = bands["isolation a"]
    assert leak["celsius"] is None and leak["high_limit"] is None and leak["high_passes"] is None
    # u of 2 % at 2 Mohm is 10 nS; the limit of 1 uS less 1.645 of these.
    assert leak["low_passes"] == pytest.approx(1.0 / (1e-6 - z * 0.02 / 2e6), rel=1e-6)

    plain = run("judge", *args)
    assert "Undecided within" in plain.stdout and "of either limit" in plain.stdout
    assert f"{z * u:.2f} °C = {z * u * slope:.1f} Ω"[:4] in plain.stdout


def test_a_doubt_beyond_the_limits_is_said() -> None:
    answer = judged("--ohms", 1085.7, "--ambient", 22, "--u-ambient", 3)
    assert answer["verdict"] == "undecided" and answer["guard_bands"][0]["ohms"] is None
    assert "no reading passes" in run("judge", "--ohms", 1085.7, "--ambient", 22, "--u-ambient", 3).stdout


@pytest.mark.parametrize(
    ("args", "said"),
    [
        (["--u-ohms", 1, "--plus-minus-ohms", 2], "Give --u-ohms or --plus-minus-ohms, not both"),
        (["--u-ambient", 1, "--plus-minus-ambient", 2], "Give --u-ambient or --plus-minus-ambient, not both"),
        (["--plus-minus-ohms", -1], "at least 0"),
        (["--plus-minus-ambient", "nan"], "finite"),
    ],
)
def test_bad_plus_or_minus(args: list, said: str) -> None:
    result = run("judge", "--ohms", 1085, "--ambient", 22, *args)
    assert result.exit_code == 2 and said in result.stderr and "Traceback" not in result.stderr


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
        ("ambient_fahrenheit = 7", "this limit is ambient_celsius, in degrees C."),
        ("isolation_megohms = 1", "this limit is isolation_ohms, in ohms."),
        ("settled_celsius_per_hour = 5", "this limit is settled_celsius_per_minute, in degrees C a minute."),
        ("check_minutes = 5", "this limit is check_hours, in hours."),
        ("colour = 5", "known: name, ambient_celsius"),
        ('ambient_celsius = "3"', "must be a number, in degrees C, not '3'"),
        ("ambient_celsius = true", "must be a number, in degrees C, not true"),
        ("check_hours = [1]", "must be a number, in hours"),
        ("check_hours = 2026-11-25", "must be a number, in hours"),
        ("ambient_celsius = -1", "above zero"),
        ("ambient_celsius = nan", "has to be a number"),
        ("isolation_ohms = inf", "has to be a number of a sensible size, in ohms, not inf"),
        ("isolation_ohms = 1e300", "sensible size"),
        ("isolation_ohms = 1" + 400 * "0", "sensible size"),
        ("isolation_ohms = 1" + 6000 * "0", "not valid TOML"),
        ("a = " + 5000 * "[", "not valid TOML"),
        ("window_low_ohms = 1300", "The limit window_low_ohms (1300) has to be below window_high_ohms (1200)"),
        ("window_low_celsius = 50", "has to be below window_high_celsius"),
        ("fail_probability = 0.96", "has to be below pass_probability"),
        ("short_fraction = 200", "has to be below open_multiple"),
        ("pass_probability = 1.0", "between 0 and 1"),
        ("name = 5", "name must be a text"),
        ('name = ""', "1 to 32 characters"),
        ('name = "a\\tb"', "1 to 32 characters"),
        ('name = "domestic-1000"', "name of the built-in"),
        ("[harness]\nohms = 3", "unknown entry 'harness'"),
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
    path.write_bytes(b"#" * 200_001)
    with pytest.raises(InputError, match="over 200 kB"):
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


def test_a_curve_of_a_file(tmp_path: pathlib.Path) -> None:
    """A thermistor with B = 3977 K and 10 kohm at 25 degrees C: 11.44 kohm at 22 (the formula of the data sheets)."""
    path = tmp_path / "drawer.toml"
    path.write_text(
        'name = "drawer"\nkind = "ntc-beta"\nreference_ohms = 10000\nbeta_kelvin = 3977\nlow_celsius = -20\n'
        "high_celsius = 150\n"
    )
    expected = 10000.0 * math.exp(3977.0 * (1.0 / 295.15 - 1.0 / 298.15))

    def judged(ohms: str) -> dict:
        result = run("judge", "--ohms", ohms, "--ambient", "22", "--u-ohms", "20", "--curve", str(path), "--json")
        assert result.exit_code == 0, result.stderr
        return json.loads(result.stdout)

    good = judged(f"{expected / 1000:.4f}k")
    assert good["verdict"] == "pass" and good["expected_ohms"] == pytest.approx(expected, rel=1e-9)
    assert good["celsius"] == pytest.approx(22.0, abs=0.01) and good["u_celsius"] == pytest.approx(0.0382, rel=0.02)
    assert "service window" in good["not_checked"] and good["effects"] == []
    # 6 degrees colder than the room by the curve is no agreement; ten times the resistance is no open circuit.
    assert [each["code"] for each in judged("15.2k")["findings"]] == ["ambient-disagrees"]
    assert [each["code"] for each in judged("90k")["findings"]] == ["ambient-disagrees"]
    refused = run("effect", "--ohms", "11.2k", "--ambient", "22", "--curve", str(path))
    assert refused.exit_code == 2 and "falls with the temperature" in refused.stderr
    missing = run("judge", "--ohms", "11.2k", "--ambient", "22", "--curve", "none.toml")
    assert missing.exit_code == 2 and "There is no curve file none.toml" in missing.stderr
