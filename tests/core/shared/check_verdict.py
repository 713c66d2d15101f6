"""The verdict: each finding alone, findings in pairs that occur, and what stops a verdict."""

from probecore import curves, findings, limits, verdict
from probecore.errors import MisuseError


def good():
    """A 1000-ohm element at 23 degC in a room of 23 degC, everything measured."""
    clear = {"ohms": 5e7, "u_ohms": 1e6, "greater": True}
    return {
        "curve": "pt1000-3850",
        "leads": "connected",
        "ohms": 1089.585,
        "u_ohms": 0.1,
        "ambient": {"celsius": 23.0, "u_celsius": 0.25},
        "settling": {"settled": True},
        "contact": {"proven": True, "ohms": 1.0},
        "isolation": {"a": clear, "b": clear},
        "flex": {"dropouts": 0, "steps": 0},
        "harness": {"ohms": 0.2, "u_ohms": 0.1},
    }


def judged(**changes):
    body = good()
    body.update(changes)
    return verdict.judge(body)


# what changes, verdict, findings
TABLE = (
    ({}, "pass", []),
    ({"leads": "open", "ohms": None}, "fail", ["open-circuit"]),
    ({"leads": "short", "ohms": 0.2}, "fail", ["short-circuit"]),
    ({"leads": None, "ohms": 0.2}, "fail", ["short-circuit"]),
    ({"leads": None, "ohms": 2e6}, "fail", ["open-circuit"]),
    ({"leads": "sense-lost", "ohms": None}, "undecided", ["sense-lost"]),
    ({"leads": "saturated", "ohms": None}, "undecided", ["out-of-range"]),
    ({"ohms": 1150.0}, "fail", ["ambient-disagrees"]),
    ({"ohms": 1300.0}, "fail", ["ambient-disagrees", "outside-window"]),
    ({"ohms": 30000.0}, "fail", ["ambient-disagrees", "outside-window"]),
    ({"ohms": 1105.2}, "undecided", ["too-close"]),
    ({"ambient": None}, "undecided", ["ambient-missing"]),
    ({"settling": {"settled": False}}, "undecided", ["not-settled"]),
    ({"fault": "adc-silent"}, "undecided", ["adc-fault"]),
    ({"refused": "usb"}, "undecided", ["usb-refused"]),
    ({"foreign": {"seen": True, "dc_volts": 12.0}}, "undecided", ["voltage-on-leads"]),
    ({"contact": {"proven": False}}, "undecided", ["no-chassis-contact"]),
    ({"isolation": {"a": {"ohms": 4e4, "u_ohms": 400}}}, "fail", ["leak-to-chassis"]),
    ({"isolation": {"b": {"ohms": 4e4, "u_ohms": 400}}}, "fail", ["leak-to-chassis"]),
    ({"isolation": {"a": {"ohms": 1e5, "u_ohms": 0, "greater": True}}}, "undecided", ["isolation-unclear"]),
    ({"harness": {"ohms": 12.0, "u_ohms": 0.2}}, "fail", ["harness-resistance"]),
    ({"flex": {"dropouts": 2, "steps": 0}}, "fail", ["intermittent"]),
    ({"flex": {"dropouts": 0, "steps": 1}}, "fail", ["intermittent"]),
    # pairs
    ({"leads": "open", "ohms": None, "flex": {"dropouts": 1, "steps": 0}}, "fail", ["open-circuit", "intermittent"]),
    (
        {"settling": {"settled": False}, "isolation": {"a": {"ohms": 4e4, "u_ohms": 400}}},
        "fail",
        ["leak-to-chassis", "not-settled"],
    ),
    (
        {"contact": {"proven": False}, "harness": {"ohms": 12.0, "u_ohms": 0.2}},
        "fail",
        ["harness-resistance", "no-chassis-contact"],
    ),
    (
        {"ohms": 1101.5, "harness": {"ohms": 12.0, "u_ohms": 0.2}},
        "fail",
        ["harness-resistance"],
    ),
)


def test_each_finding_alone_and_in_pairs():
    for changes, expected, codes in TABLE:
        result = judged(**changes)
        assert result.verdict == expected, (changes, result)
        assert sorted(result.findings) == sorted(codes), (changes, result)


def test_a_check_says_so_and_leaves_the_verdict():
    # The project's own rule: what is said of the tester stands beside the verdict and never turns it into another.
    states = (
        ({"check": {"passed": False, "age_s": 60}}, ["check-failed"]),
        ({"check": {"passed": None, "age_s": None}}, ["check-never"]),
        ({"check": {"passed": True, "age_s": 90000}}, ["check-overdue"]),
        ({"check": {"passed": True, "age_s": 60}}, []),
        ({"calibration": {"state": "damaged"}}, ["uncalibrated"]),
    )
    for changes, expected, _ in TABLE:
        plain = judged(**changes)
        for state, said in states:
            changed = dict(changes)
            changed.update(state)
            result = judged(**changed)
            assert result.verdict == plain.verdict == expected, (changes, state)
            assert result.probability == plain.probability, (changes, state)
            measured = not ("fault" in changes or "refused" in changes or "foreign" in changes)
            assert result.findings == plain.findings + (said if measured else []), (changes, state)
    probe, tester = findings.split(["leak-to-chassis", "uncalibrated", "check-failed", "too-close"])
    assert probe == ["leak-to-chassis", "too-close"] and tester == ["check-failed", "uncalibrated"]


def test_every_finding_has_a_message_and_advice():
    for code in findings.CODES:
        message, advice = findings.text(code)
        assert len(message) > 20 and len(advice) > 20, code
        for word in (" safe", "no voltage", " dead"):
            assert word not in (message + advice).lower(), code


def test_an_unknown_finding_is_named():
    assert "from-the-future" in findings.text("from-the-future")[0]


def test_a_voltage_stops_everything_else():
    result = judged(foreign={"seen": True}, isolation={"a": {"ohms": 1.0, "u_ohms": 0}})
    assert result.verdict == "undecided" and result.probability is None and result.requirements == []
    assert "isolation a" in result.not_checked


def guards_of(result):
    return {name: (celsius, ohms) for name, celsius, ohms in result.guards}


def probability_of(name, **changes):
    return dict(judged(**changes).requirements)[name]


def test_a_reading_at_the_guard_has_just_the_probability_that_a_pass_needs():
    # JCGM 106:2012, 8.3: the acceptance limit lies inside the tolerance limit by the guard band.
    room = {"celsius": 23.0, "u_celsius": 0.5}
    celsius, ohms = guards_of(judged(ambient=room))["ambient agreement"]
    slope = curves.curve("pt1000-3850").ohms_per_celsius(23.0)
    assert abs(ohms - celsius * slope) < 1e-3 * ohms and 0.8 < celsius < 0.9
    at = curves.curve("pt1000-3850").ohms(27.0 - celsius)
    assert abs(probability_of("ambient agreement", ambient=room, ohms=at) - 0.95) < 1e-4
    at = curves.curve("pt1000-3850").ohms(19.0 + celsius)
    assert abs(probability_of("ambient agreement", ambient=room, ohms=at) - 0.95) < 1e-4

    celsius, ohms = guards_of(judged(u_ohms=5.0))["service window"]
    assert abs(ohms - 1.6449 * 5.0) < 1e-3 and abs(celsius * slope - ohms) < 1e-3 * ohms
    for at in (1000.0 + ohms, 1200.0 - ohms):
        assert abs(probability_of("service window", ohms=at, u_ohms=5.0) - 0.95) < 1e-4

    _, ohms = guards_of(judged(harness={"ohms": 0.2, "u_ohms": 0.3}))["harness"]
    assert abs(probability_of("harness", harness={"ohms": 3.0 - ohms, "u_ohms": 0.3}) - 0.95) < 1e-4

    # A leak's doubt is of its conductance: the same siemens nearer to the limit.
    u_siemens = 2e4 / 1.2e6 / 1.2e6
    celsius, ohms = guards_of(judged(isolation={"a": {"ohms": 1.2e6, "u_ohms": 2e4}}))["isolation a"]
    at = 1e6 + ohms
    part = {"a": {"ohms": at, "u_ohms": u_siemens * at * at}}
    assert celsius is None and abs(probability_of("isolation a", isolation=part) - 0.95) < 1e-3


def test_guards_are_those_of_what_was_held_against_a_number():
    assert [name for name, _, _ in judged().guards] == ["ambient agreement", "service window", "harness"]
    assert judged(leads="open", ohms=None).guards == []
    # So much doubt that no reading passes; and a leak of nothing.
    wide = guards_of(judged(ambient={"celsius": 23.0, "u_celsius": 3.0}))
    assert wide["ambient agreement"] == (None, None)
    assert guards_of(judged(isolation={"b": {"ohms": 0.0, "u_ohms": 0.0}}))["isolation b"] == (None, None)
    # Without the room's temperature no slope is known.
    assert guards_of(judged(ambient=None))["harness"][0] is None


def test_a_stated_plus_or_minus_is_rectangular():
    # The reading is 3 degC off, the room known within plus or minus 1: all of it lies within 4, as a rectangle ends.
    at = curves.curve("pt1000-3850").ohms(25.95)
    half = {"celsius": 23.0, "u_celsius": 0.57735027, "half_celsius": 1.0}
    assert probability_of("ambient agreement", ohms=at, u_ohms=0.0, ambient=half) > 0.999999
    assert probability_of("ambient agreement", ohms=at, u_ohms=0.0, ambient=dict(half, half_celsius=0.0)) < 0.97
    # 1199 ohm plus or minus 2: three quarters of it within 1200.
    plus_minus = {"ohms": 1199.0, "u_ohms": 1.1547005, "half_ohms": 2.0}
    assert abs(probability_of("service window", **plus_minus) - 0.75) < 1e-5
    # Both: a triangle of half-width 2 about 3 degC beyond the room, an eighth above 4 (JCGM 100:2008, 4.3.9).
    slope = curves.curve("pt1000-3850").ohms_per_celsius(26.0)
    both = dict(half, celsius=23.0)
    found = probability_of(
        "ambient agreement",
        ohms=curves.curve("pt1000-3850").ohms(26.0),
        u_ohms=slope / 1.7320508,
        half_ohms=slope,
        ambient=both,
    )
    assert abs(found - 0.875) < 1e-5


def test_isolation_is_judged_by_its_conductance():
    # 1.5 Mohm with u of a third: 0.667 uS with u 0.222 uS; the limit of 1 uS lies 1.5 u above (Phi by scipy.stats)
    part = {"a": {"ohms": 1.5e6, "u_ohms": 5e5}}
    assert abs(probability_of("isolation a", isolation=part) - 0.9331928) < 1e-6
    assert probability_of("isolation a", isolation={"a": {"ohms": 0.0, "u_ohms": 0.0}}) == 0.0
    assert probability_of("isolation a", isolation={"a": {"ohms": 1e6, "u_ohms": 0.0}}) == 1.0


class Falling:
    """A curve whose resistance falls: 4 ohm less for each degree."""

    name = "falling"
    r0_ohms = 1000.0
    r0_celsius = 0
    low_ohms = 1200.0
    high_ohms = 600.0

    def ohms(self, celsius):
        return 1000.0 - 4.0 * celsius

    def celsius(self, ohms):
        return (1000.0 - ohms) / 4.0

    def ohms_per_celsius(self, celsius):
        return -4.0


def test_a_falling_curve_has_the_same_doubt_as_a_rising_one():
    body = good()
    body.update(ohms=908.0, u_ohms=2.0, harness=None)
    result = verdict.judge(body, None, Falling())
    assert abs(result.celsius - 23.0) < 1e-4 and abs(result.u_celsius - 0.5) < 1e-6
    # P(|N(0, u)| < 4) with u^2 = 0.5^2 + 0.25^2 is one; the guard is 1.6449 u.
    celsius, ohms = guards_of(result)["ambient agreement"]
    assert abs(celsius - 1.6449 * 0.559017) < 1e-3 and abs(ohms - 4 * celsius) < 1e-4
    assert dict(result.requirements)["ambient agreement"] > 0.999999


def test_a_moving_reading_makes_no_difference_to_another():
    result = judged(settling={"settled": False}, harness={"ohms": 30.0, "u_ohms": 0.3})
    assert result.verdict == "undecided" and result.findings == ["not-settled"] and "harness" in result.not_checked


def test_the_whole_is_the_smallest():
    result = judged(ohms=1100.0)
    assert result.probability == min([value for _, value in result.requirements])


def test_what_was_not_measured_is_listed():
    result = judged(harness=None, flex=None, isolation=None)
    assert result.verdict == "pass"
    assert result.not_checked == ["isolation a", "isolation b", "harness", "flex"]


def test_unknown_ambient_uncertainty_is_a_degree():
    # common practice, no source: one degree where nothing better is known; P(|N(0, 1)| < 4) = 0.99993666 (scipy)
    result = judged(ambient={"celsius": 23.0}, u_ohms=0.0)
    values = dict(result.requirements)
    assert abs(values["ambient agreement"] - 0.99993666) < 1e-6


def test_the_window_waits_for_its_ambient_and_its_element():
    cold = judged(ohms=1019.53, ambient={"celsius": 5.0, "u_celsius": 0.25})
    assert cold.verdict == "pass" and "service window" in cold.not_checked
    small = judged(curve="pt100-3850", ohms=108.9585, u_ohms=0.01)
    assert small.verdict == "pass" and "service window" in small.not_checked


def test_hostile_bodies_do_not_break_it():
    for part in ("foreign", "ambient", "settling", "contact", "isolation", "flex", "harness", "ohms", "u_ohms"):
        for value in (None, True, "x", [], {}, {"a": 1, "ohms": "x"}, float("nan"), float("inf")):
            verdict.judge(dict(good(), **{part: value}))


def test_limits_are_checked():
    assert limits.complete({"ambient_celsius": 2})["harness_ohms"] == 3.0
    for profile in (
        {"ambient_kelvin": 4},
        {"ambient_celsius": "four"},
        {"ambient_celsius": -1},
        {"harness_ohms": float("nan")},
        {"window_low_ohms": 1300},
        {"pass_probability": 1.5},
        {"fail_probability": 0.97},
    ):
        try:
            limits.complete(profile)
        except MisuseError:
            continue
        raise AssertionError("%r was accepted" % profile)
