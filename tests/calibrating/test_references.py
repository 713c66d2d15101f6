"""The file of reference resistors: what it says, what each is worth on a day, and one sentence for each fault."""

import datetime
import json
import math

import numpy as np
import pytest
from click.testing import CliRunner

from probeledger.calibrating.references import read_references
from probeledger.cli import main
from probeledger.errors import InputError

DAY = datetime.date(2026, 11, 20)

SHORT = '[[references]]\nname = "short"\nohms = 0.0003\nuncertainty_ohms = 0.0002\nk = 2\n'
PLAIN = "".join(
    f'[[references]]\nname = "R{ohms}"\nohms = {ohms}.01\nuncertainty_ppm = 50\nk = 2\ncertificate = "C-{ohms}"\n'
    "date = 2026-03-14\n"
    for ohms in (100, 1000, 1500, 2000)
)
FULL = """[[references]]
name = "R4000"
ohms = 4000.2
uncertainty_ohms = 0.5
k = 2
certificate = "C-9"
date = 2025-11-20
celsius = 20.0
tempco_ppm_per_k = 4.0
tempco_limit_ppm_per_k = 3.0
drift_ppm_per_year = 10.0
drift_limit_ppm_per_year = 6.0
shared_group = "box"
shared_uncertainty_ohms = 0.3
"""


def read(text):
    return read_references(text, "resistors.toml")


def test_a_value_moves_with_day_and_temperature():
    reference = read(SHORT + PLAIN + FULL).references[-1]
    # one year after the certificate, 3 K above its temperature: 10 ppm and 12 ppm
    year = 365 / 365.25
    assert reference.value_ohms(DAY, 23.0) == pytest.approx(4000.2 * (1 + (10 * year + 12) * 1e-6), rel=1e-12)
    assert (reference.u_ohms, reference.u_shared_ohms) == pytest.approx((0.25, 0.15))
    assert reference.u_own_ohms == pytest.approx(0.2)
    # rectangular limits: 3 ppm/K over 3 K and 0.4 K, 6 ppm over a year
    extra = math.hypot(3 * math.hypot(3, 0.4), 6 * year) / math.sqrt(3) * 1e-6 * 4000.2
    assert reference.u_independent_ohms(DAY, 23.0, 0.4) == pytest.approx(math.hypot(0.2, extra), rel=1e-9)


def test_covariance_of_a_set_by_drawing_what_it_describes():
    text = SHORT + PLAIN + FULL + FULL.replace("R4000", "R3000").replace("4000.2", "3000.1")
    found = read(text)
    values = found.values(DAY, 23.0, 0.5)
    random = np.random.default_rng(1)
    draws = 40000
    room, box = random.normal(0, 0.5, draws), random.normal(0, 1, draws)
    drawn = []
    for each in found.references:
        own = each.u_independent_ohms(DAY, 23.0, 0.5)
        off = random.normal(0, own, draws) + each.ohms * each.tempco_ppm_per_k * 1e-6 * room
        drawn.append(off + (each.u_shared_ohms * box if each.shared_group == "box" else 0.0))
    expected = np.cov(np.array(drawn))
    u = np.sqrt(np.diag(values.covariance))
    assert np.sqrt(np.diag(expected)) == pytest.approx(u, rel=0.02)
    assert expected / np.outer(u, u) == pytest.approx(values.covariance / np.outer(u, u), abs=0.02)
    assert values.covariance[-1, -2] > 0.02 and values.covariance[1, 2] == 0.0
    assert [each.ohms for each in found.references] == sorted(each.ohms for each in found.references)


def test_tolerance_is_rectangular_and_not_traceable():
    text = SHORT + PLAIN.replace(
        'uncertainty_ppm = 50\nk = 2\ncertificate = "C-100"\ndate = 2026-03-14', "tolerance_percent = 0.1"
    )
    found = read(text)
    reference = found.references[1]
    assert reference.u_ohms == pytest.approx(100.01 * 0.001 / math.sqrt(3))
    assert any("Not traceable: R100 without" in claim for claim in found.claims())


def test_what_a_set_supports_is_told():
    small = " ".join(read(SHORT + PLAIN).claims())
    assert "Low range: supported from 0 to 2000.01 ohm" in small
    assert "High range: not supported; 0 values" in small and "Isolation: not supported" in small
    assert "hardly a single wrong one" in small
    lower = read(SHORT + PLAIN.replace("2000.01", "1200.01")).claims()
    assert any("Nothing above 1500.01 ohm is checked" in claim for claim in lower)
    wide = (
        SHORT
        + PLAIN
        + FULL
        + "".join(
            f'[[references]]\nname = "H{ohms}"\nohms = {ohms}\nuncertainty_ppm = 100\nk = 2\n'
            for ohms in (10000, 100000, 1000000)
        )
    )
    said = " ".join(read(wide).claims())
    assert "High range: supported from 10 kohm to 1 Mohm" in said
    assert "Isolation: can be checked from 1000.01 ohm to 1 Mohm" in said


def change(old, new, text=SHORT + PLAIN + FULL):
    assert old in text
    return text.replace(old, new, 1)


@pytest.mark.parametrize(
    ("text", "said"),
    [
        (
            change("ohms = 4000.2", "kohms = 4.0002"),
            "reference 6 (R4000) has an unknown entry 'kohms'; did you mean ohms?",
        ),
        (
            change("ohms = 4000.2", 'ohms = "4 kohm"'),
            "ohms must be a plain number of ohm, without unit or quotes, not '4",
        ),
        (change("uncertainty_ohms = 0.5", "uncertainty_ohms = 500"), "is one of them in another unit?"),
        (change("uncertainty_ohms = 0.5", "uncertainty_ohms = -0.5"), "cannot be negative"),
        (
            change("uncertainty_ohms = 0.5", "uncertainty_ohms = nan"),
            "uncertainty_ohms must be a finite number of ohm, no",
        ),
        (change("ohms = 4000.2", "ohms = inf"), "ohms must be a finite number of ohm, not inf"),
        (change("ohms = 4000.2", "ohms = -4000.2"), "a reference has 0 to 1e+09 ohm"),
        (change("tempco_ppm_per_k = 4.0", "tempco = 4.0"), "unknown entry 'tempco'; did you mean tempco_ppm_per_k?"),
        (change('k = 2\ncertificate = "C-9"', 'certificate = "C-9"'), "uncertainty_ohms needs its coverage factor"),
        (change('k = 2\ncertificate = "C-9"', 'k = 20\ncertificate = "C-9"'), "k is 20"),
        (
            change("uncertainty_ohms = 0.5\n", ""),
            "needs exactly one of uncertainty_ohms, uncertainty_ppm, tolerance_percen",
        ),
        (
            change("uncertainty_ohms = 0.5", "uncertainty_ohms = 0.5\nuncertainty_ppm = 9"),
            "it has uncertainty_ohms and u",
        ),
        (change("uncertainty_ohms = 0.5", "tolerance_percent = 0.1"), "a tolerance has no k"),
        (change("date = 2025-11-20", 'date = "2025-11-20"'), "date must be a day without quotes"),
        (change("date = 2025-11-20\n", ""), "has a certificate without a date"),
        (change("shared_uncertainty_ohms = 0.3\n", ""), "belong together; one of them is missing"),
        (
            change("shared_uncertainty_ohms = 0.3", "shared_uncertainty_ohms = 0.6"),
            "is larger than the whole of 0.25 ohm",
        ),
        (change('name = "R4000"', "name = 4000"), "name must be a text in quotes, not 4000"),
        (change('name = "R4000"\n', ""), "reference 6 has no name"),
        (change("ohms = 4000.2\n", ""), "has no value; give it in ohm"),
        (
            change("drift_ppm_per_year = 10.0", "drift_ppm_per_year = 1e4"),
            "drift_ppm_per_year is 10000, too much for a ref",
        ),
        (change("celsius = 20.0", "celsius = 293.15"), "celsius is 293.15"),
        (
            change("uncertainty_ohms = 0.0002\nk = 2", "uncertainty_ppm = 10\nk = 2"),
            "is a short, whose uncertainty has to",
        ),
        (change('name = "R4000"', 'name = "R1000"'), "two references named 'R1000'"),
        (change("ohms = 4000.2", "ohms = 2000.01"), "R2000 and R4000 are identical (2000.01 ohm)"),
        (PLAIN + FULL, "too few references: 0 shorts and 5 values"),
        (SHORT + FULL, "too few references: 1 short and 1 value; at least a short (0 ohm) and 4 values"),
        ("", "lists no resistors"),
        ("[references]\nohms = 1\n", "lists no resistors"),
        ("[[reference]]\nohms = 1\n", "unknown entry 'reference'; did you mean references?"),
        ("ohms = = 3\n", "is not valid TOML"),
    ],
)
def test_one_sentence_for_each_fault(text, said):
    with pytest.raises(InputError) as error:
        read(text)
    assert said in error.value.message
    assert error.value.message.startswith("resistors.toml") and "\n" not in error.value.message


def test_a_day_before_the_certificate_is_refused():
    with pytest.raises(InputError, match="The certificate of R100 is of 2026-03-14, after 2026-01-01"):
        read(SHORT + PLAIN).values(datetime.date(2026, 1, 1), 23.0)


def test_command(tmp_path):
    path = tmp_path / "resistors.toml"
    path.write_text(SHORT + PLAIN + FULL, encoding="utf-8")
    done = CliRunner().invoke(
        main, ["calibrate", "references", str(path), "--date", "2026-11-20", "--celsius", "23", "--json"]
    )
    found = json.loads(done.stdout)
    assert [each["name"] for each in found["references"]] == ["short", "R100", "R1000", "R1500", "R2000", "R4000"]
    assert found["references"][-1]["ohms"] == pytest.approx(4000.2 * (1 + (10 * 365 / 365.25 + 12) * 1e-6))
    assert len(found["covariance"]) == 6
    shown = CliRunner().invoke(main, ["calibrate", "references", str(path), "--date", "2026-11-20"])
    assert shown.exit_code == 0 and "4000.29" in shown.stdout and "High range: not supported" in shown.stdout
    path.write_text("ohms", encoding="utf-8")
    bad = CliRunner().invoke(main, ["calibrate", "references", str(path)])
    assert bad.exit_code == 2 and bad.stderr.count("\n") == 1 and "Traceback" not in bad.output
