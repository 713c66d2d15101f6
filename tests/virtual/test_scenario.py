"""Scenario files: the built-in ovens, strict keys, types and ranges, and one clear sentence for each mistake."""

import math
import tomllib

import pytest

from probeledger.virtual import scenario
from probeledger.virtual.circuit.probe import Probe, element_ohms
from probeledger.virtual.scenario import ScenarioError
from probeledger.virtual.world import World

BASE = {"name": "x", "story": "Invented for this test."}


def build(text):
    return scenario.from_table(BASE | tomllib.loads(text))


@pytest.mark.parametrize("name", scenario.names())
def test_built_in_ovens_load_and_say_that_they_are_invented(name):
    oven = scenario.load(name)
    assert oven.name == name
    assert oven.story.startswith("Invented:")


def test_there_are_ovens_for_every_usual_case():
    wanted = {
        "good-sensor", "open-element", "shorted-sensor", "corroded-harness", "leak-to-chassis", "intermittent-harness",
        "still-warm", "voltage-on-leads", "wrong-curve", "painted-chassis", "reference-25", "ntc-drawer",
    }  # fmt: skip
    assert wanted <= set(scenario.names())


@pytest.mark.parametrize(
    ("text", "named", "right"),
    [
        ("[harness]\nserie_ohms = 12", "harness.serie_ohms", '"harness.series_ohms"'),
        ("[element]\ncurv = 'pt1000-3850'", "element.curv", '"element.curve"'),
        ("[harness.intermittent]\nperiod_s = 1\nopen_ms = 5\nlaed = 'a'", "harness.intermittent.laed", ".lead"),
        ("[leek]\nohms = 40000", "leek", '"leak"'),
        ("[room]\ncelsius = '23 C'", "room.celsius", "number in degrees C"),
        ("[room]\ncelsius = true", "room.celsius", "number in degrees C"),
        ("[leak]\nohms = -5\nfrom = 'a'", "leak.ohms", "between"),
        ("[leak]\nohms = 4e4", '"from"', "missing in [leak]"),
        ("[leak]\nohms = 4e4\nfrom = 1.5", "leak.from", "position along the element"),
        ("[element]\ncurve = 'pt1000-3580'", "element.curve", 'did you mean "pt1000-3850"'),
        ("[element]\ncurve = 'ntc-beta'", '"r0_ohms"', "missing"),
        ("[temperature]\ncelsius = 20\ntau_minutes = 3", "[temperature]", "either celsius alone"),
        ("[temperature]\nstart_celsius = 60", "[temperature]", "both start_celsius and tau_minutes"),
        ("[foreign]\nbetween = ['a', 'chassis']", "[foreign]", "exactly one"),
        ("[foreign]\ndc_volts = 5\nbetween = ['a', 'a']", "foreign.between", "two different points"),
        ("[foreign]\ndc_volts = 230\nbetween = ['a', 'b']", "foreign.dc_volts", "between -60 and 60"),
        ("[harness.intermittent]\nperiod_s = 0.05\nopen_ms = 60", "open_ms", "shorter than the period"),
        ("[chassis]\npainted = 'yes'", "chassis.painted", "true or false"),
        ("room = 23", "[room]", "table"),
        ("[temperature]\nstart_celsius = nan\ntau_minutes = 1", "start_celsius", "number"),
    ],
)
def test_a_mistake_is_one_sentence_with_the_key_and_what_would_be_right(text, named, right):
    with pytest.raises(ScenarioError) as caught:
        build(text)
    message = str(caught.value)
    assert named in message and right in message
    assert message.count("\n") == 0 and message.endswith(".")


def test_name_and_story_are_needed():
    with pytest.raises(ScenarioError, match='"story" is missing at the top'):
        scenario.from_table({"name": "x"})


def test_files_that_are_none(tmp_path):
    with pytest.raises(ScenarioError, match='did you mean "good-sensor"'):
        scenario.load("good-senser")
    with pytest.raises(ScenarioError, match="There is no scenario file"):
        scenario.load(tmp_path / "none.toml")
    (tmp_path / "bad.toml").write_text("name = ")
    with pytest.raises(ScenarioError, match="not valid TOML"):
        scenario.load(tmp_path / "bad.toml")
    (tmp_path / "latin.toml").write_bytes(b'name = "\xe9"')
    with pytest.raises(ScenarioError, match="not text in UTF-8"):
        scenario.load(tmp_path / "latin.toml")
    with pytest.raises(ScenarioError, match="cannot be read"):
        scenario.load(tmp_path)
    # Python's reader of TOML raises errors of its own for these.
    for text in ("name = " + "9" * 5000, "name = " + "[" * 5000, "a" + ".a" * 5000 + " = 1"):
        (tmp_path / "bad.toml").write_text(text)
        with pytest.raises(ScenarioError, match="not valid TOML"):
            scenario.load(tmp_path / "bad.toml")
    (tmp_path / "typo.toml").write_text('name = "x"\nstory = "s"\n[rom]\ncelsius = 20\n')
    with pytest.raises(ScenarioError, match=r'typo\.toml: Unknown key "rom"; the nearest valid one is "room"'):
        scenario.load(tmp_path / "typo.toml")


# ---------------------------------------------------------------- what they mean


@pytest.mark.parametrize(
    ("curve", "celsius", "ohms"),
    [
        # IEC 60751:2008 table 1 for 100 ohm, times ten (printed to 0.01 ohm of 100).
        ("pt1000-3850", 0.0, 1000.0), ("pt1000-3850", 25.0, 1097.3), ("pt1000-3850", 100.0, 1385.1),
        ("pt1000-3850", -50.0, 803.1), ("pt1000-3850", 250.0, 1941.0),
        # Thin-film 3750 makers' data: R(t)/R0 at 100 and 250 degrees C.
        ("pt1000-3750", 100.0, 1375.001), ("pt1000-3750", 250.0, 1914.932),
        # JIS C 1604-1989 (from memory).
        ("pt1000-3916", 200.0, 1771.3),
    ],
)  # fmt: skip
def test_elements_follow_the_standards_tables(curve, celsius, ohms):
    element = build(f"[element]\ncurve = '{curve}'").element
    assert element_ohms(element, celsius) == pytest.approx(ohms, abs=0.06)


def test_a_thermistor_has_its_value_at_25_degrees():
    element = build("[element]\ncurve = 'ntc-beta'\nr0_ohms = 100000\nbeta_kelvin = 3950").element
    assert element_ohms(element, 25.0) == pytest.approx(100000)
    # Beta from 25 to 85 degrees C by its definition: ln(R25/R85) / (1/298.15 - 1/358.15).
    ratio = 100000 / element_ohms(element, 85.0)
    assert math.log(ratio) / (1 / 298.15 - 1 / 358.15) == pytest.approx(3950)


def test_cooling_is_an_exponential():
    oven = build("[room]\ncelsius = 20\n[temperature]\nstart_celsius = 60\ntau_minutes = 10")
    assert oven.celsius_after(0) == 60
    assert oven.celsius_after(600) == pytest.approx(20 + 40 / math.e)
    assert oven.celsius_after(600 * math.log(2)) == pytest.approx(40)


def network(text, place, at_s=0.0, **changes):
    world = World()
    world.visit(build(text))
    world.clip(place)
    world.clip_chassis()
    for name, value in changes.items():
        setattr(world, name, value)
    return Probe().network(world, at_s * 1e6)


def between(net, a, b):
    return [ohms for p, q, ohms in net.resistors if {p, q} == {a, b}]


def test_a_bad_joint_in_the_harness_shows_from_the_control_s_end_only():
    text = "[harness]\nohms_each = 0.1\nseries_ohms = 12\nlead = 'b'"
    assert between(network(text, "sensor"), "TB", "HB") == []
    assert between(network(text, "control-end"), "TB", "HB") == [pytest.approx(12.1)]
    assert between(network(text, "control-end"), "TA", "HA") == [pytest.approx(0.1)]
    at_sensor = text + "\nend = 'sensor'"
    assert between(network(at_sensor, "sensor"), "TB", "EB") == [pytest.approx(12.05)]
    assert between(network(at_sensor, "after-fitting"), "HB", "EB") == [pytest.approx(0.05)]
    repaired = text + "\nrepaired = true"
    assert between(network(repaired, "after-fitting"), "TB", "HB") == [pytest.approx(0.08)]


def test_a_leak_inside_the_element_divides_it():
    net = network("[leak]\nohms = 40000\nfrom = 0.25", "sensor")
    (low,), (high,) = between(net, "EA", "X"), between(net, "X", "EB")
    assert high / low == pytest.approx(3)
    assert between(net, "X", "CHASSIS") == [40000]
    assert between(network("[leak]\nohms = 40000\nfrom = 'b'", "sensor"), "EB", "CHASSIS") == [40000]
    assert between(network("[leak]\nohms = 40000\nfrom = 'b'", "new-part"), "EB", "CHASSIS") == []


def test_an_open_element_keeps_the_piece_with_the_leak():
    net = network("[element]\nfault = 'open'\nopen_position = 0.5\n[leak]\nohms = 1e5\nfrom = 0.25", "sensor")
    assert len(between(net, "EA", "X")) == 1 and between(net, "X", "EB") == []
    net = network("[element]\nfault = 'open'\nopen_position = 0.1\n[leak]\nohms = 1e5\nfrom = 0.25", "sensor")
    assert between(net, "EA", "X") == [] and len(between(net, "X", "EB")) == 1


def test_an_intermittent_joint_opens_on_its_schedule_and_only_when_bent_if_so():
    text = "[harness.intermittent]\nperiod_s = 1.0\nopen_ms = 30\nfirst_s = 0.2"
    assert between(network(text, "control-end", 0.21), "TA", "HA") == []
    assert len(between(network(text, "control-end", 0.25), "TA", "HA")) == 1
    assert between(network(text, "control-end", 1.22), "TA", "HA") == []
    assert len(between(network(text, "sensor", 0.21), "TA", "EA")) == 1
    bent = text + "\nwhen = 'bent'"
    assert len(between(network(bent, "control-end", 0.21), "TA", "HA")) == 1
    assert between(network(bent, "control-end", 0.21, _bent_until_us=1e9), "TA", "HA") == []


def test_times_of_contact_changes():
    oven = build("[harness.intermittent]\nperiod_s = 1.0\nopen_ms = 30\nfirst_s = 0.2")
    times = [0]
    for _ in range(4):
        times.append(oven.next_contact_change_us(times[-1], 0))
    assert times[1:] == [200_000, 230_000, 1_200_000, 1_230_000]
    assert oven.next_contact_change_us(5_000_000, 5_000_000) == 5_200_000


def test_paint_keeps_the_jaws_apart():
    assert between(network("[chassis]\npainted = true", "sensor"), "JAW1", "CHASSIS") == []
    assert between(network("", "sensor"), "JAW1", "CHASSIS") == [0.2]


def test_the_usb_plug_ties_the_tester_to_earth():
    assert between(network("", "sensor"), "EARTH", "GND") == []
    assert between(network("", "sensor", usb_plugged=True), "EARTH", "GND") == [1.0]
    assert between(network("", "sensor"), "CHASSIS", "EARTH") == [0.3]
