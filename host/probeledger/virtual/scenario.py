"""Scenario files: one oven with its probe, its faults and its room, described in TOML and checked strictly.

A scenario is data about an invented kitchen; nothing in it knows of verdicts. An unknown key, a wrong type, a
value out of range raises ScenarioError with one sentence that names the key and what would be right.
"""

from __future__ import annotations

import difflib
import math
from dataclasses import dataclass, fields
from pathlib import Path
from typing import Any

from probeledger import tomlfile
from probeledger.errors import InputError

from .scenario_keys import CURVES, ELEMENT, KEYS, LEADS, PLACES, POINTS, ScenarioError, check_table

__all__ = ["CURVES", "LEADS", "PLACES", "POINTS", "Scenario", "ScenarioError", "from_table", "load", "names"]

NOMINAL_OHMS = {"pt100-3850": 100.0, "pt500-3850": 500.0}
OVENS = Path(__file__).parent / "ovens"


@dataclass(frozen=True)
class Element:
    """Describe the resistor in the tube: its curve, its value and its fault."""

    curve: str = "pt1000-3850"
    r0_ohms: float = 1000.0
    beta_kelvin: float = 3950.0
    fault: str = "none"
    open_position: float = 0.5
    short_ohms: float = 0.5
    self_heating_kelvin_per_milliwatt: float = 0.15
    self_heating_tau_s: float = 4.0
    lead_ohms: float = 0.05
    emf_microvolts: float = 1.5


@dataclass(frozen=True)
class Temperature:
    """Describe the element's temperature course: constant, or an exponential approach to an end value."""

    start_celsius: float
    end_celsius: float
    tau_minutes: float = math.inf

    def after(self, seconds: float) -> float:
        """Return the temperature [degrees C] `seconds` [s] after the arrival at the oven."""
        if self.start_celsius == self.end_celsius:
            return self.end_celsius
        decay = math.exp(-max(seconds, 0.0) / (60.0 * self.tau_minutes))
        return self.end_celsius + (self.start_celsius - self.end_celsius) * decay


@dataclass(frozen=True)
class Control:
    """Describe an oven that an on-off control heats: one heat store of time constant `tau_minutes`.

    Heating goes off at `off_celsius` and on again at `on_celsius`. It would end at `full_celsius` were it never off, at
    `idle_celsius` were it never on. So each phase is an exponential approach, and the cycle repeats exactly.
    """

    on_celsius: float
    off_celsius: float
    full_celsius: float
    tau_minutes: float
    start_celsius: float
    idle_celsius: float

    def _seconds(self, start_celsius: float, end_celsius: float, towards_celsius: float) -> float:
        """Return how long the way from one temperature to another takes, heading `towards_celsius` [s]."""
        return 60.0 * self.tau_minutes * math.log((towards_celsius - start_celsius) / (towards_celsius - end_celsius))

    @property
    def heat_up_s(self) -> float:
        """Return when the heating goes off for the first time [s]."""
        return self._seconds(self.start_celsius, self.off_celsius, self.full_celsius)

    @property
    def off_s(self) -> float:
        """Return how long the heating is off in each cycle [s]."""
        return self._seconds(self.off_celsius, self.on_celsius, self.idle_celsius)

    @property
    def on_s(self) -> float:
        """Return how long the heating is on in each cycle [s]."""
        return self._seconds(self.on_celsius, self.off_celsius, self.full_celsius)

    @property
    def mean_celsius(self) -> float:
        """Return the mean temperature over whole cycles [degrees C]."""
        duty = self.on_s / (self.on_s + self.off_s)
        return self.idle_celsius + (self.full_celsius - self.idle_celsius) * duty

    def after(self, seconds: float) -> float:
        """Return the temperature [degrees C] `seconds` [s] after the arrival, when the oven was switched on."""
        since_s = max(seconds, 0.0)
        if since_s < self.heat_up_s:
            start, towards = self.start_celsius, self.full_celsius
        else:
            since_s = (since_s - self.heat_up_s) % (self.off_s + self.on_s)
            start, towards = self.off_celsius, self.idle_celsius
            if since_s >= self.off_s:
                since_s -= self.off_s
                start, towards = self.on_celsius, self.full_celsius
        return towards + (start - towards) * math.exp(-since_s / (60.0 * self.tau_minutes))


@dataclass(frozen=True)
class Intermittent:
    """Describe a contact that opens: every `period_s`, for `open_ms`, in the harness or at the sensor."""

    period_s: float
    open_ms: float
    where: str = "harness"
    lead: str = "a"
    when: str = "always"
    first_s: float = 0.5
    step_ohms: float = math.inf

    def is_open(self, seconds: float) -> bool:
        """Tell whether the contact is open `seconds` [s] after the arrival (bending not considered)."""
        since = seconds - self.first_s
        return since >= 0 and (since % self.period_s) < self.open_ms * 1e-3 - 5e-7


@dataclass(frozen=True)
class Harness:
    """Describe the wires from the sensor's connector to the control: good ohms a wire, and a bad joint."""

    ohms_each: float = 0.08
    series_ohms: float = 0.0
    lead: str = "a"
    end: str = "control-end"
    repaired: bool = False


@dataclass(frozen=True)
class Leak:
    """Describe a resistance from the element, a lead or the harness to the chassis."""

    ohms: float
    position: float = 0.0
    where: str = "sensor"


@dataclass(frozen=True)
class Foreign:
    """Describe a foreign voltage: DC or AC (rms) behind a source resistance between two points."""

    dc_volts: float
    ac_volts: float
    hertz: float
    source_ohms: float
    between: tuple[str, str]
    places: tuple[str, ...]


@dataclass(frozen=True)
class Pickup:
    """Describe the stray capacitance from a live conductor to one lead."""

    picofarads: float
    mains_volts: float
    hertz: float
    lead: str


@dataclass(frozen=True)
class Chassis:
    """Describe what the chassis clip's two jaws touch and how the chassis is earthed."""

    jaw_1_ohms: float = 0.2
    jaw_2_ohms: float = 0.2
    painted: bool = False
    earthed: bool = True
    earth_ohms: float = 0.3


@dataclass(frozen=True)
class Clips:
    """Describe the contact of each probe clip with its terminal."""

    contact_ohms: float = 0.02
    lost: str = "none"


@dataclass(frozen=True)
class Scenario:
    """Hold one oven: everything that the circuit needs and nothing about what the tester should find."""

    name: str
    story: str
    room_celsius: float
    element: Element
    temperature: Temperature | Control
    new_part: Element
    harness: Harness
    intermittent: Intermittent | None
    leak: Leak | None
    foreign: Foreign | None
    pickup: Pickup | None
    chassis: Chassis
    clips: Clips
    path: Path | None = None

    def celsius_after(self, seconds: float) -> float:
        """Return the temperature around the element [degrees C] `seconds` [s] after the arrival."""
        return self.temperature.after(seconds)

    def next_contact_change_us(self, after_us: int, arrived_us: int) -> float:
        """Return when the intermittent contact opens or closes next [us] after `after_us`, or inf."""
        joint = self.intermittent
        if joint is None:
            return math.inf
        period_us = joint.period_s * 1e6
        first_us = arrived_us + joint.first_s * 1e6
        start = first_us + math.floor((after_us - first_us) / period_us) * period_us
        for k in range(3):
            for edge in (0.0, joint.open_ms * 1e3):
                t = math.ceil(start + k * period_us + edge)
                if t > after_us and t >= first_us:
                    return t
        return math.ceil(first_us)


def _element(table: dict[str, Any], base: Element | None = None) -> Element:
    values = dict(table)
    if "r0_ohms" not in values:
        curve = values.get("curve", base.curve if base else "pt1000-3850")
        if curve in ("ntc-beta", "resistor"):
            raise ScenarioError(f'The key "r0_ohms" is missing beside curve = "{curve}".')
        values["r0_ohms"] = NOMINAL_OHMS.get(curve, 1000.0)
    if base is not None:
        values.setdefault("curve", base.curve)
    return Element(**values)


def _temperature(table: dict[str, Any], room_celsius: float) -> Temperature:
    course = {"start_celsius", "tau_minutes"} & table.keys()
    if "celsius" in table:
        if len(table) > 1:
            raise ScenarioError(
                "[temperature] has celsius beside a course; give either celsius alone or "
                "start_celsius, ambient_celsius and tau_minutes."
            )
        return Temperature(table["celsius"], table["celsius"])
    if not course:
        if table:
            raise ScenarioError("[temperature] has ambient_celsius alone; add start_celsius and tau_minutes.")
        return Temperature(room_celsius, room_celsius)
    if len(course) < 2:
        raise ScenarioError("[temperature] needs both start_celsius and tau_minutes for a course.")
    return Temperature(table["start_celsius"], table.get("ambient_celsius", room_celsius), table["tau_minutes"])


def _control(table: dict[str, Any], room_celsius: float) -> Control:
    control = Control(**{"start_celsius": room_celsius, "idle_celsius": room_celsius} | table)
    rising = ("idle_celsius", "on_celsius", "off_celsius", "full_celsius")
    for lower, higher in zip(rising, rising[1:], strict=False):
        low, high = getattr(control, lower), getattr(control, higher)
        if low >= high:
            name = "room.celsius" if lower == "idle_celsius" else f"control.{lower}"
            raise ScenarioError(f"{name} is {low:g}; it must be below control.{higher}, which is {high:g}.")
    if not control.start_celsius < control.off_celsius:
        raise ScenarioError(
            f"control.start_celsius is {control.start_celsius:g}; it must be below control.off_celsius, "
            f"{control.off_celsius:g}."
        )
    return control


def from_table(table: dict[str, Any], path: Path | None = None) -> Scenario:
    """Build a scenario from a table as TOML gives it; `path` is only remembered.

    Raises ScenarioError in one sentence where a key, a type or a value is wrong.
    """
    check_table(KEYS, "", table)
    room = table.get("room", {}).get("celsius", 23.0)
    element = _element(table.get("element", {}))
    if "control" in table and "temperature" in table:
        raise ScenarioError("The file has both [temperature] and [control]; give one of them.")
    spare = table.get("new_part")
    if spare is None:
        # A new part of the same curve without the old one's fault.
        spare = {"curve": element.curve}
        if element.curve in ("ntc-beta", "resistor"):
            spare |= {"r0_ohms": element.r0_ohms, "beta_kelvin": element.beta_kelvin}
    elif element.curve in ("ntc-beta", "resistor") and "curve" not in spare:
        spare = {"r0_ohms": element.r0_ohms, "beta_kelvin": element.beta_kelvin} | spare
    wires = dict(table.get("harness", {}))
    joint_table = wires.pop("intermittent", None)
    joint = Intermittent(**joint_table) if joint_table is not None else None
    if joint is not None and joint.open_ms >= joint.period_s * 1e3:
        raise ScenarioError(
            f"harness.intermittent.open_ms is {joint.open_ms:g}; it must be shorter than the period of "
            f"{joint.period_s:g} s."
        )
    leak = None
    if "leak" in table:
        leak_table = table["leak"]
        start = leak_table["from"]
        position = {"a": 0.0, "b": 1.0}.get(start, start) if isinstance(start, str) else float(start)
        leak = Leak(leak_table["ohms"], float(position), leak_table.get("where", "sensor"))
        if leak.where == "harness" and leak.position not in (0.0, 1.0):
            raise ScenarioError('leak.from must be "a" or "b" where the leak is in the harness.')
    foreign = None
    if "foreign" in table:
        given = table["foreign"]
        if ("dc_volts" in given) == ("ac_volts" in given):
            raise ScenarioError("[foreign] needs exactly one of dc_volts and ac_volts.")
        foreign = Foreign(
            given.get("dc_volts", 0.0),
            given.get("ac_volts", 0.0),
            given.get("hertz", 50.0),
            given.get("source_ohms", 100.0),
            (given["between"][0], given["between"][1]),
            tuple(given.get("places", ("sensor", "control-end", "after-fitting"))),
        )
    pickup = None
    if "pickup" in table:
        given = table["pickup"]
        pickup = Pickup(
            given["picofarads"], given.get("mains_volts", 230.0), given.get("hertz", 50.0),
            given.get("lead", "a"),
        )  # fmt: skip
    return Scenario(
        name=table["name"],
        story=table["story"],
        room_celsius=room,
        element=element,
        temperature=_control(table["control"], room)
        if "control" in table
        else _temperature(table.get("temperature", {}), room),
        new_part=_element(spare, element),
        harness=Harness(**wires),
        intermittent=joint,
        leak=leak,
        foreign=foreign,
        pickup=pickup,
        chassis=Chassis(**table.get("chassis", {})),
        clips=Clips(**table.get("clips", {})),
        path=path,
    )


def load(path: Path | str) -> Scenario:
    """Read a scenario from a TOML file, or one of the built-in ovens by its name.

    Args: `path` is a file, or the name of a built-in oven such as "good-sensor". Raises ScenarioError in one
    sentence that names the file where it is missing, unreadable or wrong.
    """
    source = Path(path)
    if not source.exists() and source.suffix == "" and source.name == str(path):
        builtin = OVENS / f"{path}.toml"
        if builtin.exists():
            source = builtin
        else:
            close = difflib.get_close_matches(str(path), names(), 1)
            hint = f' (did you mean "{close[0]}"?)' if close else ""
            raise ScenarioError(
                f'There is no scenario file or built-in oven "{path}"{hint}; the built-in ones are '
                f"{', '.join(names())}."
            )
    try:
        table = tomlfile.parse(tomlfile.read(source, "scenario file"), f"The scenario file {source}")
    except InputError as error:
        raise ScenarioError(error.message) from None
    try:
        return from_table(table, source)
    except ScenarioError as error:
        raise ScenarioError(f"{source}: {error}") from None


def names() -> list[str]:
    """Return the names of the built-in ovens."""
    return sorted(p.stem for p in OVENS.glob("*.toml"))


assert {f.name for f in fields(Element)} == set(ELEMENT), "the element's keys and fields differ"
