"""What the engine says of its alarms, in words: documents and events as the engine makes them, none by hand."""

from __future__ import annotations

import re
from pathlib import Path

import msgspec
from msgspec.structs import replace

import kojimon.engine
from kojimon.contract.alarms import AlarmFacts
from kojimon.contract.state import Alarm, Document
from kojimon.engine import decode, encode, view
from kojimon.journal.reading.curve_file import parse_curve
from kojimon.model import Event
from kojimon.rehearsal import recording_of, rehearse_curve
from kojimon.schedule.spec import After, Deviation, Expectation, Exposure, Watch
from kojimon.words import alarms, status
from kojimon.words.events import _KINDS, Teller, line
from kojimon.words.speech import Speech
from tests.alarms.build import HIGH, MIN, Case, H, high, schedule
from tests.engine.build import home_schedule
from tests.parts.inputs import event_row, says

CELSIUS = Speech()
FAR = Deviation("air", 30.0, above=3.0, below=3.0, for_s=1800.0)


def lines(case: Case) -> list[str]:
    """The first line of each listed alarm, from the state document."""
    box = document(case).incubators[0]
    return [status.first_line(alarm, box, CELSIUS, case.rows.t_ms) for alarm in box.alarms]


def document(case: Case) -> Document:
    # As a restart finds it: what the words hang on has gone through a snapshot.
    return view(decode(encode(case.state)), case.rows.t_ms)


def said(events: list[Event]) -> list[str]:
    teller = Teller(CELSIUS)
    told = [teller.tell(event) for event in events]
    return [one.text for one in told if one is not None]


def watching(*watches: Watch) -> Case:
    return Case(schedule(watches=watches))


def test_air_that_is_too_cold_is_not_called_too_warm() -> None:
    case = watching(FAR).hold(2 * H, air=26.0)
    assert lines(case) == ["Box air 26 °C (target 30). Is the heat on? Check plug"]
    case.hold(5 * H)
    assert [text for text in said(case.events) if text.startswith("Again")] == [
        "Again: Box air 26 °C (target 30). Is the heat on? Check plug."
    ]
    case.do("alarm.acknowledge", key="deviation/air/temperature")
    assert said(case.events)[-1].endswith(": box air far below its target.")


def test_air_that_is_too_warm_is_said_so_and_what_does_not_say_which_gets_no_side() -> None:
    assert lines(watching(FAR).hold(2 * H, air=34.0)) == ["Box air 34 °C (target 30). Less heat, or open it"]
    bare = Alarm("deviation/air/temperature", "UNACK")
    assert alarms.subject(bare, CELSIUS) == "Box air far from its target"
    assert alarms.headline(bare, CELSIUS, alarms.Work(), None).endswith("Look at the box")


def test_the_time_added_up_arrives_and_goes_on() -> None:
    case = watching(Exposure("bed", 40.0, 3 * H)).hold(3 * H + 2 * MIN, bed=41.0)
    assert lines(case)[0].startswith("Top tray over 40 °C for 3 h.")
    case.hold(1 * H)
    assert lines(case)[0].startswith("Top tray over 40 °C for 4 h.")


def test_the_time_left_arrives_and_is_that_of_now() -> None:
    case = Case(schedule(high(35.0)))
    for minute in range(80):
        case.hold(MIN, bed=30.0 + 0.05 * minute)
    first = lines(case)[0]
    assert re.match(r"Top tray 3[34](\.\d)? °C, 35 in (2\d|19) min\.", first), first
    for minute in range(80, 90):
        case.hold(MIN, bed=30.0 + 0.05 * minute)
    assert re.match(r"Top tray 34\.\d °C, 35 in (9|1\d) min\.", lines(case)[0]), lines(case)[0]


def test_what_a_part_of_the_daemon_says_of_its_trouble_stays_with_the_alarm() -> None:
    case = watching()
    case.rows.input("health", what="broker:house", ok=False, text="connection refused")
    case.rows.input("health", what="broker:house", ok=False, text="no route")
    case.run()
    (row,) = document(case).alarms
    assert row.text == "no route"
    case.hold(5 * H)
    assert said(case.events)[-1] == "Again: MQTT broker not reached (house). Check broker, network. (no route)"


def test_a_repeat_says_what_was_expected_not_its_name() -> None:
    by = After("inoculate", 6 * H)
    late = Expectation("self-warming", "It has not warmed itself", "warm", by, causes=("too dry",))
    plan = replace(schedule(), conditions=home_schedule().conditions, expectations=(late,))
    case = Case(plan)
    case.hold(11 * H)
    assert [text for text in said(case.events) if "warm" in text][-2:] == [
        "It has not warmed itself. Look and feel. Check: too dry.",
        "Again: It has not warmed itself. Look and feel. Check: too dry.",
    ]


def test_a_batch_thrown_away_while_a_hot_alarm_is_held_back_calls_nobody() -> None:
    case = Case(schedule(high(35.0))).hold(5 * MIN, bed=36.0)
    case.do("work.begin")
    assert case.state_of() == "DSUPR"
    before = len(case.urgent())
    case.do("batch.discard", reason="slimy")
    case.hold(10 * MIN)
    assert case.state_of() == "NORM"
    assert len(case.urgent()) == before
    assert said(case.events)[-2:] == ["Thrown away: slimy.", "Not watched any more: top tray too warm."]


CURVE = "hour,bed.temperature_c,air.temperature_c,air.humidity_pct\n" + "".join(
    f"{minute / 60:.4f},30,{24 if minute > 60 else 30},44\n" for minute in range(720)
)


def test_a_column_of_the_same_place_is_not_mistaken_for_the_alarms_own() -> None:
    plan = schedule(high(), watches=(FAR,))
    result = rehearse_curve(recording_of(parse_curve(CURVE.encode(), "curve", {})), plan)
    values = {says(event)["value"] for event in result.events if event.key == "deviation/air/temperature"}
    assert values == {24.0}, "44 % is the humidity"
    assert len({track.name for track in result.tracks}) == 3


def test_every_event_of_the_engine_has_its_words_or_none_on_purpose() -> None:
    folder = Path(kojimon.engine.__file__).parent
    kinds = {kind for path in folder.glob("*.py") for kind in re.findall(r'emit\("([a-z-]+)"', path.read_text())}
    assert kinds - set(_KINDS) == set()


def test_a_sudden_fall_is_asked_about_in_words() -> None:
    event = event_row(1, 480_000, "mix-guess", "box", "box-7", "box-7", {"at_ms": 0})
    told = line(event, CELSIUS)
    assert told is not None
    assert told.text == "Mixed? The koji cooled suddenly."


def test_an_alarm_of_an_older_snapshot_is_read_and_still_has_words() -> None:
    case = Case(schedule(high(35.0))).hold(5 * MIN, bed=36.0)
    plain = msgspec.msgpack.decode(encode(case.state), strict=False)
    del plain["airs"]
    for alarm in plain["alarms"].values():
        del alarm["facts"]
    old = decode(msgspec.msgpack.encode(plain))
    assert old.alarms[f"box/{HIGH}"].facts == AlarmFacts() and old.airs == {}
    box = view(old, case.rows.t_ms).incubators[0]
    assert status.first_line(box.alarms[0], box, CELSIUS, case.rows.t_ms).startswith("Top tray 36 °C (limit 35)")
