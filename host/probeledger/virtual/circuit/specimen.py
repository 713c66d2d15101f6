"""One built tester: the values that its parts really have, drawn from their tolerances with a seed."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from .description import TesterDescription

# Share of the analogue inputs that the ADC, the rail and the clamps are drawn for.
ADC_INPUTS = ("AIN0", "AIN1", "AIN2", "AIN3", "REFP0", "REFN0")
DRIVE_PINS = ("A_PIN", "B_PIN", "H_PIN", "C_PIN", "J_PIN")


@dataclass(frozen=True)
class AdcErrors:
    """Hold one ADC's own errors: offset [V] by gain, relative gain error by gain, INL shape, input currents.

    `inl_odd` and `inl_even` are peaks relative to full scale; `input_amps_*` are a current into each pin at
    mid-supply [A] and `input_siemens_bypass` its slope [S]; `clock` and `reference` are relative errors.
    """

    offset_volts: dict[int, float]
    gain_error: dict[int, float]
    inl_odd: float
    inl_even: float
    input_amps_pga: dict[str, float]
    input_amps_bypass: dict[str, float]
    input_siemens_bypass: dict[str, float]
    clock: float
    reference: float
    sensor_celsius: float
    monitor_gain: float
    burn_out_amps: float
    idac: float


@dataclass(frozen=True)
class Specimen:
    """Hold the part values of one tester at 23 degrees C and their drift with temperature.

    `values` are relative deviations by part reference, `tempco_per_k` the parts' own coefficients [1/K].
    """

    seed: int
    values: dict[str, float]
    tempco_per_k: dict[str, float]
    diode_scale: dict[str, tuple[float, float]]
    pin_leakage_amps: dict[str, float]
    driver_ohms: dict[str, tuple[float, float]]
    adc: AdcErrors
    supply: float
    supply_wander_volts: float
    ambient_error_celsius: float
    cell_gain: float
    noise: bool = True
    clock_drift_ppm: float = field(default=0.0)


NOMINAL_CELSIUS = 23.0
# Of what the converter's sheet gives as a typical curve only, from 0.3 to 3 times typical is drawn (no source).
LEAST_SPREAD = 0.3
MOST_SPREAD = 3.0
# Sampling switches of one converter's inputs are alike within this, relative (no source).
UNLIKE_INPUTS = 0.10


def nominal(description: TesterDescription) -> Specimen:
    """Return a tester whose every part has its nominal value, with an ideal, noiseless ADC: for exact checks."""
    gains = (1, 2, 4, 8, 16, 32, 64, 128)
    zero_inputs = dict.fromkeys(ADC_INPUTS, 0.0)
    adc = AdcErrors(
        offset_volts=dict.fromkeys(gains, 0.0),
        gain_error=dict.fromkeys(gains, 0.0),
        inl_odd=0.0,
        inl_even=0.0,
        input_amps_pga=zero_inputs,
        input_amps_bypass=zero_inputs,
        input_siemens_bypass=zero_inputs,
        clock=0.0,
        reference=0.0,
        sensor_celsius=0.0,
        monitor_gain=0.0,
        burn_out_amps=float(description.chips["adc"]["burn_out_microamps"]) * 1e-6,
        idac=0.0,
    )
    ohms = float(description.chips["microcontroller"]["gpio_output_ohms"])
    return Specimen(
        seed=0,
        values={p.ref: 0.0 for p in description.parts},
        tempco_per_k={p.ref: 0.0 for p in description.parts},
        diode_scale={p.ref: (1.0, 1.0) for p in description.parts if p.kind == "clamp"},
        pin_leakage_amps=dict.fromkeys(DRIVE_PINS, 0.0),
        driver_ohms=dict.fromkeys(DRIVE_PINS, (ohms, ohms)),
        adc=adc,
        supply=0.0,
        supply_wander_volts=0.0,
        ambient_error_celsius=0.0,
        cell_gain=0.0,
        noise=False,
    )


def _spread(rng: np.random.Generator) -> float:
    """Draw a factor, each octave as likely."""
    return float(np.exp(rng.uniform(np.log(LEAST_SPREAD), np.log(MOST_SPREAD))))


def draw(description: TesterDescription, seed: int) -> Specimen:
    """Draw one tester's parts.

    Of a part only its limits are known, so each value between them is as likely (JCGM 101:2008, 6.4.2.1: a rectangular
    distribution where nothing but a lower and an upper limit is given). The same seed gives the same tester.
    """
    rng = np.random.default_rng([seed, 0x7E57])

    def within(limit: float) -> float:
        return float(rng.uniform(-limit, limit))

    adc = description.chips["adc"]
    mcu = description.chips["microcontroller"]
    values: dict[str, float] = {}
    tempcos: dict[str, float] = {}
    for part in description.parts:
        values[part.ref] = within(part.tolerance)
        tempcos[part.ref] = within(part.tempco_ppm_per_k * 1e-6)
    gains = (1, 2, 4, 8, 16, 32, 64, 128)
    # Offsets and gain errors of the gains hang together; each gain adds a little of its own.
    offset = within(2.0 * float(adc["offset_microvolts"]) * 1e-6)
    gain = within(2.0 * float(adc["gain_error"]))
    inl = abs(within(1.0))
    inl_peak = 1e-6 * (
        float(adc["inl_ppm_full_scale"])
        + inl * (float(adc["inl_ppm_full_scale_max"]) - float(adc["inl_ppm_full_scale"]))
    )
    split = float(rng.uniform(0.2, 0.9))

    # Bypassed, the slope is that of the sampling capacitor that all inputs share; their switches make them unlike.
    slope = float(adc["input_current_nanoamps_per_volt_bypass"]) * 1e-9 * _spread(rng)

    def current(typical: float) -> float:
        return float(typical * _spread(rng) * rng.choice([-1.0, 1.0]))

    errors = AdcErrors(
        offset_volts={g: offset / g**0.5 + within(0.5e-6) for g in gains},
        gain_error={g: gain + within(0.2 * float(adc["gain_error"])) for g in gains},
        inl_odd=float(rng.choice([-1.0, 1.0])) * split * inl_peak,
        inl_even=float(rng.choice([-1.0, 1.0])) * (1.0 - split) * inl_peak,
        input_amps_pga={n: current(float(adc["input_current_nanoamps_pga"]) * 1e-9) for n in ADC_INPUTS},
        input_amps_bypass={n: current(float(adc["input_current_nanoamps_bypass"]) * 1e-9) for n in ADC_INPUTS},
        input_siemens_bypass={n: slope * (1.0 + within(UNLIKE_INPUTS)) for n in ADC_INPUTS},
        clock=within(float(adc["clock_tolerance"])),
        reference=within(0.001),
        sensor_celsius=within(1.0),
        monitor_gain=within(2.0 * float(adc["monitor_gain_error"])),
        burn_out_amps=float(adc["burn_out_microamps"]) * 1e-6 * (1.0 + within(0.1)),
        idac=within(0.02),
    )
    leak = float(mcu["gpio_leakage_microamps_max"]) * 1e-6
    ohms = float(mcu["gpio_output_ohms"])
    return Specimen(
        seed=seed,
        values=values,
        tempco_per_k=tempcos,
        diode_scale={p.ref: (1.0 + within(0.2), 1.0 + within(0.2)) for p in description.parts if p.kind == "clamp"},
        # Real pins leak far less than the guaranteed maximum; a tenth of it covers nearly all of them.
        pin_leakage_amps={pin: within(0.1 * leak) for pin in DRIVE_PINS},
        driver_ohms={pin: (ohms * (1.0 + within(0.2)), ohms * (1.0 + within(0.2))) for pin in DRIVE_PINS},
        adc=errors,
        supply=within(0.01),
        supply_wander_volts=0.0003,
        ambient_error_celsius=within(0.1),
        cell_gain=within(0.01),
    )
