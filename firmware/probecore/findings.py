"""Findings: codes for what was seen, and their order. What they say to people stands in `advice`.

The verdict is separate: a finding explains it.
"""

# What to look at first stands first: a break or a joint explains a wrong temperature, and a limit that is missed comes
# before a test that has to be made again, as that can wait.
_ORDER = (
    "adc-fault",
    "usb-refused",
    "voltage-on-leads",
    "open-circuit",
    "short-circuit",
    "intermittent",
    "harness-resistance",
    "leak-to-chassis",
    "wrong-curve",
    "ambient-disagrees",
    "outside-window",
    "sense-lost",
    "out-of-range",
    "not-settled",
    "no-chassis-contact",
    "ambient-missing",
    "isolation-unclear",
    "too-close",
)

# These speak of the tester and not of the probe: they stand beside a verdict and never change it.
ABOUT_TESTER = ("check-failed", "uncalibrated", "check-never", "calibration-overdue", "check-overdue")

CODES = _ORDER + ABOUT_TESTER


def ordered(codes):
    """Return codes about the probe as a list, what to look at first leading."""
    return [code for code in _ORDER if code in codes]


def split(codes):
    """Return two lists: the codes about the probe, in their order, and those about the tester, the gravest first."""
    return [code for code in codes if code not in ABOUT_TESTER], [code for code in ABOUT_TESTER if code in codes]


def text(code):
    """Return (message, advice) of a finding's code; an unknown one, from a newer tester, is named as such."""
    from . import advice

    return advice.text(code)
