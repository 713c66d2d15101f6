"""The pages of the bake log: its cautions, its choices, the log as it runs, and its end."""

from . import words

# Title and text of each page of cautions; the last is confirmed by a held key.
CAUTIONS = (
    ("Bake log", "The oven is LIVE here. USB out. Chassis clip off, away from everything."),
    ("Outside", "Clips and tester outside, away from vents. Probe and lead rated above 300\u00b0C."),
    ("Attended", "Oven put together first. Stay with it. Never while it cleans itself."),
)

# Why a log does not begin.
_REFUSED = {
    "usb": "USB is in: the computer's earth would be tied to a live oven. Unplug it.",
    "chassis": "The chassis clip touches something, or is closed on itself. Take it off.",
    "leads": "No probe is read. Both clips on the reference probe, all jaws.",
    "curve": "The reading fits no temperature of this curve. Choose the probe's.",
}

# Why a log ended.
_ENDED = {
    "done": "Its time is over.",
    "stopped": "Stopped by key.",
    "usb": "USB was plugged in.",
    "chassis": "The chassis clip touched something.",
    "voltage": "A voltage on the leads.",
    "open": "No reading for 10 min: a clip is off.",
    "cell": "The cell is too low to measure right.",
    "cut": "It was cut off.",
    "ledger-full": "The ledger is full.",
    "ledger-none": "There is no ledger.",
    "ledger-memory": "Out of memory.",
    "ledger-failed": "The flash fails.",
}


def _footer(canvas, left, middle, right):
    """Name what the three keys do."""
    y = canvas.height - 8
    canvas.text(left, 0, y)
    if middle:
        width = canvas.text_width(middle) + 4
        canvas.label(middle, (canvas.width - width) // 2, y - 1)
    canvas.right(right, y)


def hours(seconds):
    """Return a time in hours and minutes, rounded up to the minute. seconds: [s]."""
    minutes = (seconds + 59) // 60
    return "%d:%02d h" % (minutes // 60, minutes % 60)


def degrees(centicelsius, fahrenheit, difference=False):
    """Return a temperature or a difference of two with its unit. centicelsius: [0.01 degC], or None."""
    if centicelsius is None:
        return words.temperature(None, fahrenheit)
    celsius = centicelsius / 100
    if difference and fahrenheit:
        celsius -= 32 / 1.8
    return words.temperature(celsius, fahrenheit)


def caution(canvas, index):
    """Draw a page of cautions. index: of CAUTIONS."""
    title, text = CAUTIONS[index]
    last = index == len(CAUTIONS) - 1
    canvas.clear()
    canvas.text(title, 0, 0, 2)
    canvas.paragraph(text, 19, 4)
    _footer(canvas, "leave", "hold: all so" if last else "OK", "%d of %d" % (index + 1, len(CAUTIONS)))
    canvas.show()


def choices(canvas, planned_hours, curve):
    """Draw what can be chosen before the start. planned_hours: how long; curve: name of the probe's curve."""
    canvas.clear()
    canvas.text("For %d h" % planned_hours, 0, 0, 2)
    canvas.text("one reading a second", 0, 19)
    canvas.text("reference probe's curve:", 0, 32)
    canvas.paragraph(curve, 41, 1)
    _footer(canvas, "curve", "START", "hours")
    canvas.show()


def refused(canvas, reason, text=None):
    """Draw why no log begins. reason: code; text: sentence of a fault, or None."""
    canvas.clear()
    canvas.text("Not now", 0, 0, 2)
    canvas.paragraph(_REFUSED.get(reason) or text or _ENDED.get(reason, reason), 19, 4)
    _footer(canvas, "", "OK", "")
    canvas.show()


def running(canvas, view):
    """Draw the log as it runs.

    view: dict with centicelsius (or None), swing, mean (or None) [0.01 degC], cycles, left_s, parts (saved), lost_s,
    lost (text), fahrenheit.
    """
    fahrenheit = view["fahrenheit"]
    canvas.clear()
    canvas.text(degrees(view["centicelsius"], fahrenheit), 0, 0, 3)
    if view["lost_s"] > 1:
        canvas.label("no reading for " + words.duration(view["lost_s"]), 0, 23)
        canvas.paragraph(view["lost"], 33, 1)
    else:
        canvas.text("swing " + degrees(view["swing"], fahrenheit, True), 0, 24)
        if view["cycles"]:
            said = "%d cycles" % view["cycles"] if view["cycles"] > 1 else "1 cycle"
            canvas.text("mean %s of %s" % (degrees(view["mean"], fahrenheit), said), 0, 33)
        else:
            canvas.text("mean: no whole cycle yet", 0, 33)
    canvas.text(hours(view["left_s"]) + " left", 0, 44)
    canvas.right(_parts(view["parts"]) + " saved", 44)
    _footer(canvas, "hold: end", "", "")
    canvas.show()


def _parts(number):
    return "%d part" % number if number == 1 else "%d parts" % number


def ended(canvas, view):
    """Draw a log's end.

    view: dict with reason (code), text (of a fault, or None), parts (saved), last (number of the last record saved, or
    None), unsaved_s (what was measured and not saved), centicelsius: mean (or None), cycles, fahrenheit.
    """
    canvas.clear()
    canvas.text("Log ended", 0, 0, 2)
    reason = _ENDED.get(view["reason"]) or view["text"] or view["reason"]
    y = canvas.paragraph(reason, 19, 2)
    if view["cycles"]:
        canvas.text("mean %s, %d cyc." % (degrees(view["mean"], view["fahrenheit"]), view["cycles"]), 0, max(y, 37))
    if view["unsaved_s"]:
        canvas.text(_parts(view["parts"]) + " saved", 0, 46)
        canvas.banner("NOT SAVED: last " + words.duration(view["unsaved_s"]), 55)
    else:
        canvas.text(_parts(view["parts"]) + " saved, last no. %d" % (view["last"] or 0), 0, 56)
    canvas.show()


def cut(canvas, first, seconds, saved):
    """Draw that a log was cut off before this start.

    first: number of its first record; seconds: what is saved of it [s]; saved: number of the record that says so, or
    None.
    """
    canvas.clear()
    canvas.text("Log was cut", 0, 0, 2)
    canvas.paragraph(
        "Bake log no. %d was cut off. Its first %s are saved; it does not go on by itself." % (first, hours(seconds)),
        19,
        4,
    )
    if saved:
        canvas.text("saved no. %d" % saved, 0, 56)
        canvas.right("OK", 56)
    else:
        _footer(canvas, "", "OK", "")
    canvas.show()
