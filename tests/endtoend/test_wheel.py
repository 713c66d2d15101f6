"""The built wheel in a clean virtual environment: one probecore, the firmware beside it, commands that work."""

import json
import subprocess
import sys
import zipfile
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]

pytestmark = pytest.mark.long


def run(*args, **options):
    result = subprocess.run([str(arg) for arg in args], capture_output=True, text=True, timeout=600, **options)
    assert result.returncode == 0, result.stdout + result.stderr
    return result.stdout


@pytest.fixture(scope="module")
def wheel(tmp_path_factory):
    folder = tmp_path_factory.mktemp("wheel")
    run(sys.executable, "-m", "build", "--wheel", "--no-isolation", "--outdir", folder, ROOT)
    return next(folder.glob("*.whl"))


@pytest.fixture(scope="module")
def clean(wheel, tmp_path_factory):
    folder = tmp_path_factory.mktemp("clean")
    run(sys.executable, "-m", "venv", folder / "venv")
    python = folder / "venv" / "bin" / "python"
    pip = [python, "-m", "pip", "install", "-q", "--disable-pip-version-check"]
    run(*pip, "--require-hashes", "-r", ROOT / "requirements.lock")
    run(*pip, "--no-deps", wheel)
    return python


def test_the_wheel_has_one_core_and_the_firmware(wheel):
    names = zipfile.ZipFile(wheel).namelist()
    assert [name for name in names if name.endswith("verdict.py")] == ["probecore/verdict.py"]
    for name in ("firmware/main.py", "firmware/board.py", "firmware/parts/ads1220.py", "hardware/tester.toml"):
        assert f"probeledger/bundle/{name}" in names
    assert not [name for name in names if "__pycache__" in name or name.startswith("tests/")]


def test_commands_work_from_the_wheel(clean, tmp_path):
    command = clean.parent / "probeledger"
    where = run(
        clean, "-c", "import probecore, probeledger; print(probecore.__file__, probeledger.__file__)", cwd=tmp_path
    )
    assert str(ROOT) not in where and where.count("site-packages") == 2
    answer = json.loads(
        run(command, "curve", "convert", "--curve", "pt1000-3850", "--celsius", "25", "--json", cwd=tmp_path)
    )
    # IEC 60751:2022: 109.73 ohm at 25 degC for a Pt100
    assert answer["points"][0]["ohms"] == pytest.approx(1097.3, abs=0.06)
    assert "demo" in run(command, "--help", cwd=tmp_path)


def test_the_demo_runs_from_the_wheel(clean, tmp_path):
    output = run(clean.parent / "probeledger", "demo", "--keep", tmp_path / "day", cwd=tmp_path)
    archive, sheet = output.strip().splitlines()[-2:]
    assert archive.startswith("archive: ") and Path(archive.removeprefix("archive: ")).exists()
    assert sheet.startswith("day sheet: ") and Path(sheet.removeprefix("day sheet: ")).exists()
