"""The circuit in time: direct-current solution, diodes by Newton, capacitors by an implicit integrator.

After a change (a pin, a contact) the state runs on in steps that grow with the time since, by a two-stage
diagonally implicit method of second order that damps what is faster than the step (Alexander, SIAM J. Numer. Anal.
14, 1977); once within a nanovolt of the direct-current solution it is taken as settled, and time then costs nothing.
Steps are powers of two of a microsecond, so that their matrices can be kept. With an alternating source
it never settles; long stretches that nobody looks at are skipped.

Diodes enter through the voltages across them: with Z the inverse of the linear part, v = v_linear - Z i(v) is solved
for the few that conduct. While none does, which is nearly always, a solution is one matrix product.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence

import numpy as np

from .conduction import ConvergenceError, conduct
from .description import TesterDescription
from .netlist import (
    LOAD_AMPS,
    OPEN_CLIPS,
    REGULATOR_SIEMENS,
    SHUNT_SIEMENS,
    Array,
    Configuration,
    Inverse,
    Netlist,
    Network,
)
from .specimen import DRIVE_PINS, Specimen

GAMMA = 1.0 - math.sqrt(0.5)
SETTLED_VOLTS = 1e-9
DEVICE_ROUNDS = 30
KEPT_CONFIGURATIONS = 64
# How long before a look the waves are followed when a stretch is skipped: longer than any time constant.
LEAD_IN_US = 60_000
# Steps a period of an alternating source, at least.
STEPS_PER_PERIOD = 64


class Circuit:
    """Solve one tester with what is clipped on it, in simulated time.

    Args: `description` and `specimen` give the parts, `celsius` the temperature of the tester's inside.
    """

    def __init__(self, description: TesterDescription, specimen: Specimen, celsius: float = 23.0) -> None:
        self.description = description
        self.specimen = specimen
        self.netlist = Netlist(description, specimen, celsius)
        self.drivers: dict[str, str] = dict.fromkeys(DRIVE_PINS, "off")
        self.jaw_select = 0
        self.power = "off"
        self.network = OPEN_CLIPS
        self.injected_amps: dict[str, float] = {}
        self.supply_offset_volts = 0.0
        self.time_us = 0
        self.settled = False
        self.solves = 0
        self.trace: list[tuple[int, Array]] | None = None
        self._changed_us = 0
        self._kept: dict[object, Configuration] = {}
        self._now: Configuration | None = None
        self._v: Array = np.zeros(self.netlist.size)
        self._wave_step_us = 0
        self._conducting: set[int] = set()
        self._rail_limits = 0
        self._logarithms = np.zeros(self.netlist.devices.rail)

    # ------------------------------------------------------------ changes

    def set_celsius(self, celsius: float) -> None:
        """Set the temperature of the tester's inside [degrees C]; small moves leave the state settled."""
        if abs(celsius - self.netlist.celsius) < 0.02:
            return
        self.netlist = Netlist(self.description, self.specimen, celsius)
        self._kept.clear()
        self._now = None
        if not self.settled:
            self._changed_us = self.time_us

    def set_driver(self, pin: str, state: str) -> None:
        """Set a drive pin's state: "high", "low", "off", "up" or "down"."""
        if self.drivers[pin] != state:
            self.drivers[pin] = state
            self._disturbed()

    def set_jaw_select(self, value: int) -> None:
        """Set the analogue switch: 0 puts REFN0 on ground, 1 on jaw 2."""
        if self.jaw_select != value:
            self.jaw_select = value
            self._disturbed()

    def set_power(self, power: str) -> None:
        """Set the supply: "awake", "asleep" or "off"."""
        if power not in LOAD_AMPS:
            raise ValueError(f"no such supply state: {power}")
        if self.power != power:
            self.power = power
            self._disturbed()

    def set_injection(self, amps: dict[str, float]) -> None:
        """Set the currents that the ADC's own sources feed into pins [A by net]."""
        if self.injected_amps != amps:
            self.injected_amps = dict(amps)
            self._disturbed()

    def set_network(self, network: Network) -> None:
        """Set what is clipped on; where only values creep, a settled circuit stays settled."""
        if network.key == self.network.key:
            return
        same = network.structure == self.network.structure
        self.network = network
        if same and self.settled:
            self._now = None
        else:
            self._disturbed()

    def _disturbed(self) -> None:
        self._now = None
        self.settled = False
        self._changed_us = self.time_us

    def _configuration(self) -> Configuration:
        if self._now is None:
            key = (
                tuple(self.drivers.values()),
                self.jaw_select,
                self.power,
                self.network.key,
                tuple(sorted(self.injected_amps.items())),
            )
            found = self._kept.get(key)
            if found is None:
                if len(self._kept) >= KEPT_CONFIGURATIONS:
                    self._kept.clear()
                found = self.netlist.assemble(
                    self.drivers, self.jaw_select, self.power, self.network, self.injected_amps
                )
                self._kept[key] = found
            self._now = found
            waves = found.alternating
            fastest = max((w[1] for w in waves), default=0.0)
            self._wave_step_us = 0
            if waves:
                self._wave_step_us = 1 << int(math.log2(2.0 * math.pi / fastest / STEPS_PER_PERIOD))
        return self._now

    # ------------------------------------------------------------ solutions

    @property
    def supply_volts(self) -> float:
        """Return the voltage that the regulator aims at [V]."""
        return self.netlist.supply_volts + self.supply_offset_volts

    def direct(self) -> Array:
        """Return the direct-current solution of the present state, one voltage a node [V]."""
        now = self._configuration()
        if now.direct is not None and now.direct_supply_volts == self.supply_volts:
            return now.direct
        s = self._with_supply(now, now.source)
        now.direct = self._nonlinear(now, now.inverse, now.inverse.matrix @ s)
        now.direct_supply_volts = self.supply_volts
        return now.direct

    def _with_supply(self, now: Configuration, source: Array) -> Array:
        if not now.powered:
            return source
        s = source.copy()
        # At its nominal load the rail sits at its nominal voltage.
        s[self.netlist.rail] += REGULATOR_SIEMENS * self.supply_volts + LOAD_AMPS[self.power]
        return s

    def _source_at(self, now: Configuration, base: Array, at_us: float) -> Array:
        for vector, omega, phase in now.alternating:
            base = base + vector * math.cos(omega * at_us + phase)
        return base

    def _nonlinear(self, now: Configuration, inverse: Inverse, linear: Array) -> Array:
        """Return the node voltages [V] with the devices, from those of the linear part alone."""
        self.solves += 1
        devices = self.netlist.devices
        base = linear + inverse.reverse
        quiet = devices.quiet_volts
        rail = devices.rail
        no_sink = self._no_sink_volts(now)
        quiet[rail] = min(no_sink, self.netlist.shunt_volts)
        loud = devices.rows @ base > quiet
        if not loud.any():
            return base
        # Solve for those that conducted last, then look whether another one has to join or the rail is elsewhere.
        active = set(self._conducting)
        limits = self._rail_limits if now.powered else 2 * (self._rail_limits > 0)
        for _ in range(DEVICE_ROUNDS):
            order = [*sorted(active), rail] if limits else sorted(active)
            v = base
            if order:
                resistances, columns = inverse.excerpt(tuple(order))
                law = self._rail_law(now, limits) if limits else None
                amps = conduct(devices, order, resistances, devices.rows[order] @ base, law, self._logarithms)
                v = base - columns @ amps
            across = devices.rows @ v
            joining = {int(k) for k in np.flatnonzero(across[:rail] > quiet[:rail])} - active
            volts = float(across[rail])
            fitting = 0
            if volts > self.netlist.shunt_volts:
                fitting = 2
            elif volts > no_sink:
                fitting = 1
            if not joining and fitting == limits:
                self._conducting = {k for k in active if across[k] > quiet[k]}
                self._rail_limits = limits
                return v
            active |= joining
            limits = fitting
        raise ConvergenceError("the circuit has no solution; a value in the scenario is out of all range")

    def _no_sink_volts(self, now: Configuration) -> float:
        """Return the rail voltage [V] at which the regulator delivers nothing more."""
        if not now.powered:
            return math.inf
        return self.supply_volts + LOAD_AMPS[self.power] / REGULATOR_SIEMENS

    def _rail_law(self, now: Configuration, limits: int) -> tuple[float, float]:
        """Return slope [S] and offset [A] of the current that the rail's limits add, out of the rail."""
        siemens = offset = 0.0
        if now.powered:
            # The regulator cannot sink: what the linear part lets it sink is given back.
            siemens -= REGULATOR_SIEMENS
            offset += REGULATOR_SIEMENS * self._no_sink_volts(now)
        if limits == 2:
            siemens += SHUNT_SIEMENS
            offset -= SHUNT_SIEMENS * self.netlist.shunt_volts
        return siemens, offset

    # ------------------------------------------------------------ time

    def run_to(self, time_us: int) -> None:
        """Let the circuit run on to a time [us]."""
        while self.time_us < time_us:
            now = self._configuration()
            if self.settled and not now.alternating:
                self.time_us = time_us
                self._v = self.direct()
                self._note()
                return
            left = time_us - self.time_us
            if self.trace is None and left > 2 * LEAD_IN_US:
                # Nobody looks: start from the direct-current state a while before.
                self.time_us = time_us - LEAD_IN_US
                self._v = self.direct()
                self.settled = not now.alternating
                self._changed_us = min(self._changed_us, self.time_us - LEAD_IN_US)
                continue
            limit = max((self.time_us - self._changed_us) // 2, 1)
            if self._wave_step_us:
                limit = min(limit, self._wave_step_us)
            step = 1 << (min(limit, left).bit_length() - 1)
            self._step(now, step)
            if not now.alternating and self.time_us - self._changed_us > 100:
                away = float(np.max(np.abs(self._v - self.direct())))
                if away < SETTLED_VOLTS:
                    self._v = self.direct()
                    self.settled = True

    def _step(self, now: Configuration, step_us: int) -> None:
        span_s = GAMMA * step_us * 1e-6
        inverse = now.step_inverses.get(step_us)
        c = now.capacitance / span_s
        if inverse is None:
            inverse = Inverse(now.conductance + c, self.netlist.devices)
            now.step_inverses[step_us] = inverse
        start = self._v
        supplied = self._with_supply(now, now.source)
        source = self._source_at(now, supplied, self.time_us + GAMMA * step_us)
        stage = self._nonlinear(now, inverse, inverse.matrix @ (source + c @ start))
        base = start + (stage - start) * ((1.0 - GAMMA) / GAMMA)
        source = self._source_at(now, supplied, self.time_us + step_us)
        self._v = self._nonlinear(now, inverse, inverse.matrix @ (source + c @ base))
        self.time_us += step_us
        self._note()

    def _note(self) -> None:
        if self.trace is not None:
            self.trace.append((self.time_us, self._v))

    def look(self) -> None:
        """Begin to keep the voltages from now on (a conversion begins)."""
        if self.settled and not self._configuration().alternating:
            self._v = self.direct()
        self.trace = [(self.time_us, self._v)]

    def look_away(self) -> None:
        """Stop keeping the voltages."""
        self.trace = None

    def means(self, nets: Sequence[str], weight: Callable[[Array], Array] | None = None) -> list[float]:
        """Return the mean voltages [V] of some nets since `look`, weighted over the window from 0 to 1.

        Args: `weight` maps an array of fractions of the window to relative weights; None weighs evenly.
        """
        trace = self.trace or [(self.time_us, self._v)]
        index = [self.netlist.index[n] for n in nets]
        if len(trace) == 2 and trace[0][1] is trace[1][1]:
            return [float(trace[1][1][i]) if i >= 0 else 0.0 for i in index]
        times = np.array([t for t, _ in trace], dtype=float)
        span = times[-1] - times[0]
        if span <= 0:
            return [float(trace[-1][1][i]) if i >= 0 else 0.0 for i in index]
        values = np.array([[v[i] if i >= 0 else 0.0 for i in index] for _, v in trace])
        return [float(x) for x in _weighted(times, values, span, weight)]

    def volts(self, net: str) -> float:
        """Return the voltage of a net now [V]."""
        if self.settled and not self._configuration().alternating:
            self._v = self.direct()
        i = self.netlist.index[net]
        return float(self._v[i]) if i >= 0 else 0.0

    def source_ohms(self, nets: Sequence[str]) -> Array:
        """Return the resistance matrix [ohm] that the circuit shows at some nets (clamps taken as open)."""
        now = self._configuration()
        index = [self.netlist.index[n] for n in nets]
        return now.inverse.matrix[np.ix_(index, index)]

    def element_watts(self) -> float:
        """Return the power in the element now [W]."""
        total = 0.0
        for a, b, ohms in self.network.element:
            total += (self.volts(a) - self.volts(b)) ** 2 / ohms
        return total


def _weighted(times: Array, values: Array, span: float, weight: Callable[[Array], Array] | None) -> Array:
    """Return the weighted means of piecewise linear courses given at `times` [us]."""
    if weight is None:
        return np.asarray(np.trapezoid(values, times, axis=0) / span)
    # The weight moves faster than the steps may be: sample it finely, the course by interpolation.
    fine = np.linspace(times[0], times[-1], 801)
    w = weight((fine - times[0]) / span)
    w = w / np.trapezoid(w, fine)
    columns = [np.trapezoid(w * np.interp(fine, times, values[:, k]), fine) for k in range(values.shape[1])]
    return np.array(columns)
