"""Which tolerance belongs to which curve, on the command line."""

import json

import pytest
from click.testing import CliRunner

from probeledger.cli import main


def run(*words):
    return CliRunner().invoke(main, ["curve", "table", *words])


@pytest.mark.parametrize("name", ["pt1000-3750", "pt1000-3916"])
@pytest.mark.parametrize("wanted", ["B", "AA-W", "E1137-A"])
def test_a_class_belongs_to_the_standard_s_curve(name, wanted):
    """IEC 60751:2022 and ASTM E1137 state their classes for a ratio of 1.3851 alone."""
    done = run(name, "--class", wanted)
    assert done.exit_code == 2
    assert f"{name} is another" in done.output and "--plus-minus-celsius" in done.output


@pytest.mark.parametrize("name", ["pt100-3850", "pt500-3850", "pt1000-3850"])
def test_class_b_at_100_degrees(name):
    """IEC 60751: class B allows 0.3 + 0.005 |t|, 0.8 degrees C at 100."""
    done = run(name, "--class", "B", "--json")
    (row,) = [row for row in json.loads(done.output)["points"] if row["celsius"] == 100.0]
    assert row["plus_minus_celsius"] == pytest.approx(0.8)


def test_a_tolerance_of_one_s_own():
    in_degrees = json.loads(run("pt1000-3750", "--plus-minus-celsius", "2", "--json").output)["points"]
    assert {row["plus_minus_celsius"] for row in in_degrees} == {2.0}
    in_ohms = json.loads(run("pt1000-3750", "--plus-minus-ohms", "5", "--json").output)["points"]
    assert {row["plus_minus_ohms"] for row in in_ohms} == {5.0}
    # 5 ohm are more degrees where the curve is flatter.
    assert in_ohms[-1]["plus_minus_celsius"] > in_ohms[0]["plus_minus_celsius"]


@pytest.mark.parametrize(
    ("words", "sentence"),
    [
        (["--class", "B", "--plus-minus-ohms", "5"], "not both"),
        (["--plus-minus-celsius", "1", "--plus-minus-ohms", "5"], "not both"),
        (["--plus-minus-celsius", "-1"], "above 0"),
    ],
)
def test_what_makes_no_sense(words, sentence):
    done = run("pt1000-3850", *words)
    assert done.exit_code == 2
    assert sentence in " ".join(done.output.split())


def test_a_file_with_a_part_of_the_standard_s_range(tmp_path):
    """A shop's own file of the standard's coefficients (IEC 60751) keeps its class between 20 and 300 degrees C."""
    file = tmp_path / "part.toml"
    file.write_text(
        'name = "part"\nkind = "platinum"\nr0_ohms = 1000.0\na = 3.9083e-3\nb = -5.775e-7\nc = -4.183e-12\n'
        "low_celsius = 20\nhigh_celsius = 300\n",
        encoding="utf-8",
    )
    assert run("--file", str(file), "--class", "B").exit_code == 0
    file.write_text(file.read_text(encoding="utf-8").replace("3.9083e-3", "3.81e-3"), encoding="utf-8")
    assert run("--file", str(file), "--class", "B").exit_code == 2
