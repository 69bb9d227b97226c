"""The laws of the engine: ticks are invisible, live equals replay, a restart at any row changes nothing, nor does the
wall clock, and a correction leaves the engine where the truth would have brought it."""

from __future__ import annotations

import random
from collections.abc import Callable
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from kojimon.contract.inputs import Clock, Start
from kojimon.engine import State, advance, decode, encode, initial_state, quiet
from kojimon.forecast.kept import pack, thin
from kojimon.model import Event, InputRow
from tests.engine.build import AIR, BED, HUMIDITY, MIDDLE, Rows
from tests.parts.inputs import says
from tests.parts.outlooks import limit_answer, made
from tests.parts.size import size

ACTS: list[tuple[str, dict[str, Any]]] = [
    ("batch.start", {"name": "b"}),
    ("step.done", {"step": "inoculate", "value_c": 31.0}),
    ("step.done", {"step": "inoculate"}),
    ("step.done", {"step": "check"}),
    ("step.done", {"step": "mix"}),
    ("step.done", {"step": "nothing"}),
    ("step.undo", {"mark": 1}),
    ("step.undo", {"mark": 2}),
    ("alarm.acknowledge", {"key": "limit/bed/temperature/high"}),
    ("alarm.shelve", {"key": "limit/bed/temperature/high", "for_s": 900}),
    ("alarm.shelve", {"key": "silent/koji-top", "for_s": 900, "one_shot": True}),
    ("alarm.unshelve", {"key": "limit/bed/temperature/high"}),
    ("alarm.test", {}),
    ("batch.harvest", {}),
    ("batch.note", {"text": "smells of chestnut"}),
    ("batch.weigh", {"stage": "work", "kg": 2.5, "tare_kg": 0.5}), ("batch.unweigh", {"stage": "work"}),
    ("probe.move", {"probe": "koji-top", "tray": "middle"}), ("probe.move", {"probe": "koji-middle", "tray": "top"}),
    ("probe.move", {"probe": "koji-top", "tray": "top"}),
]


def some_rows(seed: int) -> list[Any]:
    """A wild batch: walking temperatures, silences, bad readings, acts of every kind, health, restarts."""
    source = random.Random(seed)
    rows = Rows()
    rows.act("batch.start", name="b")
    if source.random() < 0.8:
        rows.act("step.done", step="inoculate", value_c=31.0)
    value = {BED: 30.0, MIDDLE: 30.0, AIR: 30.0, HUMIDITY: 85.0}
    seconds = 0.0
    for _ in range(source.randint(20, 150)):
        seconds += source.choice([5, 30, 60, 120, 600, 3000, 9000])
        rows.at(seconds)
        draw = source.random()
        if draw < 0.8:
            target = source.choice([22, 30, 33.5, 34, 38, 40, 43, 45.5])
            for probe in source.sample([BED, MIDDLE, AIR, HUMIDITY], source.randint(1, 4)):
                value[probe] += source.choice([0.0, 0.1, -0.1, (target - value[probe]) * 0.7])
                for _ in range(source.randint(1, 5)):
                    rows.at(seconds := seconds + source.choice([0, 1, 10, 150]))
                    rows.read(probe, value[probe], source.choice([0, 0, 0, 0, 0, 0, 0, 0, 4, 14]))
        elif draw < 0.93:
            kind, data = source.choice(ACTS)
            rows.act(kind, **data)
        elif draw < 0.96:
            rows.input("health", what="disk", ok=source.random() < 0.5, text="full")
        elif draw < 0.97:
            plain = pack(thin(made(24.0, limit_answer(43.0, source.choice([0.3, 4.0])))))
            batch = f"box-{source.choice([3, 3, 3, 9])}"
            rows.input("forecast", incubator="box", batch=batch, made_ms=rows.t_ms - source.choice([0, 30_000]),
                       forecast=source.choice([plain, plain, {}]))  # fmt: skip
        elif draw < 0.98:
            rows.input("clock", boot=1, step_ms=source.choice([0, 3_600_000, -3_600_000]), trusted=True)
        else:
            gap_ms = source.choice([0, 5_000, 7_200_000])
            rows.at(seconds := seconds + gap_ms / 1000)
            rows.input("start", clean=source.random() < 0.5, gap_ms=gap_ms, boot=source.randint(1, 3))
    return rows.take()


def rows_close_to_limits(seed: int) -> list[Any]:
    """A batch that stays within a K of what changes something: each limit, each condition, the koji's way over air."""
    source = random.Random(seed)
    rows = Rows()
    rows.act("batch.start", name="b")
    rows.act("step.done", step="inoculate", value_c=31.0)
    seconds = 0.0
    near = source.choice([26.0, 30.0])
    for _ in range(source.randint(4, 12)):
        near = source.choice([*[near] * 7, 22.0, 26.0, 26.0, 34.0, 38.0, 40.0, 43.0])
        off = source.choice([-0.45, -0.2, 0.2, 0.45])
        apart = source.choice([2.5, 2.8, 3.2, 3.5])
        for _ in range(source.choice([5, 15, 80])):
            rows.at(seconds := seconds + 60)
            bed = near + off + source.choice([0.0, 0.05])
            for probe, value in ((BED, bed), (AIR, bed - apart)):
                rows.read(probe, value)
        if source.random() < 0.2:
            rows.act("step.done", step=source.choice(["check", "mix"]))
    return rows.take()


def t_of(row: Any) -> int:
    return row.t_ms if isinstance(row, InputRow) else row[1]


def gap_of(row: Any) -> int:
    return row.what.gap_ms if isinstance(row, InputRow) and isinstance(row.what, Start) else 0


def whole(rows: list[Any], end_ms: int) -> tuple[State, tuple[Event, ...]]:
    state, outcome = advance(initial_state(), rows, end_ms)
    return state, outcome.events


@settings(max_examples=size(25, 150), deadline=None)
@given(st.integers(0, 10**9), st.integers(0, 10**9))
def test_split_law(seed: int, cuts: int) -> None:
    """advance(s, a + b, t2) == advance(advance(s, a, t1), b, t2) for every legal split: state, events, guidance."""
    rows, draw = some_rows(seed), random.Random(cuts)
    end_ms = t_of(rows[-1]) + 4 * 3_600_000
    state, events, guidance, at = initial_state(), [], [], 0
    while at < len(rows):
        to = min(len(rows), at + draw.randint(1, 30))
        latest = t_of(rows[to]) - gap_of(rows[to]) if to < len(rows) else end_ms
        until = draw.randint(t_of(rows[to - 1]), max(latest, t_of(rows[to - 1])))
        state, outcome = advance(state, rows[at:to], until)
        events += outcome.events
        guidance += outcome.guidance
        at = to
    state, outcome = advance(state, [], end_ms)
    expected_state, expected = advance(initial_state(), rows, end_ms)
    assert tuple(events) + outcome.events == expected.events
    assert tuple(guidance) + outcome.guidance == expected.guidance
    assert state == expected_state


@settings(max_examples=size(20, 400), deadline=None)
@given(st.integers(0, 10**9), st.sampled_from([some_rows, *[rows_close_to_limits] * 4]))
def test_quiet_corridors_are_invisible(seed: int, made: Callable[[int], list[Any]]) -> None:
    """With every reading looked at in full the same happens: a corridor leaves out only what changes nothing."""
    looked_at_in_full(made(seed))


def test_koji_and_air_that_move_apart_together_are_looked_at() -> None:
    """Each moves by less than is missing to the difference that shows growth, both by more."""
    rows = Rows()
    rows.act("batch.start")
    rows.act("step.done", step="inoculate", value_c=31.0)
    rows.hold(3600, {BED: 30.0, AIR: 28.5}).hold(5400, {BED: 31.2, AIR: 27.3})
    looked_at_in_full(rows.take())


def looked_at_in_full(rows: list[Any]) -> None:
    end_ms = t_of(rows[-1]) + 4 * 3_600_000
    _, events = whole(rows, end_ms)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(quiet, "ALL", quiet.NONE)
        _, looked_at = whole(rows, end_ms)
    assert looked_at == events


@settings(max_examples=size(15, 60), deadline=None)
@given(st.integers(0, 10**9), st.integers(0, 10**6))
def test_restart_at_any_row(seed: int, where: int) -> None:
    """A state written down and read back at any row goes on as if nothing had been: nothing fires twice."""
    rows = some_rows(seed)
    end_ms = t_of(rows[-1]) + 4 * 3_600_000
    cut = where % len(rows)
    state, first = advance(initial_state(), rows[:cut], t_of(rows[cut]) - gap_of(rows[cut]) if cut else 0)
    state, second = advance(decode(encode(state)), rows[cut:], end_ms)
    assert (state, first.events + second.events) == whole(rows, end_ms)


@settings(max_examples=size(15, 40), deadline=None)
@given(st.integers(0, 10**9))
def test_replay_gives_the_same_twice(seed: int) -> None:
    rows = some_rows(seed)
    end_ms = t_of(rows[-1])
    before = initial_state()
    assert whole(rows, end_ms) == whole(rows, end_ms)
    assert before == initial_state(), "advance changes no state it is given"


@settings(max_examples=size(15, 60), deadline=None)
@given(st.integers(0, 10**9), st.integers(0, 10**6), st.sampled_from([3_600_000, -3_600_000, 10**10]))
def test_a_step_of_the_wall_clock_moves_nothing(seed: int, where: int, step_ms: int) -> None:
    """The same batch with a clock step at any row: every other event is the same, at the same time."""
    rows = [row for row in some_rows(seed) if not (isinstance(row, InputRow) and row.kind == "clock")]
    at = where % len(rows)
    step = InputRow(0, t_of(rows[at]), Clock(boot=1, step_ms=step_ms, trusted=True))
    end_ms = t_of(rows[-1]) + 3_600_000
    _, plain = whole(rows, end_ms)
    _, stepped = whole([*rows[: at + 1], step, *rows[at + 1 :]], end_ms)

    def bare(events: tuple[Event, ...]) -> list[Any]:
        return [(e.t_ms, e.kind, e.incubator, e.key, says(e)) for e in events if e.kind != "clock-step"]

    assert bare(plain) == bare(stepped)


@settings(max_examples=size(30, 60), deadline=None)
@given(st.integers(0, 10**9), st.integers(60, 40 * 3600), st.integers(0, 10**5))
def test_a_correction_leads_where_the_truth_would_have(seed: int, said_s: int, late_s: int) -> None:
    """Hour 0 marked late and then corrected: stage, windows and the next deadline are as if marked right at once."""
    true_s, said_s = 60, 60 + said_s

    def run(correct: bool) -> State:
        source = random.Random(seed)
        rows = Rows()
        rows.act("batch.start", name="b")
        rows.at(true_s if not correct else said_s)
        if correct:
            rows.act("step.done", step="inoculate", value_c=31.0)
            rows.at(said_s + late_s)
            rows.act("step.correct", mark=1, at_t_ms=rows.t0_ms + true_s * 1000)
        else:
            rows.act("step.done", step="inoculate", value_c=31.0)
        rows.at(said_s + late_s + 60)
        for _ in range(40):
            rows.at((rows.t_ms - rows.t0_ms) / 1000 + 300)
            rows.read(BED, source.uniform(29, 39))
            rows.read(AIR, 30.0)
        state, _ = advance(initial_state(), rows.take(), rows.t_ms)
        return state

    told, corrected = run(False), run(True)
    mine, theirs = told.batches["box"], corrected.batches["box"]
    assert mine.stage == theirs.stage
    assert mine.stage_since_ms == theirs.stage_since_ms
    windows = [{name: (one.round, one.rank) for name, one in batch.phases.items()} for batch in (mine, theirs)]
    assert windows[0] == windows[1]  # when it was told is another matter
    assert told.due.get("plan/box") == corrected.due.get("plan/box")
