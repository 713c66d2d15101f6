"""The ADS1220 24-bit delta-sigma converter: timing, multiplexer, references, amplifier limits, errors.

Source throughout: Texas Instruments SBAS501 (ADS1220), revision C of 2016, sections as named below; what is from
memory or a model of our own says so.

Analogue side, our model: the result is the input's mean over the conversion, even or weighted by the 50/60 Hz filter.
Below and above the amplifier's input range each of its two halves stops at the limit, so that the difference
shrinks and goes to zero when both are out; every such conversion is counted in `range_violations`.
"""

from __future__ import annotations

import math
import random
from collections.abc import Callable, Mapping, Sequence
from typing import Any, Protocol

from ..circuit.specimen import AdcErrors
from .ads1220_filter import Weight, mains_weight
from .ads1220_serial import GAINS, Serial

# 8.3.5, table of conversion times: t_CLK by data rate code, continuous and single shot (the latter from the sheet's
# forum for 20 SPS and from the sister part's table, four of its clocks to ours, for the others).
NORMAL_CLOCKS = (204768, 91120, 46128, 23664, 12464, 6896, 4144)
SINGLE_SHOT_EXTRA_CLOCKS = (82, 98, 98, 98, 98, 98, 98)
TURBO_SINGLE_SHOT_EXTRA_CLOCKS = (50, 58, 58, 58, 58, 58, 58)
NORMAL_RATES = (20, 45, 90, 175, 330, 600, 1000)
# 8.4.2.2: the first conversion starts this long after START.
START_CLOCKS = {0: 210, 1: 210, 2: 114}
CLOCK_HZ = 4_096_000
POWER_UP_US = 50.0
RESET_CLOCKS = 32
# 8.6.1: multiplexer codes 0 to 7 as pairs of inputs, 8 to 11 against AVSS.
PAIRS = ((0, 1), (0, 2), (0, 3), (1, 2), (1, 3), (2, 3), (1, 0), (3, 2))
# 8.3.2, table 8-1: the amplifier's own share of the gain.
AMPLIFIER_GAIN = {1: 1, 2: 1, 4: 1, 8: 2, 16: 4, 32: 8, 64: 16, 128: 32}
IDAC_AMPS = (0.0, 10e-6, 50e-6, 100e-6, 250e-6, 500e-6, 1000e-6, 1500e-6)
INTERNAL_REFERENCE_VOLTS = 2.048
SENSOR_CELSIUS_PER_CODE = 0.03125
# Turbo mode at twice the rate has about this times the noise of normal mode at the same setting (own estimate).
_TURBO_NOISE = 1.08
# How close the amplifier's outputs come to its rails (8.3.2.1).
OUTPUT_MARGIN_VOLTS = 0.2


class Analog(Protocol):
    """Give the chip its pins' voltages: what the board's circuit does, or a fake one in a test."""

    @property
    def avdd_volts(self) -> float:
        """Return the analogue supply [V]."""

    @property
    def celsius(self) -> float:
        """Return the chip's temperature [degrees C]."""

    def look(self, duration_us: float) -> None:
        """Begin to watch the pins for a conversion of `duration_us` [us]."""

    def look_away(self) -> None:
        """Stop watching the pins."""

    def means(
        self, nets: Sequence[str], weight: Weight | None, loads: Mapping[str, tuple[float, float]]
    ) -> list[float]:
        """Return the pins' weighted mean voltages [V] since `look`, loaded by input currents (A, S)."""

    def inject(self, amps: dict[str, float]) -> None:
        """Feed the chip's own current sources into pins [A by net]."""


class Ads1220(Serial):
    """Be one ADS1220.

    Args: `analog` gives the pins, `errors` this chip's own errors, `figures` the table [chips.adc] of the tester's
    description, `now_us` the simulated time [us], `noise` whether conversions carry noise, `seed` its source.
    """

    def __init__(
        self,
        analog: Analog,
        errors: AdcErrors,
        figures: Mapping[str, Any],
        now_us: Callable[[], int],
        noise: bool = True,
        seed: int = 0,
    ) -> None:
        super().__init__(now_us, float(figures["clock_hz"]) * (1.0 + errors.clock))
        self._analog = analog
        self._errors = errors
        self._noise = random.Random(seed ^ 0xAD51220) if noise else None
        self._nets = {i: str(figures[f"ain{i}"]) for i in range(4)}
        self._refp0, self._refn0 = str(figures["refp0"]), str(figures["refn0"])
        self._pga_low_volts = float(figures["pga_min_volts"])
        self._pga_high_volts = float(figures["pga_max_volts"])
        self._noise_volts = {
            int(rate): [1e-6 * float(x) for x in row] for rate, row in figures["noise_microvolts"].items()
        }
        # At 20 SPS by gain from 8 on; taken to rise with the rate as at gain 1.
        self._high_gain_noise_volts = [1e-6 * float(x) for x in figures["noise_microvolts_high_gain"]]
        # Conversions with an input outside the amplifier's range: the firmware should never do it.
        self.range_violations = 0
        self.conversions = 0
        # Inputs beyond the rails in a conversion: a foreign voltage, not the firmware's doing.
        self.overrange_conversions = 0
        self._done_us: float | None = None
        self.asleep = False
        self.power_on()

    # ------------------------------------------------------------ supply

    def power_on(self) -> None:
        """Come up after the supply: registers zero, idle, deaf for 50 us (8.4.1)."""
        self.powered = True
        self._selected = False
        self._reset()

    def power_off(self) -> None:
        """Lose the supply."""
        self.powered = False
        self._abandon()
        self._analog.inject({})

    def _reset(self) -> None:
        self.registers[:] = bytes(4)
        self.asleep = False
        self._ready_us = self._now_us() + POWER_UP_US + RESET_CLOCKS * 1e6 / self.clock_hz
        self._buffer = 0
        self._unread = False
        self.drdy = 1
        self._abandon()
        self._reset_interface()
        self._apply_sources()

    # ------------------------------------------------------------ conversions

    def conversion_clocks(self, single_shot: bool) -> int:
        """Return the time of a conversion at the present settings [t_CLK], from START for a single shot."""
        code = self.rate_code
        clocks = NORMAL_CLOCKS[code]
        extra = SINGLE_SHOT_EXTRA_CLOCKS
        if self.mode == 2:
            clocks, extra = clocks // 2, TURBO_SINGLE_SHOT_EXTRA_CLOCKS
        if single_shot:
            return clocks + extra[code]
        # Duty-cycle mode converts a quarter of the time.
        return clocks * 4 if self.mode == 1 else clocks

    @property
    def converting(self) -> bool:
        """Tell whether a conversion is under way."""
        return self._done_us is not None

    def next_event_us(self) -> int | None:
        """Return when the conversion under way ends [us], or None."""
        return None if self._done_us is None else math.ceil(self._done_us)

    def period_us(self) -> float:
        """Return the time from one conversion to the next in continuous mode [us]."""
        return self.conversion_clocks(False) * 1e6 / self.clock_hz

    def skip_to(self, before_us: int) -> bool:
        """Pass over continuous conversions that nobody can read before `before_us` [us]; True if any were."""
        if self._done_us is None or not self.continuous:
            return False
        period = self.period_us()
        passed = int((before_us - self._done_us) / period) - 1
        if passed <= 0:
            return False
        self._done_us += passed * period
        self.conversions += passed
        return True

    def _begin(self) -> None:
        self.asleep = False
        self.drdy = 1
        self._unread = False
        now = self._now_us()
        if self.continuous:
            clocks = START_CLOCKS[self.mode] + self.conversion_clocks(False)
        else:
            clocks = self.conversion_clocks(True)
        self._done_us = now + clocks * 1e6 / self.clock_hz
        self._apply_sources()
        self._analog.look(self._done_us - now)

    def _abandon(self) -> None:
        self._done_us = None
        self._analog.look_away()

    def finish(self) -> None:
        """End the conversion under way: compute its result and pull DRDY low; the board calls it in time."""
        assert self._done_us is not None
        self._buffer = self._convert()
        self.conversions += 1
        self._unread = True
        self.drdy = 0
        if self.continuous:
            self._done_us += self.period_us()
            self._analog.look(self.period_us())
        else:
            self._done_us = None
            self._analog.look_away()

    def _sleep(self) -> None:
        self._abandon()
        self.asleep = True
        self.drdy = 1
        self._apply_sources()

    def _convert(self) -> int:
        if self.senses_temperature:
            celsius = self._analog.celsius + self._errors.sensor_celsius
            code = round(celsius / SENSOR_CELSIUS_PER_CODE)
            return max(-8192, min(8191, code)) << 10
        gain = self.gain
        volts = self._input_volts()
        if self.mux in (12, 13):
            full_scale = INTERNAL_REFERENCE_VOLTS * (1.0 + self._errors.reference)
        else:
            full_scale = self._reference_volts() / gain
        if full_scale <= 0:
            return 0x7FFFFF if volts > 0 else -0x800000
        volts = volts * (1.0 + self._errors.gain_error[gain]) + self._errors.offset_volts[gain]
        if self._noise is not None:
            volts += self._noise.gauss(0.0, self.noise_volts())
        x = volts / full_scale
        if abs(x) < 1.0:
            # Peaks of one: odd part at 0.58, even part at 0.71 of full scale; both vanish at zero and at the ends.
            x += self._errors.inl_odd * 2.598 * x * (1.0 - x * x)
            x += self._errors.inl_even * 4.0 * x * x * (1.0 - x * x)
        return max(-0x800000, min(0x7FFFFF, round(x * 0x800000)))

    def noise_volts(self) -> float:
        """Return the input-referred noise of one conversion at the present settings [V rms]."""
        row = self._noise_volts[NORMAL_RATES[self.rate_code]]
        gain = self.gain
        index = GAINS.index(gain)
        if gain <= 4:
            volts = row[index]
        else:
            volts = self._high_gain_noise_volts[index - 3] * row[0] / self._noise_volts[NORMAL_RATES[0]][0]
        return volts * (_TURBO_NOISE if self.mode == 2 else 1.0)

    def _loads(self, pins: Sequence[str]) -> dict[str, tuple[float, float]]:
        e = self._errors
        if self.bypassed:
            return {p: (e.input_amps_bypass.get(p, 0.0), e.input_siemens_bypass.get(p, 0.0)) for p in pins}
        return {p: (e.input_amps_pga.get(p, 0.0), 0.0) for p in pins}

    def _weight(self) -> Weight | None:
        return mains_weight(self.filter_code) if self.filter_code else None

    def _input_volts(self) -> float:
        mux = self.mux
        avdd = self._analog.avdd_volts
        if mux == 14:
            return 0.0
        if mux == 15:
            self.misuses.append("multiplexer code 15 is reserved")
            return 0.0
        if mux == 13:
            return avdd / 4.0 * (1.0 + self._errors.monitor_gain)
        if mux == 12:
            p, n = (self._nets[0], self._nets[3]) if self.registers[2] >> 6 == 2 else (self._refp0, self._refn0)
            high, low = self._means((p, n))
            return (high - low) / 4.0 * (1.0 + self._errors.monitor_gain)
        if mux >= 8:
            (positive,) = self._means((self._nets[mux - 8],))
            negative = 0.0
        else:
            a, b = PAIRS[mux]
            positive, negative = self._means((self._nets[a], self._nets[b]))
        return self._amplified(positive, negative, avdd)

    def _means(self, nets: Sequence[str]) -> list[float]:
        return self._analog.means(nets, self._weight(), self._loads(nets))

    def _amplified(self, positive: float, negative: float, avdd: float) -> float:
        """Return the differential voltage [V] that gets through the input stage."""
        if self.bypassed:
            # 8.3.2.2: right from AVSS - 0.1 V to AVDD + 0.1 V.
            low, high = -0.1, avdd + 0.1
            if min(positive, negative) < low or max(positive, negative) > high:
                self.overrange_conversions += 1
            return min(max(positive, low), high) - min(max(negative, low), high)
        low, high = self._pga_low_volts, min(self._pga_high_volts, avdd - OUTPUT_MARGIN_VOLTS)
        amplification = AMPLIFIER_GAIN[self.gain]
        a = min(max(positive, low), high)
        b = min(max(negative, low), high)
        middle, half = (a + b) / 2.0, amplification * (a - b) / 2.0
        top, bottom = avdd - OUTPUT_MARGIN_VOLTS, OUTPUT_MARGIN_VOLTS
        out_p = min(max(middle + half, bottom), top)
        out_n = min(max(middle - half, bottom), top)
        # A clipped output matters only where the converter would not be at its own full scale anyway.
        inside = a == positive and b == negative and out_p == middle + half and out_n == middle - half
        if not inside:
            self.range_violations += 1
            return (out_p - out_n) / amplification
        return positive - negative

    def _reference_volts(self) -> float:
        choice = self.registers[2] >> 6
        if choice == 0:
            return INTERNAL_REFERENCE_VOLTS * (1.0 + self._errors.reference)
        if choice == 3:
            return self._analog.avdd_volts
        p, n = (self._refp0, self._refn0) if choice == 1 else (self._nets[0], self._nets[3])
        high, low = self._analog.means((p, n), None, {})
        if high - low < 0.75:
            self.misuses.append("external reference below 0.75 V")
        return high - low

    def _apply_sources(self) -> None:
        """Feed burn-out and excitation sources into the pins as the registers say (8.3.8, 8.3.10)."""
        amps: dict[str, float] = {}

        def feed(net: str, value: float) -> None:
            amps[net] = amps.get(net, 0.0) + value

        if not self.asleep and self.powered:
            if self.registers[1] & 0x01 and self.mux <= 11:
                a, b = PAIRS[self.mux] if self.mux < 8 else (self.mux - 8, -1)
                feed(self._nets[a], self._errors.burn_out_amps)
                if b >= 0:
                    feed(self._nets[b], -self._errors.burn_out_amps)
            current = IDAC_AMPS[self.registers[2] & 7] * (1.0 + self._errors.idac)
            pins = ("", *self._nets.values(), self._refp0, self._refn0, "")
            for code in (self.registers[3] >> 5, (self.registers[3] >> 2) & 7):
                if pins[code] and current:
                    feed(pins[code], current)
        self._analog.inject(amps)
