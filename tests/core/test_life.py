"""Any life of the core: readings, acts, clock steps, kills, power cuts in any order, and what must hold after it."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from kojimon import engine
from kojimon.core.advance import advance, row_t_ms
from kojimon.errors import RefusedError
from kojimon.journal.reading.reader import Reader
from kojimon.model import Event
from tests.core.rig import WALL_MS, Rig
from tests.parts.inputs import says
from tests.parts.machine import MachineClock
from tests.parts.opened import reading
from tests.parts.size import size

HOUR_MS = 3_600_000
STEPS = st.one_of(
    st.tuples(st.just("reading"), st.integers(1, 3), st.floats(20, 48).map(lambda value: round(value, 2))),
    st.tuples(st.just("pass"), st.sampled_from([1, 10, 100, 3_000, 40_000])),
    st.tuples(st.just("act"), st.sampled_from(["start", "inoculate", "mix", "back", "undo", "harvest", "discard"])),
    st.tuples(st.just("step"), st.sampled_from([-HOUR_MS, HOUR_MS, -6 * HOUR_MS, 900])),
    st.tuples(st.just("trust"), st.booleans()),
    st.tuples(st.just("commit")),
    st.tuples(st.just("kill")),
    st.tuples(st.just("stop")),
    st.tuples(st.just("cut"), st.sampled_from([0, 60_000, 4 * HOUR_MS]), st.booleans()),
)
ACTS: dict[str, tuple[str, dict[str, Any]]] = {
    "start": ("batch.start", {"name": "one"}),
    "inoculate": ("step.done", {"step": "inoculate"}),
    "mix": ("step.done", {"step": "mix"}),
    "back": ("step.done", {"step": "mix", "at_ago_s": 1800}),
    "undo": ("step.undo", {"mark": 2}),
    "harvest": ("batch.harvest", {"yield_kg": 2.5}),
    "discard": ("batch.discard", {"reason": "mould of another colour"}),
}


class Life:
    """A journal and the core on it, over starts and ends of every kind."""

    def __init__(self, path: Path) -> None:
        self.path, self.clock, self.boots = path, MachineClock(WALL_MS), 1
        self.rig = Rig(path, self.clock).start()

    def do(self, step: tuple[Any, ...]) -> None:
        getattr(self, f"do_{step[0]}")(*step[1:])

    def do_reading(self, probe: int, value: float) -> None:
        self.rig.arrive(probe, value)
        self.rig.tick(1)

    def do_pass(self, seconds: int) -> None:
        self.rig.tick(seconds)

    def do_act(self, name: str) -> None:
        kind, data = ACTS[name]
        try:
            self.rig.act(kind, **data)
        except RefusedError as error:
            assert str(error)

    def do_step(self, delta_ms: int) -> None:
        self.clock.step_wall(delta_ms)
        self.rig.tick(1)

    def do_trust(self, trusted: bool) -> None:
        self.clock.trust(trusted)
        self.rig.tick(1)

    def do_commit(self) -> None:
        assert self.rig.writer.flush(60)

    def do_kill(self) -> None:
        self.rig.crash()
        self.clock.advance(7_000)
        self.rig = Rig(self.path, self.clock).start()

    def do_stop(self) -> None:
        self.rig.stop()
        self.clock.advance(7_000)
        self.rig = Rig(self.path, self.clock).start()

    def do_cut(self, gap_ms: int, clock_lost: bool) -> None:
        self.rig.crash()
        self.boots += 1
        self.clock.reboot(f"boot-{self.boots}", gap_ms, 0 if clock_lost else None)
        self.clock.trust(not clock_lost)
        self.rig = Rig(self.path, self.clock).start()


def replayed(past: Reader, page_rows: int) -> list[Event]:
    state = engine.initial_state()
    events: list[Event] = []
    for page in past.pages_after(0, page_rows):
        state, outcome = advance(state, page, row_t_ms(page[-1]))
        events += outcome.events
    return events + list(advance(state, [], past.horizon_ms())[1].events)


@pytest.mark.slow(10)
@settings(max_examples=size(10, 40), deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.lists(STEPS, max_size=40))
def test_any_life(tmp_path: Path, steps: list[tuple[Any, ...]]) -> None:
    life = Life(tmp_path / f"j{len(list(tmp_path.glob('j*')))}")
    for step in steps:
        life.do(step)
    state = life.rig.core.present().state
    life.rig.stop()
    past = reading(life.path)
    stored = past.events(limit=100_000)
    assert [event.no for event in stored] == list(range(1, len(stored) + 1))
    assert replayed(past, 7) == replayed(past, 10_000) == stored
    rows = list(past.rows_after(0))
    times = [row_t_ms(row) for row in rows]
    assert times == sorted(times)
    numbers = [row[0] if isinstance(row, tuple) else row.seq for row in rows]
    assert numbers == sorted(set(numbers))
    assert len({says(event)["act"] for event in stored if event.kind == "batch-start"}) == len(past.batches())
    assert state.event_no <= len(stored)
