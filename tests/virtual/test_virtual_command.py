"""The command `probeledger virtual`: what it prints, how it ends, what it refuses."""

import json
import os
import signal
import subprocess
import sys

import pytest
import serial
from click.testing import CliRunner

from probeledger.cli import main
from probeledger.virtual import registry


@pytest.fixture
def start(tmp_path):
    """Start the command in the background and read its first lines; it is killed at the end."""
    started = []

    def begin(*arguments):
        process = subprocess.Popen(
            [sys.executable, "-m", "probeledger", "virtual", *arguments, "--state", str(tmp_path / "state")],
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
        )
        started.append(process)
        return process

    yield begin
    for process in started:
        if process.poll() is None:
            process.kill()
        process.communicate()


def children(pid):
    """Return the process numbers of a process's children, from /proc."""
    found = []
    for name in os.listdir("/proc"):
        if name.isdigit():
            try:
                with open(f"/proc/{name}/stat") as stat:
                    if int(stat.read().rpartition(")")[2].split()[1]) == pid:
                        found.append(int(name))
            except OSError:
                pass
    return found


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM])
def test_it_prints_its_port_and_ends_cleanly(start, number):
    process = start("good-sensor", "--json")
    line = process.stdout.readline()
    assert line, process.stderr.read()
    said = json.loads(line)
    assert said["event"] == "started"
    assert (said["scenario"], said["speed"], said["plugged"], said["pid"]) == ("good-sensor", 1.0, True, process.pid)
    assert [entry.port for entry in registry.running()] == [said["port"]]
    with serial.Serial(said["port"], timeout=20) as port:
        port.write(b"\r\x03\r\x01")
        assert port.read_until(b"raw REPL; CTRL-B to exit\r\n>").endswith(b">")
    running = children(process.pid)
    assert running
    process.send_signal(number)
    out, err = process.communicate(timeout=30)
    assert process.returncode == 0, err
    assert json.loads(out.splitlines()[-1]) == {"event": "stopped"}
    assert registry.running() == []
    assert not os.path.lexists(said["port"])
    for pid in running:
        with pytest.raises(ProcessLookupError):
            os.kill(pid, 0)


def test_text_for_a_person(start):
    process = start("good-sensor", "--speed", "5", "--no-usb", "--press", "ok@1")
    lines = [process.stdout.readline() for _ in range(3)]
    assert lines == [
        "Virtual tester at the invented oven 'good-sensor', at 5 times real time.\n",
        "Its USB is unplugged, so it has no port.\n",
        f"Stop it with Ctrl-C, or with 'kill {process.pid}'.\n",
    ]


def test_an_interpreter_does_not_outlive_a_killed_command(start):
    process = start("good-sensor", "--json")
    assert process.stdout.readline(), process.stderr.read()
    (pid,) = children(process.pid)
    process.kill()
    process.wait()
    for _ in range(500):
        try:
            os.kill(pid, 0)
        except ProcessLookupError:
            break
        with open(f"/proc/{pid}/stat") as stat:
            if stat.read().rpartition(")")[2].split()[0] == "Z":
                break
        try:
            os.waitpid(-1, os.WNOHANG)
        except ChildProcessError:
            pass
        signal.sigtimedwait([], 0.02)
    else:
        pytest.fail(f"the interpreter {pid} still runs")
    assert registry.running() == []


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        (["good-senor"], 'There is no scenario file or built-in oven "good-senor" (did you mean "good-sensor"?)'),
        (["missing.toml"], "There is no scenario file missing.toml"),
        (["good-sensor", "--press", "enter@1"], "'enter@1' is no key press; write back, ok or next with a time"),
        (["good-sensor", "--press", "ok@soon"], "'ok@soon' is no key press"),
        (["good-sensor", "--speed", "0"], "0.0 is not in the range"),
        (["good-sensor", "--heap", "small"], "'small' is no heap size"),
        (["good-sensor", "--micropython", "/nowhere/micropython"], "pip install probeledger[virtual]"),
        (["good-sensor", "--state", "/dev/null/state"], "cannot hold a virtual tester's state"),
    ],
)
def test_bad_input_gets_one_sentence(tmp_path, arguments, message):
    if "--state" not in arguments:
        arguments = [*arguments, "--state", str(tmp_path / "state")]
    result = CliRunner().invoke(main, ["virtual", *arguments])
    assert result.exit_code == 2, result.output
    assert message in result.output.replace("\n", " ")
    assert "Traceback" not in result.output


def test_a_typo_in_a_scenario_names_the_key(tmp_path):
    from probeledger.virtual.scenario import OVENS

    text = (OVENS / "good-sensor.toml").read_text()
    wrong = tmp_path / "oven.toml"
    wrong.write_text(text.replace("curve", "curv", 1))
    result = CliRunner().invoke(main, ["virtual", str(wrong), "--state", str(tmp_path / "state")])
    assert result.exit_code == 2
    assert "curv" in result.output and "oven.toml" in result.output
    assert "Traceback" not in result.output
