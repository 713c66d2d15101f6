"""Checks of the pages: nothing is written past the edge, over something else, or without its unit."""

from probecore import checking, findings, verdict
from screen import canvas as canvases
from screen import font, pages, words
from screen.canvas import Canvas

FORBIDDEN = ("safe", "dead", "no voltage", "insulation")


class Recorder:
    """A display that keeps what is drawn, as text and as pixels; a pixel outside fails."""

    width = 128
    height = 64

    def __init__(self):
        self.fill(0)
        self.shown = 0

    def fill(self, color):
        self.rows = [bytearray(bytes([color]) * 128) for _ in range(64)]

    def fill_rect(self, x, y, width, height, color):
        assert x >= 0 and x + width <= 128 and y >= 0 and y + height <= 64, (x, y, width, height)
        for row in range(y, y + height):
            for column in range(x, x + width):
                self.rows[row][column] = color

    def rect(self, x, y, width, height, color):
        self.fill_rect(x, y, width, 1, color)
        self.fill_rect(x, y + height - 1, width, 1, color)
        self.fill_rect(x, y, 1, height, color)
        self.fill_rect(x + width - 1, y, 1, height, color)

    def show(self):
        self.shown += 1

    def show_page(self, page):
        assert 0 <= page < 8
        self.shown += 1


class Watched(Canvas):
    """A canvas that keeps every text with its box, to find texts that overlap."""

    def __init__(self):
        super().__init__(Recorder())
        self.texts = []

    def clear(self, color=0):
        super().clear(color)
        self.texts = []

    def text(self, text, x, y, scale=1, color=1):
        width = self.text_width(text, scale)
        box = (x, y, x + width, y + 7 * scale)
        for other, taken in self.texts:
            apart = box[2] <= taken[0] or taken[2] <= box[0] or box[3] <= taken[1] or taken[3] <= box[1]
            assert apart or not text or not other, ("overlap", text, box, other, taken)
        self.texts.append((text, box))
        return super().text(text, x, y, scale, color)

    def words(self):
        return " ".join([text for text, _ in self.texts])


def look(draw, *args):
    canvas = Watched()
    draw(canvas, *args)
    assert canvas._display.shown == 1
    said = canvas.words()
    for word in FORBIDDEN:
        assert word not in said.lower(), said
    return canvas, said


HOME = {
    "place": "sensor",
    "job": 12,
    "last": 17,
    "clock": "14:32 UTC",
    "calibration": "uncalibrated",
    "cell_millivolts": 3950,
    "cell_low": False,
    "warning": None,
    "safety": 0,
    "ready": True,
}

VERDICT = {
    "verdict": "pass",
    "ohms": 1097.35,
    "celsius": 25.03,
    "ambient_celsius": 24.8,
    "expected_ohms": 1096.6,
    "reasons": [],
    "not_checked": ["isolation a", "isolation b", "harness", "flex"],
    "place": "sensor",
    "job": 12,
    "saved": 17,
    "unsaved": "",
    "fahrenheit": False,
    "wait_s": None,
    "hint": "",
    "detail": "",
    "conclusion": "",
    "tester": [],
}


def changed(base, **changes):
    view = dict(base)
    view.update(changes)
    return view


def check_font():
    for code in range(33, 127):
        start, end = font.place(chr(code))
        assert 1 <= end - start <= 5, chr(code)
        assert any(font.COLUMNS[start:end])
    assert len(font.COLUMNS) == font.STARTS[-1] == sum(font.WIDTHS)
    seen = set()
    for code in range(33, 127):
        start, end = font.place(chr(code))
        shape = bytes(font.COLUMNS[start:end])
        # Capital i, small l and the bar are one stroke in a font of this size; zero and the letter are one ring.
        assert shape not in seen or chr(code) in "Il|O", chr(code)
        seen.add(shape)
    assert font.place("\u00e4") == font.place("?")


def check_text_is_drawn_where_it_says():
    canvas = Canvas(Recorder())
    end = canvas.text("HI", 10, 5, 2)
    rows = canvas._display.rows
    lit = [(x, y) for y in range(64) for x in range(128) if rows[y][x]]
    assert min(lit)[0] == 10 and max(lit)[0] == 10 + canvas.text_width("HI", 2) - 1
    assert min([y for _, y in lit]) == 5 and max([y for _, y in lit]) == 5 + 14 - 1
    assert end == 10 + canvas.text_width("HI", 2) + 2


def check_wrapping():
    canvas = Canvas(Recorder())
    lines = canvas.wrap("The chassis clip has no contact with metal. Isolation was not judged.", 2)
    assert len(lines) == 2 and lines[1].endswith("..")
    for line in lines:
        assert canvas.text_width(line) <= 128
    assert canvas.wrap("short", 2) == ["short"]


def check_home():
    for place in words.PLACES:
        for warning in (
            None,
            "LEDGER FULL: pull it",
            "ledger chip fails: spare used",
            "converter does not answer",
            "check is due: hold BACK",
        ):
            for safety in range(len(words.SAFETY)):
                _, said = look(pages.home, changed(HOME, place=place, warning=warning, safety=safety))
                assert words.PLACE[place] in said and words.SAFETY[safety] in said
                assert (warning or "ready") in said
    _, said = look(pages.home, changed(HOME, clock=None, job=12345678, last=12345678, cell_low=True, ready=False))
    assert "--:--" in said and "3.95V" in said and "TEST" not in said and "ready" not in said
    for state in ("cal. ok", "cal. overdue", "cal. damaged", "uncalibrated"):
        look(pages.home, changed(HOME, calibration=state))


def about_the_probe():
    return findings.split(findings.CODES)[0]


def check_every_verdict_with_every_finding():
    codes = about_the_probe()
    for judged in (verdict.PASS, verdict.FAIL, verdict.UNDECIDED):
        for first in codes:
            for second in [None] + codes:
                reasons = [first] + ([second] if second else [])
                canvas, said = look(pages.verdict, changed(VERDICT, verdict=judged, reasons=reasons))
                assert words.VERDICT[judged] in said and "saved no. 17" in said
                assert words.finding(first).split(" ")[0] in said
    for code in codes:
        assert code in words.FINDING, code
        # A sentence of two lines at most, so that nothing of it is cut off.
        assert not Canvas(Recorder()).wrap(words.FINDING[code], 2)[-1].endswith(".."), code


def check_what_is_said_of_the_tester_stands_on_every_verdict():
    combined = [[code] for code in findings.ABOUT_TESTER] + [
        ["check-failed", "uncalibrated"],
        ["uncalibrated", "check-never"],
        ["uncalibrated", "check-overdue"],
        ["check-failed", "calibration-overdue"],
        ["calibration-overdue", "check-overdue"],
    ]
    for codes in combined:
        texts = words.about_tester(codes)
        assert texts[-2:] == list(words.TESTER[codes[0]])
        for saved in (1, 17, 1234, 99999):
            for changes in (
                {},
                {"verdict": "fail", "reasons": ["leak-to-chassis", "harness-resistance"], "detail": "lead a: 40 kohm"},
                {"verdict": "undecided", "reasons": ["isolation-unclear", "ambient-disagrees"]},
                {"verdict": "undecided", "reasons": ["not-settled"], "wait_s": 3912, "hint": "OK: wait"},
                {"verdict": "fail", "reasons": ["open-circuit"], "ohms": None, "celsius": None},
            ):
                view = changed(VERDICT, tester=texts, saved=saved, **changes)
                _, said = look(pages.verdict, view)
                assert any(text in said for text in texts), (codes, saved, said)
                assert "saved no. " + str(saved) in said
                view = changed(view, saved=None, unsaved="ledger is full")
                _, said = look(pages.verdict, view)
                assert any(text in said for text in texts) and "NOT SAVED: ledger is full" in said
    assert words.about_tester([]) == []


def check_the_morning_check():
    setup = checking.DEFAULT_SETUP
    read = {"together": 0.0123, "open": 2.5e6, "resistor": 1000.123, "isolation": 1.0023e6, "jaws": 0.71}
    results = []
    for step in checking.STEPS:
        for hint in [None] + list(words.CHECK_HINT):
            for ohms in (None, 0.01, 1003.21, 999999.0, 2.4e6):
                _, said = look(pages.check, step, results, hint, ohms, setup)
                assert words.CHECK_STEP[step][0] in said and "stop" in said and "take" in said
                assert str(len(results)) + " of 5" in said
        results.append(checking.judge_step(step, read[step], 0.01, setup))
    body = {"passed": True, "steps": results, "resistor_ohms": 1000.0, "isolation_ohms": 1e6}
    _, said = look(pages.check_result, body, 17)
    assert "Check PASS" in said and "saved no. 17" in said and "resistor 1000.1 ohm, +123 ppm" in said
    wrong = []
    for step, ohms in (("together", -0.25), ("open", 4321.0), ("resistor", None), ("isolation", 1.2345e6)):
        wrong.append(checking.judge_step(step, ohms, 0.01, setup))
    off = dict(results[2])
    off["passed"] = False
    off["why"] = "history"
    for steps in (wrong, [off]):
        body = {"passed": False, "steps": steps, "resistor_ohms": 1000.0, "isolation_ohms": 1e6}
        _, said = look(pages.check_result, body, None)
        assert "Check FAIL" in said and "NOT SAVED" in said and "saved no" not in said
    assert "resistor +123 ppm: has changed" in said


def check_values_have_units():
    for ohms, text in (
        (0.7, "0.70 ohm"),
        (99.994, "99.99 ohm"),
        (1097.35, "1097.3 ohm"),
        (4000.0, "4000.0 ohm"),
        (109349.0, "109.35 kohm"),
        (1250000.0, "1.25 Mohm"),
        (50000000.0, "50.00 Mohm"),
    ):
        assert words.ohms(ohms) in (text, text.replace("7.3", "7.4")), words.ohms(ohms)
        _, said = look(pages.verdict, changed(VERDICT, ohms=ohms))
        assert "ohm" in said and "\u00b0C" in said
    assert words.temperature(25.0, True) == "77.0\u00b0F"
    assert words.temperature(None, False) == "---\u00b0C"
    assert words.duration(312) == "5:12 min" and words.duration(59) == "59 s"
    _, said = look(pages.verdict, changed(VERDICT, fahrenheit=True, celsius=-12.0))
    assert "10.4\u00b0F" in said


def check_saved_is_said_only_with_a_number():
    canvas, said = look(pages.verdict, changed(VERDICT, saved=None, unsaved="ledger is full"))
    assert "NOT SAVED: ledger is full" in said and "saved no" not in said
    _, said = look(pages.stop_voltage, "lead a to chassis", None)
    assert "saved" not in said
    _, said = look(pages.fault, "Fault", "The converter is silent.", None)
    assert "saved" not in said
    _, said = look(pages.fault, "Fault", "The converter is silent.", 18)
    assert "saved no. 18" in said


def check_stop_page():
    for where in (None, "lead a to chassis", "lead b to chassis", "lead a to lead b", "chassis to ground"):
        _, said = look(pages.stop_voltage, where, 123)
        for words_ in ("STOP", "voltage", "Touch nothing", "breaker", "mains tester", "unclip"):
            assert words_ in said, said


def check_other_pages():
    look(pages.start, "pl-3f9a1c", "0.1.0")
    look(pages.usb_refused)
    _, said = look(pages.progress, "Chassis clip", "", "", None)
    assert "stop" in said
    look(pages.reading, "Measuring", 1097.35, 25.0, False)
    look(pages.reading, "Measuring", 109349.0, None, False)
    _, said = look(pages.settling, 1153.2, 39.9, -5.2, 312, False)
    assert "5:12 min" in said and "-5.20 ohm per min" in said and "1153.2 ohm" in said
    _, said = look(pages.settling, 1153.2, None, None, None, True)
    assert "not clear yet" in said
    moving = changed(VERDICT, verdict="undecided", reasons=["not-settled"], wait_s=312, hint="OK: wait")
    _, said = look(pages.verdict, moving)
    assert "5:12 min" in said and "OK: wait" in said
    look(pages.message, "Not now", "The cell is too low to measure right. Charge it first.")
    canvas = Watched()
    pages.progress(canvas, "Bend leads", "Bend the harness now,", "section by section.", 0.0)
    pages.move_bar(canvas, 2.0)
    assert canvas._display.rows[43][125] == 1 and canvas._display.rows[43][126] == 0
    # The bar lies within the one page of rows that is sent.
    assert canvases.LINE == 9 and not any(canvas._display.rows[48][2:120])


def check_details():
    assert words.detail({"ohms": None}, "open-circuit") == "no current flows"
    leak = {"isolation": {"a": {"ohms": 40100.0}, "b": {"ohms": 90000.0}}}
    assert words.detail(leak, "leak-to-chassis") == "lead a: 40.10 kohm"
    harness = {"harness": {"ohms": 12.17, "other_sequence": 3}}
    assert words.detail(harness, "harness-resistance") == "+12.2 ohm against no. 3"
    flex = {"dropouts": 5, "longest_dropout_ms": 62, "steps": 0, "largest_step_ohms": 0.0}
    assert words.detail({"flex": flex}, "intermittent") == "5 dropouts, longest 62 ms"
    flex = {"dropouts": 0, "longest_dropout_ms": 0, "steps": 2, "largest_step_ohms": 4.24}
    assert words.detail({"flex": flex}, "intermittent") == "2 steps, largest 4.2 ohm"
    assert words.detail({"expected_ohms": 1089.6}, "ambient-disagrees") == "expected 1089.6 ohm"
    assert words.detail({}, "adc-fault") == ""


def check_the_guard_is_that_of_the_requirement_least_surely_met():
    body = {
        "requirements": [["continuity", 1.0], ["ambient agreement", 0.73], ["service window", 0.94]],
        "guards": [["ambient agreement", 1.67, 6.48], ["service window", 0.4, 1.7]],
    }
    assert words.detail(body, "too-close") == "guard 1.7\u00b0C = 6.5 ohm"
    assert words.detail(body, "too-close", True) == "guard 3.0\u00b0F = 6.5 ohm"
    body = {"requirements": [["isolation a", 0.5]], "guards": [["isolation a", None, 28123.0]]}
    assert words.detail(body, "isolation-unclear") == "guard 28.12 kohm"
    # No reading passes, an older record, a leak that is only known to be above something.
    assert words.detail({"requirements": [["harness", 0.5]], "guards": [["harness", None, None]]}, "too-close") == ""
    assert words.detail({"requirements": [["harness", 0.5]]}, "too-close") == ""
    for code in ("too-close", "isolation-unclear"):
        for said in ([], words.about_tester(["uncalibrated"])):
            view = changed(
                VERDICT, verdict="undecided", reasons=[code], detail="guard 12.7\u00b0C = 888.8 ohm", tester=said
            )
            _, drawn = look(pages.verdict, view)
            assert "guard 12.7\u00b0C = 888.8 ohm" in drawn, code


def check_where_to_look_when_both_ends_are_good():
    both = {"verdict": "pass", "harness": {"ohms": 0.2, "other_verdict": "pass"}}
    said = words.conclusion(both)
    assert "control" in said and "heating circuit" in said
    for other in (
        {"verdict": "fail", "harness": both["harness"]},
        {"verdict": "undecided", "harness": both["harness"]},
        {"verdict": "pass", "harness": None},
        {"verdict": "pass", "harness": {"ohms": 0.2, "other_verdict": "fail"}},
        {"verdict": "pass", "harness": {"ohms": 0.2, "other_verdict": None}},
        {"verdict": "pass", "harness": {"ohms": 0.2}},
    ):
        assert words.conclusion(other) == "", other
    for texts in ([], words.about_tester(["uncalibrated"]), words.about_tester(["check-failed", "uncalibrated"])):
        for saved in (17, 99999):
            for missing in ([], ["isolation a", "isolation b", "flex"]):
                view = changed(
                    VERDICT, place="control-end", conclusion=said, tester=texts, saved=saved, not_checked=missing
                )
                _, drawn = look(pages.verdict, view)
                assert said in drawn and "PASS" in drawn and "1097" in drawn and "25.0" in drawn
                assert ("not checked: isolation, flex" in drawn) == bool(missing)
                _, drawn = look(pages.verdict, changed(view, saved=None, unsaved="ledger is full"))
                assert "Good at both ends" in drawn and "control" in drawn and "NOT SAVED" in drawn
