"""Findings: each alone, and each pair that can occur together, found by driving the verdict with what causes them.

Expected verdicts follow the project's rules: a requirement that is missed fails the probe, whatever else was seen; else
what stops a verdict or leaves a requirement open makes it undecided.
"""

from probecore import advice, findings, verdict

GOOD_LEAK = {"ohms": 5e7, "u_ohms": 0.0, "greater": True}
LEAK = {"ohms": 4e4, "u_ohms": 400.0}
UNCLEAR_LEAK = {"ohms": 1e5, "u_ohms": 0.0, "greater": True}


def good():
    """A 1000-ohm element at 23 degC in a room of 23 degC, everything measured by a tester in order."""
    return {
        "curve": "pt1000-3850",
        "leads": "connected",
        "ohms": 1089.585,
        "u_ohms": 0.1,
        "ambient": {"celsius": 23.0, "u_celsius": 0.25},
        "settling": {"settled": True},
        "contact": {"proven": True, "ohms": 1.0},
        "isolation": {"a": GOOD_LEAK, "b": GOOD_LEAK},
        "flex": {"dropouts": 0, "steps": 0},
        "harness": {"ohms": 0.2, "u_ohms": 0.1},
        "check": {"passed": True, "age_s": 60},
        "calibration": {"state": "calibrated"},
    }


# What causes a finding: changes to the good body, one or more ways. A path with a dot reaches into a map.
CAUSES = {
    "adc-fault": ({"fault": "adc-silent"},),
    "usb-refused": ({"refused": "usb"},),
    "voltage-on-leads": ({"foreign": {"seen": True, "dc_volts": 12.0}},),
    "open-circuit": ({"leads": "open", "ohms": None, "u_ohms": None}, {"ohms": 2e6}),
    "short-circuit": ({"leads": "short", "ohms": 0.2}, {"ohms": 0.2}),
    "intermittent": ({"flex": {"dropouts": 2, "steps": 0}}, {"flex": {"dropouts": 0, "steps": 1}}),
    "harness-resistance": ({"harness": {"ohms": 12.0, "u_ohms": 0.2}},),
    "leak-to-chassis": ({"isolation.a": LEAK}, {"isolation.b": LEAK}),
    "ambient-disagrees": ({"ohms": 1150.0}, {"ambient.celsius": 30.0}, {"ambient.celsius": 27.6}),
    # A 100-ohm element at 25 degC and a 500-ohm one at 23 (IEC 60751: 109.735 and 544.79 ohm).
    "wrong-curve": ({"ohms": 109.735}, {"ohms": 544.79}),
    # 1300 ohm would also disagree with any room in which the window is used, unless the room's doubt is large.
    "outside-window": (
        {"ohms": 1210.0},
        {"ohms": 1210.0, "ambient": {"celsius": 39.0, "u_celsius": 20.0}},
        {"ohms": 109.735},
    ),
    "sense-lost": ({"leads": "sense-lost", "ohms": None, "u_ohms": None},),
    "out-of-range": ({"leads": "saturated", "ohms": None, "u_ohms": None},),
    "not-settled": ({"settling": {"settled": False}},),
    "no-chassis-contact": ({"contact": {"proven": False}, "isolation": None}, {"contact": {"proven": False}}),
    "ambient-missing": ({"ambient": None},),
    "isolation-unclear": ({"isolation.a": UNCLEAR_LEAK}, {"isolation.b": UNCLEAR_LEAK}),
    "too-close": (
        {"ohms": 1105.2},
        {"ambient.celsius": 18.9},
        {"harness": {"ohms": 3.0, "u_ohms": 0.2}},
        {"ohms": 1200.0, "ambient": {"celsius": 39.0, "u_celsius": 20.0}},
    ),
    "uncalibrated": ({"calibration": {"state": "uncalibrated"}}, {"calibration": {"state": "damaged"}}),
    "calibration-overdue": ({"calibration": {"state": "overdue"}},),
    "check-failed": ({"check": {"passed": False, "age_s": 60}},),
    "check-never": ({"check": {"passed": None, "age_s": None}},),
    "check-overdue": ({"check": {"passed": True, "age_s": 90000}}, {"check": {"passed": True, "age_s": None}}),
}

FAILING = (
    "wrong-curve",
    "open-circuit",
    "short-circuit",
    "intermittent",
    "harness-resistance",
    "leak-to-chassis",
    "ambient-disagrees",
    "outside-window",
)

# Findings that bring another with them wherever they stand alone: none do but these.
BRINGS = {
    "outside-window": ("too-close", "ambient-disagrees", "wrong-curve"),
    "wrong-curve": ("ambient-disagrees", "outside-window"),
}

STOPS_BEFORE = "it ends the test before anything is measured"
ONE_STATE = "the leads are in one state at a time"
NOT_MEASURED = "without a resistance nothing is compared with the room, the window or the other end"
STILL_MOVING = "a reading that moves is held against nothing"
NO_ISOLATION = "without chassis contact isolation is not judged"
ONLY_LACK = "it is said only where nothing else was found about the probe"
ONE_CHECK = "the newest check is in one state"
ONE_CALIBRATION = "a calibration is in one state"

BEFORE = ("adc-fault", "usb-refused", "voltage-on-leads")
LEADS = ("open-circuit", "short-circuit", "sense-lost", "out-of-range")
OF_RESISTANCE = ("harness-resistance", "wrong-curve", "ambient-disagrees", "outside-window", "not-settled")


def excluded():
    """Return a map of the pairs that cannot occur, each with its reason."""
    found = {}

    def no(ones, others, reason):
        for one in ones:
            for other in others:
                if one != other:
                    found.setdefault(pair(one, other), reason)

    no(BEFORE, findings.CODES, STOPS_BEFORE)
    no(LEADS, LEADS, ONE_STATE)
    no(LEADS, OF_RESISTANCE + ("too-close",), NOT_MEASURED)
    no(("not-settled",), OF_RESISTANCE + ("too-close",), STILL_MOVING)
    no(("no-chassis-contact",), ("leak-to-chassis", "isolation-unclear"), NO_ISOLATION)
    no(("ambient-missing",), [code for code in CAUSES if code not in findings.ABOUT_TESTER], ONLY_LACK)
    no(("check-failed", "check-never", "check-overdue"), ("check-failed", "check-never", "check-overdue"), ONE_CHECK)
    no(("uncalibrated",), ("calibration-overdue",), ONE_CALIBRATION)
    return found


def pair(one, other):
    return (one, other) if one < other else (other, one)


def changed(*changes):
    """Return the good body with changes, or None where two of them change one thing to different values."""
    body = good()
    done = {}
    for change in changes:
        for path, value in change.items():
            part, _, key = path.partition(".")
            for known, theirs in done.items():
                whole_and_part = part == known.partition(".")[0] and (part == known or not key)
                if theirs != value and (known == path or whole_and_part):
                    return None
            done[path] = value
            if key:
                body[part] = dict(body[part])
                body[part][key] = value
            else:
                body[path] = value
    return body


def expected_verdict(codes):
    for code in codes:
        if code in FAILING:
            return "fail"
    return "undecided" if [code for code in codes if code not in findings.ABOUT_TESTER] else "pass"


def driven(one, other):
    """Yield the judgement of every way in which two causes can stand in one body."""
    for first in CAUSES[one]:
        for second in CAUSES[other]:
            body = changed(first, second)
            if body is not None:
                yield verdict.judge(body)


def pairs():
    codes = sorted(CAUSES)
    return [(one, other) for index, one in enumerate(codes) for other in codes[index + 1 :]]


def test_every_code_has_a_cause_or_comes_from_elsewhere():
    assert sorted(findings.CODES) == sorted(CAUSES)
    assert len(set(findings.CODES)) == len(findings.CODES)


def test_the_good_body_passes_without_a_finding():
    judged = verdict.judge(good())
    assert judged.verdict == "pass" and judged.findings == [] and judged.not_checked == []


def test_each_alone():
    for code, ways in CAUSES.items():
        for way in ways:
            judged = verdict.judge(changed(way))
            others = [each for each in judged.findings if each != code]
            assert code in judged.findings, (code, way, judged)
            for each in others:
                assert each in BRINGS.get(code, ()), (code, way, judged)
            assert judged.verdict == expected_verdict(judged.findings), (code, way, judged)


def test_each_pair_occurs_or_has_its_reason():
    never = excluded()
    for one, other in pairs():
        together = [judged for judged in driven(one, other) if one in judged.findings and other in judged.findings]
        if (one, other) in never:
            assert not together, (one, other, never[(one, other)])
            continue
        assert together, (one, other)
        for judged in together:
            assert judged.verdict == expected_verdict(judged.findings), (one, other, judged)
            assert len(set(judged.findings)) == len(judged.findings)
    # Nothing stands in the table of the excluded that is no pair.
    known = pairs()
    for each in never:
        assert each in known, each


def test_what_fails_stands_before_what_is_open_and_the_tester_last():
    for one, other in pairs():
        for judged in driven(one, other):
            probe, tester = findings.split(judged.findings)
            assert judged.findings == probe + [code for code in judged.findings if code in tester]
            failing = [code in FAILING for code in probe]
            assert failing == sorted(failing, reverse=True), judged.findings


def test_a_break_or_a_joint_is_looked_at_before_a_sensor_is_replaced():
    for first, later in (
        ("intermittent", "ambient-disagrees"),
        ("harness-resistance", "ambient-disagrees"),
        ("harness-resistance", "outside-window"),
        ("leak-to-chassis", "ambient-disagrees"),
        ("leak-to-chassis", "outside-window"),
        ("open-circuit", "intermittent"),
    ):
        assert findings.ordered([later, first]) == [first, later]


# Words of a piece of advice, and what must then stand in the advice of the other: no pair may say two things at once.
# What tells the sensor's fault is a measurement at its own connector, where the harness has no part.
REPLACES_SENSOR = ("open-circuit", "short-circuit", "outside-window", "ambient-disagrees")
HARNESS_FIRST = ("harness-resistance", "intermittent")


def test_no_pair_contradicts_itself():
    for code in REPLACES_SENSOR:
        said = advice.text(code)[1].lower()
        assert "replace" in said and ("sensor's own connector" in said or "at the sensor and at the control" in said)
    for code in HARNESS_FIRST:
        assert "test again before" in advice.text(code)[1], code
    never = excluded()
    for one, other in pairs():
        if (one, other) in never:
            continue
        both = advice.text(one)[1] + " " + advice.text(other)[1]
        # A tester that failed its check lends its numbers no weight, and no other advice says that it does.
        if "check-failed" in (one, other):
            assert "use the value" not in both and "its numbers hold" not in both
            if "uncalibrated" in (one, other) or "calibration-overdue" in (one, other):
                assert "While it passes its checks" in both
        # No one is sent to touch the leads where another finding forbids it.
        assert "touch nothing" not in both.lower()


# Advice that brings hands to clips, connectors or wires says first that the power is off and verified.
HANDS = (
    "open-circuit",
    "short-circuit",
    "outside-window",
    "ambient-disagrees",
    "leak-to-chassis",
    "intermittent",
    "harness-resistance",
    "no-chassis-contact",
    "sense-lost",
    "out-of-range",
    "isolation-unclear",
)


def test_every_finding_says_what_it_means_and_what_to_do():
    seen = set()
    for code in findings.CODES:
        message, what_to_do = findings.text(code)
        assert (message, what_to_do) == advice.text(code)
        assert 20 < len(message) <= 120 and 20 < len(what_to_do) <= 400, code
        assert message[-1] == "." and what_to_do[-1] == ".", code
        for word in (" safe", "no voltage", " dead", "insulation test"):
            assert word not in (message + what_to_do).lower(), code
        assert message not in seen
        seen.add(message)
        if code in HANDS:
            assert "power off at the breaker and that verified" in what_to_do, code
        # The hands' words stand nowhere else.
        for word in ("clip on", "unplug the harness", "connector;", "jaws bite"):
            assert word not in what_to_do or code in HANDS, (code, word)
    assert "breaker" in findings.text("voltage-on-leads")[1]
