"""The bridge: what hangs on the leads, and how many ohms it has.

First the sense jaws are checked, then a quick first look (one direction, amplifier bypassed, so that it is right for
any probe, an open one too) tells range and gain. A reading is eight conversions of 50 ms in the order of
probecore.counts. Between conversions the task sleeps, so that the link and the keys go on; the row itself allocates
nothing, so that no garbage collection falls into it. (Sleeping synchronously would be as quiet, and would leave keys
and link dead for 0.4 s at a time.)

Every state is left with the drivers off, whatever happens.
"""

from array import array
from asyncio import sleep_ms
from collections import namedtuple
from time import ticks_ms

import board
from parts import ads1220
from parts.ads1220 import AdcFault
from probecore import budget, calibration as calibrations, counts
from probecore.verdict import CONNECTED, OPEN, SENSE_LOST, SHORT

from . import frontend, ranges

# Gain 1, one converter count, one supply: the full scale of everything that is read against the supply.
_FULL_SCALE = 8388608

# A count at gain 4: the supply in nanovolts over 4 * 2^23, about 98 nV.
_NANOVOLTS_AT_GAIN_4 = board.SUPPLY_MILLIVOLTS * 15625 >> 19

# What B's bleeds add to the voltage across its pin's resistors, at both rails together [counts].
_PIN_B_OHMS = board.OHMS_RG_B + board.GPIO_OUTPUT_OHMS
_BLEED_COUNTS = _FULL_SCALE // ((_PIN_B_OHMS + board.OHMS_RB_B1 // 2) // _PIN_B_OHMS)

# The converter's own checks and the jaws: 11 ms a conversion, coarse.
_LOOK_HZ = 90
# Readings, and the first look too: at 20 a second hum on open leads is rejected.
READING_HZ = 20

# The burn-out source lifts a sense input by 0.22 V over its 22 kohm, by the whole supply over a tie of 470 kohm.
_LOST_COUNTS = _FULL_SCALE // board.SUPPLY_MILLIVOLTS * board.JAW_LIMIT_MILLIVOLTS

# The current of a sound loop follows from the resistance; with a force jaw lost it flows through a tie of 470 kohm
# and is at least ten times smaller.
_WEAK_CURRENT = 3

# With shorted inputs the offset is typically 4 uV (board.ADC_OFFSET_NANOVOLTS); this many times that is a fault.
_OFFSET_LIMIT = 30

# The supply's own limits [mV]: the regulator's tolerance and the monitor's.
_SUPPLY_LOW_MILLIVOLTS = 3050
_SUPPLY_HIGH_MILLIVOLTS = 3600

# Forward, reverse, and the wait after a change [ms], by range.
_STATES = {
    ranges.LOW: (frontend.FORWARD, frontend.REVERSE, frontend.SETTLE_LOW_MS),
    ranges.HIGH: (frontend.HIGH_FORWARD, frontend.HIGH_REVERSE, frontend.SETTLE_HIGH_MS),
    ranges.FAINT: (frontend.FAINT_FORWARD, frontend.FAINT_REVERSE, frontend.SETTLE_LOW_MS),
}

# leads: state for the record; ohms: estimate; plan: Plan or None; note: text for a person about a lost jaw, or None.
Look = namedtuple("Look", ("leads", "ohms", "plan", "note"))

# supply_volts; offset_counts at gain 4; celsius of the converter.
Check = namedtuple("Check", ("supply_volts", "offset_microvolts", "celsius"))


class Bridge:
    """Readings of whatever is clipped on, through a FrontEnd that has looked for foreign voltages."""

    def __init__(self, front):
        """front: FrontEnd. `two_wire` is set by whoever measures: the leads have no sense jaws."""
        self._front = front
        self._adc = front.adc
        self.two_wire = False
        self.conversions = 0
        # When the low range's current last flowed [ms]; None where it has not flowed lately.
        self.warmed_ms = None

    # The converter itself

    async def check(self):
        """Check the converter: registers, offset with shorted inputs, supply, temperature. Returns Check.

        Takes about 35 ms. Raises AdcFault with the code of what is wrong.
        """
        adc = self._adc
        adc.verify()
        adc.setup(_LOOK_HZ)
        adc.select(ads1220.SHORTED, 4, False)
        offset = await self._convert()
        limit = board.ADC_OFFSET_NANOVOLTS * _OFFSET_LIMIT
        offset_nanovolts = offset * _NANOVOLTS_AT_GAIN_4
        if abs(offset_nanovolts) > limit:
            raise AdcFault(
                "adc-offset",
                "The converter shows %d uV with shorted inputs. Switch the tester off and on; if it stays, take it out "
                "of service." % (offset_nanovolts // 1000),
            )
        adc.select(ads1220.AVDD_AVSS, 1, True)
        supply = ads1220.microvolts_of_monitor(await self._convert())
        if not _SUPPLY_LOW_MILLIVOLTS * 1000 < supply < _SUPPLY_HIGH_MILLIVOLTS * 1000:
            raise AdcFault(
                "adc-supply",
                "The converter's supply reads %d mV instead of %d. Charge the cell; if it stays, take the tester out "
                "of service." % (supply // 1000, board.SUPPLY_MILLIVOLTS),
            )
        celsius = adc.celsius()
        adc.verify()
        return Check(supply / 1e6, offset_nanovolts / 1e3, celsius)

    async def _convert(self):
        """Make one conversion with the present settings; the task sleeps for most of it."""
        self.conversions += 1
        self._adc.start()
        await sleep_ms(self._adc.rest_ms)
        return self._adc.finish()

    # First look

    async def look(self):
        """Find out what is clipped on. Returns Look. Takes 0.14 s, 0.3 s in the high range.

        Two-wire leads have no sense jaws to check. Raises AdcFault, DriveRefused.
        """
        try:
            async with self._front.lock_bus:
                look = await self._look()
                self._adc.verify()
                return look
        finally:
            self._front.off()

    async def _look(self):
        lost = "" if self.two_wire else await self._lost_jaws()
        reference, probe = await self._pair(frontend.FORWARD, frontend.SETTLE_LOW_MS)
        ohms = self._ohms(reference, probe)
        if ohms is not None and ohms > ranges.LOW_RANGE_OHMS:
            if not lost and await self._current_strays(reference):
                return Look(OPEN, None, None, "the current leaves through the chassis clip, not through lead b")
            again = await self._pair(frontend.HIGH_FORWARD, frontend.SETTLE_HIGH_MS)
            ohms = self._ohms(again[0], again[1])
        if lost:
            return Look(SENSE_LOST, ohms, None, lost)
        if ohms is None or ohms > ranges.OPEN_OHMS:
            return Look(OPEN, None, None, None)
        if ohms <= ranges.LOW_RANGE_OHMS and self._is_weak(reference, ohms):
            return Look(SENSE_LOST, ohms, None, "a force jaw has no contact")
        plan = ranges.plan(ohms)
        return Look(SHORT if ohms < ranges.SHORT_OHMS else CONNECTED, ohms, plan, None)

    async def _lost_jaws(self):
        """Return a text that names the leads whose two jaws are not joined, "" when both are.

        Each lead is driven to a rail through its force jaw, the other lead too, so that the element carries nothing and
        an open one does not matter. The burn-out source then pulls at the sense input, away from that rail.
        """
        adc = self._adc
        front = self._front
        adc.setup(_LOOK_HZ, burn_out=True)
        try:
            front.drive(frontend.RAIL_LOW)
            adc.select(ads1220.AIN1_AVSS, 1, True)
            await sleep_ms(frontend.SETTLE_LOW_MS)
            plus = await self._convert()
            front.drive(frontend.RAIL_HIGH)
            adc.select(ads1220.AIN0_AIN2, 1, True)
            await sleep_ms(frontend.SETTLE_LOW_MS)
            minus = await self._convert()
        finally:
            adc.setup(_LOOK_HZ)
        lost = []
        if plus > _LOST_COUNTS:
            lost.append("a")
        if minus > _LOST_COUNTS:
            lost.append("b")
        if not lost:
            return ""
        return "the jaws of lead %s are not joined" % " and ".join(lost)

    async def _pair(self, state, settle_ms):
        """Read reference and probe once, amplifier bypassed, gain 1. Returns both counts."""
        adc = self._adc
        adc.setup(READING_HZ)
        self._front.drive(state)
        await sleep_ms(self._settled_ms(settle_ms))
        adc.select(ads1220.AIN0_AIN3, 1, True)
        reference = -await self._convert()
        adc.select(ads1220.AIN1_AIN2, 1, True)
        probe = await self._convert()
        return reference, probe

    async def _current_strays(self, reference):
        """Tell whether less than half of the current into lead a comes back through lead b, still driven forward.

        An open element with a leak looks like a large resistance: the current returns through the chassis pins' bleeds.
        """
        self._adc.select(ads1220.AIN2_AVSS, 1, True)
        back = await self._convert() - _BLEED_COUNTS // 2
        return 2 * back < reference // 100 * ranges.LEG_B_OHMS // (board.REFERENCE_OHMS // 100)

    def _ohms(self, reference, probe):
        """Return a coarse resistance [ohm], or None where no current flows."""
        # The smallest current that counts: a loop of four times what is called open.
        if reference <= _FULL_SCALE // (4 * ranges.OPEN_OHMS // board.REFERENCE_OHMS):
            return None
        return max(0.0, counts.divide(probe, reference) * board.REFERENCE_OHMS)

    def _is_weak(self, reference, ohms):
        expected = _FULL_SCALE // (int(ranges.LOW_LOOP_OHMS + ohms) // (board.REFERENCE_OHMS // 100)) * 100
        return reference * _WEAK_CURRENT < expected

    # Readings

    async def read(self, plan, reading):
        """Make one reading: eight counts in the order of probecore.counts, into `reading`.

        plan: Plan; reading: array("i") of eight. Takes 0.42 s in the low range and with the faint current, 0.45 s in
        the high range, 0.56 s with two-wire leads. The loop allocates nothing. The registers are checked afterwards: a
        converter that was reset in between is a fault. Raises AdcFault, DriveRefused.
        """
        adc = self._adc
        front = self._front
        forward, reverse, settle_ms = _STATES[plan.range]
        async with front.lock_bus:
            adc.setup(READING_HZ)
            try:
                await self.fill(reading, forward, reverse, self._settled_ms(settle_ms), plan.gain, plan.bypass)
            finally:
                front.off()
        if plan.range == ranges.LOW:
            self.warmed_ms = ticks_ms()
        self.conversions += 8
        adc.verify()

    def _settled_ms(self, settle_ms):
        """Return the wait after a change of drive [ms]: without sense jaws the ties make it longer."""
        return max(settle_ms, frontend.SETTLE_TIED_MS) if self.two_wire else settle_ms

    async def fill(self, reading, forward, reverse, settle_ms, gain, bypass):
        """Fill a reading: the row of conversions, which allocates nothing once it runs.

        reading: array("i") of eight; forward, reverse: states; settle_ms: wait after a change of state [ms]; gain,
        bypass: of the converter.
        """
        adc = self._adc
        front = self._front
        for index in range(8):
            if index == 0 or index == 6:
                front.drive(forward)
                await sleep_ms(settle_ms)
            elif index == 2:
                front.drive(reverse)
                await sleep_ms(settle_ms)
            is_reference = index in counts.REFERENCE_POSITIONS
            adc.select(ads1220.AIN0_AIN3 if is_reference else ads1220.AIN1_AIN2, gain, bypass)
            adc.start()
            await sleep_ms(adc.rest_ms)
            count = adc.finish()
            # The multiplexer offers F+ minus T only: the reference's sign is turned.
            reading[index] = -count if is_reference else count

    def new_reading(self):
        """Return an empty reading."""
        return array("i", (0, 0, 0, 0, 0, 0, 0, 0))

    async def leg_ohms(self):
        """Measure the drive path of pin B against the reference resistor [ohm]; for a connected probe of the low range.

        Its tolerance is what isolation would otherwise suffer from. Takes 0.22 s.
        """
        adc = self._adc
        front = self._front
        try:
            async with front.lock_bus:
                adc.setup(READING_HZ)
                front.drive(frontend.FORWARD)
                await sleep_ms(frontend.SETTLE_LOW_MS)
                adc.select(ads1220.AIN0_AIN3, 4, True)
                down_reference = -await self._convert()
                adc.select(ads1220.AIN2_AVSS, 1, True)
                down = await self._convert()
                front.drive(frontend.REVERSE)
                await sleep_ms(frontend.SETTLE_LOW_MS)
                up = await self._convert()
                adc.select(ads1220.AIN0_AIN3, 4, True)
                up_reference = -await self._convert()
                adc.verify()
        finally:
            front.off()
        # From forward to reverse the pin's rail goes from ground to supply: what the loop drops across the leg is the
        # supply's full scale minus the rise of F-.
        # B's bleeds lift the leg's lower end at ground and press it down at the supply by the same share.
        legs = _FULL_SCALE - (up - down) - _BLEED_COUNTS
        return counts.divide(legs, (down_reference - up_reference) // 4) * board.REFERENCE_OHMS


def resistance(calibration, plan, readings, zero_ohms=0.0, tester_celsius=None, ohms_per_celsius=0.0, two_wire=False):
    """Return (ratio, ohms, u_ohms) from readings.

    calibration: Calibration; plan: Plan with which they were taken; zero_ohms: two-wire leads' own resistance, taken
    off [ohm]; tester_celsius: for the uncertainty [degC], or None; ohms_per_celsius: slope of a sensor's curve, whose
    self-heating then counts [ohm/degC], 0 for a plain resistor; two_wire: bool. The uncertainty of the readings is
    their own spread, but not less than the converter's noise explains. Raises RangeError when no current flowed.
    """
    ratio, u_ratio = counts.mean_ratio(readings)
    high = plan.range == ranges.HIGH
    if high:
        ohms = calibrations.high_ohms(calibration, ratio, board.REFERENCE_OHMS)
    else:
        ohms = calibrations.low_ohms(calibration, ratio, board.REFERENCE_OHMS) - zero_ohms
    u_readings = max(noise_ohms(plan, ohms, len(readings)), (u_ratio or 0.0) * board.REFERENCE_OHMS)
    heating = milliwatts(plan, readings, ohms) * ohms_per_celsius
    return ratio, ohms, budget.u_ohms(ohms, u_readings, calibration, tester_celsius, high, heating, two_wire)


def amps(plan, readings):
    """Return the measuring current as the newest reading saw it [A]."""
    reference, _ = counts.sums(readings[-1])
    return reference / (4 * _FULL_SCALE) * (board.SUPPLY_MILLIVOLTS / 1000 / (plan.gain * board.REFERENCE_OHMS))


def milliwatts(plan, readings, ohms):
    """Return the power in the element [mW]. ohms: its resistance [ohm]."""
    milliamps = 1000 * amps(plan, readings)
    return milliamps * milliamps * max(ohms, 0.0) / 1000


def noise_ohms(plan, ohms, readings):
    """Return what the converter's noise makes of the mean of several readings, standard uncertainty [ohm].

    Each reading takes reference and probe four times (SBAS501C, 7.1, table 1).
    """
    share = ohms / board.REFERENCE_OHMS
    volts = board.ADC_NOISE_NANOVOLTS[plan.gain] * 1e-9 * (1 + share * share) ** 0.5
    return volts / ranges.amps(plan.range, ohms) / (4 * readings) ** 0.5


def is_saturated(reading):
    """Tell whether any count of a reading stands at the end of the scale."""
    return counts.saturated(reading)
