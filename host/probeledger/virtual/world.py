"""What is outside the tester's case: the oven, the clips, the keys, the plug, the room, the display's glass.

Everything is in simulated time, counted in microseconds since the world began. The board moves the time;
a script of the technician's day acts on the world between two of its steps.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from .scenario import PLACES, Scenario, ScenarioError

if TYPE_CHECKING:
    from .chips.ssd1306 import Ssd1306

KEYS = ("back", "ok", "next")


@dataclass(frozen=True)
class Beep:
    """Hold one tone of the buzzer: when it began [us], its pitch [Hz] and its length [ms]."""

    time_us: int
    hz: int
    duration_ms: float


@dataclass(frozen=True)
class BenchResistor:
    """Describe a resistor on the bench: its value [ohm] and, optionally, a second one from one end to the
    chassis clip [ohm]."""

    ohms: float
    to_chassis_ohms: float | None = None


@dataclass
class World:
    """Hold the state of everything outside the case.

    Args: `scenario` is the oven that the technician stands at (None: nothing but a bench); `room_celsius`
    is the room without an oven; `cell_volts` is the cell's voltage; `start_epoch_s` is the true time of day
    [s since 1970, UTC] when the world began; `seed` feeds everything random in it.
    """

    scenario: Scenario | None = None
    room_celsius: float = 23.0
    cell_volts: float = 3.95
    start_epoch_s: int = 1_795_593_600  # 2026-11-25 08:00:00 UTC
    seed: int = 0
    usb_plugged: bool = False
    # The tester's inside follows the room slowly; a bench run may fix it here.
    tester_celsius: float | None = None

    now_us: int = field(default=0, init=False)
    version: int = field(default=0, init=False)
    place: str | None = field(default=None, init=False)
    bench: BenchResistor | None = field(default=None, init=False)
    chassis_clipped: bool = field(default=False, init=False)
    lost_clip: str | None = field(default=None, init=False)
    arrived_us: int = field(default=0, init=False)
    beeps: list[Beep] = field(default_factory=list, init=False)
    display: Ssd1306 | None = field(default=None, init=False)
    _keys_down_until_us: dict[str, float] = field(default_factory=dict, init=False)
    _bent_until_us: float = field(default=0.0, init=False)

    # ------------------------------------------------------------ the oven and the clips

    def visit(self, scenario: Scenario | None) -> None:
        """Stand at another oven (None: at the bench); everything comes off, its temperature course starts now."""
        self.scenario = scenario
        self.arrived_us = self.now_us
        self.place = None
        self.bench = None
        self.chassis_clipped = False
        self.lost_clip = None
        self._changed()

    def clip(self, place: str) -> None:
        """Clip the probe leads on at `place`: "sensor", "control-end", "new-part" or "after-fitting".

        Raises ScenarioError where the place is unknown or there is no oven to clip to.
        """
        if place not in PLACES:
            raise ScenarioError(f'There is no place "{place}" to clip to; choose one of {", ".join(PLACES)}.')
        if self.scenario is None:
            raise ScenarioError("There is no oven here to clip to; visit one first.")
        self.place = place
        self.bench = None
        self._changed()

    def clip_resistor(self, ohms: float, to_chassis_ohms: float | None = None) -> None:
        """Clip a bench resistor of `ohms` [ohm] on (0 shorts the clips; inf leaves them open), optionally with
        a second one from the lead a side to the chassis clip [ohm]."""
        self.place = None
        self.bench = BenchResistor(float(ohms), to_chassis_ohms)
        self._changed()

    def unclip(self) -> None:
        """Take the probe clips off: they hang in the air."""
        self.place = None
        self.bench = None
        self._changed()

    def clip_chassis(self) -> None:
        """Put the chassis clip on the metal (or paint) that the scenario offers."""
        self.chassis_clipped = True
        self._changed()

    def unclip_chassis(self) -> None:
        """Take the chassis clip off."""
        self.chassis_clipped = False
        self._changed()

    def lose_clip(self, name: str | None) -> None:
        """Let one of the clips "F+", "S+", "S-", "F-" slip off its terminal (None: all hold again)."""
        if name not in (None, "F+", "S+", "S-", "F-"):
            raise ScenarioError(f'There is no clip "{name}"; choose F+, S+, S- or F-.')
        self.lost_clip = name
        self._changed()

    def bend(self, seconds: float = 10.0) -> None:
        """Bend the harness for `seconds` [s] from now."""
        self._bent_until_us = max(self._bent_until_us, self.now_us + seconds * 1e6)
        self._changed()

    @property
    def bent(self) -> bool:
        """Tell whether the harness is being bent now."""
        return self.now_us < self._bent_until_us

    @property
    def bent_for_s(self) -> float:
        """Return how long the harness is still being bent [s]."""
        return max(0.0, (self._bent_until_us - self.now_us) / 1e6)

    # ------------------------------------------------------------ keys, plug, buzzer, display

    def press(self, key: str, seconds: float = 0.1) -> None:
        """Press the key "back", "ok" or "next" for `seconds` [s] from now."""
        if key not in KEYS:
            raise ScenarioError(f'There is no key "{key}"; the keys are {", ".join(KEYS)}.')
        self._keys_down_until_us[key] = self.now_us + seconds * 1e6

    def key_is_down(self, key: str) -> bool:
        """Tell whether a key is held down now."""
        return self.now_us < self._keys_down_until_us.get(key, 0.0)

    def key_releases_us(self) -> list[int]:
        """Return when each key that was pressed goes up again [us]."""
        return [math.ceil(t) for t in self._keys_down_until_us.values()]

    def plug_usb(self) -> None:
        """Plug the tester's USB into the shop's computer (earthed, as most are)."""
        self.usb_plugged = True
        self._changed()

    def unplug_usb(self) -> None:
        """Pull the USB plug."""
        self.usb_plugged = False
        self._changed()

    @property
    def screen(self) -> bytes:
        """Return the display's memory: 1024 bytes, page by page, bit 0 on top."""
        return bytes(self.display.ram) if self.display is not None else bytes(1024)

    # ------------------------------------------------------------ temperatures and time

    @property
    def ambient_celsius(self) -> float:
        """Return the room's temperature [degrees C]."""
        return self.scenario.room_celsius if self.scenario is not None else self.room_celsius

    @property
    def epoch_s(self) -> float:
        """Return the true time of day [s since 1970, UTC]."""
        return self.start_epoch_s + self.now_us * 1e-6

    def element_celsius(self, at_us: float | None = None) -> float:
        """Return the temperature around the element clipped on [degrees C] at a time [us] (default: now)."""
        seconds = ((self.now_us if at_us is None else at_us) - self.arrived_us) * 1e-6
        if self.scenario is None or self.place is None:
            return self.ambient_celsius
        if self.place in ("new-part", "after-fitting"):
            return self.scenario.room_celsius
        return self.scenario.celsius_after(seconds)

    def next_change_us(self, after_us: int) -> float:
        """Return the next time [us] after `after_us` at which the probe circuit changes by itself, or inf."""
        times = [math.inf]
        if after_us < self._bent_until_us:
            times.append(math.ceil(self._bent_until_us))
        if self.scenario is not None and self.place is not None:
            times.append(self.scenario.next_contact_change_us(after_us, self.arrived_us))
        return min(times)

    def _changed(self) -> None:
        self.version += 1
