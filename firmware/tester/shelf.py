"""The curves and limits that a shop has sent, and which of them a test works with.

Rules:
1. Each stands in a place of two slots (ledger/slots.py): four places for curves, three for limits. One of the same name
   takes the place of the former.
2. Taking one is an act with a record that holds all of it: into the slot that is not in force, read back from there,
   recorded, put to use where that was asked for, and marked as recorded. A start goes on where a cut ended it. Where
   the record fails, what stood there before comes back.
3. Settings name what is in use by name and id. Where that cannot be read any more, no test is made until another is
   chosen: it is never quietly replaced.

What the tests work with stands in the tester's `curve`, `curve_id`, `limits`, `limits_id` and `lost`.
"""

from probecore import cbor, curves, definition, limits
from probecore.definition import CURVE, LIMITS
from probecore.errors import MisuseError, ProbeError, StoredDataError

PLACES = {CURVE: 4, LIMITS: 3}
_DEFAULTS = {CURVE: "pt1000-3850", LIMITS: limits.DOMESTIC_1000["name"]}
KINDS = (CURVE, LIMITS)

TAKEN = "taken"
CHOSEN = "chosen"
DROPPED = "dropped"


class ShelfError(ProbeError):
    """Something could not be kept or put to use; what was in use goes on."""


def _places(store, kind):
    return [store.place("%s-%d" % (kind, number)) for number in range(PLACES[kind])]


def kept(store, kind):
    """Return what is kept of a kind: a list of (name, id, data). store: Store or NoStore; kind: CURVE or LIMITS."""
    found = []
    for slots in _places(store, kind):
        stored = slots.load()
        if stored and stored.get("recorded") is True:
            data = stored["definition"]
            found.append((_name(data), stored["id"], data))
    return found


def damaged(store, kind):
    """Return how many slots of a kind are there and cannot be read."""
    return sum([slots.damaged for slots in _places(store, kind)])


def _name(data):
    return cbor.loads(data)["name"]


def in_use(store, kind):
    """Return (name, id) of what the settings name; the id is None for a built-in one."""
    settings = store.settings.load() or {}
    return settings.get(kind) or _DEFAULTS[kind], settings.get(kind + "_id")


def _find(store, kind, wanted):
    """Return the data of an id: of a slot in force, or of one before it, where a cut came between. None: not here."""
    for slots in _places(store, kind):
        for stored in (slots.load(), slots.other()):
            if stored and stored.get("id") == wanted:
                return stored["definition"]
    return None


def _built_in(kind, name):
    if name not in definition.built_in_names(kind):
        raise MisuseError("unknown-" + kind, "This tester has no %s %s." % (kind, name))
    return curves.curve(name) if kind == CURVE else limits.DOMESTIC_1000


def _words(kind):
    return "curves" if kind == CURVE else "limits"


def put_to_use(tester):
    """Let the tester work with what its settings name; `lost` says what of it cannot be read."""
    tester.lost = None
    made = []
    for kind in KINDS:
        name, wanted = in_use(tester.store, kind)
        found = None
        try:
            if wanted is None:
                found = _built_in(kind, name)
            else:
                data = _find(tester.store, kind, wanted)
                if data is not None and definition.identity(data) == wanted:
                    found = definition.read(kind, data)
        except ProbeError:
            pass  # told below: it cannot be used
        if found is None:
            tester.lost = "The %s in use cannot be read: %s. Send it again or choose another." % (kind, name)
            found = _built_in(kind, _DEFAULTS[kind])
            wanted = None
        made.append((found, wanted))
    (tester.curve, tester.curve_id), (tester.limits, tester.limits_id) = made


def begin(tester):
    """Put to use what the settings name; a note says where that cannot be read."""
    put_to_use(tester)
    if tester.lost:
        tester.notes.append(tester.lost)


async def finish(tester):
    """Go on with what a cut interrupted. Raises ProbeError or OSError; the next start tries again then."""
    for kind in KINDS:
        for slots in _places(tester.store, kind):
            stored = slots.load()
            if stored and stored.get("recorded") is False:
                await _finish(tester, kind, slots, stored)
                put_to_use(tester)


def check(tester, kind, data):
    """Return what a definition says that is offered. Raises ProbeError where it cannot be taken."""
    made = definition.read(kind, data)
    _place_for(tester.store, kind, _name(data))
    if not tester.store.take_room():
        raise ShelfError("ledger", "The flash has too little room for it. Pull the ledger, then try again.")
    return made


def _place_for(store, kind, name):
    """Return the Slots that a name goes to: its own, else a free one."""
    free = None
    names = []
    for slots in _places(store, kind):
        stored = slots.load()
        if not stored:
            free = free or slots
            continue
        if _name(stored["definition"]) == name:
            return slots
        names.append(_name(stored["definition"]))
    if free is None:
        raise MisuseError(
            "shelf-full",
            "The tester holds %d %s already: %s. Drop one first." % (len(names), _words(kind), ", ".join(names)),
        )
    return free


async def take(tester, kind, data, use):
    """Keep a definition that `check` accepted. Returns the number of its record.

    data: CBOR, bytes; use: whether tests work with it from now on. Raises ProbeError or OSError; nothing has changed
    then.
    """
    check(tester, kind, data)
    slots = _place_for(tester.store, kind, _name(data))
    before = slots.load() or {}
    stored = {"id": definition.identity(data), "definition": data, "use": use, "recorded": False}
    async with tester.quiet:
        slots.save(stored)
        if not slots.holds():
            raise ShelfError("shelf-failed", "The flash does not keep it. Nothing was changed.")
    try:
        sequence = await _finish(tester, kind, slots, stored)
    except (ProbeError, OSError):
        async with tester.quiet:
            slots.save(before)
        raise
    put_to_use(tester)
    return sequence


async def _finish(tester, kind, slots, stored):
    """Record what stands in its slot, put it to use where that is due, and mark it. Returns the record's number."""
    data = stored["definition"]
    name, wanted = in_use(tester.store, kind)
    # What takes the place of the one in use is in use: the former is gone then.
    former = slots.other()
    use = stored.get("use") is True or bool(former and wanted is not None and former.get("id") == wanted)
    body = {"act": TAKEN, "name": _name(data), "id": stored["id"], "use": use, "definition": cbor.loads(data)}
    sequence = await tester.keep(kind, body)
    async with tester.quiet:
        if use:
            _choose(tester, kind, _name(data), stored["id"])
        marked = dict(stored)
        marked["recorded"] = True
        slots.save(marked)
    return sequence


def _choose(tester, kind, name, wanted):
    tester.store.change_settings(kind, name, kind + "_id", wanted)
    tester.settings = tester.store.settings.load()


def check_choice(tester, choice):
    """Return the act, kind, name and id of a choice that is offered. Raises ProbeError where it has no meaning.

    choice: map with "act" ("choose" or "drop"), "kind", "name" and "id" (None for a built-in one).
    """
    act, kind, name, wanted = [choice.get(key) for key in ("act", "kind", "name", "id")]
    if act not in ("choose", "drop") or kind not in KINDS or not isinstance(name, str):
        raise StoredDataError("bad-choice", "The choice makes no sense.")
    if wanted is None and act == "choose":
        _built_in(kind, name)
    elif (name, wanted) not in [entry[:2] for entry in kept(tester.store, kind)]:
        raise MisuseError("unknown-" + kind, "This tester has no %s %s." % (kind, name))
    elif act == "drop" and in_use(tester.store, kind)[1] == wanted:
        raise MisuseError("in-use", "%s is in use. Choose another first." % name)
    return act, kind, name, wanted


async def choose(tester, choice):
    """Do what a choice says. Returns the number of its record. Raises ProbeError or OSError."""
    act, kind, name, wanted = check_choice(tester, choice)
    before, before_id = in_use(tester.store, kind)
    body = {"act": CHOSEN if act == "choose" else DROPPED, "name": name, "id": wanted}
    if act == "choose":
        body["before"] = before
        body["before_id"] = before_id
    # Recorded first: without its record nothing changes, and a record of what a cut then kept from coming does no harm.
    sequence = await tester.keep(kind, body)
    async with tester.quiet:
        if act == "choose":
            _choose(tester, kind, name, wanted)
        else:
            for slots in _places(tester.store, kind):
                stored = slots.load()
                if stored and stored.get("id") == wanted:
                    slots.save({})
    put_to_use(tester)
    return sequence
