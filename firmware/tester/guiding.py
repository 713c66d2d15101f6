"""The guided test on the display: pages and keys for the states of probecore.guide.

What the panel has already, keys, saving, the page of a verdict, is used as it is.
"""

import gc
from collections import namedtuple

from aside import Aside
from guided import guidedtest, probetest
from parts import buzzer
from probecore import curves, guide, limits
from probecore.errors import ProbeError
from screen import guides, pages, words

from . import tickets

_REFRESH_MS = 2000
_PATIENCE_S = 3600
_FLEX_S = 10

_TITLES = {
    probetest.CHECK: "Checking",
    probetest.FOREIGN: "Voltage?",
    probetest.LEADS: "Leads",
    probetest.CONTACT: "Chassis clip",
    probetest.ISOLATION: "Isolation",
}
# Questions that a person at the clips has to hear.
_CALLING = ("odd", "chassis", "slipped", "ask-flex", "came-off")
# What the panel lends: coroutine functions key (timeout [ms]) -> (key, long) or None, save (body) -> (sequence, why
# not), show (body, sequence, why not) -> (key, long, unsettled); functions under_way (test or None), refusal -> text or
# None, check -> (finding's code, map for a record).
Hands = namedtuple("Hands", ("key", "save", "show", "under_way", "refusal", "check"))

_NO_TICKET = (None, "")
_BY_DIGITS = ("", "")


class Guiding:
    """One guided session: a confirmation, and as many tests as are made on it."""

    def __init__(self, tester, visit, hands):
        """tester: Tester that can measure; visit: Visit; hands: Hands."""
        self._tester = tester
        self._canvas = tester.canvas
        self._visit = visit
        self._hands = hands
        self._guide = guide.Guide()
        self._made_safe: dict | None = None
        self._chosen_curve = (tester.curve, tester.curve_id)
        self._chosen_limits = (tester.limits, tester.limits_id)
        self._tickets = tickets.kept(tester.store)
        self._ended: tuple = (None, None, "")
        self._why = ""
        self._test = self._new_test()

    async def run(self):
        """Guide from the first page to the last."""
        machine = self._guide
        try:
            while machine.state != guide.END:
                state = machine.state
                machine.take(await self._event(state))
        finally:
            self._hands.under_way(None)

    async def _event(self, state):
        """Return the event that a state ends with."""
        if state in guide.MEASURING:
            return await self._measure(state)
        self._hands.under_way(None)
        if state in _CALLING and (state != "ask-flex" or self._test.flexible):
            self._tester.buzzer.play(buzzer.ATTENTION)
        # Pages that need no more than a drawing and a key have none of their own.
        page = getattr(self, "_" + state.replace("-", "_"), None)
        if page:
            return await page()
        if state in ("saved", "unsaved", "stop", "fault", "usb"):
            key, _, _ = await self._hands.show(*self._ended)
            return key or "back"
        guides.question(self._canvas, state)
        if state == "stopped":
            self._tester.buzzer.play(buzzer.REFUSED)
        return await self._press()

    async def _press(self):
        """Wait for a press. Returns its event."""
        while True:
            press = await self._hands.key(_REFRESH_MS)
            if press:
                return guide.event_of(*press)

    # ------------------------------------------------------------------ before

    async def _off(self):
        tester = self._tester
        self._made_safe = None
        if tester.power.usb() and not tester.settings.get("isolator"):
            self._test = self._new_test()
            self._test.refuse_usb()
            return "usb"
        hint = False
        while True:
            guides.off(self._canvas, hint)
            event = await self._press()
            if event == "hold":
                self._made_safe = {"time": tester.clock.seconds(), "ms": tester.uptime.ms()}
                tester.buzzer.play(buzzer.ATTENTION)
            if event != "ok" and event != "next":
                return event
            hint = True

    async def _menu(self, title, menu, shown):
        """Let the person choose. shown: function from an entry to its two lines. Returns the event."""
        while True:
            guides.menu(self._canvas, title, [shown(entry) for entry in menu.entries], menu.at)
            event = menu.take(await self._press())
            if event:
                return event

    async def _ticket(self):
        entries = self._tickets + [_BY_DIGITS, _NO_TICKET]
        numbers = [number for number, _ in entries]
        wanted = self._visit.ticket
        if wanted and wanted not in numbers:
            # One that was entered by digits.
            entries.insert(0, (wanted, ""))
            numbers.insert(0, wanted)
        menu = guide.Menu(entries, numbers.index(wanted) if wanted else 0)
        event = await self._menu("Which ticket?", menu, _shown_ticket)
        if event == "chosen":
            if menu.entry is _BY_DIGITS:
                return "digits"
            self._visit.begin(menu.entry[0])
        return event

    async def _digits(self):
        entered = guide.Digits()
        while True:
            label = ""
            for number, about in self._tickets:
                if number == entered.text:
                    label = about
            guides.digits(self._canvas, entered.text, entered.digit, label)
            event = entered.take(await self._press())
            if event == "chosen":
                self._visit.begin(entered.text)
            if event:
                return event

    async def _place(self):
        at = words.PLACES.index(self._visit.place)
        if self._guide.before == "next-step":
            at = (at + 1) % len(words.PLACES)
        menu = guide.Menu(list(words.PLACES), at)
        event = await self._menu("Where?", menu, _shown_place)
        if event == "chosen":
            self._visit.go_to(menu.entry)
        return event

    async def _setup(self):
        guides.setup(self._canvas, _name(self._chosen_curve[0]), _name(self._chosen_limits[0]))
        return await self._press()

    async def _curve(self):
        event, self._chosen_curve = await self._choose("curve", "Which curve?", self._chosen_curve)
        return event

    async def _limits(self):
        event, self._chosen_limits = await self._choose("limits", "Which limits?", self._chosen_limits)
        return event

    async def _choose(self, kind, title, chosen):
        """Let the person choose a curve or limits, the present one first. Returns the event and (what, id or None)."""
        store = self._tester.store
        entries = [(_name(chosen[0]), chosen[1])]
        with Aside("tester.shelf") as shelf:
            found = [(name, None) for name in shelf.definition.built_in_names(kind)]
            found.extend([entry[:2] for entry in shelf.kept(store, kind)])
        entries.extend([entry for entry in found if entry != entries[0]])
        menu = guide.Menu(entries)
        event = await self._menu(title, menu, _shown_definition)
        if event != "chosen" or menu.at == 0:
            return event, chosen
        name, wanted = menu.entry
        with Aside("tester.shelf") as shelf:
            if wanted is None:
                return event, (curves.curve(name) if kind == "curve" else limits.DOMESTIC_1000, None)
            for _, each, data in shelf.kept(store, kind):
                if each == wanted:
                    return event, (shelf.definition.read(kind, data), wanted)
        # Gone since the list was drawn, by a hand on the link: the present one stays, and the page shows it.
        return None, chosen

    async def _leads(self):
        guides.leads(self._canvas, self._visit.place, self._visit.ticket)
        return await self._press()

    # ------------------------------------------------------------------ measuring

    def _new_test(self):
        tester = self._tester
        visit = self._visit
        gc.collect()
        return guidedtest.GuidedTest(
            tester.instruments,
            tester.calibration,
            self._progress,
            place=visit.place,
            ticket=visit.ticket,
            job=visit.job,
            mode=probetest.GUIDED,
            curve=self._chosen_curve[0],
            curve_id=self._chosen_curve[1],
            limits=self._chosen_limits[0],
            limits_id=self._chosen_limits[1],
            isolator=bool(tester.settings.get("isolator")),
            patience_s=_PATIENCE_S,
            flex_s=_FLEX_S,
            check=self._hands.check()[1],
            sensor_end=visit.sensor_end,
            made_safe=self._made_safe,
        )

    async def _measure(self, state):
        """Do a measuring state. Returns its event."""
        tester = self._tester
        if state == "voltage":
            self._why = tester.lost or self._hands.refusal()
            if self._why:
                return "refused"
            self._test = self._new_test()
        self._hands.under_way(self._test)
        async with tester.measuring:
            return await self._test.step(state)

    def _progress(self, stage, value):
        """Draw what is done now; called by the test between its readings."""
        canvas = self._canvas
        if stage == probetest.SETTLE:
            self._draw_settling(value)
        elif stage == probetest.BEND:
            if value is None:
                pages.progress(canvas, "Bend leads", "Bend the harness now,", "section by section.", 0.0)
                self._tester.buzzer.play(buzzer.ATTENTION)
            else:
                pages.move_bar(canvas, value[0] / _FLEX_S)
        elif stage == probetest.ISOLATION and value is not None:
            pages.move_bar(canvas, value)
        elif stage in _TITLES:
            pages.progress(canvas, _TITLES[stage], "", "", 0.0 if stage == probetest.ISOLATION else None)

    def _draw_settling(self, value):
        if value is None:
            pages.progress(self._canvas, "Measuring")
            return
        ohms, state = value
        try:
            celsius = self._chosen_curve[0].celsius(ohms)
        except ProbeError:
            celsius = None
        fahrenheit = bool(self._tester.settings.get("fahrenheit"))
        if state.settled or state.slope_ohms_per_minute is None:
            pages.reading(self._canvas, "Measuring", ohms, celsius, fahrenheit)
        else:
            slope = state.slope_ohms_per_minute
            pages.settling(self._canvas, ohms, celsius, slope, state.wait_s, fahrenheit, "TAKE IT")

    async def _odd(self):
        guides.question(self._canvas, self._test.body["leads"])
        event = await self._press()
        return self._test.kept if event == "next" else event

    async def _ask_flex(self):
        if not self._test.flexible:
            return "next"
        guides.question(self._canvas, "ask-flex")
        return await self._press()

    async def _not_now(self):
        guides.not_now(self._canvas, self._why)
        self._tester.buzzer.play(buzzer.REFUSED)
        return await self._press()

    # ------------------------------------------------------------------ after

    async def _judge(self):
        body = self._test.judge()
        saved, reason = await self._hands.save(body)
        self._ended = (body, saved, reason)
        foreign = body["foreign"]
        if foreign and foreign["seen"]:
            return "voltage"
        if body["refused"]:
            return "refusal"
        if body["fault"]:
            return "fault"
        return "kept" if saved else "lost"

    async def _next_step(self):
        guides.next_step(self._canvas, *self._ended[:2])
        return await self._press()


def _name(made):
    return made["name"] if isinstance(made, dict) else made.name


def _shown_ticket(entry):
    number, about = entry
    if number is None:
        return "none", "the shop assigns it later"
    return (number, about) if number else ("by digits", "")


def _shown_place(place):
    return words.PLACE[place], words.PLACE_SMALL[place]


def _shown_definition(entry):
    return entry[0], "sent by the shop" if entry[1] else "built in"
