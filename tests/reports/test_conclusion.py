"""What the tests of one job say together. Common practice, no source: the circuit is halved at each connector."""

from dataclasses import dataclass

import pytest

from probeledger.reports.conclusion import conclusion


@dataclass
class Judged:
    verdict: str


@pytest.mark.parametrize(
    ("verdicts", "words"),
    [
        ({"sensor": "pass", "control-end": "pass"}, "look at the control or the heating circuit"),
        ({"sensor": "pass", "control-end": "fail"}, "look at the harness"),
        ({"sensor": "fail"}, "replace it"),
        ({"sensor": "fail", "control-end": "fail"}, "replace it"),
        ({"control-end": "fail"}, "test at the sensor's own connector"),
        ({"sensor": "pass"}, "harness was not tested"),
    ],
)
def test_where_to_look(verdicts, words):
    assert words in conclusion({place: Judged(verdict) for place, verdict in verdicts.items()})


@pytest.mark.parametrize(
    "verdicts",
    [
        {},
        {"sensor": "undecided", "control-end": "pass"},
        {"sensor": "pass", "control-end": "undecided"},
        {"control-end": "pass"},
        {None: "pass"},
        {"sensor": "fail", "new-part": "pass"},
        {"sensor": "fail", "new-part": "pass", "after-fitting": "pass"},
    ],
)
def test_silent_where_the_tests_do_not_say(verdicts):
    assert conclusion({place: Judged(verdict) for place, verdict in verdicts.items()}) is None
