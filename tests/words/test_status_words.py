"""The state of a batch in one sentence, and its one next step."""

from __future__ import annotations

import pytest
from msgspec.structs import replace

from kojimon.contract.state import ByHand, Left, Mark, Step
from kojimon.contract.steps import Gate
from kojimon.words.speech import Speech
from kojimon.words.status import (
    at_present,
    foreseen,
    left_s,
    next_step,
    sentence,
    speech_of,
    window_of,
    work_of,
    worst_alarm,
)
from tests.parts.statedoc import (
    BOX,
    NOW_MS,
    NOW_UTC,
    H,
    at,
    batched,
    box,
    document,
    hot_alarm,
    placed,
    probed,
    tasked,
)  # fmt: skip
from tests.parts.statedoc import foreseen as forecast_of

SPEECH = speech_of(document())


def test_a_healthy_batch_is_said_to_be_within_limits_with_its_range_and_trend() -> None:
    said = sentence(box(), SPEECH, NOW_MS)
    assert said.text == "The koji is at 95.2 to 99.0 °F and rising, within limits."
    assert said.tone == "good"


def test_trays_within_half_a_degree_are_one_value() -> None:
    one = placed(BOX, {}, {"value": 36.8})
    assert sentence(one, SPEECH, NOW_MS).text == "The koji is at 99.0 °F and rising, within limits."


def test_what_is_wrong_takes_its_place() -> None:
    hot = probed(box(alarms=(hot_alarm(),)), "koji-top", value=43.2, rate_per_h=2.16)
    said = sentence(hot, SPEECH, NOW_MS)
    assert said.text == "Top tray 110 °F (limit 109), 113 in 50 min. Break up, spread"
    assert said.tone == "wrong"


def test_an_alarm_that_still_stands_while_the_value_is_back_says_what_it_was() -> None:
    said = sentence(box(alarms=(hot_alarm(),)), SPEECH, NOW_MS)
    assert said.text == "Top tray 99 °F (was over 109), rising. Back within limits"


def test_the_value_of_an_alarm_is_the_one_of_now() -> None:
    assert at_present(hot_alarm(), BOX)[0].value == 37.2
    assert at_present(hot_alarm(probe="gone"), placed(BOX, None))[0].value == 43.2, "nothing else is known"


def test_a_probe_lost_after_it_fell_leaves_its_last_value_and_age() -> None:
    """Never the hot value that called, as if it were of now."""
    hot = box(alarms=(hot_alarm(state="ACKED"),))
    lost = placed(probed(hot, "koji-top", value=38.0, age_s=720.0, silent=True), None)
    said = "Top tray 100 °F (was over 109), 12 min ago. Break up, spread (acknowledged)"
    assert sentence(lost, SPEECH, NOW_MS).text == said


def test_the_hottest_read_by_hand_takes_the_headline_with_its_tray_and_age() -> None:
    hot = placed(box(alarms=(hot_alarm(),)), {"value": 43.2})
    read = ByHand("bed", "temperature", "bottom", 44.6, 240.0, NOW_MS - 240_000, True, reading=9)
    said = sentence(replace(hot, by_hand=(read,)), SPEECH, NOW_MS)
    assert said.text == "Bottom tray 112 °F (limit 109), 4 min ago. Break up, spread"
    old = replace(read, fresh=False)
    assert sentence(replace(hot, by_hand=(old,)), SPEECH, NOW_MS).text.startswith("Top tray 110 °F (limit 109)")


def test_a_tray_read_by_hand_hotter_than_the_probes_is_part_of_the_sentence() -> None:
    read = ByHand("bed", "temperature", "middle", 39.0, 240.0, NOW_MS - 240_000, True, reading=9)
    said = sentence(box(by_hand=(read,)), SPEECH, NOW_MS).text
    assert said == "The koji is at 95.2 to 102.2 °F and rising, the hottest read by hand 4 min ago, within limits."


def test_a_step_that_can_be_done_says_so_once() -> None:
    bare = tasked(box(), "mix", due_t_ms=None, due_utc=None, closes_t_ms=None, closes_utc=None)
    step = next_step(bare, SPEECH, NOW_MS, NOW_UTC)
    assert step is not None
    assert (step.title, step.window) == ("You can now: break up and mix (kirikaeshi)", "")


def test_the_time_left_is_until_the_next_worse_limit() -> None:
    # 1.8 K from 43.2 °C to the high-high limit of 45 °C, at 3.6 K/h: half an hour.
    assert left_s(hot_alarm(), box(), 3.6) == pytest.approx(1800)
    assert left_s(hot_alarm(), box(), -3.6) is None
    assert left_s(hot_alarm(level="high_high"), box(), 3.6) is None
    assert left_s(hot_alarm(), box(bands=()), 3.6) is None


def test_what_wakes_is_said_before_what_is_told_and_new_before_seen() -> None:
    rows = (
        hot_alarm(key="limit/air/humidity/low", priority="tell"),
        hot_alarm(key="limit/bed/temperature/high", state="ACKED"),
        hot_alarm(key="blind/bed"),
        hot_alarm(key="silent/koji", state="RTNUN"),
        hot_alarm(key="expect/warming", priority="log"),
    )
    assert worst_alarm(box(alarms=rows)) == rows[2]
    assert worst_alarm(box(alarms=rows[3:])) is None


def test_before_hour_0_it_is_rice_and_without_a_batch_it_is_the_box() -> None:
    rice = sentence(batched(BOX, hour=None), SPEECH, NOW_MS)
    assert rice.text == "The rice is at 95.2 to 99.0 °F and rising; no spores on it yet."
    assert sentence(box(batch=None), SPEECH, NOW_MS).text == "No batch is open. The air in the box is at 86.4 °F."


def test_koji_without_a_reading_is_never_within_limits() -> None:
    one = placed(BOX, None)
    said = sentence(one, SPEECH, NOW_MS)
    assert (said.text, said.tone) == ("No reading from the koji.", "look")
    around = tuple(probe for probe in BOX.probes if probe.place != "bed")
    blind = sentence(replace(one, probes=around), SPEECH, NOW_MS)
    assert blind.text == "No probe is in the koji: the schedule runs on its hours."


@pytest.mark.parametrize(
    ("status", "edges", "title", "window"),
    [
        ("open", {}, "You can now: break up and mix (kirikaeshi)", "due 15:30, 1 h 30 min left"),
        (
            "due",
            {"due": -0.5},
            "Due now: break up and mix (kirikaeshi)",
            "since 13:30, until 17:30, 3 h 30 min left",
        ),
        (
            "missed",
            {"due": -3, "closes": -0.5},
            "Missed: break up and mix (kirikaeshi)",
            "was due by 13:30. Do it now, or enter when you did",
        ),
        (
            "waiting",
            {"opens": 1, "due": 12},
            "Next: break up and mix (kirikaeshi)",
            "from 15:00, due Sun 02:00, in 1 h",
        ),
    ],
)
def test_the_next_step_says_when(status: str, edges: dict[str, float], title: str, window: str) -> None:
    moved = {f"{edge}_t_ms": at(hours) for edge, hours in edges.items()}
    step = next_step(tasked(BOX, "mix", status=status, **moved), SPEECH, NOW_MS, NOW_UTC)
    assert step is not None
    assert (step.title, step.window, step.late) == (title, window, status == "missed")
    assert step.cautions == ("Wash your hands; koji is food.",)


@pytest.mark.parametrize(
    ("status", "window"), [("missed", "was due 3 h ago. Do it now, or enter when you did"), ("due", "due 3 h ago")]
)
def test_a_step_long_past_of_which_no_clock_is_known(status: str, window: str) -> None:
    step = tasked(BOX, "mix", status=status, due_t_ms=at(-3)).step("mix")
    assert step is not None
    step = replace(step, opens_t_ms=None, closes_t_ms=None, due_utc=None, closes_utc=None, gate=None)
    assert window_of(step, SPEECH, NOW_MS, NOW_UTC) == window


def test_a_step_that_an_alarm_asks_for_has_no_time_left() -> None:
    """`1 h 30 min left` beside `113 in 6 min` would be a riddle."""
    step = next_step(box(alarms=(hot_alarm(),)), SPEECH, NOW_MS, NOW_UTC)
    assert step is not None and (step.title, step.window) == ("Do it now: break up and mix (kirikaeshi)", "")


def test_work_that_comes_round_says_again() -> None:
    again = tasked(BOX, "mix", status="due", marks=(Mark(2, NOW_MS - H),), due_t_ms=at(-0.5), closes_t_ms=None)
    step = next_step(again, SPEECH, NOW_MS, NOW_UTC)
    assert step is not None and step.title == "Due now: break up and mix again (kirikaeshi)"
    assert step.window == "since 13:30, last done 13:00"


@pytest.mark.parametrize(("passed", "window"), [(False, "right"), (None, "measured")])
def test_a_step_whose_gate_is_shut_cannot_be_done_now(passed: bool | None, window: str) -> None:
    """Rice of 45 °C: nothing says that the spores can go on."""
    shut = tasked(BOX, "mix", gate=Gate("bed", at_most=32.0, passed=passed))
    step = next_step(shut, SPEECH, NOW_MS, NOW_UTC)
    assert step is not None and step.shut and step.title == "Next: break up and mix (kirikaeshi)"
    assert step.window == f"once its temperature is {window}"


def test_a_step_that_waits_for_the_koji_says_so() -> None:
    one = tasked(BOX, "mix", status="waiting", opens_t_ms=None, due_t_ms=None, closes_t_ms=None)
    step = next_step(one, SPEECH, NOW_MS, NOW_UTC)
    assert step is not None
    assert step.window == "opens when the koji is warm enough"


def test_without_a_next_step_nothing_is_asked() -> None:
    assert next_step(box(next=None), SPEECH, NOW_MS, NOW_UTC) is None


def test_the_ladder_counts_mixings_that_stand() -> None:
    marks = (Mark(2, NOW_MS - 3 * H), Mark(3, NOW_MS - H, undone=True))
    work = work_of(tasked(BOX, "mix", marks=marks), NOW_MS)
    assert (work.mixes, work.mixed_ago_s, work.mix_open, work.harvest_open) == (1, 10_800, True, False)


def test_time_left_is_the_sooner_of_the_line_and_a_sure_forecast() -> None:
    ahead = box(forecast=forecast_of(left=(Left(45.0, 900.0, 600.0, 1200.0, 8),)))
    assert left_s(hot_alarm(), ahead, 3.6) == 900 and left_s(hot_alarm(), ahead, None) == 900
    assert left_s(hot_alarm(), ahead, 36.0) == pytest.approx(180)
    found = foreseen(hot_alarm(), ahead)
    assert found is not None and found.in_10 == 8
    other = box(forecast=forecast_of(left=(Left(41.0, 900.0, 600.0, 1200.0, 8),)))
    assert foreseen(hot_alarm(), other) is None and left_s(hot_alarm(), other, 3.6) == pytest.approx(1800)


def test_a_sign_of_the_koji_has_no_time_left() -> None:
    green = Step("green", "Yellow or green", "due", work="look", optional=True, due_t_ms=0, closes_t_ms=86_400_000)
    assert window_of(green, Speech(), 3_600_000, "") == "mark it when you see it"


@pytest.mark.parametrize(("ago_ms", "hot", "asks"), [
    (600_000, False, False), (600_000, True, True), (7_200_000, False, True),
])  # fmt: skip
def test_the_spores_are_not_taken_back_in_passing(ago_ms: int, hot: bool, asks: bool) -> None:
    mark = Mark(1, NOW_MS - ago_ms, event=5)
    zero = Step("inoculate", "Sprinkle the spores", "done", work="inoculate", marks=(mark,))
    one = box(steps=(zero,), alarms=(hot_alarm(state="ACKED"),) if hot else ())
    assert one.ends_watch(one.last_entry, NOW_MS) is asks
    assert not one.ends_watch(Mark(2, NOW_MS - ago_ms, event=6), NOW_MS)
