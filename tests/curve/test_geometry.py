"""The curve is the picture: the koji's share of the width, and nothing written outside the picture or over its edge."""

from __future__ import annotations

import re
import xml.etree.ElementTree as ET
from collections.abc import Iterator

import pytest

from kojimon.curve import Mark, Point, Strip, Style, Track, draw
from kojimon.curve.element import width_of
from kojimon.curve.layout import LIE_PX, font_of
from tests.curve.sheets import SVG, read, run_of, sheet, strip_data

WIDTHS = {336: 360, 744: 768, 1036: 1440}
"""Width of the picture's column on the page by that of the screen, px (`tests/browser/test_looks.py` measures it)."""
NAMES = ("top tray", "middle tray", "bottom tray", "fourth tray from the left, the big one")
FULL = sheet(
    from_h=-0.7, to_h=50.0, now_h=46.0,
    tracks=(
        *(Track(f"koji-{n}", name, Strip.KOJI, (run_of(0, 46, lift=-n),)) for n, name in enumerate(NAMES)),
        *sheet().tracks[2:],
        Track("hand", "top tray, by hand", Strip.KOJI, ((Point(-0.5, 74, 74),), (Point(30, 41, 41),))),
        Track("room", "room", Strip.AIR, ((Point(0, 21, 21), Point(46, 20, 20)),)),
    ),
    marks=(*sheet().marks, *(Mark(hour, "note", "white specks all over, sweet smell") for hour in range(0, 46, 5))),
)  # fmt: skip


@pytest.mark.parametrize("width", WIDTHS)
def test_the_koji_has_sixty_percent_of_the_screen(width: int) -> None:
    tree = read(draw(FULL, Style(width, fahrenheit=True)))
    data = strip_data(tree, "koji")
    lying = tree.get("data-lying") == "yes"
    assert lying is (width >= LIE_PX)
    across = abs(data["at-high"] - data["at-low"])
    share = float(tree.get("data-end", "0")) - float(tree.get("data-begin", "0")) if lying else across
    assert share / WIDTHS[width] >= 0.6
    if lying:
        assert across / float(tree.get("height", "0")) >= 0.4


@pytest.mark.parametrize("width", WIDTHS)
@pytest.mark.parametrize("fahrenheit", [False, True])
def test_no_label_lies_outside_the_picture(width: int, fahrenheit: bool) -> None:
    """By the width that letters have at most in common faces; `tests/browser` measures them as painted."""
    tree = read(draw(FULL, Style(width, fahrenheit=fahrenheit, zone="UTC")))
    found = list(texts_placed(tree, font_of(width)))
    assert len(found) > 40
    high = float(tree.get("height", "0"))
    for text, left, right, low in found:
        assert left >= -0.5 and right <= width + 0.5, text
        assert font_of(width) * 0.7 <= low <= high, text


def texts_placed(tree: ET.Element, font: float) -> Iterator[tuple[str, float, float, float]]:
    """Text, left edge, right edge, baseline; moved groups included."""
    for group in tree.iter(f"{SVG}g"):
        moved = re.findall(r"[\d.]+", group.get("transform", ""))
        if group.get("class") == "k-legend" or not group.findall(f"{SVG}text"):
            continue
        for text in group.findall(f"{SVG}text"):
            anchor, wide = text.get("class", ""), width_of(text.text or "", font)
            x = float(text.get("x", "0")) - (wide if "k-end-of" in anchor else wide / 2 if "k-middle" in anchor else 0)
            assert not moved
            shift = next((legend_shift(one) for one in legends(tree) if text in list(one.iter())), 0.0)
            yield text.text or "", x, x + wide, float(text.get("y", "0")) + shift


def legends(tree: ET.Element) -> list[ET.Element]:
    return [one for one in tree.iter(f"{SVG}g") if one.get("class") == "k-legend"]


def legend_shift(legend: ET.Element) -> float:
    moved = re.findall(r"[\d.]+", legend.get("transform", ""))
    return float(moved[1]) if moved else 0.0


def test_labels_of_what_lies_beyond_stand_at_the_edge_with_their_number() -> None:
    tree = read(draw(FULL, Style(336, fahrenheit=True)))
    (word,) = [text for text in tree.iter(f"{SVG}text") if text.text == "165 °F ▶"]
    right = strip_data(tree, "koji")["at-high"]
    assert right - 70 < float(word.get("x", "0")) < right


def test_trays_that_come_from_the_steamer_together_have_one_number() -> None:
    tracks = tuple(
        Track(f"koji-{n}", name, Strip.KOJI, ((Point(-0.5, 60 + n, 60 + n), *run_of(0, 46)),))
        for n, name in enumerate(NAMES)
    )
    words = [text.text or "" for text in read(draw(sheet(from_h=-0.5, tracks=tracks), Style(336))).iter(f"{SVG}text")]
    assert [text for text in words if "▶" in text] == ["63 °C ▶"]
    assert not any("more" in text for text in words)
