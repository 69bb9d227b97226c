"""The harvest: not without a word on koji that was not seen to warm itself, and before its hour where that is seen."""

from __future__ import annotations

from math import exp
from typing import Any

import pytest
from msgspec.structs import replace

from kojimon.contract.state import Box
from kojimon.engine import advance, initial_state, view
from kojimon.engine.plan import too_hot_c
from kojimon.model import Event, Outcome, Priority
from kojimon.schedule.load import load_schedule
from kojimon.words import boxes
from kojimon.words.events import line
from kojimon.words.speech import Speech
from kojimon.words.status import next_step, speech_of
from tests.engine.build import AIR, BED, H, Rows
from tests.engine.test_box import HOME
from tests.engine.test_own_heat import At, Kitchen

STEADY: At = lambda h: 30.0  # noqa: E731


def grows_and_is_spent(h: float) -> float:
    """K of its own heat: up to 9 from hour 14 to 26, and gone between hours 30 and 36."""
    return max(0.0, min(9.0, (h - 14) * 0.75, 9.0 - (h - 30) * 1.5))


def batch(bed: At | None, hours: float, kind: str = "still", marks: dict[float, str] | None = None,
          by_hand: float | None = None, air: At = STEADY) -> tuple[Box, Outcome]:  # fmt: skip
    """A batch of that koji in air of 30 °C or as told; `marks`: steps, by hour; `by_hand`: read each half hour."""
    rows = Rows(Kitchen.setup(kind, "cloth", bed is not None))
    rows.act("batch.start")
    rows.act("step.done", step="inoculate", value_c=31.0, override="test")
    waiting = dict(marks or {})
    for minute in range(round(hours * 60)):
        for hour in [hour for hour in waiting if minute >= hour * 60]:
            rows.act("step.done", step=waiting.pop(hour))
        if by_hand is not None and minute % 25 == 0:
            rows.act("reading", value_c=by_hand)
        rows.hold((minute + 1) * 60.0, {AIR: air(minute / 60), **({BED: bed(minute / 60)} if bed else {})}, every_s=60)
    state, outcome = advance(initial_state(), rows.take(), rows.t_ms)
    document = view(state, rows.t_ms)
    return document.incubators[0], outcome


def windows(outcome: Outcome, step: str = "harvest") -> dict[str, Event]:
    return {event.kind: event for event in outcome.events if event.key == step and event.kind.startswith("step-")}


def what(event: Event) -> Any:
    return event.what


def test_koji_that_never_warmed_itself_is_not_offered_for_harvest_without_a_word() -> None:
    box, outcome = batch(STEADY, 46.0)
    harvest, said = box.step("harvest"), windows(outcome)
    assert harvest is not None and harvest.status == "due" and harvest.doubt == "not-warmed"
    assert what(said["step-open"]).doubt == what(said["step-due"]).doubt == "not-warmed"
    assert next(step for step in box.steps if step.name == "white").doubt == ""


@pytest.mark.parametrize(("bed", "by_hand", "kind", "why"), [
    (None, None, "still", "no-probe"), (None, 31.0, "fan", "by-hand"), (None, 36.0, "heat-mat", "by-hand"),
    (None, 31.0, "still", "not-warmed"), (None, 36.0, "still", ""), (lambda h: 20.0, None, "fan", "drying"),
])  # fmt: skip
def test_where_it_cannot_be_known_that_is_said(bed: At | None, by_hand: float | None, kind: str, why: str) -> None:
    """A height read by hand proves nothing where the box may make it, and its lack nothing where koji stays cool."""
    box, _ = batch(bed, 41.0, kind, by_hand=by_hand)
    harvest = box.step("harvest")
    assert harvest is not None and harvest.status == "open" and harvest.doubt == why
    told = boxes.doubted(why, Speech())
    assert (told == "") == (why == "") and ("cannot be known" in told or "does not show" in told) == (
        why not in ("", "not-warmed")
    )


def test_koji_that_was_seen_to_warm_itself_is_harvested_without_doubt() -> None:
    box, outcome = batch(lambda h: 30 + min(9.0, max(0.0, h - 14)), 41.0)
    harvest = box.step("harvest")
    assert harvest is not None and harvest.status == "open" and harvest.doubt == ""
    assert what(windows(outcome)["step-open"]).doubt == ""


def test_nothing_overdue_stands_before_a_harvest_that_may_be_taken() -> None:
    """The first look never marked, and a mixing that has been due for hours beside a harvest that is due."""
    warm: At = lambda h: 30 + min(11.0, max(0.0, h - 14))  # noqa: E731
    for hours, marks in ((46.0, {}), (46.0, {20.0: "first-check"})):
        box, _ = batch(warm, hours, marks=marks)
        assert box.next is not None and box.next.step == "harvest", marks
        assert [step.name for step in box.steps if step.status in ("due", "missed") and not step.optional] != []


def test_late_work_is_doubted_too_and_early_work_is_not() -> None:
    """The first look is what finds out; from hour 26 on it is asked whether anything grew."""
    early, _ = batch(STEADY, 25.0)
    late, _ = batch(STEADY, 27.0)
    assert [box.step("first-check").doubt for box in (early, late)] == ["", "not-warmed"]  # type: ignore[union-attr]


def test_one_sentence_says_it_everywhere() -> None:
    rows = Rows(Kitchen.setup("still", "cloth", True))
    rows.act("batch.start")
    rows.act("step.done", step="inoculate", value_c=31.0, override="test")
    rows.act("step.done", step="first-check")
    rows.hold(46 * H, {BED: 30.0, AIR: 30.0}, every_s=60)
    state, outcome = advance(initial_state(), rows.take(), rows.t_ms)
    document = view(state, rows.t_ms)
    speech = speech_of(document)
    said = boxes.doubted("not-warmed", speech)
    step = next_step(document.incubators[0], speech, document.t_ms, "")
    told = line(windows(outcome)["step-due"], speech)
    assert step is not None and step.doubt == said and told is not None and told.text.endswith(said)


def test_own_heat_that_is_gone_opens_the_harvest_before_its_hour() -> None:
    box, outcome = batch(lambda h: 30 + grows_and_is_spent(h), 39.5, marks={20.0: "first-check", 27.0: "mix"})
    opened = windows(outcome)["step-open"]
    zero = next(event.t_ms for event in outcome.events if event.kind == "step-done")
    assert 36.0 <= (opened.t_ms - zero) / 3_600_000 <= 39.0
    assert box.next is not None and box.next.step == "harvest"


@pytest.mark.parametrize("after_h", [30.0, 36.0])
def test_koji_cooled_by_hands_is_not_spent(after_h: float) -> None:
    """A mixing takes a few K, and they come back."""

    def bed(h: float) -> float:
        return 30 + min(9.0, max(0.0, h - 14)) - (6.0 * max(0.0, 1 - (h - after_h) / 3) if h >= after_h else 0.0)

    box, _ = batch(bed, 39.5, marks={20.0: "first-check", after_h: "mix"})
    assert box.step("harvest").status == "waiting"  # type: ignore[union-attr]


def test_koji_without_air_beside_it_is_never_called_spent() -> None:
    """What cools it may be the box."""
    setup = Kitchen.setup("still", "cloth", True)
    rows = Rows(replace(setup, probes=tuple(one for one in setup.probes if one.no == BED)))
    rows.act("batch.start")
    rows.act("step.done", step="inoculate", value_c=31.0, override="test")
    for minute in range(round(39.5 * 60)):
        rows.hold((minute + 1) * 60.0, {BED: 30 + grows_and_is_spent(minute / 60)}, every_s=60)
    state, _ = advance(initial_state(), rows.take(), rows.t_ms)
    assert view(state, rows.t_ms).incubators[0].step("harvest").status == "waiting"  # type: ignore[union-attr]


def test_koji_cold_in_a_box_that_is_off_is_not_spent() -> None:
    """Air and koji fall to the room's 21 °C from hour 33 on: own heat is gone, and the koji is not done."""

    def left(h: float) -> float:
        return exp(min(0.0, 33 - h))

    def bed(h: float) -> float:
        return 21.5 + (8.5 + min(9.0, max(0.0, (h - 14) * 0.75))) * left(h)

    box, _ = batch(bed, 39.5, "fan", {20.0: "first-check", 27.0: "mix"}, air=lambda h: 21 + 9 * left(h) ** 2)
    assert box.step("harvest").status == "waiting"  # type: ignore[union-attr]


def test_koji_that_grew_and_is_cold_at_its_hour_is_offered_with_a_word() -> None:
    """The box goes off at hour 22: growth had begun, and ended with it."""

    def left(h: float) -> float:
        return exp(min(0.0, 22 - h) / 3)

    def bed(h: float) -> float:
        return 21.0 + (9.0 + min(9.0, max(0.0, (h - 12) * 0.75))) * left(h)

    box, outcome = batch(bed, 40.5, "fan", air=lambda h: 21 + 9 * left(h) ** 2)
    harvest = box.step("harvest")
    assert harvest is not None and harvest.can and harvest.doubt == what(windows(outcome)["step-open"]).doubt == "cold"
    assert "may have stopped" in line(windows(outcome)["step-open"], Speech()).text  # type: ignore[union-attr]


def test_white_all_through_opens_it_and_green_asks_for_it_now() -> None:
    grown: At = lambda h: 30 + min(9.0, max(0.0, h - 14))  # noqa: E731
    plain, _ = batch(grown, 38.2, marks={20.0: "first-check", 30.0: "mix"})
    white, _ = batch(grown, 38.2, marks={20.0: "first-check", 30.0: "mix", 38.0: "white"})
    green, outcome = batch(grown, 38.2, marks={20.0: "first-check", 30.0: "mix", 38.0: "green"})
    assert [box.step("harvest").status for box in (plain, white, green)] == ["waiting", "open", "due"]  # type: ignore[union-attr]
    assert green.next is not None and (green.next.step, green.next.status) == ("harvest", "due")
    due = windows(outcome)["step-due"]
    assert any(message.event == due.no for message in outcome.messages)


def test_what_may_be_seen_is_never_the_next_step_nor_announced() -> None:
    box, outcome = batch(STEADY, 31.0)
    assert box.next is not None and box.next.step not in ("white", "green")
    assert windows(outcome, "white") == windows(outcome, "green") == {}


def test_something_seen_can_be_taken_back() -> None:
    rows = Rows(Kitchen.setup("still", "cloth", True))
    rows.act("batch.start")
    rows.act("step.done", step="inoculate", value_c=31.0, override="test")
    rows.hold(38 * H, {BED: 30.0, AIR: 30.0}, every_s=60)
    rows.act("step.done", step="green")
    rows.act("step.undo", mark=2)
    rows.hold(38.1 * H, {BED: 30.0, AIR: 30.0}, every_s=60)
    state, _ = advance(initial_state(), rows.take(), rows.t_ms)
    assert view(state, rows.t_ms).incubators[0].step("harvest").status == "waiting"  # type: ignore[union-attr]


@pytest.mark.parametrize("name", ["rice-koji-home-trays", "rice-koji-miso", "rice-koji-sake", "barley-koji"])
def test_every_schedule_whose_green_is_a_fault_asks_for_the_harvest_when_it_is_seen(name: str) -> None:
    schedule = load_schedule(HOME.with_name(f"{name}.yaml"))
    green = schedule.step("green")
    assert green is not None and green.work == "look" and "green" in repr(schedule.step("harvest").window.due)  # type: ignore[union-attr]


def after_it(outcome: Outcome, kind: str, step: str) -> set[str]:
    """Steps that were announced after an event."""
    at_ms = next(event.t_ms for event in outcome.events if (event.kind, event.key) == (kind, step))
    return {e.key for e in outcome.events if e.t_ms > at_ms and e.kind in ("step-open", "step-due", "step-missed")}


@pytest.mark.parametrize(("marks", "hours"), [
    ({30.0: "green"}, 36.0), ({20.0: "first-check", 30.0: "green"}, 36.0),
    ({20.0: "first-check", 24.0: "mix", 30.5: "green"}, 36.0),
])  # fmt: skip
def test_koji_that_makes_spores_is_only_harvested(marks: dict[float, str], hours: float) -> None:
    """Hot, never mixed and long due: no mixing, no swapping is asked for any more."""
    box, outcome = batch(lambda h: 30 + min(10.5, max(0.0, h - 14)), hours, marks=marks)
    assert box.next is not None and (box.next.step, box.next.status) == ("harvest", "due")
    assert after_it(outcome, "step-done", "green") <= {"harvest", "white"}
    assert {step.name for step in box.steps if step.can and not step.optional} == {"harvest"}
    assert any("mask" in line for line in box.step("harvest").cautions)  # type: ignore[union-attr]


def test_a_first_look_unmarked_past_the_latest_hour_gives_way_to_the_harvest() -> None:
    box, _ = batch(lambda h: 30 + min(10.5, max(0.0, h - 14)), 51.0)
    assert box.next is not None and (box.next.step, box.next.status) == ("harvest", "missed")


def test_green_taken_back_asks_for_the_mixing_again() -> None:
    rows = Rows(Kitchen.setup("still", "cloth", True))
    rows.act("batch.start")
    rows.act("step.done", step="inoculate", value_c=31.0, override="test")
    rows.hold(31 * H, {BED: 30.0, AIR: 30.0}, every_s=60)
    rows.act("step.done", step="green")
    rows.act("step.undo", mark=2)
    state, _ = advance(initial_state(), rows.take(), rows.t_ms)
    following = view(state, rows.t_ms).incubators[0].next
    assert following is not None and following.step == "first-check"


@pytest.mark.parametrize(("step", "said"), [("green", "foreign mould: throw it out"), ("white", "look again then")])
def test_no_koji_is_ripe_at_hour_6(step: str, said: str) -> None:
    box, outcome = batch(STEADY, 6.2, marks={6.0: step})
    refused = next(event for event in outcome.events if event.kind == "refused")
    told = line(refused, Speech())
    assert what(refused).code == "too-early" and "before hour 30" in told.text and said in told.text  # type: ignore[union-attr]
    assert box.step("harvest").status == "waiting" and not box.step(step).standing  # type: ignore[union-attr]


@pytest.mark.parametrize("step", ["swap", "mix"])
def test_work_on_koji_long_before_it_is_warm_is_said_to_be_early_and_the_first_look_stays(step: str) -> None:
    box, outcome = batch(STEADY, 6.2, marks={6.0: step})
    done = next(event for event in outcome.events if (event.kind, event.key) == ("step-done", step))
    assert "That is 12 h early. By mistake?" in line(done, Speech()).text  # type: ignore[union-attr]
    check = box.step("first-check")
    assert check is not None and check.status == "waiting" and not check.optional
    assert box.next is not None and box.next.step == "first-check"


def test_a_mixing_that_is_marked_stands_for_the_first_look() -> None:
    box, _ = batch(lambda h: 30 + min(8.5, max(0.0, h - 14)), 27.0, marks={26.0: "mix"})
    check = box.step("first-check")
    assert check is not None and check.optional and check.status == "missed"
    assert box.next is not None and box.next.step != "first-check"


def on_the_rim(from_h: float, k: float) -> At:
    """Koji 9 K above the air whose probe comes to lie on the rim within minutes, so much above the air."""
    return lambda h: 30 + (min(9.0, max(0.0, h - 14)) if h < from_h else k + (9 - k) * exp(-12 * (h - from_h)))


@pytest.mark.parametrize(("k", "asked"), [(0.3, "fell"), (1.5, "follows")])
def test_a_probe_on_the_rim_is_no_koji_that_is_spent_and_is_asked_about(k: float, asked: str) -> None:
    box, outcome = batch(on_the_rim(33.0, k), 39.5, marks={20.0: "first-check", 27.0: "mix"})
    assert box.step("harvest").status == "waiting"  # type: ignore[union-attr]
    (told,) = [event for event in outcome.events if (event.kind, event.key) == ("probe-back", asked)]
    assert what(told).probe == "koji-top" and what(told).step == ""
    said = line(told, Speech())
    assert said is not None and "the koji?" in said.text and "Since the work" not in said.text


def test_koji_that_comes_back_from_a_mixing_nobody_marked_leaves_its_probe_in_peace() -> None:
    def bed(h: float) -> float:
        return 30 + min(9.0, max(0.0, h - 14)) - (7.5 * exp(-(h - 30)) if h >= 30 else 0.0)

    _, outcome = batch(bed, 36.0, marks={20.0: "first-check", 27.0: "mix"})
    assert [event.key for event in outcome.events if event.kind == "mix-guess"]
    assert not [event for event in outcome.events if (event.kind, event.key) == ("probe-back", "follows")]


def hot(above_c: float, from_h: float, hours: float) -> At:
    """Koji that grew at 38 °C, was that hot for so long, and cools by 4 K an hour."""
    def bed(h: float) -> float:
        return max(30 + min(8.0, max(0.0, h - 14)), above_c - 4 * max(0.0, h - from_h - hours) if h >= from_h else 0.0)
    return bed


HOT = "The koji was over 113 °F for 4 h 30 min in all, up to 124 °F: it may be dead or spoilt."


@pytest.mark.parametrize(("to_c", "hours", "doubt"), [(51.0, 3.0, "hot"), (46.0, 0.5, ""), (44.0, 6.0, "")])
def test_koji_that_was_too_hot_for_long_is_offered_with_a_word(to_c: float, hours: float, doubt: str) -> None:
    """It is cool again at its hour, and its alarm long over."""
    box, outcome = batch(hot(to_c, 26.0, hours), 45.2, marks={20.0: "first-check"})
    harvest, said = box.step("harvest"), windows(outcome)
    assert harvest is not None and (harvest.status, harvest.doubt) == ("due", doubt)
    for event in said.values():
        told = line(event, Speech(fahrenheit=True))
        assert told is not None and (HOT in told.text) == bool(doubt)
    assert HOT in boxes.doubted(harvest.doubt, Speech(fahrenheit=True), harvest.too_hot) or not doubt
    assert all(step.doubt == "" for step in box.steps if step.work == "mix"), "that has alarms of its own"


def test_koji_read_by_hand_as_too_hot_was_so_between_two_readings() -> None:
    box, _ = batch(None, 41.0, by_hand=46.0)
    harvest = box.step("harvest")
    assert harvest is not None and harvest.too_hot is not None
    assert (harvest.doubt, harvest.too_hot.limit_c, harvest.too_hot.peak_c) == ("hot", 45.0, 46.0)
    assert harvest.too_hot.for_s / 3600 == pytest.approx(41.0, abs=0.5)


def test_a_hot_reading_taken_back_was_never_so() -> None:
    rows = Rows(Kitchen.setup("still", "cloth", False))
    rows.act("batch.start")
    rows.act("step.done", step="inoculate", value_c=31.0, override="test")
    for hour in (20.0, 21.0, 23.0):
        rows.hold(hour * H, {AIR: 30.0}, every_s=600)
        rows.act("reading", value_c=47.0)
    held, _ = advance(initial_state(), rows.take(), rows.t_ms)
    assert held.batches["box"].hot_ms == 3 * H * 1000
    last = max(view(held, rows.t_ms).incubators[0].by_hand, key=lambda one: one.reading)
    rows.act("reading.undo", reading=last.reading)
    undone, _ = advance(held, rows.take(), rows.t_ms)
    assert undone.batches["box"].hot_ms == H * 1000


@pytest.mark.parametrize(("name", "limit_c"), [("rice-koji-home-trays", 45.0), ("rice-koji-miso", 43.0),
                                               ("soy-sauce-koji", 40.0)])  # fmt: skip
def test_how_hot_is_too_hot_is_the_outermost_limit_of_its_schedule(name: str, limit_c: float) -> None:
    assert too_hot_c(load_schedule(HOME.parent / f"{name}.yaml")) == limit_c


def test_rice_hot_from_the_steamer_was_no_koji() -> None:
    rows = Rows(Kitchen.setup("still", "cloth", True))
    rows.act("batch.start")
    rows.hold(2 * H, {BED: 60.0, AIR: 30.0}, every_s=60)
    rows.act("step.done", step="inoculate", override="test")
    state, _ = advance(initial_state(), rows.hold(43 * H, {BED: 31.0, AIR: 30.0}, every_s=60).take(), rows.t_ms)
    assert view(state, rows.t_ms).incubators[0].step("harvest").doubt == "not-warmed"  # type: ignore[union-attr]


@pytest.mark.parametrize("onset_h", [33.0, 41.5])
def test_the_hours_of_the_harvest_follow_koji_that_began_late(onset_h: float) -> None:
    """It was told at hour 26 that it had not warmed itself; it is as late as it is later than typical koji, hour 16,
    and by a day at most."""
    box, outcome = batch(lambda h: 30 + min(9.0, max(0.0, h - onset_h)), onset_h + 3, marks={20.0: "first-check"})
    harvest, (told,) = box.step("harvest"), [event for event in outcome.events if event.kind == "warmth"]
    assert harvest is not None and (harvest.status, harvest.doubt) == ("waiting", "")
    began_h, opens_h = what(told).hour, what(told).opens_hour
    assert onset_h + 0.5 <= began_h <= onset_h + 2.5 and opens_h == pytest.approx(40 + min(began_h - 16, 24), abs=0.11)
    zero = next(event.t_ms for event in outcome.events if event.kind == "step-done")
    window = (harvest.opens_t_ms, harvest.due_t_ms, harvest.closes_t_ms)
    hours = [(at_ms - zero) / 3_600_000 - opens_h for at_ms in window if at_ms]
    assert hours == pytest.approx([0.0, 5.0, 10.0], abs=0.1)
    assert [message.priority for message in outcome.messages if message.event == told.no] == [Priority.TELL]
    said = line(told, Speech())
    assert said is not None and f"about hour {began_h:.0f}," in said.text and f"from hour {opens_h:.0f}" in said.text


def test_koji_that_began_in_time_keeps_the_hours_of_the_schedule() -> None:
    box, outcome = batch(lambda h: 30 + min(9.0, max(0.0, h - 19)), 40.2, marks={20.0: "first-check"})
    assert box.step("harvest").status == "open"  # type: ignore[union-attr]
    assert not [event for event in outcome.events if event.kind == "warmth"]


def test_a_slow_starter_is_mixed_and_harvested_later_although_nothing_called_for_its_lack() -> None:
    """Its own heat is seen some hours after most koji's, and before its lack would be told: ten hours after that of
    typical koji. What its warmth calls, the first mixing, needs no more time than those few hours."""
    box, outcome = batch(lambda h: 30 + min(9.0, max(0.0, (h - 24) * 0.8)), 42.0)
    (told,) = [event for event in outcome.events if event.kind == "warmth"]
    late_h = what(told).hour - 22
    assert 2.0 <= late_h <= 4.0 and not [event for event in outcome.events if event.key == "expect/self-warming"]
    harvest, first, zero = box.step("harvest"), box.step("first-check"), box.batch.hour0_t_ms  # type: ignore[union-attr]
    assert harvest is not None and first is not None and harvest.status == "waiting"
    times = (harvest.opens_t_ms, harvest.due_t_ms, first.closes_t_ms)
    hours = [((at_ms or 0) - (zero or 0)) / 3_600_000 for at_ms in times]
    assert hours == pytest.approx([46 + late_h, 51 + late_h, 30 + late_h], abs=0.1)
    missed = windows(outcome, "first-check")["step-missed"]
    assert (missed.t_ms - (zero or 0)) / 3_600_000 == pytest.approx(30 + late_h, abs=0.1)


def test_no_minute_decides_over_hours_of_the_harvest() -> None:
    """Seen a little after the hour of most koji it is harvested a little later, by three times what it is past that."""
    _, outcome = batch(lambda h: 30 + min(9.0, max(0.0, (h - 22) * 0.8)), 28.0)
    (told,) = [event for event in outcome.events if event.kind == "warmth"]
    past_h = what(told).hour - 22
    assert 0.4 <= past_h < 3.0 and what(told).opens_hour == pytest.approx(40 + 3 * past_h, abs=0.3)


def test_koji_that_nobody_watched_when_most_koji_warms_is_not_called_slow() -> None:
    """Joined at hour 25, still rising: when it began is not known."""
    rows = Rows(Kitchen.setup("still", "cloth", True))
    rows.act("batch.start")
    rows.hold(600, {BED: 33.0, AIR: 30.0}, every_s=60)
    rows.act("step.done", step="inoculate", at_t_ms=rows.t_ms - 25 * 3_600_000, override="test")
    for minute in range(600):
        rows.hold(660.0 + minute * 60, {BED: min(38.0, 33.0 + minute / 60), AIR: 30.0}, every_s=60)
    state, outcome = advance(initial_state(), rows.take(), rows.t_ms)
    assert state.batches["box"].slow == 0 and not [event for event in outcome.events if event.kind == "warmth"]
