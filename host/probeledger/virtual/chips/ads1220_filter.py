"""The ADS1220's digital filter at 20 SPS with 50/60 Hz rejection, as weights over one conversion.

Texas Instruments SBAS501, section 8.3.4, gives the response and not the coefficients. Our model: of all weights over
the conversion's length with double zeros at the chosen mains frequencies, those that pass the least noise. They
turn out to have the sheet's bandwidth of 13.1 Hz.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import cache

import numpy as np
import numpy.typing as npt

Array = npt.NDArray[np.float64]
Weight = Callable[[Array], Array]

# 204768 t_CLK of 4.096 MHz; a chip with another clock has its zeros elsewhere by as much.
DURATION_S = 204768 / 4_096_000
TAPS = 400


@cache
def _mains_taps(code: int) -> Array:
    """Return the filter's weights, evenly spaced over the conversion, for the register's 50/60 code."""
    t = ((np.arange(TAPS) + 0.5) / TAPS - 0.5) * DURATION_S
    rows = [np.ones(TAPS)]
    for hertz in {1: (50.0, 60.0), 2: (50.0,), 3: (60.0,)}[code]:
        omega = 2 * np.pi * hertz
        rows += [np.cos(omega * t), t / DURATION_S * np.sin(omega * t)]
    aims = np.zeros(len(rows))
    aims[0] = 1.0
    return np.asarray(np.linalg.lstsq(np.array(rows), aims, rcond=None)[0], dtype=np.float64)


def mains_weight(code: int) -> Weight:
    """Return the weight over the conversion, 0 to 1, of the 20-SPS filter with a 50/60 Hz code of 1, 2 or 3."""
    taps = _mains_taps(code)
    places = (np.arange(len(taps)) + 0.5) / len(taps)

    def weight(fraction: Array) -> Array:
        return np.interp(fraction, places, taps)

    return weight
