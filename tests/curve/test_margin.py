"""Words beside their hour: none over another, none outside, each near its hour, alarms before notes."""

from itertools import combinations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from kojimon.curve import Mark, Sheet, Strip, Style, Track, margin
from kojimon.curve.axes import scale_of
from kojimon.curve.element import width_of
from kojimon.curve.layout import Layout, arrange
from kojimon.curve.margin import Placed, Rect, _word, place, taken_of, wrapped
from tests.curve.sheets import run_of

STYLES = (Style(336), Style(1036, 520.0))
STYLE = STYLES[0]


def placed(marks: list[Mark], style: Style = STYLE, tracks: tuple[Track, ...] = ()) -> tuple[list[Placed], int, Layout]:
    sheet = Sheet("x", 0.0, 46.0, tracks, marks=tuple(marks))
    layout = arrange(sheet, style, 30.0, 20.0)
    koji = layout.strips[Strip.KOJI]
    scale = scale_of(sheet, Strip.KOJI, koji.begin, koji.size, False, layout.lying)
    wanted = [_word(mark, scale, layout) for mark in marks]
    found, left_out = place(wanted, layout, koji, taken_of(sheet, scale, layout))
    frame = Rect(*layout.box(layout.along, koji).values())
    assert not any(one.rect.meets(other.rect) for one, other in combinations(found, 2))
    for one in found:
        assert frame.x <= one.rect.x and one.rect.x + one.rect.width <= frame.x + frame.width
        assert frame.y <= one.rect.y and one.rect.y + one.rect.height <= frame.y + frame.height + 0.5
    return found, left_out, layout


@settings(max_examples=25, deadline=None)
@given(
    st.lists(st.tuples(st.floats(0, 46), st.text(min_size=1, max_size=60), st.integers(0, 2)), max_size=90),
    st.sampled_from(STYLES),
)
def test_no_word_covers_another(rows: list[tuple[float, str, int]], style: Style) -> None:
    found, left_out, _ = placed([Mark(hour, "note", text, rank=rank) for hour, text, rank in rows], style)
    assert len(found) + left_out == len(rows)


@pytest.mark.parametrize("style", STYLES)
def test_a_lone_word_stands_at_its_hour(style: Style) -> None:
    (one,), _, layout = placed([Mark(20.0, "step", "Mixed")], style)
    if layout.lying:
        assert one.rect.x == pytest.approx(layout.at(20.0) + 3)
    else:
        assert one.rect.y + layout.line * 0.5 == pytest.approx(layout.at(20.0))


def test_words_keep_off_the_lines_where_there_is_room() -> None:
    tray = Track("k", "tray", Strip.KOJI, (run_of(0, 46),))
    marks = [Mark(hour, "step", "Mixed") for hour in (4.0, 30.0, 38.0)]
    for style in STYLES:
        found, left_out, layout = placed(marks, style, (tray,))
        assert left_out == 0
        sheet = Sheet("x", 0.0, 46.0, (tray,))
        koji = layout.strips[Strip.KOJI]
        taken = taken_of(sheet, scale_of(sheet, Strip.KOJI, koji.begin, koji.size, False, layout.lying), layout)
        assert [margin._covered(one.rect, layout, taken) for one in found] == [0, 0, 0]


def test_where_there_is_no_room_the_alarms_stay() -> None:
    crowd = [Mark(hour / 10, "note", f"a note of some length, number {hour}", rank=2) for hour in range(460)]
    alarm = Mark(45.9, "alarm", "Top tray 43.2 °C over 43", "wrong", rank=0)
    found, left_out, _ = placed([*crowd, alarm])
    assert left_out > 0
    assert alarm.text in [one.word.title for one in found]


@settings(max_examples=40, deadline=None)
@given(st.text(max_size=120), st.floats(40, 200), st.integers(1, 3))
def test_wrapped_words_fit(text: str, room: float, most: int) -> None:
    lines, cut = wrapped(text, room, 10.0, most)
    assert len(lines) <= most
    assert all(width_of(line, 10.0) <= room for line in lines)
    if not cut:
        assert " ".join(lines).split() == text.split()
    else:
        assert lines[-1].endswith("…") or any(line.endswith("…") for line in lines)


def test_a_night_of_chatter_is_drawn_in_no_time() -> None:
    """Five thousand alarms: the words of a few, a count of the rest, and a picture no larger for it."""
    from kojimon.curve import draw

    marks = tuple(Mark(n / 200, "alarm", f"Probe {n} silent", "look", n / 200 + 0.002) for n in range(5000))
    svg = draw(Sheet("x", 0.0, 46.0, marks=marks), STYLE)
    assert len(svg) < 60_000
    assert "more</text>" in svg


def test_a_word_without_an_end_costs_no_more_than_a_long_one() -> None:
    """Counted in letters measured, not in seconds: what is cut is looked at once."""
    measured = 0

    def counting(text: str, size_px: float) -> float:
        nonlocal measured
        measured += len(text)
        return width_of(text, size_px)

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(margin, "width_of", counting)
        for length in (60_000, 120_000):
            measured = 0
            (line,), cut = wrapped("i" * length, 160.0, 10.0, 2)
            assert cut and line.endswith("…") and measured < 4 * length
