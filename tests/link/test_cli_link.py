"""The commands that talk to a tester: what they print, and how they end."""

import json

import pytest
from click.testing import CliRunner
from scripted_tester import LEDGER, TESTER, FakePort, ScriptedTester, items, probe_body

from probecore import record
from probeledger import cli
from probeledger.link import Port, session


@pytest.fixture
def plugged(monkeypatch):
    """Return a function that puts ports in place of this computer's: name -> FakePort."""

    def plug(**ports):
        named = {f"/dev/{name}": port for name, port in ports.items()}
        for name, port in named.items():
            port.name = name
        monkeypatch.setattr(session, "open_transport", named.__getitem__)
        monkeypatch.setattr(
            "probeledger.link.present_ports", lambda: [Port(name, "", None, False, True) for name in named]
        )
        # Only a fake port's own waiting moves its clock.
        real = session.Session.__init__
        monkeypatch.setattr(
            session.Session,
            "__init__",
            lambda self, transport, now=None: real(self, transport, transport.now if now is None else now),
        )

    return plug


def run(*args):
    return CliRunner().invoke(cli.main, list(args))


# pull


def test_pull_tells_what_it_found(plugged, tmp_path):
    def body(number):
        return probe_body(number, verdict=("pass", "fail", "undecided")[number % 3])

    made = items(7, body=body)
    made = items(2, kind="flex", after=made)
    made = items(1, kind="boot", after=made)
    made = items(1, kind="new\x1bkind", after=made)
    plugged(a=FakePort(ScriptedTester(made, first=1)))
    done = run("pull", "/dev/a")
    assert done.exit_code == 0, done.output
    lines = done.stdout.splitlines()
    assert lines[0] == f"{TESTER}: 11 new records."
    assert lines[1] == (
        "  7 probe tests (3 fail, 2 pass, 2 undecided), 2 flex tests, 1 switching-on, 1 newkind record."
    )
    assert lines[3] == (
        "Each record was checked; the chain holds up to record 11. The tester knows that they are kept."
    )
    assert lines[4] == f"Archive: {tmp_path / 'archive.sqlite'}"


def test_pull_json_is_one_document(plugged):
    sent = items(12)
    tester = ScriptedTester(sent)
    plugged(a=FakePort(tester))
    done = run("pull", "/dev/a", "--json")
    assert done.exit_code == 0, done.output
    document = json.loads(done.stdout)
    assert document["tester"] == TESTER
    assert (document["new_records"], document["known_records"]) == (12, 0)
    assert document["bytes"] == sum(map(len, sent))
    assert document["seconds"] > 0
    assert document["verified"] is True
    assert document["ledger"] == LEDGER.hex()
    assert tester.confirmed == 12


def test_pulling_twice_says_so(plugged):
    tester = ScriptedTester(items(3))
    plugged(a=FakePort(tester))
    run("pull", "/dev/a")
    plugged(a=FakePort(tester))
    done = run("pull", "/dev/a")
    assert done.exit_code == 0
    assert done.stdout.startswith(f"{TESTER}: nothing new; 3 records already in the archive.\n")


def test_a_pull_cut_off_says_what_is_stored_and_ends_with_1(plugged):
    plugged(a=FakePort(ScriptedTester(items(60)), gone_after=9000))
    done = run("pull", "/dev/a")
    assert done.exit_code == 1
    assert done.stdout == ""
    assert done.stderr.startswith("Error: The port is gone. ")
    assert done.stderr.endswith(" new records were stored before that.\n")


def test_a_chain_that_does_not_hold_ends_with_1_and_json_all_the_same(plugged):
    tester = ScriptedTester(items(10))
    tester.items[4] = items(10, body=lambda number: probe_body(number, ohms=9.0))[3]
    plugged(a=FakePort(tester))
    done = run("pull", "/dev/a", "--json")
    assert done.exit_code == 1
    document = json.loads(done.stdout)
    assert (document["verified"], document["chain_breaks"], document["confirmed"]) == (False, [4, 5], False)
    assert done.stderr.endswith(
        f"Error: The chain of {TESTER} does not hold at record 4. What came is stored and was not confirmed; keep the "
        "tester as it is until somebody has looked at it.\n"
    )


def test_a_missing_record_is_named(plugged):
    tester = ScriptedTester(items(5))
    del tester.items[2]
    plugged(a=FakePort(tester))
    done = run("pull", "/dev/a")
    assert done.exit_code == 1
    assert f"Tester {TESTER} does not send its record 2. What came is stored; keep the tester as it is" in done.stderr


def test_a_clock_that_is_not_set_is_said(plugged):
    plugged(a=FakePort(ScriptedTester(items(2, time=None), time=None, clock_set=False)))
    done = run("pull", "/dev/a")
    assert done.exit_code == 0
    assert "Note: the tester's clock is not set." in done.stderr
    shown = json.loads(run("records", "--json").stdout)
    assert [one["time_reconstructed"] for one in shown] == [True, True]


def test_a_hostile_tester_reaches_no_terminal(plugged):
    name = "pl\x1b]0;owned\x07\u202e"
    plugged(a=FakePort(ScriptedTester(items(2, tester=name), tester=name)))
    done = run("pull", "/dev/a")
    assert done.exit_code == 0
    assert not set("\x1b\x07\u202e") & set(done.output)


@pytest.mark.parametrize(
    ("port", "status", "sentence"),
    [
        (FakePort(None), 1, "Error: Nothing answers on /dev/a. Check that the tester is switched on"),
        (FakePort(None, noise=b"ready.\r\n"), 1, "Error: /dev/a answers, but not as a probeledger tester. It sent"),
    ],
)
def test_no_tester_on_the_port(plugged, port, status, sentence, tmp_path):
    plugged(a=port)
    done = run("pull", "/dev/a")
    assert (done.exit_code, done.stdout) == (status, "")
    assert done.stderr.startswith(sentence)
    assert not (tmp_path / "archive.sqlite").exists()


def test_no_such_port_ends_with_2():
    done = run("pull", "/dev/none")
    assert done.exit_code == 2
    assert done.stderr.startswith("Error: There is no port /dev/none. ")


def test_pull_into_something_else_leaves_it_alone(plugged, tmp_path):
    path = tmp_path / "letter.txt"
    path.write_text("Dear customer")
    tester = ScriptedTester(items(2))
    plugged(a=FakePort(tester))
    done = run("pull", "/dev/a", "--archive", str(path))
    assert done.exit_code == 2
    assert done.stderr == (
        f"Error: {path} is not a probeledger archive. Nothing was changed; name the archive's file, or a new one.\n"
    )
    assert path.read_text() == "Dear customer"
    assert tester.confirmed == 0


# testers


def test_testers_lists_what_answers(plugged):
    plugged(
        a=FakePort(ScriptedTester(items(5), confirmed=2)),
        b=FakePort(None),
        c=FakePort(ScriptedTester([], tester="pl-2", ledger=None, store="none", calibration="K7\x1b", time=None)),
    )
    done = run("testers")
    assert done.exit_code == 0, done.output
    lines = done.stdout.splitlines()
    assert lines[2].split()[:9] == ["/dev/a", TESTER, "0.1.0", "none", "3", "to", "pull", "3.88", "V"]
    assert " ".join(lines[3].split()) == "/dev/c pl-2 0.1.0 K7 (uncalibrated) no ledger 3.88 V not set"
    assert max(map(len, lines)) <= 80
    assert done.stderr.startswith("Nothing answers on /dev/b.")


def test_testers_json_is_a_list_of_those_that_answer(plugged):
    plugged(a=FakePort(ScriptedTester(items(5), confirmed=2)), b=FakePort(None))
    (found,) = json.loads(run("testers", "--json").stdout)
    assert (found["port"], found["tester"], found["records_to_pull"]) == ("/dev/a", TESTER, 3)
    assert (found["cell_volts"], found["ledger"]) == (3.875, LEDGER.hex())


def test_no_tester_is_said_plainly(plugged):
    plugged()
    done = run("testers")
    assert (done.exit_code, done.stdout) == (0, "")
    assert done.stderr.startswith("No tester is plugged in. Plug one in with a USB cable that carries data")
    assert json.loads(run("testers", "--json").stdout) == []


# measure


def test_measure_gives_value_temperature_noise_and_uncertainty(plugged):
    plugged(a=FakePort(ScriptedTester([])))
    done = run("measure", "/dev/a")
    assert done.exit_code == 0, done.output
    # IEC 60751: 1097.5 ohm lies between the table's 25 and 26 degrees C (1097.35 and 1101.23 ohm): 25.04.
    # Three of the four readings have the ratio 1100/1500, one 1101/1500: noise 1 ohm / 2.
    assert done.stdout == "1097.50 Ω ± 0.50 Ω   25.04 °C ± 0.13 °C (k = 2)   noise 0.5000 Ω\n"


def test_measure_json_is_one_object_a_line(plugged):
    plugged(a=FakePort(ScriptedTester([])))
    done = run("measure", "/dev/a", "--count", "3", "--json")
    readings = [json.loads(line) for line in done.stdout.splitlines()]
    assert len(readings) == 3
    assert readings[0]["tester"] == TESTER
    assert (readings[0]["ohms"], readings[0]["u_ohms"], readings[0]["curve"]) == (1097.5, 0.25, "pt1000-3850")
    # IEC 60751, between 1097.35 ohm at 25 and 1101.23 ohm at 26 degrees C, each printed to 0.005 ohm.
    assert readings[0]["celsius"] == pytest.approx(25 + 0.15 / 3.88, abs=0.002)
    assert readings[0]["noise_ohms"] == pytest.approx(0.5, rel=1e-4)
    assert len(readings[0]["readings"]) == 4


def test_measure_with_nothing_clipped_on_says_so(plugged, monkeypatch):
    tester = ScriptedTester([])
    answer = {"leads": "open", "ohms": None, "u_ohms": None, "readings": []}
    monkeypatch.setattr(tester, "_do_measure", lambda tag, args: tester._result(tag, answer), raising=False)
    plugged(a=FakePort(tester))
    done = run("measure", "/dev/a")
    assert (done.exit_code, done.stdout) == (0, "No value: open: nothing is clipped on, or no current flows.\n")


def test_measure_with_a_curve_that_does_not_exist(plugged):
    done = run("measure", "/dev/a", "--curve", "pt1000-385")
    assert done.exit_code == 2
    assert "There is no curve 'pt1000-385'. Did you mean pt1000-3850" in done.stderr


def test_a_refused_measurement_passes_on_the_testers_sentence(plugged, monkeypatch):
    tester = ScriptedTester([])
    monkeypatch.setattr(
        tester, "_do_measure", lambda tag, args: tester._error(tag, "busy", "A probe test is running."), raising=False
    )
    plugged(a=FakePort(tester))
    done = run("measure", "/dev/a")
    assert (done.exit_code, done.stderr) == (
        1,
        "Error: The tester on /dev/a refuses: A probe test is running.\n",
    )


def test_measure_at_zero_power(plugged):
    tester = ScriptedTester([])
    plugged(a=FakePort(tester))
    done = run("measure", "/dev/a", "--zero-power")
    assert done.exit_code == 0, done.output
    assert tester.requests[-1] == ("measure", ["4", "zero-power"])
    # 0.0625 ohm are 0.016 degrees C by the IEC 60751 table's step from 25 to 26 degrees C, 3.88 ohm.
    assert "at zero power 1097.44 Ω ± 0.50 Ω, self-heating 0.016 °C" in done.stdout
    (line,) = run("measure", "/dev/a", "--zero-power", "--budget", "--json").stdout.splitlines()
    found = json.loads(line)
    assert (found["ohms"], found["ohms_zero_power"], found["u_ohms_zero_power"]) == (1097.5, 1097.4375, 0.25)
    assert found["self_heating_celsius"] == pytest.approx(0.0625 / 3.88, abs=1e-4)
    assert found["celsius_zero_power"] == pytest.approx(found["celsius"] - found["self_heating_celsius"])
    # The budget's value is corrected by what was measured.
    inputs = {item["name"]: item for item in found["budget"]["resistance_ohms"]["inputs"]}
    heating = inputs["self-heating of the element"]
    assert heating["value"] == pytest.approx(1e3 * 0.0625 / 93.75 / 3.879, rel=1e-3)
    assert heating["u"] == pytest.approx(0.25 / 3.879, rel=1e-3)


def test_measure_tells_the_power_and_the_most_that_it_warms(plugged):
    plugged(a=FakePort(ScriptedTester([])))
    found = json.loads(run("measure", "/dev/a", "--json").stdout)
    assert found["element_microwatts"] == 93.75 and found["ohms_zero_power"] is None
    # docs/uncertainty.md: 0.4 K/mW at most
    assert found["self_heating_most_celsius"] == pytest.approx(0.4 * 0.09375)


def test_two_wire_leads_are_zeroed_with_the_person_at_the_terminal(plugged, monkeypatch):
    tester = ScriptedTester([])
    tester.apart = 1
    plugged(a=FakePort(tester))
    asked = []
    monkeypatch.setattr("probeledger.cli.measure._somebody_is_there", lambda: True)
    monkeypatch.setattr("click.pause", lambda info=None, err=False: asked.append(info))
    done = run("measure", "/dev/a", "--two-wire", "--count", "2")
    assert done.exit_code == 0, done.output
    assert [verb for verb, _ in tester.requests if verb != "hello"] == ["zero", "zero", "measure", "measure"]
    assert tester.requests[-1] == ("measure", ["4", "two-wire"])
    assert [words.split(",")[0] for words in asked] == [
        "Let one clip hold the other",
        "Then press any key.",
        "Clip onto what you want to measure",
    ]
    assert "The two clips are not together: 1097.3 ohm." in done.stderr
    assert "The leads have 0.250 Ω ± 0.062 Ω (k = 2); that is taken off from now on." in done.stderr


def test_zero_alone_and_where_nobody_can_be_asked(plugged):
    tester = ScriptedTester([])
    plugged(a=FakePort(tester))
    done = run("measure", "/dev/a", "--zero")
    assert done.stdout == (
        "Zero of the leads: 0.250 Ω ± 0.062 Ω (k = 2). Valid with --two-wire until the tester is switched off.\n"
    )
    assert json.loads(run("measure", "/dev/a", "--zero", "--json").stdout) == {
        "tester": TESTER,
        "zero_ohms": 0.25,
        "u_zero_ohms": 0.03125,
    }
    found = json.loads(run("measure", "/dev/a", "--two-wire", "--json", "--budget").stdout)
    assert found["two_wire"] is True and found["zero_ohms"] == 0.25
    # docs/uncertainty.md: 50 mohm after zeroing
    inputs = {item["name"]: item for item in found["budget"]["resistance_ohms"]["inputs"]}
    assert inputs["leads and clips"]["half_width"] == 50.0 and "zero of the leads" in inputs
    assert [verb for verb, _ in tester.requests if verb != "hello"] == ["zero", "zero", "measure"]


def test_clips_apart_are_refused(plugged):
    tester = ScriptedTester([])
    tester.apart = 1
    plugged(a=FakePort(tester))
    done = run("measure", "/dev/a", "--zero")
    assert (done.exit_code, done.stdout) == (1, "")
    assert "refuses: The two clips are not together: 1097.3 ohm." in done.stderr
    done = run("measure", "/dev/a", "--zero", "--two-wire")
    assert done.exit_code == 2 and "Use --zero first" in done.stderr


def test_digest_of_the_core_is_sha_256():
    # FIPS 180-2, appendix B.1: "abc".
    expected = "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"
    assert record.digest(b"abc").hex() == expected
