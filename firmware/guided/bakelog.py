"""The bake log: the cavity's temperature once a second, through a reference probe, while the oven is live.

Rules:
1. USB must be out and the chassis clip must touch nothing, before the first reading and all the time: either would tie
   the tester to a live appliance. Jaw to jaw contact is what shows the clip; one that hangs on paint cannot be seen.
2. The leads are looked at for foreign voltages before anything is driven, again every 20 s, and before each attempt to
   find a clip that was lost. A voltage ends the log.
3. A lost clip is a gap, not an end; after `OPEN_LIMIT_S` without a temperature the log ends.
4. Sense jaws are checked every 10 s, and where the temperature jumps: without one a reading is wrong and looks right.

The reading comes first in its second, so that readings are evenly spaced; the looks are spread over the seconds so that
none takes longer. Nothing is saved here.
"""

import board
from measure import bridge as bridges, contact, ranges, settle
from measure.foreign import ForeignVoltage
from probecore import bake, calibration as calibrations, counts
from probecore.errors import ProbeError, RangeError
from probecore.verdict import CONNECTED, OPEN as OPEN_LEADS, SHORT

# Why a log does not begin, or ends; a code of a fault of the converter comes beside them.
DONE = "done"
STOPPED = "stopped"
USB = "usb"
CHASSIS = "chassis"
VOLTAGE = "voltage"
LEADS = "leads"
CURVE = "curve"
OPEN = "open"
CELL = "cell"

OPEN_LIMIT_S = 600

# In which second of a round of so many a look is due.
_ROUND_S = 20
_FOREIGN_AT = 6
_CHASSIS_AT = 16
_CELL_AT = 11
_JAWS_EVERY_S = 10
_JAWS_AT = 3
# The converter's own checks; the temperature of its inside goes into each chunk.
_CHECK_EVERY_S = 60
_CHECK_AT = 28

# A resistance that has moved by this share is looked at for another gain or range [1].
_PLAN_SHARE = 0.02
# By how much a temperature misses the straight line through the two before it when something other than the oven moved
# it [0.01 degC]; a fast oven that switches does so too, and costs a look.
_JUMP_CENTICELSIUS = 50


class BakeLog:
    """One log. `begin` looks whether it may start, `sample` gives one second's temperature.

    Attributes: `ended` is the reason of the end, None while it goes on; `fault_text` a sentence where it is a fault;
    `lost_s` how long there has been no temperature; `reading` the newest reading as a map for the record; `foreign` the
    look that saw a voltage; `converter` the newest bridge.Check; `leads` what the last look found on the leads.
    """

    def __init__(self, instruments, calibration, curve):
        """instruments: Instruments; calibration: Calibration; curve: of the reference probe."""
        self._instruments = instruments
        self._front = instruments.front
        self._bridge = instruments.bridge
        self._calibration = calibration
        self._curve = curve
        self._foreign = ForeignVoltage(instruments.front)
        self._counts = instruments.bridge.new_reading()
        self._plan: ranges.Plan | None = None
        self._planned_ohms = 0.0
        # The newest temperature, and how far it was from the one before [0.01 degC].
        self._value = 0
        self._step = 0
        self.ended: str | None = None
        self.fault_text: str | None = None
        self.lost_s = 0
        self.reading: dict | None = None
        self.foreign: dict | None = None
        self.converter: bridges.Check = bridges.Check(None, None, None)
        self.leads: str | None = None

    async def begin(self):
        """Look whether a log may begin. Returns None, or why not; `foreign` and `fault_text` say more.

        Takes about a second; the drivers are off at the end.
        """
        try:
            return await self._may_begin()
        except ProbeError as fault:
            self.fault_text = fault.message
            return fault.code
        finally:
            self._front.off()

    async def _may_begin(self):
        self._bridge.two_wire = False
        if self._instruments.usb_present():
            return USB
        self.converter = await self._bridge.check()
        if not await self._is_clean(True):
            return VOLTAGE
        if await self._chassis_touches():
            return CHASSIS
        await self._find()
        if self._plan is None:
            return LEADS
        if await self._read(0, self._plan) is None:
            return CURVE if self.reading else LEADS
        return None

    async def sample(self, second):
        """Measure once. second: of the log, from 0. Returns the temperature [0.01 degC], None where there is none.

        Takes 0.42 s with a probe of the low range, and up to 0.7 s with what is due in this second besides. Where the
        log cannot go on, `ended` says why.
        """
        value = None
        try:
            value = await self._sample(second)
        except ProbeError as fault:
            self.ended = fault.code
            self.fault_text = fault.message
        finally:
            self._front.off()
        if self.ended:
            return None
        self.lost_s = 0 if value is not None else self.lost_s + 1
        if self.lost_s >= OPEN_LIMIT_S:
            self.ended = OPEN
        return value

    async def _sample(self, second):
        if self._instruments.usb_present():
            self.ended = USB
            return None
        if self._plan is None:
            if not await self._stays_clean():
                return None
            await self._find()
        value = await self._read(second, self._plan) if self._plan else None
        if value is not None:
            jump = abs(value - self._value - self._step) > _JUMP_CENTICELSIUS
            self._step = value - self._value
            self._value = value
            if jump or second % _JAWS_EVERY_S == _JAWS_AT:
                await self._find()
                if self._plan is None:
                    return None
        await self._look_around(second)
        return value

    async def _look_around(self, second):
        """Do what is due in this second besides."""
        at = second % _ROUND_S
        if at == _FOREIGN_AT:
            await self._stays_clean()
        elif at == _CHASSIS_AT:
            if await self._chassis_touches():
                self.ended = CHASSIS
        elif at == _CELL_AT:
            if self._instruments.cell_volts() * 1000 < board.CELL_REFUSE_MILLIVOLTS:
                self.ended = CELL
        elif second % _CHECK_EVERY_S == _CHECK_AT:
            self.converter = await self._bridge.check()

    async def _stays_clean(self):
        if await self._is_clean(False):
            return True
        self.ended = VOLTAGE
        return False

    async def _is_clean(self, full):
        found = await self._foreign.look(full)
        if found["seen"]:
            self.foreign = found
        return not found["seen"]

    async def _chassis_touches(self):
        touch = await contact.prove(self._front, self.converter.supply_volts)
        # Any path between the jaws counts here, however poor; so does a jaw that something holds.
        return touch.ohms is not None or not touch.follows

    async def _find(self):
        """See what is clipped on; there is a plan where it can be read."""
        look = await self._bridge.look()
        # Clips that hang in the air have all their jaws apart: no jaw's fault.
        self.leads = OPEN_LEADS if look.ohms is None or look.ohms > ranges.OPEN_OHMS else look.leads
        if look.plan is None or look.leads not in (CONNECTED, SHORT):
            self._plan = None
        elif self._plan is None:
            self._use_plan(look.ohms)

    def _use_plan(self, ohms):
        self._plan = ranges.plan(ohms)
        self._planned_ohms = ohms

    async def _read(self, second, plan):
        """Read once. Returns the temperature [0.01 degC], None where the reading says nothing."""
        counted = self._counts
        await self._bridge.read(plan, counted)
        if settle.is_disturbed(counted):
            # A clip slipped, or the range no longer fits: looked at anew in the next second.
            self._plan = None
            return None
        ratio = counts.ratio(counted)
        convert = calibrations.high_ohms if plan.range == ranges.HIGH else calibrations.low_ohms
        ohms = convert(self._calibration, ratio, board.REFERENCE_OHMS)
        self._keep(second, plan, counted, ohms)
        if abs(ohms - self._planned_ohms) > _PLAN_SHARE * self._planned_ohms:
            self._use_plan(ohms)
        try:
            return bake.centicelsius(self._curve.celsius(ohms))
        except RangeError:
            # No temperature of this curve: a joint that opens, or another probe.
            return None

    def _keep(self, second, plan, counted, ohms):
        """Keep a reading for the record; one map and one list serve the whole log."""
        kept = self.reading
        if kept is None:
            kept = self.reading = {"counts": list(counted)}
        kept["second"] = second
        kept["range"] = plan.range
        kept["gain"] = plan.gain
        kept["bypass"] = plan.bypass
        kept["ohms"] = ohms
        for index in range(8):
            kept["counts"][index] = counted[index]
