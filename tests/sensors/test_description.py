"""Curve files: the documented examples, bad input, and the commands that read them."""

import json
import re
from pathlib import Path

import pytest
from click.testing import CliRunner

from probecore.curves import curve as built_in
from probeledger import tomlfile
from probeledger.cli import main
from probeledger.errors import InputError
from probeledger.sensors import description

PAGE = (Path(__file__).parents[2] / "docs" / "curves.md").read_text(encoding="utf-8")
EXAMPLES = re.findall(r"```toml\n(.*?)```", PAGE, re.S)
BETA = 'name="x"\nkind="ntc-beta"\nreference_ohms=10000\nbeta_kelvin=3977\nlow_celsius=0\nhigh_celsius=100\n'
PLATINUM = 'name="x"\nkind="platinum"\nr0_ohms=1000\nlow_celsius=-50\nhigh_celsius=500\n'


def run(*arguments):
    return CliRunner().invoke(main, ["curve", *map(str, arguments)])


def test_every_kind_has_an_example_and_every_key_is_described():
    assert {re.search(r'kind = "(.*?)"', text)[1] for text in EXAMPLES} == set(description.KINDS)
    for kind in description.KINDS:
        for key in (*description._NEEDED[kind], *description._OPTIONAL[kind]):
            assert f"`{key}`" in PAGE


@pytest.mark.parametrize("text", EXAMPLES)
def test_examples_load(text):
    of = description.from_text(text)
    assert of.celsius(of.ohms(50.0)) == pytest.approx(50.0, abs=1e-9)


def test_platinum_by_either_set_is_the_built_in_curve():
    of = description.from_text(PLATINUM + "a=3.9083e-3\nb=-5.775e-7\nc=-4.183e-12\n")
    assert of.ohms(175.0) == built_in("pt1000-3850").ohms(175.0)


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("name = ", "not valid TOML"),
        ('name="x"\nkind="ntc"\n', "must be one of platinum"),
        (BETA + "beta_kelvn=3\n", "did you mean beta_kelvin?"),
        (BETA + "Beta_Kelvin=3\n", "did you mean beta_kelvin?"),
        (BETA + "colour=3\n", "has no key 'colour'; it may have name, kind, reference_ohms"),
        (BETA + "extra = " + "[" * 5000 + "]" * 5000 + "\n", "nested too deeply"),
        (BETA + "a." * 9000 + "a = 1\n", "nested too deeply"),
        ("[" + "a." * 9000 + "a]\n", "nested too deeply"),
        ("kind" + ".a" * 19 + " = 1\n", "it is a table"),
        (BETA.replace("10000", "0x" + "f" * 9000), "whole number beyond"),
        (BETA.replace("10000", "2026-11-25"), "a date or a time"),
        (BETA.replace("10000", "[1, 2]"), "a list of 2"),
        (BETA.replace("10000", "{a = 1}"), "a table"),
        (BETA.replace('"x"', "7"), "it is 7"),
        ('name="x"\nkind=true\n', "it is true"),
        ('name="x"\nkind="table"\nrows="many"\n', "it is 'many'"),
        ('name="x"\nkind="polynomial"\ncoefficients=7\nlow_celsius=0\nhigh_celsius=2\n', "it is 7"),
        (PLATINUM.replace("1000", "9e8") + "a=3.9083e-3\nb=-5.775e-7\nc=-4.183e-12\n", "check the units"),
        (PLATINUM.replace("1000", "2e9") + "a=3.9083e-3\nb=-5.775e-7\nc=-4.183e-12\n", "at most 1e+09"),
        (BETA.replace("beta_kelvin=3977\n", ""), "needs the key beta_kelvin"),
        (BETA.replace("10000", '"10k"'), "plain numbers without units"),
        (BETA.replace("10000", "true"), "plain numbers"),
        (BETA.replace("10000", "nan"), "plain numbers"),
        (BETA.replace("10000", "-1"), "above 0"),
        (BETA.replace("celsius=100", "celsius=-5"), "range must rise"),
        (BETA.replace("celsius=100", "celsius=9000"), "range must rise"),
        (BETA.replace('"x"', '""'), "1 to 40"),
        (BETA.replace("3977", "1e-9"), "too flat"),
        (BETA.replace("3977", "1e9"), "beyond any number"),
        (PLATINUM, "either a, b, c or"),
        (PLATINUM + "a=3.9e-3\nalpha=3.85e-3\n", "not both"),
        (PLATINUM + "a=3.9e-3\n", "all three"),
        (PLATINUM + "a=3.9083e-3\nb=-5.775e-5\nc=0\n", "does not rise"),
        (PLATINUM + "a=1e-3\nb=3e-5\nc=0\n", "does not rise"),
        (BETA.replace("10000", "9" * 5000), "not valid TOML"),
        ('name="x"\nkind="table"\nrows=[[0,1],[1,3],[2,2]]\n', "rise or fall throughout"),
        ('name="x"\nkind="table"\nrows=[[0,1],[0,3]]\n', "two rows of the table are at 0"),
        ('name="x"\nkind="table"\nrows=[[0,1],[1]]\n', "Row 2"),
        ('name="x"\nkind="table"\nrows=[[0,1]]\n', "list of 2"),
        ('name="x"\nkind="polynomial"\ncoefficients=[9,1,-1]\nlow_celsius=0\nhigh_celsius=2\n', "turns round"),
        ('name="x"\nkind="polynomial"\ncoefficients=[-9,1]\nlow_celsius=0\nhigh_celsius=2\n', "not above 0 ohm"),
    ],
)
def test_bad_input_is_one_sentence(text, says):
    with pytest.raises(InputError, match=re.escape(says)) as caught:
        description.from_text(text)
    assert "\n" not in caught.value.message


def test_too_large_a_file(tmp_path):
    path = tmp_path / "large.toml"
    path.write_text(BETA + "#" * tomlfile.MOST_BYTES)
    with pytest.raises(InputError, match="is over 200 kB"):
        description.load(path)


def test_sheet_in_json_and_on_80_columns():
    found = json.loads(run("table", "pt1000-3850", "--class", "B", "--mounting", "flange", "--json").stdout)
    assert found["ohms_at_0_celsius"] == 1000.0
    assert len(found["points"]) == 10 and found["mounting"] == "flange"
    shown = {row["celsius"]: row for row in found["points"]}
    # IEC 60751 at 100 ohm: 138.51 ohm, 0.30 ohm and 0.8 degC in class B
    assert shown[100.0]["ohms"] == pytest.approx(1385.1, abs=0.06)
    assert shown[100.0]["plus_minus_ohms"] == pytest.approx(3.0, abs=0.06)
    assert shown[100.0]["fahrenheit"] == 212.0
    text = run("table", "pt1000-3850", "--class", "AA").stdout
    assert max(map(len, text.splitlines())) <= 80
    assert "0 to 150" in text and "1097.35" in text


def test_files_on_the_command_line(tmp_path):
    path = tmp_path / "x.toml"
    path.write_text(BETA)
    found = json.loads(run("convert", "--file", path, "--ohms", "10000", "--json").stdout)
    assert found["points"][0]["celsius"] == pytest.approx(25.0, abs=1e-9)
    assert json.loads(run("table", "--file", path, "--json").stdout)["ohms_at_25_celsius"] == 10000.0
    assert run("table", "--file", tmp_path / "none.toml").exit_code == 2
    assert run("table").exit_code == 2
    assert run("convert", "--curve", "pt100-3850", "--file", path, "--ohms", "1").exit_code == 2
    assert run("table", "pt1000-3850", "--class", "Q").exit_code == 2
