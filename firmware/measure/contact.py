"""Prove that the chassis clip touches metal, before any isolation counts.

Jaw 1 up and jaw 2 down, then the other way: the monitor reads jaw 1 minus jaw 2 (jaw switch on jaw 2) and with it the
resistance of what lies between them. Then both jaws up and both down: the tap has to follow.
"""

from asyncio import sleep_ms

import board
from parts import ads1220
from probecore import contact as rules

from . import frontend

_HZ = 20
_FOLLOW_HZ = 90

_DRIVE_OHMS = board.OHMS_RG_C + board.GPIO_OUTPUT_OHMS
_BLEED_OHMS = board.OHMS_RB_C1 // 2


async def prove(front, supply_volts):
    """Return Contact(proven, ohms, follows) of the chassis clip.

    front: FrontEnd whose last look was clean; supply_volts: from Bridge.check [V]. Takes 0.2 s. Raises AdcFault,
    DriveRefused.
    """
    adc = front.adc
    try:
        async with front.lock_bus:
            adc.setup(_HZ)
            front.select_jaw(1)
            adc.select(ads1220.REFP0_REFN0, 1, True)
            forward = await _read(front, frontend.JAW_FORWARD)
            reverse = await _read(front, frontend.JAW_REVERSE)
            front.select_jaw(0)
            adc.setup(_FOLLOW_HZ)
            high = await _read(front, frontend.JAWS_HIGH)
            low = await _read(front, frontend.JAWS_LOW)
            adc.verify()
    finally:
        front.off()
        front.select_jaw(0)
    ohms = rules.jaw_ohms(forward, reverse, supply_volts, _DRIVE_OHMS, _BLEED_OHMS, board.OHMS_RC)
    return rules.judge(ohms, high, low)


async def _read(front, state):
    """Enter a state and return the monitor's reading [uV]."""
    front.drive(state)
    await sleep_ms(frontend.SETTLE_HIGH_MS)
    front.adc.start()
    await sleep_ms(front.adc.rest_ms)
    return ads1220.microvolts_of_monitor(front.adc.finish())
