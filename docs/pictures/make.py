"""Make the pictures of the documentation from an invented day: `python docs/pictures/make.py`.

Needs Pillow for the display and Chromium for the day sheet.
"""

import datetime
import shutil
import subprocess
import tempfile
from pathlib import Path
from typing import Any

from probeledger import demo
from probeledger.virtual.actors import Script

HERE = Path(__file__).resolve().parent
SHOWN = ("corroded-harness", "control-end")


class Photographer(demo.Technician):
    """A technician who takes a picture of the display at one of the tests."""

    def _watch(self, oven: str, test: demo.Clipped, key: str) -> Script:
        yield from super()._watch(oven, test, key)
        if (oven, test.place) == SHOWN:
            board: Any = self._tester.board
            board.display.to_png(HERE / "display.png", 4)


def main() -> None:
    """Live through the demonstration's day and take both pictures."""
    chromium = shutil.which("chromium")
    if chromium is None:
        raise SystemExit("Chromium is missing: run make test-deps.")
    demo.Technician = Photographer  # type: ignore[misc]
    with tempfile.TemporaryDirectory() as folder:
        lived = demo.live(Path(folder) / "day", datetime.date(2026, 11, 25), lambda hour, text: print(hour, text))
        subprocess.run(
            [
                chromium,
                "--headless",
                "--no-sandbox",
                "--disable-gpu",
                "--disable-background-networking",
                "--hide-scrollbars",
                "--window-size=1000,1250",
                f"--user-data-dir={folder}/profile",
                f"--screenshot={HERE / 'day-sheet.png'}",
                lived.sheet_path.as_uri(),
            ],
            check=True,
            capture_output=True,
        )


if __name__ == "__main__":
    main()
