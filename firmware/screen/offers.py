"""The pages on which a person takes what the link offers, or refuses it."""

_RESULTS = {
    "taken": ("Calibrated", "The new calibration is in force. The one before is kept."),
    "refused": ("Refused", "Nothing was changed."),
    "expired": ("No key", "No key was pressed in time. Nothing was changed."),
    "failed": ("Failed", "Nothing was changed."),
}


def day(seconds):
    """Return the day of a time [s since 1970, UTC] as text such as 2026-11-25."""
    # From days to a date (Hinnant, "chrono-compatible low-level date algorithms": civil_from_days).
    days = seconds // 86400 + 719468
    era = days // 146097
    of_era = days - era * 146097
    year = (of_era - of_era // 1460 + of_era // 36524 - of_era // 146096) // 365
    of_year = of_era - (365 * year + year // 4 - year // 100)
    month = (5 * of_year + 2) // 153
    date = of_year - (153 * month + 2) // 5 + 1
    month = month + 3 if month < 10 else month - 9
    return "%04d-%02d-%02d" % (year + era * 400 + (month <= 2), month, date)


def ask(canvas, stored):
    """Draw the question about a calibration. stored: the offered map."""
    canvas.clear()
    canvas.text("New", 0, 0, 2)
    canvas.text("calibration", 40, 7)
    canvas.text("of " + day(stored["date"]), 0, 19)
    canvas.text(stored["id"], 0, 28)
    if stored.get("due") is not None:
        canvas.text("next " + day(stored["due"]), 0, 37)
    _keys(canvas)


def ask_lines(canvas, lines):
    """Draw the question about anything else. lines: texts, of which the second is its name."""
    canvas.clear()
    y = 0
    for index in range(len(lines)):
        y = canvas.paragraph(lines[index], y, 2)
        if index == 1:
            y += 2
    _keys(canvas)


def _keys(canvas):
    y = canvas.height - 8
    canvas.text("refuse", 0, y)
    width = canvas.text_width("TAKE IT") + 4
    canvas.label("TAKE IT", (canvas.width - width) // 2, y - 1)
    canvas.show()


def result(canvas, state, sequence, message, done=None):
    """Draw what became of it.

    sequence: its record's number, or None; message: what failed, or None; done: what is said of one that was
    taken, None for a calibration.
    """
    title, text = _RESULTS[state]
    if state == "taken" and done:
        title, text = "Done", done
    canvas.clear()
    canvas.text(title, 0, 0, 2)
    y = canvas.paragraph(text, 19, 2)
    if message:
        canvas.paragraph(message, y, 2)
    if sequence:
        canvas.text("saved no. %d" % sequence, 0, 56)
    elif state == "taken":
        canvas.banner("NOT SAVED: restart the tester", 55)
    canvas.show()
