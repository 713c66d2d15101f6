"""Isolation and contact against a circuit solved by hand: conductances at the nodes, in exact arithmetic of doubles."""

from probecore import contact, isolation

REFERENCE = 1500.0
LEG_A = 4330.0
LEG_B = 4325.5
SUPPLY = 3.3
CHASSIS_DRIVE = 52350.0  # both jaws


def circuit(u_leg=0.0058):
    return isolation.Circuit(REFERENCE, LEG_B, u_leg, SUPPLY, 0.005, 1.15e-6, 3.71e-6)


def solve(conductances, sources, nodes):
    """Solve a small network. conductances: (node, node or None, siemens); sources: (node, volts, siemens)."""
    size = len(nodes)
    matrix = [[0.0] * (size + 1) for _ in range(size)]
    for one, other, siemens in conductances:
        for node, far in ((one, other), (other, one)):
            if node is not None:
                row = matrix[nodes.index(node)]
                row[nodes.index(node)] += siemens
                if far is not None:
                    row[nodes.index(far)] -= siemens
    for node, volts, siemens in sources:
        row = matrix[nodes.index(node)]
        row[nodes.index(node)] += siemens
        row[size] += volts * siemens
    for pivot in range(size):
        for row in range(size):
            if row != pivot:
                factor = matrix[row][pivot] / matrix[pivot][pivot]
                for column in range(size + 1):
                    matrix[row][column] -= factor * matrix[pivot][column]
    return {node: matrix[i][size] / matrix[i][i] for i, node in enumerate(nodes)}


def state(rail, chassis, element, leaks, lead_b_gain):
    """Return what the converter reads. element: ohms or None; leaks: (position from lead a, ohms)."""
    conductances = []
    nodes = ["F+", "F-", "C"]
    previous = "F+"
    previous_x = 0.0
    for index, (x, ohms) in enumerate(leaks):
        if element is None or x <= 0 or x >= 1:
            conductances.append(("F+" if x < 0.5 else "F-", "C", 1 / ohms))
            continue
        node = "E%d" % index
        nodes.append(node)
        conductances.append((previous, node, 1 / (element * (x - previous_x))))
        conductances.append((node, "C", 1 / ohms))
        previous = node
        previous_x = x
    if element is not None:
        conductances.append((previous, "F-", 1 / (element * (1 - previous_x))))
    sources = [
        ("F+", rail, 1 / (REFERENCE + LEG_A)),
        ("F-", rail, 1 / LEG_B),
        ("C", chassis, 1 / CHASSIS_DRIVE),
    ]
    volts = solve(conductances, sources, nodes)
    over_reference = (volts["F+"] - rail) * REFERENCE / (REFERENCE + LEG_A)

    def counts(value, gain):
        return round(value * gain * 8388608 / SUPPLY)

    return isolation.State(
        counts(over_reference, 4),
        min(8388607, counts(volts["F-"], lead_b_gain)),
        counts(volts["F+"] - volts["F-"], 4),
        round(volts["C"] * 1e6),
    )


def measure(element, leaks, known_ohms=None):
    polarities = {1: [], -1: []}
    for rail, gain, sign in ((0.0, 4, 1), (SUPPLY * 0.9978, 1, -1)):
        quiet = state(rail, rail, element, leaks, gain)
        toggled = state(rail, SUPPLY - rail, element, leaks, gain)
        polarities[sign].append(isolation.polarity(quiet, toggled, gain, sign, circuit()))
    assert not isolation.held(polarities[1] + polarities[-1])
    return isolation.combine(polarities, known_ohms if element else None, 0.3, circuit())


def test_a_leak_is_found_with_its_place():
    for ohms in (1e3, 4e4, 1e6, 2e7):
        for x in (0.0, 0.25, 0.5, 1.0):
            found = measure(1100.0, [(x, ohms)], 1100.0)
            assert not found.a.greater and found.separable
            assert abs(found.a.ohms - ohms) < 2 * found.a.u_ohms + 0.003 * ohms, (ohms, x, found)
            assert abs(found.position - x) < 0.02, (ohms, x, found)
            assert found.a == found.b


def test_an_open_element_tells_the_leads_apart():
    found = measure(None, [(0.0, 4e4), (1.0, 5e6)])
    assert abs(found.a.ohms - 4e4) < 2 * found.a.u_ohms + 100
    assert abs(found.b.ohms - 5e6) < 2 * found.b.u_ohms + 5e4
    found = measure(None, [(1.0, 2e6)])
    assert found.a.greater and abs(found.b.ohms - 2e6) < 2 * found.b.u_ohms


def test_nothing_to_find_gives_a_limit_and_its_reason():
    found = measure(1100.0, [(0.5, 1e12)], 1100.0)
    assert found.a.greater and found.a.ohms == isolation.LARGEST_LIMIT_OHMS and found.a.reason == isolation.BY_NOISE
    assert found.position is None and not found.separable
    found = measure(1100.0, [(0.5, 7e7)], 1100.0)
    assert found.a.greater and found.a.reason == isolation.BY_CLAIM
    assert isolation.CLAIM_OHMS <= found.a.ohms <= 7.2e7


def test_a_short_between_the_leads_has_no_place():
    found = measure(0.5, [(0.5, 1e5)], 0.0)
    assert not found.separable and abs(found.a.ohms - 1e5) < 2 * found.a.u_ohms + 300


def test_polarities_that_disagree_widen_the_uncertainty():
    polarities = {
        1: [isolation.Polarity(3.2, 0.01, 0.01, 2e-6, 2e-6, 1e-9, 1e-9)],
        -1: [isolation.Polarity(3.2, 0.01, 0.01, 1e-6, 1e-6, 1e-9, 1e-9)],
    }
    found = isolation.combine(polarities, 1100.0, 0.3, circuit())
    assert found.a.u_ohms > abs(found.positive_ohms - found.negative_ohms) / 4


def test_a_held_chassis_is_noticed():
    held = isolation.Polarity(0.001, 0, 0, 0, 0, 1e-9, 1e-9)
    free = isolation.Polarity(3.2, 0, 0, 0, 0, 1e-9, 1e-9)
    assert isolation.held([free, held]) and not isolation.held([free])


def jaws(ohms, offset_microvolts=0):
    """Return what the monitor reads both ways: two drivers of 4.73 k, bleeds of 235 k to the middle, 100 k each."""
    readings = []
    for up, down in ((SUPPLY, 0.0), (0.0, SUPPLY)):
        sources = [
            ("C", up, 1 / 4730.0),
            ("C", SUPPLY / 2, 1 / 235000.0),
            ("J", down, 1 / 4730.0),
            ("J", SUPPLY / 2, 1 / 235000.0),
        ]
        conductances = [("C", "1", 1e-5), ("J", "2", 1e-5), ("1", "2", 1 / ohms)]
        volts = solve(conductances, sources, ["C", "J", "1", "2"])
        readings.append(round((volts["1"] - volts["2"]) * 1e6) + offset_microvolts)
    return readings


def test_contact_resistance():
    for ohms in (0.1, 1.0, 50.0, 99.0, 1000.0, 100000.0):
        forward, reverse = jaws(ohms, offset_microvolts=80)
        found = contact.jaw_ohms(forward, reverse, SUPPLY, 4730.0, 235000.0, 100000.0)
        assert abs(found - ohms) < 0.002 * ohms + 0.1, (ohms, found)
    forward, reverse = jaws(1e9)
    assert contact.jaw_ohms(forward, reverse, SUPPLY, 4730.0, 235000.0, 100000.0) is None


def test_contact_is_proven_by_resistance_and_by_following():
    assert contact.judge(0.5, 2900000, 400000).proven
    assert not contact.judge(150.0, 2900000, 400000).proven
    assert not contact.judge(None, 2900000, 400000).proven
    assert not contact.judge(0.5, 20000, 10000).proven
