"""The pages of the display, 128 x 64 pixels. Each draws one whole picture from plain values and shows it.

Lines are 9 pixels high. The verdict stands at three times the size, its value at twice where there is room; no value
stands without its unit, and "saved" is drawn only for a sequence number, which exists once the flash has the record.
"""

from . import words

_STOP_LINES = ("Touch nothing.", "Switch off at the breaker.", "Check with a mains tester,", "then unclip.")


def _footer(canvas, left, middle, right):
    """Name what the three keys below the display do."""
    y = canvas.height - 8
    if left:
        canvas.text(left, 0, y)
    if middle:
        width = canvas.text_width(middle) + 4
        canvas.label(middle, (canvas.width - width) // 2, y - 1)
    if right:
        canvas.right(right, y)


def _cell(canvas, millivolts, low):
    """Draw the cell at the upper right: a frame that fills, or its voltage inverse when it is low."""
    if low:
        text = "%.2fV" % (millivolts / 1000)
        canvas.label(text, canvas.width - canvas.text_width(text) - 4, 0)
        return
    canvas.frame(107, 1, 19, 7)
    canvas.bar(126, 3, 2, 3)
    # From 3.5 V (nearly empty) to 4.1 V (full), a lithium cell's useful range.
    filled = max(0, min(15, (millivolts - 3500) // 40))
    canvas.bar(109, 3, filled, 3)


def home(canvas, view):
    """Draw the home page.

    view: dict with place, job, last, clock (text or None), calibration (text), cell_millivolts, cell_low, warning (text
    or None), safety (index of the safety line), ready (bool).
    """
    canvas.clear()
    canvas.text(view["clock"] or "--:--", 0, 0)
    canvas.right(view["calibration"], 0, edge=100)
    _cell(canvas, view["cell_millivolts"], view["cell_low"])
    canvas.text(words.PLACE[view["place"]], 0, 11, 2)
    canvas.text("job %d" % view["job"], 0, 28)
    canvas.right("last no. %d" % view["last"] if view["last"] else "no records", 28)
    if view["warning"]:
        canvas.banner(view["warning"], 36)
    elif view["ready"]:
        canvas.text("ready", 0, 37)
    canvas.text(words.SAFETY[view["safety"]], 0, 46)
    _footer(canvas, "flex/check", "TEST" if view["ready"] else "", "place")
    canvas.show()


def progress(canvas, title, first="", second="", fraction=None, back="stop"):
    """Draw the page of a test under way.

    title: what is done now; first, second: lines below; fraction: 0 to 1 for the bar, None for no bar; back: what the
    BACK key does.
    """
    canvas.clear()
    scale = 2 if canvas.text_width(title, 2) <= canvas.width else 1
    canvas.text(title, 0, 0, scale)
    canvas.text(first, 0, 20)
    canvas.text(second, 0, 30)
    if fraction is not None:
        # Within rows 40 to 47, which the display takes as one page.
        canvas.frame(0, 40, canvas.width, 8)
        canvas.bar(2, 42, int(max(0.0, min(1.0, fraction)) * (canvas.width - 4)), 4)
    _footer(canvas, back, "", "")
    canvas.show()


def move_bar(canvas, fraction):
    """Move the bar of the progress page and send only its rows (3 ms): a capture may be running."""
    canvas.bar(2, 42, int(max(0.0, min(1.0, fraction)) * (canvas.width - 4)), 4)
    canvas.show_row(5)


def reading(canvas, title, ohms, celsius, fahrenheit):
    """Draw the page of readings coming in."""
    canvas.clear()
    canvas.text(title, 0, 0, 2)
    canvas.text(words.ohms(ohms), 0, 22, 2)
    if celsius is not None:
        canvas.text(words.temperature(celsius, fahrenheit), 0, 41)
    _footer(canvas, "stop", "", "")
    canvas.show()


def settling(canvas, ohms, celsius, slope_ohms_per_minute, wait_s, fahrenheit, middle=""):
    """Draw the page of a probe that still moves, with the time to go. middle: what OK does."""
    canvas.clear()
    canvas.text("Settling", 0, 0, 2)
    canvas.text(words.ohms(ohms), 0, 18)
    canvas.right(words.temperature(celsius, fahrenheit), 18)
    if slope_ohms_per_minute is not None:
        canvas.text("%+.2f ohm per min" % slope_ohms_per_minute, 0, 28)
    if wait_s:
        canvas.text("about " + words.duration(wait_s) + " to go", 0, 38)
    else:
        canvas.text("how long: not clear yet", 0, 38)
    _footer(canvas, "stop", middle, "")
    canvas.show()


def verdict(canvas, view):
    """Draw the verdict.

    view: dict with verdict, ohms, celsius, ambient_celsius, expected_ohms, reasons (list of finding codes), not_checked
    (list), place, job, saved (sequence number or None), unsaved (text, why it is not saved), fahrenheit, wait_s (until
    a moving probe rests, or None), hint (what OK does), detail (what was measured for the first finding, or ""),
    conclusion (where to look next, or ""), tester (what has to be said of the tester: list of texts, the fullest first;
    empty where all is well).
    """
    canvas.clear()
    word = words.VERDICT[view["verdict"]]
    canvas.text(word, 0, 0, 3)
    if canvas.text_width(word, 3) < 80:
        canvas.right(words.PLACE[view["place"]], 0)
        canvas.right("job %d" % view["job"], 9)
    said = _about_tester(canvas, view)
    # Rows that the reasons may take: one less where the tester's state needs its own.
    floor = 39 if said and (not view["saved"] or view["hint"] and not view["wait_s"]) else 48
    y = 25
    if view["conclusion"] and view["ohms"] is not None:
        # Its two lines take the room that the value has in large figures otherwise.
        canvas.text(words.ohms(view["ohms"]), 0, 22)
        canvas.right(words.temperature(view["celsius"], view["fahrenheit"]), 22)
        canvas.paragraph(words.not_checked(view["not_checked"], view["place"]), 30, 1)
        if floor == 48:
            canvas.paragraph(view["conclusion"], 38, 2)
        else:
            canvas.paragraph(words.CONCLUSION_SHORT, 38, 1)
    elif view["ohms"] is not None:
        canvas.text(words.ohms(view["ohms"]), 0, 23, 2)
        if view["celsius"] is not None:
            canvas.right(words.temperature(view["celsius"], view["fahrenheit"]), 28)
        y = 38
    reasons = view["reasons"]
    hint_y = 56
    label_y = 46 if floor == 39 else 55
    if view["wait_s"]:
        if said and not view["saved"]:
            label_y = y - 1
        else:
            canvas.text(words.finding("not-settled"), 0, y)
        canvas.text("about " + words.duration(view["wait_s"]) + " to go", 0, y + 9)
        hint_y = y + 9 if said else 56
    elif reasons:
        y = canvas.paragraph(words.finding(reasons[0]), y, min(2, (floor + 8 - y) // 9))
        if view["detail"] and y < floor:
            canvas.text(view["detail"], 0, y)
            y += 9
        if len(reasons) > 1 and y < floor:
            canvas.paragraph(words.finding(reasons[1]), y, (floor + 8 - y) // 9)
    elif view["expected_ohms"] is not None and not view["conclusion"]:
        canvas.text("room " + words.temperature(view["ambient_celsius"], view["fahrenheit"]), 0, y)
        canvas.right("\u2192 " + words.ohms(view["expected_ohms"]), y)
        if y + 9 < floor:
            canvas.paragraph(words.not_checked(view["not_checked"], view["place"]), y + 9, 1)
    if view["saved"]:
        canvas.text("saved no. %d" % view["saved"], 0, 56)
    else:
        canvas.banner("NOT SAVED: " + view["unsaved"], 55)
    if said:
        canvas.label(said, canvas.width - canvas.text_width(said) - 4, label_y)
    canvas.right(view["hint"], hint_y, 1, 1 if view["saved"] or hint_y < 56 else 0)
    canvas.show()


def _about_tester(canvas, view):
    """Return the fullest text on the tester's state that fits beside the record's number, "" where all is well."""
    said = view["tester"]
    if not said:
        return ""
    left = canvas.width - 8
    if view["saved"]:
        left -= canvas.text_width("saved no. %d" % view["saved"])
    for text in said:
        if canvas.text_width(text) <= left:
            return text
    return said[-1]


def check(canvas, step, results, hint, ohms, setup):
    """Draw the page of a morning check under way.

    step: the one that is missing first; results: maps of those done; hint: code of what is in the way, or None; ohms:
    what the probe clips show [ohm], or None; setup: checking.Setup.
    """
    canvas.clear()
    title, text = words.CHECK_STEP[step]
    canvas.text(title, 0, 0, 2)
    canvas.paragraph(text, 17, 2)
    if hint:
        canvas.label(words.CHECK_HINT[hint], 0, 36)
    elif step == "resistor":
        canvas.text("for " + words.ohms(setup.resistor_ohms), 0, 37)
    elif step == "isolation":
        canvas.text("for " + words.ohms(setup.isolation_ohms), 0, 37)
    if ohms is not None and hint in (None, "other-resistor"):
        canvas.right(words.ohms(ohms), 37)
    passed = {}
    for result in results:
        passed[result["step"]] = result["passed"]
    x = 0
    for name in words.CHECK_STEP:
        canvas.frame(x, 47, 22, 6)
        if name in passed:
            canvas.bar(x + 2, 49, 18 if passed[name] else 6, 2)
        x += 26
    _footer(canvas, "stop", "take", "%d of %d" % (len(results), len(words.CHECK_STEP)))
    canvas.show()


def check_result(canvas, body, saved):
    """Draw the end of a morning check: the word, each step that failed or else the values, the record's number.

    body: of the check's record; saved: the record's number, or None.
    """
    canvas.clear()
    canvas.text("Check " + ("PASS" if body["passed"] else "FAIL"), 0, 0, 2)
    nominal = {"resistor": body["resistor_ohms"], "isolation": body["isolation_ohms"]}
    shown = [result for result in body["steps"] if not result["passed"]] or [
        result for result in body["steps"] if result["step"] != "open"
    ]
    y = 18
    for result in shown[:4]:
        canvas.text(words.check_result(result, nominal.get(result["step"])), 0, y)
        y += 9
    if saved:
        canvas.text("saved no. %d" % saved, 0, 56)
        canvas.right("OK", 56)
    else:
        canvas.banner("NOT SAVED", 55)
    canvas.show()


def stop_voltage(canvas, where, saved):
    """Draw the page for a voltage on a lead; it stays until a key is pressed.

    where: text that names the lead, or None; saved: the record's number, or None.
    """
    canvas.clear(1)
    canvas.text("STOP", 1, 1, 3, 0)
    for index, line in enumerate(canvas.wrap("voltage on " + (where or "a lead"), 3, 62)):
        canvas.right(line, 1 + 9 * index, 1, 0, canvas.width - 1)
    for index, line in enumerate(_STOP_LINES):
        canvas.text(line, 1, 28 + 9 * index, 1, 0)
    if saved:
        canvas.right("saved no. %d" % saved, 55, 1, 0, canvas.width - 1)
    canvas.show()


def usb_refused(canvas):
    """Draw the page that refuses a probe test on USB."""
    canvas.clear()
    canvas.text("USB is in", 0, 0, 2)
    canvas.paragraph("The computer's earth would become part of the circuit. Unplug USB to test a probe.", 19, 4)
    _footer(canvas, "", "OK", "")
    canvas.show()


def fault(canvas, title, message, saved=None):
    """Draw the page of a fault: a title, a sentence, and the record's number where there is one."""
    canvas.clear()
    scale = 2 if canvas.text_width(title, 2) <= canvas.width else 1
    canvas.bar(0, 0, canvas.width, 17)
    canvas.text(title, 1, 1 if scale == 2 else 5, scale, 0)
    canvas.paragraph(message, 19, 4 if saved is None else 3)
    if saved:
        canvas.text("saved no. %d" % saved, 0, 56)
    _footer(canvas, "", "" if saved else "OK", "OK" if saved else "")
    canvas.show()


def message(canvas, title, text, left="", middle="OK", right=""):
    """Draw a page with a title and a sentence, and what the keys do."""
    canvas.clear()
    scale = 2 if canvas.text_width(title, 2) <= canvas.width else 1
    canvas.text(title, 0, 0, scale)
    canvas.paragraph(text, 19, 4)
    _footer(canvas, left, middle, right)
    canvas.show()


def start(canvas, tester, firmware):
    """Draw the page shown while the parts are checked."""
    canvas.clear()
    canvas.text("probe", 0, 4, 2)
    canvas.text("ledger", 24, 22, 2)
    canvas.text(tester, 0, 46)
    canvas.right(firmware, 46)
    canvas.text("checking parts", 0, 56)
    canvas.show()
