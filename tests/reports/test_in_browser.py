"""The day sheet in headless Chromium: no overflow on a phone or a desk, and it prints with page numbers."""

import html
import pathlib
import re
import subprocess

import builder
import pytest
from test_day_sheet import DAY, UTC

from probeledger.reports.day import day_sheet
from probeledger.reports.render import render

pytestmark = pytest.mark.chromium

# The page in a frame of a given width, its contents measured from outside: the page itself allows no script.
_FRAME = """<!DOCTYPE html><body><iframe id=f style="width:{width}px;height:900px;border:0" srcdoc="{page}"></iframe>
<p id=said></p><script>onload = () => {{
  const page = document.getElementById('f').contentDocument;
  const wide = [...page.querySelectorAll('body *')].filter(e => e.getBoundingClientRect().right > {width} + 1);
  document.getElementById('said').textContent =
    'width ' + page.documentElement.scrollWidth + ' wide '
    + wide.slice(0, 5).map(e => e.className || e.tagName).join(',') + ' end';
}}</script>"""


def run(chromium: str, tmp_path: pathlib.Path, *args: str) -> str:
    flags = [
        "--headless",
        "--no-sandbox",
        "--disable-gpu",
        "--disable-background-networking",
        "--virtual-time-budget=5000",
    ]
    done = subprocess.run(
        [chromium, *flags, f"--user-data-dir={tmp_path / 'profile'}", *args],
        capture_output=True,
        text=True,
        check=True,
        timeout=120,
    )
    return done.stdout


@pytest.fixture()
def page(tmp_path: pathlib.Path) -> str:
    long = builder.Ledger(tester="pl-" + "w" * 60, ledger=b"ledger-2")
    long.add("probe", builder.probe(ticket="t" * 120, profile="p" * 120, job=2**40), firmware="f" * 100)
    with builder.archive_of(tmp_path, builder.a_day(), long) as archive:
        return render(day_sheet(archive, DAY, UTC, remark="An invented day."))


@pytest.mark.parametrize("width", [320, 390, 1200])
def test_nothing_sticks_out(chromium: str, tmp_path: pathlib.Path, page: str, width: int) -> None:
    frame = tmp_path / "frame.html"
    frame.write_text(_FRAME.format(width=width, page=html.escape(page, quote=True)), encoding="utf-8")
    said = re.search(r"width (\d+) wide (.*?) end</p>", run(chromium, tmp_path, "--dump-dom", frame.as_uri()))
    assert said is not None
    assert int(said[1]) <= width and said[2] == ""


def test_it_prints(chromium: str, tmp_path: pathlib.Path, page: str) -> None:
    source = tmp_path / "sheet.html"
    source.write_text(page, encoding="utf-8")
    target = tmp_path / "sheet.pdf"
    run(chromium, tmp_path, "--no-pdf-header-footer", f"--print-to-pdf={target}", source.as_uri())
    pages = len(re.findall(rb"/Type\s*/Page\b(?!s)", target.read_bytes()))
    assert 3 <= pages <= 9
