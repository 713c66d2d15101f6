"""The verdict: the same function on the tester's screen and in the shop's report.

Each requirement gets a conformance probability (JCGM 106:2012, clause 7); that of the whole is the smallest. From
95 % up it is a pass, down to 5 % a fail, undecided between. What was not measured is listed as not checked, and a pass
covers only what was.

Some findings stop a verdict, whatever the numbers say: a voltage on the leads, a reading that still moves, a fault of
the converter, a lost sense jaw, a chassis clip without contact. They make it undecided, unless a requirement that they
do not touch has failed already.

What a check or the calibration says of the tester stands among the findings and leaves the verdict as it is: an open
circuit stays one, whoever finds it. A reader sees both and decides.
"""

from collections import namedtuple

from . import checking, conformance, limits, maths
from .curves import curve as curve_of
from .errors import ProbeError

PASS = "pass"
FAIL = "fail"
UNDECIDED = "undecided"

CONTINUITY = "continuity"
AMBIENT = "ambient agreement"
WINDOW = "service window"
ISOLATION_A = "isolation a"
ISOLATION_B = "isolation b"
HARNESS = "harness"
FLEX = "flex"

REQUIREMENTS = (CONTINUITY, AMBIENT, WINDOW, ISOLATION_A, ISOLATION_B, HARNESS, FLEX)

CONNECTED = "connected"
OPEN = "open"
SHORT = "short"
SENSE_LOST = "sense-lost"
SATURATED = "saturated"

Judgement = namedtuple(
    "Judgement",
    (
        "verdict",
        "probability",
        "requirements",
        "findings",
        "not_checked",
        "celsius",
        "u_celsius",
        "expected_ohms",
    ),
)


def leads_of(ohms, r0_ohms, profile=None):
    """Tell from a resistance [ohm] whether leads are open, short or connected; r0_ohms: the element's at 0 degC."""
    full = profile or limits.DOMESTIC_1000
    if ohms < full["short_fraction"] * r0_ohms:
        return SHORT
    if ohms > full["open_multiple"] * r0_ohms:
        return OPEN
    return CONNECTED


def judge(body, profile=None):
    """Judge what was measured.

    body: map of a probe record (docs/formats.md); what is missing or null counts as not measured.
    profile: complete limits, DOMESTIC_1000 by default.
    Returns Judgement: verdict; probability (smallest, None where nothing was judged); requirements, a list of
    (name, probability); findings, a list of codes; not_checked, a list of names; celsius, u_celsius and expected_ohms,
    None where they have no meaning. Raises MisuseError for an unknown curve.
    """
    return _Judge(body, profile or limits.DOMESTIC_1000).result()


def _part(body, name):
    """Return a sub-map of the body, or None."""
    value = body.get(name)
    return value if isinstance(value, dict) else None


def _number(part, name):
    """Return a finite number of a map, or None."""
    value = part.get(name) if part else None
    return value if maths.finite(value) else None


class _Judge:
    """One judgement in the making: what has been found so far."""

    def __init__(self, body, profile):
        self.body = body
        self.profile = profile
        self.requirements = []
        self.findings = []
        self.stopped = False
        self.celsius = None
        self.u_celsius = 0.0
        self.expected_ohms = None
        self.curve = curve_of(body.get("curve") or "pt1000-3850")

    def result(self):
        if not self._stopped_before_measuring():
            leads = self._leads()
            if leads == CONNECTED:
                self._temperature()
            self._isolation()
            self._harness()
            self._flex()
            about_tester = checking.findings_of(self.body, self.profile)
        else:
            about_tester = []
        return self._conclude(about_tester)

    # Interlocks

    def _stopped_before_measuring(self):
        body = self.body
        foreign = _part(body, "foreign")
        if body.get("fault"):
            self._stop("adc-fault")
        elif body.get("refused") == "usb":
            self._stop("usb-refused")
        elif foreign and foreign.get("seen"):
            self._stop("voltage-on-leads")
        return self.stopped

    def _stop(self, code):
        self.stopped = True
        self._find(code)

    def _find(self, code):
        if code not in self.findings:
            self.findings.append(code)

    def _require(self, name, probability, code, unclear="too-close"):
        """Add a requirement; explain it when it is missed or cannot be called."""
        self.requirements.append((name, probability))
        if probability <= self.profile["fail_probability"]:
            self._find(code)
        elif probability < self.profile["pass_probability"]:
            self._find(unclear)

    # Requirements

    def _leads(self):
        leads = self.body.get("leads")
        ohms = _number(self.body, "ohms")
        if ohms is not None and leads in (None, CONNECTED):
            leads = leads_of(ohms, self.curve.r0_ohms, self.profile)
        if leads == OPEN:
            self._require(CONTINUITY, 0.0, "open-circuit")
        elif leads == SHORT:
            self._require(CONTINUITY, 0.0, "short-circuit")
        elif leads == CONNECTED:
            self._require(CONTINUITY, 1.0, "open-circuit")
        elif leads == SENSE_LOST:
            self._stop("sense-lost")
        elif leads == SATURATED:
            self._stop("out-of-range")
        return leads

    def _temperature(self):
        body = self.body
        ohms = _number(body, "ohms")
        u_ohms = _number(body, "u_ohms") or 0.0
        ambient = _part(body, "ambient")
        ambient_celsius = _number(ambient, "celsius")
        if ohms is None:
            return
        try:
            self.celsius = self.curve.celsius(ohms)
            self.u_celsius = u_ohms / self.curve.ohms_per_celsius(self.celsius)
        except ProbeError:
            self.celsius = None
        if ambient_celsius is not None:
            try:
                self.expected_ohms = self.curve.ohms(ambient_celsius)
            except ProbeError:
                ambient_celsius = None
        settling = _part(body, "settling")
        if settling and settling.get("settled") is False:
            # The number is no steady one: it says nothing about the room, and the coarse test waits too.
            self._stop("not-settled")
            return
        if ambient_celsius is not None:
            self._agree(ambient, ambient_celsius)
            self._window(ohms, u_ohms, ambient_celsius)

    def _agree(self, ambient, ambient_celsius):
        u_ambient = _number(ambient, "u_celsius")
        if u_ambient is None:
            u_ambient = self.profile["u_ambient_celsius"]
        if self.celsius is None:
            probability = 0.0
        else:
            width = self.profile["ambient_celsius"]
            u = maths.sqrt(self.u_celsius * self.u_celsius + u_ambient * u_ambient)
            probability = conformance.within(-width, width, self.celsius - ambient_celsius, u)
        self._require(AMBIENT, probability, "ambient-disagrees")

    def _window(self, ohms, u_ohms, ambient_celsius):
        profile = self.profile
        in_use = profile["window_low_celsius"] <= ambient_celsius <= profile["window_high_celsius"]
        if in_use and self.curve.r0_ohms == profile["window_r0_ohms"]:
            probability = conformance.within(profile["window_low_ohms"], profile["window_high_ohms"], ohms, u_ohms)
            self._require(WINDOW, probability, "outside-window")

    def _isolation(self):
        contact = _part(self.body, "contact")
        isolation = _part(self.body, "isolation")
        if contact and contact.get("proven") is False:
            self._stop("no-chassis-contact")
            return
        for lead, name in (("a", ISOLATION_A), ("b", ISOLATION_B)):
            part = _part(isolation or {}, lead) or {}
            ohms = _number(part, "ohms")
            if ohms is None:
                continue
            limit = self.profile["isolation_ohms"]
            u_ohms = _number(part, "u_ohms") or 0.0
            if not part.get("greater"):
                probability = conformance.normal_above(limit, ohms, u_ohms)
            else:
                # "greater than": met when what could be seen reaches the limit, open otherwise.
                probability = 1.0 if ohms >= limit else 0.5
            self._require(name, probability, "leak-to-chassis", "isolation-unclear")

    def _harness(self):
        harness = _part(self.body, "harness")
        ohms = _number(harness, "ohms")
        if ohms is not None:
            u_ohms = _number(harness, "u_ohms") or 0.0
            probability = conformance.normal_below(self.profile["harness_ohms"], ohms, u_ohms)
            self._require(HARNESS, probability, "harness-resistance")

    def _flex(self):
        flex = _part(self.body, "flex")
        dropouts = _number(flex, "dropouts")
        steps = _number(flex, "steps")
        if dropouts is not None and steps is not None:
            self._require(FLEX, 0.0 if dropouts + steps > 0 else 1.0, "intermittent")

    # Conclusion

    def _conclude(self, about_tester):
        checked = [name for name, _ in self.requirements]
        if CONTINUITY in checked and AMBIENT not in checked and not self.findings:
            # Continuity and the coarse window alone never make a pass.
            self._stop("ambient-missing")
        not_checked = [name for name in REQUIREMENTS if name not in checked]
        probability = min([value for _, value in self.requirements]) if self.requirements else None
        if probability is not None and probability <= self.profile["fail_probability"]:
            verdict = FAIL
        elif self.stopped or probability is None or probability < self.profile["pass_probability"]:
            verdict = UNDECIDED
        else:
            verdict = PASS
        return Judgement(
            verdict,
            probability,
            self.requirements,
            self.findings + about_tester,
            not_checked,
            self.celsius,
            None if self.celsius is None else self.u_celsius,
            self.expected_ohms,
        )
