"""Three keys to ground: debounced, with short and long presses.

Rules: a key counts as down when it reads so at two looks in a row, 10 ms apart. A press shorter than LONG_MS gives
(key, False) when the key goes up; one that lasts gives (key, True) at once, and nothing when it goes up. While a key is
down the others are not looked at.
"""

from asyncio import sleep_ms
from time import ticks_diff, ticks_ms

from machine import Pin
from micropython import const

BACK = "back"
OK = "ok"
NEXT = "next"

LONG_MS = const(800)
_LOOK_MS = const(10)
_IDLE_MS = const(20)


class Keys:
    """The keys; `task` runs for ever and hands each press to `pressed`."""

    def __init__(self, back, ok, next_):
        """back, ok, next_: numbers of the pins."""
        self._pins = (
            (BACK, Pin(back, Pin.IN, Pin.PULL_UP)),
            (OK, Pin(ok, Pin.IN, Pin.PULL_UP)),
            (NEXT, Pin(next_, Pin.IN, Pin.PULL_UP)),
        )

    def held(self):
        """Return the name of a key that reads as down now, or None."""
        for name, pin in self._pins:
            if not pin():
                return name
        return None

    async def task(self, pressed):
        """Look at the keys for ever. pressed: function called with (key, long)."""
        while True:
            await sleep_ms(_IDLE_MS)
            for name, pin in self._pins:
                if not pin():
                    await self._follow(name, pin, pressed)

    async def _follow(self, name, pin, pressed):
        """See one press through to its end."""
        await sleep_ms(_LOOK_MS)
        if pin():
            return
        begun_ms = ticks_ms()
        long = False
        up = 0
        while up < 2:
            await sleep_ms(_LOOK_MS)
            up = up + 1 if pin() else 0
            if not long and ticks_diff(ticks_ms(), begun_ms) >= LONG_MS:
                long = True
                pressed(name, True)
        if not long:
            pressed(name, False)
