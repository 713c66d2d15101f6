"""Limits: what a probe has to meet. A profile is a map of numbers; a shop can bring its own.

The default is common practice, no source, for a domestic oven with a 1000-ohm platinum sensor.
"""

from . import maths
from .errors import MisuseError

DOMESTIC_1000 = {
    "name": "domestic-1000",
    # temperature by the curve minus ambient [degC]
    "ambient_celsius": 4.0,
    # service window [ohm] of an element of this resistance at 0 degC, and the ambient [degC] at which it is used
    "window_low_ohms": 1000.0,
    "window_high_ohms": 1200.0,
    "window_r0_ohms": 1000.0,
    "window_low_celsius": 10.0,
    "window_high_celsius": 40.0,
    # each lead to the chassis, at least [ohm]
    "isolation_ohms": 1e6,
    # control end minus sensor end, at most [ohm]
    "harness_ohms": 3.0,
    # drift of a reading that counts as settled [degC/min]
    "settled_celsius_per_minute": 0.08,
    # standard uncertainty of an ambient of which nothing better is known [degC]
    "u_ambient_celsius": 1.0,
    # a requirement is met from the first probability up, missed down to the second
    "pass_probability": 0.95,
    "fail_probability": 0.05,
    # of the element's resistance at 0 degC: below is a short, above is open
    "short_fraction": 0.05,
    "open_multiple": 100.0,
    # a check of the tester holds so long [h]
    "check_hours": 24.0,
}

_POSITIVE = (
    "ambient_celsius",
    "window_low_ohms",
    "window_high_ohms",
    "window_r0_ohms",
    "isolation_ohms",
    "harness_ohms",
    "settled_celsius_per_minute",
    "u_ambient_celsius",
    "short_fraction",
    "open_multiple",
    "check_hours",
)


def complete(profile):
    """Check a profile and fill what it leaves out from the default.

    profile: map with any of the keys of DOMESTIC_1000. Returns a new map with all of them.
    Raises MisuseError for an unknown key, a value that is no number, or limits in the wrong order.
    """
    for key in profile:
        if key not in DOMESTIC_1000:
            known = ", ".join(sorted(DOMESTIC_1000))
            raise MisuseError("limits-key", "The limits have the unknown entry %s. Known: %s." % (key, known))
        if key != "name" and not maths.finite(profile[key]):
            raise MisuseError("limits-value", "The limit %s has to be a number; it is %r." % (key, profile[key]))
    full: dict = dict(DOMESTIC_1000)
    full.update(profile)
    for key in _POSITIVE:
        if full[key] <= 0:
            raise MisuseError("limits-value", "The limit %s has to be above zero; it is %g." % (key, full[key]))
    for low, high in (
        ("window_low_ohms", "window_high_ohms"),
        ("window_low_celsius", "window_high_celsius"),
        ("fail_probability", "pass_probability"),
        ("short_fraction", "open_multiple"),
    ):
        if full[low] >= full[high]:
            raise MisuseError(
                "limits-order", "The limit %s (%g) has to be below %s (%g)." % (low, full[low], high, full[high])
            )
    if not 0 < full["fail_probability"] < full["pass_probability"] < 1:
        raise MisuseError(
            "limits-value",
            "The limits' probabilities have to lie between 0 and 1; they are %g and %g."
            % (full["fail_probability"], full["pass_probability"]),
        )
    return full
