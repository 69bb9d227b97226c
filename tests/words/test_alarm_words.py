"""The first line of an alarm: 60 characters that carry what, value and limit, trend, time left, one action."""

from __future__ import annotations

from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from msgspec.structs import replace

from kojimon.alarms.states import AlarmState
from kojimon.contract.state import Alarm
from kojimon.model import BoxKind, Quality
from kojimon.words.alarms import (
    BACK,
    HEADLINE_MAX,
    SILENT_WORDS,
    STATE_WORDS,
    Ahead,
    Work,
    action,
    alarm_state,
    checks,
    headline,
    subject,
    why_silent,
)
from kojimon.words.boxes import COOL_IN_FULL, OFF
from kojimon.words.events import line
from kojimon.words.meaning import ladder
from kojimon.words.speech import Speech
from tests.parts.inputs import event_row

FAHRENHEIT = Speech(fahrenheit=True, zone="America/Chicago")
CELSIUS = Speech()
MIXING = Work(hour=27.0, mix_open=True)


def limit_alarm(**changes: Any) -> Alarm:
    alarm = Alarm(
        "limit/bed/temperature/high", "UNACK", True, "high", "wake", 1, since_t_ms=0, side="high", value=43.2,
        limit=43.0, tray="top",
    )  # fmt: skip
    return replace(alarm, **changes)


def test_what_a_woken_person_reads_first_is_the_line_of_the_design() -> None:
    line = headline(limit_alarm(), FAHRENHEIT, MIXING, 2.4, Ahead(45.0, 3000.0))
    assert line == "Top tray 110 °F (limit 109), 113 in 50 min. Break up, spread"
    assert len(line) <= 60


def test_the_same_in_celsius_with_a_single_tray() -> None:
    line = headline(limit_alarm(tray="tray"), CELSIUS, MIXING, 2.4, Ahead(45.0, 3000.0))
    assert line == "The koji 43.2 °C (limit 43), 45 in 50 min. Break up, spread"


@given(
    place=st.sampled_from(["bed", "air", "room", "wet-bulb"]),
    quantity=st.sampled_from(["temperature", "humidity"]),
    side=st.sampled_from(["high", "low"]),
    tray=st.text(max_size=40),
    value=st.floats(-20, 120),
    limit=st.floats(-20, 120),
    per_hour=st.none() | st.floats(-50, 50),
    left_s=st.none() | st.floats(0, 100_000),
    speech=st.sampled_from([FAHRENHEIT, CELSIUS]),
    work=st.builds(
        Work,
        hour=st.none() | st.floats(0, 60),
        mixed_ago_s=st.none() | st.floats(0, 90_000),
        mixes=st.integers(0, 3),
        mix_open=st.booleans(),
        harvest_open=st.booleans(),
    ),
)
def test_no_first_line_is_longer_than_a_lock_screen_and_each_ends_with_an_action(
    *, place: str, quantity: str, side: str, tray: str, value: float, limit: float, per_hour: float | None,
    left_s: float | None, speech: Speech, work: Work,
) -> None:  # fmt: skip
    alarm = limit_alarm(
        key=f"limit/{place}/{quantity}/{side}", side=side, tray=tray, value=value, limit=limit, level=side
    )
    line = headline(alarm, speech, work, per_hour, Ahead(limit, left_s))
    assert len(line) <= HEADLINE_MAX
    assert action(alarm, work).split(". ")[0].split(", ")[0] in line


@pytest.mark.parametrize(
    ("work", "wanted"),
    [
        (Work(hour=10.0), "Less heat, or open it"),
        (Work(hour=22.0, mix_open=True), "Break up, spread"),
        (Work(hour=22.0, mix_open=True, kind="heat-mat"), "Mat off, or lift tray off it"),
        (Work(hour=24.0, mixes=1, mixed_ago_s=900, mix_open=True), "Less heat, or open it"),
        (Work(hour=27.0, mixes=1, mixed_ago_s=9000), "Furrow, spread thin"),
        (Work(hour=33.0, mixes=2, mixed_ago_s=9000), "Spread thin, swap trays"),
        (Work(hour=44.0, mixes=2, mixed_ago_s=30000, harvest_open=True), "Look: harvest or spread thin"),
    ],
)
def test_the_action_for_hot_koji_climbs_with_stage_and_time_since_the_last_mixing(work: Work, wanted: str) -> None:
    assert action(limit_alarm(), work) == wanted


@pytest.mark.parametrize(
    ("key", "wanted"),
    [
        ("limit/air/temperature/low", "Box air too cold"),
        ("limit/air/humidity/high", "Box air too damp"),
        ("limit/bed/temperature/high", "The koji too warm"),
        ("silent/koji-1", "No reading from probe koji-1"),
        ("blind/bed", "No reading from the koji"),
        ("health/broker:kitchen", "MQTT broker not reached (kitchen)"),
        ("health/disk", "Disk trouble"),
        ("test", "Test alarm"),
        ("expect/self-warming", "self warming"),
    ],
)
def test_each_kind_of_alarm_says_what_it_is_about(key: str, wanted: str) -> None:
    speech = Speech(steps={"mix": "Break up the koji"})
    assert subject(Alarm(key), speech) == wanted


@pytest.mark.parametrize(
    ("value", "says"), [(25.0, "The koji 77 °F (under 79)"), (25.9, "The koji 78.6 °F (under 78.8)")]
)
def test_a_value_that_would_read_as_its_limit_has_a_digit_more(value: float, says: str) -> None:
    cold = Alarm("limit/bed/temperature/low", value=value, limit=26.0)
    assert headline(cold, FAHRENHEIT, Work(), None).startswith(says)
    soon = Alarm("time-to-limit/bed/temperature", value=42.85, limit=43.0, left_s=1440.0)
    assert headline(soon, FAHRENHEIT, Work(), None).startswith("The koji 109.1 °F, 109.4 in 24 min.")


@pytest.mark.parametrize(
    ("kind", "cooler"),
    [("heat-mat", "Lift the tray off the mat"), ("oven-light", "Open the door"), ("still", "Open the box")],
)
def test_nobody_is_told_to_switch_off_what_they_said_is_off(kind: str, cooler: str) -> None:
    off = Work(hour=20.0, kind=kind, heat_off=True)
    assert action(limit_alarm(), off) == action(limit_alarm(level="high_high"), off) == cooler
    assert ladder(limit_alarm(), off)[0] == cooler
    for key in ("limit/bed/temperature/low", "limit/air/temperature/low", "box/off"):
        assert action(Alarm(key), off) == "Its heat is off: on again?"


def test_what_to_check_is_said_in_the_units_of_who_reads() -> None:
    late = Alarm("expect/self-warming", causes=("the warmth of the box, about 30 °C (86 °F)", "the rice"))
    assert checks(late, FAHRENHEIT) == "Check: the warmth of the box, about 86 °F (30 °C) and the rice."


def test_every_state_has_its_words_and_none_is_a_mnemonic() -> None:
    for state in AlarmState:
        words = STATE_WORDS[state.value]
        assert words == words.lower()
        assert state.value.lower() not in words.split()


def test_a_paused_alarm_says_until_when_in_the_persons_zone() -> None:
    alarm = limit_alarm(state="SHLVD", until_utc="2026-01-31T09:40:00+00:00")
    assert alarm_state(alarm, FAHRENHEIT, "2026-01-31T08:40:00+00:00") == "shelved until 03:40"


def test_a_silenced_alarm_says_until_when_and_that_it_is_still_new() -> None:
    alarm = limit_alarm(state="UNACK", silent_until_utc="2026-01-31T09:40:00+00:00")
    assert alarm_state(alarm, FAHRENHEIT, "2026-01-31T09:30:00+00:00") == "silenced until 03:40, not acknowledged"


def test_an_alarm_that_its_batch_took_along_is_not_back_to_normal() -> None:
    """Koji harvested at 46 °C is as hot as it was."""
    over = limit_alarm(state="LATCH-UNACK", ended="batch")
    assert alarm_state(over, FAHRENHEIT, "") == "not watched any more, not acknowledged"


def test_an_alarm_out_of_service_says_why() -> None:
    why = limit_alarm(state="OOSRV", reason="new cable on Sunday")
    assert alarm_state(why, FAHRENHEIT, "2026-01-31T09:30:00+00:00") == "out of service (new cable on Sunday)"


@pytest.mark.parametrize(
    ("air_c", "wanted"), [(30.0, "Cold rice? Probe in it? Look"), (21.0, "Is the heat on? Look at it")]
)
def test_cold_koji_in_warm_air_asks_for_a_look_at_the_probe(air_c: float, wanted: str) -> None:
    cold = limit_alarm(
        key="limit/bed/temperature/low", level="low_low", side="low", value=21.5, limit=22.0, air_c=air_c
    )
    assert action(cold, Work()) == wanted
    line = headline(cold, CELSIUS, Work(), None)
    assert line.endswith(wanted) and len(line) <= HEADLINE_MAX


def test_no_first_line_says_bed() -> None:
    for key in ("limit/bed/temperature/high", "limit/bed/temperature/low", "blind/bed"):
        assert "bed" not in headline(limit_alarm(key=key, tray=""), CELSIUS, Work(), None).lower()


@pytest.mark.parametrize(
    ("alarm", "wanted"),
    [
        ({"key": "box/off", "value": 24.1, "limit": 30.2}, "Box air 24.1 °C, usually 30.2. Is the heat on? Check plug"),
        ({"key": "box/hot", "value": 41.0, "limit": 30.0}, "Box air 41 °C (limit 30). Switch it off or unplug it"),
        ({"key": "box/hot", "value": 163.0, "limit": 60.0},
         "Box air 163 °C (limit 60). Heater or oven on: switch it off"),
        ({"key": "limit/air/temperature/high", "value": 61.0, "limit": 38.0},
         "Box air 61 °C (limit 38). Heater or oven on: switch it off"),
        ({"key": "limit/bed/temperature/high", "value": 46.0, "limit": 43.0, "air_c": 90.0},
         "The koji 46 °C (limit 43). Heater or oven on: switch it off"),
        ({"key": "time-to-limit/bed/temperature", "value": 41.2, "limit": 43.0, "left_s": 1500.0, "tray": "top"},
         "Top tray 41.2 °C, 43 in 25 min. Break up, spread"),
        ({"key": "time-to-limit/bed/temperature", "value": 43.0, "limit": 43.0, "left_s": 0.0},
         "The koji 43 °C, at its limit. Break up, spread"),
        ({"key": "deviation/air/temperature", "value": 34.0, "limit": 30.0, "side": "high"},
         "Box air 34 °C (target 30). Less heat, or open it"),
        ({"key": "exposure/bed/temperature", "value": 41.0, "limit": 40.0, "total_ms": 10_800_000},
         "The koji over 40 °C for 3 h. Break up, spread"),
        ({"key": "health/broker:house", "text": "Another client uses the name k at h:1: the connection is lost again"},
         "Another MQTT client uses our name (house). Change client_id"),
        ({"key": "health/site:cellar"}, "No heartbeat (cellar). Look at its computer, network"),
    ],
)  # fmt: skip
def test_first_lines_of_alarms_that_are_no_plain_limit(alarm: dict[str, Any], wanted: str) -> None:
    line = headline(Alarm(state="UNACK", **alarm), CELSIUS, MIXING, None)
    assert line == wanted
    assert len(line) <= 60


@pytest.mark.parametrize(
    ("quality", "about", "why"),
    [
        (0, "No reading from probe koji-1", ""),
        (8, "Probe koji-1 is stuck", "Doubtful reading, not counted: stuck."),
        (14, "Probe koji-1 dropped off the network", "It dropped off the network."),
        (15, "Probe koji-1 is switched off", "It was switched off."),
    ],
)
def test_a_probe_that_is_not_used_says_why_and_the_way_out(quality: int, about: str, why: str) -> None:
    alarm = Alarm("silent/koji-1", "UNACK", quality=quality)
    assert subject(alarm, CELSIUS) == about
    assert why_silent(alarm) == why
    assert len(headline(alarm, CELSIUS, Work(), None)) <= 60
    assert why_silent(replace(alarm, key="limit/bed/temperature/high")) == ""


def test_every_verdict_that_is_a_fault_has_its_way_out() -> None:
    faults = {int(one) for one in Quality} - {int(Quality.GOOD), int(Quality.RETAINED), int(Quality.UNCALIBRATED)}
    faults -= {int(Quality.BY_HAND)}
    assert set(SILENT_WORDS) == faults


def test_a_question_has_no_full_stop_behind_it() -> None:
    out = headline(Alarm("silent/bed", state="UNACK", quality=12), CELSIUS, Work(), None)
    assert out == "Probe bed out of the koji? Put its tip back in"
    data = {"from": "NORM", "to": "UNACK", "event": "on", "priority": "tell", "value": 35.0, "limit": 40.0}
    event = event_row(1, 0, "alarm", "box", "b", "limit/air/humidity/low", data)
    said = line(event, CELSIUS)
    assert said is not None
    assert said.text == "Box air 35 % (under 40). Look: does the rice dry?"


@pytest.mark.parametrize(
    ("kind", "cool", "critical", "off"),
    [
        ("still", "Turn box down, open it", "Box off, open it", "Is the box on? Check plug"),
        ("fan", "Turn the box down", "Heat off, fan on", "Is the box on? Check plug"),
        ("heat-mat", "Mat off, or lift tray off it", "Mat off, lift tray off it", "Is the mat on? Check plug"),
        ("oven-light", "Lamp off, or open the door", "Lamp off, open the door", "Lamp off, or room colder? Look"),
        ("unknown", "Less heat, or open it", "Heat off, open it", "Is the heat on? Check plug"),
    ],
)
def test_what_to_do_goes_by_the_kind_of_box(kind: str, cool: str, critical: str, off: str) -> None:
    work = Work(hour=10.0, kind=kind)
    worst = limit_alarm(level="high_high", value=45.2, limit=45.0)
    assert (action(limit_alarm(), work), action(worst, work), action(Alarm("box/off"), work)) == (cool, critical, off)
    assert ladder(worst, work)[0] == critical and ladder(limit_alarm(), work)[0] == COOL_IN_FULL[BoxKind(kind)]
    assert action(limit_alarm(air_c=44.0), work) == cool, "hotter air is not spread against"
    hot = {"from": "NORM", "to": "UNACK", "event": "on", "level": "high", "priority": "wake", "value": 43.2,
           "limit": 43.0}  # fmt: skip
    event = event_row(1, 0, "alarm", "hut", "b", "limit/bed/temperature/high", hot)
    said = line(event, Speech(kinds={"hut": kind}), Work(hour=10.0))
    assert said is not None and said.text.endswith(f"{cool}.")


def test_a_likely_cause_is_asked_and_not_stated() -> None:
    cold = limit_alarm(key="limit/bed/temperature/low", level="low", side="low", value=20.0, limit=22.0, air_c=30.0)
    assert action(cold, Work()) == "Cold rice? Probe in it? Look"
    assert action(replace(cold, dries=True), Work(kind="fan")) == "Does the rice dry? Look"


@pytest.mark.parametrize("kind", [BoxKind.STILL, BoxKind.FAN, BoxKind.OVEN_LIGHT, BoxKind.UNKNOWN])
@pytest.mark.parametrize(("level", "limit", "value"), [("high", 43.0, 43.3), ("high_high", 45.0, 45.2)])
def test_koji_that_heats_itself_is_broken_up_first_however_hot_it_is(
    kind: BoxKind, level: str, limit: float, value: float
) -> None:
    """In air of 29 °C that stands still an open box takes little from koji that lies thick."""
    work = Work(hour=29.0, mix_open=True, kind=kind)
    alarm = limit_alarm(level=level, limit=limit, value=value, own_heat=True)
    steps = ladder(alarm, work)
    assert "Break up, spread" in headline(alarm, FAHRENHEIT, work, 1.2)
    assert action(alarm, work).startswith("Break up, spread")
    assert steps[0].startswith("Break the koji up and spread it")
    if level == "high_high":
        off = OFF[kind].split(", ")[0]
        assert off in action(alarm, work) and off in steps[0]
        assert action(replace(alarm, own_heat=False), work) == OFF[kind]


@pytest.mark.parametrize(("work", "wanted", "step"), [
    (Work(hour=12.0, kind="still"), "Break up, spread", "Break the koji up"),
    (Work(hour=24.0, kind="still", mixes=1, mixed_ago_s=900), "Furrow, spread thin", "Furrow it, spread it"),
    (Work(hour=24.0, kind="heat-mat", mix_open=True), "Mat off, or lift tray off it", "Switch the mat off"),
])  # fmt: skip
def test_the_box_is_not_turned_down_first_for_heat_that_is_not_its_own(work: Work, wanted: str, step: str) -> None:
    assert action(limit_alarm(own_heat=True), work) == wanted
    assert ladder(limit_alarm(own_heat=True), work)[0].startswith(step)


@pytest.mark.parametrize("heat_off", [False, True])
def test_hot_koji_within_its_limits_again_asks_for_nothing_more(heat_off: bool) -> None:
    alarm = limit_alarm(value=37.8, rate_per_h=-4.0)
    work = Work(hour=18.5, mix_open=True, kind="still", heat_off=heat_off)
    line = headline(alarm, FAHRENHEIT, work, -4.0)
    assert line.startswith("Top tray 100 °F (was over 109)") and line.endswith(BACK[heat_off])
    assert ladder(alarm, work)[0].startswith("Nothing more now. Is the box off or open?")
    assert action(replace(alarm, ended="doubt"), work) == "Is the probe in the koji? Look"
    assert action(replace(alarm, air_c=50.0), work) == work.cool


@pytest.mark.parametrize(("old_s", "value", "wanted"), [
    (None, 22.15, "Top tray 71.9 °F. Cold rice? Probe in it? Look"),
    (240.0, 7.2, "Top tray 45 °F (under 72). Cold rice? Probe in it? Look"),
])  # fmt: skip
def test_a_first_line_is_cut_between_phrases(old_s: float | None, value: float, wanted: str) -> None:
    cold = limit_alarm(key="limit/bed/temperature/low", side="low", level="low_low", limit=22.0, value=value)
    assert headline(replace(cold, air_c=29.0), FAHRENHEIT, Work(), None, Ahead(age_s=old_s)) == wanted
