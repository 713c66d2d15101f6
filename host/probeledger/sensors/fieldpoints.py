"""Temperatures that a kitchen can make, each with its uncertainty line by line and its cautions.

Saturation temperature: IAPWS-IF97 (R7-97(2012)), region 4, equation 31, coefficients of table 34. Pressure at an
altitude: ISO 2533:1975, lowest layer. The kitchen's own contributions are common practice, no source.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from probecore.curves import PlatinumCurve
from probeledger.errors import InputError

# IAPWS R7-97(2012), table 34, n1 to n10; pressure in MPa, temperature in K.
_N = (
    0.11670521452767e4,
    -0.72421316703206e6,
    -0.17073846940092e2,
    0.12020824702470e5,
    -0.32325550322333e7,
    0.14915108613530e2,
    -0.48232657361591e4,
    0.40511340542057e6,
    -0.23855557567849,
    0.65017534844798e3,
)
_LOW_PASCALS, _HIGH_PASCALS = 611.213, 22.064e6

# ISO 2533:1975: sea level, lapse rate, gas constant of air, nominal radius of the earth.
_SEA_PASCALS = 101325.0
_SEA_KELVIN = 288.15
_LAPSE_KELVIN_PER_M = 6.5e-3
_GRAVITY = 9.80665
_AIR_CONSTANT = 287.05287
_EARTH_M = 6356766.0
LOW_ALTITUDE_M, HIGH_ALTITUDE_M = -430.0, 5500.0
_LOW_KITCHEN_PASCALS, _HIGH_KITCHEN_PASCALS = 45e3, 110e3

# What the weather does to the pressure, as a standard uncertainty (common practice, no source).
_U_WEATHER_PASCALS = 1000.0
_U_BAROMETER_PASCALS = 200.0


@dataclass(frozen=True)
class Line:
    """One line of a budget: what it is, its standard uncertainty [degC] and where the figure comes from."""

    label: str
    u_celsius: float
    source: str


@dataclass(frozen=True)
class FieldPoint:
    """A temperature [degC] to compare a sensor with; `ohms` only where it was read with it, in a hot pair."""

    kind: str
    celsius: float
    u_celsius: float
    lines: tuple[Line, ...]
    how: tuple[str, ...]
    cautions: tuple[str, ...]
    ohms: float | None = None
    u_ohms: float | None = None
    at_s: float | None = None


_PRACTICE = "common practice, no source"
_WATER_CAUTIONS = (
    "Take the sensor out of the oven first, with the oven switched off at the breaker; no mains on the bench.",
    "Keep the connector and the lead's open end dry: water in the sensor reads as a leak. Dry it before it goes back.",
)


def _combined(lines: Sequence[Line]) -> float:
    return math.sqrt(sum(line.u_celsius**2 for line in lines))


def saturation_celsius(pascals: float) -> float:
    """Return the temperature at which water boils.

    Args:
        pascals: absolute pressure [Pa], 611.213 to 22.064e6.

    Returns:
        Saturation temperature [degC].

    Raises:
        InputError: a pressure outside the equation's range.

    >>> round(saturation_celsius(0.1e6) + 273.15, 6)
    372.755919

    Source: IAPWS R7-97(2012), equation 31.
    """
    if not _LOW_PASCALS <= pascals <= _HIGH_PASCALS:
        raise InputError(f"A pressure of {pascals:g} Pa is outside {_LOW_PASCALS:g} to {_HIGH_PASCALS:g}; give Pa.")
    n1, n2, n3, n4, n5, n6, n7, n8, n9, n10 = _N
    beta = (pascals * 1e-6) ** 0.25
    e = beta**2 + n3 * beta + n6
    f = n1 * beta**2 + n4 * beta + n7
    g = n2 * beta**2 + n5 * beta + n8
    d = 2.0 * g / (-f - math.sqrt(f * f - 4.0 * e * g))
    return 0.5 * (n10 + d - math.sqrt((n10 + d) ** 2 - 4.0 * (n9 + n10 * d))) - 273.15


def standard_pascals(altitude_m: float) -> float:
    """Return the pressure of the standard atmosphere.

    Args:
        altitude_m: geometric altitude above sea level [m], -430 to 5500.

    Returns:
        Pressure [Pa].

    Raises:
        InputError: an altitude outside that range.

    >>> round(standard_pascals(0.0))
    101325

    Source: ISO 2533:1975, lowest layer, with its conversion to geopotential altitude.
    """
    if not LOW_ALTITUDE_M <= altitude_m <= HIGH_ALTITUDE_M:
        raise InputError(
            f"An altitude of {altitude_m:g} m is outside {LOW_ALTITUDE_M:g} to {HIGH_ALTITUDE_M:g}; give metres above "
            "sea level."
        )
    geopotential_m = _EARTH_M * altitude_m / (_EARTH_M + altitude_m)
    ratio = 1.0 - _LAPSE_KELVIN_PER_M * geopotential_m / _SEA_KELVIN
    return float(_SEA_PASCALS * ratio ** (_GRAVITY / (_AIR_CONSTANT * _LAPSE_KELVIN_PER_M)))


def ice_bath() -> FieldPoint:
    """Return the ice bath of a kitchen, its budget [degC], how it is made and its cautions.

    Returns:
        The point at 0 degC.

    Source: 0 degC is the melting point of pure ice under air at 101.325 kPa; the budget is common practice, no source.
    """
    lines = (
        Line("salts and minerals in tap-water ice", 0.05, _PRACTICE),
        Line("warm places in the bath", 0.15, _PRACTICE),
        Line("heat along the stem, sensor too shallow", 0.10, _PRACTICE),
    )
    how = (
        "Crush ice, from distilled water where there is some; fill a vacuum flask or a thick cup with it.",
        "Pour in cold water until it fills the gaps and no ice floats clear of the bottom; pour off what is too much.",
        "Put the sensor 10 cm deep, or as deep as the bath goes, into the ice; not on the wall, not on the bottom.",
        "Stir, wait until the reading stands still for two minutes, stir again and compare.",
    )
    return FieldPoint("ice", 0.0, _combined(lines), lines, how, _WATER_CAUTIONS)


def boiling_water(altitude_m: float | None = None, pascals: float | None = None) -> FieldPoint:
    """Return boiling water at an altitude or a pressure, its budget [degC] and its cautions.

    Args:
        altitude_m: altitude above sea level [m]; used where no pressure is given.
        pascals: absolute pressure at the place [Pa], 45000 to 110000, not reduced to sea level.

    Returns:
        The point.

    Raises:
        InputError: both or neither given, or a value outside its range.
    """
    if (altitude_m is None) == (pascals is None):
        raise InputError("Boiling water needs either the altitude or the pressure at the place; give one of them.")
    if altitude_m is not None:
        used, u_pascals = standard_pascals(altitude_m), _U_WEATHER_PASCALS
        label = "weather, with the pressure taken from the altitude"
    else:
        assert pascals is not None
        if not _LOW_KITCHEN_PASCALS <= pascals <= _HIGH_KITCHEN_PASCALS:
            raise InputError(
                f"A pressure of {pascals / 100:g} hPa is no pressure in a kitchen (450 to 1100); give the pressure at "
                "the place in hPa."
            )
        used, u_pascals, label = pascals, _U_BAROMETER_PASCALS, "the barometer"
    slope = (saturation_celsius(used + 50.0) - saturation_celsius(used - 50.0)) / 100.0
    lines = (
        Line(label, slope * u_pascals, f"{u_pascals / 100:g} hPa; {_PRACTICE}"),
        Line("depth of the water above the sensor", slope * 500.0 / math.sqrt(3.0), "up to 5 cm, 5 hPa, a rectangle"),
        Line("superheating, steam bubbles, heat along the stem", 0.30, _PRACTICE),
        Line("minerals in the water", 0.05, _PRACTICE),
    )
    how = (
        "Bring a tall pot of plain water, without salt, to a full rolling boil under a loose lid.",
        "Hang the sensor in the middle of the water, 5 cm deep or more, off the bottom and the wall.",
        "Wait until the reading stands still for two minutes.",
        "A weather service gives the pressure reduced to sea level: off the coast take the altitude instead.",
    )
    cautions = (
        "Scald: steam and boiling water burn. Use tongs and gloves, and lead the cable away from the flame.",
        *_WATER_CAUTIONS,
    )
    return FieldPoint("boiling", saturation_celsius(used), _combined(lines), lines, how, cautions)


def hot_pair(
    log: Sequence[tuple[float, float, float]],
    curve: PlatinumCurve,
    u_reference_celsius: float,
    lag_s: float = 30.0,
    window_s: float = 120.0,
    u_ohms: float = 0.0,
    least_celsius: float = 150.0,
) -> FieldPoint:
    """Choose the pair at which our sensor and a reference probe, logged while cooling, change at the same rate.

    Over each window a straight line is fitted to both; the window with the least uncertainty among those in which the
    rates agree gives the pair at its middle.

    Args:
        log: (seconds, resistance [ohm], reference temperature [degC]), seconds rising.
        curve: the curve that turns our resistance's rate into a temperature's; only its slope is used.
        u_reference_celsius: standard uncertainty of the reference probe [degC].
        lag_s: largest difference of the two probes' time constants [s], taken as a rectangle.
        window_s: length of a window [s].
        u_ohms: standard uncertainty of the resistance besides its scatter [ohm].
        least_celsius: no pair below this [degC]: the slow end of a cooling is the surest, and says least of the curve.

    Returns:
        The point, with resistance and time [s].

    Raises:
        InputError: too short a log, times that do not rise, or no window in which the rates agree.
    """
    data = np.asarray(log, dtype=np.float64)
    if data.ndim != 2 or data.shape[1:] != (3,) or len(data) < 5 or not np.isfinite(data).all():
        raise InputError("A hot pair needs at least 5 lines of seconds, ohms and reference degrees C; log for longer.")
    if min(u_reference_celsius, lag_s, u_ohms) < 0.0 or window_s <= 0.0:
        raise InputError("Uncertainties and lag must not be negative and the window must be above 0 s; change them.")
    times = data[:, 0]
    if not (np.diff(times) > 0.0).all():
        raise InputError("The times of the log do not rise from line to line; sort it, or log again.")
    best: FieldPoint | None = None
    for first in range(len(data)):
        last = int(np.searchsorted(times, times[first] + window_s, side="right"))
        # A window cut short by the log's end or by a gap says less than it seems to.
        if last - first < 5 or times[last - 1] - times[first] < 0.8 * window_s:
            continue
        if data[first:last, 2].mean() < least_celsius:
            continue
        found = _window(data[first:last], curve, u_reference_celsius, lag_s, u_ohms)
        if found is not None and (best is None or found.u_celsius < best.u_celsius):
            best = found
    if best is None:
        raise InputError(
            f"In no {window_s:g} s of the log above {least_celsius:g} degrees C do both probes change at the same "
            "rate; tie them together, close the door, and log for longer."
        )
    return best


def _window(
    piece: np.ndarray, curve: PlatinumCurve, u_reference_celsius: float, lag_s: float, u_ohms: float
) -> FieldPoint | None:
    """Return the pair of one window, None where the rates differ."""
    middle_s = float(piece[:, 0].mean())
    t = piece[:, 0] - middle_s
    spread = float(t @ t)
    count = len(t)
    ohms, celsius = float(piece[:, 1].mean()), float(piece[:, 2].mean())
    ohms_rate, celsius_rate = float(t @ piece[:, 1]) / spread, float(t @ piece[:, 2]) / spread
    noise_ohms = math.sqrt(float(((piece[:, 1] - ohms - ohms_rate * t) ** 2).sum()) / (count - 2))
    noise_celsius = math.sqrt(float(((piece[:, 2] - celsius - celsius_rate * t) ** 2).sum()) / (count - 2))
    slope = curve.ohms_per_celsius(celsius)
    difference = ohms_rate / slope - celsius_rate
    u_difference = math.hypot(noise_ohms / slope, noise_celsius) / math.sqrt(spread)
    # Known curves differ by a few percent in slope; a tenth of the rate is more than any of them explains.
    if abs(difference) > 0.1 * abs(celsius_rate) + 2.0 * u_difference + 1e-12:
        return None
    # The lagging probe changes the faster while an oven's cooling slows down.
    rate = max(abs(celsius_rate), abs(ohms_rate / slope))
    lines = (
        Line("the reference probe", u_reference_celsius, "as given"),
        Line("lag of one probe behind the other", rate * lag_s / math.sqrt(3.0), f"up to {lag_s:g} s"),
        Line("drift apart within the window", abs(difference) * float(np.ptp(t)) / math.sqrt(12.0), "from the log"),
        Line("scatter of the reference", noise_celsius / math.sqrt(count), "from the log"),
    )
    how = (
        "Tie both probes together, tip to tip, in the middle of the oven, with the leads out at the door.",
        "Heat, switch off at the breaker, leave the door shut, and log both while the oven cools.",
    )
    cautions = (
        "Hot metal and hot air burn: leave the door shut while it cools, wear gloves, keep clips and tester outside.",
        "Steam: nothing wet goes into the hot oven.",
        "The sensor's leads must be off the control, and no mains on the bench.",
    )
    return FieldPoint(
        "hot-pair",
        celsius,
        _combined(lines),
        lines,
        how,
        cautions,
        ohms,
        math.hypot(u_ohms, noise_ohms / math.sqrt(count)),
        middle_s,
    )


__all__ = [
    "FieldPoint",
    "Line",
    "boiling_water",
    "hot_pair",
    "ice_bath",
    "saturation_celsius",
    "standard_pascals",
]
