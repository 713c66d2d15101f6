"""The reference resistors of a calibration: a TOML file, and what each is worth on a day at a temperature.

    [[references]]
    name = "R1000"
    ohms = 1000.012               # at `celsius`, on `date`
    uncertainty_ohms = 0.05       # expanded, as the certificate states it: the whole, with its k
    k = 2
    certificate = "C-1234"
    date = 2026-03-14
    celsius = 23.0
    tempco_ppm_per_k = 1.5        # known, and corrected for
    tempco_limit_ppm_per_k = 2.0  # known within plus or minus this (without a known one: about zero)
    drift_ppm_per_year = 3.0      # known, and corrected for
    drift_limit_ppm_per_year = 5.0
    shared_group = "decade box 7"
    shared_uncertainty_ohms = 0.03  # the part of uncertainty_ohms that all of the group have in common, same k

Instead of uncertainty_ohms and k, uncertainty_ppm and k, or tolerance_percent for a resistor that has a tolerance and
no certificate. A short is a reference of 0 ohm. Limits and tolerances are taken as rectangular (JCGM 100, 4.3.7).
"""

import datetime
import difflib
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from probeledger import tomlfile
from probeledger.errors import InputError
from probeledger.text import clean, plural

__all__ = ["Reference", "ReferenceSet", "Values", "read_references"]

_ROOT_3 = math.sqrt(3.0)
_DAYS_PER_YEAR = 365.25
_MOST_REFERENCES = 200
_MOST_OHMS = 1e9
# Up to here a reference counts as the short, a piece of wire between the clips.
SHORT_MOST_OHMS = 1.0
# Range of the platinum elements, where four values besides the short are the least.
# A resistor of nominally 4000 ohm may lie a little above.
PLATINUM_LOW_OHMS, PLATINUM_HIGH_OHMS = 10.0, 4100.0
LEAST_PLATINUM = 4
HIGH_LOW_OHMS, HIGH_HIGH_OHMS = PLATINUM_HIGH_OHMS, 1.1e6
LEAST_HIGH = 3
# What a day on the bench may have at most; an uncertainty beyond it is in another unit.
_MOST_RELATIVE_UNCERTAINTY = 0.05

_TEXTS = ("name", "certificate", "shared_group")
_NUMBERS = {
    "ohms": "ohm",
    "uncertainty_ohms": "ohm",
    "uncertainty_ppm": "ppm",
    "tolerance_percent": "percent",
    "k": "1",
    "celsius": "degrees C",
    "tempco_ppm_per_k": "ppm per kelvin",
    "tempco_limit_ppm_per_k": "ppm per kelvin",
    "drift_ppm_per_year": "ppm a year",
    "drift_limit_ppm_per_year": "ppm a year",
    "shared_uncertainty_ohms": "ohm",
}
_UNCERTAINTIES = ("uncertainty_ohms", "uncertainty_ppm", "tolerance_percent")
_NOT_NEGATIVE = (*_UNCERTAINTIES, "tempco_limit_ppm_per_k", "drift_limit_ppm_per_year", "shared_uncertainty_ohms")
_KEYS = (*_TEXTS, *_NUMBERS, "date")
_TOP_KEYS = ("name", "references")


@dataclass(frozen=True)
class Reference:
    """One reference resistor.

    ohms: value at `celsius` [degC] on `date`; u_own_ohms: standard uncertainty of its own; u_shared_ohms: standard
    uncertainty that it has in common with its `shared_group`; k: coverage factor that its certificate states, None for
    a tolerance; the rest as in the file.
    """

    name: str
    ohms: float
    u_own_ohms: float
    u_shared_ohms: float
    shared_group: str | None
    k: float | None
    certificate: str | None
    date: datetime.date | None
    celsius: float
    tempco_ppm_per_k: float
    tempco_limit_ppm_per_k: float
    drift_ppm_per_year: float
    drift_limit_ppm_per_year: float

    @property
    def u_ohms(self) -> float:
        """Return the whole standard uncertainty at the stated temperature and date [ohm]."""
        return math.hypot(self.u_own_ohms, self.u_shared_ohms)

    @property
    def is_short(self) -> bool:
        """Tell whether this is the short."""
        return self.ohms <= SHORT_MOST_OHMS

    def value_ohms(self, on: datetime.date, celsius: float) -> float:
        """Return the value on a day at a temperature [degC], in ohms."""
        years = self._years(on)
        change_ppm = self.tempco_ppm_per_k * (celsius - self.celsius) + self.drift_ppm_per_year * years
        return self.ohms * (1.0 + change_ppm * 1e-6)

    def u_independent_ohms(self, on: datetime.date, celsius: float, u_celsius: float) -> float:
        """Return the part of the standard uncertainty that no other reference shares [ohm].

        Args:
            on: day of use.
            celsius: temperature of the resistor [degC].
            u_celsius: its standard uncertainty [K].
        """
        tempco_ppm = self.tempco_limit_ppm_per_k / _ROOT_3 * math.hypot(celsius - self.celsius, u_celsius)
        drift_ppm = self.drift_limit_ppm_per_year / _ROOT_3 * self._years(on)
        return math.hypot(self.u_own_ohms, math.hypot(tempco_ppm, drift_ppm) * 1e-6 * self.ohms)

    def _years(self, on: datetime.date) -> float:
        return 0.0 if self.date is None else (on - self.date).days / _DAYS_PER_YEAR


@dataclass(frozen=True)
class Values:
    """A set of references on a day at a temperature.

    ohms, u_own_ohms, u_shared_ohms: shape (n,) [ohm], own parts independent, shared parts by `groups`; covariance:
    shape (n, n) [ohm^2], which also holds the room temperature that all have in common.
    """

    ohms: np.ndarray
    u_own_ohms: np.ndarray
    u_shared_ohms: np.ndarray
    groups: tuple[str | None, ...]
    covariance: np.ndarray


@dataclass(frozen=True)
class ReferenceSet:
    """The reference resistors of one file, in ascending order of value."""

    name: str
    references: tuple[Reference, ...]

    def values(self, on: datetime.date, celsius: float, u_celsius: float = 0.0) -> Values:
        """Compute values and covariance of all references.

        Args:
            on: day of use; not before the certificates.
            celsius: temperature of the resistors [degC], the same for all.
            u_celsius: its standard uncertainty [K].

        Returns:
            The values, in the order of the references.

        Raises:
            InputError: a certificate is younger than the day.
        """
        for each in self.references:
            if each.date is not None and each.date > on:
                raise InputError(
                    f"The certificate of {each.name} is of {each.date}, after {on}; correct its date or the day of use."
                )
        ohms = np.array([each.value_ohms(on, celsius) for each in self.references])
        own = np.array([each.u_independent_ohms(on, celsius, u_celsius) for each in self.references])
        shared = np.array([each.u_shared_ohms for each in self.references])
        groups = tuple(each.shared_group for each in self.references)
        common = np.array([[one is not None and one == two for two in groups] for one in groups])
        by_temperature = np.array([each.ohms * each.tempco_ppm_per_k * 1e-6 * u_celsius for each in self.references])
        covariance = np.diag(own**2) + np.outer(shared, shared) * common + np.outer(by_temperature, by_temperature)
        return Values(ohms, own, shared, groups, covariance)

    def platinum(self) -> tuple[Reference, ...]:
        """Return the references in the platinum range, without the short."""
        return tuple(each for each in self.references if PLATINUM_LOW_OHMS <= each.ohms <= PLATINUM_HIGH_OHMS)

    def high(self) -> tuple[Reference, ...]:
        """Return the references in the high range."""
        return tuple(each for each in self.references if HIGH_LOW_OHMS < each.ohms <= HIGH_HIGH_OHMS)

    def isolation(self) -> tuple[Reference, ...]:
        """Return the references that can stand for a leak between a lead and the chassis."""
        return tuple(each for each in self.references if each.ohms >= 1000.0)

    def claims(self) -> list[str]:
        """Return what a calibration against this set can support and what it cannot, one sentence each."""
        said = []
        low = self.platinum()
        if low:
            top = low[-1].ohms
            said.append(f"Low range: supported from 0 to {_told(top)}, by the short and {plural(len(low), 'value')}.")
            if top < 2000.0:
                said.append(
                    f"Nothing above {_told(top)} is checked; a 1000-ohm platinum element passes it at baking "
                    "temperature. Add a reference of 2000 ohm or more."
                )
            if len(low) == LEAST_PLATINUM:
                said.append("Five points show a bend but hardly a single wrong one; a sixth lets an outlier stand out.")
        high = self.high()
        if len(high) >= LEAST_HIGH:
            said.append(f"High range: supported from {_told(high[0].ohms)} to {_told(high[-1].ohms)}.")
        else:
            said.append(
                f"High range: not supported; {plural(len(high), 'value')} of the {LEAST_HIGH} that its two "
                "coefficients and a check on them need (for instance 10 kohm, 100 kohm and 1 Mohm)."
            )
        leaks = [each.ohms for each in self.isolation()]
        if leaks and leaks[-1] >= 1e6:
            said.append(f"Isolation: can be checked from {_told(leaks[0])} to {_told(leaks[-1])}.")
        else:
            said.append("Isolation: not supported at its limit; add a reference of 1 Mohm or more.")
        uncertified = [each.name for each in self.references if each.certificate is None and not each.is_short]
        if uncertified:
            said.append(
                f"Not traceable: {clean(', '.join(uncertified), 120)} without a certificate; their tolerance stands "
                "for their uncertainty."
            )
        return said


def read_references(text: str, shown: str) -> ReferenceSet:
    """Read a reference file.

    Args:
        text: its content, TOML.
        shown: how a message names the file.

    Returns:
        The references, checked, in ascending order of value.

    Raises:
        InputError: one sentence: which reference, what was seen, what would be right.
    """
    document = tomlfile.parse(text, shown)
    for key in document:
        if key not in _TOP_KEYS:
            raise InputError(f"{shown} has an unknown entry {clean(key, 40)!r}; {_nearest(key, _TOP_KEYS)}")
    tables = document.get("references")
    if not isinstance(tables, list) or not all(isinstance(each, dict) for each in tables) or not tables:
        raise InputError(f"{shown} lists no resistors; begin each with a line [[references]].")
    if len(tables) > _MOST_REFERENCES:
        raise InputError(f"{shown} lists {len(tables)} references; at most {_MOST_REFERENCES} are read.")
    name = document.get("name", "")
    if not isinstance(name, str):
        raise InputError(f"{shown}: name must be a text, not {clean(name, 40)}.")
    references = [_reference(each, f"{shown}, reference {number}") for number, each in enumerate(tables, start=1)]
    found = ReferenceSet(name, tuple(sorted(references, key=lambda each: each.ohms)))
    _check_set(found, shown)
    return found


def _told(ohms: float) -> str:
    if ohms >= 1e6:
        return f"{ohms / 1e6:g} Mohm"
    return f"{ohms / 1e3:g} kohm" if ohms >= 1e4 else f"{ohms:g} ohm"


def _nearest(key: str, known: Sequence[str]) -> str:
    near = difflib.get_close_matches(key, known, n=1, cutoff=0.5)
    return f"did you mean {near[0]}?" if near else f"known: {', '.join(known)}."


def _reference(entries: Mapping[str, Any], where: str) -> Reference:
    """Check one table of the file."""
    name = entries.get("name")
    if isinstance(name, str) and name.strip():
        where = f"{where} ({clean(name, 40)})"
    for key in entries:
        if key not in _KEYS:
            raise InputError(f"{where} has an unknown entry {clean(key, 40)!r}; {_nearest(key, _KEYS)}")
    for key in _TEXTS:
        if key in entries and (not isinstance(entries[key], str) or not entries[key].strip()):
            raise InputError(f"{where}: {key} must be a text in quotes, not {clean(entries[key], 40) or 'nothing'}.")
    if name is None:
        raise InputError(f'{where} has no name; give it one, such as name = "R1000".')
    numbers = {key: _number(entries[key], key, unit, where) for key, unit in _NUMBERS.items() if key in entries}
    date = entries.get("date")
    if date is not None and (not isinstance(date, datetime.date) or isinstance(date, datetime.datetime)):
        raise InputError(f"{where}: date must be a day without quotes such as 2026-03-14, not {clean(date, 40)!r}.")
    _check_complete(entries, numbers, where)
    ohms = numbers["ohms"]
    whole = _standard_uncertainty(numbers, ohms)
    k = numbers.get("k")
    shared = numbers.get("shared_uncertainty_ohms", 0.0) / (k or _ROOT_3)
    if shared > whole * (1 + 1e-9):
        raise InputError(
            f"{where}: the shared uncertainty of {shared:g} ohm is larger than the whole of {whole:g} ohm (k = 1); "
            "it is the part of the whole that the group has in common."
        )
    if ohms > SHORT_MOST_OHMS and whole > _MOST_RELATIVE_UNCERTAINTY * ohms:
        raise InputError(
            f"{where}: a standard uncertainty of {whole:g} ohm is {whole / ohms:.0%} of its {ohms:g} ohm; is one of "
            "them in another unit?"
        )
    return Reference(
        name=clean(name, 60),
        ohms=ohms,
        u_own_ohms=math.sqrt(max(0.0, whole**2 - shared**2)),
        u_shared_ohms=min(shared, whole),
        shared_group=clean(entries["shared_group"], 60) if "shared_group" in entries else None,
        k=k,
        certificate=clean(entries["certificate"], 80) if "certificate" in entries else None,
        date=date,
        celsius=numbers.get("celsius", 23.0),
        tempco_ppm_per_k=numbers.get("tempco_ppm_per_k", 0.0),
        tempco_limit_ppm_per_k=numbers.get("tempco_limit_ppm_per_k", 0.0),
        drift_ppm_per_year=numbers.get("drift_ppm_per_year", 0.0),
        drift_limit_ppm_per_year=numbers.get("drift_limit_ppm_per_year", 0.0),
    )


def _number(value: Any, key: str, unit: str, where: str) -> float:
    unit_text = f" of {unit}" if unit != "1" else ""
    if isinstance(value, bool) or not isinstance(value, (int, float)):
        raise InputError(
            f"{where}: {key} must be a plain number{unit_text}, without unit or quotes, not {clean(value, 40)!r}."
        )
    if not math.isfinite(value):
        raise InputError(f"{where}: {key} must be a finite number{unit_text}, not {value}.")
    if key in _NOT_NEGATIVE and value < 0:
        raise InputError(f"{where}: {key} is {value:g}; an uncertainty or a limit cannot be negative.")
    return float(value)


def _check_complete(entries: Mapping[str, Any], numbers: Mapping[str, float], where: str) -> None:
    """Raise InputError where an entry is missing, stands beside one that excludes it, or has no meaning."""
    if "ohms" not in numbers:
        raise InputError(f"{where} has no value; give it in ohm, such as ohms = 1000.012.")
    if not 0 <= numbers["ohms"] <= _MOST_OHMS:
        raise InputError(
            f"{where}: ohms is {numbers['ohms']:g}; a reference has 0 to {_MOST_OHMS:g} ohm, so is that another unit?"
        )
    given = [key for key in _UNCERTAINTIES if key in numbers]
    if len(given) != 1:
        seen = f"it has {' and '.join(given)}" if given else "it has none"
        raise InputError(f"{where} needs exactly one of {', '.join(_UNCERTAINTIES)}; {seen}.")
    if numbers["ohms"] <= SHORT_MOST_OHMS and given[0] != "uncertainty_ohms":
        raise InputError(f"{where} is a short, whose uncertainty has to stand in ohm, not as {given[0]}.")
    if given[0] == "tolerance_percent":
        if "k" in numbers:
            raise InputError(f"{where}: a tolerance has no k; leave k out, or give uncertainty_ohms with it.")
    elif "k" not in numbers:
        raise InputError(f"{where}: {given[0]} needs its coverage factor; write k = 2 if the certificate says so.")
    elif not 1 <= numbers["k"] <= 4:
        raise InputError(f"{where}: k is {numbers['k']:g}; a coverage factor lies between 1 and 4, usually at 2.")
    if "certificate" in entries and "date" not in entries:
        raise InputError(f"{where} has a certificate without a date; add its day, such as date = 2026-03-14.")
    for key in ("drift_ppm_per_year", "drift_limit_ppm_per_year"):
        if numbers.get(key) and "date" not in entries:
            raise InputError(f"{where}: {key} needs the date from which it counts; add date = 2026-03-14.")
    if ("shared_group" in entries) != ("shared_uncertainty_ohms" in entries):
        raise InputError(f"{where}: shared_group and shared_uncertainty_ohms belong together; one of them is missing.")
    if not -40 <= numbers.get("celsius", 23.0) <= 60:
        raise InputError(f"{where}: celsius is {numbers['celsius']:g}; a resistor's room has -40 to 60 degrees C.")
    for key in ("tempco_ppm_per_k", "drift_ppm_per_year", "tempco_limit_ppm_per_k", "drift_limit_ppm_per_year"):
        if abs(numbers.get(key, 0.0)) > 1000:
            raise InputError(f"{where}: {key} is {numbers[key]:g}, too much for a reference; is it in another unit?")


def _standard_uncertainty(numbers: Mapping[str, float], ohms: float) -> float:
    """Return the whole standard uncertainty of a reference [ohm]."""
    if "uncertainty_ohms" in numbers:
        return numbers["uncertainty_ohms"] / numbers["k"]
    if "uncertainty_ppm" in numbers:
        return numbers["uncertainty_ppm"] * 1e-6 * ohms / numbers["k"]
    return numbers["tolerance_percent"] * 0.01 * ohms / _ROOT_3


def _check_set(found: ReferenceSet, shown: str) -> None:
    """Raise InputError where references cannot be told apart, or are too few for any calibration."""
    names: dict[str, Reference] = {}
    for each in found.references:
        if each.name in names:
            raise InputError(f"{shown} has two references named {each.name!r}; names tell them apart on the bench.")
        names[each.name] = each
    for first, second in zip(found.references, found.references[1:], strict=False):
        if first.ohms == second.ohms:
            raise InputError(
                f"{shown}: {first.name} and {second.name} are identical ({first.ohms:g} ohm), so that the tester could "
                "not tell which is in the clips; keep one."
            )
    shorts = [each for each in found.references if each.is_short]
    platinum = found.platinum()
    if not shorts or len(platinum) < LEAST_PLATINUM:
        seen = f"{plural(len(shorts), 'short')} and {plural(len(platinum), 'value')}"
        raise InputError(
            f"{shown} has too few references: {seen}; at least a short (0 ohm) and {LEAST_PLATINUM} values from "
            f"{PLATINUM_LOW_OHMS:g} to 4000 ohm are needed."
        )
