"""Coverage after JCGM 101: drawn testers, each calibrated against reference resistors and then used, warm and cold.

Every tester is calibrated at 23 degrees C against two sets of references, each known to 0.01 % (k = 2): a short and
five values in the low range, three in the high range, which is fitted in conductance. Then it reads plain resistors at
several temperatures, up to a year later. The stated 95 % interval either holds the true value or does not.

Raw counts come from the virtual tester's node equations (solved.py) with the effects of truth.py, coefficients from the
points and the fit of `calibrate run` and `calibrate fit`, intervals from the budget of `measure --budget`.
"""

from __future__ import annotations

import datetime
import functools
import importlib.util
import math
import sys
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path
from types import ModuleType
from typing import Any

import numpy as np
import solved
import truth

from probecore import calibration as calibrations
from probecore import counts
from probeledger import circuit, uncertainty
from probeledger.calibrating import coefficients, outcome, references, runfile, taking
from probeledger.virtual.circuit import description as descriptions
from probeledger.virtual.circuit import specimen as specimens

FIRMWARE = Path(__file__).resolve().parents[2] / "firmware"

CALIBRATION_CELSIUS = 23.0
USE_CELSIUS = (10.0, 17.0, 23.0, 31.0, 40.0)
LOW_OHMS = (100.0, 500.0, 1000.0, 1500.0, 2000.0)
HIGH_OHMS = (1e4, 3e4, 1e5, 3e5, 1e6)
# Six in the low range, the short among them, three in the high.
REFERENCES_OHMS = (0.0, 100.0, 400.0, 1000.0, 2000.0, 4000.0, 1e4, 1e5, 1e6)
VALUES_OHMS = {"low": LOW_OHMS, "high": HIGH_OHMS}

# A certificate of 0.01 % (k = 2): 0.008 % of each resistor's own, 0.006 % that all from one laboratory have in common.
U_OWN = 40e-6
U_SHARED = 30e-6
U_WHOLE = math.hypot(U_OWN, U_SHARED)
# A short of 1 mohm (k = 1): what is left of a piece of wire between four clips.
U_SHORT_OHMS = 1e-3

# As `calibrate run` takes them: blocks of four, three at least, until the readings' own share is small.
BLOCK, LEAST_BLOCKS = 4, 3
LEAST_U_OHMS, LOW_NOISE_PPM, HIGH_NOISE_PPM = 1e-3, 5.0, 50.0
USE_READINGS = 4
RATE_HZ = 20.0
REFERENCE_OHMS = 1500.0
READING_S = 0.45

_DIRECTIONS = np.array([1, 1, -1, -1, -1, -1, 1, 1])
_IS_PROBE = np.isin(np.arange(8), counts.PROBE_POSITIONS)
_PRECISION_CELSIUS = 0.03125
_DAY = datetime.datetime(2026, 1, 15, tzinfo=datetime.UTC)
_REFERENCE = """[[references]]
name = "{name}"
ohms = {ohms!r}
uncertainty_ohms = {U!r}
k = 2
shared_group = "laboratory"
shared_uncertainty_ohms = {shared!r}
"""
_SHORT = """[[references]]
name = "{name}"
ohms = 0.0
uncertainty_ohms = {U!r}
k = 2
"""


@functools.cache
def _ranges() -> ModuleType:
    """Return the firmware's module that plans range and gain."""
    for name, path in (("board", FIRMWARE / "board.py"), ("_firmware_ranges", FIRMWARE / "measure" / "ranges.py")):
        if name not in sys.modules:
            spec = importlib.util.spec_from_file_location(name, path)
            assert spec is not None and spec.loader is not None
            sys.modules[name] = importlib.util.module_from_spec(spec)
            spec.loader.exec_module(sys.modules[name])
    return sys.modules["_firmware_ranges"]


@functools.cache
def plan(ohms: float) -> Any:
    """Return the firmware's plan for a resistance [ohm]: range, gain, bypass."""
    return _ranges().plan(ohms)


def _settings() -> tuple[truth.Setting, ...]:
    ohms = [*LOW_OHMS, *HIGH_OHMS, *REFERENCES_OHMS]
    return tuple(sorted({(plan(each).gain, plan(each).bypass) for each in ohms}))


@functools.cache
def _description() -> descriptions.TesterDescription:
    return descriptions.load()


class Tester:
    """One drawn tester, which can be calibrated and used.

    Args: `seed` of its parts and of all that happens to it.
    """

    def __init__(self, seed: int) -> None:
        self.specimen = specimens.draw(_description(), seed)
        self.truth = truth.draw(_description(), self.specimen, _settings())
        self.rng = np.random.default_rng([seed, 0x5EED])
        self._plain = circuit.uncalibrated()
        self._states: dict[float, dict[tuple[str, int], solved.State]] = {}

    def draw_gradient(self) -> float:
        """Draw how much warmer the reference resistor is than the converter's thermometer [K]."""
        return float(self.rng.uniform(-truth.GRADIENT_KELVIN, truth.GRADIENT_KELVIN))

    def read(
        self, ohms: float, celsius: float, number: int, drift: float, gradient: float
    ) -> tuple[list[list[int]], float]:
        """Clip on a resistor and read it.

        Args:
            ohms: its resistance [ohm].
            celsius: of the tester [degC].
            number: of readings [1].
            drift: relative change of the reference resistor by now [1].
            gradient: how much warmer that resistor is than the converter's thermometer [K].

        Returns:
            The readings, eight counts each, and the temperature that the tester's thermometer shows [degC].
        """
        if celsius not in self._states:
            self._states[celsius] = solved.states(_description(), self.specimen, celsius)
        rng, own, errors = self.rng, self.truth, self.specimen.adc
        chosen = plan(ohms)
        factor = own.current_factor(chosen.bypass, celsius)
        amps, siemens = own.amps[chosen.bypass] * factor, own.siemens[chosen.bypass] * factor
        clipped_ohms = ohms + 1e-3 * rng.uniform(-truth.CLIP_MILLIOHMS, truth.CLIP_MILLIOHMS)
        reference = (1.0 + drift) * (1.0 + self.specimen.tempco_per_k["R_REF"] * gradient)
        volts = {}
        for direction in (1, -1):
            read, supply = self._states[celsius][chosen.range, direction].inputs(clipped_ohms, amps, siemens)
            volts[direction] = (read[0] * reference, read[1])
        clean = np.array([volts[way][int(probe)] for way, probe in zip(_DIRECTIONS, _IS_PROBE, strict=True)])
        times_s = (np.arange(number)[:, None] * READING_S + np.arange(8) * READING_S / 8.0).ravel()
        thermal = truth.thermal_volts(rng, times_s).reshape(number, 8) * _IS_PROBE
        noise = own.noise_factor * circuit.noise_volts(RATE_HZ, chosen.gain)
        wander = truth.SUPPLY_SHARE * self.specimen.supply_wander_volts / supply
        seen = clean * (1.0 + wander * rng.normal(size=(number, 8))) + thermal + noise * rng.normal(size=(number, 8))
        seen = seen * (1.0 + errors.gain_error[chosen.gain]) + errors.offset_volts[chosen.gain]
        share = own.bent(seen / (supply / chosen.gain), (chosen.gain, chosen.bypass))
        found = np.rint(share * (counts.FULL_SCALE_COUNTS + 1)).astype(int)
        assert np.all(np.abs(found) <= counts.FULL_SCALE_COUNTS)
        shown = round((celsius + errors.sensor_celsius) / _PRECISION_CELSIUS) * _PRECISION_CELSIUS
        return found.tolist(), shown

    def _measured(self, step: runfile.Step, ohms: float, gradient: float) -> runfile.Measured:
        """Read one reference as `calibrate run` does, without its watch over clips and settling."""
        chosen = plan(ohms)
        readings, shown = self.read(ohms, CALIBRATION_CELSIUS, _readings_for(ohms), 0.0, gradient)
        made = uncertainty.budget(
            readings, REFERENCE_OHMS, self._plain, shown, chosen.range == "high", chosen.gain, RATE_HZ
        )
        by_name = {line.name: line.u_ohms for line in made.lines}
        return runfile.Measured(
            reference=step.reference,
            way=step.way,
            kind=step.kind,
            time=_DAY.isoformat(),
            range=chosen.range,
            raw_ohms=uncertainty.ratio_of(readings)[0] * REFERENCE_OHMS,
            u_noise_ohms=by_name[uncertainty.READINGS],
            indicated_ohms=made.ohms,
            readings=len(readings),
            gain=chosen.gain,
            u_clips_ohms=math.hypot(*(by_name[name] for name in taking._CLIPS)),
            u_supply_ohms=by_name[uncertainty.SUPPLY],
            u_systematic_ohms=math.hypot(*(by_name[name] for name in taking._SYSTEMATIC), 0.0),
            tester_celsius=shown,
        )

    def calibrate(self) -> calibrations.Calibration:
        """Calibrate both ranges, up and down, and return what the tester then keeps."""
        common = self.rng.normal(0.0, U_SHARED)
        true_ohms, tables = {}, []
        for nominal in REFERENCES_OHMS:
            name = f"R{nominal:g}"
            if nominal:
                stated = nominal * (1.0 + common + self.rng.normal(0.0, U_OWN))
                tables.append(
                    _REFERENCE.format(name=name, ohms=stated, U=2 * U_WHOLE * stated, shared=2 * U_SHARED * stated)
                )
                true_ohms[name] = nominal
            else:
                tables.append(_SHORT.format(name=name, U=2 * U_SHORT_OHMS))
                true_ohms[name] = abs(self.rng.normal(0.0, U_SHORT_OHMS))
        text = "\n".join(tables)
        run = runfile.begin(
            "drawn", "", calibrations.to_map(self._plain), references.read_references(text, "references"),
            text, "references", _DAY, celsius=CALIBRATION_CELSIUS, u_celsius=0.0,
        )  # fmt: skip
        run.steps = [step for step in run.steps if step.kind == runfile.LEADS]
        gradient = self.draw_gradient()
        run.measured = [self._measured(step, true_ohms[step.reference], gradient) for step in run.steps]
        run.ended = run.begun
        fits = [
            coefficients.FitNumbers(name, made.polynomial.coefficients, made.polynomial.covariance)
            for name, made in outcome.fits_of(run).items()
        ]
        shown = run.measured[-1].tester_celsius
        return calibrations.from_map(coefficients.calibration_set(fits, None, _DAY, None, shown))

    def use(self, used: calibrations.Calibration, ohms: float, celsius: float) -> uncertainty.Budget:
        """Read a resistor [ohm] with the calibration, at a temperature of the tester [degC]."""
        readings, shown = self.read(ohms, celsius, USE_READINGS, self.truth.drift, self.draw_gradient())
        chosen = plan(ohms)
        return uncertainty.budget(
            readings,
            REFERENCE_OHMS,
            used,
            shown,
            chosen.range == "high",
            chosen.gain,
            RATE_HZ,
            age_years=self.truth.years,
        )


def _readings_for(ohms: float) -> int:
    """Return how many readings of a reference [ohm] `calibrate run` takes [1]."""
    high = plan(ohms).range == "high"
    wanted = max(LEAST_U_OHMS, (HIGH_NOISE_PPM if high else LOW_NOISE_PPM) * 1e-6 * ohms)
    noise = circuit.noise_volts(RATE_HZ, plan(ohms).gain) / 2.0 / circuit.excitation_amps(ohms, high)
    single = noise * math.hypot(1.0, ohms / REFERENCE_OHMS)
    return BLOCK * max(LEAST_BLOCKS, math.ceil((single / wanted) ** 2 / BLOCK))


@dataclass
class Results:
    """What many testers said: arrays of shape (testers, temperatures, values) [ohm] by range.

    `error` is indication minus truth, `half_width` that of the stated 95 % interval, `u` the standard uncertainty;
    `lines` the standard uncertainties by line of the budget.
    """

    error: dict[str, np.ndarray] = field(default_factory=dict)
    half_width: dict[str, np.ndarray] = field(default_factory=dict)
    u: dict[str, np.ndarray] = field(default_factory=dict)
    lines: dict[str, dict[str, np.ndarray]] = field(default_factory=dict)

    def covered(self, name: str) -> np.ndarray:
        """Return which intervals of a range hold the truth, shape (testers, temperatures, values)."""
        return np.abs(self.error[name]) <= self.half_width[name]

    @property
    def overall(self) -> float:
        """Return the share of all intervals that hold the truth [1]."""
        return float(np.mean(np.concatenate([self.covered(name).ravel() for name in VALUES_OHMS])))


def simulate(seeds: Sequence[int]) -> Results:
    """Let drawn testers be calibrated and used in every cell; the same seeds give the same results."""
    found = Results()
    shape = (len(seeds), len(USE_CELSIUS))
    for name, values in VALUES_OHMS.items():
        for table in (found.error, found.half_width, found.u):
            table[name] = np.empty((*shape, len(values)))
        found.lines[name] = {}
    for row, seed in enumerate(seeds):
        tester = Tester(seed)
        used = tester.calibrate()
        for at, celsius in enumerate(USE_CELSIUS):
            for name, values in VALUES_OHMS.items():
                for column, ohms in enumerate(values):
                    made = tester.use(used, ohms, celsius)
                    cell = (row, at, column)
                    found.error[name][cell] = made.ohms - ohms
                    found.half_width[name][cell] = made.estimate.expanded(0.95)
                    found.u[name][cell] = made.u_ohms
                    for line in made.lines:
                        kept = found.lines[name].setdefault(line.name, np.zeros((*shape, len(values))))
                        kept[cell] = line.u_ohms
    return found


def joined(parts: Sequence[Results]) -> Results:
    """Return the results of several runs as those of one."""
    whole = Results()
    for name in VALUES_OHMS:
        for table in ("error", "half_width", "u"):
            getattr(whole, table)[name] = np.concatenate([getattr(part, table)[name] for part in parts])
        whole.lines[name] = {}
        for line in dict.fromkeys(line for part in parts for line in part.lines[name]):
            kept = [part.lines[name].get(line, np.zeros_like(part.u[name])) for part in parts]
            whole.lines[name][line] = np.concatenate(kept)
    return whole
