"""The pages of the guided test that no other test has. The keys' names stand below, as on every page."""

from probecore.findings import split

from . import words
from .pages import message

_STEPS = (
    "1 Off at the breaker, checked",
    "with a mains tester",
    "2 Cool",
    "3 Gas off where lines move",
)

_LEADS = {
    "sensor": "Plug apart. Probe clips on the sensor's wires, chassis clip on bare metal.",
    "control-end": "Control's plug pulled. Probe clips on the harness there, chassis clip on bare metal.",
    "new-part": "Probe clips on the new part's wires, chassis clip on its bare metal.",
    "after-fitting": "Plug joined. Probe clips on the harness at the control, its plug pulled; chassis clip too.",
}

# state: title, text, what BACK, OK and NEXT do
_QUESTIONS = {
    "open": ("Nothing flows", "Are both clips on metal? OK looks again. If so, NEXT keeps it as an open circuit."),
    "short": ("Leads touch", "Do the clips touch each other? OK looks again. If not, NEXT keeps it as a short."),
    "sense-lost": (
        "Clip is off",
        "A clip or one jaw of it has no contact. Clip on, then OK. NEXT keeps it, undecided.",
    ),
    "chassis": ("Chassis clip", "It touches no bare metal. Move it, then OK. NEXT goes on without isolation."),
    "slipped": ("Clip slipped", "What was under way is dropped. Clip on again, then OK measures anew."),
    "ask-flex": ("Bend leads?", "OK: bend the leads for ten seconds while I watch. NEXT: no."),
    "came-off": ("Lead is lost", "Did a clip come off? Clip on, OK measures anew. If not, NEXT keeps the bending."),
    "stopped": ("Stopped", "This test was stopped. Nothing of it was saved."),
}
_KEYS = {
    "open": ("stop", "AGAIN", "keep"),
    "short": ("stop", "AGAIN", "keep"),
    "sense-lost": ("stop", "AGAIN", "keep"),
    "chassis": ("stop", "AGAIN", "without"),
    "slipped": ("stop", "AGAIN", ""),
    "ask-flex": ("stop", "BEND", "no"),
    "came-off": ("stop", "AGAIN", "keep"),
    "stopped": ("", "OK", ""),
}

# What to do next by the first finding; what brings hands near the appliance has its power off since the first page.
_NEXT = {
    "open-circuit": "Measure at the sensor's own plug: open there too, renew the sensor; else the harness.",
    "short-circuit": "Look for chafed wires. Short at the sensor's own plug too: renew the sensor.",
    "outside-window": "Right curve for this part? Outside at the sensor's own plug too: renew the sensor.",
    "ambient-disagrees": "Let it cool, room sensor beside it, test again. Same: compare both ends.",
    "leak-to-chassis": "Unplug, test sensor and harness apart; renew the one that leaks.",
    "intermittent": "Bend it section by section to find the spot; renew the joint there first.",
    "voltage-on-leads": "Off at the breaker, check with a mains tester, then begin again.",
    "not-settled": "Wait until it rests, door open, then test again.",
    "wrong-curve": "Compare the part's data with the curve, choose the right one, test again.",
    "harness-resistance": "Look for a burnt or loose plug; renew the joint, then test again.",
    "no-chassis-contact": "Move the chassis clip to bare metal and test again.",
    "sense-lost": "Clip on again with both jaws and test again.",
    "out-of-range": "Are the clips on the right wires? Test again at the sensor's own plug.",
    "ambient-missing": "Plug the room sensor in and test again.",
    "isolation-unclear": "Dry and clean plug and clips, then test again.",
    "too-close": "Let the room even out and test again; too close again: ask the shop.",
}
_NEXT_PLACE = {
    "sensor": "Plug it in again and test at the control: the difference is the harness.",
    "control-end": "Good here, as far as a cold test sees. Next: element, burner, relay, door seal, control.",
    "new-part": "Fit it, then test it fitted.",
    "after-fitting": "Close up, power on, and watch the heat-up.",
}


def _keys(canvas, left, middle, right):
    y = canvas.height - 8
    canvas.text(left, 0, y)
    if middle:
        canvas.label(middle, (canvas.width - canvas.text_width(middle) - 4) // 2, y - 1)
    canvas.right(right, y)
    canvas.show()


def _head(canvas, title, right=""):
    canvas.clear()
    canvas.banner(title, 0)
    canvas.right(right, 1, 1, 0, canvas.width - 1)


def off(canvas, hint):
    """Draw what has to be done before anything else. hint: whether OK was too short."""
    _head(canvas, "Done, each of these?")
    for index, line in enumerate(_STEPS):
        canvas.text(line, 0 if line[0].isdigit() else 7, 12 + 9 * index)
    if hint:
        canvas.text("hold OK for a second", 0, 47)
    _keys(canvas, "home", "HOLD: ALL DONE", "")


def menu(canvas, title, texts, at):
    """Draw a list with one entry chosen.

    title: what is chosen; texts: pairs of a name and what stands below it, or ""; at: index of the chosen one.
    """
    _head(canvas, title, "%d of %d" % (at + 1, len(texts)))
    name, below = texts[at]
    scale = 2 if canvas.text_width(name, 2) <= canvas.width else 1
    canvas.text(name, 0, 12 if scale == 2 else 16, scale)
    canvas.text(canvas.wrap(below, 1)[0], 0, 28)
    if len(texts) > 1:
        canvas.text(canvas.wrap("then: " + texts[(at + 1) % len(texts)][0], 1)[0], 0, 42)
    _keys(canvas, "back", "TAKE", "next" if len(texts) > 1 else "")


def digits(canvas, text, digit, label):
    """Draw a number being entered.

    text: digits so far; digit: the one that OK takes; label: what the list says of this number, or "".
    """
    _head(canvas, "Ticket's number")
    x = canvas.text(text, 0, 14, 2)
    if len(text) < 12:
        shown = str(digit)
        canvas.bar(x, 12, canvas.text_width(shown, 2) + 4, 18)
        canvas.text(shown, x + 2, 14, 2, 0)
    canvas.text(label, 0, 34)
    canvas.text("OK: digit; hold: done" if text else "OK takes the digit", 0, 45)
    _keys(canvas, "erase" if text else "back", "OK", "+1")


def setup(canvas, curve, profile):
    """Draw curve and limits that the test will work with."""
    _head(canvas, "Work with these?")
    canvas.text("curve", 0, 14)
    canvas.text(canvas.wrap(curve, 1, 92)[0], 36, 14)
    canvas.text("limits", 0, 26)
    canvas.text(canvas.wrap(profile, 1, 92)[0], 36, 26)
    _keys(canvas, "back", "KEEP", "others")


def leads(canvas, place, ticket):
    """Draw where the clips go."""
    _head(canvas, "Clip on", ticket or "no ticket")
    canvas.text(words.PLACE[place], 0, 11, 2)
    canvas.paragraph(_LEADS[place], 28, 3)
    _keys(canvas, "back", "MEASURE", "")


def question(canvas, what):
    """Draw a page that asks what to do: of leads that look odd, or of a state of the guide."""
    title, text = _QUESTIONS[what]
    message(canvas, title, text, *_KEYS[what])


def not_now(canvas, why):
    """Draw why nothing can be measured now."""
    message(canvas, "Not now", why, "stop", "AGAIN", "")


def next_step(canvas, body, saved):
    """Draw what to do after a test. body: of its record; saved: the record's number, or None."""
    _head(canvas, "Next step", "no. %d" % saved if saved else "NOT SAVED")
    reasons, _ = split(body["findings"])
    text = _NEXT.get(reasons[0]) if reasons else None
    canvas.paragraph(text or _NEXT_PLACE[body["place"]], 12, 4)
    _keys(canvas, "home", "AGAIN", "place")
