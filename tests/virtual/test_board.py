"""The board as the firmware sees it: pins and buses in, ohms and levels out, checked against what is put on."""

import math
from dataclasses import replace

import numpy as np
import pytest

from probeledger.virtual import scenario
from probeledger.virtual.board import NoAnswer, VirtualBoard
from probeledger.virtual.circuit import description as descriptions
from probeledger.virtual.circuit import specimen as specimens
from probeledger.virtual.circuit.probe import element_ohms
from probeledger.virtual.world import World

DESCRIPTION = descriptions.load()
PINS = DESCRIPTION.pins
BASE = {"name": "x", "story": "Invented for this test."}
CHAIN_OHMS = 3300.0 + 1000.0 + 30.0


class Bench:
    """A board with the few moves that a driver makes."""

    def __init__(self, folder, specimen=None, room_celsius=23.0):
        self.world = World(room_celsius=room_celsius)
        self.board = VirtualBoard(
            DESCRIPTION, specimen or specimens.nominal(DESCRIPTION), self.world, folder / "flash.img", folder / "clock"
        )
        self.board.advance(1000)
        self.wire()

    def wire(self):
        self.board.spi_configure(0, 2_000_000, 0, 1)
        self.board.gpio_configure(PINS["adc_cs"], "out", None, 1)

    def visit(self, table, place="sensor"):
        self.world.visit(scenario.from_table(BASE | table))
        self.world.clip(place)
        self.world.clip_chassis()

    def drive(self, **levels):
        for name, level in levels.items():
            pin = PINS["drive_" + name]
            if level is None:
                self.board.gpio_configure(pin, "in")
            else:
                self.board.gpio_configure(pin, "out", None, level)

    def spi(self, *data):
        self.board.gpio_write(PINS["adc_cs"], 0)
        out = self.board.spi_transfer(0, bytes(data))
        self.board.gpio_write(PINS["adc_cs"], 1)
        return out

    def volts(self, mux, gain_code=0, bypass=0, rate=0, mains=1, extra=0):
        register_2 = 0xC0 | (mains << 4 if rate == 0 else 0)
        self.spi(0x43, mux << 4 | gain_code << 1 | bypass, rate << 5 | extra, register_2, 0)
        self.spi(0x08)
        while self.board.gpio_read(PINS["adc_drdy"]):
            self.board.advance(max(self.board.next_event_us() - self.board.now_us, 1))
        code = int.from_bytes(self.spi(0, 0, 0), "big", signed=True)
        full_scale = 2.048 if mux in (12, 13) else 3.3 * (1 + self.board.specimen.supply) / 2**gain_code
        return code / 2**23 * full_scale * (4 if mux in (12, 13) else 1)

    def ohms(self, drive="a", bypass=0, gain_code=1, wait_us=5000):
        reference = probe = 0.0
        for level in (1, 0):
            self.drive(**{drive: level, "b": 1 - level})
            self.board.advance(wait_us)
            sign = 1 if level else -1
            reference -= sign * self.volts(2, gain_code, bypass)
            probe += sign * self.volts(3, gain_code, bypass)
        return 1500.0 * probe / reference


@pytest.fixture
def bench(tmp_path):
    made = Bench(tmp_path)
    yield made
    made.board.close()


# ---------------------------------------------------------------- measuring through the chip


@pytest.mark.parametrize("ohms", [0.0, 10.0, 1000.0, 1100.0, 2000.0, 4000.0])
def test_an_ideal_tester_reads_a_bench_resistor(bench, ohms):
    bench.world.clip_resistor(ohms)
    # 3.3 V / 2 / 2^23 is 0.2 uV: 0.7 mohm.
    assert bench.ohms() == pytest.approx(ohms, rel=20e-6, abs=2e-3)
    assert bench.board.adc.range_violations == 0


@pytest.mark.parametrize("ohms", [1e4, 1e5, 1e6])
def test_the_high_range_reads_in_the_bypassed_setting(bench, ohms):
    bench.world.clip_resistor(ohms)
    assert bench.ohms("high_range", 1, 0, 30_000) == pytest.approx(ohms, rel=0.003)


def test_the_reference_case_reads_the_table_s_value(bench):
    # IEC 60751: 100 ohm element 109.7347 ohm at 25 degrees C by the standard's equation; times ten.
    bench.visit({"element": {"lead_ohms": 0.001, "emf_microvolts": 0.0, "self_heating_kelvin_per_milliwatt": 0.0},
                 "temperature": {"celsius": 25.0}})  # fmt: skip
    assert bench.ohms() == pytest.approx(1097.347, abs=0.005)


def test_reversal_cancels_thermal_voltage_and_one_direction_does_not(bench):
    bench.visit({"element": {"curve": "resistor", "r0_ohms": 1000.0, "lead_ohms": 0.001, "emf_microvolts": 200.0}})
    assert bench.ohms() == pytest.approx(1000.002, abs=0.003)
    bench.drive(a=1, b=0)
    bench.board.advance(5000)
    single = 1500.0 * bench.volts(3, 1) / -bench.volts(2, 1)
    # 200 uV over 0.297 mA.
    assert abs(single - 1000.0) == pytest.approx(200e-6 / 0.297e-3, rel=0.02)


def test_a_drawn_tester_is_off_by_its_reference_and_repeats(tmp_path):
    specimen = specimens.draw(DESCRIPTION, 11)
    bench = Bench(tmp_path, specimen)
    bench.world.clip_resistor(1000.0)
    reading = bench.ohms()
    assert reading * (1 + specimen.values["R_REF"]) == pytest.approx(1000.0, rel=60e-6, abs=0.02)
    assert abs(specimen.values["R_REF"]) <= 0.0005
    assert specimens.draw(DESCRIPTION, 11) == specimen
    assert specimens.draw(DESCRIPTION, 12) != specimen
    bench.board.close()


def test_the_reference_s_temperature_coefficient_shows(tmp_path):
    readings = {}
    for celsius in (13.0, 33.0):
        folder = tmp_path / str(celsius)
        folder.mkdir()
        nominal = specimens.nominal(DESCRIPTION)
        specimen = replace(nominal, tempco_per_k=nominal.tempco_per_k | {"R_REF": 10e-6})
        bench = Bench(folder, specimen, celsius)
        bench.world.clip_resistor(1000.0)
        readings[celsius] = bench.ohms()
        bench.board.close()
    # 20 K at 10 ppm/K: 0.2 ohm lower when warm.
    assert readings[13.0] - readings[33.0] == pytest.approx(0.2, abs=0.003)


def test_a_cooling_element_is_followed(bench):
    bench.visit({"room": {"celsius": 20.0}, "temperature": {"start_celsius": 60.0, "tau_minutes": 5.0},
                 "element": {"lead_ohms": 0.001, "self_heating_kelvin_per_milliwatt": 0.0}})  # fmt: skip
    element = bench.world.scenario.element
    for _ in range(3):
        begun = bench.board.now_us
        reading = bench.ohms()
        middle_s = (begun + bench.board.now_us) / 2e6 - bench.world.arrived_us * 1e-6
        celsius = 20 + 40 * math.exp(-middle_s / 300)
        # 0.13 K/s, 0.5 ohm/s: reference and probe are read 50 ms apart.
        assert reading == pytest.approx(element_ohms(element, celsius), abs=0.06)
        bench.board.advance(60_000_000)


def test_the_element_warms_itself_by_its_power(bench):
    bench.visit({"element": {"self_heating_kelvin_per_milliwatt": 1.0, "self_heating_tau_s": 2.0}})
    bench.drive(a=1, b=0)
    bench.board.advance(1000)
    bench.volts(3, 1)
    bench.board.advance(60_000_000)
    bench.volts(3, 1)
    # Published for 1100 ohm: 94 uW; at 1 K/mW that is 94 mK.
    assert bench.board.front.probe.self_heating_kelvin == pytest.approx(0.094, abs=0.002)


def test_leaving_the_amplifier_s_range_is_counted(bench):
    bench.world.clip_resistor(1000.0)
    bench.drive(a=1, b=1)
    bench.board.advance(5000)
    bench.volts(3, 1, 0)
    assert bench.board.adc.range_violations == 1
    bench.volts(3, 1, 1)
    assert bench.board.adc.range_violations == 1


# ---------------------------------------------------------------- isolation and chassis


@pytest.mark.parametrize("leak_ohms", [1e3, 4e4, 1e6])
@pytest.mark.parametrize("lead", ["a", "b"])
def test_a_leak_is_found_by_both_drops(bench, leak_ohms, lead):
    bench.visit({"leak": {"ohms": leak_ohms, "from": lead}})
    bench.drive(a=1, b=1)
    seen = []
    for level in (1, 0):
        bench.drive(chassis=level)
        bench.board.advance(30_000)
        near = bench.volts(9 if lead == "a" else 10, 0, 1)
        seen.append((-bench.volts(2, 2, 1), bench.volts(10, 0, 1), near, bench.volts(12)))
    amps = (seen[1][0] - seen[0][0]) / 1500.0 - (seen[1][1] - seen[0][1]) / CHAIN_OHMS
    leak_volts = (seen[1][2] - seen[1][3]) - (seen[0][2] - seen[0][3])
    # Clamps and bleeds at node B take some per mille of the current; at 1 kohm the leads' and jaws' ohms count too.
    assert leak_volts / amps == pytest.approx(leak_ohms, rel=0.01, abs=1.0)


def test_jaws_on_metal_have_contact_and_on_paint_not(bench):
    for painted, contact in ((False, True), (True, False)):
        bench.visit({"chassis": {"painted": painted}})
        bench.drive(chassis=1, jaw=0)
        bench.board.gpio_configure(PINS["jaw_select"], "out", None, 1)
        bench.board.advance(30_000)
        across = bench.volts(12)
        # 100 kohm each side: on metal 16 uA through 0.4 ohm, on paint the whole supply but the bleeds' share.
        assert (abs(across) < 1e-3) == contact
        if not contact:
            assert across > 2.5


def test_usb_on_an_earthed_oven_holds_the_chassis_at_ground(bench):
    bench.visit({})
    bench.drive(chassis=1)
    bench.board.advance(30_000)
    assert bench.volts(12) > 2.5
    bench.world.plug_usb()
    bench.board.advance(30_000)
    assert abs(bench.volts(12)) < 0.01
    assert bench.board.gpio_read(PINS["usb_sense"]) == 1


# ---------------------------------------------------------------- foreign voltage and hum


def test_a_direct_voltage_between_lead_and_chassis_is_seen_with_the_drivers_off(bench):
    bench.visit({"foreign": {"dc_volts": 1.0, "source_ohms": 100.0, "between": ["a", "chassis"]}})
    bench.board.advance(50_000)
    assert bench.volts(9, 0, 1) - bench.volts(12) == pytest.approx(1.0, abs=0.01)


def test_an_alternating_voltage_is_seen_in_fast_bursts_and_rejected_by_the_mains_filter(bench):
    bench.visit({"foreign": {"ac_volts": 0.5, "hertz": 50, "source_ohms": 100.0, "between": ["a", "chassis"]}})
    bench.board.advance(50_000)
    fast = [bench.volts(9, 0, 1, rate=6) - 1.65 for _ in range(100)]
    slow = [bench.volts(9, 0, 1) - 1.65 for _ in range(4)]
    mean = sum(fast) / len(fast)
    rms = math.sqrt(sum((v - mean) ** 2 for v in fast) / len(fast))
    # The lead swings against the chassis, and the tester's ground floats between them by the nodes' impedances.
    assert 0.2 < rms < 0.5
    assert max(slow) - min(slow) < 1e-3


def test_an_open_lead_picks_up_hum_that_a_driven_chassis_pin_pulls_down(bench):
    bench.visit(
        {"element": {"fault": "open", "open_position": 0.1}, "pickup": {"picofarads": 10.0, "mains_volts": 230.0}}
    )

    def rms():
        bench.board.advance(60_000)
        seen = [bench.volts(9, 0, 1, rate=6) for _ in range(100)]
        mean = sum(seen) / len(seen)
        return math.sqrt(sum((v - mean) ** 2 for v in seen) / len(seen))

    floating = rms()
    # The exact answer of the linear circuit (G + j w C) v = s, for 0.72 uA rms into the lead: about 0.14 V.
    now = bench.board.circuit._configuration()
    ((source, omega, _phase),) = now.alternating
    phasors = np.linalg.solve(now.conductance + 1j * omega * 1e6 * now.capacitance, source)
    exact = abs(phasors[bench.board.circuit.netlist.index["AIN1"]]) / math.sqrt(2)
    # 100 readings of 1 ms see five periods; each averages over a twentieth of one.
    assert floating == pytest.approx(exact, rel=0.03)
    assert 0.1 < exact < 0.2
    # Against the chassis tap: floating, the return is 340 kohm of each jaw's chain in parallel (170 kohm); with one
    # pin driven it is 105 kohm beside 340 (80 kohm). The lead's own side, 200 kohm and partly capacitive, stays.
    seen = []
    for level in (None, 0):
        bench.drive(chassis=level)
        now = bench.board.circuit._configuration()
        ((source, omega, _phase),) = now.alternating
        phasors = np.linalg.solve(now.conductance + 1j * omega * 1e6 * now.capacitance, source)
        index = bench.board.circuit.netlist.index
        seen.append(abs(phasors[index["AIN1"]] - phasors[index["REFP0"]]))
    assert 0.65 < seen[1] / seen[0] < 0.85


# ---------------------------------------------------------------- contacts in time


def test_a_dropout_is_seen_in_fast_readings_and_only_then(bench):
    bench.visit({"harness": {"intermittent": {"period_s": 0.5, "open_ms": 30.0, "first_s": 0.1}}}, "control-end")
    bench.drive(a=1, b=0)
    bench.board.advance(10_000)
    readings = []
    while bench.board.now_us < bench.world.arrived_us + 1_200_000:
        readings.append((bench.board.now_us - bench.world.arrived_us, bench.volts(3, 0, 1, rate=4)))
    open_times = [t for t, v in readings if v > 1.0]
    # Three dropouts of 30 ms; a conversion takes 3.1 ms and the message some more.
    assert {t // 500_000 for t in open_times} == {0, 1, 2}
    assert 3 * 7 <= len(open_times) <= 3 * 11
    assert all(90_000 < t % 500_000 < 140_000 for t in open_times)


def test_a_lost_sense_clip_reads_through_its_tie(bench):
    bench.world.clip_resistor(1000.0)
    bench.world.lose_clip("S+")
    bench.board.advance(10_000)
    # The tie of 470 kohm still carries the voltage; the filter is slow and the input current of an ideal chip nil.
    assert bench.ohms(wait_us=20_000) == pytest.approx(1000.0, abs=0.1)
    bench.drive(a=1, b=0)
    bench.spi(0x43, 0x31, 0x01, 0xC0, 0)
    bench.board.advance(50_000)
    pushed = bench.volts(3, 0, 1, extra=0x01)
    # Burn-out: 10 uA cannot go through 470 kohm below the supply, so the input goes to the rail.
    assert pushed > 1.0


# ---------------------------------------------------------------- pins, buses, supply


def test_keys_close_to_ground_for_their_time(bench):
    bench.board.gpio_configure(PINS["key_ok"], "in", "up")
    assert bench.board.gpio_read(PINS["key_ok"]) == 1
    bench.world.press("ok", 0.1)
    assert bench.board.gpio_read(PINS["key_ok"]) == 0
    assert bench.board.next_event_us() == bench.board.now_us + 100_000
    bench.board.advance(100_000)
    assert bench.board.gpio_read(PINS["key_ok"]) == 1


def test_an_input_pin_reads_its_node(bench):
    bench.drive(a=None, b=0)
    bench.world.clip_resistor(1000.0)
    bench.board.advance(20_000)
    assert bench.board.gpio_read(PINS["drive_a"]) == 0
    bench.drive(b=1)
    bench.board.advance(20_000)
    assert bench.board.gpio_read(PINS["drive_a"]) == 1


def test_beeps_are_written_down(bench):
    bench.board.pwm(PINS["buzzer"], 2000, 32768)
    bench.board.advance(150_000)
    bench.board.pwm(PINS["buzzer"], 2000, 0)
    (beep,) = bench.world.beeps
    assert (beep.hz, beep.duration_ms) == (2000, pytest.approx(150.0))


def test_the_cell_is_read_through_its_divider(bench):
    bench.world.cell_volts = 3.70
    counts = bench.board.adc_read_u16(PINS["cell_sense"])
    assert counts / 65535 * 3.3 / 0.5 == pytest.approx(3.70, abs=0.003)


def test_chips_answer_on_their_buses(bench):
    assert bench.board.i2c_scan() == [0x3C, 0x48, 0x68]
    bench.board.i2c_write(0x48, b"\x0f")
    assert bench.board.i2c_read(0x48, 2) == b"\x01\x17"
    with pytest.raises(NoAnswer):
        bench.board.i2c_write(0x50, b"\x00")
    bench.board.missing.add("display")
    with pytest.raises(NoAnswer):
        bench.board.i2c_write(0x3C, b"\x00\xaf")
    bench.board.spi_configure(1, 12_000_000, 0, 0)
    assert bench.board.spi_transfer(1, b"\x9f\0\0\0") == b"\xff" * 4
    bench.board.gpio_configure(PINS["flash_cs"], "out", None, 0)
    assert bench.board.spi_transfer(1, b"\x9f\0\0\0")[1:] == b"\xef\x40\x16"


def test_transfers_take_their_time_on_the_wire(bench):
    begun = bench.board.now_us
    bench.board.spi_transfer(0, bytes(1000))
    assert bench.board.now_us - begun == 4000
    begun = bench.board.now_us
    bench.board.i2c_write(0x3C, b"\x40" + bytes(1023))
    assert bench.board.now_us - begun == pytest.approx(1025 * 9 / 0.4, abs=2)


def test_losing_the_supply_floats_the_pins_and_keeps_flash_and_clock(bench):
    board = bench.board
    bench.world.clip_resistor(1000.0)
    bench.drive(a=1, b=0)
    board.clock.set_epoch(1_795_600_000)
    board.spi_configure(1, 12_000_000, 0, 0)
    board.gpio_configure(PINS["flash_cs"], "out", None, 1)
    for frame in (b"\x06", b"\x02\x00\x00\x00kept"):
        board.gpio_write(PINS["flash_cs"], 0)
        board.spi_transfer(1, frame)
        board.gpio_write(PINS["flash_cs"], 1)
    board.advance(10_000)
    board.power_off()
    board.advance(3_600_000_000)
    assert abs(board.circuit.direct()[board.circuit.netlist.index["A_PIN"]]) < 0.05
    assert board.i2c_scan() == []
    board.power_on()
    assert bytes(board.flash.content[:4]) == b"kept"
    assert board.clock.epoch_s == pytest.approx(1_795_603_600, abs=0.2)
    bench.wire()
    board.advance(1000)
    assert bench.spi(0x20, 0)[1:] == b"\x00"
    assert bench.ohms() == pytest.approx(1000.0, abs=0.03)


def test_long_idle_stretches_in_continuous_mode_cost_one_conversion(bench):
    bench.world.clip_resistor(1000.0)
    bench.drive(a=1, b=0)
    bench.spi(0x43, 0x32, 6 << 5 | 0x04, 0xC0, 0)
    bench.spi(0x08)
    bench.board.advance(10_000)
    solves = bench.board.circuit.solves
    bench.board.advance(600_000_000)
    assert bench.board.circuit.solves - solves < 100
    assert bench.board.adc.conversions > 590_000
    code = int.from_bytes(bench.spi(0, 0, 0), "big", signed=True)
    bench.board.circuit.run_to(bench.board.now_us)
    volts = bench.board.circuit.volts("AIN1") - bench.board.circuit.volts("AIN2")
    assert code / 2**23 * 1.65 == pytest.approx(volts, rel=1e-5)
