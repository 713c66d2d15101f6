"""What a hand does at the tester and in the world around it, and what the eye sees of them."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from probecore.checking import DEFAULT_SETUP
from probeledger.virtual.actors import Script
from probeledger.virtual.device import VirtualTester

from . import dots
from .keyboard import Act
from .sounds import Heard, heard

__all__ = ["FASTEST", "Hand", "Scene"]

FASTEST, _SLOWEST = 1024.0, 0.125

# How long a finger stays on a key, and away from it before the next press [simulated s].
_SHORT_S, _LONG_S, _GAP_S = 0.15, 1.0, 0.15


_KEYS = {"back": "BACK", "ok": "OK", "next": "NEXT"}
_PLACES = {
    "sensor": "sensor",
    "control-end": "control end",
    "new-part": "new part",
    "after-fitting": "fitted part",
    "together": "together",
    "resistor": "check resistor",
    "none": "nothing",
}
# Sounds that are still told; the tones of the last of them may still come.
_TOLD = 12
_TONES_KEPT = 64


@dataclass(frozen=True)
class Scene:
    """Hold all that is shown of one moment.

    `picture` is the display's glass [1024 bytes]; `place` is what the probe clips hold; `slipped` is the name of a clip
    that slipped off, or None; `bent_s` is how long the harness is still bent [simulated s]; `state` is the tester's:
    "on", "off" or "program ended"; `elapsed_us` and `epoch_s` are the simulated time since the beginning [us] and of
    day [s since 1970, UTC]; `waiting_s` is how long a quick wait still takes [simulated s]; `as_text`
    asks for the words on the glass instead of its dots.
    """

    oven: str
    picture: bytes
    place: str
    slipped: str | None
    chassis: bool
    usb: bool
    bent_s: float
    state: str
    sounds: tuple[Heard, ...]
    elapsed_us: int
    epoch_s: float
    speed: float
    waiting_s: float = 0.0
    message: str = ""
    as_text: bool = False


class Hand:
    """Act on a virtual tester and its world as a person would.

    Args:
        tester: a `VirtualTester` that has been started.
        oven: the oven's name.
        speed: simulated seconds a real one.
    """

    def __init__(self, tester: VirtualTester, oven: str, speed: float = 1.0) -> None:
        self._tester = tester
        self._speed = speed
        self._free_us = 0
        self._wait_until_us = 0
        self._powered = True
        self._as_text = False
        self.oven = oven
        self.message = ""

    @property
    def waiting(self) -> bool:
        """Tell whether time runs ahead."""
        return self._wait_until_us > 0

    def act(self, act: Act) -> None:
        """Do something, and keep in `message` what was done, in words. An unknown act is none."""
        do: Callable[[str], str] | None = getattr(self, "_do_" + act.name, None)
        if do is not None:
            self.message = do(act.value)

    def stop_waiting(self) -> None:
        """End a wait early."""
        self._wait_until_us = 0

    def scene(self) -> Scene:
        """Return what there is to see now."""
        return self._tester.do(self._look)

    def _look(self) -> Scene:
        world, tester = self._tester.world, self._tester
        now_us = tester.now_us
        if not self._powered:
            state = "off"
        elif tester.at_prompt and not tester.port_was_opened:
            state = "program ended"
        else:
            state = "on"
        return Scene(
            oven=self.oven,
            picture=dots.glass(world.display),
            place=self._place(),
            slipped=world.lost_clip,
            chassis=world.chassis_clipped,
            usb=world.usb_plugged,
            bent_s=world.bent_for_s,
            state=state,
            sounds=tuple(heard(world.beeps[-_TONES_KEPT:])[-_TOLD:]),
            elapsed_us=now_us,
            epoch_s=world.epoch_s,
            speed=self._speed,
            waiting_s=max(0.0, (self._wait_until_us - now_us) / 1e6),
            message=self.message,
            as_text=self._as_text,
        )

    def _place(self) -> str:
        world = self._tester.world
        if world.bench is not None:
            return _PLACES["resistor" if world.bench.ohms else "together"]
        return _PLACES[world.place or "none"]

    # ------------------------------------------------------------ acts, by name

    def _do_press(self, key: str) -> str:
        self._push(key, _SHORT_S)
        return f"{_KEYS[key]} pressed"

    def _do_hold(self, key: str) -> str:
        self._push(key, _LONG_S)
        return f"{_KEYS[key]} held"

    def _push(self, key: str, hold_s: float) -> None:
        """Press a key once the finger is free of the press before."""
        now_us = self._tester.now_us
        at_us = max(now_us, self._free_us)
        self._free_us = at_us + round((hold_s + _GAP_S) * 1e6)
        if at_us == now_us:
            self._tester.do(lambda: self._tester.world.press(key, hold_s))
            return

        def later() -> Script:
            yield (at_us - now_us) / 1e6
            self._tester.world.press(key, hold_s)

        self._tester.begin(later())

    def _do_clip(self, place: str) -> str:
        world = self._tester.world
        if place == "none":
            self._tester.do(world.unclip)
            return "probe clips taken off"
        if place == "together":
            self._tester.do(lambda: world.clip_resistor(0.0))
            return "probe clips on one wire, together"
        if place == "resistor":
            self._tester.do(lambda: world.clip_resistor(DEFAULT_SETUP.resistor_ohms, DEFAULT_SETUP.isolation_ohms))
            return "probe clips on the check resistor"
        self._tester.do(lambda: world.clip(place))
        return f"probe clips on: {_PLACES[place]}"

    def _do_chassis(self, wanted: str) -> str:
        world = self._tester.world
        on = wanted == "on" if wanted else not world.chassis_clipped
        self._tester.do(world.clip_chassis if on else world.unclip_chassis)
        return "chassis clip put on" if on else "chassis clip taken off"

    def _do_slip(self, clip: str) -> str:
        world = self._tester.world
        if not clip:
            clip = "none" if world.lost_clip else "S+"
        self._tester.do(lambda: world.lose_clip(None if clip == "none" else clip))
        return "all clips hold again" if clip == "none" else f"clip {clip} slipped off its terminal"

    def _do_usb(self, wanted: str) -> str:
        plug = wanted == "in" if wanted else not self._tester.world.usb_plugged
        if plug:
            self._tester.plug_usb()
            return f"USB plugged in; the port is {self._tester.port}"
        self._tester.unplug_usb()
        return "USB unplugged"

    def _do_flex(self, seconds: str) -> str:
        self._tester.do(lambda: self._tester.world.bend(float(seconds)))
        return f"harness bent for {float(seconds):g} s"

    def _do_power(self, wanted: str) -> str:
        on = wanted == "on" if wanted else not self._powered
        self._powered = on
        if on:
            self._tester.power_on()
            return "power on"
        self._tester.power_off()
        return "power off: the cell is out"

    def _do_wait(self, seconds: str) -> str:
        """Let time run as fast as it goes for a while, or until `stop_waiting`."""
        tester = self._tester
        longer_us = round(float(seconds) * 1e6)
        if tester.do(lambda: self._wait_longer(longer_us)):
            return ""
        tester.usb_pace = None
        tester.pace = None

        def pass_time() -> Script:
            while tester.now_us < self._wait_until_us:
                yield min(0.25, (self._wait_until_us - tester.now_us) / 1e6)
            self._wait_until_us = 0
            tester.pace = self._speed
            tester.usb_pace = 1.0

        tester.begin(pass_time())
        return ""

    def _wait_longer(self, longer_us: int) -> bool:
        """Add to the wait; tell whether there was one already."""
        waited = self.waiting
        self._wait_until_us = max(self._wait_until_us, self._tester.now_us) + longer_us
        return waited

    def _do_text(self, _: str) -> str:
        self._as_text = not self._as_text
        return "the display as text; t shows its dots again" if self._as_text else "the display's dots"

    def _do_faster(self, _: str) -> str:
        return self._go(min(FASTEST, self._speed * 2))

    def _do_slower(self, _: str) -> str:
        return self._go(max(_SLOWEST, self._speed / 2))

    def _go(self, speed: float) -> str:
        self._speed = speed
        if not self.waiting:
            self._tester.pace = speed
        return f"speed {speed:g} times real time"
