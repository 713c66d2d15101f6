"""The circuit's solver against hand calculation, an independent solution of its equations, and published simulation.

Hand calculation: Ohm's and Kirchhoff's laws on the named resistors. The published figures of the front end come from
ngspice 39.3 on the same values, run apart from this project's code.
"""

import math
import random

import numpy as np
import pytest
from scipy.linalg import eigh
from scipy.optimize import brentq

from probeledger.virtual.circuit import description as descriptions
from probeledger.virtual.circuit import specimen as specimens
from probeledger.virtual.circuit.netlist import Network
from probeledger.virtual.circuit.solver import Circuit

DESCRIPTION = descriptions.load()
NOMINAL = specimens.nominal(DESCRIPTION)
CLIP_OHMS = 0.02
SUPPLY_VOLTS = 3.3


def network(ohms, *more, chassis=False):
    clips = [("F+", "TA", CLIP_OHMS), ("S+", "TA", CLIP_OHMS), ("S-", "TB", CLIP_OHMS), ("F-", "TB", CLIP_OHMS)]
    if chassis:
        clips += [("JAW1", "CHASSIS", 0.5), ("JAW2", "CHASSIS", 0.5)]
    if ohms is not None:
        clips.append(("TA", "TB", ohms))
    clips += more
    return Network(structure=("test",), key=tuple(clips), resistors=tuple(clips))


def circuit(net, celsius=25.0, power="awake", **drivers):
    made = Circuit(DESCRIPTION, NOMINAL, celsius)
    made.set_power(power)
    made.set_network(net)
    for name, state in drivers.items():
        made.set_driver(f"{name.upper()}_PIN", state)
    return made


def volts(made, *nets):
    v = made.direct()
    return [float(v[made.netlist.index[n]]) for n in nets]


@pytest.mark.parametrize(
    ("ohms", "milliamps"),
    # Published front-end values, rounded to a microampere.
    [(1e-6, 0.324), (1100.0, 0.292), (4000.0, 0.232)],
)
def test_excitation_is_the_series_loop(ohms, milliamps):
    made = circuit(network(ohms), a="high", b="low")
    t, f_plus, rail = volts(made, "T", "F+", "3V3")
    amps = (t - f_plus) / 1500.0
    assert amps * 1e3 == pytest.approx(milliamps, abs=0.0006)
    # By hand: pin 30 + guard 1000 against the bleeds' 235 kohm to half the rail makes the source of each side.
    drive = 1030.0 * 235e3 / (1030.0 + 235e3)
    high = (rail / 1030.0 + rail / 2 / 235e3) * drive
    low = rail / 2 / 235e3 * drive
    loop = 2 * drive + 2 * 3300.0 + 1500.0 + ohms + 2 * CLIP_OHMS
    # The clamps' leakage cancels at each node but for the rail's own share of 1e-5 V.
    assert amps == pytest.approx((high - low) / loop, rel=20e-6)


@pytest.mark.parametrize("ohms", [0.1, 10.0, 100.0, 1000.0, 1100.0, 2000.0, 4000.0])
def test_ratio_of_both_directions_is_the_element(ohms):
    readings = []
    for a, b in (("high", "low"), ("low", "high")):
        t, f, p, m = volts(circuit(network(ohms), a=a, b=b), "AIN3", "AIN0", "AIN1", "AIN2")
        readings.append((t - f, p - m))
    ratio = (readings[0][1] - readings[1][1]) / (readings[0][0] - readings[1][0])
    # The sense ties see the clips' 20 mohm: 0.02 x 0.02 / 470000 is nothing.
    assert 1500.0 * ratio == pytest.approx(ohms, rel=20e-6, abs=2e-4)


@pytest.mark.parametrize("ohms", [1e4, 1e5, 1e6])
def test_high_range_reads_the_element_but_for_known_shunts(ohms):
    t, f, p, m = volts(circuit(network(ohms), h="high", b="low"), "AIN3", "AIN0", "AIN1", "AIN2")
    # The 10-Tohm ground leaks of the model are the largest thing left: below a ppm of 1 Mohm.
    assert 1500.0 * (p - m) / (t - f) == pytest.approx(ohms, rel=1e-5)


@pytest.mark.parametrize("rail", ["high", "low"])
@pytest.mark.parametrize("leak_ohms", [3e3, 4e4, 1e6, 2e7])
@pytest.mark.parametrize("end", ["TA", "TB"])
def test_leak_current_is_reference_drop_and_far_side_drop(rail, leak_ohms, end):
    seen = []
    for level in ("low", "high"):
        net = network(1100.0, (end, "CHASSIS", leak_ohms), chassis=True)
        made = circuit(net, a=rail, b=rail, c=level)
        seen.append(volts(made, "T", "F+", "S-", "CHASSIS", end))
    reference, far, chassis, tap = (
        (seen[1][0] - seen[1][1]) - (seen[0][0] - seen[0][1]),
        seen[1][2] - seen[0][2],
        seen[1][3] - seen[0][3],
        seen[1][4] - seen[0][4],
    )
    # The published relation I = dVref / 1500 + dV(S-) / 4.33 k, signs as seen from the leads; 4330 = 3300 + 1000 + 30.
    amps = -reference / 1500.0 + far / 4330.0
    # What is left is the bleeds at node B and what the clamps there take as their voltage moves: a few 0.1 % when warm.
    assert amps == pytest.approx((chassis - tap) / leak_ohms, rel=0.02)
    # Kirchhoff, exactly: the current through RC less what the tap and the bleeds take is the leak's.
    assert abs(amps) == pytest.approx(abs(chassis - tap) / leak_ohms, rel=0.02)


def test_a_shorted_sense_is_not_needed_for_settled_time():
    made = circuit(network(1100.0), a="high", b="low")
    made.run_to(20_000)
    assert made.settled
    before = made.solves
    made.run_to(3_600_000_000)
    assert made.solves - before <= 2


# ---------------------------------------------------------------- settling


def settle_time_us(ohms, drive, limit):
    states = ("high", "low"), ("low", "high")
    made = circuit(network(ohms), **{drive: states[0][0], "b": states[0][1]})
    made.run_to(200_000)
    made.set_driver(f"{drive.upper()}_PIN", states[1][0])
    made.set_driver("B_PIN", states[1][1])
    final = made.direct()
    index = made.netlist.index
    span = abs(final[index["AIN1"]] - final[index["AIN2"]])
    reference = abs(final[index["AIN3"]] - final[index["AIN0"]])
    begin = made.time_us
    last = 0
    while made.time_us - begin < 60_000 and not made.settled:
        made.run_to(made.time_us + 50)
        p, m, t, f = (made.volts(n) for n in ("AIN1", "AIN2", "AIN3", "AIN0"))
        off_probe = abs(abs(p - m) - span) / span
        off_reference = abs(abs(t - f) - reference) / reference
        if max(off_probe, off_reference) > limit:
            last = made.time_us - begin
    return last


@pytest.mark.parametrize(
    ("ohms", "drive", "published_ms", "within"),
    # Published: to 10 ppm with 3 m of cable, low range 2.8 ms, high range 3.1 (10 k), 6.0 (100 k), 10.1 (1 M).
    [(1000.0, "a", 2.8, 0.25), (1e4, "h", 3.1, 0.3), (1e5, "h", 6.0, 0.3), (1e6, "h", 10.1, 0.3)],
)
def test_settling_after_reversal_takes_the_published_time(ohms, drive, published_ms, within):
    assert settle_time_us(ohms, drive, 10e-6) / 1e3 == pytest.approx(published_ms, rel=within)


def test_steps_follow_the_matrix_exponential():
    """Linear circuit (driven, clamps far from conducting): the exact course is the exponential of -C^-1 G."""
    made = circuit(network(1100.0), a="high", b="low")
    made.run_to(100_000)
    before = made.direct().copy()
    made.set_driver("A_PIN", "low")
    made.set_driver("B_PIN", "high")
    now = made._configuration()
    final = made.direct()
    g, c = now.conductance, now.capacitance
    with_charge = [i for i in range(len(g)) if c[i, i] > 0]
    without = [i for i in range(len(g)) if c[i, i] == 0]
    # Eliminate the nodes without capacitance.
    gss = g[np.ix_(with_charge, with_charge)] - g[np.ix_(with_charge, without)] @ np.linalg.solve(
        g[np.ix_(without, without)], g[np.ix_(without, with_charge)]
    )
    # The cable's capacitance hangs between two nodes: 0.01 pF to ground makes the pair of matrices regular.
    css = c[np.ix_(with_charge, with_charge)] + 1e-14 * np.eye(len(with_charge))
    rates, modes = eigh(gss, css)
    offset = (before - final)[with_charge]
    pins = [with_charge.index(made.netlist.index[n]) for n in ("AIN1", "AIN2")]
    begin = made.time_us
    for at_us in (50, 200, 500, 1000, 2000):
        made.run_to(begin + at_us)
        exact = final[with_charge] + modes @ (np.exp(-rates * at_us * 1e-6) * (modes.T @ css @ offset))
        probe = made.volts("AIN1") - made.volts("AIN2")
        # 0.64 V of swing; the method's own error stays below 0.3 % of it anywhere on the way.
        assert probe == pytest.approx(exact[pins[0]] - exact[pins[1]], abs=0.002)


# ---------------------------------------------------------------- diodes and faults


def diode_amps(model, celsius, across, scale=1.0):
    """Solve one diode with its series resistance by bisection, apart from the solver's method."""
    thermal = model.emission * 8.617333262e-5 * (celsius + 273.15)
    saturation = scale * model.saturation_amps * 2 ** ((celsius - 25.0) / model.doubles_every_k)

    def missing(amps):
        return across - amps * model.series_ohms - thermal * math.log1p(amps / saturation)

    if across <= 0:
        return saturation * math.expm1(across / thermal)
    return brentq(missing, 0.0, across / model.series_ohms + 1e-9, xtol=1e-16, rtol=1e-13)


def residual_amps(made):
    """Return the largest sum of currents into any node, from the parts' own laws."""
    netlist = made.netlist
    v = dict(zip(netlist.names, made.direct(), strict=True)) | {"GND": 0.0}
    total = dict.fromkeys(netlist.names, 0.0) | {"GND": 0.0}

    def flow(a, b, amps):
        total[a] -= amps
        total[b] += amps

    for part in DESCRIPTION.parts:
        if part.kind == "resistor":
            flow(part.nets[0], part.nets[1], (v[part.nets[0]] - v[part.nets[1]]) / part.value)
        elif part.kind == "clamp":
            model = DESCRIPTION.diodes[part.part]
            low, middle, high = part.nets
            flow(low, middle, diode_amps(model, netlist.celsius, v[low] - v[middle]))
            flow(middle, high, diode_amps(model, netlist.celsius, v[middle] - v[high]))
    for a, b, ohms in made.network.resistors:
        flow(a, b, (v[a] - v[b]) / ohms)
    for into, out_of, amps in made.network.currents:
        flow(out_of, into, amps)
    for pin, state in made.drivers.items():
        if state in ("high", "low"):
            rail = "3V3" if state == "high" else "GND"
            flow(pin, rail, (v[pin] - v[rail]) / 30.0)
    inner = [n for n in DESCRIPTION.nets if n not in ("GND", "3V3", "AIN0", "AIN1", "AIN2", "AIN3", "REFP0", "TAP2")]
    return max(abs(total[n]) for n in inner)


@pytest.mark.parametrize("seed", range(12))
def test_currents_balance_at_every_node_whatever_is_put_on(seed):
    rng = random.Random(seed)
    fault_volts, ohms = rng.uniform(-60, 60), 10 ** rng.uniform(-1, 4)
    ends = rng.sample(["TA", "TB", "CHASSIS", "GND"], 2)
    made = circuit(
        network(rng.choice([None, 1e-3, 1100.0, 1e5]), (ends[0], ends[1], ohms), chassis=True),
        celsius=rng.choice([0.0, 25.0, 50.0]),
        power=rng.choice(["awake", "asleep", "off"]),
        a=rng.choice(["high", "low", "off"]),
        b=rng.choice(["high", "low", "off"]),
        c=rng.choice(["high", "low", "off"]),
    )
    if made.power == "off":
        made.drivers = dict.fromkeys(made.drivers, "off")
    net = made.network
    made.set_network(
        Network(("fault",), (*net.key, fault_volts), net.resistors, (), ((ends[0], ends[1], fault_volts / ohms),))
    )
    # 10 Tohm from each node to ground is the model's own: up to 60 V / 1e13 ohm, and each solution stands to 1e-10.
    assert residual_amps(made) < 2e-9


def fault(pair, fault_volts, power, tied, **drivers):
    links = [(pair[0], pair[1], 0.01)]
    if tied:
        links += [("F+", "S+", CLIP_OHMS), ("F-", "S-", CLIP_OHMS)]
    made = circuit(Network(("none",), ("none",)), power=power, **drivers)
    made.set_network(
        Network(("fault",), (pair, fault_volts, tied), tuple(links), (), ((pair[0], pair[1], fault_volts / 0.01),))
    )
    return made


PAIRS = [
    (a, b) for k, a in enumerate(("F+", "S+", "F-", "S-", "JAW1")) for b in ("F+", "S+", "F-", "S-", "JAW1")[k + 1 :]
]


def worst(power, **drivers):
    watts = {"RP_A": 0.0, "RP_B": 0.0, "R_REF": 0.0, "RS_SP": 0.0, "RS_SM": 0.0}
    rail = 0.0
    pin_amps = 0.0
    for pair in PAIRS:
        for tied in (False, True):
            if tied and pair in (("F+", "S+"), ("F-", "S-")):
                continue
            for sign in (1, -1):
                made = fault(pair, 60.0 * sign, power, tied, **drivers)
                for ref in watts:
                    part = DESCRIPTION.part(ref)
                    a, b = volts(made, *part.nets)
                    watts[ref] = max(watts[ref], (a - b) ** 2 / part.value)
                for ref in ("RS_T", "RS_FP", "RS_SP", "RS_SM"):
                    part = DESCRIPTION.part(ref)
                    a, b = volts(made, *part.nets)
                    pin_amps = max(pin_amps, abs(a - b) / part.value)
                rail = max(rail, *volts(made, "3V3"))
    return watts, pin_amps, rail


def test_sixty_volts_on_any_pair_powered_with_drives_off_gives_the_published_powers():
    watts, pin_amps, rail = worst("awake")
    # Published, ngspice: RP_B / RP_A / R_REF 221 / 110 / 70 mW, S+ or S- 106 mW, 2.20 mA into a converter pin, 3.30 V.
    assert watts["RP_B"] == pytest.approx(0.221, rel=0.03)
    assert watts["RP_A"] == pytest.approx(0.110, rel=0.03)
    assert watts["R_REF"] == pytest.approx(0.070, rel=0.03)
    assert max(watts["RS_SP"], watts["RS_SM"]) == pytest.approx(0.106, rel=0.03)
    assert pin_amps == pytest.approx(2.20e-3, rel=0.03)
    assert rail == pytest.approx(3.30, abs=0.01)


def test_sixty_volts_on_a_tester_that_is_off_pumps_the_rail_to_the_shunt_only():
    watts, _pin_amps, rail = worst("off")
    # Published: 219 / 109 / 69 mW and 3.55 V on the rail with the shunt.
    assert watts["RP_B"] == pytest.approx(0.219, rel=0.03)
    assert watts["R_REF"] == pytest.approx(0.069, rel=0.03)
    assert 3.54 < rail < 3.56


# ---------------------------------------------------------------- alternating sources


def test_an_alternating_source_arrives_with_the_filter_s_amplitude():
    # 0.2 V peak behind 1 kohm across the sense terminals of open leads: against 100 kohm and more it is a stiff source;
    # the two 22 kohm into 4.7 nF + 235 pF pass 50 Hz with 1 / sqrt(1 + (w R C)^2).
    net = Network(
        ("ac",),
        ("ac",),
        (("S+", "TA", CLIP_OHMS), ("S-", "TB", CLIP_OHMS), ("TA", "TB", 1000.0)),
        (),
        (),
        (("TA", "TB", 0.2 / 1000.0, 50.0, 0.0),),
    )
    made = circuit(net)
    made.run_to(100_000)
    made.look()
    made.run_to(140_000)
    times = np.array([t for t, _ in made.trace])
    v = np.array([x for _, x in made.trace])
    index = made.netlist.index
    across = v[:, index["AIN1"]] - v[:, index["AIN2"]]
    fine = np.linspace(times[0], times[-1], 4000)
    course = np.interp(fine, times, across)
    rms = math.sqrt(np.mean((course - course.mean()) ** 2))
    load = 1 / (1 / 1000.0 + 1 / (2 * 470e3 + 1e4))
    ideal = 0.2 * load / 1000.0 / math.sqrt(2) / math.hypot(1.0, 2 * math.pi * 50 * 44e3 * (4.7e-9 + 235e-12 + 150e-12))
    assert rms == pytest.approx(ideal, rel=0.003)
