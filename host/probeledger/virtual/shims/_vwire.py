"""The wire from the firmware's interpreter to the process that holds chips, circuit and simulated time.

Runs on MicroPython's Unix port. Every request is four 64-bit integers (operation, two arguments, microseconds that
passed here since the last request) and a payload; every answer is three (value, events, microseconds since power-on)
and a payload of a length that both sides know. `probeledger.virtual.rpc` is the other end and lists the operations.

Nothing here allocates, so that it works under `micropython.heap_lock()`: arrays of type "l" give small integers
(type "q" would make a big integer of each), the buffers are made once, and a payload is read straight into the
caller's buffer.

Ctrl-C comes as a bit of an answer while the firmware makes requests. Only a program that makes none gets a signal,
and this interpreter raises KeyboardInterrupt right out of its signal handler, anywhere. Should that ever be in the
middle of a request, nobody can tell how far it got: both sides then meet again at a mark that cannot be missed.
"""

import os
from array import array
from micropython import const, schedule

HELLO = const(1)
SYNC = const(2)
SLEEP = const(3)
POLL = const(4)
PIN_CONFIGURE = const(5)
PIN_WRITE = const(6)
PIN_READ = const(7)
SPI_CONFIGURE = const(8)
SPI_TRANSFER = const(9)
SPI_WRITE = const(10)
SPI_READ = const(11)
I2C_CONFIGURE = const(12)
I2C_WRITE = const(13)
I2C_READ = const(14)
I2C_SCAN = const(15)
ADC_READ = const(16)
PWM_SET = const(17)
RTC_SET = const(18)
WDT_START = const(19)
WDT_FEED = const(20)
TIMER_START = const(21)
TIMER_STOP = const(22)
IRQ_SET = const(23)
IRQ_FLAGS = const(24)
RESET = const(25)
UNIQUE_ID = const(26)
RESET_CAUSE = const(27)
READY = const(28)
RESYNC = const(29)

# Bit of an answer's events: Ctrl-C was typed.
_INTERRUPT = const(1 << 60)
# Its first byte (the lowest) appears nowhere else in the mark, so a search for the mark never has to step back.
_MARK = const(0x5EC0DE5EC0DE5EA7)

# A call of ticks_ms and the loop around it take some microseconds on an RP2040 at 125 MHz. With it, a loop that
# waits for ticks_ms alone comes to its end.
_TICKS_COST_US = const(3)
# Time that may pass here before the other side hears of it (its timers and keys act meanwhile).
_UNTOLD_US = const(2000)
_TICKS_MASK = const(0x3FFFFFFF)
_TICKS_HALF = const(0x20000000)

_NOTHING = bytearray(0)
_request = array("l", (0, 0, 0, 0))
_reply = array("l", (0, 0, 0))
_byte = bytearray(1)
_mark = bytes(array("l", (_MARK, _MARK, _MARK)))
_to_world = open(int(os.getenv("PROBELEDGER_WIRE_OUT")), "wb", 0)
_from_world = open(int(os.getenv("PROBELEDGER_WIRE_IN")), "rb", 0)
_write = _to_world.write
_readinto = _from_world.readinto

now_us = 0
_untold_us = 0
handlers = {}
_events = 0
_scheduled = False
_enabled = True


def call(operation, a, b, data, into):
    """Send one request with its payload, wait for the answer, return its value. Does not allocate."""
    global now_us, _untold_us
    _request[0] = operation
    _request[1] = a
    _request[2] = b
    _request[3] = _untold_us
    _untold_us = 0
    try:
        _write(_request)
        _write(data)
        got = _readinto(_reply)
        _readinto(into)
    except KeyboardInterrupt:
        _resync()
        raise
    if not got:
        # The other side has ended: so does this one.
        os.system("kill -9 $PPID")
    now_us = _reply[2]
    events = _reply[1]
    if events:
        if events & _INTERRUPT:
            raise KeyboardInterrupt
        _raise_events(events)
    return _reply[0]


def _resync():
    """Send the mark and read up to its answer, whatever was under way."""
    while True:
        try:
            _request[0] = RESYNC
            _request[1] = _request[2] = _request[3] = _MARK
            _write(_request)
            found = 0
            while found < 24:
                _readinto(_byte)
                found = found + 1 if _byte[0] == _mark[found] else 1 if _byte[0] == _mark[0] else 0
            return
        except KeyboardInterrupt:
            pass


def do(operation, a=0, b=0):
    """Send a request without payloads and return the answer's value. Does not allocate."""
    return call(operation, a, b, _NOTHING, _NOTHING)


def send(operation, a, b, data):
    """Send a request with a payload and return the answer's value. Does not allocate."""
    return call(operation, a, b, data, _NOTHING)


def fetch(operation, a, b, into):
    """Send a request whose answer fills the buffer `into`. Does not allocate."""
    return call(operation, a, b, _NOTHING, into)


def _raise_events(events):
    global _events, _scheduled
    _events |= events
    if _enabled and not _scheduled:
        _scheduled = True
        schedule(_dispatch, None)


def _dispatch(_):
    """Call the handlers of pins (bits 0 to 29) and timers (bits 32 and up) that have something to tell."""
    global _events, _scheduled
    _scheduled = False
    events = _events
    _events = 0
    bit = 0
    while events:
        if events & 1:
            handler = handlers.get(bit)
            if handler is not None:
                handler[0](handler[1])
        events >>= 1
        bit += 1


def enable(on):
    """Let handlers run, or hold them back; return what was so before."""
    global _enabled
    before = _enabled
    _enabled = on
    if on and _events:
        _raise_events(0)
    return before


def ticks_us():
    """Return simulated microseconds since power-on, modulo 2**30. Does not allocate."""
    global now_us, _untold_us
    now_us += _TICKS_COST_US
    _untold_us += _TICKS_COST_US
    if _untold_us > _UNTOLD_US:
        call(SYNC, 0, 0, _NOTHING, _NOTHING)
    return now_us & _TICKS_MASK


def ticks_ms():
    """Return simulated milliseconds since power-on, modulo 2**30. Does not allocate."""
    ticks_us()
    return (now_us // 1000) & _TICKS_MASK


def ticks_add(ticks, delta):
    """Return ticks moved by `delta`, modulo 2**30. Does not allocate."""
    return (ticks + delta) & _TICKS_MASK


def ticks_diff(end, start):
    """Return the signed difference of two ticks, modulo 2**30. Does not allocate."""
    return ((end - start + _TICKS_HALF) & _TICKS_MASK) - _TICKS_HALF


def sleep_us(us):
    """Let simulated microseconds pass; handlers of pins and timers run meanwhile. Does not allocate."""
    deadline_us = now_us + us
    while now_us < deadline_us:
        call(SLEEP, deadline_us - now_us, 0, _NOTHING, _NOTHING)


def sleep_ms(ms):
    """Let simulated milliseconds pass."""
    sleep_us(ms * 1000)


def sleep(seconds):
    """Let simulated seconds pass."""
    sleep_us(int(seconds * 1_000_000))


def wait(us):
    """Let at most `us` microseconds pass (-1: no end), less when bytes come from the host or a handler ran."""
    call(POLL, us, 0, _NOTHING, _NOTHING)
