"""The corpus of one target: a text file with an input a line, each written as Python writes bytes.

So it can be read, searched and compared, and holds no folder of a thousand files.
"""

from __future__ import annotations

import ast
from collections.abc import Iterable
from pathlib import Path

FOLDER = Path(__file__).parent / "corpus"


def load(name: str, folder: Path = FOLDER) -> list[bytes]:
    """Return the kept inputs of a target; none where there is no file yet."""
    path = folder / f"{name}.txt"
    if not path.exists():
        return []
    return [ast.literal_eval(line) for line in path.read_text(encoding="ascii").splitlines() if line]


def save(name: str, inputs: Iterable[bytes], folder: Path = FOLDER) -> int:
    """Write the inputs of a target, shortest first, each once. Returns their number."""
    chosen = sorted(set(inputs), key=lambda each: (len(each), each))
    (folder / f"{name}.txt").write_text("".join(f"{each!r}\n" for each in chosen), encoding="ascii")
    return len(chosen)
