"""The guided test as a state machine, without a key, a pin or a page: what follows which state at which event.

Rules:
1. A line of the table is a state and what leads out of it, as event:state. What a state does not name, it ignores; a
   held OK counts as OK where it has no meaning of its own.
2. Nothing is driven before the person has confirmed that the appliance is off. Every state that drives comes behind
   `voltage`, which looks at the leads with the drivers off and drops what was measured before.
3. A clip that slips leads to a page that says so: `odd` where the leads were looked at, `chassis` for the third clip,
   `slipped` where values were under way (they are dropped), `came-off` where the leads were being bent.
4. Each test that is not given up ends in `judge`, which saves. `saved` follows only where the ledger has the record.
5. A held BACK gives up from everywhere; BACK does where something is measured, and is one step back before that.

Measuring states know these events besides: seen (a voltage), usb, failed, cancel.
"""

from .errors import MisuseError

TABLE = """
off        hold:ticket back:home cancel:home usb:judge
ticket     chosen:place digits:digits back:off cancel:stopped
digits     chosen:place back:ticket cancel:stopped
place      chosen:setup back:ticket cancel:stopped
setup      ok:leads next:curve back:place cancel:stopped
curve      chosen:limits back:setup cancel:stopped
limits     chosen:leads back:curve cancel:stopped
leads      ok:voltage back:setup cancel:stopped
not-now    ok:leads back:stopped cancel:stopped
voltage    clear:look refused:not-now seen:judge usb:judge failed:judge cancel:stopped
look       connected:settle odd:odd seen:judge usb:judge failed:judge cancel:stopped
odd        ok:voltage keep:settle end:judge back:stopped cancel:stopped
settle     measured:contact slip:slipped seen:judge usb:judge failed:judge cancel:stopped
contact    proven:isolation unproven:chassis seen:judge usb:judge failed:judge cancel:stopped
chassis    ok:contact next:ask-flex back:stopped cancel:stopped
isolation  measured:still unproven:chassis seen:judge usb:judge failed:judge cancel:stopped
still      same:ask-flex slip:slipped unproven:chassis seen:judge usb:judge failed:judge cancel:stopped
slipped    ok:voltage back:stopped cancel:stopped
ask-flex   ok:flex next:last back:stopped cancel:stopped
flex       same:last slip:came-off seen:judge usb:judge failed:judge cancel:stopped
came-off   ok:voltage next:last back:stopped cancel:stopped
last       clear:judge seen:judge usb:judge failed:judge cancel:stopped
judge      kept:saved lost:unsaved voltage:stop fault:fault refusal:usb
saved      ok:next-step next:next-step back:home cancel:home
unsaved    ok:next-step next:next-step back:home cancel:home
next-step  ok:leads next:place back:home cancel:home
stop       ok:home next:home back:home cancel:home
fault      ok:home next:home back:home cancel:home
usb        ok:home next:home back:home cancel:home
stopped    ok:home next:home back:home cancel:home
"""

START = "off"
END = "home"
MEASURING = ("voltage", "look", "settle", "contact", "isolation", "still", "flex", "last")

_MOST_DIGITS = 12


def rows():
    """Yield the table's lines: (state, list of (event, next state))."""
    for line in TABLE.split("\n"):
        words = line.split()
        if words:
            yield words[0], [tuple(word.split(":")) for word in words[1:]]


def event_of(key, long):
    """Return the event of a press: "ok", "next" or "back"; "hold" for a held OK, "cancel" for a held BACK."""
    if long and key == "ok":
        return "hold"
    return "cancel" if long and key == "back" else key


class Guide:
    """Where a guided test stands: `state`, and `before`, the state that led there."""

    def __init__(self):
        """Begin in the first state."""
        self.state = START
        self.before = START

    def take(self, event):
        """Go where an event leads. Returns whether it had a meaning here. Raises MisuseError behind the end."""
        if self.state == END:
            raise MisuseError("guide-ended", "The guided test has ended.")
        for state, leads in rows():
            if state == self.state:
                break
        names = [name for name, _ in leads]
        if event == "hold" and event not in names:
            event = "ok"
        if event not in names:
            return False
        self.before = self.state
        self.state = leads[names.index(event)][1]
        return True


class Menu:
    """A list of things with one of them chosen; "next" goes round."""

    def __init__(self, entries, at=0):
        """entries: list of at least one; at: index of the chosen one."""
        self.entries = entries
        self.at = at

    @property
    def entry(self):
        """The chosen one."""
        return self.entries[self.at]

    def take(self, event):
        """Move at "next". Returns "chosen" at "ok", None where it moved, and any other event as it is."""
        if event == "next":
            self.at = (self.at + 1) % len(self.entries)
            return None
        return "chosen" if event in ("ok", "hold") else event


class Digits:
    """A number being entered with three keys.

    NEXT counts the digit up, OK takes it, BACK takes the last one back, a held OK ends with those that were taken.
    """

    def __init__(self):
        """Begin with none."""
        self.text = ""
        self.digit = 0

    def take(self, event):
        """Do what an event says. Returns "chosen" at the end, "back" without a digit, "cancel", else None."""
        if event == "next":
            self.digit = (self.digit + 1) % 10
        elif event == "ok" and len(self.text) < _MOST_DIGITS:
            self.text += str(self.digit)
            self.digit = 0
        elif event == "hold" and self.text:
            return "chosen"
        elif event == "back" and self.text:
            self.text = self.text[:-1]
            self.digit = 0
        elif event in ("back", "cancel"):
            return event
        return None
