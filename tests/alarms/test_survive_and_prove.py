"""Acceptance 41-50: survive and prove. Each test quotes its requirement; kill -9 stands in test_kill.py."""

from __future__ import annotations

import threading
from pathlib import Path
from typing import Any

import pytest

from kojimon.engine import advance, encode, initial_state
from kojimon.engine.setup import to_json
from kojimon.errors import ConfigurationError
from kojimon.journal.records import Chunk
from kojimon.model import Message, Priority
from kojimon.notify.memory import Memory
from kojimon.notify.watch import Watch
from kojimon.review.measure.alarms import alarm_figures
from kojimon.schedule.load import load_schedule
from kojimon.supervise import Essential, Supervisor
from tests.alarms.build import HIGH, Case
from tests.engine.build import Rows, site
from tests.notify.board import PHONE, Room
from tests.parts.inputs import event_row, input_row, says


@pytest.mark.parametrize("cut_s", [5, 20, 35, 55])
def test_41_a_power_cut_in_the_middle_of_a_delay_is_early_not_late(cut_s: int) -> None:
    """Given a power cut at any moment of a 60 s on-delay, when back within 30 s, then time served is kept or, if
    unknown, the alarm fires early, not late."""
    case = Case()
    case.hold(100)
    case.hold(cut_s, every_s=5, bed=36.0)
    case.rows.at(case.at_s + 30)
    case.rows.input("start", clean=False, gap_ms=30_000, boot=2)
    case.run()
    case.hold(200, every_s=5)
    back_s = 100 + cut_s + 30
    assert back_s <= case.moves()[0][0] <= max(back_s + 10, 100 + 5 + 60 + 10)


def test_41_a_shelf_goes_on_over_a_power_cut_and_ends_on_time() -> None:
    """Given a power cut: shelving unknown -> unshelved; what is known is kept (OPC 10000-9, 5.8.17)."""
    case = Case()
    case.hold(200, bed=36.0)
    case.do("alarm.shelve", key=HIGH, for_s=600)
    shelved_s = case.at_s
    case.rows.at(shelved_s + 300)
    case.rows.input("start", clean=False, gap_ms=200_000, boot=2)
    case.run()
    case.hold(400)
    assert case.moves()[-1] == (shelved_s + 600, "unshelve", "UNACK")


@pytest.mark.parametrize("step_s", [3600, -3600])
def test_42_a_step_of_the_wall_clock_moves_no_delay_shelf_or_repeat(step_s: int) -> None:
    """Given an NTP step of +3 600 s or -3 600 s, then no delay, shelf or repeat timer fires early or late by more than
    1 s."""

    def story(step: bool) -> list[tuple[float, str, str]]:
        case = Case()
        case.hold(110)
        case.hold(10, bed=36.0)
        if step:
            case.utc0_ms += step_s * 1000
            case.rows.input("clock", boot=1, wall_ms=0, boot_ms=0, trusted=True, step_ms=step_s * 1000)
        case.hold(300)
        case.do("alarm.shelve", key=HIGH, for_s=600)
        case.hold(700)
        calls = [(one.at_s, one.send.channel, one.send.kind) for one in case.urgent()]
        return [*case.moves(repeats=True), *calls]

    assert story(True) == story(False)


def test_43_the_outside_dead_man_calls_within_three_minutes() -> None:
    """Given the daemon dead, hung or offline, then the outside dead-man alerts the phone in <= 180 s (ping 60 s). The
    watching machine is the same daemon; the other's silence is a health input of it.) The ping is sent only after a
    complete read-evaluate-store loop: tests/notify/test_heartbeat.py."""
    rows, told = Rows(), []
    watch = Watch({"cellar": 180.0}, lambda what, ok, text: told.append((what, ok, text)))
    watch._heard_s["cellar"] = 540.0
    due_s = watch.check(540.0)
    assert (told, due_s) == ([], 720.0)
    watch.check(due_s)
    rows.at(due_s)
    rows.input("health", **dict(zip(("what", "ok", "text"), told[0], strict=True)))
    room = Room(rows, PHONE)
    room.run(due_s + 10)
    call = next(one for one in room.sent if one.send.urgent)
    assert call.at_s - 540 <= 180
    assert call.send.key == "/health/site:cellar#1"


class Manager:
    def __init__(self) -> None:
        self.told: list[str] = []

    def notify(self, state: str) -> None:
        self.told.append(state)


def test_44_a_hung_loop_is_not_vouched_for() -> None:
    """Given a hung loop, then the service manager restarts it within WatchdogSec (30 s, pinged each 15 s)."""
    fresh, manager = [True], Manager()
    supervisor = Supervisor(
        [], [Essential("core", lambda: fresh[0])], lambda *_: None, notifier=manager, watchdog_s=30.0
    )
    for second in range(61):
        supervisor.check(float(second))
    assert manager.told.count("WATCHDOG=1") == 5
    fresh[0] = False
    for second in range(61, 120):
        supervisor.check(float(second))
    assert manager.told.count("WATCHDOG=1") == 5
    assert supervisor.stale == ("core",)


def test_45_tests_never_enter_the_counts() -> None:
    """Given arming for the night: test alarms never enter the counts. (Passed or not passed: tests/notify/
    test_arming.py, test_dispatch.py.)"""
    case = Case()
    case.hold(100)
    case.do("alarm.test", incubator="", wake=True)
    case.do("alarm.acknowledge", incubator="", key="test", occurrence=1)
    case.hold(200, bed=36.0)
    found = alarm_figures(case.events, 0, case.rows.t_ms)
    assert (found.count, found.wakings) == (1, 1)


def test_46_a_warmed_probe_reaches_the_phone_within_its_delay_and_a_minute() -> None:
    """Given a probe warmed past H, then the whole chain probe -> phone is done in on-delay + 60 s."""
    case = Case()
    case.hold(100)
    case.do("alarm.probe_test", incubator="", probe="koji-top")
    warmed_s = case.at_s + 10
    case.hold(120, bed=33.0)
    call = next(one for one in case.urgent() if one.send.key.startswith("/test"))
    assert call.at_s - warmed_s <= 20 + 60


def test_47_a_batch_ends_with_its_figures() -> None:
    """Given a batch end, then a report lists AlarmCount, peak and mean rate per 10 min, longest active, longest
    unacked, most re-alarms, RTNUN share, shelved time, chattering, wakings."""
    case = Case()
    case.hold(100)
    case.hold(300, bed=36.0).hold(300, bed=30.0)
    case.hold(100, bed=36.0)
    case.do("alarm.acknowledge", key=HIGH, occurrence=2)
    case.do("alarm.shelve", key=HIGH, for_s=600)
    case.hold(700)
    case.do("alarm.acknowledge", key=HIGH, occurrence=2)
    case.hold(1300)
    case.hold(100, bed=30.0)
    found = alarm_figures(case.events, case.rows.t0_ms, case.rows.t_ms)
    assert (found.count, found.peak_rate, found.wakings) == (2, 1, 4)
    assert found.unseen == 1, "the second was answered before it was over"
    assert found.shelved_ms == 600_000
    assert found.most_recalls is not None and found.most_recalls[0] == 2, "back from the shelf, and once more"
    first, second = ([e.t_ms for e in case.of() if says(e)["event"] == signal] for signal in ("on", "off"))
    lasted = [off - on for on, off in zip(first, second, strict=True)]
    assert found.longest_active is not None and found.longest_active[0] == max(lasted)
    assert found.chattering == ()
    assert found.mean_rate == pytest.approx(2 * 600_000 / (case.rows.t_ms - case.rows.t0_ms))


def test_48_every_act_leaves_who_when_and_what() -> None:
    """Given every human act and setting change, then an append-only record: who, when, old, new, occurrence;
    unauthorised changes 0."""
    case = Case()
    case.hold(200, bed=36.0)
    acts = ["alarm.silence", "alarm.acknowledge", "alarm.confirm", "alarm.shelve", "alarm.unshelve",
            "alarm.out_of_service", "alarm.in_service", "alarm.reset"]  # fmt: skip
    for kind in acts:
        (event, *_) = case.do(kind, key=HIGH, occurrence=1)
        assert says(event)["who"] == "anna", kind
        assert says(event)["channel"] == "cli", kind
        assert event.t_ms == case.rows.t_ms
        assert event.key == HIGH
    numbers = [event.no for event in case.events]
    assert numbers == list(range(1, len(numbers) + 1))
    before = len(case.events)
    case.do("alarm.acknowledge", key=HIGH, occurrence=1)
    assert says(case.events[before])["who"] == "anna"
    case.rows.input("settings", hash="new", setup=to_json(site()))
    case.run()
    assert [event.key for event in case.events if event.kind == "settings"] == ["h", "new"]


SCHEDULE = """\
label: Mine
purpose: a test
stages:
  first:
    label: First
    begins: 0 h
    bands:
      bed: {{temperature: {{{limits}}}}}
    watches: [{{{watch}}}]
steps:
  inoculate: {{label: Sprinkle, work: inoculate}}
"""
GOOD = "high: {at: 43 C, delay: 10 min, priority: wake}"


@pytest.mark.parametrize(
    ("limits", "watch", "named"),
    [
        ("high: {at: .nan, delay: 10 min, priority: wake}", "", "high.at"),
        ("high: {at: 43 C, delay: -10 min, priority: wake}", "", "high.delay"),
        ("low: {at: 44 C, delay: 10 min, priority: tell}, high: {at: 43 C, delay: 10 min, priority: wake}", "",
         "temperature"),
        ("low: {at: 22 C, delay: 10 min, priority: tell}, low_low: {at: 26 C, delay: 10 min, priority: wake}", "",
         "temperature"),
        ("high: {at: 43, delay: 10 min, priority: wake}", "", "high.at"),
        (GOOD, "exposure: {place: bed, at_least: 40, total: 2 h}", "at_least"),
    ],
)  # fmt: skip
def test_49_a_schedule_that_cannot_be_meant_is_refused_with_the_field_named(
    tmp_path: Path, limits: str, watch: str, named: str
) -> None:
    """Given invalid config (NaN, negative delay, L > H, LL > L, unit missing on a watch), then start is refused with
    the field named."""
    file = tmp_path / "mine.yaml"
    text = SCHEDULE.format(limits=limits, watch=watch)
    file.write_text(text if watch else text.replace("    watches: [{}]\n", ""))
    with pytest.raises(ConfigurationError) as refused:
        load_schedule(file)
    assert named in str(refused.value)


def test_50_a_month_of_a_flapping_alarm_fills_nothing_and_hides_nobody(monkeypatch: pytest.MonkeyPatch) -> None:
    """Given 30 days idle or 48 h run, then memory and log growth are bounded, and a flapping alarm cannot push other
    alarms out of history."""
    state, _ = advance(initial_state(), Rows().take(), 1_000_000)
    t_ms, sizes = 1_000_000, []
    for number in range(30 * 24):
        t_ms += 3_600_000
        row = input_row(100 + number, t_ms, "health", {"what": "broker:house", "ok": bool(number % 2), "text": "x"})
        state, _ = advance(state, [row], t_ms)
        sizes.append(len(encode(state)))
    assert max(sizes[-48:]) <= max(sizes[:48]) + 64
    memory = Memory(threading.Condition())
    monkeypatch.setattr("kojimon.notify.memory.MOST_ITEMS", 500)
    for number in range(1500):
        event = event_row(number, t_ms, "alarm", "", "", "health/broker:house", {"occurrence": number})
        message = Message(f"/health/broker:house#{number}.1", number, Priority.TELL)
        memory.committed(Chunk(events=[event], messages=[message], horizon_ms=t_ms))
        memory.settle([message.id], t_ms)
    assert len(memory.present(0.0)[0]) <= 500


def test_50_history_is_kept_for_each_alarm_by_itself() -> None:
    """A flapping alarm cannot push other alarms out of history."""
    case = Case()
    case.hold(200, bed=36.0).hold(200, bed=30.0)
    for _ in range(200):
        case.rows.at(case.at_s + 60)
        case.rows.input("health", what="broker:house", ok=False, text="x")
        case.rows.input("health", what="broker:house", ok=True, text="x")
    case.run()
    assert HIGH in [alarm.key for alarm in case.listed()]
    facts: Any = case.state.alarms[f"box/{HIGH}"]
    assert facts.occurrence == 1
