"""May one sleep? From the state document: alarms and steps come before the forecast."""

from __future__ import annotations

from typing import Any

import pytest

from kojimon.words import outlook
from kojimon.words.speech import Speech

NOW_MS, NOW = 100_000_000, "2026-01-31T22:00:00.000Z"
SPEECH = Speech(tasks={"mix": "Break up and mix"})
HOUR_MS = 3_600_000


def box(calm_h: float | None = 7.5, mix_h: float | None = None, **fields: Any) -> dict[str, Any]:
    until = None if calm_h is None else NOW_MS + round(calm_h * HOUR_MS)
    forecast = {
        "fresh": True, "known": True, "why_not": "", "age_s": 60, "check": {"contradicts": False},
        "calm_until_t_ms": until, "calm_until_utc": until and "2026-02-01T05:30:00.000Z",
    }  # fmt: skip
    mix: dict[str, Any] = {
        "name": "mix", "optional": False, "status": "waiting", "due_t_ms": None, "due_utc": None,
    }  # fmt: skip
    if mix_h is not None:
        mix |= {"due_t_ms": NOW_MS + round(mix_h * HOUR_MS), "due_utc": "2026-02-01T02:10:00.000Z"}
    found = {"batch": {"hour": 20.0}, "alarms": [], "tasks": [mix], "probes": [], "bands": []}
    return {**found, "forecast": {**forecast, **fields}}


def rest(one: dict[str, Any]) -> str:
    return outlook.rest(one, SPEECH, NOW_MS, NOW).text


def test_until_the_koji_needs_a_hand() -> None:
    assert rest(box()) == "Sleep until Sun 05:30, 9 in 10."
    assert outlook.rest(box(), SPEECH, NOW_MS, NOW).tone == "good"
    assert rest(box(calm_h=None)).startswith("Stay near") and rest(box(calm_h=0.4)).startswith("Stay near")


def test_a_step_that_comes_sooner_is_what_gets_one_up() -> None:
    assert rest(box(mix_h=4.2)).startswith("Sleep until Sun 02:10: then it is time to break up and mix.")
    assert rest(box(mix_h=-0.1)) == "Not before this is done: break up and mix."
    assert outlook.brief(box(mix_h=-0.1), SPEECH, NOW_MS, NOW) is None, "the step itself stands beside it"
    assert rest(box(mix_h=9.0)) == "Sleep until Sun 05:30, 9 in 10."


def test_an_alarm_that_calls_comes_first() -> None:
    alarm = {
        "key": "limit/bed/temperature/high", "state": "UNACK", "priority": "wake", "level": "high", "occurrence": 1,
        "since_t_ms": NOW_MS, "value": 44.0, "limit": 43.0, "side": "high", "tray": "", "place": "bed", "probe": "bed",
    }  # fmt: skip
    found = {**box(), "alarms": [alarm]}
    assert rest(found).startswith("Not now: ")
    assert outlook.brief(found, SPEECH, NOW_MS, NOW) is None


@pytest.mark.parametrize(
    "fields, text",
    [
        ({"known": False, "why_not": "Not yet."}, "Cannot say yet whether you may sleep. Not yet."),
        ({"fresh": False, "age_s": 3000}, "The last forecast is 50 min old"),
        ({"fresh": False, "age_s": 60}, "Somebody has just worked on the koji"),
    ],
)
def test_what_is_not_known_is_not_promised(fields: dict[str, Any], text: str) -> None:
    assert rest(box(**fields)).startswith(text)
    assert outlook.brief(box(**fields), SPEECH, NOW_MS, NOW) is None


def test_a_batch_that_contradicts_its_forecast_makes_the_promise_doubtful() -> None:
    doubted = outlook.rest(box(check={"contradicts": True}), SPEECH, NOW_MS, NOW)
    assert doubted.tone == "look" and "trust this less" in doubted.text


def test_without_a_batch_or_a_forecast_it_says_so() -> None:
    assert "nothing to forecast" in rest({**box(), "batch": None})
    assert rest({**box(), "forecast": None}).startswith("No forecast yet")


def test_when_it_is_ready_where_the_harvest_is_next() -> None:
    window = {"opens_utc": "2026-02-01T01:00:00.000Z", "closes_utc": "2026-02-01T08:00:00.000Z", "by_forecast": True}
    last: dict[str, Any] = {"name": "out", "work": "harvest", "optional": False, "status": "waiting", "due_t_ms": None}

    def said(step: str = "out", **fields: Any) -> str:
        one = box(**{"harvest": window, **fields})
        return outlook.ready({**one, "tasks": [*one["tasks"], last], "next": {"task": step}}, SPEECH, NOW)

    assert said() == (
        "Ready by clock and temperature from Sun 01:00, at the latest Sun 08:00; you judge by eye and nose."
    )
    own = {**window, "by_forecast": False}
    for changed in ({"fresh": False}, {"known": False}, {"harvest": own}, {"harvest": None}):
        assert said(**changed) == ""
    assert said("mix") == ""
