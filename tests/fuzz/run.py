"""Fuzz the decoders, led by coverage: `make fuzz` or `python tests/fuzz/run.py --seconds 60 [TARGET ...]`.

Each target runs in a process of its own under atheris, begins with its seeds and its corpus, and leaves in the corpus
what reached new code. A find ends its target: the input is kept in the corpus too, so that the tests fail until the
decoder is mended.
"""

from __future__ import annotations

import argparse
import hashlib
import re
import shlex
import subprocess
import sys
import tempfile
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent))

import corpus_file
from seeds import seeds
from targets import TARGETS

# Longer inputs cover nothing new and make a slow corpus.
_MOST_BYTES = {"segment": 6000, "reply": 6000, "scenario": 3000, "run": 4000, "references": 3000}
_USUAL_BYTES = 1500
# One input may take so long [s]; a decoder that takes more is a find.
_TIMEOUT_S = 10
_MOST_KEPT = 150
_TOML_WORDS = ("name", "kind", "rows", "=", "[", "]", "[[", "]]", "inf", "nan", "-", "1e308", "2026-01-01", '"', "\\u")
_TOML = ("curve", "limits", "scenario", "references")


def _one(name: str, command: str, arguments: list[str]) -> None:
    """Run one target under atheris, which starts `command` anew where it merges; never returns."""
    import atheris

    # Instrumented anew: what the tests import plainly has no counters.
    for module in [each for each in sys.modules if each.split(".")[0] in ("probecore", "probeledger", "targets")]:
        del sys.modules[module]
    with atheris.instrument_imports(include=["probecore", "probeledger", "tomllib", "targets"]):
        from targets import TARGETS as instrumented
    atheris.Setup([command, *arguments], instrumented[name])
    atheris.Fuzz()


def _command(name: str, work: Path) -> Path:
    """Write the command that runs one target: libFuzzer wants one word to start itself by."""
    path = work / "fuzz"
    words = shlex.join([sys.executable, str(Path(__file__).resolve()), "--target", name, "--command", str(path), "--"])
    path.write_text(f'#!/bin/sh\nexec {words} "$@"\n', encoding="utf-8")
    path.chmod(0o755)
    return path


def _run(command: Path, *arguments: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run([str(command), *arguments], capture_output=True, text=True, errors="replace")


def _fill(folder: Path, inputs: list[bytes]) -> None:
    folder.mkdir()
    for each in inputs:
        (folder / hashlib.sha256(each).hexdigest()[:16]).write_bytes(each)


def _arguments(name: str, work: Path) -> list[str]:
    said = [
        f"-max_len={_MOST_BYTES.get(name, _USUAL_BYTES)}",
        f"-timeout={_TIMEOUT_S}",
        f"-artifact_prefix={work}/find-",
    ]
    if name in _TOML:
        path = work / "words"
        path.write_text(_dictionary(), encoding="ascii")
        said.append(f"-dict={path}")
    return said


def _dictionary() -> str:
    escaped = ("".join(f"\\x{byte:02x}" for byte in word.encode()) for word in _TOML_WORDS)
    return "".join(f'"{word}"\n' for word in escaped)


def fuzz(name: str, seconds: int) -> bool:
    """Fuzz one target for a time [s] and keep what it found. Returns False where an input broke it."""
    kept = corpus_file.load(name)
    with tempfile.TemporaryDirectory(prefix="probeledger-fuzz-") as held:
        work = Path(held)
        found = work / "found"
        _fill(found, [*seeds()[name], *kept])
        arguments = _arguments(name, work)
        command = _command(name, work)
        ran = _run(command, f"-max_total_time={seconds}", *arguments, str(found))
        finds = [path.read_bytes() for path in sorted(work.glob("find-*"))]
        runs = re.findall(r"^#(\d+)", ran.stderr, re.MULTILINE)
        least = work / "least"
        least.mkdir()
        merged = _run(command, "-merge=1", *arguments, str(least), str(found))
        inputs = [path.read_bytes() for path in least.iterdir()] if merged.returncode == 0 else kept
        chosen = sorted(inputs, key=len)[:_MOST_KEPT]
        number = corpus_file.save(name, [*chosen, *finds])
        print(f"{name:<12} {int(runs[-1]) if runs else 0:>9} inputs, corpus {number}, finds {len(finds)}")
        if finds or not runs:
            print(ran.stderr[-3000:], file=sys.stderr)
    return bool(runs) and not finds


def main() -> int:
    """Run from the command line; returns 1 where an input broke a decoder."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else None)
    parser.add_argument("targets", nargs="*", metavar="TARGET", help=f"of {', '.join(TARGETS)}; all by default")
    parser.add_argument("--seconds", type=int, default=20, help="for each target [s]")
    parser.add_argument("--target", help=argparse.SUPPRESS)
    parser.add_argument("--command", help=argparse.SUPPRESS)
    if "--" in sys.argv:
        at = sys.argv.index("--")
        chosen, rest = parser.parse_args(sys.argv[1:at]), sys.argv[at + 1 :]
        _one(chosen.target, chosen.command, rest)
    chosen = parser.parse_args()
    unknown = [name for name in chosen.targets if name not in TARGETS]
    if unknown:
        parser.error(f"there is no target {unknown[0]}; there are {', '.join(TARGETS)}")
    results = [fuzz(name, chosen.seconds) for name in chosen.targets or TARGETS]
    return 0 if all(results) else 1


if __name__ == "__main__":
    raise SystemExit(main())
