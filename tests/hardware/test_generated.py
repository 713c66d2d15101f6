"""What is made from tester.toml is up to date, and the numbers derived on the way are right."""

import csv
import io

import pytest


def test_no_generated_file_has_drifted(description):
    import generate

    for path, text in generate.outputs(description).items():
        assert path.read_text() == text, f"{path.name}: run make generate"


def test_every_pin_is_one_that_the_bus_allows(description):
    # RP2040 data sheet, GPIO functions (table 2): SPI0 RX 0 4 16 20, SCK 2 6 18 22, TX 3 7 19 23; SPI1 RX 8 12 24 28,
    # SCK 10 14 26, TX 11 15 27; I2C0 SDA 0 4 8 ..., SCL 1 5 9 ...; ADC 26-29
    pins = description["pins"]
    assert (
        pins["adc_sck"] in (2, 6, 18, 22) and pins["adc_mosi"] in (3, 7, 19, 23) and pins["adc_miso"] in (0, 4, 16, 20)
    )
    assert pins["flash_sck"] in (10, 14, 26) and pins["flash_mosi"] in (11, 15, 27)
    assert pins["flash_miso"] in (8, 12, 24, 28)
    assert pins["i2c_sda"] % 4 == 0 and pins["i2c_scl"] % 4 == 1
    assert pins["cell_sense"] in (26, 27, 28)
    assert pins["usb_sense"] == 24
    assert len(set(pins.values())) == len(pins)


def test_loops_are_those_of_the_host(description):
    import generate
    from probeledger import circuit

    for name, probes in (("low", (0.0, 1100.0, 4000.0)), ("high", (5e3, 1e5, 1e6))):
        volts, loop_ohms = generate.loop(description, name)
        for probe in probes:
            assert circuit.excitation_amps(probe, name == "high") == pytest.approx(
                volts / (loop_ohms + probe), rel=1e-9
            )


def test_the_faint_loop_by_hand(description):
    import generate

    # 60 kohm of pull resistor and 1 kohm beside bleeds of 470 kohm to either rail, 3.3 kohm on; twice, and 1.5 kohm
    volts, loop_ohms = generate.loop(description, "faint")
    node_ohms = 1 / (1 / 61e3 + 2 / 470e3)
    assert loop_ohms == pytest.approx(2 * (node_ohms + 3300) + 1500)
    assert volts == pytest.approx(3.3 * (node_ohms / 61e3))


def test_the_jaw_limit_lies_between_joined_and_lost(description):
    import generate

    # SBAS501 8.3.10: 10 uA. Over 22 kohm, or over a tie as well, which the supply ends.
    limit = generate.jaw_limit_volts(description)
    assert 10e-6 * 22e3 * 2 < limit < 3.3 / 2
    # Half and twice the source's current would still be told apart.
    assert 2 * 10e-6 * 22e3 < limit < min(0.5 * 10e-6 * (0.95 * 470e3 + 22e3), 3.3)


def test_waits_follow_from_time_constants(description):
    import generate

    # A lost sense jaw: 470 kohm and two times 22 kohm on 4.7 nF and half of 470 pF
    assert generate.tied_tau_s(description) == pytest.approx(514e3 * 4.935e-9)
    assert generate.undriven_tau_s(description) >= generate.tied_tau_s(description)
    # 1.5 times ln 10^6 time constants leave less than a millionth; a thousandth takes half as long.
    assert generate.wait_us(1e-3) == 21_000
    assert generate.wait_us(1e-3, 1e-3) == 11_000


def test_the_bill_counts_every_part_once(description):
    import generate

    rows = list(csv.DictReader(io.StringIO(generate.bill_of_materials(description))))
    refs = [ref for row in rows if row["kind"] != "chip" for ref in row["references"].split()]
    assert sorted(refs) == sorted(part["ref"] for part in description["parts"])
    assert all(int(row["quantity"]) == len(row["references"].split()) for row in rows)


def test_every_net_has_two_ends(description):
    ends: dict[str, int] = {}
    for part in description["parts"]:
        for net in part["nets"]:
            ends[net] = ends.get(net, 0) + 1
    # Pins of chips and clips are the other end of these.
    outside = {"A_PIN", "B_PIN", "H_PIN", "C_PIN", "J_PIN"}
    assert [net for net, count in ends.items() if count < 2 and net not in outside] == []
