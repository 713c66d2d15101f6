"""The tester's circuit as the host knows it: hardware/tester.toml, from the source tree or from the wheel."""

import functools
import math
import tomllib
from typing import Any

from probecore import calibration
from probeledger.resources import tester_file

# A domestic oven's sensor in a room, and the gain at which it is read: for these a calibration's linearity holds.
TYPICAL_PROBE_OHMS = 1100.0
TYPICAL_GAIN = 4


@functools.cache
def description() -> dict[str, Any]:
    """Return the parsed tester.toml. Raises ResourceError where the installation lacks it."""
    with tester_file().open("rb") as handle:
        return tomllib.load(handle)


def _part(reference: str) -> dict[str, Any]:
    found: dict[str, Any] = next(part for part in description()["parts"] if part["ref"] == reference)
    return found


def excitation_amps(probe_ohms: float, high_range: bool = False) -> float:
    """Return the current through a probe [A].

    Args:
        probe_ohms: its resistance [ohm].
        high_range: driven through the 100-kohm resistor instead of the low range's.
    """
    near, far = _drives(high_range)
    return (near[0] - far[0]) / (near[1] + float(_part("R_REF")["ohms"]) + probe_ohms + far[1])


@functools.cache
def _drives(high_range: bool) -> tuple[tuple[float, float], tuple[float, float]]:
    """Return what drives T and what takes the current at F-, each as volts behind a resistance [ohm]."""
    supply = float(description()["tester"]["supply_volts"])
    output = float(description()["chips"]["microcontroller"]["gpio_output_ohms"])

    def ohms(reference: str) -> float:
        return float(_part(reference)["ohms"])

    def joined(*sources: tuple[float, float]) -> tuple[float, float]:
        """Return several sources on one node as one: volts [V] behind a resistance [ohm]."""
        siemens = sum(1.0 / resistance for _, resistance in sources)
        return sum(volts / resistance for volts, resistance in sources) / siemens, 1.0 / siemens

    def driver(level_volts: float, side: str) -> tuple[float, float]:
        """Return a drive pin with its bleeds, seen from behind the protection resistor."""
        bleeds = ((supply, ohms(f"RB_{side}1")), (0.0, ohms(f"RB_{side}2")))
        volts, resistance = joined((level_volts, ohms(f"RG_{side}") + output), *bleeds)
        return volts, resistance + ohms(f"RP_{side}")

    far = driver(0.0, "B")
    if not high_range:
        return driver(supply, "A"), far
    # Pin A is off; its bleeds still hang on T and carry a sixth of the current at 10 kohm.
    bleeds = joined((supply, ohms("RB_A1")), (0.0, ohms("RB_A2")))
    near = joined(
        (supply, ohms("RH") + ohms("RG_H") + output),
        (bleeds[0], bleeds[1] + ohms("RP_A")),
    )
    return near, far


def input_slopes_siemens() -> tuple[float, float]:
    """Return how the converter's input currents typically change with the input's voltage [S]: amplifier on, bypassed.

    With the amplifier on, the whole of the typical current is taken as changing within a volt.
    """
    adc = description()["chips"]["adc"]
    return (
        float(adc["input_current_nanoamps_pga"]) * 1e-9,
        float(adc["input_current_nanoamps_per_volt_bypass"]) * 1e-9,
    )


def _from_middle_volts(probe_ohms: float, high_range: bool) -> tuple[float, float, float]:
    """Return the voltages of T, F+ and F- from half the supply, forward [V]; in reverse they are the opposite."""
    amps = excitation_amps(probe_ohms, high_range)
    far = _drives(high_range)[1]
    minus = far[0] + amps * far[1] - float(description()["tester"]["supply_volts"]) / 2.0
    plus = minus + amps * probe_ohms
    return plus + amps * float(_part("R_REF")["ohms"]), plus, minus


def unlike_inputs_ohms_squared(probe_ohms: float, high_range: bool) -> float:
    """Return what slopes of the four inputs' currents, each for itself, add to a resistance [ohm per siemens].

    A current that changes with the input's voltage drops its voltage over the input's own resistor: relative to the
    voltage that is read, that is most where the pair lies far from half the supply. Root of the sum of squares.

    Args:
        probe_ohms: the resistance that is read [ohm].
        high_range: range in which it is.
    """
    amps = excitation_amps(probe_ohms, high_range)
    first, plus, minus = _from_middle_volts(probe_ohms, high_range)
    reference_ohms, series_ohms = float(_part("R_REF")["ohms"]), float(_part("RS_T")["ohms"])
    reference = math.hypot(first, plus) / (amps * reference_ohms) * probe_ohms
    return series_ohms * math.hypot(reference, math.hypot(plus, minus) / amps)


def alike_inputs_ohms_squared(probe_ohms: float) -> float:
    """Return what one slope of all four inputs' currents adds to a resistance of the high range [ohm per siemens].

    The drops over the inputs' own resistors cancel in the ratio. What is left flows in the loop: with R = Rn + Rref +
    Rx + Rf around it and I in it, the ratio moves by (Rref Rn - Rx Rf - (Rref + Rx) V / I) / R per siemens, V being the
    voltage of F+ from half the supply. Sign as that of the error; first order.

    Args:
        probe_ohms: the resistance that is read [ohm].
    """
    near, far = _drives(True)
    reference_ohms = float(_part("R_REF")["ohms"])
    _, plus, _ = _from_middle_volts(probe_ohms, True)
    loop_ohms = near[1] + reference_ohms + probe_ohms + far[1]
    moved = reference_ohms * near[1] - probe_ohms * far[1]
    moved -= (reference_ohms + probe_ohms) * plus / excitation_amps(probe_ohms, True)
    return moved / loop_ohms * probe_ohms


def noise_volts(rate_hz: float, gain: int) -> float:
    """Return the converter's typical input noise [V rms] at a data rate [1/s] and a gain of 1, 2, 4 to 128."""
    adc = description()["chips"]["adc"]
    table = adc["noise_microvolts"]
    rate = min(table, key=lambda key: abs(float(key) - rate_hz))
    index = max(int(gain), 1).bit_length() - 1
    if index < len(table[rate]):
        return float(table[rate][index]) * 1e-6
    # Of higher gains only the figures at 20 a second are known; taken to rise with the rate as at gain 1.
    high = adc["noise_microvolts_high_gain"]
    volts = float(high[min(index - len(table[rate]), len(high) - 1)]) * 1e-6
    return volts * float(table[rate][0]) / float(table["20"][0])


def full_scale_volts(gain: int) -> float:
    """Return the converter's full scale at a gain [V]; its reference is the supply."""
    return float(description()["tester"]["supply_volts"]) / gain


def linearity_volts(gain: int) -> float:
    """Return the largest deviation of the converter from a straight line at a gain [V]."""
    return float(description()["chips"]["adc"]["inl_ppm_full_scale_max"]) * 1e-6 * full_scale_volts(gain)


def u_ambient_celsius() -> float:
    """Return the standard uncertainty of the tester's own ambient sensor on its pigtail [degC]."""
    return float(description()["chips"]["ambient"]["u_celsius"])


def uncalibrated() -> calibration.Calibration:
    """Return what holds for a tester without a calibration: nominal values, the parts' tolerances."""
    reference = _part("R_REF")
    return calibration.uncalibrated(
        reference["tolerance"] * 1e6,
        reference["tempco_ppm_per_k"],
        linearity_volts(TYPICAL_GAIN) / excitation_amps(TYPICAL_PROBE_OHMS),
    )
