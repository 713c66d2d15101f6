"""Judging stored records again."""

import copy
import math

import builder
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from probecore import calibration, cbor, counts
from probecore.curves import BUILT_IN, curve
from probeledger import circuit, uncertainty
from probeledger.judging.again import judge_again

NOMINAL = curve("pt1000-3850")


def test_a_sound_record_gets_the_same_answer() -> None:
    again = judge_again(builder.probe(celsius=22.0))
    assert again.verdict == "pass" and not again.differs and not again.reasons
    assert again.budget is not None
    assert again.ohms == pytest.approx(NOMINAL.ohms(22.0), abs=0.05)
    assert again.celsius == pytest.approx(22.0, abs=0.02)


@pytest.mark.parametrize("name", BUILT_IN)
def test_the_value_comes_from_the_counts(name: str) -> None:
    body = builder.probe(celsius=22.0, curve=name)
    assert judge_again(body).celsius == pytest.approx(22.0, abs=0.1)


def test_other_counts_than_the_stored_value_are_said() -> None:
    body = builder.probe(celsius=22.0)
    body["readings"] = builder.counts_for(NOMINAL.ohms(40.0))
    again = judge_again(body)
    assert again.celsius == pytest.approx(40.0, abs=0.05)
    assert again.verdict == "fail" and again.differs
    assert "stored counts give" in again.reasons[0]
    assert any("the tester said pass, here it is fail" in reason for reason in again.reasons)


def test_a_larger_uncertainty_is_explained() -> None:
    """A verdict just above 95 % by the tester's budget and below it by the fuller one."""
    body = builder.probe(celsius=22.0, ambient_celsius=18.433, ambient={"celsius": 18.433, "u_celsius": 0.26})
    body["u_ohms"] = 0.01
    body["verdict"] = "pass"
    body["requirements"] = [["ambient agreement", 0.952]]
    again = judge_again(body)
    assert again.verdict == "undecided" and again.differs
    assert any(reason.startswith("ambient agreement: conformance probability") for reason in again.reasons)
    assert any("standard uncertainty" in reason for reason in again.reasons)


def test_unknown_limits_and_missing_calibration_are_said() -> None:
    again = judge_again(builder.probe(profile="our shop"))
    assert any("'our shop' are not known here" in reason for reason in again.reasons)
    body = builder.probe()
    body["calibration"] = {"id": "c1"}
    again = judge_again(body, "c1")
    assert any("calibration in the record is missing or damaged" in reason for reason in again.reasons)
    assert again.ohms == body["ohms"]


def test_own_limits_count() -> None:
    body = builder.probe(celsius=24.5, profile="strict")
    assert judge_again(body, profiles={"strict": {"name": "strict", "ambient_celsius": 1.0}}).verdict == "fail"
    assert judge_again(body).verdict == "pass"


def test_a_stated_plus_or_minus_counts_as_a_rectangle() -> None:
    """The room within plus or minus a degree, the probe 3 degrees off: all of it within the limit of 4."""
    room = {"celsius": 22.0, "u_celsius": 1 / math.sqrt(3), "source": "entered"}
    normal = judge_again(builder.probe(celsius=24.9, ambient=room))
    rectangular = judge_again(builder.probe(celsius=24.9, ambient={**room, "half_celsius": 1.0}))
    assert normal.body.ambient is not None and normal.body.ambient.half_celsius is None
    assert rectangular.body.ambient is not None and rectangular.body.ambient.half_celsius == 1.0
    assert dict(normal.requirements)["ambient agreement"] < 0.975
    assert dict(rectangular.requirements)["ambient agreement"] > 0.995
    narrow, wide = (next(g for g in each.guards if g.name == "ambient agreement") for each in (rectangular, normal))
    # A rectangle's 95 % lies nine tenths out: 0.9 against 1.645 / root 3 = 0.95 of the half-width.
    assert narrow.celsius is not None and wide.celsius is not None and 0.9 < narrow.celsius < wide.celsius < 1.0
    damaged = judge_again(builder.probe(celsius=22.0, ambient={**room, "half_celsius": -1.0}, half_ohms="2"))
    assert damaged.verdict == "pass" and {"half_ohms", "ambient.half_celsius"} <= set(damaged.body.unsound)


def test_unknown_curve_is_a_problem_not_a_crash() -> None:
    body = builder.probe()
    body["curve"] = "pt2000"
    again = judge_again(body)
    assert again.verdict is None and again.problem is not None and "pt2000" in again.problem


def _places(value: object, path: tuple = ()) -> list[tuple]:
    """Return the paths of all parts of a body."""
    found = [path] if path else []
    if isinstance(value, dict):
        for key, item in value.items():
            found += _places(item, (*path, key))
    elif isinstance(value, list):
        for index, item in enumerate(value[:2]):
            found += _places(item, (*path, index))
    return found


GARBAGE = [None, True, -1, 2**62, math.nan, math.inf, "", "x" * 300, b"\xff", [], {}, [[1]], {"a": {"b": []}}]


@pytest.mark.parametrize("garbage", GARBAGE, ids=lambda value: repr(value)[:12])
def test_any_part_may_be_garbage(garbage: object) -> None:
    """Each part of a body in turn is replaced by something else; the answer comes, and never a pass for a wreck."""
    whole = builder.probe(
        flex={"seconds": 10.0, "readings": 3000, "dropouts": 0, "steps": 0},
        harness={"ohms": 0.2, "u_ohms": 0.1, "other_sequence": 3},
    )
    for path in _places(whole):
        body = copy.deepcopy(whole)
        inner = body
        for step in path[:-1]:
            inner = inner[step]
        inner[path[-1]] = garbage
        again = judge_again(body)
        assert again.verdict in ("pass", "fail", "undecided", None)


_JSON = st.recursive(
    st.none() | st.booleans() | st.integers(-(2**60), 2**60) | st.floats(width=32) | st.text(max_size=20),
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(st.text(max_size=12), inner, max_size=4),
    max_leaves=20,
)


@given(body=_JSON)
@settings(max_examples=200, derandomize=True)
def test_any_body_at_all(body: object) -> None:
    again = judge_again(cbor.loads(cbor.dumps(body)))
    assert again.verdict != "pass"


def test_ratio_in_double_precision_is_exact() -> None:
    """Against exact fractions."""
    from fractions import Fraction

    readings = builder.counts_for(1085.7, number=5, seed=4)
    exact = sum(Fraction(counts.sums(r)[1], counts.sums(r)[0]) for r in readings) / 5
    mean, u_mean = uncertainty.ratio_of(readings)
    assert mean == pytest.approx(float(exact), rel=1e-15)
    ratios = [counts.sums(r)[1] / counts.sums(r)[0] for r in readings]
    spread = math.sqrt(sum((x - mean) ** 2 for x in ratios) / 4 / 5)
    assert u_mean == pytest.approx(spread, rel=1e-9)


def test_budget_adds_up() -> None:
    made = uncertainty.budget(builder.counts_for(1097.35), 1500.0, circuit.uncalibrated(), 23.0, ohms_per_celsius=3.88)
    assert made.u_ohms == pytest.approx(math.sqrt(sum(line.u_ohms**2 for line in made.lines)))
    names = [line.name for line in made.lines]
    assert len(names) == len(set(names))
    by_name = {line.name: line.u_ohms for line in made.lines}
    # 0.05 % of the reference resistor, rectangular (GUM 4.3.7).
    assert by_name["reference resistor and gain"] == pytest.approx(made.ohms * 5e-4 / math.sqrt(3.0), rel=1e-6)
    # The tester's part of the uncertainty of a 1000-ohm sensor: at most 0.3 degC expanded.
    assert 2.0 * made.u_ohms / 3.88 < 0.3


def test_degrees_of_freedom() -> None:
    """JCGM 100:2008, H.1.6, the end gauge: 16.7 effective degrees of freedom from these four components.

    u_c = 32 nm; components 25 nm with 18, 9.7 nm with 25.6, 2.9 nm with 50, 16.6 nm with 2.
    """
    lines = (
        uncertainty.Line("standard", 25.0, 18.0),
        uncertainty.Line("difference", 9.7, 25.6),
        uncertainty.Line("expansion", 2.9, 50.0),
        uncertainty.Line("temperature", 16.6, 2.0),
    )
    made = uncertainty.Budget(0.0, lines)
    assert made.u_ohms == pytest.approx(32.0, abs=0.5)
    assert made.degrees_of_freedom == pytest.approx(16.7, abs=0.1)


def test_a_chance_agreement_of_few_readings_is_not_believed() -> None:
    same = [builder.counts_for(1085.7, number=1)[0]] * 2
    made = uncertainty.budget(same, 1500.0, circuit.uncalibrated(), 23.0)
    assert made.lines[0].u_ohms > 1e-3


def test_without_a_calibration_host_and_tester_start_from_the_same_figures() -> None:
    """The firmware's board.py and the host's reading of tester.toml."""
    from probeledger.resources import firmware_folder

    board: dict = {}
    exec((firmware_folder() / "board.py").read_text(encoding="utf-8"), board)
    ours = circuit.uncalibrated()
    theirs = calibration.uncalibrated(
        board["REFERENCE_TOLERANCE_PPM"], board["REFERENCE_TEMPCO_PPM_PER_K"], board["LINEARITY_MICROOHMS"] / 1e6
    )
    for name in ours._fields:
        if isinstance(getattr(theirs, name), float):
            assert getattr(ours, name) == pytest.approx(getattr(theirs, name), rel=0.02), name
        else:
            assert getattr(ours, name) == getattr(theirs, name), name
    assert ours.id is None and ours.state == theirs.state
