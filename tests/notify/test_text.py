"""What a woken person reads: the first line, and the order of what follows it."""

from __future__ import annotations

from typing import Any

import pytest
from msgspec.structs import replace

from kojimon.alarms.states import AlarmState
from kojimon.contract.state import Alarm, Box, Document, Left, Mark
from kojimon.model import Event
from kojimon.notify.records import Send
from kojimon.notify.text import Desk, Text, compose
from kojimon.web.page.view import view_of
from kojimon.words.alarms import HEALTH_WORDS, Work
from kojimon.words.meaning import ladder, meaning_of, unexplained
from kojimon.words.status import speech_of
from tests.parts.inputs import event_row, says
from tests.parts.statedoc import BOX, NOW_MS, at, box, document, foreseen, hot_alarm, probed, tasked

UTC_MS = 1_769_889_600_000  # 2026-01-31 20:00 UTC, 14:00 in Chicago
KEY = "limit/bed/temperature/high"
PAGE = "http://192.0.2.7:8137/"
KEYS = [
    KEY, "limit/bed/temperature/low", "limit/bed/humidity/high", "limit/air/temperature/low", "limit/bed/humidity/low",
    "limit/air/temperature/high", "limit/air/humidity/high", "limit/wet-bulb/temperature/low",
    "limit/air/humidity/low", "limit/room/temperature/high",
    "silent/koji-top", "blind/bed", "expect/self-warming", "deviation/air/temperature",
    "exposure/bed/temperature", "time-to-limit/bed/temperature", "box/off", "box/hot",
    "test", *(f"health/{what}:x" for what in HEALTH_WORDS),
]  # fmt: skip


def desk(doc: Document | None = None, trusted: bool = True, **more: Any) -> Desk:
    return Desk(doc or document(), lambda t_ms: (UTC_MS + t_ms - NOW_MS, trusted), NOW_MS, **more)


def called(no: int = 7, key: str = KEY, ago_s: float = 600, **data: Any) -> Event:
    facts = {
        "from": "NORM", "to": "UNACK", "event": "on", "level": "high", "priority": "wake", "occurrence": 1,
        "value": 43.2, "limit": 43.0, "side": "high", "tray": "top", "probe": "koji-top",
        "since_ms": NOW_MS - round(ago_s * 1000),
    }  # fmt: skip
    return event_row(no, NOW_MS - round(ago_s * 1000) + 600, "alarm", "box", "b", key, {**facts, **data})


def told(events: list[Event], on: Desk | None = None, **send: Any) -> Text:
    facts: dict[str, Any] = {"kind": "call", "urgent": True, **send}
    key = f"box/{events[0].key}#1"
    return compose(Send(key, "phone", messages=(), events=(), **facts), events, on or desk())


def test_a_guess_is_sent_with_the_link_that_opens_the_question() -> None:
    event = event_row(3, NOW_MS - 1_080_000, "mix-guess", "box", "b", "b", {"at_ms": NOW_MS - 1_320_000, "step": "mix"})
    text = told([event], desk(page=PAGE))
    assert text.title == "Mixed at 13:38? The koji cooled suddenly then."
    assert f"Answer here: {PAGE}mixed/box" in text.body and "kojimon batch mixed" in text.body
    assert "Answer here" not in told([event]).body


def test_an_alarm_that_the_card_has_not_taken_says_so() -> None:
    assert told([called()], desk(unrecorded=True)).body.endswith("Not saved yet.")
    assert "saved" not in told([called()]).body


def hot_box(**changes: Any) -> Box:
    return probed(box(**{"alarms": (hot_alarm(),), **changes}), "koji-top", value=43.4, rate_per_h=1.92)


def hot_document(**changes: Any) -> Document:
    return document(hot_box(**changes))


def test_the_first_line_is_the_design_s_and_the_body_answers_what_comes_next() -> None:
    """Requirement: first 60 characters what, value vs limit, time left, action; then since when, trend, consequence,
    data age, next step of the system."""
    doc = hot_document(alarms=(hot_alarm(occurrence=2),))
    at_work = desk(doc, attempts={"phone": 2, "siren": 1}, failing=("mail",), page=PAGE)
    text = told([called(occurrence=2)], at_work, round=3)
    assert text.title == "Top tray 110 °F (limit 109), 113 in 50 min. Break up, spread"
    assert text.body.splitlines() == [
        "Since 13:50 (10 min), 2nd time.",
        "Rising +3.5 °F/h; next limit in about 50 min (if it goes on like this).",
        "If nothing is done, the koji overheats, the mould weakens and unwanted growth takes over. Likely: it warms "
        "itself and cannot lose the heat, the box heats too much or a lump, or too thick a layer.",
        "How sure: last reading of probe koji-top 4 s ago; the bottom tray 95.2 °F. They disagree: check with a "
        "kitchen thermometer.",
        "Do: Break the koji up and spread it. If it still rises after 20 min: furrow it, spread it thinner, then give "
        "it less heat: switch it off or open it, then swap the trays.",
        "To stop this: open the kojimon page, press Acknowledge: http://192.0.2.7:8137/",
        "It repeats every 2 min, louder, until acknowledged; 20 min after that again if it still holds. Sent so far: "
        "phone (2) and siren (1). Not sent, failing: mail.",
        "This is message 4.",
    ]


def test_a_clock_that_is_not_set_is_said_and_no_time_of_day_is() -> None:
    text = told([called()], desk(hot_document(), trusted=False))
    assert text.body.splitlines()[0] == "Began 10 min ago (clock not set)."
    assert "13:50" not in text.body


def test_the_ladder_goes_by_stage_and_time_since_the_last_mixing() -> None:
    """Less heat, by the kind of box; break up; furrow or spread thinner; swap trays; harvest (design)."""
    alarm = Alarm(KEY)
    steps = {
        "before any mixing": Work(hour=20.0),
        "mixing wanted": Work(hour=25.0, mix_open=True),
        "just mixed": Work(hour=28.0, mixes=1, mixed_ago_s=1200),
        "mixed long ago": Work(hour=32.0, mixes=2, mixed_ago_s=9000),
        "late": Work(hour=44.0, mixes=3, mixed_ago_s=9000, harvest_open=True),
    }
    assert {name: ladder(alarm, work)[0] for name, work in steps.items()} == {
        "before any mixing": "Give it less heat: switch it off or open it",
        "mixing wanted": "Break the koji up and spread it",
        "just mixed": "Give it less heat: switch it off or open it",
        "mixed long ago": "Furrow it, spread it thinner",
        "late": "Look whether it is done: harvest",
    }
    assert ladder(Alarm("silent/air"), Work(hour=20.0)) == []
    assert ladder(alarm, Work()) == []


def test_after_a_mixing_the_body_says_when() -> None:
    doc = document(tasked(hot_box(), "mix", marks=(Mark(2, at(-2)),)))
    assert "Last mixed 2 h ago, 1 time so far." in told([called()], desk(doc)).body


def test_alarms_of_one_cause_are_listed_first_out_first() -> None:
    events = [called(9), called(7, "box/off", limit=30.0), called(8, "silent/air", probe="air")]
    body = told(events, desk(hot_document())).body
    assert "In the order they came:\n1. The box seems to be off\n2. No reading from probe air\n3. Top tray too" in body


def test_the_end_has_its_own_title_and_says_how_long_it_lasted() -> None:
    event = called(ago_s=0, since_ms=NOW_MS - 50 * 60_000, event="off", to="RTNUN", level="")
    text = told([event], kind="over", urgent=False)
    assert text.title == "Back within limits after 50 min: top tray was too warm"
    assert text.body == "Top tray too warm for 50 min, 13:10 to 14:00"


def test_the_end_of_what_is_latched_asks_for_the_reset() -> None:
    event = called(ago_s=0, since_ms=NOW_MS - 50 * 60_000, event="off", to="LATCH-ACK", level="")
    text = told([event], kind="over", urgent=False)
    assert text.title == "Back within limits after 50 min: top tray was too warm"
    assert text.body == "Top tray too warm for 50 min, 13:10 to 14:00. Look at the koji, then press Reset."


def test_a_digest_tells_each_thing_once_with_its_time() -> None:
    on = called(3, "limit/air/temperature/low", priority="tell", ago_s=7200, level="low", side="low", value=23.0,
                limit=24.0, tray="", probe="air")  # fmt: skip
    off = event_row(4, NOW_MS - 3_600_000, "alarm", "box", "b", on.key, {**says(on), "event": "off", "to": "RTNUN"})
    window = event_row(5, NOW_MS - 1_800_000, "step-due", "box", "b", "mix", {"label": "Break up and mix"})
    text = told([on, off, window], kind="digest", urgent=False)
    assert text == Text(
        "2 things to know",
        "13:00 Box air too cold for 1 h, 12:00 to 13:00\n13:30 Due now: break up and mix.",
    )


def test_a_window_brings_advice_and_cautions_of_its_step() -> None:
    text = told([event_row(5, NOW_MS, "step-due", "box", "b", "mix", {"round": 1})], kind="told", urgent=False)
    assert text.title == "Due now: break up and mix."
    assert text.body.index("Take care:\n- Wash your hands; koji is food.") < text.body.index("Crumble the mat")


def test_a_box_too_hot_says_first_what_to_do_about_a_fire() -> None:
    hot = called(key="box/hot", value=44.0, limit=30.0, place="air", quantity="temperature")
    fire = "Smoke or a burning smell: cut the power at the breaker, get out."
    assert told([hot]).body.startswith(fire)
    assert told([called(), hot]).body.startswith(fire), "of one cause with the koji's own alarm"
    assert fire not in told([called()]).body
    oven = hot_alarm(key="box/hot", tray="", probe="air", value=61.0, limit=60.0)
    text = told([called(key="box/hot", probe="air", value=61.0, limit=60.0)], desk(hot_document(alarms=(oven,))))
    assert text.body.startswith(fire) and "switch it off, at the breaker if not at the device." in text.body
    (todo,) = [line for line in text.body.splitlines() if line.startswith("Do: ")]
    assert not any(word in f"{text.title} {todo}".lower() for word in ("vent", "open", "break the koji"))


def test_alarms_told_together_advise_what_each_of_them_advises_alone() -> None:
    alone = told([called()], desk(hot_document()))
    assert alone.title.endswith("Break up, spread")
    for kind in ("flood", "digest"):
        assert "Break up, spread" in told([called(), called(8)], desk(hot_document()), kind=kind).body


def test_where_there_are_several_boxes_every_message_says_which() -> None:
    two = document(hot_box(), replace(BOX, name="cellar", label="Cellar"))
    due = event_row(3, NOW_MS, "step-due", "cellar", "c", "mix", {})
    assert told([due], desk(two)).title == "Cellar: Due now: break up and mix."
    assert told([called()], desk(two)).body.startswith("Box: Cool box.\n")
    hot = called(key="box/hot", value=44.0, limit=30.0, place="air", quantity="temperature")
    assert told([hot], desk(two)).body.splitlines()[1] == "Box: Cool box.", "a fire comes first"
    many = told([due, called()], desk(two), kind="digest").body
    assert "Cellar: Due now: break up and mix." in many and "Cool box: " in many
    assert told([due], desk()).title == "Due now: break up and mix."


def test_a_test_says_that_it_is_one() -> None:
    doc = document(alarms=(Alarm("test", "UNACK", occurrence=1, since_t_ms=NOW_MS, priority="wake"),))
    event = event_row(5, NOW_MS, "alarm", "", "", "test", {"test": True, "text": "Tonight's test", "occurrence": 1,
                  "to": "UNACK", "event": "on", "priority": "wake", "since_ms": NOW_MS})  # fmt: skip
    text = told([event], desk(doc))
    assert text.title == "TEST ONLY. Press Acknowledge to pass the night check"
    assert len(text.title) <= 60
    assert "Press Acknowledge on this phone: that passes the night check." in text.body
    assert f"open the kojimon page, press Acknowledge: {PAGE}" in told([event], desk(doc, page=PAGE)).body
    assert "Tonight's test" in text.body


@pytest.mark.parametrize(
    ("page", "how"),
    [
        (PAGE, f"To stop this: open the kojimon page, press Acknowledge: {PAGE}"),
        ("http://127.0.0.1:8137/", "To stop this: on kojimon's computer open the kojimon page, press Acknowledge: "),
        ("http://[::1]:8137/", "To stop this: on kojimon's computer open the kojimon page, press Acknowledge: "),
        ("", "To stop this: on kojimon's computer run: kojimon alarms ack"),
    ],
)
def test_what_answers_an_alarm_is_said_in_it_whatever_it_is_about(page: str, how: str) -> None:
    for key in KEYS[:-1]:
        for urgent in (True, False):
            assert how in told([called(key=key)], desk(page=page), urgent=urgent).body, key


def test_the_button_that_a_message_names_is_on_the_page() -> None:
    doc = hot_document(alarms=(hot_alarm(calls=1),))
    (alarm,) = view_of(doc, speech_of(doc)).boxes[0].alarms
    assert {button.label: button.kind for button in alarm.buttons}["Acknowledge"] == "alarm.acknowledge"


def test_a_call_without_a_state_to_look_at_still_says_what_it_knows() -> None:
    doc = document(incubators=())
    assert told([called()], desk(doc)).title.startswith("Top tray 43.2 °C over 43") is False
    assert told([called()], desk(doc)).title.startswith("Top tray 110 °F (limit 109)")


@pytest.mark.parametrize("key", KEYS)
def test_every_alarm_has_cause_consequence_action_and_time_to_respond(key: str) -> None:
    """Requirement: each alarm has cause, consequence, action, time to respond; any missing = refuse to arm."""
    assert unexplained([key]) == []
    assert meaning_of(key) is not None


def test_an_alarm_without_meaning_is_named() -> None:
    assert unexplained(["noise/fan", KEY]) == ["noise/fan"]


@pytest.mark.parametrize("kind", ["call", "again", "worse", "update", "over", "told", "digest", "flood"])
@pytest.mark.parametrize("key", KEYS)
def test_no_title_is_longer_than_a_lock_screen(kind: str, key: str) -> None:
    event = called(key=key, text="words " * 30, causes=["a", "b"], label="x" * 90)
    for state in (AlarmState.UNACK, AlarmState.RTNUN):
        doc = hot_document(alarms=(hot_alarm(key=key, state=str(state)),))
        assert 3 < len(told([event, event], desk(doc), kind=kind, urgent=False).title) <= 60


def test_a_sure_forecast_says_how_long_is_left_and_how_sure() -> None:
    high = BOX.bands[0].high_high
    assert high is not None
    doc = hot_document(forecast=foreseen(left=(Left(high, 1500.0, 1200.0, 1800.0, 9),)))
    assert "next limit in about 25 min (forecast, 9 chances in 10)." in told([called()], desk(doc)).body
    soon = called(key="time-to-limit/bed/temperature", early_s=1200, late_s=1800, left_s=1500, in_10=8, priority="tell")
    body = told([soon], desk(doc)).body
    assert "Forecast: there in 20 min to 30 min if left alone (8 chances in 10)." in body


def test_a_lone_probe_of_the_air_is_read_beside_the_koji() -> None:
    """Where no other probe is in its place, those elsewhere in the box say whether it may be so hot."""
    alarm = hot_alarm(key="box/hot", tray="", probe="air", value=45.0, limit=36.0)
    text = told([called(key="box/hot", probe="air", value=45.0, limit=36.0)], desk(hot_document(alarms=(alarm,))))
    sure = next(part for part in text.body.splitlines() if part.startswith("How sure"))
    assert "elsewhere in the box: the top tray" in sure
    assert "no other probe" not in sure
