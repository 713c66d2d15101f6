"""The verdict: each finding alone, findings in pairs that occur, and what stops a verdict."""

from probecore import findings, limits, verdict
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
