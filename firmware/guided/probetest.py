"""The probe test: every measurement in its order, each behind its interlock, and a record's body at the end.

    1  USB            refused without a declared isolator: the computer's earth would become part of the circuit
    2  converter      registers, offset, supply; a fault stops everything
    3  foreign        nothing is driven before the leads were looked at; a voltage stops everything
    4  leads          connected, open, short, a jaw without contact
    5  settle         readings until the slope is known; the newest make the value
    6  contact        the chassis clip's jaws on metal, or no isolation counts
    7  foreign again  the leads once more, before the chassis is driven
    8  isolation      each lead, both polarities
    9  flex           when asked for
    10 foreign again  was the voltage there only later?
    11 verdict        probecore.verdict on the whole

A quick test takes 4.3 s of conversions and settling. Nothing is saved here: the caller appends the body to the ledger.
"""

from collections import namedtuple

import board
from aside import Aside
from measure import bridge as bridges, contact, flex, isolation, ranges, settle
from measure.foreign import ForeignVoltage
from probecore import calibration as calibrations, curves, limits, verdict
from probecore.errors import ProbeError, RangeError

QUICK = "quick"
FLEX = "flex"
GUIDED = "guided"

# Stages as the progress callback names them.
CHECK = "check"
FOREIGN = "foreign"
LEADS = "leads"
SETTLE = "settle"
CONTACT = "contact"
ISOLATION = "isolation"
BEND = "flex"
VERDICT = "verdict"

STAGES = (CHECK, FOREIGN, LEADS, SETTLE, CONTACT, ISOLATION, BEND, VERDICT)

# By how much an element's temperature may change between two tests of one visit (assumed) [degC].
_U_VISIT_CELSIUS = 0.08
# Where the range of a curve does not tell how warm an element is.
_ROOM_CELSIUS = 25.0

# What the test works with: FrontEnd, Bridge; functions that return the ambient's map or None, whether USB has power,
# and the cell's volts.
Instruments = namedtuple("Instruments", ("front", "bridge", "ambient", "usb_present", "cell_volts"))

USUAL_CURVE = "pt1000-3850"

_DEFAULTS: dict = {
    "place": "sensor",
    "ticket": None,
    "job": 0,
    "mode": QUICK,
    "curve": USUAL_CURVE,  # a built-in one's name, or a curve
    "curve_id": None,  # of a curve that the shop has sent
    "limits": limits.DOMESTIC_1000,
    "limits_id": None,
    "isolator": False,  # a USB isolator is declared
    "two_wire": False,
    "zero_ohms": 0.0,  # of two-wire leads
    "zero_power": False,  # measure self-heating too: 1.7 s more
    "patience_s": 0,  # how long to wait for a probe to settle
    "flex_s": 10,
    "mains_hz": 50,
    "check": None,  # what the last morning check says of the tester, for the record and the findings
    "sensor_end": None,  # (ohms, u_ohms, sequence, verdict) of the test at the sensor, for the harness
}


class Cancelled(Exception):
    """The test was given up by its caller."""


class ProbeTest:
    """One probe test. `run` does it, `cancel` gives it up at the next chance."""

    def __init__(self, instruments, calibration, progress=None, **choices):
        """instruments: Instruments; calibration: Calibration; progress: called as progress(stage, value), or None.

        choices: any of place, ticket, job, mode, curve, curve_id, limits, limits_id, isolator, two_wire, zero_ohms
        [ohm], zero_power, patience_s [s], flex_s [s], mains_hz [Hz], check, sensor_end (ohms, u_ohms, sequence,
        verdict). Values of progress: None when a stage begins; (ohms, Settled) in "settle"; a share in "isolation";
        (seconds, FlexCounter) in "flex"; the Judgement in "verdict". The callback may draw; in "flex" it has
        to be done within 5 ms.
        """
        self._instruments = instruments
        self._front = instruments.front
        self._bridge = instruments.bridge
        self._calibration = calibration
        self._progress = progress
        self._choices = dict(_DEFAULTS)
        self._choices.update(choices)
        chosen = self._choices["curve"]
        self._curve = curves.curve(chosen) if isinstance(chosen, str) else chosen
        self._foreign = ForeignVoltage(instruments.front)
        self._given_up = False
        self._check: bridges.Check = bridges.Check(None, None, None)
        self.body: dict = {}

    def cancel(self):
        """Give the test up: `run` ends within a reading, with None, and the drivers are off."""
        self._given_up = True

    def _cancelled(self):
        return self._given_up

    def _stage(self, name):
        if self._given_up:
            raise Cancelled()
        self._tell(name, None)

    def _tell(self, name, value):
        if self._progress:
            self._progress(name, value)

    async def run(self):
        """Run the test and return the record's body, judged; None when it was cancelled."""
        self.body = self._empty_body()
        for name, wanted in (("curve_id", "curve_id"), ("profile_id", "limits_id")):
            if self._choices[wanted]:
                self.body[name] = self._choices[wanted]
        try:
            await self._measure()
        except Cancelled:
            return None
        except ProbeError as fault:
            self.body["fault"] = fault.code
            self.body["fault_text"] = fault.message
        finally:
            self._front.off()
        self._judge()
        return self.body

    def _empty_body(self):
        choices = self._choices
        return {
            "place": choices["place"],
            "ticket": choices["ticket"],
            "job": choices["job"],
            "mode": choices["mode"],
            "curve": self._curve.name,
            "profile": choices["limits"]["name"],
            "usb": bool(self._instruments.usb_present()),
            "cell_volts": self._instruments.cell_volts(),
            "check": choices["check"],
            "refused": None,
            "foreign": None,
            "leads": None,
            "note": None,
            "range": None,
            "gain": None,
            "bypass": None,
            "rate_hz": bridges.READING_HZ,
            "readings": [],
            "disturbed": 0,
            "reference_ohms": board.REFERENCE_OHMS,
            "calibration": calibrations.to_map(self._calibration),
            "zero_ohms": choices["zero_ohms"],
            "ohms": None,
            "u_ohms": None,
            "self_heating": None,
            "tester_celsius": None,
            "settling": None,
            "ambient": self._instruments.ambient(),
            "contact": None,
            "isolation": None,
            "flex": None,
            "harness": None,
            "fault": None,
        }

    async def _measure(self):
        body = self.body
        if body["usb"] and not self._choices["isolator"]:
            body["refused"] = "usb"
            return
        self._stage(CHECK)
        self._check = await self._bridge.check()
        body["tester_celsius"] = self._check.celsius
        self._stage(FOREIGN)
        if await self._voltage_seen(True):
            return
        self._stage(LEADS)
        self._bridge.two_wire = self._choices["two_wire"]
        look = await self._bridge.look()
        body["leads"] = look.leads
        body["note"] = look.note
        if look.plan and not await self._resistance(look):
            return
        if body["leads"] in (verdict.SENSE_LOST, verdict.SATURATED):
            return
        self._stage(CONTACT)
        if await self._isolation() and self._choices["mode"] in (FLEX, GUIDED):
            await self._flex()
        self._stage(FOREIGN)
        await self._voltage_seen(False)

    async def _voltage_seen(self, full):
        """Look at the leads; keep the look that saw most. Returns True when a voltage stops the test."""
        found = await self._foreign.look(full)
        if self.body["foreign"] is None or found["seen"]:
            self.body["foreign"] = found
        return found["seen"]

    async def _resistance(self, look):
        """Settle and measure. Returns False when a voltage appeared meanwhile."""
        body = self.body
        plan = look.plan
        ohms = look.ohms
        ohms_per_celsius = self._ohms_per_celsius(ohms)
        limit = self._choices["limits"]["settled_celsius_per_minute"] * abs(ohms_per_celsius)
        rise = settle.self_heating_ohms_per_minute(plan, ohms, ohms_per_celsius)
        if verdict.leads_of(ohms, self._curve.r0_ohms, self._choices["limits"], self._curve) != verdict.CONNECTED:
            # No element of this curve: its drift says nothing, and nobody waits for it.
            limit = ohms + 1e6
        self._stage(SETTLE)
        faint = None
        if self._choices["zero_power"]:
            with Aside("measure.selfheat") as selfheat:
                if selfheat.can_measure(look):
                    faint = await selfheat.take(self._bridge, ohms, self._cancelled)
        outcome = await settle.settle(
            self._bridge,
            plan,
            self._calibration,
            (limit, rise),
            self._choices["patience_s"],
            self._foreign,
            self._cancelled,
            self._tell_settling,
        )
        if self._given_up:
            raise Cancelled()
        body["disturbed"] = outcome.disturbed
        if outcome.saturated:
            # Nothing usable came. Did the clips come off?
            again = await self._bridge.look()
            body["leads"] = verdict.SATURATED if again.leads == verdict.CONNECTED else again.leads
            body["note"] = again.note
            return True
        body["range"] = plan.range
        body["gain"] = plan.gain
        body["bypass"] = plan.bypass
        body["readings"] = outcome.readings
        _, body["ohms"], body["u_ohms"] = bridges.resistance(
            self._calibration,
            plan,
            outcome.readings,
            self._choices["zero_ohms"],
            self._check.celsius,
            ohms_per_celsius,
            self._choices["two_wire"],
        )
        if faint and outcome.state.settled:
            with Aside("measure.selfheat") as selfheat:
                body["self_heating"] = selfheat.record_map(
                    self._calibration,
                    (plan, outcome.readings),
                    faint,
                    self._choices["zero_ohms"],
                    self._check.celsius,
                    self._choices["two_wire"],
                )
        state = outcome.state
        body["settling"] = {
            "settled": state.settled,
            "slope_ohms_per_minute": state.slope_ohms_per_minute,
            "u_slope_ohms_per_minute": state.u_slope_ohms_per_minute,
            "waited_s": outcome.waited_s,
            "wait_s": state.wait_s,
        }
        self._harness(plan)
        if outcome.foreign:
            body["foreign"] = outcome.foreign
            return False
        return True

    def _ohms_per_celsius(self, ohms):
        """Return the curve's slope at a resistance [ohm/degC]: negative for a thermistor."""
        try:
            celsius = self._curve.celsius(ohms)
        except RangeError:
            celsius = _ROOM_CELSIUS
        return self._curve.ohms_per_celsius(celsius)

    def _tell_settling(self, ohms, state):
        self._tell(SETTLE, (ohms, state))

    def _harness(self, plan):
        """Compare the control's end with the sensor's: one tester's own errors cancel in the difference."""
        sensor_end = self._choices["sensor_end"]
        if self._choices["place"] != "control-end" or not sensor_end:
            return
        noise = bridges.noise_ohms(plan, self.body["ohms"], len(self.body["readings"]))
        change = _U_VISIT_CELSIUS * self._ohms_per_celsius(self.body["ohms"])
        u_ohms = (2 * noise * noise + change * change) ** 0.5
        if u_ohms > self._choices["limits"]["harness_ohms"]:
            # A thermistor's own change hides a harness; such a difference would say nothing.
            return
        self.body["harness"] = {
            "ohms": self.body["ohms"] - sensor_end[0],
            "u_ohms": u_ohms,
            "other_sequence": sensor_end[2],
            "other_verdict": sensor_end[3],
        }

    async def _isolation(self):
        """Prove contact and measure isolation. Returns False when a voltage stops the test."""
        body = self.body
        supply_volts = self._check.supply_volts
        touch = await contact.prove(self._front, supply_volts)
        body["contact"] = {"proven": touch.proven, "ohms": touch.ohms, "follows": touch.follows}
        if not touch.proven:
            return True
        if await self._voltage_seen(False):
            return False
        self._stage(ISOLATION)
        connected = body["leads"] == verdict.CONNECTED
        leg_ohms = None
        if self._choices["mode"] == GUIDED and connected and body["range"] == ranges.LOW:
            leg_ohms = await self._bridge.leg_ohms()
        if connected:
            element_ohms, u_element_ohms = body["ohms"], body["u_ohms"]
        else:
            element_ohms, u_element_ohms = (0.0, 0.0) if body["leads"] == verdict.SHORT else (None, 0.0)
        found, raw = await isolation.measure(
            self._front,
            supply_volts,
            element_ohms,
            u_element_ohms,
            leg_ohms,
            progress=self._tell_isolation,
        )
        if found is None:
            body["contact"]["proven"] = False
            body["contact"]["follows"] = False
            return True
        if self._given_up:
            raise Cancelled()
        # A clip that fell off on the way would pass for good isolation.
        touch = await contact.prove(self._front, supply_volts)
        if touch.proven:
            body["isolation"] = isolation.record_map(found, raw)
        else:
            body["contact"] = {"proven": False, "ohms": touch.ohms, "follows": touch.follows}
        return True

    def _tell_isolation(self, share):
        self._tell(ISOLATION, share)

    async def _flex(self):
        body = self.body
        if body["leads"] != verdict.CONNECTED or body["range"] != ranges.LOW:
            return
        self._stage(BEND)
        body["flex"] = await flex.capture(
            self._front,
            body["ohms"],
            self._choices["flex_s"],
            self._choices["mains_hz"],
            self._cancelled,
            self._tell_flex,
        )
        if self._given_up:
            raise Cancelled()

    def _tell_flex(self, seconds, counter):
        self._tell(BEND, (seconds, counter))

    def _judge(self):
        body = self.body
        judgement = verdict.judge(body, self._choices["limits"], self._curve)
        body["celsius"] = judgement.celsius
        body["u_celsius"] = judgement.u_celsius
        body["expected_ohms"] = judgement.expected_ohms
        body["verdict"] = judgement.verdict
        body["probability"] = judgement.probability
        body["findings"] = list(judgement.findings)
        body["requirements"] = [list(requirement) for requirement in judgement.requirements]
        body["not_checked"] = list(judgement.not_checked)
        body["guards"] = [list(guard) for guard in judgement.guards]
        self._tell(VERDICT, judgement)
