"""The bake log on the display and in the ledger: cautions, choices, one reading a second, a record every five minutes.

    cautions   OK: next; held on the last page: all so    BACK: leave
    choices    OK: start    BACK: the probe's curve; held: leave    NEXT: how long
    log        BACK held: end

Rules:
1. The log's first record stands in the ledger before the first second; each further one holds a chunk of seconds. What
   is shown as saved is there, whatever happens then.
2. The last record says why the log ended. A log without one was cut off; the next start finds it, says so, and closes
   it (`tester/bakecut.py`). It never goes on by itself.
3. One chunk is in memory. A second that was missed, because the flash took long, is a gap.
"""

import board
from guided import bakelog
from parts import buzzer
from parts.keys import BACK, NEXT, OK
from probecore import bake, calibration as calibrations, curves
from probecore.errors import ProbeError
from screen import bakes, pages

_HOURS = (1, 2, 4, 6, 8, 12)
_USUAL_HOURS = 4

_PAGE_MS = 2000
_SECOND_MS = 1000

_LOST = {"sense-lost": "a jaw has no contact", "short": "the leads are shorted", "connected": "not on this curve"}


class Baking:
    """One bake log from its cautions to its end."""

    def __init__(self, tester, key, job):
        """tester: Tester that can measure; key: coroutine function (timeout [ms]) -> (key, long) or None; job: number
        of the visit's job.
        """
        self._tester = tester
        self._canvas = tester.canvas
        self._key = key
        self._job = job
        self._fahrenheit = bool(tester.settings.get("fahrenheit"))
        self._curve = tester.curve
        self._curve_id = tester.curve_id
        self._hours = _USUAL_HOURS
        self._chunk = bake.Chunk()
        self._cycles = bake.Cycles()
        self._log: bakelog.BakeLog = bakelog.BakeLog(tester.instruments, tester.calibration, tester.curve)
        self._first = 0
        self._begun_ms = 0
        self._parts = 0
        self._last: int | None = None
        self._unsaved_s = 0

    async def run(self):
        """Run it to its page of the end, and wait for a key there. Returns whether anything could not be saved."""
        tester = self._tester
        if tester.power.usb():
            await self._refuse(bakelog.USB)
        elif await self._cautions() and await self._choose():
            async with tester.measuring:
                self._log = bakelog.BakeLog(tester.instruments, tester.calibration, self._curve)
                pages.progress(self._canvas, "Checking", back="")
                refusal = await self._log.begin() or await self._save_first()
                if refusal is None:
                    await self._measure()
            if refusal is None:
                await self._end()
            else:
                await self._refuse(refusal)
        return self._unsaved_s > 0

    # ------------------------------------------------------------------ before

    async def _press(self):
        """Wait for a key as long as it takes. Returns (key, long)."""
        while True:
            press = await self._key(_PAGE_MS)
            if press:
                return press

    async def _refuse(self, reason):
        if reason == bakelog.VOLTAGE:
            pages.stop_voltage(self._canvas, self._log.foreign.get("at") if self._log.foreign else None, None)
            self._tester.buzzer.play(buzzer.STOP)
        else:
            bakes.refused(self._canvas, reason, self._log.fault_text)
            self._tester.buzzer.play(buzzer.REFUSED)
        await self._press()

    async def _cautions(self):
        """Show the cautions. Returns whether they were confirmed."""
        index = 0
        while True:
            bakes.caution(self._canvas, index)
            key, long = await self._press()
            if key == BACK:
                return False
            if key != OK:
                continue
            if index < len(bakes.CAUTIONS) - 1:
                index += 1
            elif long:
                return True

    async def _choose(self):
        """Let length and curve be chosen. Returns whether the log shall start."""
        while True:
            bakes.choices(self._canvas, self._hours, self._curve.name)
            key, long = await self._press()
            if key == OK:
                return True
            if key == NEXT:
                self._hours = _HOURS[(_HOURS.index(self._hours) + 1) % len(_HOURS)]
            elif long:
                return False
            else:
                self._next_curve()

    def _next_curve(self):
        """Take the next curve: the one in use, then the built-in ones."""
        tester = self._tester
        names = [name for name in curves.BUILT_IN if tester.curve_id or name != tester.curve.name]
        at = names.index(self._curve.name) + 1 if self._curve is not tester.curve else 0
        if at == len(names):
            self._curve = tester.curve
            self._curve_id = tester.curve_id
        else:
            self._curve = curves.curve(names[at])
            self._curve_id = None

    # ------------------------------------------------------------------ the log

    async def _measure(self):
        """Measure second by second until the log ends."""
        log = self._log
        uptime = self._tester.uptime
        planned_s = self._hours * 3600
        second = 0
        while not log.ended:
            await self._wait_for(second)
            if log.ended:
                break
            value = await log.sample(second)
            if log.ended:
                break
            await self._add(value)
            second += 1
            # Seconds that passed meanwhile: a write that took long.
            while not log.ended and second < planned_s and uptime.ms() - self._begun_ms >= (second + 1) * _SECOND_MS:
                await self._add(None)
                second += 1
            if second >= planned_s and not log.ended:
                log.ended = bakelog.DONE
            self._draw(value, planned_s - second)

    async def _wait_for(self, second):
        """Wait until a second begins; a held BACK ends the log meanwhile."""
        while True:
            left_ms = self._begun_ms + second * _SECOND_MS - self._tester.uptime.ms()
            if left_ms <= 0:
                return
            press = await self._key(left_ms)
            if press and press[0] == BACK and press[1]:
                self._log.ended = bakelog.STOPPED
                return

    async def _add(self, value):
        """Take a second into the chunk and the cycles; a full chunk is saved."""
        self._chunk.add(value)
        self._cycles.add(value)
        if self._chunk.full:
            reason = await self._save()
            if reason:
                self._log.ended = reason
            else:
                self._chunk.begin(self._chunk.first_s + self._chunk.seconds)

    def _draw(self, value, left_s):
        log = self._log
        bakes.running(
            self._canvas,
            {
                "centicelsius": value,
                "swing": self._cycles.swing,
                "mean": self._cycles.mean(),
                "cycles": self._cycles.count,
                "left_s": left_s,
                "parts": self._parts,
                "lost_s": log.lost_s,
                "lost": _LOST.get(log.leads or "", "a clip is off"),
                "fahrenheit": self._fahrenheit,
            },
        )

    # ------------------------------------------------------------------ records

    async def _save_first(self):
        """Save the record that begins the log. Returns None, or why it could not be saved."""
        tester = self._tester
        self._first = tester.store.last + 1
        # The first second begins when this record stands.
        self._begun_ms = tester.uptime.ms() + _SECOND_MS
        return await self._save(
            {
                "planned_s": self._hours * 3600,
                "job": self._job,
                "cautions": "confirmed",
                "calibration": calibrations.to_map(tester.calibration),
            }
        )

    async def _save(self, more=None):
        """Save what the chunk holds. more: further parts of the record. Returns None, or why it could not be saved."""
        tester = self._tester
        log = self._log
        chunk = self._chunk
        body = {
            "log": self._first,
            "part": self._parts,
            "begun_ms": self._begun_ms,
            "first_s": chunk.first_s,
            "seconds": chunk.seconds,
            "base_centicelsius": chunk.base_centicelsius,
            "differences": chunk.differences(),
            "curve": self._curve.name,
            "curve_id": self._curve_id,
            "reading": log.reading,
            "reference_ohms": board.REFERENCE_OHMS,
            "tester_celsius": log.converter.celsius,
            "ambient": tester.ambient_map(),
            "cell_volts": tester.power.cell_millivolts() / 1000,
            "ended": log.ended,
        }
        if log.ended:
            body["foreign"] = log.foreign
            body["fault_text"] = log.fault_text
        body.update(more or {})
        try:
            self._last = await tester.keep("bake", body)
        except ProbeError as error:
            return error.code
        self._parts += 1
        return None

    async def _end(self):
        """Save the end, show and sound it, and wait for a key."""
        log = self._log
        tester = self._tester
        if await self._save():
            self._unsaved_s = max(1, self._chunk.seconds)
        if log.ended == bakelog.VOLTAGE:
            pages.stop_voltage(self._canvas, log.foreign.get("at") if log.foreign else None, self._saved_end())
            tester.buzzer.play(buzzer.STOP)
        else:
            bakes.ended(
                self._canvas,
                {
                    "reason": log.ended,
                    "text": log.fault_text,
                    "parts": self._parts,
                    "last": self._last,
                    "unsaved_s": self._unsaved_s,
                    "mean": self._cycles.mean(),
                    "cycles": self._cycles.count,
                    "fahrenheit": self._fahrenheit,
                },
            )
            if self._unsaved_s:
                tester.buzzer.play(buzzer.UNSAVED)
            else:
                tester.buzzer.play(buzzer.SAVED if log.ended == bakelog.DONE else buzzer.REFUSED)
        await self._press()

    def _saved_end(self):
        return None if self._unsaved_s else self._last
