"""The analogue side of the board: the circuit followed through time, with the world's changes on the way.

The circuit is followed lazily: it catches up when a pin changes, a conversion begins or ends, or a level is read.
"""

from __future__ import annotations

import math
import random
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING

import numpy as np

from .description import TesterDescription
from .probe import Probe
from .solver import LEAD_IN_US, Circuit
from .specimen import Specimen

if TYPE_CHECKING:
    from ..chips.ads1220 import Weight
    from ..world import World

# The inside of the case follows the room with about this time constant (own estimate).
CASE_TAU_S = 900.0
# RP2040 data sheet, section 5.5.3: input levels at 3.3 V.
LOW_VOLTS, HIGH_VOLTS = 0.8, 2.0


class FrontEnd:
    """Give pins and converter the voltages of the circuit, and carry the world's changes into it.

    Args: `description`, `specimen` and `world` as for the board.
    """

    def __init__(self, description: TesterDescription, specimen: Specimen, world: World) -> None:
        self._world = world
        self._specimen = specimen
        self._celsius = world.ambient_celsius if world.tester_celsius is None else world.tester_celsius
        self._celsius_us = 0
        self.circuit = Circuit(description, specimen, self._celsius)
        self.probe = Probe()
        self._half_window_us = 0.0
        self._seen_version = -1
        self._levels: dict[str, int] = {}
        self._random = random.Random(specimen.seed ^ 0x5A1) if specimen.noise else None

    # ------------------------------------------------------------ following the world

    def notice(self) -> None:
        """Take over what the world changed since the last look, at the present time."""
        if self._world.version != self._seen_version:
            self.circuit.run_to(self._world.now_us)
            self._heat()
            self._seen_version = self._world.version
            self._renew()

    def _renew(self) -> None:
        at = self.circuit.time_us
        self.circuit.set_network(self.probe.network(self._world, at, at + self._half_window_us))

    def sync(self, time_us: int) -> None:
        """Let the circuit catch up to a time [us], with contacts opening and closing on the way."""
        circuit, world = self.circuit, self._world
        if circuit.trace is None and time_us - circuit.time_us > 2 * LEAD_IN_US:
            circuit.run_to(time_us - LEAD_IN_US)
            self._renew()
        while circuit.time_us < time_us:
            change = world.next_change_us(circuit.time_us)
            if change > time_us:
                circuit.run_to(time_us)
                return
            circuit.run_to(int(change))
            self._renew()

    def disturb(self) -> None:
        """Catch up before a pin or source changes."""
        self.notice()
        self.sync(self._world.now_us)
        self._heat()

    def _heat(self) -> None:
        element = self.probe.element_of(self._world)
        if element is not None:
            self.probe.heat(element, self.circuit.element_watts(), self.circuit.time_us)

    # ------------------------------------------------------------ what the converter asks

    @property
    def celsius(self) -> float:
        """Return the temperature inside the case [degrees C]."""
        world = self._world
        if world.tester_celsius is not None:
            self._celsius = world.tester_celsius
        else:
            elapsed_s = (world.now_us - self._celsius_us) * 1e-6
            self._celsius += (world.ambient_celsius - self._celsius) * -math.expm1(-elapsed_s / CASE_TAU_S)
        self._celsius_us = world.now_us
        return self._celsius

    @property
    def avdd_volts(self) -> float:
        """Return the supply's mean since `look` [V]."""
        return self.circuit.means(("3V3",))[0]

    def look(self, duration_us: float) -> None:
        """Begin to watch for `duration_us` [us]: the probe is as warm as it will be in the middle of that time."""
        self._half_window_us = duration_us / 2.0
        self.disturb()
        self.circuit.set_celsius(self.celsius)
        if self._random is not None and self.circuit.settled:
            # The supply wanders from one conversion to the next, not within: a model of what matters of it.
            wander = self._specimen.supply_wander_volts
            self.circuit.supply_offset_volts = self._random.gauss(0.0, wander)
        self._renew()
        self.circuit.look()

    def look_away(self) -> None:
        """Stop watching."""
        self.circuit.look_away()

    def means(
        self, nets: Sequence[str], weight: Weight | None, loads: Mapping[str, tuple[float, float]]
    ) -> list[float]:
        """Return the nets' weighted means since `look` [V], lowered by the currents into the loaded pins.

        Args: `loads` gives a net the current into its pin at mid-supply [A] and the slope of that current [S].
        """
        volts = np.array(self.circuit.means(nets, weight))
        amps = np.array([loads.get(n, (0.0, 0.0))[0] for n in nets])
        siemens = np.array([loads.get(n, (0.0, 0.0))[1] for n in nets])
        if amps.any() or siemens.any():
            z = self.circuit.source_ohms(nets)
            middle = self.avdd_volts / 2.0
            volts = np.linalg.solve(np.eye(len(nets)) + z * siemens, volts - z @ (amps - siemens * middle))
        return [float(v) for v in volts]

    def inject(self, amps: dict[str, float]) -> None:
        """Feed the converter's own sources into pins [A by net]."""
        if amps != self.circuit.injected_amps:
            self.disturb()
            self.circuit.set_injection(amps)

    # ------------------------------------------------------------ what the pins ask

    def set_driver(self, net: str, state: str) -> None:
        """Set a drive pin's state in the circuit."""
        if self.circuit.drivers[net] != state:
            self.disturb()
            self.circuit.set_driver(net, state)

    def set_jaw_select(self, value: int) -> None:
        """Set the analogue switch."""
        if self.circuit.jaw_select != value:
            self.disturb()
            self.circuit.set_jaw_select(value)

    def set_power(self, power: str) -> None:
        """Set the supply's state."""
        if self.circuit.power != power:
            self.disturb()
            self.circuit.set_power(power)

    def level(self, net: str) -> int:
        """Return the logic level of a net now; between the thresholds it stays what it was."""
        self.disturb()
        volts = self.circuit.volts(net)
        if volts >= HIGH_VOLTS:
            self._levels[net] = 1
        elif volts <= LOW_VOLTS:
            self._levels[net] = 0
        return self._levels.get(net, 0)
