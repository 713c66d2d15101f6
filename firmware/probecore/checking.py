"""The morning check: what each step has to show, and what the newest check says of a tester later in the day.

Five things that need no laboratory: the clips on each other (zero), the clips apart, a known resistor, a megohm to the
chassis clip, the chassis clip's jaws on metal or on each other. Each is judged by its limit, and by the tester's own
history once ten checks are known: a value that is still within the limit and yet off from what this tester showed every
morning has a cause. What changes slowly shows on the shop's control chart.
"""

from collections import namedtuple

from . import contact, maths

TOGETHER = "together"
OPEN = "open"
RESISTOR = "resistor"
ISOLATION = "isolation"
JAWS = "jaws"

STEPS = (TOGETHER, OPEN, RESISTOR, ISOLATION, JAWS)
# Those whose values are kept as history.
CHARTED = (TOGETHER, RESISTOR, ISOLATION)

LIMIT = "limit"
HISTORY = "history"

# What the tester is checked with: the check resistor's id, value [ohm] and limit [ppm]; the chassis resistor [ohm].
Setup = namedtuple("Setup", ("resistor", "resistor_ohms", "resistor_ppm", "isolation_ohms"))

# Common practice, no source: a resistor of 0.1 %, which is also the limit; the reading's uncertainty is allowed for.
DEFAULT_SETUP = Setup("check resistor", 1000.0, 1000.0, 1e6)
ZERO_OHMS = 0.1
OPEN_OHMS = 2.5e6
_ISOLATION_SHARE = 0.05
# What is recognised as the resistor that belongs to a step: within a tenth, and within a factor of two.
_NEAR_SHARE = 0.1
_NEAR_FACTOR = 2.0

# Values kept, and the fewest that make a history. A spread from ten values is poorly known: the factor is larger.
WINDOW = 20
FEWEST = 10
_FACTOR_FEW = 6.0
_FACTOR = 4.5
# Mean range of two values, in standard deviations (NIST/SEMATECH e-Handbook, 6.3.2.2).
_D2 = 1.128
# Least width: below, a step that somebody should look at is not one (zero [ohm], resistor and isolation [1]).
_LEAST_WIDTH = {TOGETHER: 0.01, RESISTOR: 60e-6, ISOLATION: 0.01}

FAILED = "check-failed"
NEVER = "check-never"
OVERDUE = "check-overdue"


def setup_of(settings):
    """Return the Setup that the settings name: check_resistor (id), check_ohms, check_limit_ppm, check_isolation_ohms.

    A value that makes no sense is replaced by the default.
    """
    name = settings.get("check_resistor")
    return Setup(
        name[:24] if isinstance(name, str) and name else DEFAULT_SETUP.resistor,
        _within(settings.get("check_ohms"), 50.0, 4000.0, DEFAULT_SETUP.resistor_ohms),
        _within(settings.get("check_limit_ppm"), 10.0, 50000.0, DEFAULT_SETUP.resistor_ppm),
        _within(settings.get("check_isolation_ohms"), 1e5, 2e7, DEFAULT_SETUP.isolation_ohms),
    )


def _within(value, low, high, otherwise):
    return float(value) if maths.finite(value) and low <= value <= high else otherwise


def is_resistor(ohms, setup):
    """Tell whether a reading [ohm] is that of the check resistor, right or somewhat off."""
    return maths.fabs(ohms - setup.resistor_ohms) <= _NEAR_SHARE * setup.resistor_ohms


def is_isolation(leak_ohms, setup):
    """Tell whether a leak [ohm] is the resistor between a lead and the chassis clip."""
    return setup.isolation_ohms / _NEAR_FACTOR <= leak_ohms <= setup.isolation_ohms * _NEAR_FACTOR


def charted_value(step, ohms, setup):
    """Return the value of a step that its history keeps: zero in ohms, the others relative to their resistor."""
    if step == TOGETHER:
        return ohms
    nominal_ohms = setup.resistor_ohms if step == RESISTOR else setup.isolation_ohms
    return (ohms - nominal_ohms) / nominal_ohms


def judge_step(step, ohms, u_ohms, setup, past=None, celsius=None, tempco_ppm_per_k=10.0):
    """Judge one step. Returns a map: step, ohms, u_ohms, low_ohms, high_ohms, passed, why (LIMIT, HISTORY or None).

    step: of STEPS; ohms: what was read [ohm], None where nothing could be; for OPEN a lower limit or what was seen;
    u_ohms: its standard uncertainty [ohm]; setup: Setup; past: map with the lists "celsius" and those of CHARTED, or
    None; celsius: the tester's temperature now [degC], or None; tempco_ppm_per_k: the tester's own.
    """
    low_ohms, high_ohms = _limits(step, u_ohms or 0.0, setup)
    passed = ohms is not None and low_ohms <= ohms and (high_ohms is None or ohms <= high_ohms)
    why = None if passed else LIMIT
    if passed and past and step in CHARTED:
        tempco = tempco_ppm_per_k * 1e-6 if step == RESISTOR else 0.0
        if not fits_history(step, charted_value(step, ohms, setup), past, celsius, tempco):
            passed = False
            why = HISTORY
    return {
        "step": step,
        "ohms": ohms,
        "u_ohms": u_ohms,
        "low_ohms": low_ohms,
        "high_ohms": high_ohms,
        "passed": passed,
        "why": why,
    }


def _limits(step, u_ohms, setup):
    if step == TOGETHER:
        return -ZERO_OHMS, ZERO_OHMS
    if step == OPEN:
        return OPEN_OHMS, None
    if step == JAWS:
        return 0.0, contact.PROVEN_BELOW_OHMS
    if step == RESISTOR:
        half_ohms = setup.resistor_ppm * 1e-6 * setup.resistor_ohms + 2 * u_ohms
        return setup.resistor_ohms - half_ohms, setup.resistor_ohms + half_ohms
    half_ohms = _ISOLATION_SHARE * setup.isolation_ohms
    return setup.isolation_ohms - half_ohms, setup.isolation_ohms + half_ohms


def fits_history(step, value, past, celsius, tempco_per_k):
    """Tell whether a value fits what this tester showed before; True while its history is short.

    step: of CHARTED; value: as `charted_value` gives it; past: as in `judge_step`; celsius: the tester's temperature
    [degC], or None; tempco_per_k: relative change that a kelvin makes [1/K].
    """
    values = past.get(step) or []
    count = len(values)
    if count < FEWEST:
        return True
    mean = sum(values) / count
    ranges = 0.0
    for index in range(1, count):
        ranges += maths.fabs(values[index] - values[index - 1])
    sigma = ranges / (count - 1) / _D2
    width = max(_LEAST_WIDTH[step], (_FACTOR if count >= WINDOW else _FACTOR_FEW) * sigma)
    known = [each for each in past.get("celsius") or [] if each is not None]
    if celsius is not None and known:
        width += tempco_per_k * maths.fabs(celsius - sum(known) / len(known))
    return maths.fabs(value - mean) <= width


def extended(past, results, celsius, setup):
    """Return the history with a check that passed added, the oldest left out beyond WINDOW.

    past: map or None; results: list of maps of `judge_step`; celsius: the tester's temperature [degC], or None.
    """
    found: dict = {"celsius": list((past or {}).get("celsius") or []) + [celsius]}
    for step in CHARTED:
        found[step] = list((past or {}).get(step) or [])
    for result in results:
        if result["step"] in CHARTED:
            found[result["step"]].append(charted_value(result["step"], result["ohms"], setup))
    for name in found:
        found[name] = found[name][-WINDOW:]
    return found


def findings_of(body, profile):
    """Return the codes of what a probe test has to say of its tester: the check first, then the calibration.

    body: of a probe record, whose `check` and `calibration` are looked at; one without says nothing; profile: complete
    limits.
    """
    found = []
    check = body.get("check")
    if isinstance(check, dict):
        age_s = check.get("age_s")
        if check.get("passed") is False:
            found.append(FAILED)
        elif check.get("passed") is not True:
            found.append(NEVER)
        elif not maths.finite(age_s) or age_s > profile["check_hours"] * 3600:
            found.append(OVERDUE)
    calibration = body.get("calibration")
    state = calibration.get("state") if isinstance(calibration, dict) else None
    if state in ("uncalibrated", "damaged"):
        found.append("uncalibrated")
    elif state == "overdue":
        found.append("calibration-overdue")
    return found
