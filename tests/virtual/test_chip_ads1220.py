"""The ADS1220 model against its data sheet: Texas Instruments SBAS501 (sections named beside each check)."""

import math

import numpy as np
import pytest

from probeledger.virtual.chips.ads1220 import Ads1220
from probeledger.virtual.chips.ads1220_filter import mains_weight
from probeledger.virtual.circuit import description as descriptions
from probeledger.virtual.circuit import specimen as specimens

DESCRIPTION = descriptions.load()
FIGURES = DESCRIPTION.chips["adc"]
IDEAL = specimens.nominal(DESCRIPTION).adc
SPI = (2_000_000, 0, 1)
CLOCK_HZ = 4.096e6


class Pins:
    """Constant or waving voltages on the chip's pins, by net."""

    avdd_volts = 3.3
    celsius = 25.0

    def __init__(self, **volts):
        self.volts = {"AIN0": 1.65, "AIN1": 1.65, "AIN2": 1.65, "AIN3": 1.65, "REFP0": 0.0, "REFN0": 0.0}
        self.volts |= volts
        self.injected = {}
        self.now_us = 0
        self.begun_us = None

    def look(self, duration_us):
        assert duration_us > 0
        self.begun_us = self.now_us

    def look_away(self):
        self.begun_us = None

    def means(self, nets, weight, loads):
        out = []
        for net in nets:
            level = self.volts[net]
            if callable(level):
                t = np.linspace(self.begun_us, self.now_us, 4001)
                w = np.ones_like(t) if weight is None else weight(np.linspace(0, 1, 4001))
                level = float(np.trapezoid(w * level(t * 1e-6), t) / np.trapezoid(w, t))
            out.append(level)
        return out

    def inject(self, amps):
        self.injected = amps


class Bench:
    """A chip on a bench with its time."""

    def __init__(self, noise=False, errors=IDEAL, **volts):
        self.pins = Pins(**volts)
        self.chip = Ads1220(self.pins, errors, FIGURES, lambda: self.pins.now_us, noise, 1)
        self.wait(1000)

    def wait(self, us):
        end = self.pins.now_us + us
        event = self.chip.next_event_us()
        while event is not None and event <= end:
            self.pins.now_us = event
            self.chip.finish()
            event = self.chip.next_event_us()
        self.pins.now_us = end

    def spi(self, *data, mode=SPI):
        self.chip.select(True)
        out = self.chip.transfer(bytes(data), *mode)
        self.chip.select(False)
        return out

    def convert(self, register_0=0, register_1=0, register_2=0xC0):
        self.spi(0x43, register_0, register_1, register_2, 0)
        self.spi(0x08)
        self.wait(self.chip.next_event_us() - self.pins.now_us)
        return int.from_bytes(self.spi(0, 0, 0), "big", signed=True)


# ---------------------------------------------------------------- 8.5.3 commands, 8.6 registers


def test_registers_are_zero_after_reset_and_read_back_what_was_written():
    bench = Bench()
    assert bench.spi(0x23, 0, 0, 0, 0) == bytes(5)
    bench.spi(0x43, 0x35, 0x04, 0xD0, 0x02)
    # RREG of four from register 0, of one from register 2; the answer follows the command byte.
    assert bench.spi(0x23, 0, 0, 0, 0)[1:] == bytes([0x35, 0x04, 0xD0, 0x02])
    assert bench.spi(0x28, 0)[1:] == bytes([0xD0])
    # WREG of one to register 3 leaves the others; its lowest bit is reserved.
    bench.spi(0x4C, 0x91)
    assert bench.spi(0x23, 0, 0, 0, 0)[1:] == bytes([0x35, 0x04, 0xD0, 0x90])
    bench.spi(0x06)
    bench.wait(100)
    assert bench.spi(0x23, 0, 0, 0, 0)[1:] == bytes(4)
    assert bench.chip.misuses == []


def test_a_command_within_58_us_of_a_reset_is_lost_and_counted():
    # 8.4.1, 8.5.3.1: 50 us + 32 t_CLK = 57.8 us.
    bench = Bench()
    bench.spi(0x06)
    bench.wait(56)
    bench.spi(0x40, 0x0E)
    bench.wait(3)
    assert bench.spi(0x20, 0)[1:] == b"\x00"
    assert any("ready" in m for m in bench.chip.misuses)


def test_there_is_no_self_calibration_command():
    bench = Bench()
    bench.spi(0x04)
    assert bench.chip.misuses == ["unknown command 0x04"]


@pytest.mark.parametrize("select_high_between", [True, False])
def test_frames_need_no_select_edge_between_them(select_high_between):
    bench = Bench()
    bench.chip.select(True)
    bench.chip.transfer(bytes([0x40, 0x31]), *SPI)
    if select_high_between:
        bench.chip.select(False)
        bench.chip.select(True)
    assert bench.chip.transfer(bytes([0x20, 0]), *SPI)[1:] == b"\x31"


def test_an_unfinished_command_is_forgotten_after_the_timeout():
    # 8.5.1.6: 13955 t_MOD of 3.9 us in normal mode.
    bench = Bench()
    bench.chip.select(True)
    bench.chip.transfer(bytes([0x43, 0x11]), *SPI)
    bench.wait(55_000)
    assert bench.chip.transfer(bytes([0x20, 0]), *SPI)[1:] == b"\x11"


# ---------------------------------------------------------------- 8.3.7 / 8.4 timing


@pytest.mark.parametrize(
    ("code", "clocks"),
    # 8.3.5, conversion times of normal mode.
    [(0, 204768), (1, 91120), (2, 46128), (3, 23664), (4, 12464), (5, 6896), (6, 4144)],
)
def test_continuous_conversions_take_the_table_s_clocks(code, clocks):
    bench = Bench()
    bench.spi(0x43, 0x01, code << 5 | 0x04, 0xC0, 0)
    begun = bench.pins.now_us
    bench.spi(0x08)
    first = bench.chip._done_us
    # 8.4.2.2: the first conversion starts 210 t_CLK after START.
    assert first - begun == pytest.approx((clocks + 210) * 1e6 / CLOCK_HZ, abs=0.01)
    bench.wait(math.ceil(first) - bench.pins.now_us)
    assert bench.chip.drdy == 0
    assert bench.chip._done_us - first == pytest.approx(clocks * 1e6 / CLOCK_HZ, abs=0.01)


def test_single_shot_at_20_sps_takes_204850_clocks():
    # 8.3.5, single-shot column (the maker's forum repeats the figure); 50.01 ms at 4.096 MHz.
    bench = Bench()
    bench.spi(0x43, 0x01, 0x00, 0xC0, 0)
    begun = bench.pins.now_us
    bench.spi(0x08)
    assert bench.chip._done_us - begun == pytest.approx(204850 / 4.096, abs=0.01)


def test_turbo_takes_half_and_duty_cycle_four_times_the_clocks():
    for mode, factor in ((2, 0.5), (1, 4)):
        bench = Bench()
        bench.spi(0x43, 0x01, 3 << 5 | mode << 3 | 0x04, 0xC0, 0)
        assert bench.chip.period_us() == pytest.approx(23664 * factor / 4.096, abs=0.01)


def test_the_chip_s_own_clock_error_scales_the_time():
    errors = specimens.draw(DESCRIPTION, 5).adc
    bench = Bench(errors=errors)
    begun = bench.pins.now_us
    bench.spi(0x08)
    assert abs(errors.clock) > 1e-4
    assert bench.chip._done_us - begun == pytest.approx(204850 / 4.096 / (1 + errors.clock), rel=1e-9)


def test_drdy_falls_with_the_result_and_rises_when_it_has_been_read():
    bench = Bench(AIN0=2.0, AIN1=1.0)
    bench.spi(0x43, 0x01, 0xC0, 0xC0, 0)
    assert bench.chip.drdy == 1
    bench.spi(0x08)
    event = bench.chip.next_event_us()
    bench.wait(event - bench.pins.now_us - 1)
    assert bench.chip.drdy == 1
    bench.wait(1)
    assert bench.chip.drdy == 0
    bench.chip.select(True)
    bench.chip.transfer(bytes(2), *SPI)
    assert bench.chip.drdy == 0
    bench.chip.transfer(bytes(1), *SPI)
    assert bench.chip.drdy == 1
    # RDATA gives the same result again, at any time (8.5.3.4).
    assert bench.spi(0x10, 0, 0, 0)[1:] == round(1.0 / 3.3 * 2**23).to_bytes(3, "big")


def test_writing_a_register_restarts_a_conversion_but_starts_none():
    bench = Bench()
    bench.spi(0x40, 0x01)
    assert not bench.chip.converting
    bench.spi(0x08)
    first = bench.chip.next_event_us()
    bench.wait(10_000)
    bench.spi(0x40, 0x31)
    assert bench.chip.next_event_us() == first + 10_000


def test_power_down_stops_and_start_wakes():
    bench = Bench()
    bench.spi(0x44, 0x04)
    bench.spi(0x08)
    bench.spi(0x02)
    assert not bench.chip.converting
    bench.spi(0x08)
    assert bench.chip.converting


def test_commands_can_be_sent_while_data_are_read():
    # 8.5.4: WREG in the same frame as the data bytes does not disturb them.
    bench = Bench(AIN0=2.0, AIN1=1.0)
    bench.spi(0x43, 0x01, 0x04, 0xC0, 0)
    bench.spi(0x08)
    bench.wait(60_000)
    expected = round(1.0 / 3.3 * 2**23).to_bytes(3, "big")
    assert bench.spi(0x40, 0x31, 0x00) == expected
    assert bench.spi(0x20, 0)[1:] == b"\x31"


def test_drdym_puts_data_ready_on_dout():
    bench = Bench()
    bench.spi(0x4C, 0x02)
    bench.spi(0x08)
    assert bench.chip.miso == 1
    bench.wait(51_000)
    assert bench.chip.miso == 0


# ---------------------------------------------------------------- 8.5.1 the serial mode


def test_another_spi_mode_gives_nonsense_and_is_counted():
    bench = Bench()
    bench.spi(0x40, 0x5A)
    assert bench.spi(0x20, 0, mode=(2_000_000, 0, 0))[1:] != b"\x5a"
    assert bench.chip.mode_violations == 1


def test_a_clock_above_6_67_mhz_is_counted():
    # 6.6: t_c(SC) at least 150 ns.
    bench = Bench()
    bench.spi(0x20, 0, mode=(6_600_000, 0, 1))
    assert bench.chip.clock_violations == 0
    bench.spi(0x20, 0, mode=(8_000_000, 0, 1))
    assert bench.chip.clock_violations == 1


# ---------------------------------------------------------------- 8.5.2 codes, 8.3.1 multiplexer, 8.3.6 references


@pytest.mark.parametrize(
    ("of_full_scale", "code"),
    # 8.5.2, table of ideal codes: full scale clips.
    [
        (1.0, 0x7FFFFF),
        (1.0 / 2**23, 1),
        (0.0, 0),
        (-1.0 / 2**23, -1),
        (-1.0, -0x800000),
        (1.3, 0x7FFFFF),
        (-1.3, -0x800000),
    ],
)
def test_codes_are_two_s_complement_and_saturate(of_full_scale, code):
    # Internal 2.048 V, gain 1, bypassed: +-1.3 of full scale stays within the supply for one input at a time.
    low = max(0.0, -2.048 * of_full_scale)
    bench = Bench(AIN0=low + 2.048 * of_full_scale, AIN1=low)
    assert bench.convert(0x01, 0, 0x00) == code


@pytest.mark.parametrize("code", range(8))
def test_gain_codes_divide_full_scale(code):
    # 8.3.2, table 8-2: 2.048 V / gain.
    gain = 2**code
    volts = 0.5 * 2.048 / gain
    bench = Bench(AIN0=1.65 + volts / 2, AIN1=1.65 - volts / 2)
    assert bench.convert(code << 1, 0, 0x00) == pytest.approx(2**22, abs=1)


@pytest.mark.parametrize(
    ("mux", "positive", "negative"),
    # 8.6.1, register 0.
    [
        (0, 0, 1), (1, 0, 2), (2, 0, 3), (3, 1, 2), (4, 1, 3), (5, 2, 3), (6, 1, 0), (7, 3, 2),
        (8, 0, None), (9, 1, None), (10, 2, None), (11, 3, None),
    ],
)  # fmt: skip
def test_multiplexer_codes(mux, positive, negative):
    volts = [1.0, 1.3, 1.9, 2.2]
    bench = Bench(**{f"AIN{k}": v for k, v in enumerate(volts)})
    difference = volts[positive] - (0.0 if negative is None else volts[negative])
    assert bench.convert(mux << 4 | 1) == round(difference / 3.3 * 2**23)


def test_monitors_divide_by_four_and_take_the_internal_reference():
    # 8.3.11.
    bench = Bench(REFP0=2.9, REFN0=0.5)
    assert bench.convert(0xC0 | 2 << 1, 0, 0x40) / 2**23 * 2.048 * 4 == pytest.approx(2.4, abs=2e-6)
    assert bench.convert(0xD0) / 2**23 * 2.048 * 4 == pytest.approx(3.3, abs=2e-6)
    assert bench.convert(0xE0) == 0


@pytest.mark.parametrize(
    ("register_2", "reference"),
    # 8.6.3, VREF field: internal, REFP0-REFN0, AIN0-AIN3, AVDD.
    [(0x00, 2.048), (0x40, 2.4), (0x80, 1.5), (0xC0, 3.3)],
)
def test_reference_choices(register_2, reference):
    bench = Bench(AIN0=2.5, AIN3=1.0, AIN1=2.0, AIN2=1.5, REFP0=2.6, REFN0=0.2)
    assert bench.convert(0x31, 0, register_2) == round(0.5 / reference * 2**23)


@pytest.mark.parametrize(
    ("celsius", "raw"),
    # 8.3.13, table of temperature codes, 14 bits left-justified in 24.
    [
        (127.96875, 0x3FFC00), (100.0, 0x320000), (75.0, 0x258000), (50.0, 0x190000), (25.0, 0x0C8000),
        (0.25, 0x002000), (0.03125, 0x000400), (0.0, 0x000000), (-0.25, 0xFFE000), (-25.0, 0xF38000),
        (-40.0, 0xEC0000),
    ],
)  # fmt: skip
def test_temperature_sensor_codes(celsius, raw):
    bench = Bench()
    bench.pins.celsius = celsius
    assert bench.convert(0, 0x02) & 0xFFFFFF == raw


def test_ratio_of_a_published_example():
    # Ratiometric worked example, Rx 500 ohm against 1500 ohm at gain 2 (R = Rref code / (gain 2^23)): code 5592405.
    bench = Bench(AIN0=1.65 + 0.125, AIN1=1.65 - 0.125, REFP0=1.65 + 0.375, REFN0=1.65 - 0.375)
    assert bench.convert(1 << 1, 0, 0x40) == pytest.approx(5592405, abs=1)


# ---------------------------------------------------------------- 8.3.2 the amplifier's range


def test_inside_its_range_the_amplifier_is_right_and_nothing_is_counted():
    bench = Bench(AIN1=2.0, AIN2=1.0)
    assert bench.convert(0x30) == round(1.0 / 3.3 * 2**23)
    assert bench.chip.range_violations == 0


@pytest.mark.parametrize(("high", "low"), [(3.28, 3.27), (0.3, 0.2), (0.01, 0.0)])
def test_outside_its_range_the_amplifier_is_wrong_and_counted_but_not_bypassed(high, low):
    # 8.3.2.1 and 8.3.2.2: common mode from a quarter of the supply to 0.2 V below it; bypassed from rail to rail.
    bench = Bench(AIN1=high, AIN2=low)
    right = round((high - low) / 3.3 * 2**23)
    assert abs(bench.convert(0x30) - right) > 1000
    assert bench.chip.range_violations == 1
    assert bench.convert(0x31) == right
    assert bench.chip.range_violations == 1


def test_against_ground_and_for_the_monitors_the_amplifier_is_bypassed_by_itself():
    # 8.3.2.2: MUX 1000 to 1011, gain limited to 4.
    bench = Bench(AIN0=0.1)
    assert bench.convert(0x80 | 5 << 1) == round(0.1 * 4 / 3.3 * 2**23)
    assert bench.chip.range_violations == 0
    assert "input against AVSS with the amplifier not bypassed" in bench.chip.misuses


def test_bypass_is_ignored_above_gain_4():
    bench = Bench(AIN1=3.28, AIN2=3.27)
    bench.convert(0x30 | 3 << 1 | 1)
    assert bench.chip.range_violations == 1


# ---------------------------------------------------------------- errors, noise, filter


def test_noise_is_the_table_s_and_repeats_with_its_seed():
    # Table 1 (from memory): 20 SPS gain 4 1.15 uV rms, 1000 SPS gain 1 38 uV.
    for register_0, register_1, microvolts in ((2 << 1, 0x00, 1.15), (0, 0xC0, 38.0)):
        bench = Bench(noise=True)
        full_scale = 3.3 / (4 if register_0 else 1)
        seen = [bench.convert(register_0, register_1) for _ in range(400)]
        volts = np.std(seen) / 2**23 * full_scale
        # 400 values: 3.5 % standard deviation of the estimate.
        assert volts * 1e6 == pytest.approx(microvolts, rel=0.15)
        again = Bench(noise=True)
        assert [again.convert(register_0, register_1) for _ in range(5)] == seen[:5]


def test_a_drawn_chip_s_linearity_error_stays_within_the_sheet_s_maximum():
    # 6.5: 15 ppm of full scale at most, fitted line removed.
    for seed in range(6):
        errors = specimens.draw(DESCRIPTION, seed).adc
        bench = Bench(errors=errors)
        x = np.linspace(-0.98, 0.98, 41)
        codes = []
        for value in x:
            bench.pins.volts |= {"AIN0": 1.65 + 1.65 * value, "AIN1": 1.65 - 1.65 * value}
            codes.append(bench.convert(0x01))
        line = np.polyval(np.polyfit(x, codes, 1), x)
        assert 0.5 < np.max(np.abs(np.array(codes) - line)) / 2**23 * 1e6 < 15.0


@pytest.mark.parametrize("hertz", [50.0, 60.0])
def test_the_50_and_60_hz_filter_rejects_what_a_plain_average_lets_through(hertz):
    # 8.3.4 and 6.5: at 20 SPS both mains frequencies by 80 dB and more; 90 dB typical.
    def course(t):
        return 1.65 + 0.5 * np.sin(2 * np.pi * hertz * t + 0.3)

    bench = Bench(AIN0=course, AIN1=1.65)
    filtered = bench.convert(0x01, 0x00, 0xD0) / 2**23 * 3.3
    assert abs(filtered) < 0.5 * 10 ** (-80 / 20)
    fast = [bench.convert(0x01, 0xC0) / 2**23 * 3.3 for _ in range(60)]
    # 1000 SPS sees it as it is: 0.354 V rms.
    assert np.std(fast) == pytest.approx(0.5 / math.sqrt(2), rel=0.06)


def test_the_filter_s_bandwidth_is_the_sheet_s():
    # 8.3.4: -3 dB at 13.1 Hz for 20 SPS. The model's weights were not fitted to that figure.
    u = np.linspace(0, 1, 8001)
    w = mains_weight(1)(u)
    w /= np.trapezoid(w, u)

    def response(hertz):
        return abs(np.trapezoid(w * np.exp(2j * np.pi * hertz * u * 0.049992), u))

    assert response(13.1) == pytest.approx(math.sqrt(0.5), rel=0.02)
    for hertz in (49.0, 50.0, 51.0, 59.0, 60.0, 61.0):
        assert 20 * math.log10(response(hertz)) < -80


def test_burn_out_sources_push_and_pull_10_microamperes():
    # 8.3.10.
    bench = Bench()
    bench.spi(0x43, 0x31, 0x01, 0xC0, 0)
    assert bench.pins.injected == {"AIN1": pytest.approx(10e-6), "AIN2": pytest.approx(-10e-6)}
    bench.spi(0x44, 0x00)
    assert bench.pins.injected == {}


def test_excitation_sources_reach_the_chosen_pins():
    # 8.6.3 and 8.6.4: IDAC 100 for 250 uA, I1MUX 001 AIN0, I2MUX 101 REFP0.
    bench = Bench()
    bench.spi(0x48 | 1, 0xC4, 1 << 5 | 5 << 2)
    assert bench.pins.injected == {"AIN0": pytest.approx(250e-6), "REFP0": pytest.approx(250e-6)}


def test_the_mains_filter_outside_20_sps_is_a_misuse():
    # 8.6.3: set 00 for all other data rates.
    bench = Bench()
    bench.spi(0x43, 0x01, 0xC0, 0xD0, 0)
    assert bench.chip.misuses == ["50/60 Hz filter outside 20 SPS"]
