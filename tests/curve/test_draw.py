"""The curve as SVG: well formed whatever comes in, no extreme lost, no line across a gap, signs beside colours."""

import math
import re
from itertools import pairwise

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from msgspec.structs import replace

from kojimon.curve import CSS, Earlier, Fan, Mark, Point, Seam, Sheet, Strip, Style, Track, draw
from kojimon.curve.element import width_of
from kojimon.curve.strips import LEAST_PX
from tests.curve.sheets import SVG, lines_of, points_of, read, run_of, sheet, strip_data, texts, turned, value_at

STYLES = [Style(336), Style(720, fahrenheit=True, zone="America/Chicago"), Style(1100, 500.0)]


@pytest.mark.parametrize("style", STYLES)
def test_the_same_sheet_gives_the_same_text(style: Style) -> None:
    assert draw(sheet(), style) == draw(sheet(), style)
    tree = read(draw(sheet(), style))
    assert tree.get("role") == "img"
    assert tree.get("aria-label", "").startswith("Batch first, hour 0 to 46; koji from ")
    assert tree.get("viewBox") == f"0 0 {tree.get('width')} {tree.get('height')}"


def test_an_empty_sheet_is_an_empty_form() -> None:
    tree = read(draw(Sheet("Nothing yet", 0.0, 0.0)))
    assert strip_data(tree, "koji")["low"] < strip_data(tree, "koji")["high"]
    assert not lines_of(tree, "top tray")


@settings(max_examples=30, deadline=None)
@given(st.text(max_size=80), st.text(max_size=80), st.sampled_from(["step", "alarm", "note", "gap", "\x00<"]))
def test_hostile_names_and_notes_stay_text(label: str, note: str, kind: str) -> None:
    hostile = f"</text><script>alert(1)</script>{label}\x00\ud800".encode("utf-16", "surrogatepass").decode(
        "utf-16", "replace"
    )
    track = Track(hostile, hostile, Strip.KOJI, (run_of(0, 2),))
    one = sheet(title=hostile, tracks=(track,), marks=(Mark(1, kind, hostile + note, until_h=1.5),), to_h=2.0)
    svg = draw(one, Style(standalone=True))
    tree = read(svg)
    assert "<script" not in svg
    assert not any(name.startswith("on") for element in tree.iter() for name in element.keys())  # noqa: SIM118


@settings(max_examples=25, deadline=None)
@given(
    st.lists(st.floats(-20, 90, allow_nan=False), min_size=2, max_size=400),
    st.sampled_from([300, 336, 500, 720, 1440]),
    st.floats(380.0, 900.0),
    st.booleans(),
)
def test_no_extreme_is_lost(values: list[float], width: int, height: float, fahrenheit: bool) -> None:
    """Lowest and highest reading stand in the line to a fraction of a pixel and the rounding of 0.05 px."""
    points = tuple(Point(1 + index * 0.01, value, value) for index, value in enumerate(values))
    one = sheet(tracks=(Track("k", "tray", Strip.KOJI, (points,)),), bands=(), to_h=points[-1].hour + 1)
    tree = read(draw(one, Style(width, height, fahrenheit)))
    data = strip_data(tree, "koji")
    (line,) = lines_of(tree, "tray") or [[]]
    if not line:
        return
    drawn = [value_at(across, data) for _, across in turned(tree, line)]
    true = [value * 1.8 + 32 if fahrenheit else value for value in values]
    allowed = (LEAST_PX / 2 + 0.051) / abs(data["at-high"] - data["at-low"]) * (data["high"] - data["low"]) + 0.05
    assert min(drawn) == pytest.approx(min(true), abs=allowed)
    assert max(drawn) == pytest.approx(max(true), abs=allowed)


@pytest.mark.parametrize("width", [336, 1100])
def test_a_gap_is_a_gap(width: int) -> None:
    """Tray 1 says nothing from hour 20 to 21: no line crosses it; tray 2 went on."""
    tree = read(draw(sheet(), Style(width)))
    begin, per_hour = float(tree.get("data-begin", "0")), float(tree.get("data-per-hour", "0"))
    first, second = (turned(tree, line) for line in lines_of(tree, "top tray"))
    assert max(along for along, _ in first) == pytest.approx(begin + 20 * per_hour, abs=1.55)
    assert min(along for along, _ in second) == pytest.approx(begin + 21 * per_hour, abs=0.1)
    (whole,) = lines_of(tree, "bottom tray")
    steps = [later[0] - earlier[0] for earlier, later in pairwise(turned(tree, whole))]
    assert min(steps) > -0.05 and max(steps) < 3.1


def test_a_lone_reading_is_a_marker() -> None:
    one = sheet(tracks=(Track("k", "tray", Strip.KOJI, ((Point(5, 31, 31),),)),))
    assert 'class="k-marker k-line k-koji-0"' in draw(one).split('class="k-track"')[1]


def test_hot_rice_before_the_spores_does_not_press_the_batch_into_a_corner() -> None:
    hot = (Point(-0.5, 90, 90), Point(-0.1, 40, 40), *run_of(0, 46))
    one = sheet(from_h=-1.0, tracks=(Track("k", "tray", Strip.KOJI, (hot,)),), bands=())
    data = strip_data(read(draw(one)), "koji")
    assert data["high"] < 45


def test_a_runaway_batch_widens_the_scale_and_what_is_beyond_has_its_number() -> None:
    """53 °C at hour 32: the scale goes to 50 °C, where no koji lives, and says how far the line went."""
    tree = read(draw(sheet(tracks=(Track("k", "tray", Strip.KOJI, (run_of(0, 46, lift=12.0),)),))))
    assert 50 <= strip_data(tree, "koji")["high"] <= 51
    assert "53 °C ▲" in texts(tree)


def test_fahrenheit_is_another_label_on_the_same_curve() -> None:
    """86 °F is 30 °C (NIST SP 811, B.8)."""
    in_c, in_f = (read(draw(sheet(), Style(720, fahrenheit=f))) for f in (False, True))
    assert lines_of(in_c, "bottom tray") == lines_of(in_f, "bottom tray")
    c, f = strip_data(in_c, "koji"), strip_data(in_f, "koji")
    assert (f["low"], f["high"]) == pytest.approx((c["low"] * 1.8 + 32, c["high"] * 1.8 + 32))
    assert "the koji °F" in texts(in_f) and "the koji °C" not in texts(in_f)


def test_every_tray_has_a_pattern_of_dashes_of_its_own() -> None:
    dashes = [re.search(rf"\.k-koji-{n}[^{{]*{{([^}}]*)}}", CSS) for n in range(4)]
    patterns = {re.sub(r"stroke:[^;]*;?", "", found[1]) for found in dashes if found}
    assert len(patterns) == 4


def test_every_kind_of_mark_has_a_shape_of_its_own() -> None:
    from kojimon.curve.margin import SIGNS

    assert len(set(SIGNS.values())) == len(SIGNS)


def test_legend_names_what_is_drawn_and_nothing_else() -> None:
    bare = sheet(windows=(), marks=(), bands=())
    rich = replace(
        sheet(), earlier=Earlier("batch last, the best so far", (run_of(0, 40),)), fan=Fan((46.0,), (30,), (31,), (32,))
    )
    words, all_words = list(texts(read(draw(bare)))), list(texts(read(draw(rich))))
    for text in ("top tray", "bottom tray", "box air", "humidity"):
        assert text in words
    for text in ("likely, 8 chances in 10", "batch last, the best so far", "band of the stage", "time for a step"):
        assert text not in words and text in all_words


@pytest.mark.parametrize("width", [336, 1040])
def test_the_time_at_the_last_hour_lies_within_the_picture(width: int) -> None:
    """`Mon 15:13` at the very end was cut off."""
    short = sheet(from_h=-0.9, to_h=0.0, now_h=0.0, inoculated=False, bands=(), windows=(), marks=())
    tree = read(draw(short, Style(width_px=width, height_px=380)))
    clocks = [node for node in tree.iter(f"{SVG}text") if ":" in (node.text or "")]
    assert clocks
    for node in clocks:
        assert float(node.get("y", 0)) + 3 <= float(tree.get("height", 0))
        half = width_of(node.text or "", 13.0 if width > 1000 else 11.0) / 2
        assert float(node.get("x", 0)) + (half if "k-middle" in node.get("class", "") else 0) <= width


@pytest.mark.parametrize(("width", "hours", "first"), [(336, 2.4, "14:30"), (1100, 2.4, "14:30"), (336, 0.8, "14:15")])
def test_a_short_curve_is_read_by_the_clock(width: int, hours: float, first: str) -> None:
    """From 14:08 in Chicago on (UTC - 5 h in September), hour 20.5 of the batch: half hours, below an hour quarters."""
    seams = (Seam(20.5, 1_789_931_280_000),)  # 2026-09-20T19:08:00Z
    one = sheet(from_h=20.5, to_h=20.5 + hours, seams=seams)
    tree = read(draw(one, Style(width, 640.0, zone="America/Chicago")))
    ticks = [text for text in texts(tree) if re.fullmatch(r"(Sun )?\d\d:\d\d", text)]
    assert ticks[0].removeprefix("Sun ") == first
    step_min = 30 if hours > 1 else 15
    assert len(ticks) in (math.floor(hours * 60 / step_min), math.floor(hours * 60 / step_min) + 1)
    assert {int(tick[-2:]) % step_min for tick in ticks} == {0}
    since = {"14:30": "20.9 h", "14:15": "20.6 h"}[first]
    assert since in texts(tree)


def test_limits_ramp() -> None:
    """From 40 °C at hour 18 to 43 °C at hour 46: the line of the high limit leans, by as much as the scale says."""
    tree = read(draw(sheet(), Style(720)))
    data = strip_data(tree, "koji")
    highs = [path for path in tree.iter() if path.get("class") == "k-limit k-high"]
    (_, first), (_, last) = points_of(highs[1].get("d", ""))
    assert (value_at(first, data), value_at(last, data)) == pytest.approx((40.0, 43.0), abs=0.02)


def test_what_is_switched_off_leaves_its_room_to_the_koji_and_stays_in_the_legend() -> None:
    plain, bare = (read(draw(sheet(), Style(336, hidden=frozenset(off)))) for off in ((), ("air", "humidity", "damp")))
    sizes = [abs(data["at-high"] - data["at-low"]) for data in (strip_data(plain, "koji"), strip_data(bare, "koji"))]
    assert sizes[1] > sizes[0] + 60
    assert not lines_of(bare, "humidity") and not lines_of(bare, "box air")
    off = {one.get("data-name") for one in bare.iter() if "k-off" in one.get("class", "").split()}
    assert off == {"air", "damp"} and "humidity" in texts(bare)


def test_a_mark_with_a_value_stands_on_the_curve() -> None:
    tree = read(draw(sheet(marks=(Mark(28, "step", "Mixed", value=36.0),)), Style(720)))
    data = strip_data(tree, "koji")
    signs = [one.get("transform", "") for one in tree.iter() if one.get("class") == "k-mark k-step k-tone-plain"]
    place = signs[-1]  # the first stands below the picture and says what it means
    x, y = map(float, re.findall(r"[\d.]+", place))
    assert value_at(y, data) == pytest.approx(36.0, abs=0.05)
    assert x == pytest.approx(float(tree.get("data-begin", "0")) + 28 * float(tree.get("data-per-hour", "0")), abs=0.1)
