"""Tickets and mark from the shop's file to the tester's flash, read back; and every file that makes no sense."""

import json
import re
from pathlib import Path

import pytest
from counter import counter, file, run

from probeledger.errors import InputError
from probeledger.sending import tickets

TODAY = """# invented: the jobs of one day
ticket,appliance,model,serial,cavity,message,present_offset_celsius
A-1041,range,M-30,0001234,upper,"no heat, beeps",-5.5
1042,wall oven,,,,,
T-17,Küche 2 – Herd,,,lower,,
"""


def test_a_file_is_read():
    first, second, third = tickets.read(TODAY, "today.csv")
    assert (first.number, first.model, first.serial) == ("A-1041", "M-30", "0001234")
    assert first.message == "no heat, beeps" and first.present_offset_celsius == -5.5
    assert second.cavity is None and second.present_offset_celsius is None
    assert [tickets.label(each) for each in (first, second, third)] == [
        "range upper",
        "wall oven",
        "Kuche 2 ? Herd lower",
    ]
    semicolons = "ticket;present_offset_celsius\n7;-2,5\n"
    assert tickets.read(semicolons, "x")[0].present_offset_celsius == -2.5
    assert tickets.read("\ufeffcavity\tticket\n\nupper\t9\n", "x") == [tickets.Ticket("9", cavity="upper")]
    assert tickets.label(tickets.Ticket("9")) == ""


def test_the_example_of_the_page_is_read():
    page = (Path(__file__).resolve().parents[2] / "docs" / "sending.md").read_text(encoding="utf-8")
    (text,) = re.findall(r"```csv\n(.*?)```", page, re.S)
    found = tickets.read(text, "today.csv")
    assert [(each.number, tickets.label(each)) for each in found] == [("A-1041", "range upper"), ("1042", "wall oven")]
    assert found[1].message == "bakes pale"


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("", "x.csv is empty"),
        ("# only this\n", "x.csv is empty"),
        ("ticket\n", "no ticket below it; nothing was sent"),
        ("ticket,customer\n1,y\n", "unknown columns: customer; there are ticket, appliance"),
        ("ticket,serail,blue\n1,y,z\n", "unknown columns: serail, blue; did you mean serial?"),
        ("ticket,,model\n1,y,z\n", "unknown columns: (no name);"),
        ("ticket,model,model\n1,y,z\n", "has the column model twice"),
        ("model,serial\ny,z\n", "has no column ticket"),
        ("ticket,model\n1\n", "line 2: 1 value where the heading has 2"),
        ("ticket,model\n1,a,b\n", "line 2: 3 values where the heading has 2"),
        ("ticket\n1\n2\n1\n", "line 4: the ticket 1 stands on line 2 already"),
        ("ticket,model\n,a\n", "line 2: a ticket is 1 to 12 digits, letters A to Z and dashes, and here is none"),
        ("ticket\n1234567890123\n", "line 2: a ticket is 1 to 12 digits"),
        ("ticket\nT_1\n", "not 'T_1'"),
        ("ticket\nÄ1\n", "line 2: a ticket is 1 to 12 digits"),
        ("ticket,appliance,cavity\n1,built-in wall oven,upper\n", "make the label 'built-in wall oven upper' of 24"),
        (f"ticket,message\n1,{'x' * 201}\n", "message has 201 characters, 200 are the most; shorten it"),
        ("ticket,present_offset_celsius\n1,warm\n", "from -60 to 60, not 'warm'"),
        ("ticket,present_offset_celsius\n1,nan\n", "from -60 to 60, not 'nan'"),
        ("ticket,present_offset_celsius\n1,61\n", "from -60 to 60, not '61'"),
        ('ticket,model\n1,"open\n', "is not a CSV file"),
    ],
)
def test_a_file_that_makes_no_sense(text, words):
    with pytest.raises(InputError) as raised:
        tickets.read(text, "x.csv")
    assert words in raised.value.message and raised.value.message[-1] in ".?"


@pytest.mark.parametrize("text", ["1234567890123", "ä", "a\tb", "-"])
def test_a_mark_that_is_none(text):
    with pytest.raises(InputError, match="mark is at most 12 letters"):
        tickets.mark_of(text)


def refused(result, status, words):
    assert result.exit_code == status, result.output
    last = result.stderr.strip().splitlines()[-1]
    assert last.startswith("Error: ") and words in last and "Traceback" not in result.output, result.stderr


def listed(tester):
    result = run("send", tester.port, "--list", "--json")
    assert result.exit_code == 0, result.output
    told = json.loads(result.stdout)
    return [(each["ticket"], each["label"]) for each in told["tickets"]], told["mark"]


def test_from_the_file_to_the_flash(tmp_path, micropython):
    with counter(tmp_path) as tester:
        assert listed(tester) == ([], None)
        today = file(tmp_path, TODAY, "today.csv")
        result = run("send", tester.port, "--tickets", today, "--mark", "KM")
        assert result.exit_code == 0, result.output
        assert "has 3 tickets now, read back and verified; those before are gone." in result.stdout
        assert "has the mark KM now, read back and verified." in result.stdout
        held = [("A-1041", "range upper"), ("1042", "wall oven"), ("T-17", "Kuche 2 ? Herd lower")]
        assert listed(tester) == (held, "KM")
        shown = run("send", tester.port, "--list")
        assert "A-1041" in shown.stdout and "wall oven" in shown.stdout and "Technician's mark: KM." in shown.stdout
        # Nobody pressed a key, and the power may go.
        assert not tester.world.beeps
        tester.power_off()
        tester.power_on()
        tester.run_for(3.0)
        assert listed(tester) == (held, "KM")

        # What is refused changes nothing.
        many = "ticket\n" + "".join(f"{number}\n" for number in range(25))
        refused(run("send", tester.port, "--tickets", file(tmp_path, many)), 2, "25 tickets are more than the 24")
        refused(run("send", tester.port, "--tickets", file(tmp_path, "tickets\n1\n")), 2, "did you mean ticket?")
        refused(run("send", tester.port, "--tickets", tmp_path / "none.csv"), 2, "none.csv cannot be read")
        refused(run("send", tester.port, "--mark", "much too long a mark"), 2, "mark is at most 12")
        (tmp_path / "bytes.csv").write_bytes(b"ticket\n\xff\n")
        refused(run("send", tester.port, "--tickets", tmp_path / "bytes.csv"), 2, "is not text in UTF-8")
        assert listed(tester) == (held, "KM")

        full = "ticket,appliance\n" + "".join(f"{number:012d},{'w' * 20}\n" for number in range(24))
        result = run("send", tester.port, "--tickets", file(tmp_path, full), "--mark", "", "--json")
        assert result.exit_code == 0, result.output
        told = json.loads(result.stdout)
        assert [(each["kind"], each["name"], each["verified"]) for each in told["done"]] == [
            ("tickets", "24", True),
            ("mark", "", True),
        ]
        assert listed(tester) == ([(f"{number:012d}", "w" * 20) for number in range(24)], None)


def test_a_tester_that_gives_back_something_else():
    """Told at once, and never taken for done."""

    class Session:
        def __init__(self, answer):
            self.answer = answer

        def call(self, verb, *args, timeout_s=1.0):
            return self.answer

    (ticket,) = tickets.read("ticket\n1\n", "x")
    answer = {"tickets": [["2", ""]], "mark": None, "damaged_slots": 0}
    from probeledger.errors import DeviceError

    with pytest.raises(DeviceError, match="gives other tickets back"):
        tickets.send(Session(answer), [ticket])
    with pytest.raises(DeviceError, match="gives another mark back"):
        tickets.send_mark(Session(answer), "KM")
    with pytest.raises(DeviceError, match="makes no sense"):
        tickets.held(Session({"tickets": 5}))
