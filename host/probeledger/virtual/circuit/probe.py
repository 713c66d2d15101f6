"""What is clipped on, turned into a network: clips, leads, harness, element, leak, foreign voltage, pick-up.

Formulas of the element stand here once more, written down apart from the program's own curves, so that the virtual
tester checks those instead of repeating them.
Sources: platinum 3850: IEC 60751:2008, equation of clause 4.2; 3750 and 3916: coefficient sets of makers' data sheets
(3916 from memory); thermistor: the two-parameter beta equation.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from ..scenario import Element, Harness, Scenario
from .netlist import Network

if TYPE_CHECKING:
    from ..world import World

_PLATINUM = {
    "3850": (3.9083e-3, -5.775e-7, -4.183e-12),
    "3750": (3.8102e-3, -6.01888e-7, -6.0e-12),
    "3916": (3.9739e-3, -5.870e-7, -4.4e-12),
}
# Below this relative change the element keeps its value, so that the solver keeps its matrices: 0.2 mohm at 1 kohm.
CREEP = 2e-7
SHORTED_OHMS = 1e-4
BENCH_JAW_OHMS = 0.05
USB_EARTH_OHMS = 1.0

Resistors = list[tuple[str, str, float]]


def element_ohms(element: Element, celsius: float) -> float:
    """Return the resistance [ohm] of a sound element at a temperature [degrees C]."""
    family = element.curve.rsplit("-", 1)[-1]
    if family in _PLATINUM:
        a, b, c = _PLATINUM[family]
        ratio = 1.0 + a * celsius + b * celsius**2
        if celsius < 0.0:
            ratio += c * (celsius - 100.0) * celsius**3
        return element.r0_ohms * ratio
    if element.curve == "ntc-beta":
        return element.r0_ohms * math.exp(element.beta_kelvin * (1.0 / (celsius + 273.15) - 1.0 / 298.15))
    return element.r0_ohms


class Probe:
    """Follow the element's own warmth and build the network that the circuit sees at a time."""

    def __init__(self) -> None:
        self.self_heating_kelvin = 0.0
        self._heated_us = 0
        self._ohms = 0.0

    def heat(self, element: Element, watts: float, now_us: int) -> None:
        """Let the element's self-heating follow the power in it: `watts` [W] since the last call, up to `now_us`."""
        elapsed_s = max(now_us - self._heated_us, 0) * 1e-6
        self._heated_us = now_us
        aim = watts * 1e3 * element.self_heating_kelvin_per_milliwatt
        share = -math.expm1(-elapsed_s / element.self_heating_tau_s)
        self.self_heating_kelvin += (aim - self.self_heating_kelvin) * share

    def element_of(self, world: World) -> Element | None:
        """Return the element that is clipped on now, or None."""
        if world.scenario is None or world.place is None:
            return None
        new = world.place in ("new-part", "after-fitting")
        return world.scenario.new_part if new else world.scenario.element

    def network(self, world: World, at_us: float, warm_at_us: float | None = None) -> Network:
        """Build the network on the clips at a time [us], with the element as warm as at `warm_at_us` [us]."""
        resistors: Resistors = []
        structure: list[object] = [world.version]
        currents: list[tuple[str, str, float]] = []
        alternating: list[tuple[str, str, float, float, float]] = []
        capacitors: list[tuple[str, str, float]] = []
        warmed: Resistors = []
        scenario = world.scenario
        lost = world.lost_clip
        contact = 0.02
        if scenario is not None and world.place is not None:
            contact = scenario.clips.contact_ohms
            lost = lost or (scenario.clips.lost if scenario.clips.lost != "none" else None)
        if world.place is not None or world.bench is not None:
            for clip, terminal in (("F+", "TA"), ("S+", "TA"), ("S-", "TB"), ("F-", "TB")):
                if clip != lost:
                    resistors.append((clip, terminal, contact))
        if world.bench is not None:
            if math.isfinite(world.bench.ohms):
                resistors.append(("TA", "TB", max(world.bench.ohms, SHORTED_OHMS)))
            if world.bench.to_chassis_ohms is not None:
                resistors.append(("TA", "CHASSIS", max(world.bench.to_chassis_ohms, SHORTED_OHMS)))
        elif scenario is not None and world.place is not None:
            element = self.element_of(world)
            assert element is not None
            warmed = self._probe(
                world, scenario, element, (at_us, at_us if warm_at_us is None else warm_at_us),
                resistors, currents, structure,
            )  # fmt: skip
            self._disturbances(world, scenario, resistors, currents, alternating, capacitors)
        self._chassis(world, scenario, resistors)
        return Network(
            structure=tuple(structure),
            key=(*structure, tuple(resistors), tuple(currents), tuple(alternating), tuple(capacitors)),
            resistors=tuple(resistors),
            capacitors=tuple(capacitors),
            currents=tuple(currents),
            alternating=tuple(alternating),
            element=tuple(warmed),
        )

    # ------------------------------------------------------------ pieces

    def _probe(
        self,
        world: World,
        scenario: Scenario,
        element: Element,
        times_us: tuple[float, float],
        resistors: Resistors,
        currents: list[tuple[str, str, float]],
        structure: list[object],
    ) -> Resistors:
        at_us, warm_at_us = times_us
        new = world.place in ("new-part", "after-fitting")
        wired = world.place in ("control-end", "after-fitting")
        harness = Harness() if new and scenario.harness.repaired else scenario.harness
        near = {"a": "HA", "b": "HB"} if wired else {"a": "TA", "b": "TB"}
        extra = {("sensor", "a"): 0.0, ("sensor", "b"): 0.0, ("harness", "a"): 0.0, ("harness", "b"): 0.0}
        if harness.series_ohms > 0.0:
            where = "sensor" if harness.end == "sensor" else "harness"
            if not (new and where == "sensor"):
                extra[where, harness.lead] += harness.series_ohms
        joint = scenario.intermittent
        opened: tuple[str, str] | None = None
        if joint is not None and not (new and (joint.where == "sensor" or scenario.harness.repaired)):
            seconds = (at_us - world.arrived_us) * 1e-6
            if joint.is_open(seconds) and (joint.when == "always" or world.bent):
                if math.isfinite(joint.step_ohms):
                    extra[joint.where, joint.lead] += joint.step_ohms
                elif joint.where == "sensor" or wired:
                    opened = (joint.where, joint.lead)
                structure.append("joint")
        for lead, terminal, end in (("a", "TA", "EA"), ("b", "TB", "EB")):
            if wired and opened != ("harness", lead):
                resistors.append((terminal, near[lead], harness.ohms_each + extra["harness", lead]))
            if opened != ("sensor", lead):
                ohms = element.lead_ohms + extra["sensor", lead]
                resistors.append((near[lead], end, ohms))
                if lead == "a" and element.emf_microvolts:
                    currents.append((near[lead], end, element.emf_microvolts * 1e-6 / ohms))
        celsius = world.element_celsius(warm_at_us) + self.self_heating_kelvin
        ohms = element_ohms(element, celsius)
        if abs(ohms - self._ohms) > CREEP * ohms:
            self._ohms = ohms
        leak = None if new and scenario.leak is not None and scenario.leak.where == "sensor" else scenario.leak
        tap = leak.position if leak is not None and leak.where == "sensor" else None
        warmed = self._element(element, self._ohms, tap)
        resistors += warmed
        if element.fault == "short":
            resistors.append(("EA", "EB", element.short_ohms))
        if leak is not None:
            if leak.where == "sensor":
                resistors.append((self._tap(leak.position), "CHASSIS", leak.ohms))
            elif wired and not (new and scenario.harness.repaired):
                resistors.append((near["a"] if leak.position == 0.0 else near["b"], "CHASSIS", leak.ohms))
        return warmed

    @staticmethod
    def _tap(position: float) -> str:
        return "EA" if position == 0.0 else "EB" if position == 1.0 else "X"

    def _element(self, element: Element, ohms: float, tap: float | None) -> Resistors:
        """Cut the element at the leak's tap and at its break, and return the pieces that conduct."""
        points = [(0.0, "EA"), (1.0, "EB")]
        if tap is not None and 0.0 < tap < 1.0:
            points.insert(1, (tap, "X"))
        pieces: Resistors = []
        for (low, a), (high, b) in zip(points, points[1:], strict=False):
            broken = element.fault == "open" and low <= element.open_position <= high
            # A break just at a tap counts to the piece behind it, so that only one piece goes.
            if broken and element.open_position == high and high < 1.0:
                broken = False
            if not broken:
                pieces.append((a, b, ohms * (high - low)))
        return pieces

    def _disturbances(
        self,
        world: World,
        scenario: Scenario,
        resistors: Resistors,
        currents: list[tuple[str, str, float]],
        alternating: list[tuple[str, str, float, float, float]],
        capacitors: list[tuple[str, str, float]],
    ) -> None:
        node = {"a": "TA", "b": "TB", "chassis": "CHASSIS", "earth": "EARTH"}
        foreign = scenario.foreign
        if foreign is not None and world.place in foreign.places:
            into, out_of = (node[p] for p in foreign.between)
            resistors.append((into, out_of, foreign.source_ohms))
            if foreign.dc_volts:
                currents.append((into, out_of, foreign.dc_volts / foreign.source_ohms))
            if foreign.ac_volts:
                peak_amps = math.sqrt(2.0) * foreign.ac_volts / foreign.source_ohms
                alternating.append((into, out_of, peak_amps, foreign.hertz, 0.4))
        pickup = scenario.pickup
        if pickup is not None and world.place != "new-part":
            farads = pickup.picofarads * 1e-12
            # A live wire behind a small capacitor is a current source with that capacitor beside it.
            peak_amps = math.sqrt(2.0) * pickup.mains_volts * 2.0 * math.pi * pickup.hertz * farads
            alternating.append((node[pickup.lead], "EARTH", peak_amps, pickup.hertz, 1.1))
            capacitors.append((node[pickup.lead], "EARTH", farads))

    def _chassis(self, world: World, scenario: Scenario | None, resistors: Resistors) -> None:
        if world.usb_plugged:
            resistors.append(("EARTH", "GND", USB_EARTH_OHMS))
        if world.chassis_clipped:
            chassis = scenario.chassis if scenario is not None else None
            if chassis is None or world.place == "new-part":
                # A bare part, or the resistor's end on the bench: clean metal.
                resistors.append(("JAW1", "CHASSIS", BENCH_JAW_OHMS))
                resistors.append(("JAW2", "CHASSIS", BENCH_JAW_OHMS))
            elif not chassis.painted:
                resistors.append(("JAW1", "CHASSIS", chassis.jaw_1_ohms))
                resistors.append(("JAW2", "CHASSIS", chassis.jaw_2_ohms))
        if scenario is not None and world.place != "new-part" and scenario.chassis.earthed:
            resistors.append(("CHASSIS", "EARTH", scenario.chassis.earth_ohms))
