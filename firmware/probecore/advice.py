"""What a finding means, and what to do about it, in plain words.

The display has shorter words of its own (screen/words.py), so a tester never loads this. Advice that brings hands near
the appliance begins with the power. No text here says safe, dead or no voltage.
"""

_OFF = "With the power off at the breaker and that verified with a tester made for mains: "

_TEXTS = {
    "open-circuit": (
        "Open circuit: no current flows through the probe.",
        _OFF + "check clips and connector; measure at the sensor's own connector. Open there too: replace the sensor. "
        "Good there: the break is in the harness.",
    ),
    "short-circuit": (
        "Short circuit: the leads are connected to each other.",
        _OFF + "look for chafed wires and a crushed connector; measure at the sensor's own connector. Short there too: "
        "replace the sensor.",
    ),
    "outside-window": (
        "The resistance is outside the service window.",
        _OFF + "measure at the sensor's own connector and check that the curve is the right one for this part. "
        "Outside there too: replace the sensor.",
    ),
    "ambient-disagrees": (
        "The probe does not read the room's temperature.",
        "Let it cool fully, hold the room thermometer beside it and repeat. Same again: compare at the sensor and at "
        "the control end, with the power off at the breaker and that verified; then replace what is off.",
    ),
    "leak-to-chassis": (
        "A lead leaks to the chassis.",
        _OFF + "unplug the harness and measure sensor and harness apart; replace the part that leaks. Moisture may "
        "come and go with heat.",
    ),
    "intermittent": (
        "The connection comes and goes when the leads are moved.",
        _OFF + "bend one section at a time to find the spot; renew the connector or the harness there, then test "
        "again before anything else is replaced.",
    ),
    "voltage-on-leads": (
        "There is a voltage on the leads. Nothing was measured.",
        "Stop, touch nothing. Switch off at the breaker, verify with a tester made for mains, then unclip.",
    ),
    "not-settled": (
        "The reading was still moving: the probe is warmer or colder than the room.",
        "Wait until it has settled, door open, then repeat. Surfaces may be hot.",
    ),
    "wrong-curve": (
        "The reading fits another curve than the chosen one.",
        "Compare the part's data with the chosen curve, and choose the right one and repeat before anything is "
        "replaced. A replacement part of the wrong kind shows like this too.",
    ),
    "harness-resistance": (
        "The harness adds resistance between sensor and control.",
        _OFF + "look for a corroded, burnt or loose connector; renew the joint or the harness, then test again before "
        "the sensor is replaced: this resistance is not the sensor's.",
    ),
    "no-chassis-contact": (
        "The chassis clip has no contact with metal. Isolation was not judged.",
        _OFF + "move the clip to bare metal (a screw, a scraped spot) and repeat.",
    ),
    "sense-lost": (
        "A sense jaw has no contact with its lead.",
        _OFF + "clip on again so that both jaws bite on bare metal, and repeat.",
    ),
    "out-of-range": (
        "The resistance is beyond what the tester can measure.",
        _OFF + "check clips and connector and repeat; compare with another instrument.",
    ),
    "adc-fault": (
        "The tester's converter does not answer as it should. Nothing was judged.",
        "Switch the tester off and on; if it stays, take it out of service.",
    ),
    "usb-refused": (
        "A probe test on USB was refused: the computer's earth would become part of the circuit.",
        "Unplug USB, or declare an isolator in the settings if one is fitted.",
    ),
    "too-close": (
        "A reading is too close to a limit to call.",
        "The guard band says by how much. Where the room's temperature is the larger doubt, measure it right beside "
        "the sensor, or take a second point in ice water; where the ohms are, repeat with a better instrument. A "
        "harness: test both ends again, one soon after the other.",
    ),
    "ambient-missing": (
        "The room's temperature is not known, so the reading cannot be compared with it.",
        "Hold a room thermometer beside the sensor, enter what it shows, and repeat.",
    ),
    "isolation-unclear": (
        "The isolation could not be measured well enough to call.",
        _OFF + "dry the sensor and the connector, clip on again and repeat.",
    ),
    "uncalibrated": (
        "The tester is not calibrated; the value stands on the tolerance of its parts.",
        "Calibrate it against reference resistors. While it passes its checks, its values count with their wider "
        "uncertainty.",
    ),
    "calibration-overdue": (
        "The tester's calibration is past its date.",
        "Have it calibrated. While it passes its checks, its numbers count with the drift that its history shows.",
    ),
    "check-failed": (
        "The tester failed its last check: its numbers are in doubt.",
        "Clean the clips and check again. If it fails again, take the tester out of service and have it calibrated.",
    ),
    "check-never": (
        "The tester has never been checked against a known resistor.",
        "Make the morning check (half a minute: hold BACK on the home page) before its numbers are relied on.",
    ),
    "check-overdue": (
        "The tester's last good check is too long ago, or how long ago is not known.",
        "Make the morning check (half a minute: hold BACK on the home page); set the clock if it is not set.",
    ),
}


def text(code):
    """Return (message, advice) of a finding's code; an unknown one, from a newer tester, is named as such."""
    if code in _TEXTS:
        return _TEXTS[code]
    return (
        "Finding '%s', which this version does not know." % code,
        "Update probeledger to read what it means.",
    )
