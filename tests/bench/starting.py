"""How fast the command line starts."""

from __future__ import annotations

import subprocess
import sys
import tempfile
from pathlib import Path

from figures import AT_MOST, Group, figure, timed
from paths import BIN

_RUNS = 15

# As little as a program with Click can be; it is started as an installed script is.
_BARE = """\
#!{python}
import sys
import click


@click.command()
def main():
    \"\"\"Do nothing.\"\"\"


if __name__ == "__main__":
    sys.exit(main())
"""


def _run(command: list[str]) -> None:
    subprocess.run(command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL, check=True)


def measure() -> list[Group]:
    """Time starts of the command, each beside one of a bare Click program."""
    with tempfile.TemporaryDirectory() as folder:
        bare = Path(folder) / "bare"
        bare.write_text(_BARE.format(python=sys.executable))
        bare.chmod(0o755)
        program = str(BIN / "probeledger")
        convert = [program, "curve", "convert", "--curve", "pt1000-3850", "--ohms", "1097.35"]
        commands = {
            "bare": [str(bare), "--help"],
            "help": [program, "--help"],
            "convert": convert,
            "json": [*convert, "--json"],
        }
        seconds: dict[str, list[float]] = {name: [] for name in commands}
        for command in commands.values():
            _run(command)
        # In turns, so that whatever else the computer does meets all of them.
        for _ in range(_RUNS):
            for name, command in commands.items():
                seconds[name].append(timed(lambda command=command: _run(command)))
    against_bare = [one / bare_s for one, bare_s in zip(seconds["help"], seconds["bare"], strict=True)]
    return [
        Group(
            "Start of the command line",
            "Each is a process of its own, started in turns; the bare Click program has one command without options.",
            [
                figure("bare Click program --help", [1e3 * value for value in seconds["bare"]], "ms"),
                figure("probeledger --help", [1e3 * value for value in seconds["help"]], "ms"),
                figure("probeledger --help against the bare program", against_bare, "times", (AT_MOST, 1.5)),
                figure("probeledger curve convert", [1e3 * value for value in seconds["convert"]], "ms"),
                figure("probeledger curve convert --json", [1e3 * value for value in seconds["json"]], "ms"),
            ],
        )
    ]
