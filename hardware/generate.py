"""Make what follows from tester.toml: the firmware's board.py, the bill of materials and the SPICE decks.

Run `python hardware/generate.py` after a change of tester.toml; `--check` only compares (exit status 1 on drift).
"""

import argparse
import csv
import io
import math
import sys
import tomllib
from pathlib import Path

import spice

HARDWARE = Path(__file__).resolve().parent
ROOT = HARDWARE.parent
TESTER = HARDWARE / "tester.toml"

# A step has to fade to a millionth of itself, with half as much time again for the tolerance of the capacitors. Where
# volts are looked for and not ohms, a thousandth of the supply is enough.
SETTLED_FRACTION = 1e-6
LOOKED_FRACTION = 1e-3
SETTLE_MARGIN = 1.5
LOW_RANGE_OHMS = 4000
HIGH_RANGE_OHMS = 1_000_000

PART_FIELDS = ("tolerance", "tempco_ppm_per_k", "watts", "dielectric")


def load(path: Path = TESTER) -> dict:
    """Read the circuit's description.

    Returns the parsed TOML with an extra key "by_ref": parts by reference designator.
    """
    with path.open("rb") as handle:
        description = tomllib.load(handle)
    description["by_ref"] = {part["ref"]: part for part in description["parts"]}
    return description


def part_values(description: dict) -> tuple[dict[str, float], dict[str, float]]:
    """Return the resistors [ohm] and the capacitors [F] by reference designator."""
    parts = description["by_ref"].items()
    return (
        {ref: part["ohms"] for ref, part in parts if part["kind"] == "resistor"},
        {ref: part["farads"] for ref, part in parts if part["kind"] == "capacitor"},
    )


def wait_us(tau_s: float, fraction: float = SETTLED_FRACTION) -> int:
    """Return how long a step takes to fade to a fraction [1] with a time constant [s]: whole milliseconds in [us]."""
    return math.ceil(SETTLE_MARGIN * tau_s * math.log(1 / fraction) * 1000) * 1000


def settle_us(description: dict, probe_ohms: float, high_range: bool) -> int:
    """Derive how long to wait after the excitation changes, for a probe [ohm] at the end of the longest cable.

    The input filter sees its two series resistors and, behind them, the probe in parallel with the drive path; its
    differential capacitance is the one across the pair plus half of the one from each input to ground. The cable's
    capacitance sits across the probe. Returns whole milliseconds in [us].
    """
    ohms, farads = part_values(description)
    tester = description["tester"]
    drive = ohms["RH"] + ohms["RG_H"] if high_range else ohms["RP_A"] + ohms["RG_A"]
    path = drive + ohms["R_REF"] + ohms["RP_B"] + ohms["RG_B"]
    source = probe_ohms * path / (probe_ohms + path)
    cable = tester["cable_metres_max"] * tester["cable_picofarads_per_metre"] * 1e-12
    across = farads["CF_PROBE"] + farads["CG_1"] / 2
    return wait_us((ohms["RS_SP"] + ohms["RS_SM"] + source) * across + source * cable)


def tied_tau_s(description: dict) -> float:
    """Derive the time constant of a sense input that no jaw holds [s]: it hangs on its tie and filters through it."""
    ohms, farads = part_values(description)
    across = farads["CF_PROBE"] + farads["CG_1"] / 2
    return (max(ohms["RT_P"], ohms["RT_M"]) + ohms["RS_SP"] + ohms["RS_SM"]) * across


def undriven_tau_s(description: dict) -> float:
    """Derive the slowest time constant with the drivers off [s]: a lead on its bleeds, or a sense input on its tie.

    A lead carries the cable's capacitance and that of all four inputs to ground.
    """
    ohms, farads = part_values(description)
    tester = description["tester"]
    cable = tester["cable_metres_max"] * tester["cable_picofarads_per_metre"] * 1e-12
    bleeds = ohms["RB_B1"] * ohms["RB_B2"] / (ohms["RB_B1"] + ohms["RB_B2"]) + ohms["RP_B"]
    hanging = cable + sum(farads[ref] for ref in ("CG_0", "CG_1", "CG_2", "CG_3"))
    return max(bleeds * hanging, tied_tau_s(description))


def jaw_limit_volts(description: dict) -> float:
    """Derive above which voltage a sense input has lost its jaw [V], pulled at by the burn-out source.

    Joined, the source lifts the input over its series resistor; lost, over the tie as well, or to the supply. The limit
    is the geometric mean, equally many times away from both.
    """
    ohms, _ = part_values(description)
    amps = description["chips"]["adc"]["burn_out_microamps"] * 1e-6
    joined = amps * ohms["RS_SP"]
    lost = min(amps * (ohms["RS_SP"] + ohms["RT_P"]), description["tester"]["supply_volts"])
    return math.sqrt(joined * lost)


def joined(*sources: tuple[float, float]) -> tuple[float, float]:
    """Return several sources on one node as one: volts [V] behind a resistance [ohm] (Thevenin, Millman)."""
    siemens = sum(1 / resistance for _, resistance in sources)
    return sum(volts / resistance for volts, resistance in sources) / siemens, 1 / siemens


def loop(description: dict, name: str) -> tuple[float, float]:
    """Derive what drives the current through the probe: volts [V] behind everything in the loop but the probe [ohm].

    name: "low" (pins A and B), "high" (H and B; A is off, its bleeds stay) or "faint" (pull resistors of A and B).
    """
    ohms, _ = part_values(description)
    micro = description["chips"]["microcontroller"]
    supply = description["tester"]["supply_volts"]
    pin = micro["gpio_pull_ohms"] if name == "faint" else micro["gpio_output_ohms"]

    def side(letter: str, level_volts: float | None) -> tuple[float, float]:
        sources = [(supply, ohms[f"RB_{letter}1"]), (0.0, ohms[f"RB_{letter}2"])]
        if level_volts is not None:
            sources.append((level_volts, ohms[f"RG_{letter}"] + pin))
        volts, resistance = joined(*sources)
        return volts, resistance + ohms[f"RP_{letter}"]

    near, far = side("A", None if name == "high" else supply), side("B", 0.0)
    if name == "high":
        near = joined(near, (supply, ohms["RH"] + ohms["RG_H"] + pin))
    return near[0] - far[0], near[1] + ohms["R_REF"] + far[1]


def linearity_microohms(description: dict) -> int:
    """Derive what the ADC's largest nonlinearity makes of a probe of 1.1 kohm, at gain 4 in the low range [uohm]."""
    full_scale_volts = description["tester"]["supply_volts"] / 4
    off_volts = description["chips"]["adc"]["inl_ppm_full_scale_max"] * 1e-6 * full_scale_volts
    volts, ohms = loop(description, "low")
    return round(off_volts / (volts / (ohms + 1100)) * 1e6)


def noise_nanovolts(description: dict) -> dict[int, int]:
    """Return the converter's noise at 20 samples a second by gain [nV rms]."""
    adc = description["chips"]["adc"]
    microvolts = adc["noise_microvolts"]["20"] + adc["noise_microvolts_high_gain"]
    return {1 << index: round(value * 1000) for index, value in enumerate(microvolts)}


def board_module(description: dict) -> str:
    """Write firmware/board.py: pins, buses, addresses, part values and the delays that follow from them."""
    lines = [
        '"""The board, as hardware/tester.toml describes it. Generated by hardware/generate.py: do not edit."""',
        "",
        f'REVISION = "{description["tester"]["revision"]}"',
        f"SUPPLY_MILLIVOLTS = {round(description['tester']['supply_volts'] * 1000)}",
        "",
        "# Pins of the Pico",
    ]
    lines += [f"PIN_{name.upper()} = {gpio}" for name, gpio in description["pins"].items()]
    lines += ["", "# Buses and addresses"]
    lines += [f"{name.upper()} = {value}" for name, value in description["buses"].items()]
    lines += [f"ADDRESS_{name.upper()} = 0x{value:02X}" for name, value in description["i2c_addresses"].items()]
    lines += ["", "# Resistors [ohm] and their relative tolerance [ppm]"]
    for part in description["parts"]:
        if part["kind"] == "resistor":
            lines.append(f"OHMS_{part['ref']} = {part['ohms']}")
    reference = description["by_ref"]["R_REF"]
    adc = description["chips"]["adc"]
    flash = description["chips"]["flash"]
    cell = description["cell"]
    micro = description["chips"]["microcontroller"]
    lines += [
        f"REFERENCE_OHMS = {reference['ohms']}",
        f"REFERENCE_TOLERANCE_PPM = {round(reference['tolerance'] * 1e6)}",
        f"REFERENCE_TEMPCO_PPM_PER_K = {reference['tempco_ppm_per_k']}",
        f"DRIVE_TOLERANCE_PPM = {round(description['by_ref']['RC']['tolerance'] * 1e6)}",
        f"GPIO_OUTPUT_OHMS = {round(micro['gpio_output_ohms'])}",
        f"GPIO_PULL_OHMS = {round(micro['gpio_pull_ohms'])}",
        f"GPIO_LEAKAGE_NANOAMPS_MAX = {round(micro['gpio_leakage_microamps_max'] * 1000)}",
        "",
        "# What drives the current through the probe, bleeds included: volts behind the rest of the loop",
    ]
    for name in ("low", "high", "faint"):
        volts, resistance = loop(description, name)
        lines.append(f"{name.upper()}_LOOP_MICROVOLTS = {round(volts * 1e6)}")
        lines.append(f"{name.upper()}_LOOP_OHMS = {round(resistance)}")
    lines += [
        "",
        "# ADC",
        f"ADC_CLOCK_HZ = {adc['clock_hz']}",
        f"ADC_CLOCK_TOLERANCE_PPM = {round(adc['clock_tolerance'] * 1e6)}",
        f"ADC_OFFSET_NANOVOLTS = {round(adc['offset_microvolts'] * 1000)}",
        f"ADC_INL_PPM_MAX = {round(adc['inl_ppm_full_scale_max'])}",
        f"ADC_PGA_MIN_MILLIVOLTS = {round(adc['pga_min_volts'] * 1000)}",
        f"ADC_PGA_MAX_MILLIVOLTS = {round(adc['pga_max_volts'] * 1000)}",
        f"ADC_NOISE_NANOVOLTS = {noise_nanovolts(description)}  # at 20 a second, by gain",
        f"ADC_BURN_OUT_NANOAMPS = {round(adc['burn_out_microamps'] * 1000)}",
        f"JAW_LIMIT_MILLIVOLTS = {round(jaw_limit_volts(description) * 1000)}",
        f"ADC_MONITOR_ERROR_PPM = {round(adc['monitor_gain_error'] * 1e6)}",
        f"LINEARITY_MICROOHMS = {linearity_microohms(description)}",
        f"SETTLE_LOW_US = {settle_us(description, LOW_RANGE_OHMS, False)}",
        f"SETTLE_HIGH_US = {settle_us(description, HIGH_RANGE_OHMS, True)}",
        f"SETTLE_TIED_US = {wait_us(tied_tau_s(description))}",
        f"SETTLE_OFF_US = {wait_us(undriven_tau_s(description), LOOKED_FRACTION)}",
        "",
        "# Flash",
        f"FLASH_BYTES = {flash['bytes']}",
        f"PAGE_BYTES = {flash['page_bytes']}",
        f"ERASE_BYTES = {flash['erase_bytes']}",
        f"PROGRAM_TIMEOUT_MS = {math.ceil(flash['page_program_ms_max'] * 3)}",
        f"ERASE_TIMEOUT_MS = {math.ceil(flash['sector_erase_ms_max'] * 3)}",
        "",
        "# Ambient sensor and cell",
        f"AMBIENT_U_MILLICELSIUS = {round(description['chips']['ambient']['u_celsius'] * 1000)}",
        f"CELL_DIVIDER_PERMILLE = {round(cell['divider'] * 1000)}",
        f"CELL_FULL_MILLIVOLTS = {round(cell['full_volts'] * 1000)}",
        f"CELL_WARN_MILLIVOLTS = {round(cell['warn_volts'] * 1000)}",
        f"CELL_REFUSE_MILLIVOLTS = {round(cell['refuse_volts'] * 1000)}",
        "",
    ]
    return "\n".join(lines)


def part_value(part: dict) -> str:
    """Return what to ask for at a counter: "3.3 kohm", "4.7 nF", or the part's name."""
    if part["kind"] == "resistor":
        ohms = part["ohms"]
        return f"{ohms / 1000:g} kohm" if ohms >= 1000 else f"{ohms:g} ohm"
    if part["kind"] == "capacitor":
        farads = part["farads"]
        return f"{farads * 1e9:g} nF" if farads >= 1e-9 else f"{farads * 1e12:g} pF"
    return str(part["part"])


def bill_of_materials(description: dict) -> str:
    """Write the bill of materials as CSV: like parts share a row, in the order of tester.toml."""
    rows: dict[tuple, dict] = {}
    for part in description["parts"]:
        key = tuple([part["kind"], part_value(part)] + [part.get(name) for name in PART_FIELDS])
        row = rows.setdefault(key, {"refs": [], "why": part["why"]})
        row["refs"].append(part["ref"])
    out = io.StringIO()
    table = csv.writer(out, lineterminator="\n")
    table.writerow(["quantity", "value", "kind", *PART_FIELDS, "references", "why"])
    for (kind, value, *fields), row in rows.items():
        shown = ["" if field is None else field for field in fields]
        table.writerow([len(row["refs"]), value, kind, *shown, " ".join(row["refs"]), row["why"]])
    for name, chip in description["chips"].items():
        table.writerow([1, chip["part"], "chip", *[""] * len(PART_FIELDS), name, ""])
    return out.getvalue()


def outputs(description: dict) -> dict[Path, str]:
    """Return every generated file with its text."""
    files = {
        ROOT / "firmware" / "board.py": board_module(description),
        HARDWARE / "bill_of_materials.csv": bill_of_materials(description),
    }
    for name, text in spice.decks(description).items():
        files[HARDWARE / "spice" / name] = text
    return files


def main() -> int:
    """Write the generated files, or compare them with `--check`."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--check", action="store_true", help="compare only; exit status 1 on drift")
    check = parser.parse_args().check
    drifted = []
    for path, text in outputs(load()).items():
        if path.exists() and path.read_text() == text:
            continue
        drifted.append(path.relative_to(ROOT))
        if not check:
            path.parent.mkdir(exist_ok=True)
            path.write_text(text)
    for path in drifted:
        print(f"{path}: {'differs from hardware/tester.toml; run: make generate' if check else 'written'}")
    return 1 if check and drifted else 0


if __name__ == "__main__":
    sys.exit(main())
