"""Findings: what was seen, in plain words, and what to do about it.

A finding has a code for programs, a message and advice for people. The verdict is separate: a finding explains it.
"""

_TEXTS = {
    "open-circuit": (
        "Open circuit: no current flows through the probe.",
        "Check clips and connector; measure at the sensor itself. Open there too: replace the sensor.",
    ),
    "short-circuit": (
        "Short circuit: the leads are connected to each other.",
        "Look for chafed wires and a crushed connector; measure at the sensor itself. Short there too: replace it.",
    ),
    "outside-window": (
        "The resistance is outside the service window.",
        "Check that the curve is the right one for this part; then replace the sensor.",
    ),
    "ambient-disagrees": (
        "The probe does not read the room's temperature.",
        "Let it cool fully, hold the room thermometer beside it and repeat. Same again: compare at the sensor and at "
        "the control end, then replace what is off.",
    ),
    "leak-to-chassis": (
        "A lead leaks to the chassis.",
        "Unplug the harness and measure sensor and harness apart: replace the part that leaks. Moisture may come and "
        "go with heat.",
    ),
    "intermittent": (
        "The connection comes and goes when the leads are moved.",
        "Bend one section at a time to find the spot; renew the connector or the harness there.",
    ),
    "voltage-on-leads": (
        "There is a voltage on the leads. Nothing was measured.",
        "Stop, touch nothing. Switch off at the breaker, verify with a tester made for mains, then unclip.",
    ),
    "not-settled": (
        "The reading was still moving: the probe is warmer or colder than the room.",
        "Wait until it has settled, door open, then repeat.",
    ),
    "wrong-curve": (
        "The readings fit another curve better than the chosen one.",
        "Compare the part's data with the chosen curve; a wrong replacement part shows like this.",
    ),
    "harness-resistance": (
        "The harness adds resistance between sensor and control.",
        "Look for a corroded, burnt or loose connector; renew the joint or the harness. The sensor is not it.",
    ),
    "no-chassis-contact": (
        "The chassis clip has no contact with metal. Isolation was not judged.",
        "Move the clip to bare metal (a screw, a scraped spot) and repeat.",
    ),
    "sense-lost": (
        "A sense jaw has no contact with its lead.",
        "Clip on again so that both jaws bite on bare metal.",
    ),
    "out-of-range": (
        "The resistance is beyond what the tester can measure.",
        "Check clips and connector and repeat; compare with another instrument.",
    ),
    "adc-fault": (
        "The tester's converter does not answer as it should. Nothing was judged.",
        "Switch the tester off and on; if it stays, take it out of service.",
    ),
    "usb-refused": (
        "A probe test on USB was refused: the computer's earth would become part of the circuit.",
        "Unplug USB, or declare an isolator in the settings if one is fitted.",
    ),
    "uncalibrated": (
        "The tester is not calibrated; the value stands on the tolerance of its parts.",
        "Calibrate it against reference resistors; use the value meanwhile with its wider uncertainty.",
    ),
    "calibration-overdue": (
        "The tester's calibration is past its date.",
        "Have it calibrated; its numbers hold with the drift that its history shows.",
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
    "too-close": (
        "The reading is too close to a limit to call.",
        "Measure the room's temperature better, right beside the sensor, and repeat; or take a second point in ice "
        "water.",
    ),
    "ambient-missing": (
        "The room's temperature is not known, so the reading cannot be compared with it.",
        "Hold a room thermometer beside the sensor, enter what it shows, and repeat.",
    ),
    "isolation-unclear": (
        "The isolation could not be measured well enough to call.",
        "Dry the sensor and the connector, clip on again and repeat.",
    ),
}

CODES = tuple(sorted(_TEXTS))

# These speak of the tester and not of the probe: they stand beside a verdict and never change it.
ABOUT_TESTER = ("check-failed", "uncalibrated", "check-never", "calibration-overdue", "check-overdue")


def split(codes):
    """Return two lists: the codes about the probe, in their order, and those about the tester, the gravest first."""
    return [code for code in codes if code not in ABOUT_TESTER], [code for code in ABOUT_TESTER if code in codes]


def text(code):
    """Return (message, advice) of a finding's code; an unknown one, from a newer tester, is named as such."""
    if code in _TEXTS:
        return _TEXTS[code]
    return (
        "Finding '%s', which this version does not know." % code,
        "Update probeledger to read what it means.",
    )
