"""The probes' judge is told when the koji of a box warms itself, and when there is no such koji any more."""

from __future__ import annotations

from pathlib import Path
from typing import cast

from kojimon import engine
from kojimon.daemon.warming import Warming
from kojimon.model import Event, InputRow
from kojimon.probes.pipeline import Pipeline
from kojimon.wiring import engine_setup
from tests.daemon.running import broker_site


class Judge:
    """Keeps what it is told."""

    def __init__(self) -> None:
        self.told: list[tuple[str, bool]] = []

    def self_warming(self, incubator: str, warmed: bool) -> None:
        self.told.append((incubator, warmed))


def event(kind: str, key: str, incubator: str = "box") -> Event:
    return Event(1, 0, kind, incubator, "b", key, {})


def test_stages_that_begin_by_the_koji_s_warmth_are_warm_and_the_ends_are_not(tmp_path: Path) -> None:
    judge = Judge()
    one = Warming(broker_site(tmp_path), cast(Pipeline, judge))
    one.heard([event("batch-start", "b"), event("stage", "settling"), event("note", "")])
    one.heard([event("stage", "growing"), event("stage", "finishing"), event("batch-harvest", "b")])
    one.heard([event("stage", "growing", "elsewhere")])
    assert judge.told == [("box", False), ("box", False), ("box", True), ("box", True), ("box", False)]


def test_a_restart_in_the_warm_hours_is_warm(tmp_path: Path) -> None:
    settings, judge = broker_site(tmp_path), Judge()
    numbers = {probe.name: no for no, probe in enumerate(settings.probes, 1)}

    def act(seq: int, t_ms: int, kind: str, **data: object) -> InputRow:
        payload = {"kind": kind, "incubator": "box", "who": "", "channel": "", "idempotency": "", "data": data}
        return InputRow(seq, t_ms, "act", payload)

    rows = [InputRow(1, 0, "settings", engine_setup(settings, numbers)), act(2, 1, "batch.start"),
            act(3, 2, "task.done", task="inoculate", value_c=31.0)]  # fmt: skip
    readings = [
        (4 + 2 * minute + side, minute * 60_000 + 10, numbers[name], value, 0)
        for minute in range(60, 30 * 60)
        for side, (name, value) in enumerate((("bed", 30.0 if minute < 1100 else 36.0), ("air", 29.5)))
    ]
    state, _ = engine.advance(engine.initial_state(), [*rows, *readings], readings[-1][1])
    assert state.batches["box"].stage == "growing"
    Warming(settings, cast(Pipeline, judge)).begin(state)
    assert judge.told == [("box", True)]
