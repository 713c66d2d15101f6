"""What the tests of the uncertainty budget share: a calibration and readings of a resistor."""

import numpy as np

from probecore import calibration as calibrations
from probecore import counts
from probecore.curves import curve
from probeledger import circuit

PT1000 = curve("pt1000-3850")
REFERENCE_OHMS = 1500.0

# A tester against references of 0.01 % (k = 2), invented.
CALIBRATED = circuit.uncalibrated()._replace(
    id="c-1",
    state=calibrations.CALIBRATED,
    offset_ohms=0.012,
    gain=1.000_21,
    u_offset_ohms=0.008,
    u_gain=50e-6,
    high_gain=0.9995,
    high_offset_siemens=2.1e-9,
    u_high_gain=3e-4,
    u_high_offset_siemens=1.2e-9,
    celsius=23.0,
    tempco_ppm_per_k=10.0,
    u_linearity_ohms=0.012,
)


def readings_of(ohms, number=4, gain=4, noise_counts=0.0, seed=1, high_range=False):
    """Return readings of a resistor, with the loop's nominal current."""
    rng = np.random.default_rng(seed)
    volts = circuit.excitation_amps(ohms, high_range) * REFERENCE_OHMS
    reference = volts / circuit.full_scale_volts(gain) * (counts.FULL_SCALE_COUNTS + 1)
    probe = reference * ohms / REFERENCE_OHMS
    made = []
    for _ in range(number):
        reading = [0] * 8
        for index in range(4):
            reading[counts.REFERENCE_POSITIONS[index]] = counts.REFERENCE_SIGNS[index] * reference
            reading[counts.PROBE_POSITIONS[index]] = counts.PROBE_SIGNS[index] * probe
        made.append([round(count + rng.normal(0.0, noise_counts)) for count in reading])
    return made
