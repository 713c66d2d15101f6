"""Voltages at the converter's inputs for many testers: the virtual tester's own node equations, solved once a state.

A probe of any resistance is a change of one element, for which the inverse of the open circuit is enough (Sherman and
Morrison): v = v_open - z (u v_open) / (R + u z), with z the column of the inverse for the two ends of the probe.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from probeledger.virtual.circuit.description import TesterDescription
from probeledger.virtual.circuit.netlist import LOAD_AMPS, REGULATOR_SIEMENS, Netlist, Network
from probeledger.virtual.circuit.specimen import DRIVE_PINS, Specimen

# Levels of the pins A, B and H by (range, direction), as in firmware/measure/frontend.py.
STATES = {
    ("low", 1): {"A_PIN": "high", "B_PIN": "low"},
    ("low", -1): {"A_PIN": "low", "B_PIN": "high"},
    ("high", 1): {"H_PIN": "high", "B_PIN": "low"},
    ("high", -1): {"H_PIN": "low", "B_PIN": "high"},
}
# The converter's inputs in the order of truth.INPUTS, then the probe's ends and the supply.
NETS = ("AIN3", "AIN0", "AIN1", "AIN2", "TA", "TB", "3V3")
CONTACT_OHMS = 0.05
CLIPS = Network(
    ("clips",),
    ("clips",),
    tuple((clip, end, CONTACT_OHMS) for clip, end in (("F+", "TA"), ("S+", "TA"), ("S-", "TB"), ("F-", "TB"))),
)
_ENDS = np.array([0.0, 0.0, 0.0, 0.0, 1.0, -1.0, 0.0])


@dataclass(frozen=True)
class State:
    """One tester driven in one direction, its clips open: `ohms` between NETS, shape (7, 7), and their `volts`."""

    ohms: np.ndarray
    volts: np.ndarray

    def with_probe(self, probe_ohms: float) -> tuple[np.ndarray, np.ndarray]:
        """Return the volts of NETS with a probe, shape (7,), and the resistances between them, shape (7, 7) [ohm]."""
        column = self.ohms @ _ENDS
        through = probe_ohms + column @ _ENDS
        return (
            self.volts - column * (_ENDS @ self.volts) / through,
            self.ohms - np.outer(column, column) / through,
        )

    def inputs(self, probe_ohms: float, amps: np.ndarray, siemens: np.ndarray) -> tuple[np.ndarray, float]:
        """Return the voltages of reference (T minus F+) and probe (S+ minus S-), shape (2,), and the supply [V].

        amps, siemens: current into each of the four inputs at mid-supply [A], and its slope [S]; only the two that are
        being read draw theirs.
        """
        volts, ohms = self.with_probe(probe_ohms)
        supply = float(volts[6])
        read = np.empty(2)
        for index, pair in enumerate((slice(0, 2), slice(2, 4))):
            z = ohms[pair, pair]
            loaded = volts[pair] - z @ (amps[pair] - siemens[pair] * supply / 2.0)
            loaded = np.linalg.solve(np.eye(2) + z * siemens[pair], loaded)
            read[index] = loaded[0] - loaded[1]
        return read, supply


def states(description: TesterDescription, specimen: Specimen, celsius: float) -> dict[tuple[str, int], State]:
    """Solve one tester at a temperature [degC] in both ranges and directions, the clips open."""
    netlist = Netlist(description, specimen, celsius)
    index = [netlist.index[net] for net in NETS]
    found = {}
    for key, levels in STATES.items():
        drivers = {pin: levels.get(pin, "off") for pin in DRIVE_PINS}
        made = netlist.assemble(drivers, 0, "awake", CLIPS, {})
        source = made.source.copy()
        source[netlist.rail] += REGULATOR_SIEMENS * netlist.supply_volts + LOAD_AMPS["awake"]
        # Clamps are in reverse: their constant currents are all that they carry (the solver does the same).
        volts = made.inverse.matrix @ source + made.inverse.reverse
        found[key] = State(made.inverse.matrix[np.ix_(index, index)], volts[index])
    return found
