"""What the README promises: its commands exist and run, its pictures and links are there."""

import re
import shlex
from pathlib import Path

import pytest
from click.testing import CliRunner

from probeledger import cli

ROOT = Path(__file__).resolve().parents[2]
PAGES = ["README.md", "DEVELOPERS.md", "CHANGELOG.md", *(f"docs/{page.name}" for page in (ROOT / "docs").glob("*.md"))]
COMMANDS = re.findall(r"^\$ (probeledger .*)$", (ROOT / "README.md").read_text(), re.MULTILINE)


@pytest.mark.parametrize("line", COMMANDS)
def test_commands_of_the_readme(line):
    words = shlex.split(line)[1:]
    if words[0] == "virtual":
        # It runs until it is stopped: here only that the oven it names is there.
        from probeledger.virtual import scenario

        assert words[1] in scenario.names()
        return
    result = CliRunner().invoke(cli.main, words)
    assert result.exit_code == 0, result.output


def test_the_readme_has_commands():
    assert len(COMMANDS) >= 3


@pytest.mark.parametrize("page", PAGES)
def test_links_lead_somewhere(page):
    path = ROOT / page
    for target in re.findall(r"\]\(([^)#]+)(?:#[^)]*)?\)", path.read_text()):
        if "://" not in target:
            assert (path.parent / target).exists(), f"{page} links to {target}"


def test_make_targets_of_the_readme():
    makefile = (ROOT / "Makefile").read_text()
    targets = re.findall(r"(?:^|`)make ([a-z-]+)", (ROOT / "README.md").read_text(), re.MULTILINE)
    assert {"demo", "test"} <= set(targets)
    for target in targets:
        assert re.search(rf"^{target}:", makefile, re.MULTILINE), target
