"""Find a bake log that has no end, as a cut of the supply leaves it: say so, and close it with a record."""

from parts import buzzer
from probecore import record
from probecore.errors import ProbeError, StoredDataError
from screen import bakes

CUT = "cut"

# So many of the newest records are looked at.
_LOOK_BACK = 12


def _newest(store):
    """Return the body of the newest bake record among the last ones, or None."""
    found = None
    for _, item in store.read(max(1, store.last - _LOOK_BACK + 1), _LOOK_BACK):
        try:
            value = record.decode(item)
        except StoredDataError:
            continue
        if value["kind"] == "bake":
            found = value["body"]
    return found


async def close(tester, any_key):
    """Close a log that was cut off, and tell it until a key is pressed; nothing where there is none.

    tester: Tester; any_key: coroutine function that waits for a press.
    """
    before = _newest(tester.store)
    if before is None or before.get("ended") is not None:
        return
    log, part, first_s, seconds = [before.get(name) for name in ("log", "part", "first_s", "seconds")]
    body = {
        "log": log,
        "part": part + 1,
        "begun_ms": None,
        "first_s": first_s + seconds,
        "seconds": 0,
        "base_centicelsius": None,
        "differences": b"",
        "curve": before.get("curve"),
        "curve_id": before.get("curve_id"),
        "reading": None,
        "ended": CUT,
    }
    saved = None
    try:
        saved = await tester.keep("bake", body)
    except ProbeError:
        pass  # told again at the next start
    bakes.cut(tester.canvas, log, first_s + seconds, saved)
    tester.buzzer.play(buzzer.ATTENTION)
    await any_key()
