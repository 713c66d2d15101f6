"""The command `sensor`: its answers in 80 columns, as JSON, and its one sentence for bad input."""

import json
from pathlib import Path

import pytest
from click.testing import CliRunner

from probeledger.cli import main

POINTS = ["--point", "1000,0", "--point", "1385.055,100", "--point", "1758.56,200", "--u-ohms", "0.1"]


def run(*words: str):  # type: ignore[no-untyped-def]
    return CliRunner().invoke(main, ["sensor", *words], env={"COLUMNS": "80"})


@pytest.mark.parametrize(
    "words",
    [
        ["identify", "--point", "1085.7,22"],
        ["fit", "--model", "r0-a", *POINTS],
        ["point", "ice"],
        ["point", "boiling", "--altitude", "500"],
    ],
)
def test_tables_fit_and_json_is_one_document(words: list[str]) -> None:
    shown = run(*words)
    assert shown.exit_code == 0, shown.output
    tabular = [line for line in shown.stdout.splitlines() if not line.endswith((".", ")"))]
    assert tabular and max(len(line) for line in tabular) <= 80
    assert isinstance(json.loads(run(*words, "--json").stdout), dict)


def test_fit_gives_the_coefficients_of_iec_60751() -> None:
    # The three resistances are those of the table of IEC 60751:2022 times ten, at 0, 100 and 200 degC.
    made = json.loads(run("fit", "--model", "r0-a-b", *POINTS, "--u-celsius", "0.05", "--json").stdout)
    assert made["parameters"] == pytest.approx([1000.0, 3.9083e-3, -5.775e-7], rel=2e-4)


def test_points_and_hot_pair_come_from_files(tmp_path: Path) -> None:
    points = tmp_path / "points.csv"
    points.write_text("celsius,ohms,u_ohms\n0,1000,0.1\n200,1758.56,\n")
    made = json.loads(run("identify", "--file", str(points), "--json").stdout)
    assert made["points"][0]["u_ohms"] == 0.1 and made["points"][1]["u_ohms"] > 0.1
    assert made["matches"][0]["name"] == "pt1000-3850"
    log = tmp_path / "log.csv"
    log.write_text(
        "time_s,ohms,celsius\n" + "".join(f"{10 * i},{1758.56 - 0.367 * i},{200 - 0.1 * i}\n" for i in range(40))
    )
    pair = run("point", "hot-pair", "--file", str(log), "--json")
    assert json.loads(pair.stdout)["kind"] == "hot-pair"


@pytest.mark.parametrize(
    ("words", "sentence"),
    [
        (["identify"], "There is no point"),
        (["identify", "--point", "1085"], "one comma"),
        (["fit", "--model", "r0-a", "--point", "1085,22"], "add the ice point"),
        (["point", "boiling"], "either the altitude or the pressure"),
    ],
)
def test_bad_input_ends_with_two(words: list[str], sentence: str) -> None:
    shown = run(*words)
    assert shown.exit_code == 2
    assert sentence in shown.stderr.replace("\n", " ") and "Traceback" not in shown.output


def test_a_file_without_its_column_is_named(tmp_path: Path) -> None:
    path = tmp_path / "points.csv"
    path.write_text("celsius,kilohms\n0,1\n")
    shown = run("identify", "--file", str(path))
    assert shown.exit_code == 2 and "no column ohms" in shown.stderr


SHOP = """name = "shop's own"
kind = "platinum"
r0_ohms = 1000.0
alpha = 0.0038
delta = 1.55
beta = 0.13
low_celsius = -50
high_celsius = 500
"""


def test_a_curve_file_is_compared_beside_the_built_in_ones(tmp_path: Path) -> None:
    curve, points = tmp_path / "shop.toml", tmp_path / "points.csv"
    curve.write_text(SHOP)
    # The invented coefficients' own resistances, by the definition of alpha at 100 degC.
    points.write_text("celsius,ohms,u_ohms,u_celsius\n0,1000,0.02,0.02\n100,1380,0.02,0.02\n")
    words = ["identify", "--file", str(points), "--file", str(curve)]
    found = json.loads(run(*words, "--json").stdout)
    assert [m["name"] for m in found["matches"] if m["compatible"]] == ["shop's own"]
    assert len(found["matches"]) == 6
    two = json.loads(run(*words, "--curve", "pt1000-3850", "--curve", "pt1000-3750", "--json").stdout)
    assert {m["name"] for m in two["matches"]} == {"shop's own", "pt1000-3850", "pt1000-3750"}
    assert "shop's own" in run(*words).stdout


def test_pairs_are_shown_and_listed() -> None:
    words = ["identify", "--point", "1085.7,22", "--u-ohms", "0.1"]
    found = json.loads(run(*words, "--json").stdout)
    best = found["pairs"][0]
    assert len(best["places"]) == 2 and best["separates"][0]["curves"]
    assert 0.5 <= best["separates"][0]["right_probability"] <= 1.0
    assert set(found["further"][0]) >= {"label", "celsius", "u_celsius", "deviations", "pair", "separates"}
    shown = run(*words).stdout
    assert "Two further points" in shown and " and ".join(p["label"] for p in best["places"]) in shown


def test_a_curve_file_with_a_built_in_name_is_refused(tmp_path: Path) -> None:
    curve = tmp_path / "shop.toml"
    curve.write_text(SHOP.replace("shop's own", "pt1000-3850"))
    shown = run("identify", "--point", "1085.7,22", "--file", str(curve))
    assert shown.exit_code == 2 and "a name of its own" in shown.stderr
    only_curve = run("identify", "--file", str(curve))
    assert only_curve.exit_code == 2 and "There is no point" in only_curve.stderr
