"""The virtual tester as a device: time, power, resets, Ctrl-C, the plug, actors, what it keeps."""

from __future__ import annotations

import os
import re
import signal
import time

import pytest
import serial

from probeledger.errors import InputError
from probeledger.virtual import internal
from probeledger.virtual.actors import LOOK_US
from probeledger.virtual.device import VirtualTester, VirtualTesterError
from probeledger.virtual.launcher import find_interpreter
from probeledger.virtual.pacer import Pacer

ECHO = """
import asyncio, sys

async def echo():
    reader = asyncio.StreamReader(sys.stdin.buffer)
    while True:
        line = await reader.readline()
        sys.stdout.buffer.write(b"got " + line)

async def main():
    asyncio.create_task(echo())
    while True:
        await asyncio.sleep(10)

print("running")
asyncio.run(main())
"""
RAW = b"raw REPL; CTRL-B to exit\r\n>"


def until(tester: VirtualTester, text: str):
    """Wait in simulated time until the firmware has printed a text."""
    yield lambda: text in tester.console


def shown(tester: VirtualTester, pattern: str, count: int = 1) -> bool:
    return len(re.findall(pattern, tester.console)) >= count


def wait_for(tester: VirtualTester, pattern: str, count: int = 1) -> None:
    """Wait in wall time, while simulated time goes as the plug lets it."""
    deadline_s = time.monotonic() + 30
    while not shown(tester, pattern, count):
        tester.join(0.01)
        assert time.monotonic() < deadline_s, tester.console


# ------------------------------------------------------------ time and actors


def test_ten_minutes_pass_for_the_firmware(make_tester):
    tester = make_tester("import time\nt = time.ticks_ms()\ntime.sleep(600)\nprint('slept', time.ticks_ms() - t)")
    tester.power_on()
    tester.run(until(tester, "slept"))
    assert "slept 600000" in tester.console
    assert 600_000_000 <= tester.now_us < 601_000_000


def test_time_stands_still_without_an_actor_and_runs_on_with_the_next(make_tester):
    tester = make_tester("import time\nwhile True:\n    time.sleep(1)\n    print('tick', time.ticks_ms() // 1000)")
    tester.power_on()
    tester.run_for(3.5)
    stood_us = tester.now_us
    time.sleep(0.2)
    assert tester.now_us == stood_us == 3_500_000
    assert "tick 3" in tester.console and "tick 4" not in tester.console
    tester.run_for(1.0)
    assert "tick 4" in tester.console


def test_actors_act_at_their_times_and_see_what_the_firmware_does(make_tester):
    main = """
import machine, time
key = machine.Pin(15, machine.Pin.IN)
lamp = machine.Pin(6, machine.Pin.OUT, value=0)
while True:
    time.sleep_ms(20)
    lamp(key())
"""
    tester = make_tester(main)
    board = tester.board

    def person():
        yield 2.0
        pressed_us = tester.now_us
        board.levels[15] = 1
        yield lambda: board.levels[6]
        lit_us = tester.now_us
        board.levels[15] = 0
        yield lambda: not board.levels[6]
        return pressed_us, lit_us

    tester.power_on()
    pressed_us, lit_us = tester.run(person())
    assert 2_000_000 <= pressed_us < 2_000_050
    assert 0 < lit_us - pressed_us <= 20_000 + LOOK_US + 100


def test_the_same_script_gives_the_same_times(make_tester):
    main = """
import machine, time
spi = machine.SPI(0, 2_000_000)
for _ in range(20):
    spi.write(bytes(10))
    time.sleep_us(333)
    time.ticks_us()
print('end', time.ticks_us())
"""
    ends = []
    for _ in range(2):
        tester = make_tester(main)
        tester.power_on()
        tester.run(until(tester, "end"))
        ends.append(re.search(r"end \d+", tester.console)[0])
    assert ends[0] == ends[1]


def test_a_failing_script_raises_in_the_caller(make_tester):
    tester = make_tester(ECHO)
    tester.power_on()

    def clumsy():
        yield 1.0
        raise LookupError("dropped it")

    with pytest.raises(LookupError, match="dropped it"):
        tester.run(clumsy())
    tester.run_for(1.0)


def test_a_script_that_never_ends_is_given_up(make_tester):
    tester = make_tester("while True:\n    pass")
    tester.power_on()
    with pytest.raises(VirtualTesterError, match="did not end within"):
        tester.run(until(tester, "never"), wall_timeout_s=0.3)


def test_pace_sets_the_time_and_limits_catching_up(monkeypatch):
    wall_s = 100.0
    monkeypatch.setattr("probeledger.virtual.pacer.time.monotonic", lambda: wall_s)
    pacer = Pacer()
    assert pacer.target_us(10.0, 5_000) == 5_000
    wall_s = 100.125
    assert pacer.target_us(10.0, 5_000) == 1_255_000
    # A standstill of a minute is not made up for by a minute at full speed.
    wall_s = 160.0
    assert pacer.target_us(10.0, 1_255_000) == 1_255_000 + 2_500_000
    wall_s = 160.125
    assert pacer.target_us(10.0, 3_755_000) == 3_755_000 + 1_250_000
    # Another pace starts from where time is.
    assert pacer.target_us(1.0, 4_000_000) == 4_000_000


def test_a_paced_tester_runs_scripts_and_firmware(make_tester):
    tester = make_tester("import time\nwhile True:\n    time.sleep(1)\n    print('tick')", pace=100.0)
    tester.power_on()
    tester.run_for(5.5)
    assert 5 <= tester.console.count("tick") <= tester.now_us // 1_000_000


def test_a_board_that_fails_stops_the_tester_with_its_reason(make_tester):
    tester = make_tester("import machine\nmachine.ADC(26).read_u16()")

    def broken(pin):
        raise RuntimeError("no such circuit")

    tester.board.adc_read_u16 = broken
    with pytest.raises(VirtualTesterError, match="no such circuit"):
        tester.power_on()
        tester.run_for(1.0)


# ------------------------------------------------------------ endings and resets


def test_a_crash_ends_at_the_prompt(make_tester):
    tester = make_tester("print('before')\n1 / 0", plugged=True)
    tester.power_on()
    wait_for(tester, r">>> $")
    assert "ZeroDivisionError" in tester.console
    with serial.Serial(tester.port, timeout=10) as port:
        port.write(b"6 * 7\r")
        assert port.read_until(b"42").endswith(b"42")
    assert tester.at_prompt


def test_boot_runs_before_main_and_its_failure_does_not_stop_main(make_tester):
    tester = make_tester("print('main', __name__)", files={"boot.py": "print('boot')\nraise OSError(5)"})
    tester.power_on()
    tester.run(until(tester, ">>>"))
    assert re.search(r"boot\n.*OSError.*main __main__", tester.console, re.DOTALL)


def test_leaving_main_by_system_exit_starts_it_again(make_tester):
    main = """
import os, time, machine
runs = len(os.listdir('/runs')) if 'runs' in os.listdir('/') else (os.mkdir('/runs'), 0)[1]
open('/runs/%d' % runs, 'w').close()
time.sleep(1)
print('run', runs, time.ticks_ms() // 1000, machine.reset_cause())
if runs == 0:
    raise SystemExit
if runs == 1:
    machine.soft_reset()
if runs == 2:
    machine.reset()
while True:
    time.sleep(1)
"""
    tester = make_tester(main)
    tester.power_on()
    tester.run(until(tester, "run 3"))
    # ticks run on over a soft reset, and start anew with a reset of the microcontroller; its cause is WDT_RESET then.
    assert re.findall(r"run (\d) (\d) (\d)", tester.console) == [
        ("0", "1", "1"),
        ("1", "2", "1"),
        ("2", "3", "1"),
        ("3", "1", "3"),
    ]
    assert tester.console.count("MPY: soft reboot") == 2
    assert tester.board.power == [False, True]


def test_the_watchdog_resets_a_firmware_that_hangs(make_tester):
    main = """
import machine, time
print('cause', machine.reset_cause())
if machine.reset_cause() == machine.PWRON_RESET:
    dog = machine.WDT(timeout=2000)
    for _ in range(5):
        time.sleep(1)
        dog.feed()
    print('hanging')
    while True:
        time.sleep_ms(10)
"""
    tester = make_tester(main)
    tester.power_on()
    tester.run(until(tester, "cause 3"))
    assert 7_000_000 <= tester.now_us < 7_100_000
    assert "hanging" in tester.console


def test_the_boot_loader_holds_the_board_until_power_is_cut(make_tester):
    tester = make_tester("import machine\nprint('on', machine.reset_cause())\nmachine.bootloader()", plugged=True)
    tester.power_on()
    tester.run_for(10)
    assert tester.pid is None
    assert not os.path.exists(tester.port)
    tester.power_off()
    tester.power_on()
    tester.run(until(tester, "on 1\non 1"))


def test_power_cut_and_return(make_tester):
    main = """
import machine, os, time
print('kept', [name for name in os.listdir('/') if name.endswith('.txt')], machine.reset_cause(), time.ticks_ms() < 10)
with open('/note.txt', 'w') as file:
    file.write('written')
lamp = machine.Pin(6, machine.Pin.OUT, value=1)
while True:
    time.sleep(1)
"""
    tester = make_tester(main)
    tester.power_on()
    tester.run_for(5)
    tester.power_off()
    assert tester.pid is None
    tester.run_for(60)
    tester.power_on()
    tester.run_for(1)
    assert re.findall(r"kept (.*)", tester.console) == ["[] 1 True", "['note.txt'] 1 True"]
    assert tester.board.power == [False, True, False, True]


def test_power_can_be_cut_in_the_middle_of_a_transfer(make_tester):
    main = "import machine\nspi = machine.SPI(0, 1_000_000)\nprint('go')\nwhile True:\n    spi.write(bytes(100))"
    tester = make_tester(main)

    def cut():
        yield lambda: len(tester.board.spi) > 20
        tester.power_off()
        return len(tester.board.spi)

    tester.power_on()
    sent = tester.run(cut())
    tester.run_for(1.0)
    assert len(tester.board.spi) == sent
    tester.power_on()
    tester.run(until(tester, "go\ngo"))


# ------------------------------------------------------------ the port


def test_bytes_pass_both_ways_unchanged(make_tester):
    # Every byte but Ctrl-C, which is MicroPython's.
    main = """
import sys
while True:
    byte = sys.stdin.buffer.read(1)
    sys.stdout.buffer.write(bytes((byte[0], 255 - byte[0])))
"""
    tester = make_tester(main, plugged=True)
    tester.power_on()
    sent = bytes(byte for byte in range(256) if byte != 3) * 8
    with serial.Serial(tester.port, timeout=20) as port:
        port.write(sent)
        got = port.read(2 * len(sent))
    assert got == bytes(both for byte in sent for both in (byte, 255 - byte))


def test_a_waiting_firmware_answers_at_once(make_tester):
    # The firmware would wait 10 simulated seconds for nothing else; at real time that is longer than the reading waits.
    tester = make_tester(ECHO, plugged=True)
    tester.power_on()
    wait_for(tester, "running")
    with serial.Serial(tester.port, timeout=8) as port:
        before_us = tester.now_us
        port.write(b"hello\n")
        assert port.read_until(b"\n") == b"got hello\n"
        assert tester.now_us - before_us < 9_000_000


def test_output_without_a_listener_is_dropped(make_tester):
    main = """
import time
for _ in range(3000):
    print('x' * 50)
    time.sleep_ms(1)
print('done')
time.sleep(100)
"""
    tester = make_tester(main, plugged=True)
    tester.power_on()
    tester.run(until(tester, "done"))
    with serial.Serial(tester.port, timeout=0.3) as port:
        assert port.read(100) == b""


def test_pulling_the_plug_ends_the_port_and_the_firmware_runs_on(make_tester):
    tester = make_tester(ECHO, plugged=True)
    tester.power_on()
    wait_for(tester, "running")
    with serial.Serial(tester.port, timeout=5) as port:
        port.write(b"one\n")
        assert port.read_until(b"\n") == b"got one\n"
        tester.unplug_usb()
        with pytest.raises((serial.SerialException, OSError)):
            assert port.read(1) == b""
            port.write(b"two\n")
            port.flush()
    assert not os.path.exists(tester.port)
    pid = tester.pid
    tester.run_for(10)
    tester.plug_usb()
    with serial.Serial(tester.port, timeout=5) as port:
        port.write(b"three\n")
        assert port.read_until(b"\n") == b"got three\n"
    assert tester.pid == pid
    assert "got two" not in tester.console


def test_socket_port(make_tester):
    tester = make_tester(ECHO, plugged=True, transport="socket")
    tester.power_on()
    wait_for(tester, "running")
    assert re.fullmatch(r"socket://127\.0\.0\.1:\d+", tester.port)
    with serial.serial_for_url(tester.port, timeout=5) as port:
        port.write(b"over TCP\n")
        assert port.read_until(b"\n") == b"got over TCP\n"
        tester.unplug_usb()
        with pytest.raises(serial.SerialException):
            port.read(1)
    tester.plug_usb()
    with serial.serial_for_url(tester.port, timeout=5) as port:
        port.write(b"again\n")
        assert port.read_until(b"\n") == b"got again\n"


# ------------------------------------------------------------ Ctrl-C


@pytest.mark.parametrize(
    "main",
    [
        ECHO,
        "import time\nprint('running')\nwhile True:\n    time.sleep(1000)",
        "print('running')\nwhile True:\n    pass",
        "import machine\nspi = machine.SPI(0)\nprint('running')\nwhile True:\n    spi.read(4)",
        "import sys\nprint('running')\nsys.stdin.read(1)",
    ],
    ids=["asyncio", "sleep", "computing", "transfers", "reading"],
)
def test_ctrl_c_leaves_to_the_prompt_and_what_follows_is_not_lost(make_tester, main):
    tester = make_tester(main, plugged=True)
    tester.power_on()
    with serial.Serial(tester.port, timeout=10) as port:
        wait_for(tester, "running")
        port.write(b"\r\x03\r\x01")
        assert port.read_until(RAW).endswith(RAW)
        port.write(b"print(6 * 7)\x04")
        assert port.read_until(b"\x04\x04>") == b"OK42\n\x04\x04>"
    assert "KeyboardInterrupt" in tester.console or main.endswith("read(1)")


def test_a_program_may_catch_ctrl_c(make_tester):
    main = """
import time
print('running')
caught = 0
while True:
    try:
        time.sleep(1000)
    except KeyboardInterrupt:
        caught += 1
        print('caught', caught)
"""
    tester = make_tester(main, plugged=True)
    tester.power_on()
    with serial.Serial(tester.port, timeout=10) as port:
        wait_for(tester, "running")
        for number in (b"1", b"2"):
            port.write(b"\x03")
            assert port.read_until(b"caught " + number).endswith(number)


def test_a_signal_in_the_middle_of_requests_does_no_harm(make_tester):
    # A signal reaches the interpreter anywhere, also between a request and its answer; each time both sides have to
    # meet again. An answer taken for another one would change what the inverter on the SPI line returns.
    main = """
import machine, time
spi = machine.SPI(0, 1_000_000)
out, into = bytearray(300), bytearray(300)
print('running')
caught = wrong = 0
turn = 0
while caught < 60:
    try:
        while True:
            turn = (turn + 1) & 255
            for index in (0, 150, 299):
                out[index] = turn
            spi.write_readinto(out, into)
            if into[0] != 255 - turn or into[150] != 255 - turn or into[299] != 255 - turn or into[1] != 255:
                wrong += 1
            time.sleep_us(10)
    except KeyboardInterrupt:
        caught += 1
        print('caught', caught)
print('result', wrong)
"""
    tester = make_tester(main)
    tester.power_on()

    def pest():
        yield lambda: "running" in tester.console
        for number in range(60):
            yield 0.003 + number * 0.00037
            os.kill(tester.pid, signal.SIGINT)
            yield lambda number=number: f"caught {number + 1}\n" in tester.console

    tester.run(pest())
    tester.run(until(tester, "result"))
    assert "result 0" in tester.console


# ------------------------------------------------------------ what is kept


def test_the_firmware_is_copied_with_probecore_and_refreshed(make_tester, tmp_path):
    state = tmp_path / "kept"
    tester = make_tester("import probecore.cbor\nprint(probecore.cbor.dumps(1))", state_folder=state)
    tester.power_on()
    tester.run(until(tester, "b'\\x01'"))
    tester.close()
    (state / "internal" / "own.txt").write_text("the firmware's own file")

    unchanged = make_tester("print('new')", state_folder=state, refresh=False)
    assert "cbor" in (unchanged.state.path / "internal" / "main.py").read_text()
    unchanged.close()

    changed = make_tester("print('new')", files={"parts/extra.py": ""}, state_folder=state)
    changed.power_on()
    changed.run(until(changed, "new"))
    assert (state / "internal" / "parts" / "extra.py").exists()
    changed.close()

    make_tester("print('new')", state_folder=state)
    assert not (state / "internal" / "parts" / "extra.py").exists()
    assert (state / "internal" / "own.txt").exists()


def test_firmware_files_take_probecore_from_the_given_folder(tmp_path):
    firmware, core = tmp_path / "firmware", tmp_path / "core"
    names = (firmware / "main.py", firmware / "probecore/old.py", core / "new.py", core / "__pycache__/x.py")
    for path in names:
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text("")
    assert [name for name, _ in internal.firmware_files(firmware, core)] == ["main.py", "probecore/new.py"]


def test_the_unique_number_stays(make_tester, tmp_path):
    main = "import machine\nprint('id', machine.unique_id().hex())"
    seen = []
    for _ in range(2):
        tester = make_tester(main, state_folder=tmp_path / "kept")
        tester.power_on()
        tester.run(until(tester, "id "))
        seen.append(re.search(r"id ([0-9a-f]{16})", tester.console)[1])
        tester.close()
    assert seen[0] == seen[1]
    given = make_tester(main, unique_id=bytes(range(8)))
    given.power_on()
    given.run(until(given, "id 0001020304050607"))


def test_a_state_folder_belongs_to_one_tester(make_tester, tmp_path):
    make_tester("pass", state_folder=tmp_path / "one")
    with pytest.raises(InputError, match="is running already"):
        make_tester("pass", state_folder=tmp_path / "one")


def test_closing_ends_the_interpreter_and_saves(make_tester):
    tester = make_tester(ECHO, plugged=True)
    tester.power_on()
    pid = tester.pid
    tester.close()
    with pytest.raises(ProcessLookupError):
        os.kill(pid, 0)
    assert tester.board.saves >= 1
    assert not os.path.exists(tester.port)


def test_an_interpreter_that_is_none_is_refused(make_tester, tmp_path):
    program = tmp_path / "notmicropython"
    program.write_text("#!/bin/sh\necho something else\nexit 3\n")
    program.chmod(0o755)
    tester = make_tester("pass", micropython=str(program))
    with pytest.raises(VirtualTesterError, match="is no MicroPython.*status 3.*something else"):
        tester.power_on()


def test_a_missing_interpreter_says_what_to_install(monkeypatch):
    with pytest.raises(InputError, match=r"--micropython names .*pip install"):
        find_interpreter("/nowhere/micropython")
    monkeypatch.setenv("PROBELEDGER_MICROPYTHON", "/nowhere/else")
    with pytest.raises(InputError, match=r"PROBELEDGER_MICROPYTHON names '/nowhere/else'"):
        find_interpreter()
    monkeypatch.delenv("PROBELEDGER_MICROPYTHON")
    monkeypatch.setenv("PATH", "")
    monkeypatch.setattr("sys.executable", "/nowhere/python3")
    with pytest.raises(InputError, match=r"No MicroPython was found\. .*probeledger\[virtual\]"):
        find_interpreter()


def test_the_interpreter_of_the_environment_comes_before_the_one_beside_python(monkeypatch, tmp_path):
    other = tmp_path / "micropython"
    other.write_text("#!/bin/sh\n")
    other.chmod(0o755)
    monkeypatch.setenv("PROBELEDGER_MICROPYTHON", str(other))
    assert find_interpreter() == other
