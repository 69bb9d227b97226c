"""The state document as records: what the engine makes is what a command reads, whatever version wrote it."""

from __future__ import annotations

import msgspec
import pytest
from msgspec.structs import replace

from kojimon.contract.events import AlarmChange
from kojimon.contract.state import Alarm, Document, alarm_of
from kojimon.engine import view
from kojimon.publish import retained_topics
from kojimon.schedule.spec import Deviation
from kojimon.web.api.stamps import stamped
from kojimon.words.card import BoxTopic
from tests.alarms.build import HIGH, Case, H, high, schedule
from tests.parts.statedoc import box, document, foreseen, hot_alarm, hot_pending, utc_of


def whole() -> Document:
    """Everything that may stand in a document at once."""
    return document(box(alarms=(hot_alarm(),), pending=(hot_pending(),), forecast=foreseen()), alarms=(Alarm("test"),))


def test_what_the_engine_makes_is_read_again_as_the_same() -> None:
    case = Case(schedule(high(35.0), watches=(Deviation("air", 30.0, above=3.0, below=3.0, for_s=1800.0),)))
    case.hold(2 * H, bed=36.0, air=34.0)
    made = view(case.state, case.rows.t_ms)
    assert {alarm.key for alarm in made.incubators[0].alarms} >= {HIGH, "deviation/air/temperature"}
    assert msgspec.json.decode(msgspec.json.encode(made), type=Document) == made


def test_every_field_of_every_record_survives_the_door() -> None:
    assert msgspec.json.decode(msgspec.json.encode(whole()), type=Document) == whole()
    topic = msgspec.json.decode(retained_topics(whole(), "k")["k/box/state"], type=BoxTopic)
    assert topic.incubator == replace(whole().incubators[0], forecast=None)
    assert [alarm.key for alarm in topic.alarms] == ["test"]


def test_a_field_of_a_later_version_is_passed_over() -> None:
    plain = msgspec.to_builtins(whole())
    plain["moon"] = "full"
    plain["incubators"][0]["alarms"][0]["mood"] = 3
    assert msgspec.json.decode(msgspec.json.encode(plain), type=Document) == whole()


@pytest.mark.parametrize("value", ["27.4", None, []])
def test_a_value_of_another_kind_is_refused_with_its_place(value: object) -> None:
    plain = msgspec.to_builtins(whole())
    plain["incubators"][0]["probes"][0]["no"] = value
    with pytest.raises(msgspec.ValidationError, match=r"incubators\[0\]|incubators\[\.\.\.\]"):
        msgspec.json.decode(msgspec.json.encode(plain), type=Document)


def test_each_time_has_its_utc_beside_it_and_no_time_has_none() -> None:
    bare = msgspec.json.decode(msgspec.json.encode(whole()), type=Document)
    dressed = stamped(replace(bare, utc=None), utc_of)
    alarm, step = dressed.incubators[0].alarms[0], dressed.incubators[0].steps[1]
    assert (dressed.utc, alarm.since_utc, alarm.until_utc) == (
        "2026-01-31T20:00:00.000Z", "2026-01-31T19:50:00.000Z", None,
    )  # fmt: skip
    assert step.due_utc == "2026-01-31T21:30:00.000Z"


def test_an_event_s_alarm_leaves_unsaid_what_it_does_not_know() -> None:
    found = alarm_of(HIGH, AlarmChange(to="UNACK", event="on", since_ms=5, side="low", causes=("cold",), first="x"))
    assert found == Alarm(HIGH, "UNACK", since_t_ms=5, side="low", causes=("cold",))
