"""The curve as text: fits the width, shows what the picture shows."""

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from kojimon.curve import Fan, Mark, Point, Strip, Track, Window
from kojimon.curve.terminal import lines
from tests.curve.sheets import koji_c, sheet


@settings(max_examples=25, deadline=None)
@given(st.integers(40, 200), st.integers(10, 120), st.booleans())
def test_no_line_is_wider_than_the_terminal(columns: int, rows: int, fahrenheit: bool) -> None:
    found = lines(sheet(), columns, rows, fahrenheit, "America/Chicago")
    assert all(len(line) <= columns for line in found)
    assert 4 <= len(found) <= rows + 6


@pytest.mark.parametrize("columns", [40, 63, 64, 80, 120, 200])
def test_the_koji_takes_three_fifths_of_the_width_and_the_lines_fill_it(columns: int) -> None:
    """The limits of a sheet without curves: the outermost stand nearly as far apart as the plot is wide."""
    head, *found = lines(sheet(tracks=(), marks=()), columns, 60, False, "UTC")
    assert len(head) == columns
    assert head.index("koji C") - 7 - (6 if columns >= 64 else 0) >= 0.6 * columns
    assert max(len(line) for line in found if line[:4].strip().isdigit()) >= 0.9 * columns


def test_the_hottest_of_each_hour_stands_beside_it() -> None:
    found = {line.split()[0]: line for line in lines(sheet(), 100, 60, False, "UTC")}
    assert f"{max(koji_c(32 + minute / 60) for minute in range(60)):.1f}" in found["32"]
    assert "Broken up and mixed" in found["24"]
    assert "Top tray 43.2" in found["31"]


def test_where_nothing_was_read_a_dash_stands() -> None:
    one = sheet(tracks=sheet().tracks[:1], marks=(Mark(20.5, "gap", "nothing read"),))
    row = next(line for line in lines(one, 100, 60, False, "UTC") if line.startswith("  20 "))
    assert " -" in row and "nothing read" in row


@pytest.mark.parametrize("columns", [40, 100])
def test_fahrenheit(columns: int) -> None:
    found = "\n".join(lines(sheet(), columns, 60, True, "UTC"))
    assert "105.8" in found and "41.0" not in found


def test_signs_are_plain_ascii_and_alarms_stand_before_their_lines() -> None:
    air = Track("air", "box air", Strip.AIR, ((Point(20.5, 36, 36),),))
    one = sheet(tracks=(*sheet().tracks[:2], air), marks=(*sheet().marks, Mark(40, "note", "plain words")))
    found = lines(one, 80, 60, False, "UTC")
    own = "".join(line for line in found).replace("°", "")
    assert own.isascii()
    at = {line.split()[0]: line for line in found}
    assert at["31"][11] == "!" and at["24"][11] == "*" and at["10"][11] == " "
    assert "a" in at["20"][13:68] and "a" not in at["10"][13:68]


def test_limits_on_a_ramp_stand_where_they_are_at_that_hour() -> None:
    found = {line.split()[0]: line for line in lines(sheet(tracks=()), 100, 60, False, "UTC")}
    early, late = (found[hour].rindex("|") for hour in ("18", "45"))
    assert early < late
    assert ":" in found["20"] and found["10"].count(":") == 2  # one of the clock


def test_what_is_to_come() -> None:
    ahead = Fan((33.0, 34.0, 35.0), (39.0, 38.0, 37.0), (40.0, 40.0, 40.0), (41.0, 42.0, 43.0))
    one = sheet(now_h=32.0, to_h=36.0, fan=ahead, windows=(Window("harvest", 34.2, 35, 40),))
    found = {line.split()[0]: line for line in lines(one, 100, 60, False, "UTC")}
    assert found["35"].count("~") > found["33"].count("~") > 0
    assert "now" in found["32"] and "harvest: from hour 34 to 40" in found["34"]
    assert found["35"].split()[-1].count(".") == 0


def test_what_lies_beyond_the_scale_is_an_arrow_with_its_number() -> None:
    """Rice from the steamer, 74 °C read by hand at hour 2: the scale stays, the arrow stands at its edge."""
    hot = Track("hand", "top tray, by hand", Strip.KOJI, ((Point(2.5, 74, 74),),))
    plain, found = (lines(one, 80, 60, False, "UTC") for one in (sheet(), sheet(tracks=(*sheet().tracks, hot))))
    assert found[0] == plain[0]
    row = next(line for line in found if line.startswith("   2 "))
    assert row.index(">") < row.index("74.0")


def test_long_words_go_on_where_the_next_lines_are_free() -> None:
    text = "white specks all over, smells like chestnuts and a little like fresh bread, and more of that"
    found = lines(sheet(marks=(Mark(20, "note", text), Mark(22, "note", "next"))), 80, 60, False, "UTC")
    at = {line.split()[0]: line for line in found}
    assert " white specks all " in at["20"] and " over, .. " in at["21"] and " next " in at["22"]


def test_words_that_find_no_room_stand_below() -> None:
    wild = Track("koji", "koji", Strip.KOJI, (tuple(Point(20 + n / 8, 20, 46) for n in range(9)),))
    found = lines(sheet(tracks=(wild,), from_h=20, to_h=21, marks=(Mark(20.5, "note", "sweet"),)), 80, 60, False, "UTC")
    assert "hour 20.5: sweet" in found
