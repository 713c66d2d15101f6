"""What a scenario file may say: its tables and keys, with types, units and ranges, and the check of them.

Every mistake is one sentence that names the key, what was seen and what would be right.
"""

from __future__ import annotations

import difflib
import math
from dataclasses import dataclass
from typing import Any

from probeledger.errors import InputError

PLACES = ("sensor", "control-end", "new-part", "after-fitting")
LEADS = ("a", "b")
CURVES = (
    "pt100-3850", "pt500-3850", "pt1000-3850", "pt1000-3750", "pt1000-3916", "ntc-beta", "resistor",
)  # fmt: skip
POINTS = ("a", "b", "chassis", "earth")


class ScenarioError(InputError):
    """Say in one sentence what is wrong with a scenario, what was seen and what would be right."""

    def __init__(self, message: str) -> None:
        super().__init__(message, "scenario")


@dataclass(frozen=True)
class Key:
    """Say what one key of the file may hold."""

    kind: str  # "text", "number", "flag", "choice", "pair", "places", "point"
    unit: str = ""
    low: float = -math.inf
    high: float = math.inf
    choices: tuple[str, ...] = ()
    required: bool = False


def _ohms(low: float = 0.0, high: float = 1e12, required: bool = False) -> Key:
    return Key("number", "ohm", low, high, required=required)


def _celsius(required: bool = False, high: float = 850.0) -> Key:
    return Key("number", "degrees C", -60.0, high, required=required)


ELEMENT: dict[str, Any] = {
    "curve": Key("choice", choices=CURVES),
    "r0_ohms": _ohms(0.1, 1e7),
    "beta_kelvin": Key("number", "K", 500.0, 10000.0),
    "fault": Key("choice", choices=("none", "open", "short")),
    "open_position": Key("number", "fraction of the element", 0.0, 1.0),
    "short_ohms": _ohms(1e-3, 1e4),
    "self_heating_kelvin_per_milliwatt": Key("number", "K/mW", 0.0, 5.0),
    "self_heating_tau_s": Key("number", "s", 0.01, 1000.0),
    "lead_ohms": _ohms(1e-3, 1e4),
    "emf_microvolts": Key("number", "uV", -1000.0, 1000.0),
}
KEYS: dict[str, Any] = {
    "name": Key("text", required=True),
    "story": Key("text", required=True),
    "element": ELEMENT,
    "new_part": ELEMENT,
    "temperature": {
        "celsius": _celsius(),
        "start_celsius": _celsius(),
        "ambient_celsius": _celsius(),
        "tau_minutes": Key("number", "min", 0.001, 10000.0),
    },
    "control": {
        "on_celsius": _celsius(required=True),
        "off_celsius": _celsius(required=True),
        "full_celsius": _celsius(required=True, high=3000.0),
        "tau_minutes": Key("number", "min", 0.1, 10000.0, required=True),
        "start_celsius": _celsius(),
    },
    "room": {"celsius": Key("number", "degrees C", -40.0, 60.0)},
    "harness": {
        "ohms_each": _ohms(1e-3, 1e6),
        "series_ohms": _ohms(0.0, 1e9),
        "lead": Key("choice", choices=LEADS),
        "end": Key("choice", choices=("control-end", "sensor")),
        "repaired": Key("flag"),
        "intermittent": {
            "period_s": Key("number", "s", 0.002, 3600.0, required=True),
            "open_ms": Key("number", "ms", 0.05, 3.6e6, required=True),
            "where": Key("choice", choices=("harness", "sensor")),
            "lead": Key("choice", choices=LEADS),
            "when": Key("choice", choices=("always", "bent")),
            "first_s": Key("number", "s", 0.0, 86400.0),
            "step_ohms": _ohms(0.01, 1e9),
        },
    },
    "leak": {
        "ohms": _ohms(0.01, 1e12, required=True),
        "from": Key("point", required=True),
        "where": Key("choice", choices=("sensor", "harness")),
    },
    "foreign": {
        "dc_volts": Key("number", "V", -60.0, 60.0),
        "ac_volts": Key("number", "V rms", 0.0, 42.0),
        "hertz": Key("number", "Hz", 1.0, 1000.0),
        "source_ohms": _ohms(0.01, 1e9),
        "between": Key("pair", required=True),
        "places": Key("places"),
    },
    "pickup": {
        "picofarads": Key("number", "pF", 0.01, 1e5, required=True),
        "mains_volts": Key("number", "V rms", 0.0, 260.0),
        "hertz": Key("number", "Hz", 10.0, 400.0),
        "lead": Key("choice", choices=LEADS),
    },
    "chassis": {
        "jaw_1_ohms": _ohms(1e-3, 1e9),
        "jaw_2_ohms": _ohms(1e-3, 1e9),
        "painted": Key("flag"),
        "earthed": Key("flag"),
        "earth_ohms": _ohms(1e-3, 1e9),
    },
    "clips": {
        "contact_ohms": _ohms(1e-4, 1e4),
        "lost": Key("choice", choices=("none", "F+", "S+", "S-", "F-")),
    },
}


def _listed(choices: tuple[str, ...]) -> str:
    return ", ".join(f'"{c}"' for c in choices)


def _shown(value: object) -> str:
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        return f'the text "{value}"'
    return f"{value}"


def _check_value(key: Key, where: str, value: Any) -> None:
    if key.kind == "number":
        if isinstance(value, bool) or not isinstance(value, int | float) or not math.isfinite(value):
            raise ScenarioError(f"{where} must be a plain number in {key.unit}, not {_shown(value)}.")
        if not key.low <= value <= key.high:
            low, high = f"{key.low:g}", f"{key.high:g}"
            raise ScenarioError(f"{where} is {value}; it must lie between {low} and {high} {key.unit}.")
    elif key.kind == "text":
        if not isinstance(value, str) or not value.strip():
            raise ScenarioError(f"{where} must be a text, not {_shown(value)}.")
    elif key.kind == "flag":
        if not isinstance(value, bool):
            raise ScenarioError(f"{where} must be true or false, not {_shown(value)}.")
    elif key.kind == "choice":
        if value not in key.choices:
            close = difflib.get_close_matches(str(value), key.choices, 1)
            hint = f' (did you mean "{close[0]}"?)' if close else ""
            raise ScenarioError(f"{where} is {_shown(value)}; it must be one of {_listed(key.choices)}{hint}.")
    elif key.kind == "point":
        number = isinstance(value, int | float) and not isinstance(value, bool)
        if not (number and 0.0 <= value <= 1.0) and value not in LEADS:
            raise ScenarioError(
                f'{where} is {_shown(value)}; it must be "a", "b" or a position along the element from 0 to 1.'
            )
    elif key.kind == "pair":
        right = isinstance(value, list) and len(value) == 2 and value[0] != value[1]
        if not right or any(v not in POINTS for v in value):
            raise ScenarioError(f"{where} must name two different points out of {_listed(POINTS)}, not {value}.")
    elif key.kind == "places" and (not isinstance(value, list) or not value or any(v not in PLACES for v in value)):
        raise ScenarioError(f"{where} must be a list of places out of {_listed(PLACES)}, not {value}.")


def check_table(spec: dict[str, Any], path: str, table: Any) -> None:
    """Check a table of the file against the keys that it may have, and the tables in it.

    Args: `spec` maps a key to what it may hold, `path` is the table's name ("" for the whole file), `table` what
    TOML gave. Raises ScenarioError at the first mistake.
    """
    if not isinstance(table, dict):
        raise ScenarioError(f"[{path}] must be a table of keys, not {_shown(table)}.")
    for name, value in table.items():
        where = f"{path}.{name}" if path else name
        if name not in spec:
            close = difflib.get_close_matches(name, spec, 1, 0.3)
            nearest = close[0] if close else sorted(spec)[0]
            prefix = f"{path}." if path else ""
            raise ScenarioError(
                f'Unknown key "{where}"; the nearest valid one is "{prefix}{nearest}" (valid here: {", ".join(spec)}).'
            )
        entry = spec[name]
        if isinstance(entry, dict):
            check_table(entry, where, value)
        else:
            _check_value(entry, where, value)
    for name, entry in spec.items():
        if isinstance(entry, Key) and entry.required and name not in table:
            place = f"in [{path}]" if path else "at the top of the file"
            raise ScenarioError(f'The key "{name}" is missing {place}.')
