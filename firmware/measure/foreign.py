"""Look for foreign voltages before anything is driven, and again between measurements.

With the drivers off the converter reads lead a, lead b (through its sense jaw), both chassis jaws, the sense jaw of
lead a and T, each against ground, a thousand readings a second in turn. What probecore.foreign finds suspicious is
looked at three more times under load: everything pulled down, everything pulled up, every loop pulled to the middle.
Below 2 V the jaws are then driven (33 uA at most); from 2 V on the pins stay inputs and only their pull resistors load,
which is less than the tester's own bleeds and clamps already do.

A voltage that holds under load locks the front end. What gives way is leakage or pick-up and is no reason to stop.

A scan blocks for 0.1 s: its readings follow each other in a millisecond, and no task may come between.
"""

from array import array
from asyncio import sleep_ms
from time import ticks_diff, ticks_us

import board
from parts import ads1220
from probecore import foreign as rules

from . import frontend

_SCAN_HZ = 1000
_SCAN_US = 100000
_CAPACITY = 200

_TENTHS_MILLIVOLTS_SUPPLY = board.SUPPLY_MILLIVOLTS * 10

# Channels of one scan: name, multiplexer, jaw switch.
_FIRST = (
    (rules.JAW_1, ads1220.REFP0_REFN0, 0),
    (rules.FORCE_A, ads1220.AIN0_AVSS, 0),
    (rules.SENSE_B, ads1220.AIN2_AVSS, 0),
)
_SECOND = (
    (rules.SENSE_A, ads1220.AIN1_AVSS, 0),
    (rules.TOP, ads1220.AIN3_AVSS, 0),
    ("jaw difference", ads1220.REFP0_REFN0, 1),
)


class ForeignVoltage:
    """The look at the leads, with its buffers made once."""

    def __init__(self, front):
        """front: FrontEnd."""
        self._front = front
        self._adc = front.adc
        self._times_us = array("i", [0] * (2 * _CAPACITY))
        self._values = array("i", [0] * (2 * _CAPACITY))
        self._used = 0

    def _scan(self, channels, begun_us):
        """Read whole rounds over the channels for a tenth of a second. Allocates nothing once it runs.

        Returns how many values stand in the buffers. Times count from begun_us.
        """
        adc = self._adc
        front = self._front
        times_us = self._times_us
        values = self._values
        first = self._used
        used = first
        end = first + _CAPACITY - len(channels)
        started_us = ticks_us()
        while used <= end and ticks_diff(ticks_us(), started_us) < _SCAN_US:
            for _, mux, jaw in channels:
                front.select_jaw(jaw)
                adc.select(mux, 1, True)
                times_us[used] = ticks_diff(ticks_us(), begun_us)
                count = adc.convert()
                if mux == ads1220.REFP0_REFN0:
                    values[used] = ads1220.microvolts_of_monitor(count) // 100
                else:
                    # Below 2^30 in every step; fine to 0.2 mV.
                    values[used] = (count >> 9) * _TENTHS_MILLIVOLTS_SUPPLY >> 14
                used += 1
        front.select_jaw(0)
        self._used = used
        return used - first

    async def _channels(self, full):
        """Scan and return the channels by name. full: both scans, else the first."""
        begun_us = ticks_us()
        self._used = 0
        self._adc.setup(_SCAN_HZ)
        found = {}
        for channels in (_FIRST, _SECOND) if full else (_FIRST,):
            first = self._used
            count = self._scan(channels, begun_us)
            names = [name for name, _, _ in channels]
            last = first + count
            found.update(rules.analyse(self._times_us[first:last], self._values[first:last], names))
            await sleep_ms(0)
        # A converter that fell silent reads nothing at all, which would look like clean leads.
        self._adc.verify()
        difference = found.pop("jaw difference", None)
        if difference:
            found[rules.JAW_2] = rules.second_jaw(found[rules.JAW_1], difference)
        return found

    async def look(self, full=True):
        """Look at the leads; unlock the drivers when they are clean, lock them otherwise. Returns the record's map.

        full: every input, else only the leads and jaw 1, for the looks between measurements. The map has: seen, at,
        dc_volts, ac_volts (of the voltage seen, or of the largest that was taken for leakage or pick-up), over_range
        (the voltage is larger than shown), loaded (whether load steps were needed). Takes 0.24 s (full) or 0.14 s, and
        0.7 s more with load steps. Raises AdcFault.
        """
        front = self._front
        front.off()
        front.lock(frontend.NOT_LOOKED)
        try:
            async with front.lock_bus:
                await sleep_ms(frontend.SETTLE_OFF_MS)
                free_channels = await self._channels(full)
                free = rules.pairs(free_channels)
                worst = rules.largest(free)
                over_range = rules.over_range(free_channels, board.SUPPLY_MILLIVOLTS / 1000)
                seen = None
                loaded = over_range or rules.size(worst) >= rules.SUSPICION_VOLTS
                if loaded:
                    seen = await self._under_load(free, full, rules.size(worst), over_range)
        finally:
            front.off()
        if seen:
            front.lock("a voltage from %s" % seen.at)
        else:
            front.clean()
        shown = seen or worst
        return {
            "seen": seen is not None,
            "at": seen.at if seen else None,
            "dc_volts": shown.dc_volts,
            "ac_volts": shown.ac_volts,
            "over_range": over_range and seen is not None,
            "loaded": loaded,
        }

    async def _under_load(self, free, full, seen_volts, over_range):
        """Return the Pair that holds its voltage under load, or None."""
        weak = seen_volts < frontend.LOAD_LIMIT_VOLTS and not over_range
        low_state = frontend.LOAD_LOW if weak else frontend.PULLS_LOW
        high_state = frontend.LOAD_HIGH if weak else frontend.PULLS_HIGH
        low = await self._loaded_pairs(low_state, full, seen_volts)
        high = await self._loaded_pairs(high_state, full, seen_volts)
        middle = await self._loaded_pairs(frontend.PULLS_MIDDLE, full, seen_volts)
        return rules.stiff(free, low, high, middle)

    async def _loaded_pairs(self, state, full, seen_volts):
        self._front.load(state, seen_volts)
        await sleep_ms(frontend.SETTLE_OFF_MS)
        return rules.pairs(await self._channels(full))
