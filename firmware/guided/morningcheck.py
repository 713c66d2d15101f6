"""The morning check: five things clipped on in turn, each recognised by itself from what the leads show.

Rules:
1. The order is the technician's; the display names the first that is missing. No key is needed between them.
2. Before each look at the leads they are looked at for foreign voltages: clips that wander may be put anywhere.
3. The check resistor is read only while nothing leads from it to the chassis clip: a megohm there changes it by some
   hundred ppm.
4. A reading during which a clip moved is no reading; the step waits for the next one.
5. OK takes what is there as the missing step: how a check ends that cannot be recognised, and fails.

With everything at hand it takes 8 s of measuring. It is made on the bench, so USB may be plugged in. Nothing is saved
here: the caller appends the body to the ledger.
"""

from time import ticks_diff, ticks_ms

from measure import bridge as bridges, contact, isolation, settle
from measure.foreign import ForeignVoltage
from probecore import calibration as calibrations, checking
from probecore.errors import ProbeError
from probecore.verdict import CONNECTED, OPEN, SENSE_LOST, SHORT

from .probetest import Cancelled

# Readings of the zero and of the check resistor.
_READINGS = {checking.TOGETHER: 2, checking.RESISTOR: 4}
_SPARE_READINGS = 2
# Readings of one thing differ by less, or a clip was still moving [ohm] and [1].
_SPREAD_OHMS = 0.05
_SPREAD_SHARE = 5e-5
# What two looks at one thing, and its two polarities, differ by at most [1].
_HELD_SHARE = 0.1

_PATIENCE_MS = 180000

# Hints of progress.
OTHER_RESISTOR = "other-resistor"
JAW_LOST = "jaw-lost"
CHASSIS_ON = "chassis-on"
MOVING = "moving"

# Why a check ended without a record.
STOPPED = "stopped"
TIMED_OUT = "timed-out"


class MorningCheck:
    """One morning check. `run` does it, `cancel` gives it up, `take` takes what is clipped on for the missing step."""

    def __init__(self, instruments, calibration, setup, past=None, progress=None):
        """instruments: Instruments; calibration: Calibration; setup: checking.Setup; past: history of this tester with
        this resistor and calibration, or None; progress: called with (missing step, results so far, hint, ohms), after
        each look and each step, or None.
        """
        self._instruments = instruments
        self._front = instruments.front
        self._bridge = instruments.bridge
        self._calibration = calibration
        self._setup = setup
        self._past = past
        self._progress = progress
        self._foreign = ForeignVoltage(instruments.front)
        self._given_up = False
        self._forced = False
        self._converter: bridges.Check = bridges.Check(None, None, None)
        self.results: list = []
        self.ended: str | None = None
        self.body: dict = {}

    def cancel(self):
        """Give the check up: `run` ends within a reading, with None."""
        self._given_up = True

    def take(self):
        """Take what is there at the next look as the step that is missing first."""
        self._forced = True

    async def run(self):
        """Run the check and return the record's body; None when it was given up, with `ended` saying why."""
        begun_ms = ticks_ms()
        self.body = self._empty_body()
        try:
            await self._measure(begun_ms)
        except Cancelled:
            self.ended = self.ended or STOPPED
            return None
        except ProbeError as fault:
            self.body["fault"] = fault.code
            self.body["fault_text"] = fault.message
        finally:
            self._front.off()
        body = self.body
        body["seconds"] = ticks_diff(ticks_ms(), begun_ms) // 1000
        order = checking.STEPS
        body["steps"] = sorted(self.results, key=lambda result: order.index(result["step"]))
        complete = len(self.results) == len(order)
        body["passed"] = complete and not body["fault"] and all(result["passed"] for result in self.results)
        return body

    def _empty_body(self):
        setup = self._setup
        return {
            "passed": False,
            "seconds": 0,
            "resistor": setup.resistor,
            "resistor_ohms": setup.resistor_ohms,
            "resistor_ppm": setup.resistor_ppm,
            "isolation_ohms": setup.isolation_ohms,
            "tester_celsius": None,
            "ambient": self._instruments.ambient(),
            "calibration": calibrations.to_map(self._calibration),
            "history": len((self._past or {}).get(checking.RESISTOR) or []),
            "usb": bool(self._instruments.usb_present()),
            "cell_volts": self._instruments.cell_volts(),
            "foreign": None,
            "fault": None,
            "steps": [],
        }

    def _missing(self):
        """Return the steps that are not done, in order."""
        done = [result["step"] for result in self.results]
        return [step for step in checking.STEPS if step not in done]

    def _tell(self, hint=None, ohms=None):
        missing = self._missing()
        if self._progress:
            self._progress(missing[0] if missing else None, self.results, hint, ohms)

    async def _measure(self, begun_ms):
        self._bridge.two_wire = False
        self._tell()
        self._converter = await self._bridge.check()
        self.body["tester_celsius"] = self._converter.celsius
        full = True
        while self._missing():
            if ticks_diff(ticks_ms(), begun_ms) > _PATIENCE_MS:
                self.ended = TIMED_OUT
                self._given_up = True
            self._stop_if_given_up()
            found = await self._foreign.look(full)
            full = False
            if found["seen"]:
                self.body["foreign"] = found
                return
            await self._look()

    def _stop_if_given_up(self):
        if self._given_up:
            raise Cancelled()

    async def _look(self):
        """See what is clipped on, and do the steps that it is."""
        missing = self._missing()
        forced = missing[0] if self._forced else None
        self._forced = False
        look = await self._bridge.look()
        touch = await contact.prove(self._front, self._converter.supply_volts)
        is_open = look.leads == OPEN or (look.leads == SENSE_LOST and not _is_below(look.ohms, checking.OPEN_OHMS))
        hint = JAW_LOST if look.leads == SENSE_LOST and not is_open else None
        if checking.OPEN in missing and (is_open or forced == checking.OPEN):
            self._add(checking.OPEN, checking.OPEN_OHMS if is_open else look.ohms)
        if checking.JAWS in missing and (touch.proven or forced == checking.JAWS):
            self._add(checking.JAWS, touch.ohms if touch.follows else None)
        leaks = False
        wanted = checking.ISOLATION in missing or (checking.RESISTOR in missing and look.leads == CONNECTED)
        if touch.proven and wanted and hint is None:
            leaks = await self._isolation(look, is_open, forced == checking.ISOLATION)
        elif forced == checking.ISOLATION:
            self._add(checking.ISOLATION, None)
        for step, fits in (
            (checking.TOGETHER, look.leads == SHORT),
            (checking.RESISTOR, look.leads == CONNECTED and checking.is_resistor(look.ohms, self._setup)),
        ):
            if step not in missing or not (fits or forced == step):
                continue
            if leaks and forced != step:
                hint = CHASSIS_ON
            elif not await self._resistance(step, look.plan):
                hint = MOVING
        if hint is None and look.leads == CONNECTED and not checking.is_resistor(look.ohms, self._setup):
            hint = OTHER_RESISTOR
        self._stop_if_given_up()
        self._tell(hint, look.ohms)

    async def _isolation(self, look, is_open, forced):
        """Measure from the leads to the chassis clip. Returns whether there is a leak that would disturb a reading."""
        between_ohms = None if is_open else 0.0 if look.leads == SHORT else look.ohms
        found, _ = await isolation.measure(self._front, self._converter.supply_volts, between_ohms)
        if found is None:
            return True
        leak = found.a if not found.b.ohms < found.a.ohms else found.b
        recognised = not leak.greater and checking.is_isolation(leak.ohms, self._setup)
        if checking.ISOLATION in self._missing() and (recognised or forced):
            # A clip that went on or off meanwhile leaves a value that is wrong by any factor.
            held = abs(found.positive_ohms - found.negative_ohms) <= _HELD_SHARE * leak.ohms
            again = await self._bridge.look()
            same = again.leads == look.leads and (is_open or abs(again.ohms - look.ohms) <= _HELD_SHARE * look.ohms + 1)
            if forced or (held and same):
                self._add(checking.ISOLATION, leak.ohms, leak.u_ohms)
        return not leak.greater

    async def _resistance(self, step, plan):
        """Read zero or the check resistor. Returns False where a clip moved meanwhile."""
        if plan is None:
            self._add(step, None)
            return True
        taken: list = []
        for _ in range(_READINGS[step] + _SPARE_READINGS):
            self._stop_if_given_up()
            reading = self._bridge.new_reading()
            await self._bridge.read(plan, reading)
            if not settle.is_disturbed(reading):
                taken.append(list(reading))
            if len(taken) == _READINGS[step]:
                break
        else:
            return False
        singles = [self._ohms(plan, [reading])[1] for reading in taken]
        _, ohms, u_ohms = self._ohms(plan, taken)
        if max(singles) - min(singles) > _SPREAD_OHMS + _SPREAD_SHARE * abs(ohms):
            return False
        result = self._add(step, ohms, u_ohms)
        result["u_readings_ohms"] = bridges.noise_ohms(plan, ohms, len(taken))
        result["range"] = plan.range
        result["gain"] = plan.gain
        result["readings"] = taken
        return True

    def _ohms(self, plan, readings):
        return bridges.resistance(self._calibration, plan, readings, 0.0, self._converter.celsius)

    def _add(self, step, ohms, u_ohms=None):
        """Judge a step, keep its result and tell it."""
        celsius = self._converter.celsius
        result = checking.judge_step(
            step, ohms, u_ohms, self._setup, self._past, celsius, self._calibration.tempco_ppm_per_k
        )
        self.results.append(result)
        self._tell()
        return result


def _is_below(ohms, limit_ohms):
    return ohms is not None and ohms < limit_ohms
