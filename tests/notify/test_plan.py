"""The plan on a manual clock: waking, telling, quiet hours, escalation, retries, folding."""

from __future__ import annotations

import pytest

from kojimon.alarms.bursts import chatter_heads, floods
from kojimon.notify.records import Channel
from kojimon.notify.times import retry_ms
from kojimon.settings.spec import Person
from tests.notify.board import NIGHT_UTC_MS, PHONE, SIREN, Board, Stood

HOT = "limit/bed/temperature/high"
H = 3600.0


def attempts(board: Board, channel: str = "phone") -> list[float]:
    return [one.at_s for one in board.sent if one.send.channel == channel]


# -- waking ------------------------------------------------------------------------------------------------------


def test_a_call_goes_out_at_once_and_every_two_minutes_over_more_channels_until_it_is_answered() -> None:
    board = Board(PHONE, SIREN, utc_ms=NIGHT_UTC_MS)
    board.on(HOT)
    board.to(500)
    board.ack(HOT)
    board.to(3600)
    assert [one.brief[:2] for one in board.sent] == [
        (0, "phone"), (120, "phone"), (240, "phone"), (240, "siren"), (360, "phone"), (360, "siren"),
        (480, "phone"), (480, "siren"),
    ]  # fmt: skip
    assert [one.send.round for one in board.sent if one.send.channel == "phone"] == [0, 1, 2, 3, 4]
    assert {one.send.key for one in board.sent} == {f"box/{HOT}#1"}
    assert all(one.send.urgent for one in board.sent)
    assert board.last.next_ms is None


def test_calls_have_no_end_while_nobody_answers() -> None:
    board = Board(PHONE)
    board.on(HOT)
    board.to(6 * H)
    assert len(board.sent) == 181
    assert board.last.next_ms is not None


def test_calls_of_slow_cold_thin_out_after_half_an_hour_and_heat_beside_it_does_not() -> None:
    cold = "limit/bed/temperature/low"
    board = Board(PHONE)
    board.on(cold, first=cold)
    board.to(2 * H)
    assert attempts(board) == [*range(0, 1801, 120), 3000, 4200, 5400, 6600]
    assert [one.send.round for one in board.sent][-5:] == [15, 16, 17, 18, 19]
    both = Board(PHONE)
    both.on(cold, first=cold)
    both.on(HOT, first=cold)
    both.to(2 * H)
    assert len(both.sent) == 61


def test_the_second_person_is_called_after_twenty_minutes_without_an_answer() -> None:
    board = Board(PHONE, Channel("neighbour", joins_s=1200, second=True))
    board.on(HOT)
    board.to(1300)
    assert attempts(board, "neighbour") == [1200]


def test_without_one_success_for_a_minute_every_channel_joins_in() -> None:
    """Requirement: local buzzer sounds after 60 s without one success."""
    board = Board(PHONE, Channel("speaker", joins_s=240, sounds=True), works=lambda name, _: name == "speaker")
    board.on(HOT)
    board.to(130)
    assert attempts(board, "speaker") == [60, 120]
    assert attempts(board) == [0, 5, 15, 35, 75]


def test_a_worse_level_is_told_at_once_and_does_not_begin_anew() -> None:
    board = Board(PHONE)
    board.on(HOT)
    board.to(50)
    board.alarm(HOT, "up", "UNACK")
    board.to(130)
    assert board.said() == [(0, "phone", "call"), (50, "phone", "worse"), (120, "phone", "again")]


def test_an_alarm_told_by_day_that_comes_to_wake_begins_its_calls_then() -> None:
    board = Board(PHONE, Channel("neighbour", joins_s=1200, second=True))
    board.on(HOT, "tell")
    board.to(1800)
    board.alarm(HOT, "up", "UNACK", priority="wake")
    board.to(1800 + 130)
    assert board.said() == [(0, "phone", "told"), (1800, "phone", "call"), (1920, "phone", "again")]


def test_silence_holds_the_call_and_it_is_back_when_the_silence_ends() -> None:
    from msgspec.structs import replace

    board = Board(PHONE)
    board.on(HOT)
    board.to(30)
    board.alarms[f"box/{HOT}"] = replace(board.alarms[f"box/{HOT}"], silent_until_ms=board.now_ms + 600_000)
    board.to(630)
    board.alarms[f"box/{HOT}"] = replace(board.alarms[f"box/{HOT}"], silent_until_ms=-1)
    board.alarm(HOT, "re", "UNACK")
    board.to(700)
    assert attempts(board) == [0, 630]


def test_the_end_is_told_once_to_those_who_were_called_and_not_by_the_loudspeaker() -> None:
    board = Board(PHONE, SIREN, Channel("speaker", sounds=True), utc_ms=NIGHT_UTC_MS)
    board.on(HOT)
    board.to(100)
    board.off(HOT)
    board.to(3600)
    assert board.said("over") == [(100, "phone", "over")]
    assert board.said(channel="speaker") == [(0, "speaker", "call")]
    assert all(item.settled for item in board.items)


def test_a_call_that_never_got_out_is_told_with_its_end_in_one_message() -> None:
    board = Board(PHONE, works=lambda _name, at_s: at_s > 700)
    board.on(HOT)
    board.to(600)
    board.off(HOT)
    board.to(900)
    (one,) = board.said()
    assert one[2] == "over"
    assert {name.rsplit(".", 1)[1] for name in board.sent[-1].send.messages} == {"1", "over"}


def test_an_acknowledged_alarm_calls_again_when_the_engine_says_so() -> None:
    board = Board(PHONE)
    board.on(HOT)
    board.to(10)
    board.ack(HOT)
    board.to(1210)
    board.alarm(HOT, "re", "UNACK")
    board.to(1340)
    assert board.said() == [(0, "phone", "call"), (1210, "phone", "call"), (1330, "phone", "again")]


# -- retries ------------------------------------------------------------------------------------------------------


def test_delays_after_failures() -> None:
    """Regression: 5, 10, 20, 40, 60, 60, ... give 18 attempts within 900 s."""
    assert [retry_ms(n) // 1000 for n in range(1, 8)] == [5, 10, 20, 40, 60, 60, 60]
    board = Board(PHONE, works=lambda *_: False)
    board.on(HOT)
    board.to(900)
    assert attempts(board) == [0, 5, 15, *range(35, 36), *range(75, 856, 60)]
    assert len(attempts(board)) == 18


def test_a_failed_channel_comes_back_into_step_after_its_first_success() -> None:
    board = Board(PHONE, works=lambda _name, at_s: at_s >= 35)
    board.on(HOT)
    board.to(250)
    assert attempts(board) == [0, 5, 15, 35, 120, 240]


def test_each_channel_has_its_own_receipts() -> None:
    board = Board(PHONE, Channel("mail"), works=lambda name, at_s: name == "phone" or at_s > 20)
    board.event("step-due", "mix")
    board.to(60)
    assert attempts(board, "phone") == [0]
    assert attempts(board, "mail") == [0, 5, 15, 35]


def test_after_an_outage_what_waited_comes_as_one_message() -> None:
    board = Board(PHONE, works=lambda _name, at_s: at_s > 3 * H)
    for number in range(5):
        board.event("step-due", f"step-{number}")
        board.to(600.0 * (number + 1))
    board.to(4 * H)
    assert [kind for _, _, kind in board.said()] == ["digest"]
    assert len(board.sent[-1].send.messages) == 5


# -- quiet hours ------------------------------------------------------------------------------------------------


def test_quiet_hours_hold_back_all_but_what_wakes_and_give_one_digest_in_the_morning() -> None:
    board = Board(PHONE, utc_ms=NIGHT_UTC_MS)  # 23:00, sleep until 06:30
    board.event("step-due", "mix")
    board.on("limit/air/temperature/low", "tell")
    board.to(H)
    board.off("limit/air/temperature/low")
    board.on("blind/bed")
    board.to(H + 30)
    board.ack("blind/bed")
    board.to(2 * H)
    board.off("blind/bed")
    board.to(12 * H)
    assert board.said() == [
        (H, "phone", "call"), (2 * H, "phone", "over"), (7.5 * H, "phone", "digest"),
    ]  # fmt: skip
    digest = board.sent[-1].send
    assert len(digest.messages) == 3
    assert not digest.urgent


def test_quiet_hours_are_suspended_while_the_clock_is_not_trusted() -> None:
    board = Board(PHONE, utc_ms=NIGHT_UTC_MS, trusted=False)
    board.event("step-due", "mix")
    board.to(10)
    assert board.said() == [(0, "phone", "told")]


def test_quiet_hours_follow_the_persons_zone() -> None:
    """23:00 UTC is 08:00 in Tokyo (UTC+9, no summer time) and 18:00 in New York (UTC-5 before 8 March 2026)."""
    for zone, told_at_s in (("Asia/Tokyo", 0), ("America/New_York", 0), ("Europe/Lisbon", 7.5 * H)):
        board = Board(PHONE, utc_ms=NIGHT_UTC_MS, quiet=Person(zone))
        board.event("step-due", "mix")
        board.to(9 * H)
        assert board.said() == [(told_at_s, "phone", "told")], zone


def test_the_night_that_loses_an_hour_ends_at_the_same_time_of_day() -> None:
    """Europe/Berlin goes from UTC+1 to UTC+2 on 29 March 2026 at 01:00 UTC (Directive 2000/84/EC, last Sunday)."""
    board = Board(PHONE, utc_ms=1_774_735_200_000, quiet=Person("Europe/Berlin"))  # 28 March 22:00 UTC, 23:00 local
    board.event("step-due", "mix")
    board.to(12 * H)
    assert board.said() == [(6.5 * H, "phone", "told")]  # 06:30 local is 04:30 UTC


def test_nothing_is_told_twice_when_sleep_begins_again() -> None:
    board = Board(PHONE, utc_ms=NIGHT_UTC_MS)
    board.event("step-due", "mix")
    board.to(3 * 24 * H)
    assert len(board.sent) == 1


# -- folding ------------------------------------------------------------------------------------------------------


def test_one_cause_is_one_call_that_lists_all_first_out_first() -> None:
    """Requirement: one cause, 5 dependent alarms within 60 s: exactly 1 waking message lists all 6."""
    board = Board(PHONE, utc_ms=NIGHT_UTC_MS)
    board.on("box/off")
    for number in range(5):
        board.to(8.0 * (number + 1))
        board.on(f"silent/p{number}", "wake" if number % 2 else "tell", first="box/off")
    board.to(119)
    assert {one.send.key for one in board.sent} == {"box/box/off#1"}
    assert board.said() == [(0, "phone", "call"), (60, "phone", "update")]
    assert board.sent[-1].send.events == (1, 2, 3, 4, 5, 6)


def test_a_waking_consequence_of_something_told_by_day_calls_at_once_with_its_cause() -> None:
    board = Board(PHONE, utc_ms=NIGHT_UTC_MS)
    board.on("silent/koji", "tell")
    board.to(810)
    board.on("blind/bed", first="silent/koji")
    board.to(820)
    assert board.said() == [(810, "phone", "call")]
    assert board.sent[0].send.events == (2, 1)
    assert board.sent[0].send.key == "box/silent/koji#1"


def test_what_comes_after_more_than_a_minute_calls_for_itself() -> None:
    board = Board(PHONE, utc_ms=NIGHT_UTC_MS)
    board.on("box/off")
    board.to(90)
    board.on("blind/bed", first="box/off")
    board.to(100)
    assert [one.send.key for one in board.sent] == ["box/box/off#1", "box/blind/bed#1"]


def test_ends_of_one_cause_come_together() -> None:
    board = Board(PHONE)
    board.on("box/off")
    board.on("silent/p1", "tell", first="box/off")
    board.to(90)
    board.off("box/off")
    board.to(150)
    board.off("silent/p1")
    board.to(1000)
    assert board.said("over") == [(150, "phone", "over")]
    assert len(board.sent[-1].send.events) == 2


def test_chatter_is_folded_and_its_end_is_told_when_it_is_calm() -> None:
    """Requirement: 3 activations of one alarm in 60 s: flagged, one message, its state goes on being evaluated."""
    board = Board(PHONE)
    for number in range(12):
        board.to(20.0 * number)
        board.on("health/broker:house", "tell")
        board.to(20.0 * number + 10)
        board.off("health/broker:house")
    board.to(2000)
    told = board.said("told", "digest")
    assert len(told) == 3, told
    assert board.said()[-1] == (220 + 600, "phone", "over")
    assert board.sent[-1].send.key == "box/health/broker:house#3"
    assert all(item.settled for item in board.items)


def test_chatter_of_a_waking_alarm_goes_on_calling_while_it_holds() -> None:
    board = Board(PHONE)
    for at_s in (0, 20, 40):
        board.to(at_s)
        board.on("box/off")
        board.to(at_s + 5)
        if at_s < 40:
            board.off("box/off")
    board.to(300)
    assert board.said("again", "call")[-2:] == [(160, "phone", "again"), (280, "phone", "again")]


def test_flood_becomes_one_message_and_what_wakes_still_passes() -> None:
    """Requirement: >10 alarms in 10 min: one combined message, wake class still passes; it ends at <5 in 10 min."""
    board = Board(PHONE)
    for number in range(30):
        board.to(10.0 * number)
        board.on(f"silent/p{number}", "tell")
    board.to(305)
    board.on(HOT)
    board.to(310)
    board.ack(HOT)
    board.to(1500)
    singles = board.said("told")
    assert len(singles) == 10
    assert board.said("call") == [(305, "phone", "call")]
    folded = [one for one in board.sent if one.send.kind in ("flood", "digest")]
    assert [one.at_s for one in folded] == [100, 700]
    listed = {name for one in board.sent for name in one.send.messages}
    assert listed == {item.message.id for item in board.items}, "nothing is dropped"


def test_flood_rule() -> None:
    """Regression: 10 in 10 min: no; 11: yes; then 5 in the next 10 min: still; 4: it ends."""
    minute = 60_000
    ten = [i * 50_000 for i in range(10)]
    assert floods(ten, 10 * minute) == []
    eleven = [i * 50_000 for i in range(11)]
    begin = eleven[-1]
    assert [f.begin_ms for f in floods(eleven, begin)] == [begin]
    five = [*eleven, *(begin + i * 2 * minute for i in range(1, 6))]
    assert floods(five, begin + 10 * minute)[-1].end_ms == -1
    four = [*eleven, *(begin + i * 2 * minute for i in range(1, 5))]
    assert floods(four, begin + 10 * minute)[-1].end_ms == begin + 10 * minute


@pytest.mark.parametrize(("times_s", "found"), [((0, 20, 59), True), ((0, 20, 60), True), ((0, 30, 61), False)])
def test_chatter_rule(times_s: tuple[int, ...], found: bool) -> None:
    """Activations at 0, 20, 60 s lie within a minute and chatter; at 0, 30, 61 s they do not."""
    assert (chatter_heads([t * 1000 for t in times_s])[-1] >= 0) is found


# -- channels ------------------------------------------------------------------------------------------------------


def test_a_channel_that_fails_is_told_over_the_others_only() -> None:
    board = Board(PHONE, Channel("mail"))
    board.event("alarm", "health/delivery:phone", "/health/delivery:phone#1.1", incubator="", priority="tell",
                occurrence=1, first="health/delivery:phone", event="on", to="UNACK", **{"from": "NORM"})  # fmt: skip
    board.alarms["/health/delivery:phone"] = Stood("UNACK", 1, True, "tell")
    board.to(10)
    assert board.said() == [(0, "mail", "told")]


def test_a_channel_for_waking_only_is_not_told_by_day() -> None:
    board = Board(SIREN)
    board.event("step-due", "mix")
    board.to(10)
    assert board.sent == []
    assert board.items[0].settled


def test_the_second_person_hears_nothing_of_the_day() -> None:
    board = Board(PHONE, Channel("aunt", joins_s=1200, second=True))
    board.event("step-due", "mix")
    board.to(10)
    assert board.said() == [(0, "phone", "told")]


def test_a_channel_that_is_to_be_used_once_is_used_once() -> None:
    board = Board(PHONE, Channel("sms", repeats=False))
    board.on("limit/bed/temperature/high")
    board.to(600)
    assert board.said(channel="sms") == [(0, "sms", "call")] and len(board.said(channel="phone")) == 6


def test_a_note_is_given_up_after_a_day_and_an_alarm_is_not() -> None:
    board = Board(PHONE, works=lambda *_: False)
    board.event("step-due", "mix")
    board.on("silent/koji", "tell")
    board.to(25 * H)
    assert [item.settled for item in board.items] == [True, False]
    assert board.last.next_ms is not None


def test_a_test_alarm_passes_at_night_and_its_end_is_not_told() -> None:
    board = Board(PHONE, utc_ms=NIGHT_UTC_MS)
    board.alarm("test", "on", "UNACK", priority="tell", test=True)
    board.to(10)
    board.off("test")
    board.to(100)
    assert board.said() == [(0, "phone", "told")]


@pytest.mark.parametrize("priority", ["wake", "tell"])
def test_what_lasts_stays_to_be_told_of(priority: str) -> None:
    """A restart loads what is not settled: of an alarm that lasts for hours, answered or not, its end is still due."""
    board = Board(PHONE)
    board.on(HOT, priority)
    board.to(60)
    board.ack(HOT)
    board.to(3 * 3600)
    assert [item.settled for item in board.items] == [False]
    board.off(HOT)
    board.to(3 * 3600 + 10)
    assert board.said()[-1] == (3 * 3600, "phone", "over")
    assert all(item.settled for item in board.items)


def test_looking_again_at_the_same_situation_gives_the_same_plan() -> None:
    board = Board(PHONE, works=lambda *_: False)
    board.on(HOT)
    board.to(7)
    from kojimon.notify.plan import plan

    assert plan(board.situation()) == plan(board.situation())
