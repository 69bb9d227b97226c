"""The forecast in sentences: short, in °C or °F, never surer than it is."""

from __future__ import annotations

from typing import Any

import pytest
from msgspec import structs

from kojimon.forecast import words
from kojimon.forecast.answers import (
    Check,
    Curve,
    DoneAnswer,
    Forecast,
    LimitAnswer,
    MixAnswer,
    Range,
    Wait,
    WhatIf,
)

RISING = LimitAnswer(40.0, 0.92, Range(2.5, 2.9, 3.33, 4.0, 5.0), (1.0, 1.0, 0.99, 0.97, 0.92, 0.8))
NEVER = LimitAnswer(45.0, 0.01, Range(None, None, None, None, None), (1.0,) * 6)
RARELY = LimitAnswer(42.0, 0.3, Range(2.0, 4.0, 6.0, 8.0, 10.0), (1.0, 1.0, 0.99, 0.98, 0.97, 0.95))


def forecast(**changed: Any) -> Forecast:
    costs = ((0.0, 39.0, 0.0), (2.0, 39.5, 0.02), (4.0, 41.5, 0.6), (6.0, 42.0, 0.9))
    waits = tuple(Wait(hours, highest, over, 0.5) for hours, highest, over in costs)
    made = Forecast(
        at_s=24 * 3600.0, horizon_s=43200.0, known=True, why_not="", bed_now_c=36.0, warming_k_per_h=1.2,
        heat_k_per_h=3.0, grown=0.2, reading_age_s=30.0,
        curve=Curve((0.0,), (35.9,), (35.95,), (36.0,), (36.05,), (36.1,), (30.0,)),
        quiet_in_h=(0.5, 1.0, 1.5, 2.0, 2.5, 3.0), limits=(RISING,), too_cold=(),
        mix=MixAnswer(1.5, Range(1.0, 1.25, 1.5, 1.75, 2.0), 2.6, waits),
        done=DoneAnswer(Range(43.0, 44.5, 46.0, 47.0, 49.0), False, 0.0, 46.0, 50.0),
        what_if=(WhatIf("mix-now", 39.0, 2.5, (0.2,), 3.9), WhatIf("box-2c-lower", 41.5, 0.0, (0.8,))),
        check=Check(False, 0.1, 0.3, 1.0, 0), seed=1,
    )  # fmt: skip
    return structs.replace(made, **changed)


def test_a_rising_koji_in_both_units() -> None:
    said = words.limit(RISING, 12.0)
    assert said == (
        "Over 40.0 °C in 3 h 20 min (likely 2 h 30 min to 5 h) if left alone (9 chances in 10 within 12 h)."
    )
    assert words.limit(RISING, 12.0, fahrenheit=True).startswith("Over 104.0 °F in 3 h 20 min")


def test_by_the_clock() -> None:
    def clock(in_h: float) -> str:
        minutes = round(in_h * 60) + 60
        return f"{minutes // 60:02d}:{minutes % 60:02d}"

    assert "at 04:20 " not in words.limit(RISING, 12.0, say=clock)
    assert "04:20 (likely 03:30 to 06:00)" in words.limit(RISING, 12.0, say=clock)


@pytest.mark.parametrize(
    ("answer", "said"),
    [
        (NEVER, "Not over 45.0 °C within 12 h (9 chances in 10)."),
        (RARELY, "Not over 42.0 °C within 12 h (7 chances in 10); else in 6 h (likely 2 h to 10 h)."),
        (structs.replace(RARELY, passes=0.48),
         "As likely as not over 42.0 °C within 12 h; if so, in 6 h (likely 2 h to 10 h)."),
        (LimitAnswer(38.0, 1.0, Range(0.0, 0.0, 0.0, 0.0, 0.0), ()), "Over 38.0 °C now."),
    ],
)
def test_limits(answer: LimitAnswer, said: str) -> None:
    assert words.limit(answer, 12.0) == said


def test_the_first_evening_says_what_prior_and_air_allow() -> None:
    calm = structs.replace(NEVER, quiet=(0.99,) * 6)
    evening = forecast(
        known=False, why_not="Not yet: the koji has not begun to warm by itself.", limits=(calm,),
        too_cold=(0.0, 0.0, 0.01, 0.02, 0.02, 0.03), low_c=26.0,
    )  # fmt: skip
    said = words.sleep_first(evening, fahrenheit=True)
    assert said[0] == "nothing is likely to need you for 3 h (9 chances in 10); the forecast ends there"
    assert said[1:4] == (
        "Cold is not likely while the heater works.",
        "The koji has not begun to warm by itself. This is how batches go in general.",
        "Growth complete near hour 46 (likely 43 to 49). Ready by clock and temperature from hour 46, hour 50 at the "
        "latest; you judge by eye and nose.",
    )
    assert said[-1] == "Alarms stay on." and "Mixed now" not in " ".join(said)
    colder = structs.replace(evening, too_cold=(0.0, 0.0, 0.02, 0.04, 0.07, 0.08))
    said = words.sleep_first(colder, fahrenheit=True)
    assert said[0] == "nothing is likely to need you for 3 h (9 chances in 10); the forecast ends there"
    assert said[1] == "Cold is the risk: under 79 °F within 3 h: 1 chance in 10."
    grown = structs.replace(evening, known=True)
    assert not any("Cold" in line for line in words.sleep_first(grown)), "the koji warms itself"


@pytest.mark.parametrize("hour, told", [(4.0, True), (20.0, False)])
def test_without_a_probe_in_koji_that_may_warm_itself_no_number_is_told(hour: float, told: bool) -> None:
    unseen = forecast(
        known=False, why_not="The forecast has no reading of the koji yet.", reading_age_s=None, at_s=hour * 3600,
        limits=(structs.replace(RISING, quiet=(0.5,) * 6),), too_cold=(0.4,) * 6, low_c=26.0,
    )  # fmt: skip
    said = " ".join(words.sleep_first(unseen))
    assert said.startswith("cannot say whether you may sleep. " + ("The forecast" if told else words.NEVER_SEEN))
    assert ("4 chances in 10" in said) == told and ("chance" in said) == told


def test_mixing_and_what_waiting_costs() -> None:
    assert words.mixing(forecast()) == (
        "Best mixed in 1 h 30 min (likely 1 h to 2 h). Mixing only in 4 h makes its peak 2.5 °C higher than mixing now."
    )
    assert "4.5 °F higher" in words.mixing(forecast(), fahrenheit=True)
    idle = structs.replace(forecast().mix, best_in_h=None)
    assert words.mixing(forecast(mix=idle)) == "No mixing is due within 12 h."


def test_harvest_leaves_the_last_word_to_eye_and_nose() -> None:
    said = words.done(forecast())
    assert said == (
        "Growth complete near hour 46 (likely 43 to 49). Ready by clock and temperature from hour 46, "
        "hour 50 at the latest; you judge by eye and nose."
    )
    once = structs.replace(forecast().done, harvest_from_hour=50.0)
    assert "Ready by clock and temperature at hour 50; you judge" in words.done(forecast(done=once))
    before = structs.replace(forecast().done, prior_only=True)
    assert "stands until the koji has shown its own warmth" in words.done(forecast(done=before))
    assert "Ready" not in words.done(forecast(done=before))
    assert "closed at hour 50" in words.done(forecast(at_s=51 * 3600.0))
    over = structs.replace(forecast().done, complete_now=0.8)
    assert words.done(forecast(done=over)).startswith("Growth looks complete by temperature.")


def test_not_knowing_comes_first() -> None:
    unsure = structs.replace(RISING, quiet=(0.8,) * 6)
    unknown = forecast(known=False, why_not="Not yet: the koji has not begun to warm by itself.", limits=(unsure,))
    assert words.sleep_first(unknown)[0].startswith("cannot say whether you may sleep. The koji has not begun")


def test_a_contradiction_is_said_plainly() -> None:
    check = Check(True, -1.4, -4.0, 2.0, 0)
    said = words.sleep_first(forecast(check=check), fahrenheit=True)
    assert said[0].startswith("do not rely on it")
    assert said[1].startswith("The koji is 2.5 °F cooler than forecast two hours before")


def test_what_if_lines() -> None:
    assert words.what_if(forecast()) == (
        "Peak if left alone: 41.5 °C.",
        "Mixed now: 3.9 °C cooler at once, peak 39.0 °C, 2.5 °C lower.",
        "With the box 2 °C lower: the same peak.",
    )
    assert words.what_if(forecast(), fahrenheit=True)[2].startswith("With the box 3.6 °F lower")


def test_mixing_that_lowers_nothing_is_not_called_best_now() -> None:
    now = structs.replace(forecast().mix, best_in_h=0.0)
    idle = tuple(structs.replace(one, lower_k=0.0) for one in forecast().what_if)
    useless, useful = forecast(mix=now, what_if=idle), forecast(mix=now)
    assert words.mixing(useless) == "Mixing now does not lower the peak."
    assert "mixed" not in words.sleep_first(useless)[0]
    assert words.mixing(useful).startswith("Best mixed now") and words.sleep_first(useful)[0].startswith("best mixed")
    assert "Mixed now: 3.9 °C cooler at once, the same peak." in words.what_if(useless)


@pytest.mark.parametrize(
    ("probability", "said"),
    [
        (0.0, "1 chance in 10"),
        (0.06, "1 chance in 10"),
        (0.5, "5 chances in 10"),
        (0.96, "9 chances in 10"),
        (1.0, "9 chances in 10"),
    ],
)
def test_odds_never_say_more_than_nine_in_ten(probability: float, said: str) -> None:
    assert words.odds(probability) == said


def test_nothing_says_safe_and_nothing_silences() -> None:
    every = " ".join(words.sleep_first(forecast(limits=(RISING, NEVER, RARELY))))
    assert "safe" not in every
    assert "bed" not in every
    assert every.endswith("Alarms stay on.")
