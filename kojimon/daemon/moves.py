"""Probes moved to another tray, told to whoever judges and stores their readings: at the start, and as it happens."""

from __future__ import annotations

from collections.abc import Iterable, Mapping

from msgspec.structs import replace

from kojimon.engine.state import Moved, State
from kojimon.model import Event
from kojimon.probes.pipeline import Pipeline
from kojimon.settings.spec import Settings

Moves = Mapping[str, Moved]


def moves_in_force(state: State, settings: Settings) -> Moves:
    """The moves by probe that a state knows and the settings leave in force (`engine.probe_acts.placed_again`)."""
    moved = {probe.name: state.moved[probe.no] for probe in state.setup.probes if probe.no in state.moved}
    trays = {box.name: box.trays for box in settings.incubators}
    return {
        probe.name: one for probe in settings.probes
        if (one := moved.get(probe.name)) is not None
        and probe.tray == one.home and one.tray in trays.get(probe.incubator, ())
    }  # fmt: skip


def seated(settings: Settings, moves: Moves) -> Settings:
    """The settings with each probe in the tray it is in, for the journal's table of places."""
    probes = tuple(
        replace(probe, tray=moves[probe.name].tray) if probe.name in moves else probe for probe in settings.probes
    )
    return replace(settings, probes=probes)


def apply_moves(pipeline: Pipeline, moves: Moves) -> None:
    """At the start: what was moved is judged where it is."""
    for probe, one in moves.items():
        pipeline.moved(probe, one.tray, one.settled_ms)


def apply_moved(pipeline: Pipeline, known: Iterable[str], events: Iterable[Event]) -> None:
    """From the next reading on: what was moved just now. In the core's thread, whose pipeline it is."""
    for event in events:
        if event.kind == "probe-moved" and event.key in known:
            pipeline.moved(event.key, str(event.data["tray"]), int(event.data["settled_ms"]))
