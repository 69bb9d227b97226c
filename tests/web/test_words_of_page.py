"""Forms read and the state document laid out, without a server."""

from __future__ import annotations

from datetime import datetime
from types import SimpleNamespace
from typing import Any

import pytest
from msgspec.structs import replace

from kojimon.contract.night import NightCheck
from kojimon.contract.state import Document, Now
from kojimon.errors import UsageError
from kojimon.web.page.forms import FORMS, act_of, fields_of
from kojimon.web.page.night import region
from kojimon.web.page.shared import Page
from kojimon.web.page.view import view_of
from kojimon.web.page.viewer import Viewer
from kojimon.words import status as words
from kojimon.words.moments import ago_of
from kojimon.words.speech import Speech, zone_info
from tests.parts.statedoc import BOX, NOW_UTC, document, foreseen, hot_alarm, hot_pending, placed
from tests.parts.statedoc import box as boxed

NOW = "2026-10-25T01:30:00+00:00"
US = Speech(fahrenheit=True, pounds=True, zone="America/Chicago")


def at(text: str) -> datetime:
    return datetime.fromisoformat(text)


@pytest.mark.parametrize(
    ("text", "now", "zone", "minutes"),
    [
        ("14:20", "2026-01-31T14:50:00+00:00", "UTC", 30),
        ("23:50", "2026-01-31T00:10:00+00:00", "UTC", 20),
        ("9:05", "2026-01-31T09:05:00+00:00", "UTC", 0),
        # Summer time ends at 01:00 UTC (Directive 2000/84/EC): 02:30 is there twice, the later one has just been.
        ("02:30", "2026-10-25T01:40:00+00:00", "Europe/Berlin", 10),
        ("02:50", "2026-10-25T01:40:00+00:00", "Europe/Berlin", 50),
        # Summer time began at 01:00 UTC: from 01:30 to 03:10 on the clock forty minutes passed.
        ("01:30", "2026-03-29T01:10:00+00:00", "Europe/Berlin", 40),
    ],
)
def test_a_time_of_day_is_the_last_one_that_was(text: str, now: str, zone: str, minutes: float) -> None:
    assert ago_of(text, at(now).astimezone(zone_info(zone))) == minutes * 60


@pytest.mark.parametrize("text", ["24:00", "14:60", "1420", "", "14:20 pm", "-1:00", "15:00"])
def test_what_is_no_time_or_lies_ahead_is_told(text: str) -> None:
    with pytest.raises(UsageError):
        ago_of(text, at("2026-01-31T14:50:00+00:00"))


@pytest.mark.parametrize(
    ("typed", "kg"),
    [("5.9", 2.676), ("5,9", 2.676), ("1 500 g", 1.5), ("1\u202f500 g", 1.5), ("5 lb 14 oz", 2.665), ("2.6 kg", 2.6),
     ("1/2", 0.227), ("½ lb", 0.227), ("12", 5.443)],
)  # fmt: skip
def test_a_weight_is_read_as_the_command_reads_it(typed: str, kg: float) -> None:
    act = act_of({"kind": "batch.weigh", "stage": "work", "kg": typed, "tare_kg": "0"}, US, NOW, "me")
    assert act.data == {"stage": "work", "kg": pytest.approx(kg, abs=0.001), "tare_kg": 0.0}


@pytest.mark.parametrize(
    ("typed", "why"),
    [("1,500", "two ways"), ("1,500 g", "two ways"), ("much", "a mass"), ("-2", "a mass"), ("0", "over 0")],
)
def test_a_weight_that_can_be_misread_is_refused(typed: str, why: str) -> None:
    with pytest.raises(UsageError, match=why):
        act_of({"kind": "batch.weigh", "stage": "work", "kg": typed}, US, NOW, "me")


def test_numbers_of_thousands_are_read_or_asked_about() -> None:
    shelved = act_of({"kind": "alarm.shelve", "key": "k", "for_s": "1 800"}, US, NOW, "me")
    assert shelved.data["for_s"] == 1800.0
    with pytest.raises(UsageError, match=r"write 1500 or 1\.5"):
        act_of({"kind": "step.done", "step": "inoculate", "value_c": "1,500"}, US, NOW, "me")


def test_fields_are_read_in_the_viewers_units() -> None:
    """212 °F are 100 °C; 10 lb are 4.5359237 kg, exact (NIST SP 811, B.8)."""
    gate = act_of({"kind": "step.done", "step": "inoculate", "value_c": "212", "incubator": "box"}, US, NOW, "me")
    assert gate.data == {"step": "inoculate", "value_c": pytest.approx(100.0)}
    harvest = act_of({"kind": "batch.harvest", "yield_kg": "10"}, US, NOW, "me")
    assert harvest.data["yield_kg"] == pytest.approx(4.5359237)
    assert (harvest.who, harvest.channel) == ("me", "page")
    start = act_of({"kind": "batch.start", "hour0_ago_s": "1,5", "rice_kg": "2"}, Speech(), NOW, "me")
    assert start.data == {"hour0_ago_s": 5400.0, "rice_kg": 2.0}


def test_how_long_ago(speech: Speech = US) -> None:
    def moment(**fields: str) -> Any:
        return act_of({"kind": "batch.note", "text": "x", **fields}, speech, NOW, "me").data.get("at_ago_s")

    assert moment() is None and moment(ago_min="0") is None
    assert moment(ago_min="15") == 900
    assert moment(at="20:00", ago_min="15") == 1800
    with pytest.raises(UsageError):
        moment(ago_min="soon")


def test_a_form_gives_only_the_fields_of_its_act() -> None:
    act = act_of({"kind": "step.undo", "mark": "3", "batch": "other", "who": "boss", "hour0_t_ms": "1"}, US, NOW, "me")
    assert act.data == {"mark": 3} and act.who == "me"


def test_every_form_is_an_act_of_the_engine() -> None:
    from kojimon.contract.acts import OF_KIND

    assert set(FORMS) <= set(OF_KIND)


def test_a_form_is_read_whole_or_not_at_all() -> None:
    assert fields_of(b"kind=batch.note&text=a+b%C3%A4") == {"kind": "batch.note", "text": "a bä"}
    with pytest.raises(UsageError):
        fields_of("kind=ü".encode())


def shown(state: Document, fahrenheit: bool = True) -> Any:
    viewer = Viewer(fahrenheit, True, "America/Chicago", "me")
    return view_of(state, viewer.speech(state))


def test_the_page_before_the_night_says_what_is_forecast() -> None:
    state = document(replace(BOX, forecast=foreseen(), steps=()))
    unread = SimpleNamespace(last_event=lambda: 0, events=lambda *_, **__: [])
    backend = SimpleNamespace(night_check=NightCheck, reader=lambda: unread)
    markup = region(Page(backend, {}), state, Viewer(True, True, "America/Chicago", "me"))  # type: ignore[arg-type]
    assert "Forecast: nothing is likely to need you before 18:30 (9 chances in 10). Alarms stay on." in markup


def test_the_next_step_with_its_window() -> None:
    box = shown(document()).boxes[0]
    assert box.step.title == "You can now: break up and mix (kirikaeshi)"
    assert "1 h 30 min left" in box.step.window
    assert box.step.can and not box.step.late and not box.step.harvest
    assert box.headline.tone == "good"


def test_over_a_limit_whose_delay_runs_the_page_is_not_green() -> None:
    box = shown(document(boxed(pending=(hot_pending(),)))).boxes[0]
    assert box.headline.tone == "look" and "over 113 for 1 min, message in 1 min" in box.headline.text and not box.rest


def test_what_a_maker_looks_at_beside_the_probes_own_values() -> None:
    around = [(one.name, one.value, one.old) for one in shown(document()).boxes[0].around]
    assert around[-2:] == [("Koji above box air", "12.6 °F", ""), ("Dry/wet difference", "3.7 °F", "")]
    above, apart = BOX.derived
    bad = boxed(derived=(replace(above, age_s=150.0), replace(apart, value=None, quality=9, lacking="quality")))
    around = [(one.name, one.value, one.old) for one in shown(document(bad)).boxes[0].around]
    assert around[-1] == ("Koji above box air", "12.6 °F", "2 min ago"), "a bad input gives no number"


def test_hottest_and_coldest_by_name() -> None:
    box = shown(document()).boxes[0]
    assert [(v.name, v.value) for v in box.koji] == [
        ("Hottest: top tray", "99.0 °F"),
        ("Coldest: bottom tray", "95.2 °F"),
    ]
    assert box.koji[0].moving == "rising, +2.2 °F/h" and box.koji[0].old == ""


def test_an_old_value_shows_its_age() -> None:
    assert shown(document(placed(BOX, {"age_s": 250.0}))).boxes[0].koji[0].old == "4 min ago"


def test_no_reading_is_never_a_number_and_the_last_one_has_its_age() -> None:
    probes = tuple(replace(one, age_s=2500.0) for one in BOX.probes)
    koji = shown(document(replace(placed(BOX, None), probes=probes))).boxes[0].koji[0]
    assert koji.value == "no reading"
    assert koji.old == "last 99.0 °F, 41 min ago"


def test_an_alarm_about_what_the_next_step_does_stands_in_its_card() -> None:
    box = shown(document(boxed(alarms=(hot_alarm(calls=1), hot_alarm(key="silent/bed"))))).boxes[0]
    assert box.step.can and [alarm.by_step for alarm in box.alarms] == [True, False]
    cold = shown(document(boxed(alarms=(hot_alarm(key="limit/bed/temperature/low"),)))).boxes[0]
    assert not cold.alarms[0].by_step, "mixing does not warm it"


@pytest.mark.parametrize(
    ("state", "labels"),
    [
        ("UNACK", ["Acknowledge", "Done: I have fixed it", "10 min", "30 min", "60 min"]),
        ("ACKED", ["Done: I have fixed it", "10 min", "30 min", "60 min"]),
        ("RTNUN", ["Acknowledge"]),
        ("SHLVD", ["End pause"]),
        ("LATCH-ACK", ["Reset"]),
        ("LATCH-UNACK", ["Acknowledge"]),
        ("OOSRV", ["Put back in service"]),
        ("DSUPR", []),
    ],
)
def test_buttons_of_an_alarm(state: str, labels: list[str]) -> None:
    box = shown(document(boxed(alarms=(hot_alarm(state=state, calls=1),)))).boxes[0]
    (alarm,) = box.alarms
    assert [button.label for button in alarm.buttons] == labels
    assert len({button.key for button in alarm.buttons}) == len(labels)


def test_a_hot_alarm_says_what_to_do() -> None:
    box = shown(document(boxed(alarms=(hot_alarm(calls=1),)))).boxes[0]
    assert box.headline.tone == "wrong" and box.headline.text == box.alarms[0].text
    assert box.alarms[0].steps and box.alarms[0].consequence


def test_at_a_box_too_hot_the_first_step_is_about_fire() -> None:
    hot = hot_alarm(key="box/hot", calls=1, value=44.0, limit=30.0)
    steps = shown(document(boxed(alarms=(hot,)))).boxes[0].alarms[0].steps
    assert steps[0] == "Smoke or a burning smell: cut the power at the breaker, get out"
    assert steps[1] == "Switch it off or unplug it"


def test_a_press_is_another_act_after_a_further_call() -> None:
    first, later = (document(boxed(alarms=(hot_alarm(calls=number),))) for number in (1, 2))
    keys = [shown(state).boxes[0].alarms[0].buttons[0].key for state in (first, later, first)]
    assert keys[0] == keys[2] != keys[1]


def test_an_unset_clock_is_told() -> None:
    state = document(now=Now(NOW_UTC, False, "America/Chicago"))
    assert "not set" in shown(state).clock
    assert words.speech_of(state).zone == "America/Chicago"
