"""The command line as a whole: help, typos, and the one place that words failures."""

import subprocess
import sys

import click
import pytest
from click.testing import CliRunner

from probecore.errors import MisuseError, RangeError, StoredDataError
from probeledger import __version__, cli
from probeledger.errors import ArchiveError, InputError


def run(*args, **options):
    return CliRunner().invoke(cli.main, list(args), **options)


def test_help_lists_every_command_and_imports_none():
    code = (
        "import sys\nfrom probeledger.cli import main, COMMANDS\n"
        "try:\n    main(['--help'])\nexcept SystemExit as end:\n    assert not end.code\n"
        "modules = [name for name, _ in COMMANDS.values()]\n"
        "heavy = [name for name in (*modules, 'numpy', 'sqlalchemy', 'serial', 'rich') if name in sys.modules]\n"
        "assert not heavy, heavy\n"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False)
    assert (done.returncode, done.stderr) == (0, "")
    for name, (_, line) in cli.COMMANDS.items():
        assert f"  {name} " in done.stdout
        assert line in done.stdout


@pytest.mark.parametrize("name", cli.COMMANDS)
def test_each_command_begins_its_help_with_the_line_of_the_table(name):
    done = run(name, "--help")
    assert done.exit_code == 0, done.output
    command = cli.main.get_command(click.Context(cli.main), name)
    assert command.help.splitlines()[0] == cli.COMMANDS[name][1]
    assert "Example" in done.output


def test_version():
    done = run("--version")
    assert (done.exit_code, done.output) == (0, f"probeledger {__version__}\n")


@pytest.mark.parametrize(
    ("typed", "sentence"),
    [
        ("tester", "Error: There is no command 'tester'. Did you mean testers?\n"),
        ("recrods", "Error: There is no command 'recrods'. Did you mean records?\n"),
        ("xyzzy", "Error: There is no command 'xyzzy'. Run 'probeledger --help' for the commands.\n"),
    ],
)
def test_a_typo_gets_a_suggestion(typed, sentence):
    done = run(typed)
    assert done.exit_code == 2
    assert done.stderr.endswith(sentence)


@pytest.mark.parametrize(
    ("error", "status", "sentence"),
    [
        (InputError("Bad."), 2, "Error: Bad.\n"),
        (MisuseError("code", "Misuse."), 2, "Error: Misuse.\n"),
        (RangeError("code", "Range."), 2, "Error: Range.\n"),
        (StoredDataError("code", "Stored."), 1, "Error: Stored.\n"),
        (ArchiveError("Archive\x1b[2J\u202e."), 1, "Error: Archive[2J.\n"),
        (FileNotFoundError(2, "No such file or directory", "x.csv"), 1, "Error: x.csv: No such file or directory.\n"),
        (KeyboardInterrupt(), 130, "Stopped.\n"),
    ],
)
def test_a_failure_is_one_sentence_and_a_status(monkeypatch, error, status, sentence):
    @click.command()
    def failing():
        raise error

    monkeypatch.setattr(cli.LazyGroup, "get_command", lambda self, ctx, name: failing)
    done = run("records")
    assert (done.exit_code, done.stderr, done.stdout) == (status, sentence, "")


def test_a_reader_that_goes_away_ends_it_quietly(tmp_path):
    code = (
        "import click\nfrom probeledger import cli\n"
        "@click.command()\ndef many():\n    for number in range(100000):\n        click.echo(number)\n"
        "cli.LazyGroup.get_command = lambda self, ctx, name: many\n"
        "cli.main(['records'])\n"
    )
    process = subprocess.Popen([sys.executable, "-c", code], stdout=subprocess.PIPE, stderr=subprocess.PIPE)
    assert process.stdout.readline().strip() == b"0"
    process.stdout.close()
    errors = process.stderr.read()
    process.stderr.close()
    assert process.wait(30) == 141
    assert errors == b""
