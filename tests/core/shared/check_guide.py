"""The guided test's table: every state entered, every transition taken, no dead state, and no way around a rule."""

from probecore import guide
from probecore.errors import MisuseError

STATES = [state for state, _ in guide.rows()]
MOVES = [(state, event, following) for state, leads in guide.rows() for event, following in leads]
EVENTS = sorted({event for _, event, _ in MOVES}) + ["hold", "nonsense"]


class Dice:
    """Numbers that look random and are the same on both interpreters (Numerical Recipes' 32-bit generator)."""

    def __init__(self, seed):
        self.state = seed

    def below(self, count):
        self.state = (self.state * 1664525 + 1013904223) & 0xFFFFFFFF
        return (self.state >> 16) % count


def at(state):
    made = guide.Guide()
    made.state = state
    return made


def reached(begin, without=()):
    """Return the states that can be reached from some, without entering others."""
    found = list(begin)
    for state in found:
        for one, _, following in MOVES:
            if one == state and following not in found and following not in without:
                found.append(following)
    return found


def test_the_table_is_one():
    assert len(STATES) == len(set(STATES)) == 30 and guide.START in STATES and guide.END not in STATES
    assert len(MOVES) == len({move[:2] for move in MOVES})
    for _, _, following in MOVES:
        assert following in STATES or following == guide.END, following
    for state in guide.MEASURING:
        assert state in STATES


def test_every_state_is_reached_and_leads_home():
    assert sorted(reached([guide.START])) == sorted(STATES + [guide.END])
    for state in STATES:
        assert guide.END in reached([state]), state


def test_every_transition():
    for state, event, following in MOVES:
        made = at(state)
        assert made.take(event) and made.state == following and made.before == state
    for state in STATES:
        known = [event for one, event, _ in MOVES if one == state]
        for event in EVENTS:
            if event not in known and not (event == "hold" and "ok" in known):
                made = at(state)
                assert not made.take(event) and made.state == state, (state, event)
        if "ok" in known and "hold" not in known:
            held, short = at(state), at(state)
            assert held.take("hold") and short.take("ok") and held.state == short.state


def test_nothing_is_driven_before_the_confirmation_and_a_look_at_the_voltage():
    ways = [move for move in MOVES if move[0] == "off" and move[2] not in ("home", "judge")]
    assert ways == [("off", "hold", "ticket")]
    driven = ["look", "settle", "isolation", "still", "flex"]
    for state in reached([guide.START], without=["voltage"]):
        assert state not in driven, state
    # After every page on which clips are put on again, the leads are looked at first (contact looks by itself).
    for state in STATES:
        if state not in guide.MEASURING and state not in ("odd", "ask-flex"):
            for one, _, following in MOVES:
                assert one != state or following not in driven, (state, following)


def test_saved_comes_from_the_ledger_alone():
    assert [move for move in MOVES if move[2] == "saved"] == [("judge", "kept", "saved")]
    assert [move[0] for move in MOVES if move[2] == "unsaved"] == ["judge"]


def test_everything_can_be_given_up():
    for state in STATES:
        made = at(state)
        if state == "judge":
            continue
        assert made.take("cancel") and made.state in ("stopped", guide.END), state
        if state not in guide.MEASURING:
            made = at(state)
            for _ in range(12):
                if made.state == guide.END:
                    break
                assert made.take("back"), made.state
            assert made.state == guide.END, state


def test_a_slip_is_answered_in_every_state_that_measures():
    answers = {
        "look": "odd",
        "settle": "slipped",
        "contact": "chassis",
        "isolation": "chassis",
        "still": "slipped",
        "flex": "came-off",
    }
    events = {"look": "odd", "contact": "unproven", "isolation": "unproven"}
    for state in answers:
        made = at(state)
        assert made.take(events.get(state, "slip")) and made.state == answers[state]
        assert made.take("ok") and made.state in ("voltage", "contact")


def test_a_random_walk():
    """20,000 events: always in a defined state, and each transition taken; the next walk begins anywhere."""
    dice = Dice(7)
    made = guide.Guide()
    taken = {}
    events = 0
    ended = 0
    while events < 20000:
        if made.state == guide.END:
            try:
                made.take("ok")
                raise AssertionError("it went on behind the end")
            except MisuseError:
                ended += 1
            made = at(STATES[dice.below(len(STATES))])
        state = made.state
        known = [event for one, event, _ in MOVES if one == state]
        # Half of the events mean something, so that the walk gets about; what ends a test comes less often.
        event = EVENTS[dice.below(len(EVENTS))] if dice.below(2) else known[dice.below(len(known))]
        if event in ("cancel", "back", "seen", "usb", "failed", "end") and dice.below(4):
            continue
        events += 1
        moved = made.take(event)
        assert made.state in STATES or made.state == guide.END
        assert moved or made.state == state
        if moved:
            key = (state, "ok" if event == "hold" and "hold" not in known else event)
            taken[key] = taken.get(key, 0) + 1
    missed = [move for move in MOVES if taken.get(move[:2], 0) < 5]
    assert missed == [] and ended > 500, (missed, ended)


def test_presses():
    assert guide.event_of("ok", False) == "ok" and guide.event_of("ok", True) == "hold"
    assert guide.event_of("back", False) == "back" and guide.event_of("back", True) == "cancel"
    assert guide.event_of("next", False) == "next" == guide.event_of("next", True)


def test_a_menu():
    menu = guide.Menu(["a", "b", "c"], 1)
    assert menu.entry == "b" and menu.take("next") is None and menu.entry == "c"
    assert menu.take("next") is None and menu.entry == "a"
    assert menu.take("ok") == "chosen" == menu.take("hold") and menu.take("back") == "back"


def test_digits():
    digits = guide.Digits()
    for wanted in (1, 0, 4, 2):
        for _ in range(wanted):
            assert digits.take("next") is None
        assert digits.take("ok") is None
    assert digits.text == "1042" and digits.take("hold") == "chosen"
    digits.take("next")
    assert digits.take("back") is None and digits.text == "104" and digits.digit == 0
    for _ in range(3):
        digits.take("back")
    assert digits.text == "" and digits.take("hold") is None and digits.take("back") == "back"
    for _ in range(20):
        digits.take("ok")
    assert digits.text == "0" * 12 and digits.take("cancel") == "cancel"
    for _ in range(10):
        digits.take("next")
    assert digits.digit == 0
