"""Isolation of each lead from the chassis: both ends of the probe at one rail, the chassis toggled, both polarities.

T and F+ sit at a rail, where the converter's amplifier cannot work: it is bypassed, at gain 4 wherever the voltage is
small (T to F+, S+ to S-, and S- at the low rail), at gain 1 for S- at the high rail. A state is read in four
conversions of 50 ms; each rail has a quiet and a toggled state.
"""

from asyncio import sleep_ms

import board
from parts import ads1220
from probecore import isolation as rules

from . import frontend

_HZ = 20
_GAIN = 4

# quiet state, toggled state, sign of the toggle, gain of S- against ground
_RAILS = (
    (frontend.ISOLATION_LOW, frontend.ISOLATION_LOW_TOGGLED, 1, 4),
    (frontend.ISOLATION_HIGH, frontend.ISOLATION_HIGH_TOGGLED, -1, 1),
)

# The drive path of pin B as seen from F-: its pin's resistors lie in parallel with the bleeds.
_PIN_OHMS = board.OHMS_RG_B + board.GPIO_OUTPUT_OHMS
_BLEED_OHMS = board.OHMS_RB_B1 // 2
NOMINAL_LEG_OHMS = board.OHMS_RP_B + _PIN_OHMS * _BLEED_OHMS / (_PIN_OHMS + _BLEED_OHMS)
_ROOT_3 = 1.7320508
U_NOMINAL_LEG = board.DRIVE_TOLERANCE_PPM * 1e-6 / _ROOT_3
# Measured against the reference resistor: what the bleeds' tolerance and two gains leave.
U_MEASURED_LEG = 8e-4
_U_TAP = board.ADC_MONITOR_ERROR_PPM * 1e-6


async def measure(front, supply_volts, element_ohms, u_element_ohms=0.0, leg_ohms=None, rounds=1, progress=None):
    """Measure both polarities. Returns (Isolation, raw) or (None, raw) when the chassis did not follow its drive.

    front: FrontEnd whose last look was clean; supply_volts: from Bridge.check [V]; element_ohms: between the leads
    [ohm], None when open; u_element_ohms: its standard uncertainty [ohm]; leg_ohms: from Bridge.leg_ohms [ohm], or None
    for the nominal value; rounds: toggles at each rail; progress: called with a share from 0 to 1, or None.
    raw: list of [sign, quiet's four values, toggled's four values] for the record. Takes 0.86 s a round.
    Raises AdcFault, DriveRefused.
    """
    circuit = rules.Circuit(
        board.REFERENCE_OHMS,
        leg_ohms or NOMINAL_LEG_OHMS,
        U_MEASURED_LEG if leg_ohms else U_NOMINAL_LEG,
        supply_volts,
        _U_TAP,
        board.ADC_NOISE_NANOVOLTS[_GAIN] * 1e-9,
        board.ADC_NOISE_NANOVOLTS[1] * 1e-9,
    )
    polarities: dict = {1: [], -1: []}
    raw = []
    done = 0
    try:
        async with front.lock_bus:
            front.adc.setup(_HZ)
            front.select_jaw(0)
            for _ in range(rounds):
                for quiet_state, toggled_state, sign, gain in _RAILS:
                    quiet = await _read(front, quiet_state, gain)
                    toggled = await _read(front, toggled_state, gain)
                    raw.append([sign, list(quiet), list(toggled)])
                    polarities[sign].append(rules.polarity(quiet, toggled, gain, sign, circuit))
                    done += 1
                    if progress:
                        progress(done / (2 * rounds))
            front.adc.verify()
    finally:
        front.off()
    if rules.held(polarities[1] + polarities[-1]):
        return None, raw
    return rules.combine(polarities, element_ohms, u_element_ohms, circuit), raw


async def _read(front, state, gain):
    """Enter a state and read it. Returns probecore.isolation.State."""
    adc = front.adc
    front.drive(state)
    await sleep_ms(frontend.SETTLE_HIGH_MS)
    adc.select(ads1220.AIN0_AIN3, _GAIN, True)
    reference = await _convert(adc)
    adc.select(ads1220.AIN2_AVSS, gain, True)
    lead_b = await _convert(adc)
    adc.select(ads1220.AIN1_AIN2, _GAIN, True)
    element = await _convert(adc)
    adc.select(ads1220.REFP0_REFN0, 1, True)
    tap = ads1220.microvolts_of_monitor(await _convert(adc))
    return rules.State(reference, lead_b, element, tap)


async def _convert(adc):
    adc.start()
    await sleep_ms(adc.rest_ms)
    return adc.finish()


def lead_map(leak):
    """Return the record's map of one lead."""
    return {"ohms": leak.ohms, "u_ohms": leak.u_ohms, "greater": leak.greater, "reason": leak.reason}


def record_map(isolation, raw):
    """Return the record's map of an Isolation and its raw readings."""
    return {
        "a": lead_map(isolation.a),
        "b": lead_map(isolation.b),
        "position": isolation.position,
        "u_position": isolation.u_position,
        "separable": isolation.separable,
        "positive_ohms": isolation.positive_ohms,
        "negative_ohms": isolation.negative_ohms,
        "raw": raw,
    }
