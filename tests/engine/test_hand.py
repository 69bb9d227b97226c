"""Readings by hand: judged as a probe's, for half an hour; dated back they are kept and nothing else."""

from __future__ import annotations

from typing import Any

from msgspec.structs import replace

from kojimon.contract.state import Box, ByHand, EndedBatch, Mark, Weighing
from kojimon.engine import advance, decode, encode, initial_state, view
from kojimon.engine.reads import READS_KEPT, reads
from kojimon.engine.setup import EngineSetup
from kojimon.engine.state import State
from kojimon.model import Outcome, Quality
from kojimon.schedule.spec import Step
from kojimon.words.alarms import alarm_state
from kojimon.words.card import card_of
from kojimon.words.events import Teller
from kojimon.words.standing import after
from kojimon.words.status import sentence, speech_of
from tests.engine.build import AIR, BED, MIDDLE, H, Rows, home_schedule, kinds, moves, site
from tests.parts.inputs import says
from tests.parts.statedoc import document

MIN = 60.0


def bare() -> EngineSetup:
    """The site without any probe."""
    return replace(site(), probes=())


def begun(setup: EngineSetup | None = None) -> Rows:
    rows = Rows(bare() if setup is None else setup)
    rows.act("batch.start")
    rows.act("step.done", step="inoculate", value_c=31.0)
    return rows


def run(rows: Rows) -> tuple[State, Outcome]:
    return advance(initial_state(), rows.take(), rows.t_ms)


def box(state: State, t_ms: int) -> Box:
    return view(state, t_ms).incubators[0]


def test_a_batch_by_hand_alone_runs_on_its_hours_and_is_never_called_unseen() -> None:
    rows = begun()
    rows.at(50 * H)
    state, outcome = run(rows)
    assert not [event for event in outcome.events if event.kind == "alarm"], "nothing is silent where nothing speaks"
    assert kinds(outcome, "stage") == [("stage", "settling")]
    assert ("step-due", "check") in kinds(outcome) and ("step-due", "harvest") in kinds(outcome)
    assert box(state, rows.t_ms).places == () and box(state, rows.t_ms).probes == ()


def test_advice_speaks_of_the_thermometer_where_there_is_no_probe() -> None:
    schedule = home_schedule()
    steps = [replace(step, advice=("Put the probe back.",)) for step in schedule.steps]
    told = replace(schedule, steps=type(schedule.steps)(steps))
    bare_site = replace(site(told), probes=())
    for setup, said in ((site(told), "Put the probe back."), (bare_site, "Put the thermometer back.")):
        rows = Rows(setup)
        rows.act("batch.start")
        state, _ = run(rows)
        assert {line for step in box(state, rows.t_ms).steps for line in step.advice} == {said}


def test_it_opens_a_window_at_once_and_stands_as_what_it_is() -> None:
    rows = begun()
    rows.at(20 * H).act("reading", value_c=39.0, tray="top")
    state, outcome = run(rows)
    assert kinds(outcome, "stage")[-1] == ("stage", "warming"), "38 °C is over 34: nobody waits ten minutes by the bed"
    assert ("step-open", "mix") in kinds(outcome)
    read = next(event for event in outcome.events if event.kind == "reading")
    assert (says(read)["value"], says(read)["tray"], says(read)["quality"]) == (39.0, "top", Quality.BY_HAND)
    place = box(state, rows.t_ms).place("bed")
    assert place is not None and place.probes == 0
    assert place.hottest is not None and place.hottest.by_hand and place.hottest.value == 39.0
    rows.at(20 * H + 31 * MIN)
    later, outcome = advance(state, rows.take(), rows.t_ms)
    assert box(later, rows.t_ms).place("bed") is None, "it says no more how it is"
    assert [(one.value, one.fresh) for one in box(later, rows.t_ms).by_hand] == [(31.0, False), (39.0, False)]
    assert box(later, rows.t_ms).stage == box(state, rows.t_ms).stage, "what was seen stays seen"
    mix = box(later, rows.t_ms).step("mix")
    assert mix is not None and mix.status == "open"


def test_koji_too_hot_calls_at_once_and_ends_with_the_next_reading() -> None:
    rows = begun()
    rows.at(20 * H).act("reading", value_c=36.0)
    rows.at(25 * H).act("reading", value_c=43.5)
    rows.at(25 * H + 5 * MIN).act("reading", value_c=38.0)
    _, outcome = run(rows)
    found = moves(outcome, "limit/bed/temperature/high")
    assert [(says(e)["to"], says(e)["priority"], says(e)["value"]) for e in found] == [
        ("UNACK", "wake", 43.5), ("RTNUN", "wake", 38.0)
    ]  # fmt: skip


def test_koji_too_hot_that_nobody_read_again_is_not_said_to_be_normal() -> None:
    rows = begun()
    rows.at(20 * H).act("reading", value_c=36.0)
    rows.at(25 * H).act("reading", value_c=43.5)
    rows.at(26 * H)
    _, outcome = run(rows)
    end = moves(outcome, "limit/bed/temperature/high")[-1]
    assert (says(end)["event"], says(end)["ended"]) == ("off", "old")
    assert end.t_ms == rows.t0_ms + 25 * 3_600_000 + 1_800_000, "at its own time, not when somebody looks"


def test_work_on_the_koji_makes_what_was_read_before_unknown() -> None:
    rows = begun()
    rows.at(20 * H).act("reading", value_c=36.0)
    rows.at(25 * H).act("reading", value_c=43.5)
    rows.at(25 * H + 10 * MIN).act("step.done", step="mix")
    state, outcome = run(rows)
    assert says(moves(outcome, "limit/bed/temperature/high")[-1])["ended"] == "work"
    assert not box(state, rows.t_ms).by_hand[-1].fresh


def test_work_taken_back_lets_what_was_read_before_it_call_again() -> None:
    rows = begun()
    rows.at(20 * H).act("reading", value_c=36.0)
    rows.at(25 * H).act("reading", value_c=43.5)
    rows.at(25 * H + 10 * MIN).act("step.done", step="mix")
    worked, outcome = run(rows)
    alarm = next(one for one in box(worked, rows.t_ms).alarms if one.key == "limit/bed/temperature/high")
    words = alarm_state(alarm, speech_of(document()), rows.t_ms)
    assert words == "not known any more, read it again, not acknowledged"
    mark = [says(event)["mark"] for event in outcome.events if event.kind == "step-done"][-1]
    rows.at(25 * H + 11 * MIN).act("step.undo", mark=mark)
    undone, outcome = advance(worked, rows.take(), rows.t_ms)
    again = moves(outcome, "limit/bed/temperature/high")[-1]
    assert (says(again)["to"], says(again)["priority"], says(again)["value"]) == ("UNACK", "wake", 43.5)
    assert box(undone, rows.t_ms).by_hand[-1].fresh
    rows.at(26 * H)
    later, outcome = advance(undone, rows.take(), rows.t_ms)
    assert says(moves(outcome, "limit/bed/temperature/high")[-1])["ended"] == "old", "its half hour is its own"
    rows.act("step.undo", mark=mark)
    assert not moves(advance(later, rows.take(), rows.t_ms)[1], "limit/bed/temperature/high")


def test_one_dated_back_is_kept_and_raises_nothing() -> None:
    rows = begun()
    rows.at(25 * H).act("reading", value_c=46.0, at_t_ms=rows.t_ms - 300_000)
    state, outcome = run(rows)
    read = next(event for event in outcome.events if event.kind == "reading")
    assert says(read)["back"] and says(read)["at_ms"] == rows.t_ms - 300_000
    assert not [event for event in outcome.events if event.kind == "alarm"]
    assert kinds(outcome, "stage") == [("stage", "settling")]
    row = box(state, rows.t_ms).by_hand[-1]
    assert (row.value, row.age_s, row.fresh) == (46.0, 300.0, False)


def test_the_sentence_names_the_hottest_that_was_read_though_it_was_dated_back() -> None:
    rows = begun()
    rows.at(25 * H).act("reading", value_c=37.8, tray="middle")
    rows.at(25 * H + MIN).act("reading", value_c=45.6, tray="top", at_t_ms=rows.t_ms - 120_000)
    state, outcome = run(rows)
    shown = box(state, rows.t_ms)
    place = shown.place("bed")
    assert place is not None and place.hottest is not None and place.hottest.value == 45.6
    assert [(one.tray, one.fresh, one.unjudged) for one in shown.by_hand][-2:] == [
        ("top", False, True), ("middle", True, False)
    ]  # fmt: skip
    told = sentence(shown, speech_of(document()), rows.t_ms)
    assert told.text == (
        "Top tray 114.1 °F 2 min ago, read by hand, over 113. "
        "It was entered for an earlier time and raises no alarm: read it again."
    )
    assert told.tone == "wrong"
    assert not [event for event in outcome.events if event.kind == "alarm"]
    rows.act("step.done", step="mix")
    worked, _ = advance(state, rows.take(), rows.t_ms)
    assert "114" not in sentence(box(worked, rows.t_ms), speech_of(document()), rows.t_ms).text, "it was worked on"
    cold = begun()
    for tray, value_c in (("top", 45.6), ("middle", 15.0)):
        cold.at(25 * H).act("reading", value_c=value_c, tray=tray, at_t_ms=cold.t_ms - 120_000)
    state, _ = run(cold)
    assert sentence(box(state, cold.t_ms), speech_of(document()), cold.t_ms).text.startswith("Top tray 114.1 °F")


def test_one_dated_back_within_limits_is_part_of_what_is_said() -> None:
    rows = begun()
    rows.at(25 * H).act("reading", value_c=36.0, tray="middle")
    rows.act("reading", value_c=38.0, tray="top", at_t_ms=rows.t_ms - 120_000)
    state, _ = run(rows)
    told = sentence(box(state, rows.t_ms), speech_of(document()), rows.t_ms).text
    assert told == "The koji is at 96.8 to 100.4 °F, read by hand 2 min ago, within limits."
    rows.at(25 * H + 29 * MIN)
    later, _ = advance(state, rows.take(), rows.t_ms)
    assert "100.4" not in sentence(box(later, rows.t_ms), speech_of(document()), rows.t_ms).text


def test_one_dated_back_beyond_a_limit_says_so_and_one_from_before_the_batch_is_refused() -> None:
    rows = begun()
    rows.at(25 * H)
    rows.act("reading", value_c=46.0, tray="top", at_t_ms=rows.t_ms - 61_000)
    rows.act("reading", value_c=36.0, tray="middle", at_t_ms=rows.t_ms - 61_000)
    rows.act("reading", value_c=46.0, tray="middle", at_t_ms=rows.t_ms - 300_000)
    rows.act("reading", value_c=21.0, at_t_ms=rows.t0_ms - 3 * 86_400_000)
    _, outcome = run(rows)
    told = [event for event in outcome.events if event.kind == "reading"]
    assert [says(event).get("beyond") is not None for event in told] == [True, False, False], "a later one is within"
    words = Teller(speech_of(document())).tell(told[0])
    assert words is not None and words.tone == "wrong"
    assert "115 °F is over the limit (" in words.text and "enter it again for now, without --ago." in words.text
    refused = [says(event) for event in outcome.events if event.kind == "refused"]
    assert [one["code"] for one in refused] == ["before-batch"]


def test_what_is_read_means_something_now_though_its_alarm_is_no_news() -> None:
    """Acknowledged, shelved, held while work goes on: the reply says so, and where the alarm stands."""
    rows = begun()
    rows.at(20 * H).act("reading", value_c=36.0)
    rows.at(25 * H).act("reading", value_c=43.5, tray="top")
    state, outcome = run(rows)
    speech = speech_of(document())

    def told(kind: str, wait_s: float = MIN, **data: Any) -> list[str]:
        nonlocal state
        rows.at((rows.t_ms - rows.t0_ms) / 1000 + wait_s).act(kind, **data)
        state, outcome = advance(state, rows.take(), rows.t_ms)
        return [*after(outcome.events, document(box(state, rows.t_ms)), speech)]

    assert [*after(outcome.events, document(box(state, rows.t_ms)), speech)] == [], "its alarm says it"
    (said,) = told("reading", value_c=44.0, tray="middle")
    assert said == "111 °F is over the limit (109 °F). Alarm not acknowledged yet."
    now = sentence(box(state, rows.t_ms), speech, rows.t_ms).text
    assert now.startswith("Middle tray 111 °F (limit 109)"), "the hottest takes the headline"
    told("alarm.acknowledge", key="limit/bed/temperature/high")
    assert told("reading", value_c=44.0, tray="top") == ["111 °F is over the limit (109 °F). Alarm acknowledged."]
    (said,) = told("reading", value_c=36.0, tray="top")
    by = "The alarm goes by 111 °F (middle tray), read 3 min ago: that counts for another 27 min, or until read again."
    assert said == f"This one is within limits. {by}"
    now = sentence(box(state, rows.t_ms), speech, rows.t_ms).text
    assert now.startswith("Middle tray 111 °F (limit 109), 3 min ago")
    told("alarm.shelve", key="limit/bed/temperature/high", for_s=1800.0)
    (said,) = told("reading", value_c=44.0, tray="top")
    assert said.startswith("111 °F is over the limit (109 °F). Alarm shelved") and said.endswith("No message is sent.")
    told("step.done", step="mix")
    told("alarm.unshelve", key="limit/bed/temperature/high")
    (said,) = told("reading", value_c=43.6, tray="top")
    assert "Alarm held while you work, until " in said and said.endswith("No message is sent.")


def test_a_reading_of_no_tray_that_holds_the_alarm_is_named_when_a_tray_is_read_within_limits() -> None:
    rows = begun()
    rows.at(25 * H).act("reading", value_c=45.0)
    state, _ = run(rows)
    rows.at(25 * H + 300).act("reading", value_c=37.2, tray="top")
    state, outcome = advance(state, rows.take(), rows.t_ms)
    (said,) = after(outcome.events, document(box(state, rows.t_ms)), speech_of(document()))
    assert "The alarm goes by 113 °F (no tray named), read 5 min ago: that counts for another 25 min" in said


def test_what_cannot_be_is_refused_in_words() -> None:
    rows = begun()
    rows.at(5 * H)
    rows.act("reading", value_c=95.0)
    rows.act("reading", value_pct=130.0)
    rows.act("reading", value_c=30.0, tray="attic")
    rows.act("reading", value_pct=80.0, place="bed")
    rows.act("reading")
    _, outcome = run(rows)
    reasons = [str(says(event)["reason"]) for event in outcome.events if event.kind == "refused"]
    assert [event for event in outcome.events if event.kind == "reading"] == []
    assert len(reasons) == 5
    assert "95.0 °C (203 °F)" in reasons[0] and "check the unit" in reasons[0]
    assert "0 to 100 %" in reasons[1] and "has no tray 'attic': it has " in reasons[2]
    assert "no humidity of the koji is read by hand; expected: temperature of the koji, " in reasons[3]
    assert "say what was read" in reasons[4]


def test_a_probe_that_shows_something_else_is_named_and_goes_on() -> None:
    rows = begun(site())
    rows.hold(19 * H, {BED: 31.0, MIDDLE: 31.0, AIR: 30.0}, every_s=60)
    rows.act("reading", value_c=36.0, tray="top")
    rows.hold(21 * H, {BED: 31.0, MIDDLE: 31.0, AIR: 30.0}, every_s=60)
    state, outcome = run(rows)
    read = next(event for event in outcome.events if event.kind == "reading")
    assert (says(read)["probe"], says(read)["probe_value"]) == ("koji-top", 31.0)
    place = box(state, rows.t_ms).place("bed")
    assert place is not None and place.hottest is not None and place.hottest.probe == "koji-top"
    assert not moves(outcome, "silent/koji-top") and not moves(outcome, "blind/bed")


def test_a_gate_goes_by_what_was_just_read_but_not_by_what_was_read_before() -> None:
    rows = Rows(bare())
    rows.act("batch.start")
    rows.act("reading", value_c=31.5)
    rows.at(6 * MIN).act("step.done", step="inoculate")
    rows.act("reading", value_c=30.5)
    rows.at(8 * MIN).act("step.done", step="inoculate")
    _, outcome = run(rows)
    assert [says(event)["code"] for event in outcome.events if event.kind == "refused"] == ["gate-unknown"]
    done = next(event for event in outcome.events if event.kind == "step-done")
    assert (says(done)["gate"]["value"], says(done)["gate"]["by"]) == (30.5, "thermometer")


def test_law_split_and_replay_hold_with_readings_by_hand() -> None:
    def rows_of() -> Rows:
        rows = begun(site())
        rows.hold(18 * H, {BED: 31.0, MIDDLE: 31.0, AIR: 30.0}, every_s=300)
        for hour, value in ((18.1, 35.0), (18.4, 36.5), (19.0, 43.2), (19.2, 40.0), (20.5, 38.5)):
            rows.at(hour * H).act("reading", value_c=value, tray="top")
            rows.hold(hour * H + 5 * MIN, {BED: 33.0, AIR: 30.0}, every_s=60)
        rows.at(22 * H)
        return rows

    rows = rows_of()
    whole, all_at_once = run(rows)
    state, events = initial_state(), []
    rows = rows_of()
    for row in rows.take():
        state, outcome = advance(decode(encode(state)), [row], row[1] if isinstance(row, tuple) else row.t_ms)
        events += outcome.events
    state, outcome = advance(state, [], rows.t_ms)
    assert [*events, *outcome.events] == list(all_at_once.events)
    assert state == whole


def test_where_no_probe_is_in_the_koji_the_clock_opens_each_mixing() -> None:
    schedule = home_schedule()
    hot = replace(schedule.conditions["hot"], unseen_s=6 * H)
    timed = replace(schedule, conditions={**schedule.conditions, "hot": hot})

    def opened(setup: EngineSetup) -> list[float]:
        rows = begun(setup)
        rows.at(10 * H).act("step.done", step="mix")
        rows.at(30 * H)
        _, outcome = run(rows)
        found = [one for one in outcome.events if (one.kind, one.key) == ("step-open", "mix")]
        return [(one.t_ms - rows.t0_ms) / 3_600_000 for one in found]

    assert opened(replace(site(timed), probes=())) == [6.0, 16.0]
    assert opened(site(timed)) == [], "a probe is there: it is opened by what the koji does"


def test_a_reading_mistyped_is_taken_back_and_the_one_before_stands_again() -> None:
    rows = begun()
    rows.at(20 * H).act("reading", value_c=35.0)
    rows.at(20 * H + 5 * MIN).act("reading", value_c=53.0)
    state, outcome = run(rows)
    key = "limit/bed/temperature/high"
    assert [says(one)["event"] for one in moves(outcome, key)] == ["on"]
    (wrong,) = [one for one in box(state, rows.t_ms).by_hand if one.reading]
    assert wrong.value == 53.0
    rows.at(20 * H + 6 * MIN).act("reading.undo", reading=wrong.reading)
    state, outcome = advance(state, rows.take(), rows.t_ms)
    ends = moves(outcome, key)
    assert [(says(one)["event"], says(one)["ended"]) for one in ends] == [("off", "undone")]
    (read,) = box(state, rows.t_ms).by_hand
    assert (read.value, read.fresh) == (35.0, True)
    assert "reading-undone" in [event.kind for event in outcome.events]
    rows.act("reading.undo", reading=wrong.reading)
    _, outcome = advance(state, rows.take(), rows.t_ms)
    assert [says(event)["code"] for event in outcome.events] == ["unknown-reading"]


def test_warmth_that_was_mistyped_shows_no_growth() -> None:
    """The stage it had begun is gone with it, also after its half hour."""
    for later_s in (1 * MIN, 50 * MIN):
        rows = begun()
        rows.at(20 * H).act("reading", value_c=36.0)
        state, outcome = run(rows)
        assert kinds(outcome, "stage")[-1] == ("stage", "warming")
        (read,) = box(state, rows.t_ms).by_hand
        rows.at(20 * H + later_s).act("reading.undo", reading=read.reading)
        state, outcome = advance(state, rows.take(), rows.t_ms)
        assert kinds(outcome, "stage") == [("stage", "settling")]
        assert [one.value for one in box(state, rows.t_ms).by_hand] == [31.0], "what was said at the gate"
        assert decode(encode(state)) == state


def test_work_told_late_leaves_what_was_read_after_it_and_its_call() -> None:
    rows = begun()
    rows.at(24 * H)
    rows.act("reading", value_c=45.6)
    rows.at(24 * H + MIN)
    rows.act("step.done", step="mix", at_t_ms=rows.t_ms - 3 * 3_600_000)
    state, outcome = run(rows)
    told = [says(one)["event"] for one in moves(outcome, "limit/bed/temperature/high")]
    assert "on" in told and not {"off", "suppress"} & set(told)
    assert sentence(box(state, rows.t_ms), speech_of(document()), rows.t_ms).tone == "wrong"
    rows.at(24 * H + 2 * MIN)
    rows.act("step.done", step="mix")
    _, outcome = advance(state, rows.take(), rows.t_ms)
    assert says(moves(outcome, "limit/bed/temperature/high")[-1])["ended"] == "work", "this is after it"


def test_undo_goes_back_through_every_entry_in_their_order() -> None:
    """Readings, a mark with its thermometer, weights with their tare, the harvest."""
    rows = Rows(bare())
    rows.act("batch.start", name="first")
    rows.act("step.done", step="inoculate", value_c=31.0)
    for value in (33.0, 33.5, 34.0):
        rows.at(20 * H).act("reading", value_c=value, tray="top")
    rows.act("batch.weigh", stage="work", kg=2.0, tare_kg=0.4)
    rows.act("reading", value_c=34.5, tray="top")
    rows.at(44 * H).act("batch.harvest")
    rows.act("batch.weigh", stage="harvest", kg=1.9, tare_kg=0.5)
    for value in (34.0, 33.0, 32.0):
        rows.act("reading", value_c=value, tray="top")
    state, _ = run(rows)
    undone = []
    while (entry := box(state, rows.t_ms).last_entry) is not None:
        match entry:
            case Weighing():
                rows.act("batch.unweigh", stage=entry.stage)
                undone.append(entry.stage)
            case ByHand():
                rows.act("reading.undo", reading=entry.reading)
                undone.append(entry.value)
            case EndedBatch():
                rows.act("batch.reopen", batch=entry.id)
                undone.append("end")
            case Mark():
                rows.act("step.undo", mark=entry.mark)
                undone.append("spores")
        state, outcome = advance(state, rows.take(), rows.t_ms)
        assert kinds(outcome, "refused") == [] and decode(encode(state)) == state
    assert undone == [32.0, 33.0, 34.0, "harvest", "end", 34.5, "work", 34.0, 33.5, 33.0, "spores"]
    assert box(state, rows.t_ms).by_hand == (), "what was said at the gate went with its mark"
    assert box(state, rows.t_ms).tares == {}, "a tare goes with the weight that brought it"


def test_what_can_be_taken_back_has_a_bound() -> None:
    rows = begun()
    for minute in range(60):
        rows.at(20 * H + minute * MIN).act("reading", value_c=36.0, tray="top")
    state, _ = run(rows)
    assert [len([*reads(one)]) for one in state.read.values()].count(READS_KEPT) == 1
    rows.at(46 * H).act("reading", value_c=36.0, tray="top")
    state, _ = advance(state, rows.take(), rows.t_ms)
    assert max(len([*reads(one)]) for one in state.read.values()) == 1


def test_the_hottest_of_now_stands_first_and_the_rice_of_two_days_ago_beside_it_no_more() -> None:
    rows = Rows(bare())
    rows.act("batch.start", name="first")
    rows.act("step.done", step="inoculate", value_c=31.1)
    rows.at(46 * H)
    for tray, value in (("middle", 40.0), ("top", 43.9)):
        rows.act("reading", value_c=value, tray=tray)
    state, _ = run(rows)
    document = view(state, rows.t_ms)
    values = card_of(document.incubators[0], document, speech_of(document)).values
    assert [(one.value, one.now) for one in values if one.by_hand] == [
        ("43.9 °C", True), ("40.0 °C", True), ("31.1 °C", False),
    ]  # fmt: skip


def test_a_temperature_refused_at_a_gate_is_no_reading() -> None:
    rows = Rows(bare())
    rows.act("batch.start", name="first")
    rows.act("step.done", step="inoculate", value_c=43.3)
    rows.at(60).act("step.done", step="inoculate", value_c=31.1, at_t_ms=rows.t_ms - 20 * 3_600_000)
    state, outcome = run(rows)
    assert kinds(outcome, "refused") != []
    assert [one.value for one in box(state, rows.t_ms).by_hand] == [31.1]


def test_the_cooling_of_harvested_koji_is_seen_before_it_is_over() -> None:
    rows = begun()
    rows.at(44 * H).act("batch.harvest")
    state, _ = run(rows)
    said = sentence(box(state, rows.t_ms), speech_of(document()), rows.t_ms).text
    assert "is cooling: read it by hand (cool at 77 °F)." in said
    rows.at(44 * H + 60).act("reading", value_c=30.0, tray="top")
    state, _ = advance(state, rows.take(), rows.t_ms)
    said = sentence(box(state, rows.t_ms), speech_of(document()), rows.t_ms).text
    assert "is cooling: 86.0 °F, read by hand" in said and said.endswith(" (cool at 77 °F).")
    rows.at(44 * H + 120).act("reading", value_c=24.0, tray="top")
    state, _ = advance(state, rows.take(), rows.t_ms)
    assert "cooling" not in sentence(box(state, rows.t_ms), speech_of(document()), rows.t_ms).text


def test_weights_are_added_and_taken_back_for_a_day_after_the_harvest() -> None:
    rows = begun()
    rows.at(44 * H).act("batch.harvest")
    rows.act("batch.weigh", stage="harvest", kg=2.8, tare_kg=0.5)
    state, outcome = run(rows)
    weighed = outcome.events[-1]
    assert (weighed.kind, weighed.batch) == ("weighed", state.ended["box"].batch.id)
    assert says(weighed)["kg"] == 2.3, "without its vessel"
    rows.at(70 * H).act("batch.weigh", stage="dry", kg=2.0)
    state, outcome = advance(state, rows.take(), rows.t_ms)
    assert [says(one)["code"] for one in outcome.events if one.kind == "refused"] == ["no-batch"]


def test_work_on_the_rice_told_the_wrong_way_round_is_questioned() -> None:
    plain = home_schedule()
    steps = (Step("soak", "Soak"), Step("drain", "Drain"), *plain.steps)
    rows = Rows(replace(site(replace(plain, steps=steps)), probes=()))
    rows.act("batch.start", name="first")
    rows.at(5 * H).act("step.done", step="soak", at_t_ms=rows.t_ms - 3_600_000)
    rows.act("step.done", step="drain", at_t_ms=rows.t_ms - 7_200_000)
    rows.act("step.done", step="drain", at_t_ms=rows.t_ms - 1_800_000)
    _, outcome = run(rows)
    assert [says(one)["code"] for one in outcome.events if one.kind == "refused"] == ["out-of-order"]
    assert len(kinds(outcome, "step-done")) == 2
