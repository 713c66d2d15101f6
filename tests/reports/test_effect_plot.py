"""The picture of a reading's effect on the oven, as a browser's parser sees it."""

import xml.etree.ElementTree as ElementTree

import pytest
from click.testing import CliRunner

from probeledger import curves
from probeledger.cli import main
from probeledger.judging import effect
from probeledger.reports.effectplot import effect_plot

NOMINAL = curves.curve("pt1000-3850")
SVG = "{http://www.w3.org/2000/svg}"


def drawn(off_ohms, settings=(100.0, 150.0, 200.0, 250.0)):
    point = effect.Point(NOMINAL.ohms(22.0) + off_ohms, 0.05, 22.0, 0.5)
    found = effect.hypotheses(NOMINAL, [point], curves.others(NOMINAL))
    effects = effect.effects(NOMINAL, found, settings, 22.0)
    labels = [each.label for each in found if each.compatible]
    return effects, labels, ElementTree.fromstring(effect_plot(effects, labels, NOMINAL.name))


def points(element):
    return [tuple(float(number) for number in pair.split(",")) for pair in element.get("points").split()]


@pytest.mark.parametrize("off_ohms", [0.0, 3.0, 12.0, -12.0])
def test_a_line_for_each_fault_inside_the_band(off_ohms):
    effects, labels, picture = drawn(off_ohms)
    (band,) = picture.findall(f"{SVG}polygon")
    lines = picture.findall(f"{SVG}polyline")
    assert len(lines) == len(labels) > 0
    outline = points(band)
    top, bottom = outline[: len(effects)], outline[len(effects) :][::-1]
    for line in lines:
        for (x, y), (x_top, y_top), (_, y_bottom) in zip(points(line), top, bottom, strict=True):
            assert x == x_top and y_top - 0.1 <= y <= y_bottom + 0.1
    texts = [text.text for text in picture.iter(f"{SVG}text")]
    assert set(labels) <= set(texts) and "0" in texts and "482 °F" in texts


def test_higher_on_the_picture_is_hotter():
    """12 ohm too many make the oven too cold, 12 too few too hot: on either side of the line of zero."""
    for off_ohms, colder in ((12.0, True), (-12.0, False)):
        _, _, picture = drawn(off_ohms)
        (zero,) = [line for line in picture.findall(f"{SVG}line") if line.get("class") == "zero"]
        ys = [y for line in picture.findall(f"{SVG}polyline") for _, y in points(line)]
        assert all((y > float(zero.get("y1"))) == colder for y in ys)


def test_one_setting_is_no_picture():
    with pytest.raises(ValueError, match="two set temperatures"):
        drawn(12.0, settings=(175.0,))


def test_the_command_writes_it(tmp_path):
    file = tmp_path / "oven.svg"
    done = CliRunner().invoke(main, ["effect", "--ohms", "1097.7", "--ambient", "22", "--plot", str(file)])
    assert done.exit_code == 0, done.output
    assert ElementTree.parse(file).getroot().tag == f"{SVG}svg"
    missing = CliRunner().invoke(
        main, ["effect", "--ohms", "1097.7", "--ambient", "22", "--plot", str(tmp_path / "no" / "oven.svg")]
    )
    assert missing.exit_code != 0 and "Name another file" in " ".join(missing.output.split())


def test_weighed_faults_have_their_own_band_and_mean(tmp_path):
    """The mean lies in the 95 %, and both in the whole range, at each set temperature."""
    file = tmp_path / "oven.svg"
    words = ["--ohms", "1097.7", "--ambient", "22", "--u-ohms", "0.1", "--second", "1012.1,0", "--u-second", "0.2"]
    done = CliRunner().invoke(main, ["effect", *words, "--plot", str(file)])
    assert done.exit_code == 0, done.output
    picture = ElementTree.parse(file).getroot()
    whole, likely = (
        points(each) for kind in ("band", "likely") for each in picture.findall(f"{SVG}polygon[@class='{kind}']")
    )
    (mean,) = (points(each) for each in picture.findall(f"{SVG}polyline[@class='mean']"))
    half = len(mean)
    assert len(whole) == len(likely) == 2 * half
    for at, (x, y) in enumerate(mean):
        tops, bottoms = (whole[at], likely[at]), (likely[-1 - at], whole[-1 - at])
        ys = [tops[0][1], tops[1][1], y, bottoms[0][1], bottoms[1][1]]
        assert {tops[0][0], tops[1][0], bottoms[0][0], bottoms[1][0]} == {x}
        assert ys == sorted(ys)
    texts = " ".join(text.text for text in picture.iter(f"{SVG}text"))
    assert "95 %" in texts and "in the leads or connectors, " in texts
    _, _, alone = drawn(12.0)
    assert not alone.findall(f"{SVG}polyline[@class='mean']")
