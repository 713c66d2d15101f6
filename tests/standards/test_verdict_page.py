"""docs/verdict.md: its samples run, and its tables say what the code has.

Sources of what the page explains: JCGM 106:2012, clauses 7 and 8; JCGM 100:2008, 4.3.7; ILAC-G8:09/2019, Table 1 (the
rules' names from memory, the probabilities recomputed).
"""

import doctest
import re
import shlex
import tomllib
from pathlib import Path

import pytest
from click.testing import CliRunner
from scipy import stats

from probecore import limits, verdict
from probeledger import cli
from probeledger.judging import profiles

ROOT = Path(__file__).resolve().parents[2]
PAGE = (ROOT / "docs" / "verdict.md").read_text(encoding="utf-8")
EXAMPLE = ROOT / "docs" / "limits-example.toml"
COMMANDS = re.findall(r"^    (probeledger .+)$", PAGE, re.MULTILINE)


def rows(heading):
    """Return the rows of the table with this first heading, as lists of cells."""
    lines = PAGE.splitlines()
    start = next(number for number, line in enumerate(lines) if line.startswith(f"| {heading} |"))
    found = []
    for line in lines[start + 2 :]:
        if not line.startswith("|"):
            break
        found.append([cell.strip() for cell in line.strip("|").split("|")])
    return found


def test_the_samples():
    samples = re.findall(r"^```python\n(.*?)^```$", PAGE, re.MULTILINE | re.DOTALL)
    assert len(samples) >= 6
    test = doctest.DocTestParser().get_doctest("\n".join(samples), {}, "docs/verdict.md", "docs/verdict.md", 0)
    assert len(test.examples) >= 15
    said = []
    result = doctest.DocTestRunner(verbose=False).run(test, out=said.append)
    assert result.failed == 0, "".join(said)


@pytest.mark.parametrize("command", COMMANDS)
def test_the_commands(command, monkeypatch):
    monkeypatch.chdir(ROOT)
    result = CliRunner().invoke(cli.main, shlex.split(command)[1:])
    assert result.exit_code == 0, result.output


def test_every_entry_of_a_profile_with_its_default():
    defaults = dict(limits.DOMESTIC_1000)
    listed = {cells[0].strip("`"): cells for cells in rows("entry")}
    assert list(listed) and set(listed) == set(defaults)
    for name, (_, unit, meaning, default) in listed.items():
        if name == "name":
            assert default.strip("`") == defaults[name]
        else:
            assert float(default) == defaults[name], name
        assert len(meaning) > 15
        ends = {"Ω": "_ohms", "°C": "_celsius", "°C/min": "_celsius_per_minute", "h": "_hours"}
        assert name.endswith(ends.get(unit, name)), (name, unit)


def test_every_requirement_is_in_the_table():
    named = " ".join(cells[0] for cells in rows("requirement")).replace("isolation a, b", "isolation a isolation b")
    for name in verdict.REQUIREMENTS:
        assert name in named
    assert len(rows("requirement")) == len(verdict.REQUIREMENTS) - 1


def test_the_decision_rules():
    listed = rows("rule")
    assert len(listed) == 4
    for rule, guard_band, probability, wrong in listed:
        share = 0.0 if guard_band == "none" else float(guard_band.split()[0])
        expected = stats.norm.cdf(2.0 * share)
        assert float(probability) == pytest.approx(expected, abs=6e-4), rule
        assert float(wrong.rstrip(" %")) == pytest.approx(100 * (1 - float(probability)), abs=0.06), rule
        limits.complete({"pass_probability": float(probability), "fail_probability": 0.02})


def test_the_toml_sample_and_the_example_file():
    sample = re.search(r"^```toml\n(.*?)^```$", PAGE, re.MULTILINE | re.DOTALL)
    assert profiles.check(tomllib.loads(sample.group(1)), "sample")["isolation_ohms"] == 2e6
    loaded = profiles.load(str(EXAMPLE))
    given = tomllib.loads(EXAMPLE.read_text(encoding="utf-8"))
    assert set(given) > {"name", "harness_ohms"} and {key: loaded[key] for key in given} == given
    # It shows a difference: what it gives is not the default.
    assert all(value != limits.DOMESTIC_1000[key] for key, value in given.items())


def test_the_figures_in_the_text():
    """Those that stand in sentences, computed with scipy."""
    z = stats.norm.ppf(0.95)
    for said, value, tolerance in (
        (r"leave 3\.17 °C as the largest", 4.0 - z * 0.5026, 0.005),
        (r"has to be 0\.51 ohm below", z * 0.31, 0.005),
        (r"would come out as 0\.841", stats.norm.cdf(1.0), 0.0005),
        (r"guard band of 0\.82 U|0\.82 U", z / 2.0, 0.005),
    ):
        found = re.search(said, PAGE)
        assert found, said
        assert float(re.search(r"\d+\.\d+", found.group()).group()) == pytest.approx(value, abs=tolerance)
