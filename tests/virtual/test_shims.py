"""The firmware's side: machine, time, select and asyncio as on the RP2 port, in simulated time.

Pin tables, messages and constants: MicroPython's ports/rp2 (machine_pin.c, machine_spi.c, machine_i2c.c, machine_adc.c,
machine_wdt.c), and the RP2040 data sheet's table of GPIO functions (section 1.4.3).
"""

import ast
import json
import re
from pathlib import Path

import pytest

import probeledger.virtual
from probeledger.virtual import rpc
from probeledger.virtual.launcher import SHIM_BYTES

SHIMS = Path(probeledger.virtual.__file__).parent / "shims"


def results(tester, seconds=1.0):
    """Run the firmware and return what it printed as `RESULT {json}`."""
    tester.power_on()
    tester.run_for(seconds)
    found = re.findall(r"^RESULT (.*)$", tester.console, re.MULTILINE)
    assert found, tester.console
    return json.loads(found[-1])


def report(body, *, prelude=""):
    """Return a main.py that runs `body` in a function and prints what it returns."""
    lines = "\n".join("    " + line for line in body.strip().splitlines())
    return (
        f"import json, machine, micropython, time\n{prelude}\ndef run():\n{lines}\nprint('RESULT', json.dumps(run()))\n"
    )


def test_both_sides_list_the_same_operations():
    wire = (SHIMS / "_vwire.py").read_text()
    theirs = {name: int(number) for name, number in re.findall(r"^([A-Z][A-Z0-9_]*) = const\((\d+)\)$", wire, re.M)}
    assert theirs == {operation.name: operation.value for operation in rpc.Operation}


def test_every_operation_is_carried_out():
    carried_out = set(rpc._METHODS) | {rpc.Operation.PIN_READ, rpc.Operation.RESYNC}
    assert carried_out == set(rpc.Operation)


def test_the_mark_can_be_searched_without_stepping_back():
    assert rpc.RESYNC_ANSWER[1:8].count(rpc.RESYNC_ANSWER[0]) == 0


def test_shims_take_no_more_of_the_heap_than_is_added_for_them(make_tester):
    tester = make_tester("pass")
    tester.power_on()
    assert 0 < tester.shim_bytes <= SHIM_BYTES


def test_shims_are_documented():
    for path in SHIMS.glob("*.py"):
        assert ast.get_docstring(ast.parse(path.read_text())), path.name


def test_measuring_loop_allocates_nothing(make_tester):
    body = """
spi = machine.SPI(0, 2_000_000, polarity=0, phase=1, sck=machine.Pin(18), mosi=machine.Pin(19), miso=machine.Pin(16))
ready = machine.Pin(20, machine.Pin.IN)
select = machine.Pin(17, machine.Pin.OUT, value=1)
out = bytearray(4)
into = bytearray(4)
start = time.ticks_us()
micropython.heap_lock()
try:
    for index in range(50):
        out[0] = index
        select.value(0)
        spi.write_readinto(out, into)
        select(1)
        spi.write(out)
        spi.readinto(out)
        ready.value()
        select.off()
        select.on()
        time.sleep_us(50)
        time.sleep_ms(1)
        spent = time.ticks_diff(time.ticks_us(), start)
        later = time.ticks_add(time.ticks_ms(), 5)
finally:
    micropython.heap_unlock()
return [list(into), spent > 50 * 1050, later > 0]
"""
    assert results(make_tester(report(body))) == [[49 ^ 0xFF, 0, 0, 0], True, True]


def test_handlers_of_pins_run_while_the_heap_is_locked(make_tester):
    prelude = """
seen = 0
def edge(pin):
    global seen
    seen += 1
"""
    body = """
pin = machine.Pin(20, machine.Pin.IN)
irq = pin.irq(edge, machine.Pin.IRQ_FALLING)
micropython.heap_lock()
try:
    time.sleep_ms(20)
finally:
    micropython.heap_unlock()
return [seen, irq.flags() == machine.Pin.IRQ_FALLING]
"""
    tester = make_tester(report(body, prelude=prelude))
    tester.board.levels[20] = 1
    for at_us, level in ((5_000, 0), (9_000, 1), (12_000, 0)):
        tester.board.change(20, at_us, level)
    assert results(tester) == [2, True]


@pytest.mark.parametrize(
    ("wrong", "message"),
    [
        ("machine.Pin(30)", "invalid pin"),
        ("machine.Pin(-1)", "invalid pin"),
        ("machine.Pin('X1')", 'unknown named pin "X1"'),
        ("machine.SPI(2)", "SPI(2) doesn't exist"),
        # SPI0: SCK 2 6 18 22, TX 3 7 19 23, RX 0 4 16 20; SPI1: SCK 10 14 26, TX 11 15 27, RX 8 12 24 28.
        ("machine.SPI(0, sck=machine.Pin(10))", "bad SCK pin"),
        ("machine.SPI(0, sck=machine.Pin(19))", "bad SCK pin"),
        ("machine.SPI(1, mosi=machine.Pin(19))", "bad MOSI pin"),
        ("machine.SPI(1, miso=machine.Pin(16))", "bad MISO pin"),
        ("machine.I2C(2)", "I2C(2) doesn't exist"),
        # I2C0: SDA 0 4 8 12 16 20, SCL one above; I2C1: SDA 2 6 10 14 18 26, SCL one above.
        ("machine.I2C(0, scl=machine.Pin(7), sda=machine.Pin(4))", "bad SCL pin"),
        ("machine.I2C(0, scl=machine.Pin(5), sda=machine.Pin(6))", "bad SDA pin"),
        ("machine.ADC(machine.Pin(20))", "Pin doesn't have ADC capabilities"),
        ("machine.ADC(7)", "invalid channel"),
        ("machine.WDT(timeout=8389)", "timeout exceeds 8388"),
        ("machine.PWM(machine.Pin(3), freq=7, duty_u16=1)", "freq too small"),
        ("machine.SPI(0).write_readinto(bytes(2), bytearray(3))", "buffers must be the same length"),
    ],
)
def test_wrong_use_is_refused_as_on_the_board(make_tester, wrong, message):
    body = f"""
try:
    {wrong}
except ValueError as error:
    return str(error)
"""
    assert results(make_tester(report(body))) == message


def test_every_pin_of_the_design_is_valid_for_its_bus(make_tester):
    import tomllib

    from probeledger.resources import tester_file

    pins = tomllib.loads(tester_file().read_text())["pins"]
    body = f"""
p = {pins!r}
machine.SPI(0, sck=machine.Pin(p["adc_sck"]), mosi=machine.Pin(p["adc_mosi"]), miso=machine.Pin(p["adc_miso"]))
machine.SPI(1, sck=machine.Pin(p["flash_sck"]), mosi=machine.Pin(p["flash_mosi"]), miso=machine.Pin(p["flash_miso"]))
machine.I2C(0, scl=machine.Pin(p["i2c_scl"]), sda=machine.Pin(p["i2c_sda"]))
machine.ADC(machine.Pin(p["cell_sense"]))
return True
"""
    assert results(make_tester(report(body))) is True


def test_buses_and_pins_reach_the_board(make_tester):
    body = """
i2c = machine.I2C(0, freq=400_000, scl=machine.Pin(5), sda=machine.Pin(4))
got = [i2c.scan(), list(i2c.readfrom_mem(0x48, 7, 3)), i2c.writeto(0x48, b"ab"), list(i2c.readfrom(0x48, 2))]
into = bytearray(2)
i2c.readfrom_mem_into(0x48, 0x0102, into, addrsize=16)
i2c.writeto_mem(0x48, 9, b"xy")
i2c.writevto(0x48, (b"@", b"data"))
try:
    i2c.readfrom(0x20, 1)
except OSError as error:
    got.append(error.errno)
machine.SPI(1, 12_000_000, sck=10, mosi=11, miso=12).write(b"flash")
got.append(machine.ADC(machine.Pin(26)).read_u16())
got.append(machine.ADC(0).read_u16())
got.append(machine.ADC(machine.ADC.CORE_TEMP).read_u16())
buzzer = machine.PWM(machine.Pin(3), freq=2000, duty_u16=32768)
time.sleep_ms(20)
buzzer.deinit()
key = machine.Pin(15, machine.Pin.IN, machine.Pin.PULL_UP)
line = machine.Pin(2, machine.Pin.OPEN_DRAIN, value=0)
low = line.value()
line.value(1)
got += [key.value(), low, machine.Pin("LED") == machine.Pin(25), list(into), len(machine.unique_id())]
return got
"""
    tester = make_tester(report(body))
    got = results(tester)
    # EIO is what the RP2's I2C gives where nobody answers.
    assert got == [[0x48], [7, 8, 9], 2, [97, 98], 5, 26000, 26000, 4000, 1, 0, True, [1, 2], 8]
    board = tester.board
    assert board.i2c[-3:] == [b"\x01\x02", b"\x09xy", b"@data"]
    assert board.spi == [(1, b"flash")]
    assert board.spi_settings[1] == (12_000_000, 0, 0)
    assert board.tones == [(3, 2000, 32768), (3, 0, 0)]
    assert board.modes[15] == ("in", "up")
    assert board.modes[2][0] == "in"


def test_ticks_wrap_as_on_the_board(make_tester):
    # The wrap at 2**30 is the RP2 port's (MICROPY_PY_TIME_TICKS_PERIOD on 31-bit small integers).
    body = """
time.sleep(1073)
before = time.ticks_us()
time.sleep_ms(1000)
after = time.ticks_us()
return [before > 2**30 - 1_000_000, after < 10_000_000, time.ticks_diff(after, before), time.ticks_add(2**30 - 1, 2)]
"""
    got = results(make_tester(report(body)), 1200)
    assert got[:2] == [True, True]
    assert 1_000_000 <= got[2] < 1_000_100
    assert got[3] == 1


def test_a_loop_that_only_looks_at_the_clock_ends(make_tester):
    body = """
start = time.ticks_ms()
while time.ticks_diff(time.ticks_ms(), start) < 30:
    pass
return time.ticks_diff(time.ticks_ms(), start)
"""
    assert 30 <= results(make_tester(report(body))) < 32


def test_a_loop_that_waits_for_a_pin_ends_when_the_pin_changes(make_tester):
    body = """
pin = machine.Pin(20, machine.Pin.IN)
start = time.ticks_us()
while pin.value():
    pass
return time.ticks_diff(time.ticks_us(), start)
"""
    tester = make_tester(report(body))
    tester.board.levels[20] = 1
    tester.board.change(20, 50_000, 0)
    assert 49_000 < results(tester) < 50_100


def test_the_board_s_clock(make_tester):
    body = """
rtc = machine.RTC()
first = rtc.datetime()
rtc.datetime((2026, 11, 25, 2, 8, 0, 0, 0))
time.sleep(3600)
return [list(first), list(rtc.datetime()), time.time(), list(time.gmtime()), list(time.localtime(0))]
"""
    got = results(make_tester(report(body)), 4000)
    # The RP2 port starts its clock at 2021-01-01, a Friday; 2026-11-25 is a Wednesday (weekday 2).
    assert got[0] == [2021, 1, 1, 4, 0, 0, 0, 0]
    assert got[1] == [2026, 11, 25, 2, 9, 0, 0, 0]
    # 1795597200: date -u -d '2026-11-25 09:00:00' +%s (GNU coreutils)
    assert got[2] == 1795597200
    assert got[3] == [2026, 11, 25, 9, 0, 0, 2, 329]
    assert got[4] == [1970, 1, 1, 0, 0, 0, 3, 1]


def test_timers(make_tester):
    prelude = """
beats = []
def beat(timer):
    beats.append(time.ticks_ms())
"""
    body = """
again = machine.Timer(period=100, mode=machine.Timer.PERIODIC, callback=beat)
machine.Timer(-1, period=250, mode=machine.Timer.ONE_SHOT, callback=lambda timer: beats.append(-1))
time.sleep_ms(420)
again.deinit()
time.sleep_ms(300)
return beats
"""
    got = results(make_tester(report(body, prelude=prelude)))
    assert [b for b in got if b < 0] == [-1]
    assert got.index(-1) == 2
    assert [round(b, -1) for b in got if b > 0] == [100, 200, 300, 400]


def test_asyncio_runs_in_simulated_time(make_tester):
    body = """
import asyncio
log = []

async def worker(name, period_ms, times):
    for _ in range(times):
        await asyncio.sleep_ms(period_ms)
        log.append((name, time.ticks_ms() // 100))
    return name

async def forever():
    try:
        while True:
            await asyncio.sleep(1)
    except asyncio.CancelledError:
        log.append(("cancelled", time.ticks_ms() // 100))
        raise

async def main():
    other = asyncio.create_task(forever())
    slow = asyncio.create_task(worker("slow", 3_600_000, 2))
    names = await asyncio.gather(worker("a", 1000, 2), worker("b", 700, 2))
    lock = asyncio.Event()
    asyncio.create_task(setter(lock))
    await lock.wait()
    log.append(("event", time.ticks_ms() // 100))
    try:
        await asyncio.wait_for_ms(worker("late", 5000, 1), 500)
    except asyncio.TimeoutError:
        log.append(("timeout", time.ticks_ms() // 100))
    other.cancel()
    names.append(await slow)
    return names

async def setter(event):
    await asyncio.sleep_ms(100)
    event.set()

return [asyncio.run(main()), log]
"""
    names, log = results(make_tester(report(body)), 7300)
    assert names == ["a", "b", "slow"]
    assert log == [
        ["b", 7],
        ["a", 10],
        ["b", 14],
        ["a", 20],
        ["event", 21],
        ["timeout", 26],
        ["cancelled", 26],
        ["slow", 36000],
        ["slow", 72000],
    ]


def test_an_uncaught_error_in_a_task_is_reported(make_tester):
    main = """
import asyncio
async def bad():
    raise ValueError("from the task")
async def run():
    asyncio.create_task(bad())
    await asyncio.sleep(1)
    print("still here")
asyncio.run(run())
"""
    tester = make_tester(main)
    tester.power_on()
    tester.run_for(2)
    assert "ValueError: from the task" in tester.console
    assert "still here" in tester.console
