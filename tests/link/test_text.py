"""Text from outside, and figures for people."""

import unicodedata

import pytest
from hypothesis import given
from hypothesis import strategies as st

from probeledger.rounding import fixed, significant, with_uncertainty
from probeledger.text import clean, plural, shorten, span


@given(st.text())
def test_clean_text_is_one_line_that_a_terminal_only_prints(text):
    cleaned = clean(text)
    # Unicode Standard, chapter 4.5: general categories of what is not a graphic character.
    assert not {unicodedata.category(one) for one in cleaned} & {"Cc", "Cf", "Cs", "Co", "Cn", "Zl", "Zp"}
    assert clean(cleaned) == cleaned
    assert cleaned == cleaned.strip()


@given(st.binary())
def test_any_bytes_can_be_cleaned(raw):
    assert isinstance(clean(raw), str)


@pytest.mark.parametrize(
    ("text", "cleaned"),
    [
        ("Küche 1 Ω °C 日本", "Küche 1 Ω °C 日本"),
        ("a\x1b[2Jb", "a[2Jb"),
        ("\x9b31mred", "31mred"),
        ("gnp\u202eexe.", "gnpexe."),
        ("\u2066x\u2069\u200e\u200f\u061c", "x"),
        ("a\u200bb\ufeffc\u00add", "abcd"),
        ("a\r\n\tb\u2028c", "a b c"),
        ("a\u00a0b", "a b"),
        ("Z" + "\u0301" * 50, "Z\u0301\u0301"),
        ("\U000e0041tag", "tag"),
        ("\ud800", ""),
        (b"ok\xff", "ok\ufffd"),
        (None, ""),
        (12.5, "12.5"),
    ],
)
def test_clean(text, cleaned):
    assert clean(text) == cleaned


def test_a_long_text_is_cut():
    assert clean("x" * 100, 10) == "xxxxxxx..."
    assert shorten("abcdef", 3) == "abc"
    assert shorten("abc", 3) == "abc"


@pytest.mark.parametrize(
    ("number", "text"), [(0, "0 records"), (1, "1 record"), (2, "2 records"), (12345, "12 345 records")]
)
def test_plural(number, text):
    assert plural(number, "record") == text


@pytest.mark.parametrize(
    ("seconds", "text"),
    [(0, "0 s"), (119, "119 s"), (120, "2 min"), (7199, "119 min"), (7200, "2 h"), (172800, "2 days")],
)
def test_span(seconds, text):
    assert span(seconds) == text


@pytest.mark.parametrize(
    ("value", "u", "texts"),
    [
        # GUM (JCGM 100:2008) 7.2.6: the value to the places of its uncertainty, which has two digits at most: there
        # y = 10.057 62 ohm with u = 27 mohm becomes 10.058 ohm. Here with U = 2 u = 54 mohm.
        (10.05762, 0.027, ("10.058", "0.054")),
        (1097.3467, 0.1049, ("1097.35", "0.21")),
        (1097.3467, 0.0498, ("1097.35", "0.10")),
        (1097.3467, 6.2, ("1097", "12")),
        (123456.0, 620.0, ("123500", "1200")),
        (-0.004, 0.5, ("0.0", "1.0")),
        (25.0, None, ("25.00", "-")),
        (None, 1.0, ("-", "-")),
        (float("nan"), 1.0, ("-", "-")),
    ],
)
def test_with_uncertainty(value, u, texts):
    assert with_uncertainty(value, u) == texts


def test_fixed_and_significant():
    assert [fixed(value, 1) for value in (0.25, 0.35, -0.04, None)] == ["0.2", "0.4", "0.0", "-"]
    assert [significant(value, 3) for value in (40123.0, 0.0099999, 9.996, 0.0, None)] == [
        "40100",
        "0.0100",
        "10.0",
        "0",
        "-",
    ]


@given(
    st.floats(min_value=-1e7, max_value=1e7),
    st.floats(min_value=1e-6, max_value=1e4),
)
def test_what_is_shown_is_within_rounding_of_what_is(value, u):
    shown, expanded = with_uncertainty(value, u)
    assert abs(float(expanded) - 2 * u) <= 0.05 * 2 * u * (1 + 1e-9)
    assert abs(float(shown) - value) <= 0.05 * 2 * u * (1 + 1e-6) + 1e-9
