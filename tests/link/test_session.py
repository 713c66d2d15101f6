"""A session over a port with faults: it completes, or ends with a clear sentence, and never hands out a wrong byte."""

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scripted_tester import FakePort, ScriptedTester, items

from probecore import record
from probeledger.errors import DeviceError, NotATesterError, SilentError, VanishedError
from probeledger.link.session import Session


def connect(tester, **faults):
    """Return a greeted session and its port."""
    port = FakePort(tester, **faults)
    session = Session(port, now=port.now)
    session.greet()
    return session, port


def fetch(session, first, last, previous=record.GENESIS):
    """Return what a pull yields, flat."""
    return [pulled for arrived in session.pull(first, last, previous) for pulled in arrived]


def test_a_clean_pull_gives_every_record_in_order_and_the_chain_holds():
    sent = items(100)
    session, port = connect(ScriptedTester(sent))
    got = fetch(session, 1, 100)
    assert [pulled.item for pulled in got] == sent
    assert [pulled.sequence for pulled in got] == list(range(1, 101))
    assert all(pulled.follows for pulled in got)


def test_requests_are_kept_in_flight():
    session, port = connect(ScriptedTester(items(200)))
    before = port.sent.count(b" pull ")
    next(session.pull(1, 200, record.GENESIS))
    # Nothing had arrived when the first requests went out.
    assert port.sent.count(b" pull ") - before == 3


@settings(max_examples=40, deadline=None)
@given(
    seed=st.integers(min_value=0, max_value=10**6),
    faults=st.fixed_dictionaries(
        {
            "flips": st.sampled_from([0.0, 0.0002, 0.001, 0.01]),
            "losses": st.sampled_from([0.0, 0.0002, 0.001, 0.01]),
            "strays": st.sampled_from([0.0, 0.001, 0.01]),
            "doubles": st.sampled_from([0.0, 0.01, 0.3]),
            "swaps": st.sampled_from([0.0, 0.01, 0.3]),
            "stalls": st.sampled_from([0.0, 0.01, 0.1]),
            "request_flips": st.sampled_from([0.0, 0.005, 0.01]),
            "most_bytes": st.sampled_from([1, 7, 300, 4096]),
        }
    ),
)
def test_a_disturbed_line_gives_the_same_records_or_a_clear_end(seed, faults):
    sent = items(40)
    port = FakePort(ScriptedTester(sent), seed=seed, **faults)
    session = Session(port, now=port.now)
    got = []
    try:
        session.greet(tries=10)
        for arrived in session.pull(1, 40, record.GENESIS):
            got.extend(arrived)
    except DeviceError as error:
        assert error.message.endswith(".")
    else:
        assert len(got) == 40
        assert session.absent == set()
    assert [pulled.item for pulled in got] == sent[: len(got)]


def test_one_byte_in_a_thousand_damaged_still_completes():
    sent = items(60)
    session, port = connect(ScriptedTester(sent), flips=0.001, seed=3)
    assert [pulled.item for pulled in fetch(session, 1, 60)] == sent
    assert session.damaged > 0


@pytest.mark.parametrize("fault", ["flips", "losses", "strays", "doubles", "swaps", "stalls", "request_flips"])
def test_one_fault_in_a_hundred(fault):
    """Of bytes or of frames: no wrong record, and where the line is too bad for whole records, a sentence."""
    ends = set()
    for seed in range(12):
        sent = items(30)
        port = FakePort(ScriptedTester(sent), seed=seed, **{fault: 0.01})
        session = Session(port, now=port.now)
        got = []
        try:
            session.greet(tries=10)
            for arrived in session.pull(1, 30, record.GENESIS):
                got.extend(arrived)
        except DeviceError as error:
            assert error.message.endswith(".")
            ends.add(error.code)
        else:
            assert len(got) == 30 and session.absent == set()
            ends.add("whole")
        assert [pulled.item for pulled in got] == sent[: len(got)]
    # Frames that come twice, in another order or not at all never end a pull; every hundredth byte wrong may.
    assert ends == {"whole"} or (fault in ("flips", "losses", "strays") and ends <= {"whole", "disturbed", "silent"})


def test_a_port_that_goes_away_leaves_what_had_come():
    sent = items(50)
    session, port = connect(ScriptedTester(sent), gone_after=9000)
    got = []
    with pytest.raises(VanishedError):
        for arrived in session.pull(1, 50, record.GENESIS):
            got.extend(arrived)
    assert 0 < len(got) < 50
    assert [pulled.item for pulled in got] == sent[: len(got)]


def test_a_tester_that_stops_answering_ends_with_the_next_number():
    tester = ScriptedTester(items(50))
    session, port = connect(tester)
    tester.feed = lambda data: b""
    with pytest.raises(SilentError) as caught:
        fetch(session, 1, 50)
    assert "before record 1." in caught.value.message


def test_a_record_that_the_tester_does_not_have_is_named_and_the_rest_comes():
    tester = ScriptedTester(items(20))
    del tester.items[7]
    session, port = connect(tester)
    got = fetch(session, 1, 20)
    assert session.absent == {7}
    assert [pulled.sequence for pulled in got] == [number for number in range(1, 21) if number != 7]
    assert got[6].follows is None


def test_a_tester_that_sends_fewer_than_asked_is_asked_again():
    tester = ScriptedTester(items(30))
    tester.most_a_pull = 5
    session, port = connect(tester)
    assert len(fetch(session, 1, 30)) == 30
    assert session.absent == set()


def test_an_altered_record_does_not_follow():
    tester = ScriptedTester(items(10))
    other = items(10, body=lambda number: {"verdict": "pass", "ohms": 1.0 * number})
    tester.items[5] = other[4]
    session, port = connect(tester)
    follows = [pulled.follows for pulled in fetch(session, 1, 10)]
    assert follows == [True] * 4 + [False, False] + [True] * 4


def test_a_claim_of_more_records_than_any_flash_holds_is_refused():
    session, port = connect(ScriptedTester(items(1)))
    with pytest.raises(DeviceError, match="more than any tester holds"):
        fetch(session, 1, 2**40)


def test_the_prompt_is_restarted_once_and_the_tester_answers():
    tester = ScriptedTester(items(3))
    tester.prompt = True
    session, port = connect(tester)
    assert session.hello.last == 3
    assert b"\x04" in port.sent


def test_a_board_without_the_firmware_is_named():
    tester = ScriptedTester([])
    tester.prompt, tester.prompt_restarts = True, False
    port = FakePort(tester)
    with pytest.raises(NotATesterError) as caught:
        Session(port, now=port.now).greet()
    assert "MicroPython board on which the tester's program does not start" in caught.value.message


def test_a_prompt_is_left_alone_where_no_restart_is_wanted():
    tester = ScriptedTester([])
    tester.prompt = True
    port = FakePort(tester)
    with pytest.raises(NotATesterError, match="is at MicroPython's prompt. If it is a tester, "):
        Session(port, now=port.now).greet(restart=False)
    assert b"\x04" not in port.sent


def test_a_device_that_says_something_else_is_no_tester():
    port = FakePort(None, noise=b"$GPGGA,0,,,\x1b[31m\r\n" * 3)
    with pytest.raises(NotATesterError) as caught:
        Session(port, now=port.now).greet()
    assert "not as a probeledger tester" in caught.value.message
    assert "\x1b" not in caught.value.message


def test_silence_is_named():
    port = FakePort(None)
    with pytest.raises(SilentError, match="^Nothing answers on /dev/ttyFAKE0"):
        Session(port, now=port.now).greet()


def test_noise_before_the_first_answer_does_no_harm():
    session, port = connect(ScriptedTester(items(2)), noise=b"boot text\r\n\0\0garbage")
    assert session.hello.last == 2


def test_another_version_of_the_link_is_named():
    port = FakePort(ScriptedTester([], protocol=2))
    with pytest.raises(NotATesterError, match="speaks version 2 of the link, this program version 1"):
        Session(port, now=port.now).greet()


def test_an_answer_without_sense_is_named():
    port = FakePort(ScriptedTester([], tester=5))
    with pytest.raises(NotATesterError, match="makes no sense"):
        Session(port, now=port.now).greet()


def test_a_refusal_carries_the_code_and_message_of_the_tester():
    session, port = connect(ScriptedTester(items(2)))
    with pytest.raises(DeviceError) as caught:
        session.call("dance")
    assert caught.value.code == "unknown-verb"
    assert "Unknown verb dance." in caught.value.message


def test_confirm_names_the_last_record_and_its_digest():
    sent = items(4)
    tester = ScriptedTester(sent)
    session, port = connect(tester)
    assert session.confirm(4, record.digest(sent[3])) == 4
    assert tester.requests[-1] == ("confirm", ["4", record.digest(sent[3]).hex()])


def test_a_request_damaged_on_the_way_is_sent_again():
    session, port = connect(ScriptedTester(items(2)))
    port._request_flips = 0.02
    for _ in range(20):
        assert session.call("hello", tries=30)["last"] == 2
