"""Checks of the guided test's pages: each state has one, and nothing is written past the edge or over another."""

from checks_screen import FORBIDDEN, Watched, look

from probecore import findings, guide
from screen import guides, pages, words

TICKETS = [("A-1041", "range upper"), ("123456789012", "W" * 12), ("1", ""), ("M-W-M-W-M-W-", "built-in wall oven")]


def body(code=None, place="sensor"):
    return {"findings": [code, "uncalibrated"] if code else ["uncalibrated"], "place": place}


def check_the_first_page():
    for hint in (False, True):
        _, said = look(guides.off, hint)
        assert "breaker" in said and "mains tester" in said and "Cool" in said and "Gas off" in said
        assert ("hold OK" in said) is hint


def check_menus():
    for at in range(len(TICKETS)):
        _, said = look(guides.menu, "Which ticket?", TICKETS, at)
        assert TICKETS[at][0] in said and f"{at + 1} of 4" in said
    for texts in ([("none", "")], [("a curve with quite a long name", "sent by the shop")] * 2):
        look(guides.menu, "Which curve?", texts, 0)


def check_digits():
    for text in ("", "1", "111111111111", "8" * 12, "0" * 11):
        _, said = look(guides.digits, text, 8, "W" * 12 if text else "")
        assert text in said and ("erase" in said) is bool(text)


def check_places_and_clips():
    for place in words.PLACES:
        for ticket in (None, "A-1041", "M-W-M-W-M-W-"):
            _, said = look(guides.leads, place, ticket)
            assert words.PLACE[place] in said and (ticket or "no ticket") in said
    look(guides.setup, "pt1000-3850", "domestic-1000")
    look(guides.setup, "a curve with quite a long name", "limits with a very long name")


def check_questions():
    for what in ("open", "short", "sense-lost", "chassis", "slipped", "ask-flex", "came-off", "stopped"):
        _, said = look(guides.question, what)
        # Nothing of a text is cut off.
        assert ".." not in said, said
        assert ("stop" in said) or what == "stopped"
    look(guides.not_now, "The converter does not answer. Switch off and on; if it stays, out of service.")
    look(pages.settling, 1097.3, 25.1, -1.25, 240, False, "TAKE IT")


def check_next_steps():
    """Every finding that can end a test has a step, whole on its page; none brings hands near without the power off."""
    codes = [code for code in findings._ORDER if code not in ("adc-fault", "usb-refused")]
    for code in codes:
        for saved in (17, 99999, None):
            _, said = look(guides.next_step, body(code), saved)
            assert ".." not in said and ("NOT SAVED" in said) is (saved is None), said
        assert code in guides._NEXT
    assert "mains tester" in guides._NEXT["voltage-on-leads"]
    for place in words.PLACES:
        _, said = look(guides.next_step, body(None, place), 17)
        assert ".." not in said and len(said) > 40
    for text in list(guides._NEXT.values()) + list(guides._NEXT_PLACE.values()):
        for word in FORBIDDEN:
            assert word not in text.lower()


def check_what_is_written_exceeds_no_line():
    canvas = Watched()
    for text in [entry[1] for entry in guides._QUESTIONS.values()] + list(guides._NEXT.values()):
        assert not canvas.wrap(text, 4)[-1].endswith(".."), text
    for text in list(guides._LEADS.values()):
        assert not canvas.wrap(text, 3)[-1].endswith(".."), text


def check_every_state_is_drawn_or_done():
    """By its own method, by the panel's page of a test's end, by a measurement, or by a question."""
    sources = []
    for name in ("tester/guiding.py", "guided/guidedtest.py"):
        with open(guides.__file__.replace("screen/guides.py", name)) as file:
            sources.append(file.read())
    for state, _ in guide.rows():
        method = "    async def _" + state.replace("-", "_") + "(self)"
        drawn, measured = [method in source for source in sources]
        panels = state in ("saved", "unsaved", "stop", "fault", "usb")
        asked = state in guides._QUESTIONS and not drawn
        assert drawn + measured + panels + asked == 1, state
        assert measured is (state in guide.MEASURING), state
