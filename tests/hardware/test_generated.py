"""What is made from tester.toml is up to date, and the numbers derived on the way are right."""

import csv
import io


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
