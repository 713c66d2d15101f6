"""MicroPython's own tool works against the virtual tester as against a board."""

import time

MAIN = """
import asyncio
async def main():
    while True:
        await asyncio.sleep(1)
print("main.py runs")
asyncio.run(main())
"""


def test_exec_files_and_resets(make_tester, mpremote, tmp_path):
    tester = make_tester(MAIN, plugged=True)
    tester.power_on()
    assert mpremote(tester.port, "exec", "print(1 + 1)") == "2\n"
    assert "main.py" in mpremote(tester.port, "fs", "ls")

    note = tmp_path / "note.txt"
    note.write_text("from the computer\n" * 200)
    mpremote(tester.port, "fs", "cp", str(note), ":note.txt")
    assert mpremote(tester.port, "fs", "cat", ":note.txt") == note.read_text()
    assert (tester.state.path / "internal" / "note.txt").read_text() == note.read_text()
    mpremote(tester.port, "fs", "rm", ":note.txt")

    # A soft reset from the raw prompt runs boot.py but not main.py; `resume` then makes none of its own.
    starts = tester.console.count("main.py runs")
    mpremote(tester.port, "soft-reset")
    assert mpremote(tester.port, "resume", "exec", "import time; print(time.ticks_ms() >= 0)") == "True\n"
    assert tester.console.count("main.py runs") == starts

    # A reset of the microcontroller runs it again.
    mpremote(tester.port, "reset")
    deadline_s = time.monotonic() + 30
    while tester.console.count("main.py runs") == starts:
        tester.join(0.01)
        assert time.monotonic() < deadline_s
    assert mpremote(tester.port, "exec", "import machine; print(machine.reset_cause())") == "3\n"


def test_a_sleep_of_ten_minutes_is_simulated(make_tester, mpremote):
    tester = make_tester(MAIN, plugged=True, usb_pace=None)
    tester.power_on()
    code = "import time; t = time.ticks_ms(); time.sleep(600); print(time.ticks_diff(time.ticks_ms(), t))"
    assert mpremote(tester.port, "exec", code) == "600000\n"
    assert tester.now_us >= 600_000_000


def test_run_of_a_local_script(make_tester, mpremote, tmp_path):
    tester = make_tester(MAIN, plugged=True)
    tester.power_on()
    script = tmp_path / "script.py"
    script.write_text("import machine\nprint(machine.SPI(0, 1_000_000).read(2))\n" + "# padding\n" * 300)
    assert mpremote(tester.port, "run", str(script)) == "b'\\xff\\xff'\n"
