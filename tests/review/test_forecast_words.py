"""How the forecasts fared, in words, from the journal on: a batch made by hand, and one of the simulator's."""

from __future__ import annotations

from contextlib import closing
from pathlib import Path

import pytest
from msgspec.structs import replace

from kojimon.forecast.kept import pack, thin
from kojimon.forecast.recorded import Recorded, forecasts
from kojimon.review.counted import Review, load_review
from kojimon.review.measure.forecasts import STEP_MS
from kojimon.review.measure.minutes import middles, minutes_of
from kojimon.review.tell.figures import lead, tables
from kojimon.review.tell.forecasts import warned_first, what_became, when_warned
from kojimon.words.speech import Speech
from tests.review.kitchen import H, Kitchen, forecast_batch, simulated

LIMITS_C = (40.0, 43.0)


def reviewed(folder: Path, *, peak_c: float = 44.0, warns: bool = True) -> Review:
    with closing(forecast_batch(folder, peak_c=peak_c, warns=warns)) as reader:
        return load_review(reader, "b-1")


def test_a_limit_that_was_warned_of(tmp_path: Path) -> None:
    review = reviewed(tmp_path)
    said = ["The forecasts warned of 40 °C 7 h before the koji passed it."]
    assert warned_first(review, Speech()) == said
    (first,) = review.warned.passings
    again = (replace(first, limit_c=43.0, hour=first.hour + 3, first_h=1.0), first)
    assert warned_first(replace(review, warned=replace(review.warned, passings=again)), Speech()) == said
    assert lead(review, Speech(fahrenheit=True))[-1].startswith("The forecasts warned of 104 °F 7 h before")
    table = when_warned(review, Speech())
    assert table is not None
    (row,) = table.rows
    assert (row.label, row.cells) == ("40 °C, passed at hour 27.0", ("7 h before", "7 h before"))
    assert row.note == "warned from the first forecast on that could have known"
    became = what_became(review, Speech())
    assert became is not None and became.heads == ("passing 40 °C",)
    assert [row.cells for row in became.rows] == [("4",), ("4",), ("0",), ("0",)]
    titles = [table.title for table in tables(review, Speech())]
    assert titles.index("What became of the warnings") == titles.index("When the forecasts warned") + 1


def test_a_limit_nobody_warned_of_is_said_plainly(tmp_path: Path) -> None:
    review = reviewed(tmp_path, warns=False)
    assert warned_first(review, Speech()) == ["No forecast warned that the koji would pass 40 °C."]
    table = when_warned(review, Speech())
    assert table is not None and table.rows[0].cells == ("not before it was passed", "never")
    assert what_became(review, Speech()) is None


def test_warnings_for_nothing_are_counted(tmp_path: Path) -> None:
    review = reviewed(tmp_path, peak_c=38.0)
    assert warned_first(review, Speech()) == []
    table, became = when_warned(review, Speech()), what_became(review, Speech())
    assert table is not None and table.rows[0].label == "The koji passed no limit"
    assert became is not None and [row.cells[0] for row in became.rows] == ["4", "0", "4", "0"]


def test_without_forecasts_nothing_is_said(tmp_path: Path) -> None:
    one = Kitchen(tmp_path).begin().read(1.0, "bed", 31.0)
    with closing(one.write(2.0)) as reader:
        review = load_review(reader, "b-1")
    assert when_warned(review, Speech()) is None and what_became(review, Speech()) is None


def test_a_simulated_batch_with_its_own_forecasts(tmp_path: Path) -> None:
    """A tray that grows too hot: the real forecasts warn before the koji passes each limit, and the counts add up."""
    one = simulated(tmp_path, "hot_tray", 3)
    beds = [name for name in one.numbers if name.startswith("bed")]
    rows = sorted((t_ms, kind, data) for t_ms, kind, data in one.rows if kind in (*beds, "air"))
    zero_ms = next(t for t, kind, data in one.rows if kind == "act" and data["data"].get("step") == "inoculate")
    readings = _by_the_minute(rows, beds, zero_ms)
    made_here = list(forecasts(Recorded(readings), 1800.0, LIMITS_C))
    for forecast in made_here:
        t_ms = zero_ms + round(forecast.at_s * 1000)
        payload = {"incubator": "box", "batch": "b-1", "made_ms": t_ms, "forecast": pack(thin(forecast))}
        one.rows.append((t_ms, "forecast", payload))
    with closing(one.write(45.0)) as reader:
        review = load_review(reader, "b-1")
    found = review.warned
    assert found.warnings, "a hot tray is warned of"
    for counted in found.warnings:
        assert counted.said == counted.came + counted.never + counted.hands + counted.unknown
        assert counted.said <= sum(one.known for one in made_here)
    hot = middles([minutes_of(c) for c in review.curves if (c.place, c.quantity) == ("bed", "temperature")], STEP_MS)
    assert {one.limit_c for one in found.passings} == {limit for limit in LIMITS_C if max(hot.values()) >= limit}
    for passing in found.passings:
        step = round(passing.hour * H / STEP_MS)
        assert hot[step - 1] < passing.limit_c <= hot[step]
        assert passing.first_h is not None and passing.first_h > 1.0, "ahead: what a thermometer cannot say"
        assert passing.right_h is not None and passing.right_h <= passing.first_h <= (passing.since_h or 0.0)


def _by_the_minute(
    rows: list[tuple[int, str, tuple[float, int]]], beds: list[str], zero_ms: int
) -> list[tuple[float, float | None, float | None, float | None, float | None]]:
    """The hottest tray and the air, once a minute."""
    table: dict[int, dict[str, float]] = {}
    for t_ms, kind, (value, _) in rows:
        if t_ms >= zero_ms:
            table.setdefault((t_ms - zero_ms) // 60_000, {})[kind] = value
    return [
        (minute * 60.0, max((row[bed] for bed in beds if bed in row), default=None), row.get("air"), None, None)
        for minute, row in sorted(table.items())
    ]


@pytest.mark.parametrize(
    ("hours", "text"), [(0.0, "as it was passed"), (0.5, "30 min before"), (5.34, "5 h 20 min before")]
)
def test_short_and_long_spans(hours: float, text: str) -> None:
    from kojimon.review.tell.forecasts import _before

    assert _before(hours) == text
