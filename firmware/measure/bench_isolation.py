"""Isolation on the bench, for the link: a resistor between the leads, another one from a lead to the chassis clip."""

from probecore.verdict import CONNECTED, SHORT

from . import bridge as bridges, isolation, ranges


async def measure(bridge, front, calibration, rounds=1):
    """Measure isolation without proof of contact: on the bench one jaw may hold a resistor's wire alone. Returns a map.

    bridge: Bridge whose front end has looked for foreign voltages; front: FrontEnd; calibration: Calibration; rounds:
    toggles at each rail. Takes about a second and 0.9 s a round. Raises AdcFault, DriveRefused.
    """
    bridge.two_wire = False
    check = await bridge.check()
    look = await bridge.look()
    leg_ohms = None
    element_ohms = None
    u_element_ohms = 0.0
    if look.leads == SHORT:
        element_ohms = 0.0
    elif look.leads == CONNECTED:
        reading = bridge.new_reading()
        await bridge.read(look.plan, reading)
        _, element_ohms, u_element_ohms = bridges.resistance(
            calibration, look.plan, [list(reading)], 0.0, check.celsius
        )
        if look.plan.range == ranges.LOW:
            leg_ohms = await bridge.leg_ohms()
    found, raw = await isolation.measure(front, check.supply_volts, element_ohms, u_element_ohms, leg_ohms, rounds)
    result = {
        "leads": look.leads,
        "note": look.note,
        "element_ohms": element_ohms,
        "tester_celsius": check.celsius,
        "follows": found is not None,
        "isolation": None,
    }
    if found is not None:
        result["isolation"] = isolation.record_map(found, [])
    return result
