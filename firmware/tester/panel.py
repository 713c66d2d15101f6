"""What the three keys do, and what display and buzzer say to it.

    home      OK: test at the chosen place; held: guided test or bake log
              BACK: the same with a flex test; held: the morning check
              NEXT: next place; held: new job
    test      BACK: stop
    check     BACK: stop    OK: take what is clipped on as the step that is missing
    verdict   OK: test again (or wait until a moving probe has settled)    NEXT: next place    BACK: home
    others    any key: home

Every test ends with a sound, and no two ends sound alike: saved (also where it is undecided), saved with FAIL, not
saved, refused or stopped, voltage. "Saved" is shown and heard only after the flash has the record.
"""

from asyncio import Event, TimeoutError, wait_for_ms

import board
from aside import Aside
from guided import probetest
from parts import buzzer
from parts.keys import BACK, NEXT, OK
from probecore import checking, findings
from probecore.calibration import CALIBRATED, DAMAGED, OVERDUE
from probecore.errors import ProbeError
from screen import pages, words

from .visit import Visit

_REFRESH_MS = 2000
_MOST_PRESSES = 4
# How long a patient test waits for a probe that cools [s].
_PATIENCE_S = 3600
_FLEX_S = 10

_CALIBRATION = {CALIBRATED: "cal. ok", OVERDUE: "cal. overdue", DAMAGED: "cal. damaged"}

_TITLES = {
    probetest.CHECK: "Checking",
    probetest.FOREIGN: "Voltage?",
    probetest.LEADS: "Leads",
    probetest.SETTLE: "Measuring",
    probetest.CONTACT: "Chassis clip",
    probetest.ISOLATION: "Isolation",
    probetest.BEND: "Bend leads",
}

_UNSAVED = {"ledger-full": "ledger is full", "ledger-none": "no ledger", "ledger-memory": "out of memory"}


class Panel:
    """The tester's face: keys in, pages and sounds out."""

    def __init__(self, tester):
        """tester: Tester whose start has been recorded: the first job number is the record's that comes next."""
        self._tester = tester
        self._canvas = tester.canvas
        self._presses = []
        self._pressed = Event()
        self._test = None
        self._morning = None
        self._patient = False
        self._fahrenheit = bool(tester.settings.get("fahrenheit"))
        self._turn = 0
        self._unsaved = 0
        self._fault = None
        self.visit = Visit(tester.store, tester.clock.seconds)

    # ------------------------------------------------------------------ keys

    def press(self, key, long):
        """Take a press from the keys' task."""
        if self._test:
            if key == BACK:
                self._test.cancel()
            elif key == OK and self._test is self._morning:
                self._morning.take()
            return
        if len(self._presses) < _MOST_PRESSES:
            self._presses.append((key, long))
        self._pressed.set()

    async def _key(self, timeout_ms):
        """Wait for a press. Returns (key, long), or None when none came in time."""
        if not self._presses:
            self._pressed.clear()
            try:
                await wait_for_ms(self._pressed.wait(), timeout_ms)
            except TimeoutError:
                return None
        return self._presses.pop(0) if self._presses else None

    async def _any_key(self):
        """Wait for a press as long as it takes. Returns (key, long)."""
        self._presses.clear()
        while True:
            press = await self._key(_REFRESH_MS)
            if press:
                return press

    async def task(self):
        """Show the home page and do what the keys say, for ever."""
        if self._fault:
            await self._any_key()
            self._fault = None
        with Aside("tester.bakecut") as bakecut:
            await bakecut.close(self._tester, self._any_key)
        while True:
            offer = self._tester.offer
            if offer and offer.open:
                self._presses.clear()
                with Aside("tester.deciding") as deciding:
                    await deciding.decide(self._tester, self._key)
            self._draw_home()
            press = await self._key(_REFRESH_MS)
            self._turn += 1
            if press is None:
                continue
            key, long = press
            if key == NEXT:
                self._choose(long)
            elif key == BACK and long:
                await self._check()
            elif key == OK and long:
                await self._more()
            else:
                await self._tests(probetest.FLEX if key == BACK else probetest.QUICK)

    def _choose(self, long):
        """Go to the next place, or begin a new job."""
        if long:
            self.visit.new_job()
            self._tester.buzzer.play(buzzer.ATTENTION)
        else:
            self.visit.next_place()

    # ------------------------------------------------------------------ home

    def _draw_home(self):
        tester = self._tester
        millivolts = tester.power.cell_millivolts()
        warnings = self._warnings(millivolts)
        pages.home(
            self._canvas,
            {
                "place": self.visit.place,
                "job": self.visit.job,
                "last": tester.store.last,
                "clock": self._time_of_day(),
                "calibration": _CALIBRATION.get(tester.calibration.state, "uncalibrated"),
                "cell_millivolts": millivolts,
                "cell_low": millivolts < board.CELL_WARN_MILLIVOLTS,
                "warning": warnings[self._turn % len(warnings)] if warnings else None,
                "safety": self._turn % 2,
                "ready": tester.bridge is not None and millivolts >= board.CELL_REFUSE_MILLIVOLTS,
            },
        )

    def _time_of_day(self):
        """Return the time as text: local where the offset is set, else UTC and marked so."""
        seconds = self._tester.clock.seconds()
        if seconds is None:
            return None
        offset_minutes = self._tester.settings.get("utc_offset_minutes")
        minutes = (seconds // 60 + (offset_minutes or 0)) % 1440
        text = "%02d:%02d" % (minutes // 60, minutes % 60)
        return text if offset_minutes is not None else text + " UTC"

    def _warnings(self, millivolts):
        """Return the lines that the home page shows in turn."""
        tester = self._tester
        found = []
        if tester.bridge is None:
            found.append("converter does not answer")
        if millivolts < board.CELL_REFUSE_MILLIVOLTS:
            found.append("cell too low: charge it")
        if tester.store.kind == "none":
            found.append("NOT SAVING: no ledger")
        elif tester.store.full:
            found.append("LEDGER FULL: pull it")
        elif tester.store.failing:
            found.append("NOT SAVING: flash fails")
        elif tester.store.kind == "internal":
            found.append("ledger chip fails: spare used")
        if self._unsaved:
            found.append("%d results NOT SAVED" % self._unsaved)
        if tester.power.usb() and not tester.settings.get("isolator"):
            found.append("USB in: bench only")
        if tester.clock.seconds() is None:
            found.append("clock is not set")
        if tester.ambient is None:
            found.append("room sensor is missing")
        if tester.lost:
            found.append("curve or limits LOST")
        if tester.curve.name != probetest.USUAL_CURVE:
            found.append(self._canvas.wrap("curve " + tester.curve.name, 1)[0])
        if tester.limits_id:
            found.append(self._canvas.wrap("limits " + tester.limits["name"], 1)[0])
        check, _ = self._about_tester()
        if check:
            found.append(words.CHECK_DUE[check])
        return found

    def _about_tester(self):
        """Return what the last check says of the tester: a finding's code or None, and the map for a record."""
        check = self._tester.checks.map()
        codes = checking.findings_of({"check": check}, self._tester.limits)
        return (codes[0] if codes else None), check

    # ------------------------------------------------------------------ morning check

    async def _check(self):
        """Run the morning check to its page, and wait for a key there."""
        tester = self._tester
        refusal = self._refusal()
        if refusal:
            pages.message(self._canvas, "Not now", refusal)
            tester.buzzer.play(buzzer.REFUSED)
        else:
            with Aside("tester.morning") as morning:
                self._morning = self._test = morning.Morning(tester)
                try:
                    if await self._morning.run():
                        self._unsaved += 1
                finally:
                    self._morning = self._test = None
        await self._any_key()

    async def _more(self):
        """Do what takes longer than a test, as the person chooses."""
        functions = (self._key, self._save, self._show, self._under_way, self._refusal, self._about_tester)
        with Aside("tester.longer") as longer:
            await longer.choose(self._tester, self.visit, functions, self._any_key, self._refused, self._bake)

    def _under_way(self, test):
        """Let BACK cancel a test and OK take what it has; None: keys are for pages again."""
        self._test = self._morning = test

    async def _bake(self):
        """Run a bake log to its page of the end."""
        refusal = self._refusal()
        if refusal:
            pages.message(self._canvas, "Not now", refusal)
            self._tester.buzzer.play(buzzer.REFUSED)
            await self._any_key()
            return
        with Aside("tester.baking") as baking:
            if await baking.Baking(self._tester, self._key, self.visit.job).run():
                self._unsaved += 1

    # ------------------------------------------------------------------ tests

    async def _tests(self, mode):
        """Run tests until a key leads back home."""
        patience_s = 0
        while mode:
            key, long, unsettled = await self._one_test(mode, patience_s)
            patience_s = _PATIENCE_S if unsettled else 0
            mode = None
            if key == OK:
                mode = probetest.QUICK
            elif key == NEXT:
                self._choose(long)

    async def _one_test(self, mode, patience_s):
        """Run one test to its page.

        Returns the key that ended the page where it means something there, whether it was held, and whether the probe
        was still moving.
        """
        tester = self._tester
        if await self._refused():
            return None, False, False
        self._patient = patience_s > 0
        async with tester.measuring:
            self._test = probetest.ProbeTest(
                tester.instruments,
                tester.calibration,
                self._progress,
                place=self.visit.place,
                job=self.visit.job,
                mode=mode,
                curve=tester.curve,
                curve_id=tester.curve_id,
                limits=tester.limits,
                limits_id=tester.limits_id,
                isolator=bool(tester.settings.get("isolator")),
                patience_s=patience_s,
                flex_s=_FLEX_S,
                check=self._about_tester()[1],
                sensor_end=self.visit.sensor_end,
            )
            try:
                body = await self._test.run()
            finally:
                self._test = None
        if body is None:
            pages.message(self._canvas, "Stopped", "The test was stopped. Nothing was saved.")
            tester.buzzer.play(buzzer.REFUSED)
            await self._any_key()
            return None, False, False
        saved, reason = await self._save(body)
        return await self._show(body, saved, reason)

    def _refusal(self):
        """Return why no test can be made now, or None."""
        tester = self._tester
        if tester.instruments is None:
            return "The converter does not answer. Switch off and on; if it stays, out of service."
        if tester.measuring.locked():
            return "The computer is measuring. Wait for its end."
        if tester.power.cell_millivolts() < board.CELL_REFUSE_MILLIVOLTS:
            return "The cell is too low to measure right. Charge it first."
        return None

    async def _refused(self):
        """Say why no test can be made now, and wait for a key; return False where there is no such reason."""
        why = self._tester.lost or self._refusal()
        if why:
            pages.message(self._canvas, "Not now", why)
            self._tester.buzzer.play(buzzer.REFUSED)
            await self._any_key()
        return bool(why)

    async def _save(self, body):
        """Keep a test's record. Returns (sequence, "") or (None, why not)."""
        mark = self._tester.settings.get("mark")
        if mark:
            body["mark"] = mark
        try:
            saved = await self._tester.keep("probe", body)
        except ProbeError as error:
            self._unsaved += 1
            self.visit.tested(body, None)
            return None, _UNSAVED.get(error.code, "flash fails")
        self.visit.tested(body, saved)
        return saved, ""

    async def _show(self, body, saved, reason):
        """Show and sound a test's end, and wait for a key."""
        canvas = self._canvas
        foreign = body["foreign"]
        unsettled = "not-settled" in body["findings"]
        sound = buzzer.SAVED if saved else buzzer.UNSAVED
        ends_home = True
        if foreign and foreign["seen"]:
            pages.stop_voltage(canvas, foreign.get("at"), saved)
            sound = buzzer.STOP
        elif body["refused"] == "usb":
            pages.usb_refused(canvas)
            sound = buzzer.REFUSED
        elif body["fault"]:
            pages.fault(canvas, "Fault", body["fault_text"], saved)
            sound = buzzer.REFUSED
        else:
            ends_home = False
            if saved and body["verdict"] == "fail":
                sound = buzzer.FAIL
            pages.verdict(canvas, self._verdict_view(body, saved, reason, unsettled))
        self._tester.buzzer.play(sound)
        key, long = await self._any_key()
        return (None if ends_home or key == BACK else key), long, unsettled

    def _verdict_view(self, body, saved, reason, unsettled):
        ambient = body["ambient"]
        wait_s = body["settling"]["wait_s"] if unsettled else None
        hint = "OK: wait" if unsettled else ""
        if body["mode"] == probetest.GUIDED:
            # Beside the line that says that nothing was saved there is no room.
            hint = "OK: next" if saved else ""
        reasons, about_tester = findings.split(body["findings"])
        return {
            "verdict": body["verdict"],
            "ohms": body["ohms"],
            "celsius": body["celsius"],
            "ambient_celsius": ambient["celsius"] if ambient else None,
            "expected_ohms": body["expected_ohms"],
            "reasons": reasons,
            "tester": words.about_tester(about_tester),
            "not_checked": body["not_checked"],
            "place": body["place"],
            "job": body["job"],
            "saved": saved,
            "unsaved": reason,
            "fahrenheit": self._fahrenheit,
            "wait_s": wait_s,
            "hint": hint,
            "detail": words.detail(body, reasons[0], self._fahrenheit) if reasons else "",
            "conclusion": words.conclusion(body),
        }

    def _progress(self, stage, value):
        """Draw what the test does now; called by the test between its readings."""
        canvas = self._canvas
        if stage == probetest.VERDICT:
            return
        title = _TITLES[stage]
        if stage == probetest.SETTLE and value:
            ohms, state = value
            celsius = self._celsius(ohms)
            if self._patient:
                pages.settling(canvas, ohms, celsius, state.slope_ohms_per_minute, state.wait_s, self._fahrenheit)
            else:
                pages.reading(canvas, title, ohms, celsius, self._fahrenheit)
        elif stage == probetest.BEND:
            if value is None:
                pages.progress(canvas, title, "Bend the harness now,", "section by section.", 0.0)
                self._tester.buzzer.play(buzzer.ATTENTION)
            else:
                pages.move_bar(canvas, value[0] / _FLEX_S)
        elif stage == probetest.ISOLATION and value is not None:
            pages.move_bar(canvas, value)
        else:
            fraction = 0.0 if stage == probetest.ISOLATION else None
            pages.progress(canvas, title, "", "", fraction)

    def _celsius(self, ohms):
        try:
            return self._tester.curve.celsius(ohms)
        except ProbeError:
            return None

    # ------------------------------------------------------------------ faults

    def show_fault(self, title, message, saved):
        """Show that a task failed; the page stays until a key is pressed."""
        self._fault = title
        self._test = None
        pages.fault(self._canvas, title, message, saved)
        self._tester.buzzer.play(buzzer.REFUSED)
