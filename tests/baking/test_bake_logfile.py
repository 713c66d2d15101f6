"""Reading a bake log: what spreadsheets do to it is taken, what cannot be meant is refused with its line."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from probeledger.baking import logfile, outcome
from probeledger.errors import InputError

PLAIN = "seconds,celsius\n0,20.5\n1,21\n2,21.5\n"


@pytest.mark.parametrize(
    "text",
    [
        PLAIN,
        "\ufeff" + PLAIN,
        PLAIN.replace(",", ";"),
        PLAIN.replace(",", ";").replace(".", ","),
        PLAIN.replace(",", "\t"),
        PLAIN.replace("\n", "\r\n"),
        "\n\n" + PLAIN.replace("\n", "\n\n") + "\n,\n",
        "0,20.5\n1,21\n2,21.5",
        "Celsius , note, Seconds\n20.5,cold,0\n21,,1\n21.5,x,2\n",
        '"seconds","celsius"\n"0","20.5"\n"1","21"\n"2","21.5"\n',
    ],
)
def test_the_same_readings(text):
    log = logfile.from_text(text.removeprefix("\ufeff") if text.startswith("\ufeff") else text)
    assert log.seconds.tolist() == [0.0, 1.0, 2.0]
    assert log.celsius.tolist() == [20.5, 21.0, 21.5]


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16", "latin-1"])
def test_encodings(tmp_path, encoding):
    path = tmp_path / "oven.csv"
    path.write_bytes(PLAIN.encode(encoding))
    assert logfile.load(path).celsius.tolist() == [20.5, 21.0, 21.5]


def test_repeated_times_and_missing_readings():
    log = logfile.from_text("seconds,celsius\n0,20\n0,22\n1,\n2,nan\n3,24\n4,9999\n5,25\n6,inf\n")
    assert log.seconds.tolist() == [0.0, 3.0, 5.0]
    assert log.celsius.tolist() == [21.0, 24.0, 25.0]
    assert (log.missing, log.repeated) == (4, 1)


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("", "It is empty."),
        ("\n \n", "It is empty."),
        ("seconds,celsius\n", "It has 0 usable readings"),
        ("seconds,celsius\n0,20\n5,21\n3,22\n", "Line 4 goes back in time, from 5 s to 3 s"),
        ("seconds,celsius\n0,20\n1,warm\n", "Line 3 has 'warm' where a temperature"),
        ("seconds,celsius\n0,20\n12:01,21\n", "Line 3 has '12:01' where a time"),
        ("seconds,celsius\n0,20\n,21\n", "Line 3 has no time"),
        ("seconds,celsius\n0,20\n1\n", "Line 3 has 1 cell where"),
        ("seconds,fahrenheit\n0,70\n", "Convert the readings to degrees C."),
        ("time,temp\n0,70\n", "have no column seconds"),
        ("seconds,celsius,celsius\n0,70,70\n", "more than one column celsius"),
        ("seconds,celsius\n0,20,5\n1,20,6\n0,20,7\n", "Line 4 goes back in time"),
        ("\x00\x01\x02\n", "It is no text file."),
        ('seconds,celsius\n0,"20\n1,21\n2,22', "where a temperature"),
    ],
)
def test_refused(text, says):
    with pytest.raises(InputError) as caught:
        logfile.from_text(text)
    assert says in caught.value.message
    assert caught.value.exit_status == 2


def test_a_missing_file_and_a_folder(tmp_path):
    for path in (tmp_path / "no.csv", tmp_path):
        with pytest.raises(InputError, match="Cannot read"):
            logfile.load(path)


def test_times_far_apart_are_refused():
    log = logfile.from_arrays([0.0, 1.0, 2.0, 3.0, 1e9], [20.0, 21.0, 22.0, 23.0, 24.0])
    with pytest.raises(InputError, match="most of it without readings"):
        outcome.analyse(log, 175.0)


@settings(max_examples=150, deadline=None)
@given(st.text(alphabet='0123456789.,;\t\n -+einfasocludTZ"\ufeff\x00', max_size=120))
def test_any_text_is_read_or_refused(text):
    try:
        log = logfile.from_text(text)
    except InputError as error:
        assert error.message.endswith((".", "thousands."))
        return
    assert log.seconds.size == log.celsius.size >= 3
    assert (np.diff(log.seconds) > 0.0).all()


@settings(max_examples=100, deadline=None)
@given(
    st.lists(st.tuples(st.floats(0.0, 30.0), st.floats(-50.0, 600.0)), min_size=3, max_size=60),
    st.floats(50.0, 300.0),
)
def test_any_readings_are_analysed(pairs, set_celsius):
    steps = np.array([step for step, _ in pairs])
    seconds = np.cumsum(steps)
    if np.unique(seconds).size < 3:
        return
    try:
        found = outcome.analyse(logfile.from_arrays(seconds, [celsius for _, celsius in pairs]), set_celsius)
    except InputError as error:
        assert "most of it without" in error.message
        return
    assert found.steady == (found.mean_celsius is not None)
    assert found.why
    for cycle in found.cycles:
        assert cycle.period_s > 0.0 and math.isfinite(cycle.mean_celsius)
        assert cycle.minimum_celsius <= cycle.maximum_celsius
