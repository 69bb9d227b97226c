"""The core thread with the real engine and the real journal: order, acts, durability, restart, gaps."""

import threading
from pathlib import Path
from typing import Any

import pytest

from kojimon import engine
from kojimon.contract.acts import Act, ProbeBack
from kojimon.contract.inputs import Gap, Health
from kojimon.core.acts import BusyError, PendingAct
from kojimon.core.advance import advance
from kojimon.core.boot import FIRST_T_MS, restore
from kojimon.core.intake import Intake
from kojimon.core.turn import TurnRows
from kojimon.errors import NotRunningError, RefusedError
from kojimon.model import Arrival, InputRow, Measured
from tests.core.rig import WALL_MS, Rig, rig
from tests.parts.inputs import says
from tests.parts.machine import MachineClock
from tests.parts.opened import reading


def test_readings_are_numbered_stored_and_seen_by_the_engine(tmp_path: Path) -> None:
    with rig(tmp_path / "j") as r:
        r.arrive(1, 30.5)
        r.arrive(3, 28.0)
        r.tick(10)
        assert r.writer.flush(60)
        readings = [row for row in r.reader().rows_after(0) if not isinstance(row, InputRow)]
        assert [(row[2], row[3]) for row in readings] == [(1, 30.5), (3, 28.0)]
        places = r.core.view().incubators[0].places
        assert places[0].hottest.value == 30.5


def test_rows_are_in_order_of_time_and_number(tmp_path: Path) -> None:
    with rig(tmp_path / "j") as r:
        for step in range(20):
            r.arrive(1, 30.0 + step / 10)
            if step == 7:
                r.act("batch.start", name="one")
            r.tick(10)
        assert r.writer.flush(60)
        rows = list(r.reader().rows_after(0))
    seqs = [row.seq if isinstance(row, InputRow) else row[0] for row in rows]
    times = [row.t_ms if isinstance(row, InputRow) else row[1] for row in rows]
    assert seqs == list(range(1, len(rows) + 1))
    assert times == sorted(times)
    assert times[0] == FIRST_T_MS


def test_an_act_is_answered_once_it_is_on_the_disk(tmp_path: Path) -> None:
    with rig(tmp_path / "j") as r:
        reply = r.act("batch.start", name="one", rice_kg=2.0)
        stored = r.reader().events(kinds=["batch-start"])
        assert [event.no for event in stored] == [event.no for event in reply.events if event.kind == "batch-start"]
        assert all(says(event)["act"] == reply.seq for event in reply.events)
        assert reply.recorded and not reply.repeated


def test_the_same_key_is_done_once_also_after_a_restart(tmp_path: Path) -> None:
    clock = MachineClock(WALL_MS)
    with rig(tmp_path / "j", clock) as r:
        first = r.act("batch.start", "key-1", name="one")
        again = r.act("batch.start", "key-1", name="one")
        assert not first.repeated and again.repeated
    with rig(tmp_path / "j", clock) as r:
        assert r.act("batch.start", "key-1", name="one").repeated
        assert r.kinds().count("batch-start") == 1


def test_a_refusal_carries_the_reason_and_is_recorded(tmp_path: Path) -> None:
    with rig(tmp_path / "j") as r:
        with pytest.raises(RefusedError, match="no batch is open"):
            r.act("step.done", step="mix")
        assert "refused" in r.kinds()


def test_too_many_acts_waiting_is_said_to_be_busy() -> None:
    intake: Intake[PendingAct] = Intake(max_acts=2)
    assert intake.submit(PendingAct(Act(ProbeBack(), "box")))
    assert intake.submit(PendingAct(Act(ProbeBack(), "box")))
    assert not intake.submit(PendingAct(Act(ProbeBack(), "box")))


def test_an_act_during_the_stop_is_told_so(tmp_path: Path) -> None:
    with rig(tmp_path / "j") as r:
        r.core.stop("test")
        with pytest.raises(NotRunningError, match="stopping"):
            r.act("alarm.test", text="hello")


def test_busy_is_its_own_error(tmp_path: Path) -> None:
    with rig(tmp_path / "j") as r:
        r.intake.submit = lambda request: False  # type: ignore[method-assign]
        with pytest.raises(BusyError, match="busy"):
            r.act("alarm.test", text="hello")
        del r.intake.submit


def test_a_poisonous_arrival_stops_nothing(tmp_path: Path) -> None:
    with rig(tmp_path / "j") as r:
        r.intake.put(Arrival("src", r.clock.boot_ms(), "poison", b"x"))
        r.arrive(1, 31.0)
        r.tick(1)
        assert r.core.view().incubators[0].places[0].hottest.value == 31.0
        assert r.core.facts().pipeline["broken"] == 1


def test_restart_goes_on_where_it_was(tmp_path: Path) -> None:
    clock = MachineClock(WALL_MS)
    with rig(tmp_path / "j", clock) as r:
        r.act("batch.start", name="one")
        r.act("step.done", step="inoculate")
        for _ in range(30):
            r.arrive(1, 31.0)
            r.tick(10)
        before = r.core.present()
    clock.advance(60_000)
    with rig(tmp_path / "j", clock) as r:
        assert r.booted.start.gap_source == "boot"
        assert r.booted.start.clean is True
        assert r.booted.start.boot == 1
        batch = r.core.view().incubators[0].batch
        assert batch.name == "one"
        assert batch.hour == pytest.approx((300 + 60) / 3600, abs=1e-3)
        assert r.core.present().t_ms == before.t_ms + 60_000
        assert r.kinds().count("batch-start") == 1


def test_live_equals_replay_twice_also_after_a_crash(tmp_path: Path) -> None:
    path, clock = tmp_path / "j", MachineClock(WALL_MS)
    _eventful(Rig(path, clock).start(), "one").crash()
    clock.reboot("second", gap_ms=120_000)
    r = Rig(path, clock).start()
    assert r.booted.start.clean is False
    assert r.booted.start.gap_source == "trusted"
    _eventful(r, "two").stop()
    stored = reading(path).events(limit=100_000)
    assert len(stored) > 20
    assert _replayed(path) == stored == _replayed(path)


def _eventful(r: Rig, name: str) -> Rig:
    if r.core.view().incubators[0].batch is None:
        r.act("batch.start", name=name)
        r.act("step.done", step="inoculate")
    for step in range(400):
        if step < 200 or step > 260:
            r.arrive(1, 31.0 + (step % 7))
        r.tick(10)
    r.core.health("broker:mqtt", False, "gone")
    r.tick(5)
    r.core.health("broker:mqtt", True, "back")
    r.tick(40_000)
    r.writer.flush(5)
    return r


def _replayed(path: Path) -> list[Any]:
    past = reading(path)
    events: list[Any] = []
    state = engine.initial_state()
    for page in past.pages_after(0, 37):
        last = page[-1]
        state, outcome = advance(state, page, last.t_ms if isinstance(last, InputRow) else last[1])
        events += outcome.events
    state, outcome = advance(state, [], past.horizon_ms())
    return events + list(outcome.events)


def test_restore_gives_the_state_the_core_had(tmp_path: Path) -> None:
    r = _eventful(Rig(tmp_path / "j", MachineClock(WALL_MS)).start(), "one")
    had = r.core.present().state
    r.crash()
    state = restore(reading(tmp_path / "j")).state
    assert state == had


def test_snapshots_come_every_ten_minutes_and_at_stop(tmp_path: Path) -> None:
    written: list[int] = []
    r = Rig(tmp_path / "j", MachineClock(WALL_MS))
    r.core.listen(lambda chunk, _: written.append(chunk.horizon_ms) if chunk.snapshot else None)
    r.start()
    for _ in range(130):
        r.arrive(1, 30.0)
        r.tick(10)
    assert r.writer.flush(60)
    assert written == [FIRST_T_MS, FIRST_T_MS + 600_000, FIRST_T_MS + 1_200_000]
    r.stop()
    snapshot = reading(tmp_path / "j").last_snapshot()
    assert snapshot is not None
    assert engine.decode(snapshot.state) == r.core.present().state


def test_a_full_intake_drops_the_oldest_of_that_source_and_says_so(tmp_path: Path) -> None:
    with rig(tmp_path / "j", max_items=10) as r:
        r.arrive(3, 20.0, source="quiet")
        for value in range(15):
            r.arrive(1, float(value), source="flood")
        r.tick(1)
        assert r.writer.flush(60)
        rows = list(r.reader().rows_after(0))
        kept = [row[3] for row in rows if not isinstance(row, InputRow)]
        gaps = [row.what for row in rows if isinstance(row, InputRow) and isinstance(row.what, Gap)]
        assert kept == [20.0, *map(float, range(6, 15))]
        assert [(gap.source, gap.dropped) for gap in gaps] == [("flood", 6)]
        assert "gap" in r.kinds()


def test_acknowledged_receipts_come_back_after_their_commit(tmp_path: Path) -> None:
    with rig(tmp_path / "j") as r:
        seen: list[tuple[str, int]] = []
        r.core.listen(lambda chunk, _: seen.extend(chunk.receipts))
        r.arrive(1, 30.0, source="mqtt", receipt=7)
        r.arrive(1, 30.1, source="mqtt", receipt=8)
        r.tick(1)
        assert r.writer.flush(60)
        assert seen == [("mqtt", 7), ("mqtt", 8)]
        assert [one.packet_id for one in r.reader().unacked("mqtt")] == [7, 8]


def test_the_durable_view_is_never_ahead_of_the_journal(tmp_path: Path) -> None:
    with rig(tmp_path / "j") as r:
        ahead: list[int] = []
        r.core.listen(lambda chunk, state: ahead.append(state.t_ms - chunk.horizon_ms))
        for step in range(50):
            r.arrive(1, 30.0 + step)
            r.tick(10)
            if step % 10 == 0:
                r.act("batch.note", text="x") if step else r.act("batch.start", name="one")
        assert r.writer.flush(60)
        assert ahead and max(ahead) <= 0
        assert r.core.view(durable=True).t_ms <= r.reader().horizon_ms()


def test_free_running_core_runs_deadlines_and_takes_arrivals_by_itself(tmp_path: Path) -> None:
    with rig(tmp_path / "j", MachineClock(WALL_MS), driven=False) as r:
        done = threading.Event()
        r.core.listen(lambda chunk, _: done.set() if chunk.readings else None)
        r.arrive(1, 30.0)
        assert done.wait(60)


def test_acts_count_in_memory_while_storage_fails(tmp_path: Path) -> None:
    with rig(tmp_path / "j") as r:
        held = r.core.committed
        r.writer._on_committed = lambda chunk: None
        r.core.storage("the card is read only; put another one in")
        reply = r.act("alarm.test", text="hello")
        assert not reply.recorded
        assert any(alarm.key == "health/disk" for alarm in r.core.view().alarms)
        r.writer._on_committed = held
        r.core.storage("")
        assert r.act("alarm.test", text="again").recorded


def test_the_page_goes_on_while_the_card_is_dead(tmp_path: Path) -> None:
    """What is shown is what is on the disk; where nothing can be, it is what is known."""
    with rig(tmp_path / "j") as r:
        r.writer._on_committed = lambda chunk: None
        r.core.storage("the card is read only; put another one in")
        r.arrive(1, 33.0)
        r.tick(10)
        assert r.core.view(durable=True).incubators[0].places[0].hottest.value == 33.0


def test_readings_that_a_dead_card_cost_are_told_once_it_works_again(tmp_path: Path) -> None:
    with rig(tmp_path / "j") as r:
        r.core.storage("the card is read only; put another one in", lost=2)
        r.core.storage("", lost=9)
        r.core.storage("the card is read only; put another one in", lost=9)
        r.core.storage("", lost=9)
        r.tick(10)
        assert r.writer.flush(60)
        gaps = [row.what for row in r.reader().rows_after(0) if isinstance(row, InputRow) and isinstance(row.what, Gap)]
        assert [(gap.source, gap.dropped) for gap in gaps] == [("journal", 7)]


def test_health_is_told_once_a_change_also_over_a_restart(tmp_path: Path) -> None:
    clock = MachineClock(WALL_MS)

    def changes(r: Rig) -> list[bool]:
        r.tick(1)
        r.writer.flush(5)
        rows = r.reader().rows_after(0)
        return [row.what.ok for row in rows if isinstance(row, InputRow) and isinstance(row.what, Health)]

    with rig(tmp_path / "j", clock) as r:
        for ok in (True, False, False, True, True, False, False):
            r.core.health("serial:port", ok, "words")
            r.tick(1)
        assert changes(r) == [False, True, False]
    with rig(tmp_path / "j", clock) as r:
        r.core.health("serial:port", False, "still")
        assert changes(r) == [False, True, False]
        r.core.health("serial:port", True, "mended")
        assert changes(r) == [False, True, False, True]


def test_health_that_found_no_room_is_told_later(tmp_path: Path) -> None:
    with rig(tmp_path / "j") as r:
        full, r.intake.note = r.intake.note, lambda *_: False  # type: ignore[method-assign]
        r.core.health("disk", False, "full")
        r.intake.note = full  # type: ignore[method-assign]
        r.core.health("disk", False, "full")
        r.tick(1)
        assert any(alarm.key == "health/disk" for alarm in r.core.view().alarms)


def test_what_a_probe_said_and_what_is_true_are_both_stored_where_they_differ() -> None:
    turn = TurnRows(6)
    turn.add_readings(5, [Measured(1, 31.0, 30.5, 0), Measured(2, 31.0, 31.0, 0)])
    assert turn.readings == [(7, 5, 1, 31.0, 30.5, 0), (8, 5, 2, 31.0, None, 0)]
    assert turn.rows == [(7, 5, 1, 30.5, 0), (8, 5, 2, 31.0, 0)]


def test_a_row_that_the_engine_cannot_take_is_left_out_and_the_watch_goes_on() -> None:
    left: list[int] = []
    broken: Any = (2, 2_000, 1, "31", 0)
    state, _ = advance(engine.initial_state(), [(1, 1_000, 1, 31.0, 0), broken, (3, 3_000, 1, 32.0, 0)], 3_000,
                       lambda: left.append(1))  # fmt: skip
    assert (len(left), state.seq, state.t_ms) == (1, 3, 3_000)
