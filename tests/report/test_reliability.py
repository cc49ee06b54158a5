"""The reliability picture: every bin stands where its numbers say."""

import xml.etree.ElementTree as ET

import pytest

from misfire.report.pictures.reliability import draw_reliability

SVG = "{http://www.w3.org/2000/svg}"
ROWS = [
    {"said": 0.0, "happened": 0.0, "low": 0.0, "high": 0.2, "n": 9},
    {"said": 0.5, "happened": 0.25, "low": 0.1, "high": 0.5, "n": 4},
    {"said": 1.0, "happened": 1.0, "low": 0.7, "high": 1.0, "n": 16},
]


def read(rows, title="Title"):
    return ET.fromstring(draw_reliability(rows, title=title))


def test_circles_lie_on_a_straight_scale():
    circles = read(ROWS).findall(f"{SVG}circle")
    (x0, y0), (x1, y1), (x2, y2) = [(float(c.get("cx")), float(c.get("cy"))) for c in circles]
    assert x1 == pytest.approx((x0 + x2) / 2, abs=0.06)
    assert y1 == pytest.approx(y0 + 0.25 * (y2 - y0), abs=0.06)
    assert y2 < y0  # more is higher
    area = [float(c.get("r")) for c in circles]
    assert area[2] > area[0] > area[1]


def test_each_bin_says_its_numbers():
    words = [t.text for t in read(ROWS).iter(f"{SVG}title")]
    assert words[1] == "said 0.50, happened 0.25 (0.10 to 0.50), 4 cylinders"


def test_title_is_text_not_markup():
    picture = read([], title='a <b> & "c"')
    assert picture.get("aria-label") == 'a <b> & "c"'
    assert 'a <b> & "c"' in [t.text for t in picture.iter(f"{SVG}text")]


def test_no_bin_at_all():
    assert read([]).findall(f"{SVG}circle") == []
