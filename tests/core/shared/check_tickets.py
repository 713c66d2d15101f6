"""The day's tickets as bytes: what is written is read, and what makes no sense is refused."""

from probecore import cbor, tickets
from probecore.errors import StoredDataError


def refused(stored):
    try:
        tickets.read(cbor.dumps(stored))
    except StoredDataError as error:
        return error.code == "bad-tickets" and error.message.endswith(".")
    return False


def test_a_full_list_is_read_as_it_was_written():
    listed = [("%012d" % number, "x" * 20) for number in range(tickets.MOST)]
    data = tickets.dump(listed)
    assert tickets.read(data) == listed and tickets.dump(tickets.read(data)) == data
    # Two slots of 2048 bytes, and a request's parts of 2000 bytes at most, hold the longest list
    assert len(data) < 1000


def test_an_empty_list():
    assert tickets.read(tickets.dump([])) == []


def test_numbers():
    for text in ("1", "A-1041", "123456789012", "-", "aZ09"):
        assert tickets.is_number(text), text
    for text in ("", "1234567890123", "1 2", "1_2", "\u00e4", "1\n", None, 1042):
        assert not tickets.is_number(text), text


def test_what_is_no_list():
    good = ["T-17", "range, upper"]
    assert not refused({"v": 1, "tickets": [good]})
    for entry in (
        ["T-17"],
        ["T-17", "x", "y"],
        ["", "x"],
        ["1234567890123", "x"],
        ["T 17", "x"],
        ["T_17", "x"],
        ["\u00c417", "x"],
        ["T-17", "x" * 21],
        ["T-17", "K\u00fcche"],
        ["T-17", "a\nb"],
        ["T-17", None],
        [17, "x"],
        "T-17",
    ):
        assert refused({"v": 1, "tickets": [entry]}), entry
    assert refused({"v": 1, "tickets": [good, good]})
    assert refused({"v": 2, "tickets": [good]})
    assert refused({"v": 1, "tickets": {}}) and refused({"v": 1}) and refused([])
    assert refused({"v": 1, "tickets": [["%d" % number, ""] for number in range(tickets.MOST + 1)]})


def test_marks():
    for text in ("", "KM", "k.m. 2", "123456789012"):
        assert tickets.is_shown(text, tickets.MOST_MARK_CHARACTERS)
    for text in ("1234567890123", "\u00e4", "a\tb", None, 5):
        assert not tickets.is_shown(text, tickets.MOST_MARK_CHARACTERS)
