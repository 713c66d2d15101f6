"""What a drawn tester really is, beyond the parts' values: effects that the budget knows only as bounds.

Parts, the converter's offset and gain, its input currents and its largest nonlinearity come from `specimen.draw`, that
is from the tolerances in hardware/tester.toml, each value within the limits as likely (JCGM 101:2008, 6.4.2.1). What is
drawn here has no source but the figures named beside it, and is stated so that a reader can object:

    nonlinearity    a smooth curve of second to seventh order (Legendre; random coefficients that fall as 1/order), its
                    largest deviation from the best straight line that of the specimen, 6 to 15 ppm of full scale; half
                    of its variance common to all of a converter's settings, half of each gain and amplifier setting
    input currents  the specimen's, and with the amplifier on a part that changes with the input's voltage: 0.3 to 3
                    times 0.15 nA per volt, either sign, each input its own. All grow with temperature, by a factor of 2
                    (amplifier on) or 1.55 (bypassed) over 25 K, to a power of 0.5 to 1.5
    noise           0.8 to 1.2 times the sheet's typical figure
    supply          wanders by the specimen's 0.3 mV between conversions; 5 % of that is not followed by the converter's
                    reference in time
    drift           anything within 50 ppm after a year, growing as a power of time of 0.3 to 1; the age is anything up
                    to a year
    thermometer     the specimen's error; the resistor is within 1 K of the chip, in another way at each use
    clips           bite anywhere within 2 mohm; warm from the hand, they make up to 20 uV that fade within 3 to 100 s;
                    draughts add a voltage that wanders by up to 1 uV within 0.3 to 10 s
    references      normal, as their certificates state
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.polynomial import legendre

from probeledger.virtual.circuit import specimen as specimens
from probeledger.virtual.circuit.description import TesterDescription
from probeledger.virtual.circuit.specimen import Specimen

ORDERS = range(2, 8)
# Growth of the input currents over 25 K, from simulation with the sheet's curves (SBAS501, figures 16-26).
GROWTH_KELVIN = 25.0
GROWTH_AMPLIFIED = 2.0
GROWTH_BYPASSED = 1.55
SHEET_CELSIUS = 25.0
SUPPLY_SHARE = 0.05
DRIFT_PPM_AFTER_A_YEAR = 50.0
GRADIENT_KELVIN = 1.0
CLIP_MILLIOHMS = 2.0
HAND_MICROVOLTS = 20.0
DRAUGHT_MICROVOLTS = 1.0

INPUTS = ("AIN3", "AIN0", "AIN1", "AIN2")

Setting = tuple[int, bool]


def _smooth_curve(rng: np.random.Generator) -> np.ndarray:
    """Return Legendre coefficients of a curve without offset and slope, its variance over the scale one."""
    coefficients = np.zeros(max(ORDERS) + 1)
    for order in ORDERS:
        coefficients[order] = rng.normal() / order
    # The mean square of a Legendre polynomial over the scale is 1 / (2 n + 1).
    variance = np.sum(coefficients**2 / (2.0 * np.arange(len(coefficients)) + 1.0))
    return np.asarray(coefficients / np.sqrt(variance))


_SCALE = np.linspace(-1.0, 1.0, 401)


@dataclass(frozen=True)
class Truth:
    """One tester's own effects.

    `linearity` gives Legendre coefficients by (gain, bypassed), relative to full scale; `amps` and `siemens` are each
    input's current at mid-supply [A] and its slope [S] at 25 degrees C, by bypassed; `growth` their factor per kelvin;
    `drift` the relative change of the reference resistor since the calibration, `years` ago.
    """

    specimen: Specimen
    linearity: dict[Setting, np.ndarray]
    amps: dict[bool, np.ndarray]
    siemens: dict[bool, np.ndarray]
    growth: dict[bool, float]
    noise_factor: float
    years: float
    drift: float

    def current_factor(self, bypassed: bool, celsius: float) -> float:
        """Return by how much the input currents have grown at a temperature [1]."""
        return float(self.growth[bypassed] ** (celsius - SHEET_CELSIUS))

    def bent(self, share: np.ndarray, setting: Setting) -> np.ndarray:
        """Return what the converter makes of voltages, as shares of full scale [1]."""
        return share + np.asarray(legendre.legval(share, self.linearity[setting]))


def draw(description: TesterDescription, specimen: Specimen, settings: tuple[Setting, ...]) -> Truth:
    """Draw one tester's effects; the same specimen has the same."""
    rng = np.random.default_rng([specimen.seed, 0xC0FE])
    errors = specimen.adc
    peak = abs(errors.inl_odd) + abs(errors.inl_even)
    common = _smooth_curve(rng)
    linearity = {}
    for setting in settings:
        curve = common + _smooth_curve(rng)
        linearity[setting] = curve * peak / np.max(np.abs(legendre.legval(_SCALE, curve)))
    figures = description.chips["adc"]
    amplified = float(figures["input_current_nanoamps_pga"]) * 1e-9

    def spread() -> float:
        return float(np.exp(rng.uniform(np.log(specimens.LEAST_SPREAD), np.log(specimens.MOST_SPREAD))))

    siemens = {
        False: np.array([amplified * spread() * rng.choice([-1.0, 1.0]) for _ in INPUTS]),
        True: np.array([errors.input_siemens_bypass[pin] for pin in INPUTS]),
    }
    growth = {
        bypassed: float(factor ** (rng.uniform(0.5, 1.5) / GROWTH_KELVIN))
        for bypassed, factor in ((False, GROWTH_AMPLIFIED), (True, GROWTH_BYPASSED))
    }
    years = float(rng.uniform(0.0, 1.0))
    after_a_year = 1e-6 * float(rng.uniform(-DRIFT_PPM_AFTER_A_YEAR, DRIFT_PPM_AFTER_A_YEAR))
    return Truth(
        specimen=specimen,
        linearity=linearity,
        amps={
            False: np.array([errors.input_amps_pga[pin] for pin in INPUTS]),
            True: np.array([errors.input_amps_bypass[pin] for pin in INPUTS]),
        },
        siemens=siemens,
        growth=growth,
        noise_factor=float(rng.uniform(0.8, 1.2)),
        years=years,
        drift=after_a_year * years ** float(rng.uniform(0.3, 1.0)),
    )


def thermal_volts(rng: np.random.Generator, times_s: np.ndarray) -> np.ndarray:
    """Draw the thermal voltage of one clipping-on at rising times [V]: warm clips that cool, and draughts."""
    warm = rng.uniform(-HAND_MICROVOLTS, HAND_MICROVOLTS)
    fades_s = np.exp(rng.uniform(np.log(3.0), np.log(100.0)))
    spread = rng.uniform(0.0, DRAUGHT_MICROVOLTS)
    wanders_s = np.exp(rng.uniform(np.log(0.3), np.log(10.0)))
    kept = np.exp(-np.diff(times_s) / wanders_s)
    draught = np.empty(len(times_s))
    value = rng.normal()
    draught[0] = value
    news = rng.normal(size=len(times_s) - 1) * np.sqrt(1.0 - kept**2)
    for index in range(1, len(times_s)):
        value = value * kept[index - 1] + news[index - 1]
        draught[index] = value
    return np.asarray((warm * np.exp(-times_s / fades_s) + spread * draught) * 1e-6)
