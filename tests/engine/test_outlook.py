"""Forecasts as inputs of the engine: taken in, shown, refused, and the alarm that is built on them."""

from __future__ import annotations

from typing import Any

import pytest
from msgspec.structs import replace

from kojimon.engine import advance, initial_state, view
from kojimon.engine.setup import EngineSetup
from kojimon.forecast.answers import Forecast
from kojimon.forecast.kept import pack, thin
from kojimon.model import Event
from tests.engine.build import AIR, BED, HUMIDITY, MIDDLE, H, Rows, kinds, site
from tests.parts.inputs import says
from tests.parts.outlooks import NEVER, calm_answer, limit_answer, made

SOON = "time-to-limit/bed/temperature"
VALUES = {BED: 38.0, MIDDLE: 37.5, AIR: 30.0, HUMIDITY: 85.0}


class Bed:
    """A warm batch whose koji lies still at 38 °C, for its line no reason to be told of."""

    def __init__(self, setup: EngineSetup | None = None) -> None:
        self.rows, self.state, self.events = Rows(setup), initial_state(), list[Event]()
        self.rows.act("batch.start", name="b", id="b1")
        self.rows.act("step.done", step="inoculate", value_c=31.0)
        self.hold(24 * H, every_s=600.0)
        self.hold(24 * H + 1800)

    def hold(self, until_s: float, every_s: float = 30.0) -> None:
        self.rows.hold(until_s, VALUES, every_s)
        self.run()

    def run(self) -> None:
        self.state, outcome = advance(self.state, self.rows.take(), self.rows.t_ms)
        self.events += outcome.events

    def forecast(self, forecast: Forecast, /, **changed: Any) -> None:
        plain = pack(thin(forecast))
        told = {"incubator": "box", "batch": "b1", "made_ms": self.rows.t_ms, "forecast": plain} | changed
        self.rows.input("forecast", **told)
        self.run()

    def goes_on(self, for_s: float) -> None:
        self.hold((self.rows.t_ms - self.rows.t0_ms) / 1000 + for_s)

    def shown(self) -> Any:
        """The forecast as the state document has it; None for none."""
        return view(self.state, self.rows.t_ms).incubators[0].forecast

    def told(self) -> list[tuple[str, Any]]:
        return [(says(e)["event"], says(e)["priority"]) for e in self.events if e.key == SOON]


def test_it_is_shown_with_its_age_and_how_long_one_may_sleep() -> None:
    bed = Bed()
    assert bed.shown() is None
    bed.forecast(made(24.5, limit_answer(43.0, 4.7)))
    bed.goes_on(120)
    shown = bed.shown()
    assert shown.age_s == 120 and shown.fresh and shown.known
    assert shown.calm_until_t_ms == shown.made_t_ms + 4.5 * 3_600_000
    assert shown.limits[0].in_h.p50 == pytest.approx(4.7)
    assert set(shown.curve.in_h) >= {0.0, 12.0}
    assert [(one.limit_c, round(one.s)) for one in shown.left] == [(43.0, round(4.7 * 3600) - 120)]
    bed.goes_on(600)
    assert not bed.shown().fresh
    assert ("forecast", "known") in kinds_of(bed)


def kinds_of(bed: Bed) -> list[tuple[str, str]]:
    return [(event.kind, event.key) for event in bed.events if event.kind == "forecast"]


def test_it_makes_no_event_each_time() -> None:
    bed = Bed()
    for _ in range(5):
        bed.forecast(made(24.5))
        bed.goes_on(60)
    assert kinds_of(bed) == [("forecast", "known")]


def test_work_on_the_koji_makes_it_old() -> None:
    """It says what comes if nobody touches the koji."""
    bed = Bed()
    bed.forecast(made(24.5, limit_answer(43.0, 4.7)))
    bed.goes_on(60)
    bed.rows.act("step.done", step="check")
    bed.run()
    assert not bed.shown().fresh
    bed.goes_on(60)
    bed.forecast(made(24.6))
    assert bed.shown().fresh


@pytest.mark.parametrize(
    "changed",
    [{"forecast": None}, {"forecast": {"at_s": 1.0}}, {"made_ms": None}, {"made_ms": 10**12}, {"forecast": [1, 2, 3]}],
)
def test_a_malformed_one_is_refused_once_in_words_and_the_last_one_stays(changed: dict[str, Any]) -> None:
    bed = Bed()
    bed.forecast(made(24.5))
    before = bed.shown()
    for _ in range(3):
        bed.forecast(made(24.5), **changed)
    assert kinds_of(bed) == [("forecast", "known"), ("forecast", "refused")]
    assert says(bed.events[-1])["reason"]
    assert bed.shown() == before


@pytest.mark.parametrize("changed", [{"batch": "b0"}, {"incubator": "attic"}, {"batch": None}])
def test_one_of_another_batch_is_left_alone(changed: dict[str, Any]) -> None:
    bed = Bed()
    bed.forecast(made(24.5), **changed)
    assert bed.shown() is None and kinds_of(bed) == []


def test_a_contradicted_one_is_told_and_taken_back() -> None:
    bed = Bed()
    bed.forecast(made(24.5))
    wrong = replace(made().check, contradicts=True, miss_k=2.5)
    bed.forecast(made(24.5, check=wrong))
    bed.forecast(made(24.5, check=wrong))
    bed.forecast(made(24.5))
    assert [key for _, key in kinds_of(bed)] == ["known", "contradicted", "agrees"]


def test_it_ends_with_its_batch() -> None:
    bed = Bed()
    bed.forecast(made(24.5))
    bed.rows.act("batch.discard", reason="test")
    bed.run()
    assert bed.shown() is None and bed.state.outlooks == {}


# --- the alarm of time to limit --------------------------------------------------------------------------------------


def test_a_sure_and_narrow_one_is_told_ahead_where_the_line_sees_nothing() -> None:
    bed = Bed()
    bed.forecast(made(24.5, limit_answer(43.0, 0.35, 0.1)))
    bed.goes_on(180)
    (first,) = [event for event in bed.events if event.key == SOON]
    assert says(first)["priority"] == "tell" and says(first)["in_10"] == 9
    assert 0.35 * 3600 - 240 <= says(first)["left_s"] <= 0.35 * 3600
    assert says(first)["early_s"] < says(first)["left_s"] < says(first)["late_s"]


@pytest.mark.parametrize(
    "forecast",
    [
        made(24.5, limit_answer(43.0, 0.4, 0.39)),
        made(24.5, limit_answer(43.0, 0.35, 0.1, passes=0.6)),
        made(24.5, limit_answer(43.0, 3.0, 0.1)),
        made(24.5, limit_answer(40.0, 0.35, 0.1)),
        made(24.5, limit_answer(43.0, 0.35, 0.1), known=False, why_not="Not yet."),
        made(24.5, limit_answer(43.0, 0.35, 0.1), check=replace(made().check, contradicts=True)),
        made(24.5, calm_answer(43.0)),
    ],
    ids=["wide", "unsure", "far", "of another limit", "not known", "contradicted", "never"],
)
def test_others_are_not(forecast: Forecast) -> None:
    bed = Bed()
    bed.forecast(forecast)
    bed.goes_on(300)
    assert bed.told() == []


def test_of_line_and_forecast_the_nearer_one_is_told() -> None:
    """By the line 40 min are left, by the forecast 12: within the half hour that is needed is the forecast's alone."""
    bed = Bed()
    for point in range(20):
        bed.rows.hold(24.5 * H + (point + 1) * 60, {**VALUES, BED: 38.0 + point / 10}, 30.0)
    bed.forecast(made(24.85, limit_answer(43.0, 0.2, 0.05)))
    bed.rows.hold(24.5 * H + 1380, {**VALUES, BED: 40.1}, 30.0)
    bed.run()
    (first,) = [event for event in bed.events if event.key == SOON]
    assert says(first)["left_s"] <= 0.2 * 3600 and says(first)["in_10"] == 9


def test_the_person_s_way_counts_and_gets_one_up_in_time() -> None:
    near = Bed(replace(site(), wake_s=600.0, travel_s=2700.0))
    near.forecast(made(24.5, limit_answer(43.0, 0.8, 0.2)))
    near.goes_on(180)
    assert near.told() == [("on", "wake")]
    home = Bed()
    home.forecast(made(24.5, limit_answer(43.0, 0.8, 0.2)))
    home.goes_on(180)
    assert home.told() == []


def test_it_never_silences_or_delays_the_limit() -> None:
    """The same readings with forecasts that promise a calm night, and without: the limit calls at the same moment."""
    calls = []
    for promised in (True, False):
        bed = Bed()
        for _ in range(60):
            if promised:
                bed.forecast(made(24.5, calm_answer(43.0), calm_answer(45.0)))
            bed.rows.hold((bed.rows.t_ms - bed.rows.t0_ms) / 1000 + 60, {**VALUES, BED: 43.5}, 30.0)
            bed.run()
        calls.append([(e.t_ms, e.key, says(e)["to"]) for e in bed.events if e.key.startswith("limit/")])
    assert calls[0] == calls[1] and calls[0][0][1] == "limit/bed/temperature/high"


# --- harvest ----------------------------------------------------------------------------------------------------


def hours(bed: Bed) -> tuple[float, float, bool]:
    box = view(bed.state, bed.rows.t_ms).incubators[0]
    window, zero = box.forecast.harvest, box.batch.hour0_t_ms
    return (window.opens_t_ms - zero) / 3.6e6, (window.closes_t_ms - zero) / 3.6e6, window.by_forecast


@pytest.mark.parametrize(
    ("done_h", "prior_only", "opens_h", "by_forecast"),
    [(46.0, False, 46.0, True), (30.0, False, 40.0, True), (80.0, False, 50.0, True), (30.0, True, 40.0, False)],
    ids=["moved", "not before the schedule's own", "not beyond its latest hour", "a long lag alone is no reason"],
)
def test_the_harvest_window_is_refined_within_the_schedule(
    done_h: float, prior_only: bool, opens_h: float, by_forecast: bool
) -> None:
    bed = Bed()
    done = replace(made().done, hour=replace(NEVER, p50=done_h), prior_only=prior_only)
    bed.forecast(made(24.5, done=done))
    assert hours(bed) == (pytest.approx(opens_h), pytest.approx(50.0), by_forecast)


def test_live_equals_replay_with_forecasts() -> None:
    bed = Bed()
    rows = Rows()
    rows.act("batch.start", name="b", id="b1")
    rows.act("step.done", step="inoculate", value_c=31.0)
    rows.hold(24 * H, VALUES, 600.0)
    for at, forecast in enumerate((made(24.0), made(24.1, limit_answer(43.0, 0.3)), made(24.2))):
        plain = {} if at == 2 else pack(thin(forecast))
        rows.input("forecast", incubator="box", batch="b1", made_ms=rows.t_ms, forecast=plain)
        rows.hold(24 * H + (at + 1) * 300, VALUES, 30.0)
    every = rows.take()
    whole = advance(initial_state(), every, rows.t_ms)
    state, events = initial_state(), list[Event]()
    for row in every:
        state, outcome = advance(state, [row], row[1] if isinstance(row, tuple) else row.t_ms)
        events += outcome.events
    assert (state, tuple(events)) == (whole[0], whole[1].events)
    assert len(kinds(whole[1], "forecast")) == 2 and bed.told() == []
