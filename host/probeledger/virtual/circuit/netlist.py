"""The node equations of the tester with a probe network: conductances, capacitances, sources, diodes.

A configuration (which pins drive, where the switch stands, what is clipped on) is assembled once into matrices and
kept; alternating between two of them then costs nothing but a product.

Node equations: C dv/dt + G v + i_diodes(v) = s(t). Ground is not a row. A voltage source V behind R ohms is
entered as the conductance 1/R and the current V/R.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np
import numpy.typing as npt

from .description import TesterDescription
from .specimen import DRIVE_PINS, NOMINAL_CELSIUS, Specimen

Array = npt.NDArray[np.float64]

# Nodes of the probe's side: clip terminals, harness ends, element ends, a tap inside the element, chassis, earth.
PROBE_NODES = ("TA", "TB", "HA", "HB", "EA", "EB", "X", "CHASSIS", "EARTH")
# 10 Tohm from every node to ground keeps a floating node defined; 1e-13 S of 1e-7 S is a ppm of 10 Mohm.
GROUND_LEAK_SIEMENS = 1e-13
# Rail of the regulator: stiff, and unable to sink (it only lets the load take what is pumped in).
REGULATOR_SIEMENS = 20.0
LOAD_AMPS = {"awake": 0.025, "asleep": 0.002, "off": 0.0}
OFF_RAIL_SIEMENS = 1e-6
SHUNT_SIEMENS = 2.0
# Input protection diodes inside the converter (and the switch): silicon, from no data sheet; 0.9 V at 2 mA. They
# matter in overload only.
INPUT_DIODE_AMPS = 1e-18
INPUT_DIODE_EMISSION = 1.0
INPUT_DIODE_OHMS = 20.0
INPUT_DIODE_DOUBLES_K = 9.0
INPUT_DIODE_NETS = ("AIN0", "AIN1", "AIN2", "AIN3", "REFP0", "TAP2")
# Stray capacitance from the tester in its case to earth.
STRAY_FARADS = 20e-12
BOLTZMANN_OVER_CHARGE = 8.617333262e-5  # V/K (CODATA 2018)
# Diodes below this saturation current carry nothing worth counting until they see 0.2 V forward.
SILICON_AMPS = 1e-10
SILICON_FORWARD_VOLTS = 0.2


@dataclass(frozen=True)
class Network:
    """Hold what hangs on the clips, as elements between named nodes.

    `structure` identifies which elements there are, `key` also their values; `resistors` are (node, node, ohm),
    `capacitors` (node, node, farad), `currents` (into, out of, ampere), `alternating` (into, out of, peak ampere,
    hertz, phase in radian); `element` lists the resistors that are the sensor's element.
    """

    structure: tuple[Any, ...] = ()
    key: tuple[Any, ...] = ()
    resistors: tuple[tuple[str, str, float], ...] = ()
    capacitors: tuple[tuple[str, str, float], ...] = ()
    currents: tuple[tuple[str, str, float], ...] = ()
    alternating: tuple[tuple[str, str, float, float, float], ...] = ()
    element: tuple[tuple[str, str, float], ...] = ()


OPEN_CLIPS = Network(structure=("open",), key=("open",))


@dataclass
class Devices:
    """Hold the nonlinear devices: all diodes, and last the rail's limits.

    `rows` maps node voltages to the voltage across each device; below `quiet_volts` a device is as good as off: a
    Schottky carries its constant reverse current to 5e-5 of it, a silicon diode nothing. The rail's row is its own
    voltage.
    """

    rows: Array
    quiet_volts: Array
    saturation_amps: Array
    emission_volts: Array
    series_ohms: Array
    reverse_amps: Array  # constant reverse currents, into the nodes

    @property
    def rail(self) -> int:
        """Return the index of the rail among the devices."""
        return len(self.saturation_amps)


class Inverse:
    """Hold the inverse of a linear part, and what the devices need of it once one of them conducts."""

    def __init__(self, matrix: Array, devices: Devices) -> None:
        self.matrix = np.asarray(np.linalg.inv(matrix), dtype=np.float64)
        # What the Schottky clamps' constant reverse currents do to every node.
        self.reverse: Array = self.matrix @ devices.reverse_amps
        self._devices = devices
        self._columns: Array | None = None
        self._excerpts: dict[tuple[int, ...], tuple[Array, Array]] = {}

    def excerpt(self, active: tuple[int, ...]) -> tuple[Array, Array]:
        """Return for some devices the resistances [ohm] between them, and from them to every node."""
        found = self._excerpts.get(active)
        if found is None:
            if self._columns is None:
                self._columns = self.matrix @ self._devices.rows.T
            columns = self._columns[:, active]
            found = (self._devices.rows[list(active)] @ columns, columns)
            self._excerpts[active] = found
        return found


@dataclass
class Configuration:
    """Hold one assembled state of the circuit and what has been computed from it so far."""

    conductance: Array
    source: Array
    alternating: tuple[tuple[Array, float, float], ...]
    powered: bool
    capacitance: Array
    inverse: Inverse
    step_inverses: dict[int, Inverse] = field(default_factory=dict)
    direct: Array | None = None
    direct_supply_volts: float = -1.0


class Netlist:
    """Assemble the equations of one tester at one temperature.

    Args: `description` and `specimen` give the parts; `celsius` is the temperature of the tester's inside.
    """

    def __init__(self, description: TesterDescription, specimen: Specimen, celsius: float) -> None:
        self.description = description
        self.specimen = specimen
        self.celsius = celsius
        names = [n for n in description.nets if n != "GND"]
        if "REFN0" not in names:
            names.append("REFN0")
        names += list(PROBE_NODES)
        self.names = tuple(names)
        self.index: dict[str, int] = {name: i for i, name in enumerate(names)}
        self.index["GND"] = -1
        self.size = len(names)
        self.rail = self.index["3V3"]
        self.supply_volts = description.supply_volts * (1.0 + specimen.supply)
        self.shunt_volts = 1e9
        self._fixed = GROUND_LEAK_SIEMENS * np.eye(self.size)
        self._capacitance = np.zeros((self.size, self.size))
        for part in description.parts:
            value = part.value * (1.0 + specimen.values.get(part.ref, 0.0))
            if part.kind == "resistor":
                value *= 1.0 + specimen.tempco_per_k.get(part.ref, 0.0) * (celsius - NOMINAL_CELSIUS)
                self._stamp(self._fixed, part.nets[0], part.nets[1], 1.0 / value)
            elif part.kind == "capacitor":
                self._stamp(self._capacitance, part.nets[0], part.nets[1], value)
            elif part.kind == "shunt":
                self.shunt_volts = part.value
        # The cable's capacitance, half of it on the force wires and half on the sense wires.
        cable = 0.5 * description.cable_metres * description.cable_farads_per_metre
        for a, b in (("F+", "F-"), ("S+", "S-"), ("JAW1", "JAW2")):
            self._stamp(self._capacitance, a, b, cable)
        self._stamp(self._capacitance, "EARTH", "GND", STRAY_FARADS)
        self.devices = self._collect_devices()
        self._driven: dict[tuple[object, ...], tuple[Array, Array]] = {}

    def _stamp(self, matrix: Array, a: str, b: str, value: float) -> None:
        i, j = self.index[a], self.index[b]
        if i >= 0:
            matrix[i, i] += value
        if j >= 0:
            matrix[j, j] += value
        if i >= 0 and j >= 0:
            matrix[i, j] -= value
            matrix[j, i] -= value

    def _collect_devices(self) -> Devices:
        kelvin = self.celsius + 273.15
        rows: list[tuple[str, str, float, float, float]] = []

        def add(anode: str, cathode: str, amps: float, emission: float, ohms: float, doubles: float) -> None:
            scaled = amps * 2.0 ** ((self.celsius - 25.0) / doubles)
            rows.append((anode, cathode, scaled, emission * BOLTZMANN_OVER_CHARGE * kelvin, ohms))

        for part in self.description.parts:
            if part.kind != "clamp":
                continue
            model = self.description.diodes[part.part]
            low, high = self.specimen.diode_scale.get(part.ref, (1.0, 1.0))
            below, node, above = part.nets
            args = (model.emission, model.series_ohms, model.doubles_every_k)
            add(below, node, model.saturation_amps * low, *args)
            add(node, above, model.saturation_amps * high, *args)
        for net in INPUT_DIODE_NETS:
            args = (INPUT_DIODE_EMISSION, INPUT_DIODE_OHMS, INPUT_DIODE_DOUBLES_K)
            add("GND", net, INPUT_DIODE_AMPS, *args)
            add(net, "3V3", INPUT_DIODE_AMPS, *args)
        matrix = np.zeros((len(rows) + 1, self.size))
        reverse = np.zeros(self.size)
        quiet = []
        for k, (anode, cathode, amps, volts, _ohms) in enumerate(rows):
            schottky = amps > SILICON_AMPS
            quiet.append(-10.0 * volts if schottky else SILICON_FORWARD_VOLTS)
            for net, sign in ((anode, 1.0), (cathode, -1.0)):
                if net != "GND":
                    matrix[k, self.index[net]] += sign
                    reverse[self.index[net]] += sign * amps if schottky else 0.0
        matrix[-1, self.rail] = 1.0
        return Devices(
            matrix,
            np.array([*quiet, self.shunt_volts]),
            np.array([r[2] for r in rows]),
            np.array([r[3] for r in rows]),
            np.array([r[4] for r in rows]),
            reverse,
        )

    def assemble(
        self,
        drivers: dict[str, str],
        jaw_select: int,
        power: str,
        network: Network,
        injected_amps: dict[str, float],
    ) -> Configuration:
        """Build the matrices of one state.

        Args: `drivers` gives each drive pin "high", "low", "off", "up" (pull-up) or "down"; `jaw_select` the
        switch; `power` "awake", "asleep" or "off"; `network` what is clipped on; `injected_amps` currents
        that the ADC's own sources feed into pins [A by net].
        """
        key = (tuple(drivers.values()), jaw_select, power)
        if key not in self._driven:
            self._driven[key] = self._drive(drivers, jaw_select, power)
        g, s = (matrix.copy() for matrix in self._driven[key])
        for a, b, ohms in network.resistors:
            self._stamp(g, a, b, 1.0 / ohms)
        for into, out_of, amps in network.currents:
            self._inject(s, into, out_of, amps)
        for net, amps in injected_amps.items():
            self._inject(s, net, "GND", amps)
        waves = []
        for into, out_of, amps, hertz, phase in network.alternating:
            vector = np.zeros(self.size)
            self._inject(vector, into, out_of, amps)
            waves.append((vector, 2.0 * np.pi * hertz * 1e-6, phase))
        capacitance = self._capacitance
        if network.capacitors:
            capacitance = capacitance.copy()
            for a, b, farads in network.capacitors:
                self._stamp(capacitance, a, b, farads)
        powered = power != "off"
        inverse = Inverse(g, self.devices)
        return Configuration(g, s, tuple(waves), powered, capacitance, inverse)

    def _drive(self, drivers: dict[str, str], jaw_select: int, power: str) -> tuple[Array, Array]:
        g = self._fixed.copy()
        s = np.zeros(self.size)
        powered = power != "off"
        index = self.index
        mcu = self.description.chips["microcontroller"]
        if powered:
            g[self.rail, self.rail] += REGULATOR_SIEMENS
        else:
            g[self.rail, self.rail] += OFF_RAIL_SIEMENS
        s[self.rail] -= LOAD_AMPS[power]
        for pin in DRIVE_PINS:
            state = drivers.get(pin, "off") if powered else "off"
            low_ohms, high_ohms = self.specimen.driver_ohms[pin]
            if state == "high":
                self._stamp(g, pin, "3V3", 1.0 / high_ohms)
            elif state == "low":
                self._stamp(g, pin, "GND", 1.0 / low_ohms)
            else:
                if powered:
                    s[index[pin]] += self.specimen.pin_leakage_amps[pin]
                if state == "up":
                    self._stamp(g, pin, "3V3", 1.0 / float(mcu["gpio_pull_ohms"]))
                elif state == "down":
                    self._stamp(g, pin, "GND", 1.0 / float(mcu["gpio_pull_ohms"]))
        switch_siemens = 1.0 / float(self.description.chips["switch"]["on_ohms"])
        if powered:
            self._stamp(g, "REFN0", "TAP2" if jaw_select else "GND", switch_siemens)
        return g, s

    def _inject(self, s: Array, into: str, out_of: str, amps: float) -> None:
        i, j = self.index[into], self.index[out_of]
        if i >= 0:
            s[i] += amps
        if j >= 0:
            s[j] -= amps
