"""Whatever stands in a file, reading it ends in a result or in one sentence."""

import csv
import io
import json

from hypothesis import given, settings
from hypothesis import strategies as st
from invented_calibration import certificate

from probeledger.calibrating import fitting
from probeledger.calibrating.certificate_json import document, read_document
from probeledger.calibrating.history import history_of, read_checks
from probeledger.calibrating.page import render_certificate
from probeledger.calibrating.points import COLUMNS, OPTIONAL_COLUMNS, read_points
from probeledger.calibrating.references import read_references
from probeledger.errors import InputError

CELLS = st.one_of(
    st.floats(allow_nan=True, allow_infinity=True).map(repr),
    st.floats(0, 5000).map(repr),
    st.sampled_from(["", "0", "1e-300", "1e300", "box", "-1", "1000", "nan", '"', "1,0", "१"]),
)


@settings(max_examples=300, deadline=None)
@given(st.one_of(st.text(), st.lists(st.text("abc_ohms,;\n\"'#0123456789.-eu\t"), max_size=8).map("\n".join)))
def test_text_as_points_references_and_checks(text: str) -> None:
    for read in (read_points, read_references, read_checks):
        try:
            read(text, "file")
        except InputError as error:
            assert error.message and "\n" not in error.message


@settings(max_examples=300, deadline=None)
@given(st.lists(st.tuples(*[CELLS] * 7), min_size=3, max_size=8), st.sampled_from(["low", "high"]))
def test_rows_of_odd_numbers(rows: list[tuple[str, ...]], range_name: str) -> None:
    made = io.StringIO()
    writer = csv.writer(made)
    writer.writerow(COLUMNS + OPTIONAL_COLUMNS)
    writer.writerows(rows)
    try:
        points, _ = read_points(made.getvalue(), "file")
        fitted = fitting.fit(points, range_name)
    except InputError as error:
        assert error.message and "\n" not in error.message
    else:
        assert len(fitted.points) == len(rows)


POSITIVE = st.floats(1e-6, 5000.0)


@settings(max_examples=200, deadline=None)
@given(st.lists(st.tuples(POSITIVE, POSITIVE, POSITIVE, POSITIVE), min_size=3, max_size=8))
def test_rows_of_possible_numbers(rows: list[tuple[float, ...]]) -> None:
    text = ",".join(COLUMNS) + "\n" + "\n".join(",".join(map(repr, row)) for row in rows)
    try:
        fitted = fitting.fit(read_points(text, "file")[0])
    except InputError as error:
        assert error.message and "\n" not in error.message
    else:
        assert fitted.polynomial.chi2 >= 0
        assert all(variance >= 0 for variance in fitted.polynomial.covariance.diagonal())


JSON = st.recursive(
    st.none() | st.booleans() | st.floats(allow_nan=False, allow_infinity=False) | st.text(max_size=8),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=8), inner, max_size=3),
    max_leaves=6,
)


@settings(max_examples=300, deadline=None)
@given(st.data())
def test_a_certificate_with_anything_in_one_place(data: st.DataObject) -> None:
    made = json.loads(json.dumps(document(certificate())))
    place, key = made, data.draw(st.sampled_from(sorted(made)))
    while isinstance(place[key], (dict, list)) and place[key] and data.draw(st.booleans()):
        place = place[key]
        key = data.draw(st.sampled_from(sorted(place) if isinstance(place, dict) else range(len(place))))
    place[key] = data.draw(JSON)
    try:
        found = read_document(made)
        render_certificate(found)
    except InputError as error:
        assert error.message


@settings(max_examples=60, deadline=None)
@given(st.lists(st.tuples(st.floats(-1e6, 1e6), st.floats(1e-3, 1e5), st.floats(-40, 60)), min_size=1, max_size=40))
def test_any_checks_have_a_history(rows: list[tuple[float, float, float]]) -> None:
    lines = ["time,deviation_ppm,u_ppm,celsius"]
    lines += [f"2026-{1 + n // 28:02d}-{1 + n % 28:02d},{d!r},{u!r},{c!r}" for n, (d, u, c) in enumerate(rows)]
    (checks,) = read_checks("\n".join(lines), "file").values()
    found = history_of("pl-x", checks)
    assert found.advice.reason and len(found.chart.scores) == len(rows)
