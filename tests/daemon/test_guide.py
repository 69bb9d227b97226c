"""What the engine says of probes and koji reaches the judge of readings: as it happens, and again at a start."""

from __future__ import annotations

from pathlib import Path
from typing import Any, cast

from msgspec.structs import replace

from kojimon import engine
from kojimon.contract.guidance import Calibrated, LookCloser, Seated, SelfWarming
from kojimon.daemon.certificates import Certificates
from kojimon.daemon.guide import Guide
from kojimon.engine.guide import standing
from kojimon.engine.state import Moved
from kojimon.model import InputRow, Outcome
from kojimon.probes.pipeline import Pipeline
from kojimon.settings.spec import Settings
from kojimon.wiring import engine_setup
from tests.daemon.running import broker_site
from tests.parts.inputs import input_row


class Judge:
    """Keeps what it is told."""

    def __init__(self) -> None:
        self.told: list[tuple[Any, ...]] = []

    def self_warming(self, *what: Any) -> None:
        self.told.append(what)

    def look_closer(self, *what: Any) -> None:
        self.told.append(what)

    def moved(self, *what: Any) -> None:
        self.told.append(what)

    def calibrate(self, probe: str, calibration: Any) -> None:
        self.told.append((probe, calibration.points))


def guide(settings: Settings, judge: Judge) -> Guide:
    pipeline = cast(Pipeline, judge)
    return Guide(settings, pipeline, Certificates(settings, pipeline))


def act(seq: int, t_ms: int, kind: str, **data: object) -> InputRow:
    payload = {"kind": kind, "incubator": "box", "who": "", "channel": "", "idempotency": "", "data": data}
    return input_row(seq, t_ms, "act", payload)


def warm_hours(settings: Settings) -> tuple[engine.State, Outcome]:
    """A batch up to the stage in which its koji warms itself."""
    numbers = {probe.name: no for no, probe in enumerate(settings.probes, 1)}
    rows = [input_row(1, 0, "settings", engine_setup(settings, numbers)), act(2, 1, "batch.start"),
            act(3, 2, "step.done", step="inoculate", value_c=31.0)]  # fmt: skip
    readings = [
        (4 + 2 * minute + side, minute * 60_000 + 10, numbers[name], value, 0)
        for minute in range(60, 30 * 60)
        for side, (name, value) in enumerate((("bed", 30.0 if minute < 1100 else 36.0), ("air", 29.5)))
    ]
    return engine.advance(engine.initial_state(), [*rows, *readings], readings[-1][1])


def test_stages_that_begin_by_the_koji_s_warmth_are_warm_and_the_ends_are_not(tmp_path: Path) -> None:
    state, outcome = warm_hours(broker_site(tmp_path))
    assert state.batches["box"].stage == "growing"
    assert outcome.guidance == tuple(SelfWarming("box", warm) for warm in (False, False, True))
    _, ended = engine.advance(state, [act(90_000, state.t_ms, "batch.harvest")], state.t_ms)
    assert SelfWarming("box", False) in ended.guidance


def test_new_settings_say_anew_what_the_stage_is(tmp_path: Path) -> None:
    settings = broker_site(tmp_path)
    state, _ = warm_hours(settings)
    setup = engine_setup(settings, {probe.name: no for no, probe in enumerate(settings.probes, 1)})
    _, outcome = engine.advance(state, [input_row(90_000, state.t_ms, "settings", setup)], state.t_ms)
    assert outcome.guidance == (SelfWarming("box", True),)


def test_a_restart_in_the_warm_hours_is_warm(tmp_path: Path) -> None:
    settings, judge = broker_site(tmp_path), Judge()
    state, _ = warm_hours(settings)
    guide(settings, judge).begin(state, {"bed": Moved("top", "low", 5)})
    assert judge.told == [("box", True), ("bed", "low", 5)]
    elsewhere = replace(state, batches={"box": replace(state.batches["box"], stage="of another schedule")})
    assert standing(elsewhere) == [SelfWarming("box", False)]


def test_each_kind_reaches_who_goes_by_it_and_strangers_nobody(tmp_path: Path) -> None:
    settings, judge = broker_site(tmp_path), Judge()
    points = ((20.0, 21.0),)
    guide(settings, judge).take([
        LookCloser("box", 1, 2), LookCloser("crate", 1, 2), Seated("bed", "low", 3), Seated("gone", "low", 3),
        SelfWarming("box", True), SelfWarming("crate", True), Calibrated("bed", points, "2026-10-02", "", 4),
        Calibrated("gone", points, "2026-10-02", "", 4),
    ])  # fmt: skip
    assert judge.told == [("box", 1, 2), ("bed", "low", 3), ("box", True), ("bed", points)]
