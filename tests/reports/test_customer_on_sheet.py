"""The customer's sentence on the day sheet: that of the reading's own effect, in both units."""

import datetime
import re

import builder

from probeledger.reports.day import day_sheet
from probeledger.reports.render import render


def test_a_failed_test_says_what_the_oven_would_hold(tmp_path) -> None:
    with builder.archive_of(tmp_path, builder.a_day()) as archive:
        sheet = day_sheet(archive, datetime.date(2026, 11, 25), datetime.UTC)
    source = render(sheet)
    told = [test for test in sheet.tests if test.effect and test.verdict != "pass"]
    assert told
    for test in told:
        article = source.partition(f'<article id="{test.anchor}"')[2].partition("</article>")[0]
        said = re.search(r"Set to \d+ °F \(\d+ °C\), the oven would hold (.*?)\.<", article)[1]
        if said == "close to what is set":
            assert max(abs(test.effect.low_celsius), abs(test.effect.high_celsius)) <= 5.0 / 1.8
            continue
        fahrenheit, celsius = re.fullmatch(r"about ([^(]*) °F \((.*) °C\)", said).groups()
        found = (test.effect.low_celsius + test.effect.set_celsius, test.effect.high_celsius + test.effect.set_celsius)
        for text, ends in ((celsius, found), (fahrenheit, [1.8 * t + 32.0 for t in found])):
            low, *high = (int(number) for number in text.split(" to "))
            # Rounded to a degree, or outwards to five or ten.
            assert ends[0] - 10.0 <= low <= ends[0] + 0.5
            assert ends[1] - 0.5 <= (high or [low])[0] <= ends[1] + 10.0
