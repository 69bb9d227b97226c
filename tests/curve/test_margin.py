"""Words beside the curve: near their hour, never over one another, the important ones kept."""

from itertools import pairwise

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from kojimon.curve import Mark, Sheet, Style, margin
from kojimon.curve.element import width_of
from kojimon.curve.layout import arrange
from kojimon.curve.margin import Label, _height, _label, place, wrapped

STYLE = Style(336, 13.0)


def placed(marks: list[Mark]) -> tuple[list[Label], int, float, float]:
    sheet = Sheet("x", 0.0, 46.0, marks=tuple(marks))
    layout = arrange(sheet, STYLE, 30.0)
    labels = [_label(mark, layout, layout.top + mark.hour * STYLE.per_hour_px) for mark in marks]
    found, left_out = place(labels, layout)
    ends = [(label.top, label.top + _height(label, layout)) for label in found]
    assert all(earlier[1] <= later[0] + 1e-6 for earlier, later in pairwise(ends))
    assert all(top >= layout.top - layout.line and end <= layout.bottom + layout.line for top, end in ends)
    return found, left_out, layout.top, layout.line


@settings(max_examples=40, deadline=None)
@given(st.lists(st.tuples(st.floats(0, 46), st.text(min_size=1, max_size=60), st.integers(0, 2)), max_size=90))
def test_no_word_covers_another(rows: list[tuple[float, str, int]]) -> None:
    found, left_out, _, _ = placed([Mark(hour, "note", text, rank=rank) for hour, text, rank in rows])
    assert len(found) + left_out == len(rows)


def test_a_lone_word_stands_at_its_hour() -> None:
    (label,), _, top, line = placed([Mark(20.0, "step", "Mixed")])
    assert label.top + line * 0.5 == top + 20.0 * STYLE.per_hour_px


def test_where_there_is_no_room_the_alarms_stay() -> None:
    crowd = [Mark(hour / 10, "note", f"a note of some length, number {hour}", rank=2) for hour in range(460)]
    alarm = Mark(45.9, "alarm", "Top tray 43.2 °C over 43", "wrong", rank=0)
    found, left_out, _, _ = placed([*crowd, alarm])
    assert left_out > 0
    assert alarm in [label.mark for label in found]


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
