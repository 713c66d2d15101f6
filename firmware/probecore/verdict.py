"""The verdict: the same function on the tester's screen and in the shop's report.

Each requirement gets a conformance probability (JCGM 106:2012, clause 7); that of the whole is the smallest. From
95 % up it is a pass, down to 5 % a fail, undecided between. What was not measured is listed as not checked, and a pass
covers only what was. Beside it stands the guard: how far inside its limit a reading has to lie to pass.

An uncertainty is normal, but for the half-width that a record names (half_ohms, half_celsius): that part is
rectangular. Isolation is normal in conductance, because a current is what is measured.

Some findings stop a verdict, whatever the numbers say: a voltage on the leads, a reading that still moves, a fault of
the converter, a lost sense jaw, a chassis clip without contact. They make it undecided, unless a requirement that they
do not touch has failed already.

What a check or the calibration says of the tester stands among the findings and leaves the verdict as it is: an open
circuit stays one, whoever finds it. A reader sees both and decides.
"""

from collections import namedtuple

from . import checking, conformance, findings, limits, maths
from .curves import BUILT_IN, curve as curve_of
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
        "guards",
    ),
)


def leads_of(ohms, r0_ohms, profile=None, curve=None):
    """Tell from a resistance [ohm] whether leads are open, short or connected; r0_ohms: the element's at 0 degC.

    curve: the element's curve, whose own resistances are never open or short, or None.
    """
    full = profile or limits.DOMESTIC_1000
    if curve and min(curve.low_ohms, curve.high_ohms) <= ohms <= max(curve.low_ohms, curve.high_ohms):
        return CONNECTED
    if ohms < full["short_fraction"] * r0_ohms:
        return SHORT
    if ohms > full["open_multiple"] * r0_ohms:
        return OPEN
    return CONNECTED


def judge(body, profile=None, curve=None):
    """Judge what was measured.

    body: map of a probe record (docs/formats.md); what is missing or null counts as not measured.
    profile: complete limits, DOMESTIC_1000 by default. curve: the curve, where the body names none of the built-in.
    Returns Judgement: verdict; probability (smallest, None where nothing was judged); requirements, a list of
    (name, probability); findings, a list of codes, what to do first leading; not_checked, a list of names; celsius,
    u_celsius and expected_ohms, None where they have no meaning; guards, a list of (name, celsius, ohms): how far
    inside each limit of a requirement a reading has to lie to pass, by the curve's slope at ambient; celsius is None
    where that is not known, both where no reading would pass. Raises MisuseError for an unknown curve.
    """
    return _Judge(body, profile or limits.DOMESTIC_1000, curve).result()


def _part(body, name):
    """Return a sub-map of the body, or None."""
    value = body.get(name)
    return value if isinstance(value, dict) else None


def _number(part, name):
    """Return a finite number of a map, or None."""
    value = part.get(name) if part else None
    return value if maths.finite(value) else None


def _doubt(part, unit, otherwise=0.0):
    """Return (normal part, rectangular half-width) of a map's u_unit, which contains half_unit.

    otherwise: standard uncertainty where the map has none.
    """
    u = _number(part, "u_" + unit)
    half = max(0.0, _number(part, "half_" + unit) or 0.0)
    if u is None:
        u = otherwise
    # A rectangle's variance is a third of its half-width's square (GUM 4.3.7).
    return maths.sqrt(max(0.0, u * u - half * half / 3)), half


class _Judge:
    """One judgement in the making: what has been found so far."""

    def __init__(self, body, profile, curve=None):
        self.body = body
        self.profile = profile
        self.requirements = []
        self.guards = []
        self.findings = []
        self.stopped = False
        self.celsius = None
        self.u_celsius = 0.0
        self.expected_ohms = None
        self.slope = None
        self.curve = curve or curve_of(body.get("curve") or "pt1000-3850")

    def result(self):
        if not self._stopped_before_measuring():
            leads = self._leads()
            if leads == CONNECTED:
                self._temperature()
            self._isolation()
            # A reading that still moves makes no difference to another.
            if leads in (None, CONNECTED) and "not-settled" not in self.findings:
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

    def _guard(self, name, celsius, ohms):
        """Note how far inside its limit a requirement is met; the one that is None follows from the other."""
        if self.slope:
            if ohms is None and celsius is not None:
                ohms = celsius * self.slope
            elif celsius is None and ohms is not None:
                celsius = ohms / self.slope
        self.guards.append((name, celsius, ohms))

    # Requirements

    def _leads(self):
        leads = self.body.get("leads")
        ohms = _number(self.body, "ohms")
        if ohms is not None and leads in (None, CONNECTED):
            leads = leads_of(ohms, self.curve.r0_ohms, self.profile, self.curve)
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
        doubt = _doubt(body, "ohms")
        ambient = _part(body, "ambient")
        ambient_celsius = _number(ambient, "celsius")
        if ohms is None:
            return
        try:
            self.celsius = self.curve.celsius(ohms)
            # The slope is negative where the resistance falls with temperature.
            slope = maths.fabs(self.curve.ohms_per_celsius(self.celsius))
            self.u_celsius = (_number(body, "u_ohms") or 0.0) / slope
        except ProbeError:
            self.celsius = None
        if ambient_celsius is not None:
            try:
                self.expected_ohms = self.curve.ohms(ambient_celsius)
                self.slope = maths.fabs(self.curve.ohms_per_celsius(ambient_celsius))
            except ProbeError:
                ambient_celsius = None
        settling = _part(body, "settling")
        if settling and settling.get("settled") is False:
            # The number is no steady one: it says nothing about the room, and the coarse test waits too.
            self._stop("not-settled")
            return
        if ambient_celsius is not None:
            self._agree(ambient, ambient_celsius, doubt)
            self._window(ohms, doubt, ambient_celsius)

    def _agree(self, ambient, ambient_celsius, doubt):
        u_ambient, half_ambient = _doubt(ambient, "celsius", self.profile["u_ambient_celsius"])
        if self.celsius is None:
            self._require(AMBIENT, 0.0, "ambient-disagrees")
            self._look_for_another(ambient_celsius)
            return
        width = self.profile["ambient_celsius"]
        slope = maths.fabs(self.curve.ohms_per_celsius(self.celsius))
        u_probe = doubt[0] / slope
        u = maths.sqrt(u_probe * u_probe + u_ambient * u_ambient)
        half = doubt[1] / slope
        difference = self.celsius - ambient_celsius
        probability = conformance.within(-width, width, difference, u, half, half_ambient)
        self._require(AMBIENT, probability, "ambient-disagrees")
        if probability <= self.profile["fail_probability"]:
            self._look_for_another(ambient_celsius)
        needed = self.profile["pass_probability"]
        self._guard(AMBIENT, conformance.guard(needed, u, half, half_ambient, 2 * width), None)

    def _look_for_another(self, ambient_celsius):
        """Find the wrong curve where an element of another resistance at 0 degC would agree with the room.

        Curves of the same resistance there are too near each other in a room to be told apart.
        """
        ohms = self.body["ohms"]
        for name in BUILT_IN:
            other = curve_of(name)
            if other.r0_ohms == self.curve.r0_ohms or not other.low_ohms <= ohms <= other.high_ohms:
                continue
            if maths.fabs(other.celsius(ohms) - ambient_celsius) < self.profile["ambient_celsius"]:
                self._find("wrong-curve")
                return

    def _window(self, ohms, doubt, ambient_celsius):
        profile = self.profile
        in_use = profile["window_low_celsius"] <= ambient_celsius <= profile["window_high_celsius"]
        curve = self.curve
        # The window is one about the resistance at 0 degC of an element that rises.
        is_for_it = curve.low_ohms < curve.high_ohms and curve.r0_celsius == 0
        if in_use and is_for_it and curve.r0_ohms == profile["window_r0_ohms"]:
            low, high = profile["window_low_ohms"], profile["window_high_ohms"]
            u, half = doubt
            self._require(WINDOW, conformance.within(low, high, ohms, u, half), "outside-window")
            self._guard(WINDOW, None, conformance.guard(profile["pass_probability"], u, half, 0.0, high - low))

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
            if not part.get("greater"):
                probability = self._leak(name, limit, ohms, _number(part, "u_ohms") or 0.0)
            else:
                # "greater than": met when what could be seen reaches the limit, open otherwise.
                probability = 1.0 if ohms >= limit else 0.5
            self._require(name, probability, "leak-to-chassis", "isolation-unclear")

    def _leak(self, name, limit, ohms, u_ohms):
        """Return P(1/R <= 1/limit), normal in 1/R with u_ohms / ohms^2, and note the guard.

        Everything is multiplied by ohms^2, so that no siemens get lost in a single float.
        """
        probability = 0.0
        inside_ohms = None
        if ohms > 0:
            probability = conformance.normal_above(0.0, ohms / limit * (ohms - limit), u_ohms)
            # The guard relative to the reading's conductance, then to the limit's: R = 1 / (1 / limit - guard).
            share = conformance.guard(self.profile["pass_probability"], u_ohms / ohms) * (limit / ohms)
            if share < 1:
                inside_ohms = limit * share / (1 - share)
        self.guards.append((name, None, inside_ohms))
        return probability

    def _harness(self):
        harness = _part(self.body, "harness")
        ohms = _number(harness, "ohms")
        if ohms is not None:
            u, half = _doubt(harness, "ohms")
            probability = conformance.below(self.profile["harness_ohms"], ohms, u, half)
            self._require(HARNESS, probability, "harness-resistance")
            self._guard(HARNESS, None, conformance.guard(self.profile["pass_probability"], u, half))

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
            findings.ordered(self.findings) + about_tester,
            not_checked,
            self.celsius,
            None if self.celsius is None else self.u_celsius,
            self.expected_ohms,
            self.guards,
        )
