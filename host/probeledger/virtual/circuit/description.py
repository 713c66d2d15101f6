"""The tester's circuit as hardware/tester.toml describes it, read into checked dataclasses."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from probeledger import tomlfile
from probeledger.errors import InputError
from probeledger.resources import tester_file


class DescriptionError(InputError):
    """Say in one sentence what is wrong with the description of the tester's circuit."""

    def __init__(self, message: str) -> None:
        super().__init__(message, "circuit-description")


@dataclass(frozen=True)
class Part:
    """Describe one part: its kind ("resistor", "capacitor", "clamp", "shunt"), value and nets.

    `value` is in ohm, farad or volt by kind (0 for a clamp); `tolerance` is relative, `tempco_ppm_per_k` in ppm/K.
    """

    ref: str
    kind: str
    nets: tuple[str, ...]
    value: float = 0.0
    tolerance: float = 0.0
    tempco_ppm_per_k: float = 0.0
    watts: float | None = None
    part: str = ""


@dataclass(frozen=True)
class DiodeModel:
    """Describe a diode: saturation current [A] at 25 degrees C, emission coefficient, series [ohm], doubling [K]."""

    saturation_amps: float
    emission: float
    series_ohms: float
    doubles_every_k: float


@dataclass(frozen=True)
class TesterDescription:
    """Hold the circuit: pins, buses, addresses, chips' figures, parts and diode models."""

    name: str
    revision: str
    supply_volts: float
    cable_metres: float
    cable_farads_per_metre: float
    pins: Mapping[str, int]
    buses: Mapping[str, int]
    i2c_addresses: Mapping[str, int]
    chips: Mapping[str, Mapping[str, Any]]
    cell: Mapping[str, float]
    parts: tuple[Part, ...]
    diodes: Mapping[str, DiodeModel]
    nets: tuple[str, ...] = field(default=())

    def part(self, ref: str) -> Part:
        """Return the part with a reference; DescriptionError where there is none."""
        for part in self.parts:
            if part.ref == ref:
                return part
        raise DescriptionError(f'The tester has no part "{ref}".')


_VALUE_KEYS = {"resistor": "ohms", "capacitor": "farads", "shunt": "volts"}
_ENDS = {"resistor": 2, "capacitor": 2, "clamp": 3, "shunt": 2}
_NEEDED_PINS = (
    "adc_cs", "adc_drdy", "flash_cs", "drive_a", "drive_b", "drive_high_range", "drive_chassis", "drive_jaw",
    "jaw_select", "key_back", "key_ok", "key_next", "buzzer", "cell_sense", "usb_sense",
)  # fmt: skip


def _part(table: Mapping[str, Any], diodes: Mapping[str, DiodeModel]) -> Part:
    ref = str(table.get("ref", "?"))
    kind = table.get("kind")
    if kind not in _ENDS:
        raise DescriptionError(f'Part {ref} has the kind "{kind}"; known are {", ".join(_ENDS)}.')
    nets = tuple(table.get("nets", ()))
    if len(nets) != _ENDS[kind] or len(set(nets)) != len(nets):
        raise DescriptionError(f"Part {ref} ({kind}) needs {_ENDS[kind]} different nets, not {list(nets)}.")
    value = 0.0
    if kind in _VALUE_KEYS:
        value = float(table.get(_VALUE_KEYS[kind], 0.0))
        if not value > 0:
            raise DescriptionError(f"Part {ref} needs {_VALUE_KEYS[kind]} above zero, not {value:g}.")
    tolerance = float(table.get("tolerance", 0.0))
    if not 0 <= tolerance < 0.5:
        raise DescriptionError(f"Part {ref} has the tolerance {tolerance:g}; it is relative, from 0 to 0.5.")
    if kind == "clamp" and table.get("part") not in diodes:
        raise DescriptionError(f'Part {ref} is a "{table.get("part")}", which [diodes] does not describe.')
    return Part(
        ref,
        kind,
        nets,
        value,
        tolerance,
        float(table.get("tempco_ppm_per_k", 0.0)),
        table.get("watts"),
        str(table.get("part", "")),
    )


def from_table(table: Mapping[str, Any]) -> TesterDescription:
    """Build the description from the file's table.

    Raises DescriptionError where something that the circuit needs is missing, unknown or out of range.
    """
    try:
        tester = table["tester"]
        diodes = {
            name: DiodeModel(
                float(d["saturation_amps"]),
                float(d["emission"]),
                float(d["series_ohms"]),
                float(d["doubles_every_k"]),
            )
            for name, d in table["diodes"].items()
        }
        parts = tuple(_part(p, diodes) for p in table["parts"])
        refs = [p.ref for p in parts]
        twice = sorted({r for r in refs if refs.count(r) > 1})
        if twice:
            raise DescriptionError(f"The part {twice[0]} stands twice in the description.")
        pins = {name: int(number) for name, number in table["pins"].items()}
        missing = [name for name in _NEEDED_PINS if name not in pins]
        if missing:
            raise DescriptionError(f"The pin {missing[0]} is missing in [pins].")
        numbers = list(pins.values())
        shared = sorted({n for n in numbers if numbers.count(n) > 1})
        if shared:
            raise DescriptionError(f"GPIO {shared[0]} is given to two pins in [pins].")
        nets = sorted({net for p in parts for net in p.nets})
        return TesterDescription(
            name=str(tester["name"]),
            revision=str(tester["revision"]),
            supply_volts=float(tester["supply_volts"]),
            cable_metres=float(tester["cable_metres_max"]),
            cable_farads_per_metre=float(tester["cable_picofarads_per_metre"]) * 1e-12,
            pins=pins,
            buses=dict(table["buses"]),
            i2c_addresses=dict(table["i2c_addresses"]),
            chips=dict(table["chips"]),
            cell=dict(table["cell"]),
            parts=parts,
            diodes=diodes,
            nets=tuple(nets),
        )
    except KeyError as error:
        raise DescriptionError(f"The description of the tester lacks {error.args[0]!r}.") from None


def load(path: Path | None = None) -> TesterDescription:
    """Read the circuit from `path`, by default the project's own hardware/tester.toml.

    Raises DescriptionError where the file is no valid description.
    """
    source = path or tester_file()
    try:
        table = tomlfile.parse(tomlfile.read(source, "tester's description"), str(source))
    except InputError as error:
        raise DescriptionError(error.message) from None
    return from_table(table)
