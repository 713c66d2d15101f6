"""The command `curve`."""

import json

import pytest
from click.testing import CliRunner

from probeledger.cli import main


def test_convert_both_ways() -> None:
    """IEC 60751, Pt1000: 0 degC, 100 degC, 25 degC (table values times ten, 0.05 ohm)."""
    result = CliRunner().invoke(
        main,
        ["curve", "convert", "--curve", "pt1000-3850", "--celsius", "0", "--celsius", "100", "--ohms", "1097.3466",
         "--fahrenheit", "212", "--json"],
    )  # fmt: skip
    assert result.exit_code == 0
    answer = json.loads(result.stdout)
    assert answer["curve"] == "pt1000-3850"
    assert [set(point) for point in answer["points"]] == [{"ohms", "celsius", "fahrenheit"}] * 4
    first, zero, hundred, boiling = answer["points"]
    assert first["celsius"] == pytest.approx(25.0, abs=1e-4) and first["fahrenheit"] == pytest.approx(77.0, abs=1e-3)
    assert zero["ohms"] == 1000.0 and zero["fahrenheit"] == 32.0
    assert hundred["ohms"] == pytest.approx(1385.1, abs=0.05)
    assert boiling["ohms"] == hundred["ohms"] and boiling["fahrenheit"] == 212.0


def test_values_from_standard_input() -> None:
    result = CliRunner().invoke(
        main, ["curve", "convert", "--curve", "pt100-3850", "--ohms", "-", "--json"], input="100\n\n138.51\n"
    )
    assert [round(point["celsius"], 2) for point in json.loads(result.stdout)["points"]] == [0.0, 100.01]


@pytest.mark.parametrize(
    ("args", "said"),
    [
        (["--curve", "pt1000-3850", "--ohms", "100"], "185.20 to 3904.81 ohm"),
        (["--curve", "pt1000-3850", "--celsius", "-300"], "-200 to 850"),
        (["--curve", "pt1000-3850", "--ohms", "nan"], "finite"),
        (["--curve", "pt1000-3850", "--ohms", "x"], "not a number"),
        (["--curve", "pt1000-3850"], "at least one"),
        (["--curve", "pt1000-3850", "--ohms", "-", "--celsius", "-"], "Only one option"),
        (["--curve", "pt1000", "--ohms", "1000"], "Did you mean"),
        (["--curve", "../../etc", "--ohms", "1000"], "There is no curve"),
    ],
)
def test_bad_input(args: list[str], said: str) -> None:
    result = CliRunner().invoke(main, ["curve", "convert", *args])
    assert result.exit_code == 2 and said in result.stderr and result.stdout == ""


def test_a_bad_line_is_named() -> None:
    result = CliRunner().invoke(
        main, ["curve", "convert", "--curve", "pt1000-3850", "--ohms", "-"], input="1000\nabc\n"
    )
    assert result.exit_code == 2 and "Line 2 of standard input" in result.stderr


def test_list() -> None:
    result = CliRunner().invoke(main, ["curve", "list", "--json"])
    names = [each["name"] for each in json.loads(result.stdout)]
    assert names == ["pt100-3850", "pt500-3850", "pt1000-3850", "pt1000-3750", "pt1000-3916"]
    plain = CliRunner(env={"COLUMNS": "80"}).invoke(main, ["curve", "list"])
    assert plain.exit_code == 0 and max(map(len, plain.stdout.splitlines())) <= 80
