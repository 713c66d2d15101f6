"""The command `bake`: JSON names, refusals, units, the picture."""

import json
import re
import xml.etree.ElementTree as ElementTree
from pathlib import Path

import click
import numpy as np
import pytest
from bake_ovens import Oven, run
from click.testing import CliRunner

from probeledger.baking import steadiness
from probeledger.cli import LazyGroup
from probeledger.cli.bake import command

OVEN = Oven(2400.0, 900.0, 190.0, 210.0)
PAGE = (Path(__file__).resolve().parents[2] / "docs" / "bake.md").read_text(encoding="utf-8")
SVG = "{http://www.w3.org/2000/svg}"


class _Alone(LazyGroup):
    """The group that turns failures into sentences, with this command only."""

    def get_command(self, ctx, cmd_name):
        return command

    def list_commands(self, ctx):
        return ["bake"]

    def resolve_command(self, ctx, args):
        return click.Group.resolve_command(self, ctx, args)


GROUP = _Alone(name="probeledger")


def bake(*arguments):
    return CliRunner().invoke(GROUP, ["bake", *map(str, arguments)])


@pytest.fixture(scope="module")
def log(tmp_path_factory):
    course = run(OVEN, 5400.0, doors=[(3000.0, 3030.0, 8.0)])
    celsius = course.celsius + np.random.default_rng(5).normal(0.0, 0.1, course.seconds.size)
    path = tmp_path_factory.mktemp("bake") / "oven.csv"
    rows = "".join(f"{s:.0f},{c:.3f}\n" for s, c in zip(course.seconds, celsius, strict=True) if not 1500 < s < 1512)
    path.write_text("seconds,celsius\n" + rows)
    return path


def test_json(log):
    result = bake(log, "--set-celsius", 190, "--passed", "sensor,isolation,harness", "--json")
    assert result.exit_code == 0
    document = json.loads(result.stdout)
    assert document["steady"] is True
    assert document["mean_celsius"] == pytest.approx(OVEN.mean_celsius, abs=0.05)
    assert document["offset_celsius"] == pytest.approx(document["mean_celsius"] - 190.0)
    assert document["period_s"] == pytest.approx(OVEN.period_s, rel=0.01)
    assert document["swing_celsius"] == pytest.approx(20.0, abs=0.5)
    # Class B at the mean (0.3 + 0.005 t) / sqrt(3), tester 0.1, placement 1, and next to nothing of the cycles.
    parts = np.hypot(np.hypot((0.3 + 0.005 * document["mean_celsius"]) / np.sqrt(3.0), 0.1), 1.0)
    assert document["u_mean_celsius"] == pytest.approx(np.hypot(parts, document["u_cycles_celsius"]))
    assert document["advised_correction_celsius"] == -10.0
    assert document["overshoot_celsius"] == pytest.approx(210.0 - document["mean_celsius"], abs=0.5)
    assert {cycle["state"] for cycle in document["cycles"]} == {"used", "disturbed", "recovering"}
    for cycle in document["cycles"]:
        assert cycle["midpoint_celsius"] == pytest.approx((cycle["maximum_celsius"] + cycle["minimum_celsius"]) / 2)
        assert cycle["period_s"] == pytest.approx(cycle["end_s"] - cycle["start_s"])
    assert any("Readings are missing" in line for line in document["remarks"])


def test_withheld_by_default(log):
    document = json.loads(bake(log, "--set-celsius", 190, "--json").stdout)
    assert document["advised_correction_celsius"] is None
    assert "sensor, isolation and harness" in document["correction_why"]


def test_a_fahrenheit_control(log):
    arguments = ("--set-fahrenheit", 374, "--step", 5, "--present-offset", -5, "--passed", "sensor,isolation")
    document = json.loads(bake(log, *arguments, "--passed", "harness", "--json").stdout)
    assert document["set_celsius"] == pytest.approx(190.0)
    # Off by 17.8 degF with the offset at -5: to -25 degF, -20 from there.
    assert document["advised_correction_celsius"] == pytest.approx(-20.0 * 5.0 / 9.0)
    assert document["advised_offset_celsius"] == pytest.approx(-25.0 * 5.0 / 9.0)
    shown = bake(log, *arguments, "--passed", "harness").stdout
    assert "−20.0 °F (−11.1 °C)" in shown and "374.0 °F (190.0 °C)" in shown


def test_uncertainties_given(log):
    given = ("--u-probe", 0.3, "--u-tester", 0, "--u-placement", 0.4)
    document = json.loads(bake(log, "--set-celsius", 190, *given, "--json").stdout)
    assert document["u_mean_celsius"] == pytest.approx(np.hypot(0.5, document["u_cycles_celsius"]))


def test_table_fits_80_columns(log):
    result = bake(log, "--set-celsius", 190)
    assert result.exit_code == 0
    assert "disturbed" in result.stdout and "recovering" in result.stdout and "Withheld" in result.stdout
    assert max(len(line) for line in result.stdout.splitlines()) <= 80
    for word in ("safe", "dead"):
        assert word not in result.stdout.lower()


def test_a_log_that_says_nothing(tmp_path):
    path = tmp_path / "flat.csv"
    path.write_text("seconds,celsius\n" + "".join(f"{second},21.0\n" for second in range(2000)))
    result = bake(path, "--set-celsius", 175, "--json")
    document = json.loads(result.stdout)
    assert result.exit_code == 0
    assert document["steady"] is False and document["cycles"] == []
    assert document["mean_celsius"] is None and document["advised_correction_celsius"] is None
    assert document["why"].startswith("It has no cycles")
    assert bake(path, "--set-celsius", 175).exit_code == 0


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        ((), "either --set-celsius or --set-fahrenheit"),
        (("--set-celsius", "175", "--set-fahrenheit", "350"), "either --set-celsius or --set-fahrenheit"),
        (("--set-celsius", "1750"), "from 20 to 600"),
        (("--set-celsius", "175", "--passed", "sensors"), "'sensors' is none of sensor, isolation, harness"),
        (("--set-celsius", "175", "--step", "0"), "must be above 0"),
        (("--set-celsius", "175", "--step", "30"), "no larger than its range"),
        (("--set-celsius", "175", "--u-probe", "-1"), "at least 0"),
        (("--set-celsius", "175", "--plot", "/nowhere/at/all.svg"), "Cannot write"),
    ],
)
def test_wrong_use(log, arguments, says):
    result = bake(log, *arguments)
    assert result.exit_code == 2
    assert says in " ".join(result.stderr.split())


def test_a_file_that_is_none(tmp_path):
    result = bake(tmp_path / "no.csv", "--set-celsius", "175")
    assert result.exit_code == 2 and "Cannot read" in result.stderr


def test_picture(log, tmp_path):
    path = tmp_path / "oven.svg"
    assert bake(log, "--set-celsius", 190, "--plot", path).exit_code == 0
    picture = ElementTree.parse(path).getroot()
    texts = [text.text for text in picture.iter(f"{SVG}text")]
    assert "set to 190.0 °C" in texts and "end of the preheat" in texts
    assert any(text.startswith("mean of the shaded cycles, 199.9 °C") for text in texts)
    states = [cycle["state"] for cycle in json.loads(bake(log, "--set-celsius", 190, "--json").stdout)["cycles"]]
    kinds = [rect.get("class") for rect in picture.iter(f"{SVG}rect")]
    assert kinds.count("used") == states.count("used")
    # One is the legend's.
    assert kinds.count("odd") == states.count("disturbed") + states.count("recovering") + 1
    (curve,) = [path for path in picture.iter(f"{SVG}path") if path.get("class") == "log"]
    points = [tuple(map(float, pair)) for pair in re.findall(r"[ML](\S+?) ([\d.]+)", curve.get("d"))]
    assert all(0.0 <= x <= 760.0 and 0.0 <= y <= 360.0 for x, y in points)
    # The pen is lifted once for each column that the one gap touches: 12 s, at 8 s a column.
    assert 2 <= curve.get("d").count("M") <= 4


def test_a_picture_of_a_log_without_cycles(tmp_path):
    path, drawn = tmp_path / "flat.csv", tmp_path / "flat.svg"
    path.write_text("0,21\n1,21\n2,21\n3,21\n")
    assert bake(path, "--set-celsius", 175, "--plot", drawn).exit_code == 0
    assert "mean of" not in drawn.read_text(encoding="utf-8")
    ElementTree.parse(drawn)


@pytest.mark.parametrize("line", re.findall(r"^    (probeledger bake .+)$", PAGE, re.MULTILINE))
def test_examples_of_the_page(log, tmp_path, monkeypatch, line):
    monkeypatch.chdir(tmp_path)
    (tmp_path / "oven.csv").write_bytes(log.read_bytes())
    result = CliRunner().invoke(GROUP, line.split()[1:])
    assert result.exit_code == 0, result.stderr


def test_limits_on_the_page():
    for said in (
        f"{steadiness.FEWEST_CYCLES} whole cycles",
        f"{steadiness.LEAST_SPAN_S / 60:.0f} minutes",
        f"{steadiness.MOST_DRIFT_CELSIUS_PER_HOUR:g} °C an hour",
        f"{steadiness.MOST_DRIFT_CELSIUS:g} °C over all",
        f"{steadiness.MOST_SCATTER_CELSIUS:g} °C or {100 * steadiness.MOST_SCATTER_SHARE:g} % of the swing",
        f"{100 * steadiness.MOST_MISSING:g} % of it",
    ):
        assert said in PAGE, said
