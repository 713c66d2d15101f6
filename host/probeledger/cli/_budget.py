"""The uncertainty budget of one reading, for a person and for scripts."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from typing import TYPE_CHECKING, Any

from probecore import calibration as core_calibration
from probeledger import circuit, gum, uncertainty
from probeledger.errors import DeviceError, ProbeError, RangeError
from probeledger.rounding import fixed, significant
from probeledger.text import clean

if TYPE_CHECKING:
    from rich.table import Table

    from probeledger.curves import PlatinumCurve

__all__ = ["PROBABILITY", "ReadingBudget", "document", "of_answer", "tables"]

PROBABILITY = 0.95
_MOST_READINGS = 64
# By its name in the budget -> in a table.
_SHAPES = {
    gum.NORMAL: "normal",
    gum.RECTANGULAR: "even",
    gum.TRIANGULAR: "triangle",
    gum.U_SHAPED: "U-shaped",
}


class ReadingBudget:
    """A reading's budget in ohms and, where the resistance is on the curve, in degrees.

    Attributes: `resistance` [ohm]; `celsius` by the curve alone, `sensor_celsius` with the sensor's tolerance,
    `difference_celsius` from the ambient, each None where it has no meaning [degC]; `ambient_celsius`; `curve`,
    `sensor_class`; `age_years` of drift that are assumed.
    """

    def __init__(
        self,
        found: uncertainty.Budget,
        curve: PlatinumCurve,
        sensor_class: str,
        ambient: Mapping[str, Any] | None,
        age_years: float,
    ) -> None:
        self.resistance = found.estimate
        self.curve = curve
        self.sensor_class = sensor_class
        self.age_years = age_years
        self.celsius: gum.Estimate | None = None
        self.sensor_celsius: gum.Estimate | None = None
        self.difference_celsius: gum.Estimate | None = None
        self.ambient_celsius = _number(ambient.get("celsius")) if ambient else None
        try:
            self.celsius = uncertainty.temperature(found, curve, None)
            self.sensor_celsius = uncertainty.temperature(found, curve, sensor_class)
        except RangeError:
            return
        if self.ambient_celsius is not None and ambient is not None:
            u_ambient = _number(ambient.get("u_celsius"))
            self.difference_celsius = uncertainty.minus_ambient(
                self.sensor_celsius, self.ambient_celsius, u_ambient if u_ambient and u_ambient > 0 else None
            )


def of_answer(answer: Mapping[str, Any], curve: PlatinumCurve, sensor_class: str) -> ReadingBudget | None:
    """Make the budget of a tester's answer to `measure`.

    Args:
        answer: as it came; untrusted.
        curve: the sensor's curve.
        sensor_class: a key of uncertainty.SENSOR_CLASSES.

    Returns:
        The budget, or None where there is no value.

    Raises:
        DeviceError: the answer lacks what a budget needs, or makes no sense.
    """
    ohms, reference_ohms = _number(answer.get("ohms")), _number(answer.get("reference_ohms"))
    if ohms is None:
        return None
    readings = answer.get("readings")
    if reference_ohms is None or not _are_readings(readings):
        raise DeviceError("The tester sent no counts with its value, so that there is no budget; update its firmware.")
    used = _calibration(answer)
    try:
        slope = curve.ohms_per_celsius(curve.celsius(ohms))
    except ProbeError:
        slope = 0.0
    ambient = answer.get("ambient")
    try:
        found = uncertainty.budget(
            readings or [],
            reference_ohms,
            used,
            _number(answer.get("tester_celsius")),
            high_range=answer.get("range") == "high",
            gain=int(_number(answer.get("gain")) or circuit.TYPICAL_GAIN),
            rate_hz=_number(answer.get("rate_hz")) or 20.0,
            ohms_per_celsius=slope,
            zero_ohms=_number(answer.get("zero_ohms")) or 0.0,
            two_wire=answer.get("two_wire") is True,
            self_heating=_self_heating(answer, ohms, slope),
        )
    except RangeError as error:
        raise DeviceError(f"The tester's counts make no sense: {error.message}") from None
    return ReadingBudget(
        found, curve, sensor_class, ambient if isinstance(ambient, Mapping) else None, uncertainty.ageing_years(used)
    )


def _self_heating(answer: Mapping[str, Any], ohms: float, slope: float) -> tuple[float, float] | None:
    """Return the rise per power that the value has, and its standard uncertainty [K/mW], where it was measured."""
    measured = answer.get("self_heating")
    if not isinstance(measured, Mapping) or slope == 0.0:
        return None
    zero_power, u_slope = _number(measured.get("ohms_zero_power")), _number(measured.get("u_ohms_per_milliwatt"))
    microwatts = _number(answer.get("element_microwatts"))
    if zero_power is None or u_slope is None or u_slope < 0 or microwatts is None or microwatts <= 0:
        return None
    return 1e3 * (ohms - zero_power) / microwatts / slope, u_slope / abs(slope)


def _number(value: object) -> float | None:
    if isinstance(value, bool) or not isinstance(value, (int, float)) or not math.isfinite(value):
        return None
    return float(value)


def _are_readings(value: object) -> bool:
    return (
        isinstance(value, list)
        and 0 < len(value) <= _MOST_READINGS
        and all(
            isinstance(reading, list)
            and len(reading) == 8
            and all(isinstance(count, int) and abs(count) < 1 << 24 for count in reading)
            for reading in value
        )
    )


def _calibration(answer: Mapping[str, Any]) -> core_calibration.Calibration:
    """Return the calibration in force: its numbers where the tester sends them, none where it has none."""
    named = answer.get("calibration")
    values = named if isinstance(named, Mapping) else answer.get("calibration_values")
    if isinstance(values, Mapping):
        try:
            return core_calibration.from_map(dict(values))
        except ProbeError as error:
            raise DeviceError(f"There is no budget. {error.message} Calibrate the tester again.") from None
    if named is None:
        return circuit.uncalibrated()
    raise DeviceError(
        f"The tester works with calibration {clean(named, 40)} and does not send its numbers, so that there is no "
        "budget; update its firmware, or pull its records and see the day sheet."
    )


# For scripts


def _estimate(found: gum.Estimate | None) -> dict[str, Any] | None:
    if found is None:
        return None
    low, high = found.interval(PROBABILITY)
    return {
        "value": found.value,
        "u": found.u,
        "degrees_of_freedom": found.degrees_of_freedom,
        "coverage_factor": found.coverage_factor(PROBABILITY),
        "expanded": found.expanded(PROBABILITY),
        "low": low,
        "high": high,
        "interval": "JCGM 101" if found.shape_matters else "Student",
        "inputs": [
            {
                "name": line.input.name,
                "value": line.input.value,
                "u": line.input.u,
                "half_width": line.input.half_width,
                "shape": line.input.shape,
                "unit": line.input.unit,
                "degrees_of_freedom": line.input.degrees_of_freedom,
                "sensitivity": line.sensitivity,
                "share": line.u,
                "variance_percent": 100.0 * found.share(line),
            }
            for line in found.contributions
        ],
    }


def document(made: ReadingBudget) -> dict[str, Any]:
    """Return the budget as data: ohms and degrees C, infinite degrees of freedom as null."""
    return {
        "probability": PROBABILITY,
        "resistance_ohms": _estimate(made.resistance),
        "curve": made.curve.name,
        "sensor_class": made.sensor_class,
        "temperature_celsius": _estimate(made.celsius),
        "temperature_with_sensor_celsius": _estimate(made.sensor_celsius),
        "minus_ambient_celsius": _estimate(made.difference_celsius),
        "calibration_age_years": made.age_years,
    }


# For a person

# A ratio has no unit, and its uncertainty has six zeros.
_RATIO_SCALE, _RATIO_UNIT = 1e6, "10⁻⁶"


def _spread(item: gum.Input) -> str:
    """Return the width of an input: the half-width, or "u" and its standard uncertainty."""
    scale, unit = (1.0, item.unit) if item.unit else (_RATIO_SCALE, _RATIO_UNIT)
    if item.half_width is None:
        return f"u {significant(scale * item.u, 2)} {unit}"
    return f"± {significant(scale * item.half_width, 3)} {unit}"


def _named(item: gum.Input) -> str:
    """Return an input's name; the readings' with what they read."""
    return item.name if item.unit else f"{item.name} (ratio {fixed(item.value, 6)})"


def _sensitivity(line: gum.Contribution) -> str:
    """Return what one unit of an input makes of the resistance [mohm]."""
    scale = 1.0 if line.input.unit else _RATIO_SCALE
    return significant(1e3 * line.sensitivity / scale, 3)


def _degrees(number: float) -> str:
    return "∞" if math.isinf(number) or number >= 10_000 else fixed(number, 0)


def _decimals(u: float) -> int:
    """Return how many decimals show two digits of an uncertainty."""
    return max(0, 1 - math.floor(math.log10(u))) if u > 0 else 3


def tables(made: ReadingBudget) -> Iterator[Table | str]:
    """Return what a person reads, in 80 columns: a table of the inputs, the sums in words, a table in degrees."""
    from probeledger.cli._output import table

    whole = made.resistance
    yield table(
        [
            "Input",
            ("width", "right"),
            "shape",
            ("dof", "right"),
            ("mΩ/unit", "right"),
            ("mΩ", "right"),
            ("%", "right"),
        ],
        [
            (
                _named(line.input),
                _spread(line.input),
                _SHAPES[line.input.shape],
                _degrees(line.input.degrees_of_freedom),
                _sensitivity(line),
                fixed(1e3 * line.u, 2),
                fixed(100.0 * whole.share(line), 1),
            )
            for line in whole.contributions
        ],
        fold=("Input",),
    )
    low, high = whole.interval(PROBABILITY)
    decimals = _decimals(whole.expanded(PROBABILITY))
    yield "width: half-width (±) of an even, that is rectangular distribution, or standard"
    yield "uncertainty (u); dof: degrees of freedom; mΩ/unit: what one unit of the input"
    yield "makes of the resistance; mΩ: standard uncertainty from it; %: of the variance."
    yield ""
    u, k, expanded = whole.u, whole.coverage_factor(PROBABILITY), whole.expanded(PROBABILITY)
    yield f"Resistance {fixed(whole.value, decimals)} Ω, combined standard uncertainty u = {significant(u, 2)} Ω,"
    yield f"effective degrees of freedom {_degrees(whole.degrees_of_freedom)}."
    inside = f"from {fixed(low, decimals)} to {fixed(high, decimals)} Ω"
    yield f"95 %: k = {fixed(k, 2)}, U = {significant(expanded, 2)} Ω, {inside}; k is that of"
    yield "the inputs' own distributions (JCGM 101)." if whole.shape_matters else "the Student distribution (GUM G.3)."
    rows = _rows_in_degrees(made)
    if rows:
        yield ""
        columns: list[str | tuple[str, str]] = [
            "In degrees",
            ("°C", "right"),
            "added input",
            ("u", "right"),
            ("k", "right"),
            ("U", "right"),
        ]
        yield table(columns, rows, fold=("In degrees",))
    yield ""
    yield f"Assumed: {fixed(made.age_years, 0)} years of drift, an element in still air. The tester's own sum is"
    yield "shorter and takes k = 2. docs/uncertainty.md explains every line."


def _rows_in_degrees(made: ReadingBudget) -> list[tuple[str, ...]]:
    steps = (
        (f"by {made.curve.name}, sensor exact", made.celsius),
        (f"with the sensor's class {made.sensor_class}", made.sensor_celsius),
        (f"minus ambient ({fixed(made.ambient_celsius, 2)} °C)", made.difference_celsius),
    )
    rows: list[tuple[str, ...]] = []
    for index, (name, found) in enumerate(steps):
        if found is not None:
            expanded = found.expanded(PROBABILITY)
            rows.append(
                (
                    name,
                    fixed(found.value, _decimals(expanded)),
                    _spread(found.contributions[-1].input) if index else "-",
                    significant(found.u, 2),
                    fixed(found.coverage_factor(PROBABILITY), 2),
                    significant(expanded, 2),
                )
            )
    return rows
