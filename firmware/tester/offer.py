"""What the link offers, a calibration, a curve or limits: a person at the tester takes or refuses it with a key.

    offered -> shown -> taken | refused | expired | failed

It is shown from the home page only, and nothing is kept before the OK key. Without a key within WAIT_MS, or when the
USB plug is pulled, nothing changes.
"""

from micropython import const

OFFERED = "offered"
SHOWN = "shown"
TAKEN = "taken"
REFUSED = "refused"
EXPIRED = "expired"
FAILED = "failed"

CALIBRATION = "calibration"
CURVE = "curve"
LIMITS = "limits"
CHOICE = "choice"
KINDS = (CALIBRATION, CURVE, LIMITS, CHOICE)

WAIT_MS = const(60000)


class Offer:
    """One offered thing and what became of it."""

    def __init__(self, check_sum, stored, now_ms, kind=CALIBRATION, lines=(), use=False, done=None):
        """check_sum: CRC-32 of its bytes; stored: its map, for a curve and limits its bytes; now_ms: the uptime [ms];
        kind: one of KINDS; lines: texts that tell what it is; use: whether it is put to use once it is taken; done:
        what is said then, None for a calibration.
        """
        self.check_sum = check_sum
        self.stored = stored
        self.kind = kind
        self.lines = lines
        self.use = use
        self.done = done
        self.state = OFFERED
        self.sequence = None
        self.message = None
        self._begun_ms = now_ms

    @property
    def open(self):
        """Tell whether no key has decided yet."""
        return self.state in (OFFERED, SHOWN)

    def age(self, now_ms):
        """Let the offer expire when its time is over. now_ms: the uptime [ms]."""
        if self.open and now_ms - self._begun_ms > WAIT_MS:
            self.state = EXPIRED

    def result(self):
        """Return the link's answer."""
        return {"state": self.state, "record": self.sequence, "message": self.message}
