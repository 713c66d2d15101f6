"""From a points file to coefficients: which model, what looks wrong, and what the command says."""

import dataclasses
import json
import math

import numpy as np
import pytest
from click.testing import CliRunner
from published import NORRIS_X, NORRIS_Y, PONTIUS_X, PONTIUS_Y
from scipy import optimize

from probeledger.calibrating import fitting
from probeledger.calibrating.points import Point, read_points
from probeledger.cli import main
from probeledger.errors import InputError

HEADING = "reference_ohms,u_reference_ohms,raw_ohms,u_raw_ohms"
LEVELS = (0.0, 100.0, 500.0, 1000.0, 1500.0, 2000.0, 3000.0, 4000.0)


def run(tmp_path, text, *options):
    path = tmp_path / "points.csv"
    path.write_text(text, encoding="utf-8")
    return CliRunner().invoke(main, ["calibrate", "fit", str(path), *options])


def csv_of(rows):
    return "\n".join([HEADING, *(",".join(repr(float(cell)) for cell in row) for row in rows)]) + "\n"


def drawn(random, quadratic=0.0, levels=LEVELS, u_reference=2e-5, u_raw=0.003):
    """Draw a tester's points at the references, up and then down; what a certificate is off by holds both times."""
    stated = [(ohms, ohms + random.normal(0, u_reference * ohms + 1e-3)) for ohms in levels]
    points = []
    for line, (true_ohms, ohms) in enumerate((*stated, *reversed(stated)), start=2):
        raw = (true_ohms - 0.06) / 0.9995
        raw += random.normal(0, u_raw) - quadratic * raw**2
        points.append(Point(line, ohms, u_reference * true_ohms + 1e-3, raw, u_raw, resistor=f"R{true_ohms:g}"))
    return points


def test_json_has_the_promised_names_and_the_line(tmp_path):
    rows = [(ohms, 1e-3 + 1e-5 * ohms, (ohms - 0.05) / 0.9995, 0.003) for ohms in LEVELS]
    done = run(tmp_path, csv_of(rows), "--json")
    assert done.exit_code == 0 and done.stderr == ""
    found = json.loads(done.stdout)
    assert found["coefficients"] == pytest.approx([0.05, 0.9995], rel=1e-9)
    assert np.shape(found["covariance"]) == (2, 2)
    assert found["chi2"] == pytest.approx(0.0, abs=1e-12) and found["degrees_of_freedom"] == 6
    assert [point["reference_ohms"] for point in found["points"]] == list(LEVELS)
    for point, row in zip(found["points"], rows, strict=True):
        assert point["raw_ohms"] == row[2]
        assert point["residual_ohms"] == pytest.approx(0.0, abs=1e-9)
        assert point["u_ohms"] == pytest.approx(math.hypot(row[1], 0.9995 * row[3]), rel=1e-9)
    assert found["model"] == "line" and found["outliers"] == [] and found["consistent"] is True


def test_columns_in_any_order_and_unsorted_points_give_the_same(tmp_path):
    rows = [(ohms + 0.001 * index, 2e-3, ohms * 1.0004, 0.003) for index, ohms in enumerate(LEVELS)]
    plain = json.loads(run(tmp_path, csv_of(rows), "--json").stdout)
    mixed = "# taken on an invented bench\n\nraw_ohms;u_raw_ohms;reference_ohms;u_reference_ohms\n" + "".join(
        f"{raw!r};{u_raw!r};{reference!r};{u_reference!r}\n".replace(".", ",")
        for reference, u_reference, raw, u_raw in (rows[i] for i in (3, 0, 7, 5, 1, 2, 6, 4))
    )
    other = json.loads(run(tmp_path, "\ufeff" + mixed, "--json").stdout)
    assert other["coefficients"] == pytest.approx(plain["coefficients"], rel=1e-10)
    assert np.array(other["covariance"]) == pytest.approx(np.array(plain["covariance"]), rel=1e-8)


@pytest.mark.parametrize(
    ("x", "y", "u", "options", "coefficients"),
    [
        # NIST StRD, certified; the uncertainties are equal, so that they do not matter for the coefficients
        (NORRIS_X, NORRIS_Y, 1.0, [], [-0.262323073774029, 1.00211681802045]),
        (
            PONTIUS_X,
            PONTIUS_Y,
            2e-4,
            [],
            [0.000673565789473684, 7.32059160401003e-07, -3.16081871345029e-15],
        ),
    ],
    ids=["norris", "pontius"],
)
def test_nist_data_through_the_command(tmp_path, x, y, u, options, coefficients):
    rows = [(reference, u, raw, 0.0) for raw, reference in zip(x, y, strict=True)]
    found = json.loads(run(tmp_path, csv_of(rows), "--json", *options).stdout)
    # The evidence alone takes the line for Norris and the quadratic for Pontius, as NIST does.
    assert found["coefficients"] == pytest.approx(coefficients, rel=1e-8)


def test_shared_uncertainty_adds_to_the_own_one(tmp_path):
    # Against the definition: the joint quadratic form with that covariance, minimised by scipy.
    reference = np.array([100.2, 499.1, 1001.0, 1998.5, 4003.0])
    raw = np.array([100.0, 500.0, 1000.0, 2000.0, 4000.0])
    own, shared, u_raw = 0.3 + 1e-4 * raw, 5e-4 * raw, np.full(5, 0.2)
    groups = ["box", "box", "", "box", "box"]
    text = HEADING + ",shared_group,u_shared_ohms\n"
    for row in zip(reference, own, raw, u_raw, groups, shared, strict=True):
        cells = [repr(float(cell)) if not isinstance(cell, str) else cell for cell in row]
        if not row[4]:
            cells[5] = ""
        text += ",".join(cells) + "\n"
    found = json.loads(run(tmp_path, text, "--json", "--model", "line").stdout)
    member = np.array([group == "box" for group in groups])
    covariance = np.diag(own**2) + np.outer(shared * member, shared * member)

    def chi2(b):
        off = reference - b[0] - b[1] * raw
        return float(off @ np.linalg.solve(covariance + np.diag((b[1] * u_raw) ** 2), off))

    least = optimize.minimize(chi2, [0.0, 1.0], method="Nelder-Mead", options={"xatol": 1e-12, "fatol": 1e-12})
    assert found["chi2"] == pytest.approx(least.fun, rel=1e-8)
    assert found["coefficients"] == pytest.approx(least.x, rel=1e-5)
    alone = json.loads(
        run(tmp_path, csv_of(zip(reference, own, raw, u_raw, strict=True)), "--json", "--model", "line").stdout
    )
    assert found["covariance"][1][1] > 2 * alone["covariance"][1][1]


def test_rows_of_one_resistor_share_its_uncertainty(tmp_path):
    once = [(ohms, 1e-4 * ohms + 1e-3, ohms * 1.001, 1e-4) for ohms in (0.0, 1000.0, 4000.0)]
    text = HEADING + ",resistor\n"
    for number, row in enumerate(once):
        for repeat in range(25):
            text += ",".join(repr(float(cell)) for cell in (*row[:2], row[2] + 1e-7 * repeat, row[3])) + f",R{number}\n"
    named = json.loads(run(tmp_path, text, "--json").stdout)
    single = json.loads(run(tmp_path, csv_of(once), "--json").stdout)
    # 25 readings of one resistor know its value no better than one
    assert named["covariance"][1][1] == pytest.approx(single["covariance"][1][1], rel=0.01)
    assert not any("column resistor" in each for each in named["notes"])
    nameless = "\n".join(line.rpartition(",")[0] for line in text.splitlines())
    done = json.loads(run(tmp_path, nameless, "--json").stdout)
    assert any("name it in a column resistor" in each for each in done["notes"])


def test_high_range_is_fitted_in_conductance(tmp_path):
    gain, offset = 1.0007, 3.1e-9
    raw = np.array([10e3, 30e3, 100e3, 300e3, 1e6])
    reference = 1 / (gain / raw + offset)
    rows = list(zip(reference, 1e-5 * reference, raw, 2e-5 * raw, strict=True))
    found = json.loads(run(tmp_path, csv_of(rows), "--range", "high", "--json").stdout)
    assert found["coefficients"] == pytest.approx([offset, gain], rel=1e-6)
    for point, ohms in zip(found["points"], reference, strict=True):
        assert point["residual_ohms"] == pytest.approx(0.0, abs=1e-9 * ohms)
        assert point["u_ohms"] == pytest.approx(ohms * math.hypot(1e-5, 2e-5), rel=1e-2)
    # a straight line in resistance would not hold these points
    low = json.loads(run(tmp_path, csv_of(rows), "--model", "line", "--json").stdout)
    assert low["consistent"] is False


def test_the_tester_computes_the_same_from_these_coefficients():
    from probecore import calibration

    raw = [Point(n, 1 / (1.0007 / r + 3.1e-9), 1e-5 * r, r, 2e-5 * r) for n, r in enumerate((1e4, 3e4, 1e5, 1e6))]
    high = fitting.fit(raw, fitting.HIGH)
    low = fitting.fit([Point(n, 0.05 + 0.9995 * r, 0.01, r, 0.003) for n, r in enumerate(LEVELS)])
    stored = calibration.uncalibrated(500, 10, 0.02)._replace(
        offset_ohms=low.polynomial.coefficients[0],
        gain=low.polynomial.coefficients[1],
        high_offset_siemens=high.polynomial.coefficients[0],
        high_gain=high.polynomial.coefficients[1],
    )
    assert calibration.low_ohms(stored, 1100.0 / 1500, 1500) == pytest.approx(low.ohms(1100.0)[0], rel=1e-12)
    assert calibration.high_ohms(stored, 2e5 / 1500, 1500) == pytest.approx(high.ohms(2e5)[0], rel=1e-12)


def test_the_corrected_value_is_covered_by_its_uncertainty():
    random = np.random.default_rng(8)
    pulls = []
    for _ in range(400):
        fitted = fitting.fit(drawn(random), model=fitting.LINE)
        for true_ohms in (250.0, 1100.0, 1900.0):
            ohms, u_ohms = fitted.ohms((true_ohms - 0.06) / 0.9995)
            pulls.append((ohms - true_ohms) / u_ohms)
    assert np.std(pulls) == pytest.approx(1.0, abs=0.08)


def test_a_straight_tester_hardly_ever_buys_a_curve():
    random = np.random.default_rng(1)
    models = [fitting.fit(drawn(random)).model for _ in range(400)]
    assert models.count(fitting.QUADRATIC) / 400 < 0.03
    # and not when the uncertainties are stated three times too small
    modest = []
    for _ in range(200):
        points = [
            dataclasses.replace(point, u_reference_ohms=point.u_reference_ohms / 3, u_raw_ohms=point.u_raw_ohms / 3)
            for point in drawn(random)
        ]
        modest.append(fitting.fit(points))
    assert sum(each.model == fitting.QUADRATIC for each in modest) / 200 < 0.05
    assert all(not each.consistent for each in modest)


def test_a_bent_tester_is_found_bent():
    random = np.random.default_rng(2)
    # 0.4 ohm at 2000, with references of 0.04 ohm there
    fits = [fitting.fit(drawn(random, quadratic=1e-7)) for _ in range(200)]
    assert sum(each.model == fitting.QUADRATIC for each in fits) / 200 > 0.98
    assert np.mean([each.polynomial.coefficients[2] for each in fits]) == pytest.approx(1e-7, rel=0.05)


def test_false_outliers_are_rare_and_a_true_one_is_named_and_kept():
    random = np.random.default_rng(3)
    assert sum(bool(fitting.fit(drawn(random)).outliers) for _ in range(300)) / 300 < 0.09
    named = straight = 0
    for index in range(100):
        points = drawn(random)
        wrong = index % len(points)
        points[wrong] = dataclasses.replace(points[wrong], raw_ohms=points[wrong].raw_ohms + 0.03)
        fitted = fitting.fit(points)
        # which of the two readings of one resistor is wrong, the others cannot always tell
        named += [each.point.resistor for each in fitted.outliers] == [points[wrong].resistor]
        assert len(fitted.points) == len(points)
        assert fitted.polynomial.degrees_of_freedom == len(points) - len(fitted.polynomial.coefficients)
        straight += fitted.model == fitting.LINE
    assert named >= 95 and straight >= 96


def test_a_wrong_point_of_a_single_run_is_named():
    random = np.random.default_rng(6)
    named = []
    for index in range(200):
        points = drawn(random)[: len(LEVELS)]
        wrong = points[index % len(points)]
        off = 10 * math.hypot(wrong.u_reference_ohms, wrong.u_raw_ohms)
        points[index % len(points)] = dataclasses.replace(wrong, raw_ohms=wrong.raw_ohms + off)
        named.append([each.point.line for each in fitting.fit(points).outliers] == [wrong.line])
    assert np.mean(named) > 0.9


def test_an_outlier_is_told_in_words_with_the_coefficients_without_it(tmp_path):
    rows = [[ohms, 2e-3, ohms, 2e-3] for ohms in LEVELS]
    for index, row in enumerate(rows):
        row[0] += 1e-3 * (-1) ** index
    rows[5][0] += 0.1
    done = run(tmp_path, csv_of(rows), "--json")
    found = json.loads(done.stdout)
    assert found["outliers"] == [7] and len(found["points"]) == 8 and not found["consistent"]
    assert found["coefficients_without_outliers"] == pytest.approx([0.0, 1.0], abs=2e-3)
    assert found["coefficients"] != found["coefficients_without_outliers"]
    shown = run(tmp_path, csv_of(rows)).stdout
    assert "outlier" in shown and "Line 7 lies outside" in shown and "stays in the fit" in " ".join(shown.split())


def test_hysteresis_is_looked_for():
    up = [Point(n, ohms, 1e-3, ohms, 3e-3) for n, ohms in enumerate(LEVELS)]
    same = [Point(20 + n, ohms, 1e-3, ohms + 1e-3, 3e-3) for n, ohms in enumerate(reversed(LEVELS))]
    off = [Point(20 + n, ohms, 1e-3, ohms + 0.02, 3e-3) for n, ohms in enumerate(reversed(LEVELS))]
    quiet, loud = fitting.look_for_hysteresis(up + same[1:]), fitting.look_for_hysteresis(up + off[1:])
    assert quiet is not None and not quiet.significant and quiet.references == 7
    assert loud is not None and loud.significant and loud.largest_ohms == pytest.approx(0.02)
    assert fitting.look_for_hysteresis(up) is None
    assert any("going down differ" in note for note in fitting.fit(up + off[1:]).notes)


def test_hysteresis_is_hardly_ever_seen_where_there_is_none():
    random = np.random.default_rng(5)
    seen = [fitting.look_for_hysteresis(drawn(random)).significant for _ in range(500)]
    assert np.mean(seen) < 0.04


def test_identical_rows_are_warned_about_and_used(tmp_path):
    rows = [(ohms, 2e-3, ohms + 0.001, 2e-3) for ohms in LEVELS]
    done = run(tmp_path, csv_of([*rows, rows[2]]), "--json")
    found = json.loads(done.stdout)
    assert done.exit_code == 0 and "Lines 4, 10 are identical" in done.stderr
    assert len(found["points"]) == 9 and found["degrees_of_freedom"] == 7
    assert found["warnings"] == [done.stderr.removeprefix("Warning: ").strip()]


GOOD = [(0.0, 0.001, 0.05, 0.003), (1000.0, 0.01, 1000.5, 0.003), (2000.0, 0.02, 2001.0, 0.003)]


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("", "is empty"),
        (csv_of(GOOD[:2]), "has 2 points; at least 3 are needed"),
        (csv_of([(1000.0, 0.01, 1000.5 + n, 0.003) for n in range(4)]), "all references are identical (1000 ohm)"),
        (csv_of([(1000.0 + n, 0.01, 1000.5, 0.003) for n in range(4)]), "all raw values are identical"),
        (csv_of(GOOD).replace("0.02", "-0.02"), "line 4: u_reference_ohms is -0.02 ohm; an uncertainty cannot be neg"),
        (csv_of(GOOD).replace("2001.0", "nan"), "line 4: raw_ohms must be a finite number of ohm, not nan"),
        (csv_of(GOOD).replace("2001.0", "inf"), "line 4: raw_ohms must be a finite number of ohm, not inf"),
        (csv_of(GOOD).replace("2001.0", "2.001k"), "line 4: raw_ohms must be a number of ohm such as 1000.0, not '2.0"),
        (csv_of(GOOD).replace("2001.0", ""), "line 4: raw_ohms must be a number of ohm such as 1000.0, not nothing"),
        (csv_of(GOOD).replace("2000.0,0.02", "-2000.0,0.02"), "a resistor is not below 0 ohm"),
        (csv_of(GOOD).replace("2001.0", "2001.0,7"), "line 4: 5 values where the heading has 4"),
        (csv_of(GOOD).replace("raw_ohms,u_raw_ohms", "raw_kohms,u_raw_ohms"), "no column raw_ohms; there is raw_kohms"),
        (csv_of(GOOD).replace("u_raw_ohms", "raw_ohms"), "has the column raw_ohms twice"),
        (csv_of(GOOD).replace("0.02,2001.0,0.003", "0,2001.0,0"), "line 4: u_reference_ohms and u_raw_ohms are both 0"),
        (csv_of(GOOD).replace("2000.0,", "2e12,"), "is it in another unit?"),
        ("a,b\n1,2\n", "has no column reference_ohms"),
        (csv_of(GOOD).replace("u_raw_ohms\n", "u_raw_ohms,shared_group\n"), "not u_shared_ohms; the two belong"),
        (csv_of(GOOD).replace("u_raw_ohms\n", "u_raw_ohms,resistors\n"), "did you mean resistor?"),
    ],
)
def test_bad_files_get_one_sentence(tmp_path, text, said):
    done = run(tmp_path, text, "--json")
    assert done.exit_code == 2 and done.stdout == ""
    assert said in done.stderr and done.stderr.count("\n") == 1 and done.stderr.startswith("Error: ")


@pytest.mark.parametrize(
    ("cells", "said"),
    [
        (",0.1", "u_shared_ohms is 0.1 and shared_group is empty"),
        ("box,-0.1", "an uncertainty cannot be negative"),
        ("box,", "u_shared_ohms must be a number of ohm such as 1000.0, not nothing"),
    ],
)
def test_bad_groups_get_one_sentence(cells, said):
    text = HEADING + ",shared_group,u_shared_ohms\n" + "".join(",".join(map(str, row)) + f",{cells}\n" for row in GOOD)
    with pytest.raises(InputError, match=said):
        read_points(text, "points.csv")


def test_other_bad_use(tmp_path):
    missing = CliRunner().invoke(main, ["calibrate", "fit", str(tmp_path / "none.csv")])
    assert missing.exit_code == 2 and "There is no points file" in missing.stderr
    binary = tmp_path / "binary.csv"
    binary.write_bytes(b"\xff\xfe\x00")
    assert "is not text in UTF-8" in CliRunner().invoke(main, ["calibrate", "fit", str(binary)]).stderr
    folder = CliRunner().invoke(main, ["calibrate", "fit", str(tmp_path)])
    assert folder.exit_code == 2 and "cannot be read" in folder.stderr
    short = run(tmp_path, csv_of(GOOD), "--range", "high")
    assert short.exit_code == 2 and "leave the short out" in short.stderr
    two = csv_of([(100.0, 0.1, 100.0, 0.1), (200.0, 0.1, 200.0, 0.1), (200.0, 0.1, 200.1, 0.1)])
    bent = run(tmp_path, two, "--model", "quadratic")
    assert bent.exit_code == 2 and "at least three different references" in bent.stderr
    shown = run(tmp_path, two)
    assert shown.exit_code == 0 and "two different references only" in " ".join(shown.stdout.split())
    piped = CliRunner().invoke(main, ["calibrate", "fit", "-", "--json"], input=csv_of(GOOD))
    assert piped.exit_code == 0 and json.loads(piped.stdout)["model"] == "line"
