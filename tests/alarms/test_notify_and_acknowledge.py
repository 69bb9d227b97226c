"""Acceptance 29-40: notify and acknowledge. Each test quotes its requirement."""

from __future__ import annotations

import http.client
import socket
import threading
from pathlib import Path
from typing import Any

import pytest

from kojimon.notify.records import Channel
from kojimon.notify.text import Desk, compose
from kojimon.schedule.spec import Band
from kojimon.sockets import name_of
from tests.alarms.build import HIGH, TELL, Case, high, limit, schedule
from tests.daemon.running import broker_site, running
from tests.notify.board import DAY_UTC_MS, NIGHT_UTC_MS, PHONE, SIREN
from tests.notify.test_dispatch import begin, heat
from tests.parts.inputs import says

SPEAKER = Channel("speaker", tells=False, joins_s=240, sounds=True)


def times(case: Case, channel: str) -> list[float]:
    return [one.at_s for one in case.urgent() if one.send.channel == channel]


def test_29_the_first_push_at_once_then_every_two_minutes_and_the_siren_after_four() -> None:
    """Given UNACK of wake class, then first push handed to the provider <= 5 s later, repeated every 120 s, call/siren
    at +240 s, and no end until ack or clear."""
    case = Case(schedule(high()), PHONE, SIREN, utc_ms=NIGHT_UTC_MS)
    case.hold(100).hold(3 * 3600, every_s=30, bed=36.0)
    begun_s = case.moves()[0][0]
    phone, siren = times(case, "phone"), times(case, "siren")
    assert phone == [begun_s + 120 * n for n in range(len(phone))]
    assert siren[0] == begun_s + 240
    assert phone[-1] > 3 * 3600 - 20


def test_30_retries_without_end_and_the_buzzer_after_a_minute_without_success() -> None:
    """Given provider errors or no network, then retries at 5, 10, 20, 40 s and then each 60 s while active: 18 attempts
    in 15 min; local buzzer sounds after 60 s without one success."""
    case = Case(schedule(high()), PHONE, SPEAKER, works=lambda name, _: name == "speaker")
    case.hold(100).hold(1100, bed=36.0)
    begun_s = case.moves()[0][0]
    tried = [at_s - begun_s for at_s in times(case, "phone") if at_s <= begun_s + 900]
    assert tried == [0, 5, 15, 35, *range(75, 856, 60)]
    assert len(tried) == 18
    assert times(case, "speaker")[0] == begun_s + 60


def test_32_copies_have_one_id_and_the_log_one_occurrence() -> None:
    """Given the same message sent 3 times, then the phone shows one entry (same collapse id), and the log has one
    occurrence."""
    case = Case()
    case.hold(100).hold(400, bed=36.0)
    assert len(case.urgent()) == 3
    assert {one.send.key for one in case.sent} == {f"box/{HIGH}#1"}
    assert {says(event)["occurrence"] for event in case.of()} == {1}


def unix_request(path: Path, method: str, target: str) -> int:
    connection = http.client.HTTPConnection("localhost", timeout=60)
    connection.sock = socket.socket(socket.AF_UNIX)
    with name_of(path) as name:
        connection.sock.connect(name)
    connection.request(method, target)
    status = connection.getresponse().status
    connection.close()
    return status


def test_33_a_link_that_is_merely_opened_acknowledges_nothing(tmp_path: Path) -> None:
    """Given an HTTP GET or HEAD on any ack URL, then no state change; only POST acks."""
    with running(broker_site(tmp_path)) as one:
        begin(one)
        heat(one)
        one.commit()
        path = next((tmp_path / "run").glob("*.sock"))
        for method in ("GET", "HEAD"):
            for target in ("/v1/acts", f"/v1/acts?kind=alarm.acknowledge&key={HIGH}", "/v1/alarms"):
                unix_request(path, method, target)
        (alarm,) = [alarm for alarm in one.client.get("/v1/alarms")["alarms"] if alarm["key"] == HIGH]
        assert alarm["state"] == "UNACK"
        assert unix_request(path, "GET", "/v1/acts") in (404, 405)


def test_34_an_old_message_cannot_answer_a_new_occurrence() -> None:
    """Given an ack for occurrence 7 while 8 is active, then 8 stays UNACK and the phone is told so."""
    case = Case()
    for _ in range(7):
        case.hold(200, every_s=20, bed=36.0).hold(200, every_s=20, bed=30.0)
    case.hold(200, every_s=20, bed=36.0)
    (told,) = case.do("alarm.acknowledge", key=HIGH, occurrence=7)
    assert case.state.alarms[f"box/{HIGH}"].occurrence == 8
    assert case.state_of() == "UNACK"
    assert (told.kind, says(told)["code"], says(told)["occurrence"]) == ("refused", "over", 8)
    assert "is over" in says(told)["reason"]


def test_35_two_at_once_record_one_and_both_are_content(tmp_path: Path) -> None:
    """Given two acks 100 ms apart, then exactly one is recorded, both get a success answer."""
    with running(broker_site(tmp_path)) as one:
        begin(one)
        heat(one)
        answers: list[Any] = []

        def acknowledge() -> None:
            answers.append(one.act("alarm.acknowledge", key=HIGH, occurrence=1))

        threads = [threading.Thread(target=acknowledge) for _ in range(2)]
        for thread in threads:
            thread.start()
        while any(thread.is_alive() for thread in threads):
            one.tick()
        assert len(answers) == 2
        events = one.client.get("/v1/events", kinds="alarm")["events"]
        assert [e["data"]["event"] for e in events if e["key"] == HIGH].count("ack") == 1


def test_36_silence_stops_the_sound_and_it_comes_back_by_itself() -> None:
    """Given silence (snooze 10 min), then sound stops, state stays UNACK, and sound returns at 10 min +/- 5 s."""
    case = Case(schedule(high()), PHONE, Channel("speaker", tells=False, sounds=True))
    case.hold(100).hold(130, bed=36.0)
    assert case.last.calling == (f"box/{HIGH}#1",)
    case.do("alarm.silence", key=HIGH, for_s=600)
    hushed_s = case.at_s
    case.hold(10)
    assert case.last.calling == ()
    assert case.state_of() == "UNACK"
    assert case.listed()[0].silent_until_t_ms == case.rows.t_ms + 590_000, "every screen can say until when"
    case.hold(700, every_s=10)
    later = [at_s for at_s in times(case, "speaker") if at_s > hushed_s]
    assert abs(later[0] - hushed_s - 600) <= 5
    assert case.last.calling == (f"box/{HIGH}#1",)
    assert case.listed()[0].silent_until_t_ms is None


def test_37_the_first_line_decides_and_the_body_answers() -> None:
    """Given any wake message, then its first 60 characters hold what, value vs limit, time left and the action, and the
    body holds since-when, trend, consequence, data age, next step of the system."""
    band = high(35.0)
    from msgspec.structs import replace

    case = Case(schedule(replace(band, high_high=limit(37.0))))
    for step in range(120):
        case.hold(30, every_s=30, bed=33.0 + step * 0.025)
    from kojimon.contract.state import Now
    from kojimon.engine import view

    now = Now("2026-03-03T11:20:00+00:00", True, "UTC")
    document = replace(view(case.state, case.now_ms), now=now)
    desk = Desk(document, lambda t_ms: (DAY_UTC_MS + t_ms, True), case.now_ms, {"phone": 2})
    send = case.urgent()[-1].send
    events = [event for event in case.events if event.no in send.events]
    text = compose(send, events, desk)
    assert len(text.title) <= 60
    for part in ("Top tray", "°C (limit 35), 37 in 20 min", "min", "Break up"):
        assert part in text.title, text.title
    parts = ("Since ", "Rising +3.0 °C/h", "If nothing is done", "last reading", "To stop this", "It repeats every 2")
    for part in parts:
        assert part in text.body, text.body


def test_38_one_recovery_with_its_own_title_and_at_night_only_of_what_woke() -> None:
    """Given recovery, then exactly one recovery message with different title and the duration; none at night for
    non-wake class."""
    case = Case(utc_ms=NIGHT_UTC_MS)
    case.hold(100).hold(300, bed=36.0).hold(1800, every_s=30, bed=30.0)
    assert len(case.said("over")) == 1
    quiet = Case(schedule(high(priority=TELL)), utc_ms=NIGHT_UTC_MS)
    quiet.hold(100).hold(300, bed=36.0).hold(1800, every_s=30, bed=30.0)
    assert quiet.sent == []
    quiet.rows.at(8 * 3600)
    quiet.run()
    assert [one.send.kind for one in quiet.sent if f"box/{HIGH}#1.over" in one.send.messages] == ["digest"]


def test_39_quiet_hours_let_pass_what_wakes_and_drop_nothing() -> None:
    """Given quiet hours, then wake class passes; lower classes arrive as 1 digest at the end; nothing is dropped."""
    case = Case(schedule(high()), utc_ms=NIGHT_UTC_MS)
    case.hold(100)
    for number in range(5):
        case.rows.input("health", what=f"broker:b{number}", ok=False, text="gone")
        case.hold(1200, every_s=30)
    case.hold(100, bed=36.0)
    case.do("alarm.acknowledge", key=HIGH, occurrence=1)
    case.hold(200, bed=30.0)
    assert [one.send.kind for one in case.sent] == ["call", "over"]
    case.hold(8 * 3600 - case.at_s, every_s=60)
    (digest,) = [one for one in case.sent if one.send.kind == "digest"]
    assert digest.at_s == 7.5 * 3600
    assert {f"/health/broker:b{number}#1.1" for number in range(5)} <= set(digest.send.messages)


def test_40_seen_and_still_there_is_called_again_and_shown_as_stale() -> None:
    """Given ack but no return to normal, then re-notify at ReAlarmTime; acked and active > 4 h shows as stale."""
    case = Case(schedule(high(priority=TELL)))
    case.hold(100).hold(200, bed=36.0)
    case.do("alarm.acknowledge", key=HIGH, occurrence=1)
    case.hold(3 * 3600, every_s=60)
    assert [alarm.stale for alarm in case.listed()] == [False]
    case.hold(3900, every_s=60)
    assert [says(event)["event"] for event in case.of(repeats=True)] == ["on", "ack", "re"]
    case.do("alarm.acknowledge", key=HIGH, occurrence=1)
    case.hold(60)
    assert [alarm.stale for alarm in case.listed()] == [True]
    assert len([one for one in case.sent if one.send.kind == "told"]) == 2


@pytest.mark.parametrize("channels", [(), (PHONE,)])
def test_a_plan_comes_to_rest_when_all_is_answered(channels: tuple[Channel, ...]) -> None:
    case = Case(schedule(high()), *channels)
    case.hold(100).hold(200, bed=36.0)
    case.do("alarm.acknowledge", key=HIGH, occurrence=1)
    case.hold(200, bed=30.0)
    assert all(item.settled for item in case.items)


def test_the_end_of_a_silence_is_stated_when_it_comes() -> None:
    case = Case().hold(200, bed=36.0)
    case.do("alarm.silence", key=HIGH, for_s=300)
    until_s = case.at_s + 300
    case.hold(400)
    assert (until_s, "re", "UNACK") in case.moves(repeats=True)
    assert case.listed()[0].silent_until_t_ms is None


def test_what_came_first_is_named_as_the_first_of_a_cause() -> None:
    air = Band("air", "temperature", high=limit(35.0))
    case = Case(schedule(high(), air)).hold(200).hold(30, bed=36.0).hold(120, air=36.0)
    (later,) = case.of("limit/air/temperature/high")
    assert says(later)["first"] == HIGH
