"""How well are the leads isolated from the chassis, and where does a leak sit?

Both ends of the probe are driven to one rail, the chassis to the same rail (quiet), then to the other (toggled). What
changes is due to the chassis alone: the leakage of pins and clamps and the converter's offset are the same both times.
The current into lead a shows on the reference resistor, the one into lead b on the drive path of pin B, whose voltage
the sense input of lead b reads. The same at the other rail gives the other polarity.

With an intact element of R ohms and a leak at the fraction x of it from lead a, where I is the whole current,

    V(F+) - V(F-) = R * (I_b - x * I)

tells x. With an open element the two leads are measured separately, both at once.

Only differences of counts become floats; they are far below 2^24 and lose nothing in a single.
"""

from collections import namedtuple

from . import maths

# What a state reads: reference resistor (F+ minus T), lead b against ground, element (S+ minus S-) [counts], and the
# chassis tap [uV].
State = namedtuple("State", ("reference", "lead_b", "element", "tap_microvolts"))

# The circuit as the computation needs it: reference and leg of pin B [ohm], u_leg relative; supply [V]; noise [V] of a
# reading at gain 4 and of lead b's; u_tap relative.
Circuit = namedtuple(
    "Circuit", ("reference_ohms", "leg_ohms", "u_leg", "supply_volts", "u_tap", "noise_volts", "noise_gain_1_volts")
)

# One polarity: voltages and currents that the toggle made, positive towards the tester.
Polarity = namedtuple("Polarity", ("chassis_volts", "a_volts", "b_volts", "a_amps", "b_amps", "u_a_amps", "u_b_amps"))

Leak = namedtuple("Leak", ("ohms", "u_ohms", "greater", "reason"))
Isolation = namedtuple("Isolation", ("a", "b", "position", "u_position", "separable", "positive_ohms", "negative_ohms"))

# Reasons of a "greater than".
BY_NOISE = "noise"
BY_CLAIM = "beyond-claim"

# Values are claimed up to the first figure, limits up to the second: beyond, humidity and dielectric absorption of
# whatever is connected rule, not the converter.
CLAIM_OHMS = 50e6
LARGEST_LIMIT_OHMS = 100e6

# What leakage of pins and clamps may change with the toggle, and absorption in the cable [A] (assumed).
_U_RESIDUE_AMPS = 5e-10

# A current has to stand this many standard uncertainties out of nothing to count as a leak.
_DETECTED = 3.0

# Below this the chassis does not follow its drive, and nothing can be said [V].
_HELD_VOLTS = 0.03

# A position is given when it is known this well.
_SEPARABLE = 0.15

_FULL_SCALE = 8388608.0
_GAIN = 4
_ROOT_2 = 1.4142135


def _volts(counts, gain, circuit):
    return counts * (circuit.supply_volts / (gain * _FULL_SCALE))


def polarity(quiet, toggled, lead_b_gain, sign, circuit):
    """Return the Polarity from two states at one rail.

    quiet, toggled: State; lead_b_gain: gain of lead b's readings; sign: 1 where the chassis was toggled up, -1 down;
    circuit: Circuit. Reference and element are read at gain 4.
    """
    b_volts = sign * _volts(toggled.lead_b - quiet.lead_b, lead_b_gain, circuit)
    element_volts = sign * _volts(toggled.element - quiet.element, _GAIN, circuit)
    a_amps = sign * _volts(toggled.reference - quiet.reference, _GAIN, circuit) / circuit.reference_ohms
    b_amps = b_volts / circuit.leg_ohms
    noise_b = circuit.noise_volts if lead_b_gain == _GAIN else circuit.noise_gain_1_volts
    u_a = _ROOT_2 * circuit.noise_volts / circuit.reference_ohms
    u_b = _ROOT_2 * noise_b / circuit.leg_ohms
    return Polarity(
        sign * (toggled.tap_microvolts - quiet.tap_microvolts) / 1e6,
        b_volts + element_volts,
        b_volts,
        a_amps,
        b_amps,
        _root_sum(u_a, _U_RESIDUE_AMPS),
        _root_sum(u_b, _U_RESIDUE_AMPS),
    )


def _root_sum(*values):
    total = 0.0
    for value in values:
        # Scaled up: the square of a picoampere would leave the range of single floats.
        scaled = value * 1e9
        total += scaled * scaled
    return maths.sqrt(total) * 1e-9


def _mean(polarities):
    """Return the mean of several polarities; the noise falls with their number."""
    count = len(polarities)
    fewer = maths.sqrt(count)
    return Polarity(
        sum([p.chassis_volts for p in polarities]) / count,
        sum([p.a_volts for p in polarities]) / count,
        sum([p.b_volts for p in polarities]) / count,
        sum([p.a_amps for p in polarities]) / count,
        sum([p.b_amps for p in polarities]) / count,
        sum([p.u_a_amps for p in polarities]) / count / fewer,
        sum([p.u_b_amps for p in polarities]) / count / fewer,
    )


def _leak(volts, u_volts, amps, u_amps):
    """Return a Leak from the voltage across it and the current through it."""
    most_amps = max(amps, 0.0) + 2 * u_amps
    limit = min(volts / most_amps, LARGEST_LIMIT_OHMS)
    if amps < _DETECTED * u_amps:
        return Leak(limit, 0.0, True, BY_NOISE)
    ohms = volts / amps
    if ohms > CLAIM_OHMS:
        return Leak(max(limit, CLAIM_OHMS), 0.0, True, BY_CLAIM)
    relative = u_amps / amps
    u_ohms = _root_sum(ohms * relative, u_volts / amps)
    return Leak(max(ohms, 0.0), u_ohms, False, None)


def held(polarities):
    """Tell whether the chassis failed to follow its drive in any polarity: something else holds it."""
    return min([p.chassis_volts for p in polarities]) < _HELD_VOLTS


def _intact(mean, element_ohms, u_element_ohms, circuit):
    """Return (Leak, position, its uncertainty) with an element of known resistance between the leads."""
    amps = mean.a_amps + mean.b_amps
    u_leg_amps = circuit.u_leg * maths.fabs(mean.b_amps)
    u_amps = _root_sum(mean.u_a_amps, mean.u_b_amps, u_leg_amps)
    position = None
    u_position = None
    # Half-way where it is not known: the two ends differ by what the element drops at most.
    leak_volts = (mean.a_volts + mean.b_volts) / 2
    if element_ohms and amps > _DETECTED * u_amps:
        element_volts = mean.a_volts - mean.b_volts
        found = (mean.b_amps - element_volts / element_ohms) / amps
        u_element_amps = _root_sum(
            _ROOT_2 * circuit.noise_volts / element_ohms,
            element_volts / element_ohms * (u_element_ohms / element_ohms),
        )
        u_position = _root_sum(u_element_amps, mean.u_b_amps, u_leg_amps, found * u_amps) / amps
        if u_position < _SEPARABLE:
            position = min(1.0, max(0.0, found))
            leak_volts = mean.a_volts + mean.a_amps * position * element_ohms
    volts = mean.chassis_volts - leak_volts
    u_volts = _root_sum(circuit.u_tap * mean.chassis_volts, circuit.u_tap * 1e-3)
    return _leak(volts, u_volts, amps, u_amps), position, u_position


def combine(polarities, element_ohms, u_element_ohms, circuit):
    """Return the Isolation from the polarities that were measured.

    polarities: dict of lists of Polarity by sign, 1 (chassis up) and -1; element_ohms: resistance between the leads
    [ohm], 0 for a short, None for an open element; u_element_ohms: its standard uncertainty [ohm]; circuit: Circuit.
    """
    every = polarities[1] + polarities[-1]
    mean = _mean(every)
    positive, _, _ = _intact(_mean(polarities[1]), None, 0.0, circuit)
    negative, _, _ = _intact(_mean(polarities[-1]), None, 0.0, circuit)
    if element_ohms is None:
        u_volts = circuit.u_tap * mean.chassis_volts
        a = _leak(mean.chassis_volts - mean.a_volts, u_volts, mean.a_amps, mean.u_a_amps)
        u_b = _root_sum(mean.u_b_amps, circuit.u_leg * mean.b_amps)
        b = _leak(mean.chassis_volts - mean.b_volts, u_volts, mean.b_amps, u_b)
        return Isolation(a, b, None, None, True, positive.ohms, negative.ohms)
    leak, position, u_position = _intact(mean, element_ohms, u_element_ohms, circuit)
    leak = _widened(leak, positive, negative)
    separable = position is not None
    return Isolation(leak, leak, position, u_position if separable else None, separable, positive.ohms, negative.ohms)


def _widened(leak, positive, negative):
    """Widen a value's uncertainty where the two polarities disagree by more than it explains (a moist leak does)."""
    if leak.greater or positive.greater or negative.greater:
        return leak
    difference = maths.fabs(positive.ohms - negative.ohms)
    expected = _root_sum(positive.u_ohms, negative.u_ohms)
    if difference <= 3 * expected:
        return leak
    # A rectangular distribution between the two (GUM 4.3.7).
    return Leak(leak.ohms, _root_sum(leak.u_ohms, difference / 3.4641016), False, None)
