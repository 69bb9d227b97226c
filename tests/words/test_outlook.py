"""May one sleep? From the state document: alarms and steps come before the forecast."""

from __future__ import annotations

from typing import Any

import pytest
from msgspec.structs import replace

from kojimon.contract.state import Box, Harvest, Next, OpenBatch, Step
from kojimon.forecast.answers import Check
from kojimon.words import outlook
from kojimon.words.speech import Speech
from tests.parts.outlooks import calm_answer
from tests.parts.statedoc import BOX, NOW_MS, NOW_UTC, at, document, foreseen, hot_alarm, sound

SPEECH = Speech(fahrenheit=True, steps={"mix": "Break up and mix"})


def box(calm_h: float | None = 7.5, mix_h: float | None = None, **fields: Any) -> Box:
    until = None if calm_h is None else at(calm_h)
    mix = Step("mix", "Break up and mix", "waiting", due_t_ms=None if mix_h is None else at(mix_h))
    batch = OpenBatch("box-7", "first", "home-trays", "Rice koji", 20.0, at(-22), at(-20))
    return sound(Box("box", "Box", batch=batch, steps=(mix,), forecast=foreseen(calm_until_t_ms=until, **fields)))


def rest(one: Box) -> str:
    return outlook.rest(one, SPEECH, NOW_MS, NOW_UTC).text


def test_until_the_koji_needs_a_hand() -> None:
    assert rest(box()) == "Nothing is likely to need you before Sun 03:30 (9 chances in 10). Alarms stay on."
    assert outlook.rest(box(), SPEECH, NOW_MS, NOW_UTC).tone == "good"
    assert rest(box(calm_h=None)).startswith("Stay near") and rest(box(calm_h=0.4)).startswith("Stay near")


def test_a_step_that_comes_sooner_is_what_gets_one_up() -> None:
    before, then = "Nothing is likely to need you before Sun 00:12.", "Then it is time to break up and mix."
    assert rest(box(mix_h=4.2)).startswith(f"{before} {then}")
    assert rest(box(mix_h=-0.1)) == "Do this first: break up and mix."
    assert outlook.brief(box(mix_h=-0.1), SPEECH, NOW_MS, NOW_UTC) is None, "the step itself stands beside it"
    assert rest(box(mix_h=9.0)) == "Nothing is likely to need you before Sun 03:30 (9 chances in 10). Alarms stay on."


def test_an_alarm_that_calls_comes_first() -> None:
    found = replace(box(), alarms=(hot_alarm(),))
    assert rest(found).startswith("Not now: ")
    assert outlook.brief(found, SPEECH, NOW_MS, NOW_UTC) is None


@pytest.mark.parametrize(
    "fields, text",
    [
        ({"known": False, "calm_h": None, "why_not": "Not yet."}, "Cannot say whether you may sleep. Not yet."),
        ({"fresh": False, "age_s": 3000}, "The last forecast is 50 min old"),
        ({"fresh": False, "age_s": 60}, "The koji was just worked on"),
    ],
)
def test_what_is_not_known_is_not_promised(fields: dict[str, Any], text: str) -> None:
    assert rest(box(**fields)).startswith(text)
    assert outlook.brief(box(**fields), SPEECH, NOW_MS, NOW_UTC) is None


def test_on_the_first_evening_it_says_what_prior_and_air_allow() -> None:
    """From hour 0: how batches go in general, this box's air, and cold, which is the danger of the first night."""
    calm = replace(calm_answer(43.0), quiet=(0.99,) * 24)
    fields = {"known": False, "why_not": "Not yet.", "limits": (calm,), "low_c": 26.0}
    found = box(**fields, too_cold=(0.0,) * 12 + (0.08,) * 12)
    assert rest(found) == (
        "Nothing is likely to need you before Sun 03:30 (9 chances in 10). Cold is the risk: under 79 °F within 12 h: "
        "1 chance in 10. Alarms stay on."
    )
    assert rest(box(**fields, too_cold=(0.02,) * 24)) == (
        "Nothing is likely to need you before Sun 03:30 (9 chances in 10). Cold is not likely while the heater works. "
        "Alarms stay on."
    ), "a heater that goes off is not in the model, so so small a chance is no number"
    said = outlook.brief(found, SPEECH, NOW_MS, NOW_UTC)
    assert said is not None and said.text == rest(found), "the page and `status` say it too"
    doomed = box(**fields, calm_h=None, too_cold=(0.7,) * 24)
    assert rest(doomed) == (
        "Cannot say whether you may sleep. Not yet. Cold is the risk: under 79 °F within 12 h: 7 chances in 10."
    )


def test_without_a_probe_it_says_later_that_it_cannot_know() -> None:
    blind = box(known=False, calm_h=None, reading_age_s=None, low_c=26.0, too_cold=(0.4,) * 24, at_s=20 * 3600.0)
    assert rest(blind) == (
        "Cannot say whether you may sleep. The forecast has no reading of the koji, and by now that may warm itself: "
        "how warm it gets is not known. Look at it."
    )


def test_the_night_check_says_the_forecasts_sentence_of_each_box() -> None:
    """The same as `kojimon forecast`; a box without forecast or batch is not spoken of."""
    one, idle = box(), replace(box(), batch=None)
    calm = "nothing is likely to need you before Sun 03:30 (9 chances in 10). Alarms stay on."
    alone = document(one)
    assert [said.text for said in outlook.tonight(alone, SPEECH)] == [f"Forecast: {calm}"]
    both = document(one, idle, replace(one, forecast=None))
    assert [said.text for said in outlook.tonight(both, SPEECH)] == [f"Forecast for Box: {calm}"]


def test_the_step_and_the_best_hour_for_mixing_do_not_contradict_each_other() -> None:
    mix = replace(foreseen().mix, best_in_h=0.0)
    one = box(mix_h=4.2, mix=mix)
    one = replace(one, steps=(replace(one.steps[0], work="mix"),))
    assert rest(one).startswith(
        "Best mixed now, Sun 00:12 at the latest. Left alone, the koji is not likely to need you before Sun 03:30 (9"
    )


def test_a_batch_that_contradicts_its_forecast_makes_the_promise_doubtful() -> None:
    doubted = outlook.rest(box(check=Check(True, 2.0, 3.0, 1.0, 0)), SPEECH, NOW_MS, NOW_UTC)
    assert doubted.tone == "look" and "trust this less" in doubted.text


def test_without_a_batch_or_a_forecast_it_says_so() -> None:
    assert "nothing to forecast" in rest(replace(box(), batch=None))
    assert rest(replace(box(), forecast=None, probes=BOX.probes)).startswith("No forecast yet")
    assert rest(replace(box(), forecast=None)).startswith("No forecast: that takes a probe")


def test_when_it_is_ready_where_the_harvest_is_next() -> None:
    window = Harvest(at(5), at(12), True)
    last = Step("out", "Harvest", "waiting", work="harvest")

    def said(step: str = "out", status: str = "waiting", **fields: Any) -> str:
        one, task = box(**{"harvest": window, **fields}), replace(last, status=status)
        return outlook.ready(replace(one, steps=(*one.steps, task), next=Next(step, status)), SPEECH, NOW_UTC)

    assert said(status="due") == "" and "at the latest" not in said(harvest=Harvest(at(5), at(5), True))
    assert said() == (
        "Ready by clock and temperature from Sun 01:00, at the latest Sun 08:00; you judge by eye and nose."
    )
    own = replace(window, by_forecast=False)
    for changed in ({"fresh": False}, {"known": False}, {"harvest": own}, {"harvest": None}):
        assert said(**changed) == ""
    assert said("mix") == ""
