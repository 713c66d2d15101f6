"""The words on the display, short enough for it. No text here says safe, dead or no voltage."""

PLACES = ("sensor", "control-end", "new-part", "after-fitting")

PLACE = {
    "sensor": "Sensor",
    "control-end": "Control",
    "new-part": "New part",
    "after-fitting": "Fitted",
}

PLACE_SMALL = {
    "sensor": "at the sensor",
    "control-end": "at the control",
    "new-part": "new part",
    "after-fitting": "after fitting",
}

# One finding each: at most two lines of the display.
FINDING = {
    "open-circuit": "Open circuit.",
    "short-circuit": "Short circuit: leads touch.",
    "outside-window": "Outside the service window.",
    "ambient-disagrees": "Does not read the room's temperature.",
    "leak-to-chassis": "A lead leaks to the chassis.",
    "intermittent": "Comes and goes when bent.",
    "voltage-on-leads": "Voltage on the leads.",
    "not-settled": "Not settled: warm or cold.",
    "wrong-curve": "Fits another curve better.",
    "harness-resistance": "Harness adds resistance.",
    "no-chassis-contact": "Chassis clip has no contact: bare metal?",
    "sense-lost": "A jaw has no contact: clip on again.",
    "out-of-range": "Beyond what I can measure.",
    "adc-fault": "The tester's converter fails.",
    "usb-refused": "Refused on USB.",
    "too-close": "Too close to a limit to call.",
    "ambient-missing": "Room temperature not known.",
    "isolation-unclear": "Isolation unclear: dry it.",
}

# What a verdict says of the tester beside the record's number, and, where there is more than one, in short.
TESTER = {
    "check-failed": ("CHECK FAILED", "CHECK FAILED"),
    "uncalibrated": ("uncalibrated", "uncal."),
    "check-never": ("never checked", "unchecked"),
    "calibration-overdue": ("cal. overdue", "cal. due"),
    "check-overdue": ("check overdue", "check due"),
}

# The home page's line on the check.
CHECK_DUE = {
    "check-failed": "CHECK FAILED: hold BACK",
    "check-never": "never checked: hold BACK",
    "check-overdue": "check is due: hold BACK",
}

# The steps of the morning check: title, what to do.
CHECK_STEP = {
    "together": ("Clips together", "Both probe clips on one wire, chassis clip free."),
    "open": ("Clips apart", "Both probe clips off, touching nothing."),
    "resistor": ("Check resistor", "Both probe clips on the check resistor, chassis clip free."),
    "isolation": ("To the chassis", "Add the chassis clip at its resistor's end."),
    "jaws": ("Chassis jaws", "Chassis clip on bare metal, or closed on itself."),
}

CHECK_NAME = {
    "together": "zero",
    "open": "open",
    "resistor": "resistor",
    "isolation": "chassis",
    "jaws": "jaws",
}

CHECK_HINT = {
    "other-resistor": "not that resistor",
    "jaw-lost": "a jaw has no contact",
    "chassis-on": "take the chassis clip off",
    "moving": "hold still",
}

VERDICT = {"pass": "PASS", "fail": "FAIL", "undecided": "UNDECIDED"}

REQUIREMENT = {
    "continuity": "continuity",
    "ambient agreement": "room",
    "service window": "window",
    "isolation a": "isolation a",
    "isolation b": "isolation b",
    "harness": "harness",
    "flex": "flex",
}

# Where the two lines of a conclusion find no room.
CONCLUSION_SHORT = "Good at both ends: control?"

SAFETY = ("Off at the breaker?", "Mains tester used?")


def finding(code):
    """Return the short sentence of a finding's code."""
    return FINDING.get(code, code)


def about_tester(codes):
    """Return what a verdict says of the tester as a list of texts, the fullest first; it is empty where all is well.

    codes: findings about the tester, the gravest first.
    """
    if not codes:
        return []
    texts = list(TESTER[codes[0]])
    if len(codes) > 1:
        texts.insert(0, ", ".join([TESTER[code][1] for code in codes]))
    return texts


def check_result(result, setup_ohms):
    """Return one line on a step of the check: its name, what was read, and what is wrong with it.

    result: map of a step; setup_ohms: value of the step's resistor [ohm], None where it has none.
    """
    name = CHECK_NAME[result["step"]]
    value = result["ohms"]
    if value is None:
        return name + ": no reading"
    if result["step"] == "together":
        said = "%.3f ohm" % value
    elif result["step"] == "open":
        said = "no current" if result["passed"] else ohms(value)
    elif setup_ohms:
        share = (value - setup_ohms) / setup_ohms
        said = "%+.0f ppm" % (share * 1e6) if abs(share) < 0.01 else "%+.1f %%" % (share * 100)
        if result["why"] != "history":
            said = ohms(value) + ", " + said
    else:
        said = ohms(value)
    if result["why"] == "history":
        said += ": has changed"
    return name + " " + said


def not_checked(names, place):
    """Return one line on what was not checked, "" where everything was.

    names: requirements; place: where the test was made. The harness has no part in a test at the sensor or of a part.
    """
    shown = []
    for name in names:
        short = "isolation" if name.startswith("isolation") else REQUIREMENT.get(name, name)
        if short not in shown and (short != "harness" or place == "control-end"):
            shown.append(short)
    return "not checked: " + ", ".join(shown) if shown else ""


def conclusion(body):
    """Return where to look next when a circuit is good at the sensor and at the control's end, else "".

    body: of a probe record; both ends of one job are in it when it has a harness. What is left is common practice, no
    source.
    """
    harness = body.get("harness")
    if body["verdict"] == "pass" and harness and harness.get("other_verdict") == "pass":
        return "Good at both ends: look at the control or the heating circuit."
    return ""


def detail(body, code, fahrenheit=False):
    """Return what was measured for a finding, one line, "" where a number says no more.

    body: of a probe record; code: the finding's; fahrenheit: how degrees are shown.
    """
    if code in ("too-close", "isolation-unclear"):
        return _guard(body, fahrenheit)
    if code == "open-circuit":
        return "no current flows" if body.get("ohms") is None else "far more than this curve allows"
    if code == "leak-to-chassis":
        return _leak(body.get("isolation") or {})
    if code == "harness-resistance":
        harness = body["harness"]
        return "%+.1f ohm against no. %d" % (harness["ohms"], harness["other_sequence"] or 0)
    if code == "intermittent":
        flex = body["flex"]
        if flex["dropouts"]:
            return "%d dropouts, longest %d ms" % (flex["dropouts"], flex["longest_dropout_ms"])
        return "%d steps, largest %.1f ohm" % (flex["steps"], flex["largest_step_ohms"])
    if code == "ambient-disagrees" and body.get("expected_ohms"):
        return "expected " + ohms(body["expected_ohms"])
    return ""


def _guard(body, fahrenheit):
    """Return how far inside its limit a reading still is undecided, for the requirement that is met least surely."""
    lowest = 1.0
    least = ""
    for name, probability in body.get("requirements") or ():
        if probability < lowest:
            lowest = probability
            least = name
    for name, celsius, value in body.get("guards") or ():
        if name == least and value is not None:
            resistance = "%.1f ohm" % value if value < 1000 else ohms(value)
            if celsius is None:
                return "guard " + resistance
            degrees = "%.1f\u00b0F" % (1.8 * celsius) if fahrenheit else "%.1f\u00b0C" % celsius
            return "guard %s = %s" % (degrees, resistance)
    return ""


def _leak(isolation):
    """Return the lead that leaks most and its resistance to the chassis."""
    worst = ""
    lowest_ohms = None
    for lead in ("a", "b"):
        value = (isolation.get(lead) or {}).get("ohms")
        if value is not None and (lowest_ohms is None or value < lowest_ohms):
            lowest_ohms = value
            worst = lead
    return "" if lowest_ohms is None else "lead %s: %s" % (worst, ohms(lowest_ohms))


def ohms(value):
    """Return a resistance with its unit, as many digits as mean something on a display."""
    if value is None:
        return "--- ohm"
    if value < 100:
        return "%.2f ohm" % value
    if value < 10000:
        return "%.1f ohm" % value
    if value < 1000000:
        return "%.2f kohm" % (value / 1000)
    return "%.2f Mohm" % (value / 1000000)


def temperature(celsius, fahrenheit):
    """Return a temperature with its unit, degC or degF."""
    if celsius is None:
        return "---\u00b0" + ("F" if fahrenheit else "C")
    if fahrenheit:
        return "%.1f\u00b0F" % (celsius * 1.8 + 32)
    return "%.1f\u00b0C" % celsius


def duration(seconds):
    """Return a time to go in minutes and seconds."""
    seconds = int(seconds)
    return "%d:%02d min" % (seconds // 60, seconds % 60) if seconds >= 60 else "%d s" % seconds
