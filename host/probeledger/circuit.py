"""The tester's circuit as the host knows it: hardware/tester.toml, from the source tree or from the wheel."""

import functools
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
    if high_range:
        # Pin A is off; its bleeds still hang on T and carry a sixth of the current at 10 kohm.
        bleeds = joined((supply, ohms("RB_A1")), (0.0, ohms("RB_A2")))
        near = joined(
            (supply, ohms("RH") + ohms("RG_H") + output),
            (bleeds[0], bleeds[1] + ohms("RP_A")),
        )
    else:
        near = driver(supply, "A")
    return (near[0] - far[0]) / (near[1] + ohms("R_REF") + probe_ohms + far[1])


def noise_volts(rate_hz: float, gain: int) -> float:
    """Return the converter's typical input noise [V rms] at a data rate [1/s] and a gain of 1, 2, 4 or more."""
    table = description()["chips"]["adc"]["noise_microvolts"]
    rate = min(table, key=lambda key: abs(float(key) - rate_hz))
    column = {1: 0, 2: 1}.get(gain, 2)
    return float(table[rate][column]) * 1e-6


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
