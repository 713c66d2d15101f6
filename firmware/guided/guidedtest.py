"""The guided test's measuring: each measuring state of probecore.guide done with the probe test's own stages.

The interlocks are the probe test's. Besides, USB is looked for before each state, the leads are looked at again after
the isolation and after bending, and where a clip slipped the values that were under way are dropped.
"""

from measure import bridge as bridges, contact, ranges
from probecore import verdict
from probecore.errors import ProbeError

from . import probetest

# By how much one element's two looks may differ [1] and [ohm]: a look at gain 1 resolves about 0.1 %, and an element
# that still cools moves by less than this between them.
_SAME_SHARE = 0.02
_SAME_OHMS = 1.0


class GuidedTest(probetest.ProbeTest):
    """One guided test: `step` does a measuring state and returns the event, `judge` the record's body.

    Choices besides those of ProbeTest: made_safe, map of the confirmation that the appliance is off.
    """

    def __init__(self, *args, **choices):
        """Take what ProbeTest takes."""
        super().__init__(*args, **choices)
        self._enough = False
        self._seen: bridges.Look = bridges.Look(None, None, None, None)
        self.body = self._empty_body()

    def take(self):
        """Take the value as it is, of a probe that still moves."""
        self._enough = True

    def _cancelled(self):
        return self._given_up or self._enough

    def _empty_body(self):
        body = super()._empty_body()
        body["made_safe"] = self._choices.get("made_safe")
        for name, wanted in (("curve_id", "curve_id"), ("profile_id", "limits_id")):
            if self._choices[wanted]:
                body[name] = self._choices[wanted]
        return body

    async def step(self, state):
        """Do what a measuring state is for. Returns its event of probecore.guide; the drivers are off then."""
        try:
            if self._instruments.usb_present() and not self._choices["isolator"]:
                self.refuse_usb()
                return "usb"
            event = await getattr(self, "_" + state)()
            # A voltage is told also to one who gives up.
            return "cancel" if self._given_up and event != "seen" else event
        except probetest.Cancelled:
            return "cancel"
        except ProbeError as fault:
            self.body["fault"] = fault.code
            self.body["fault_text"] = fault.message
            return "failed"
        finally:
            self._front.off()

    def refuse_usb(self):
        """Drop what was measured: the computer's earth is part of the circuit now."""
        self.body = self._empty_body()
        self.body["refused"] = "usb"

    def judge(self):
        """Judge what was measured. Returns the record's body."""
        self._judge()
        return self.body

    @property
    def flexible(self):
        """Whether bending the leads can show anything."""
        return self.body["leads"] == verdict.CONNECTED and self.body["range"] == ranges.LOW

    @property
    def kept(self):
        """The event with which leads that look odd are taken as they are."""
        return "end" if self.body["leads"] == verdict.SENSE_LOST else "keep"

    async def _voltage(self):
        self.body = self._empty_body()
        self._stage(probetest.CHECK)
        self._check = await self._bridge.check()
        self.body["tester_celsius"] = self._check.celsius
        self._stage(probetest.FOREIGN)
        return "seen" if await self._voltage_seen(True) else "clear"

    async def _look(self):
        self._stage(probetest.LEADS)
        self._bridge.two_wire = self._choices["two_wire"]
        self._seen = await self._bridge.look()
        self.body["leads"] = self._seen.leads
        self.body["note"] = self._seen.note
        return "connected" if self._seen.leads == verdict.CONNECTED else "odd"

    async def _settle(self):
        look = self._seen
        if look.plan:
            # A person may have been at the clips since the look.
            if await self._voltage_seen(False):
                return "seen"
            self._enough = False
            try:
                if not await self._resistance(look):
                    return "seen"
            finally:
                self._enough = False
        return "measured" if self.body["leads"] == look.leads else "slip"

    async def _contact(self):
        self._stage(probetest.CONTACT)
        return await self._prove()

    async def _prove(self):
        """Prove that the chassis clip touches metal; without it there is no isolation."""
        if await self._voltage_seen(False):
            return "seen"
        touch = await contact.prove(self._front, self._check.supply_volts)
        self.body["contact"] = {"proven": touch.proven, "ohms": touch.ohms, "follows": touch.follows}
        if not touch.proven:
            self.body["isolation"] = None
        return "proven" if touch.proven else "unproven"

    async def _isolation(self):
        # Proves the contact once more: only what is proven at the time of the measurement counts.
        if not await super()._isolation():
            return "seen"
        return "measured" if self.body["contact"]["proven"] else "unproven"

    async def _still(self):
        # A clip that fell off during the isolation would have measured nothing, and called it good.
        proven = await self._prove()
        if proven != "proven":
            return proven
        return "same" if await self._is_same() else "slip"

    async def _is_same(self):
        """Tell whether the leads show what they showed at first."""
        look = await self._bridge.look()
        if look.leads != self.body["leads"]:
            return False
        ohms = self.body["ohms"]
        if ohms is None or look.ohms is None:
            return True
        return abs(look.ohms - ohms) <= _SAME_SHARE * abs(ohms) + _SAME_OHMS

    async def _flex(self):
        if await self._voltage_seen(False):
            return "seen"
        await super()._flex()
        return "same" if await self._is_same() else "slip"

    async def _last(self):
        self._stage(probetest.FOREIGN)
        return "seen" if await self._voltage_seen(False) else "clear"
