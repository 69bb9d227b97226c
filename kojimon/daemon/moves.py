"""Probes that were moved to another tray, at a start: which moves the settings leave in force."""

from __future__ import annotations

from collections.abc import Mapping

from msgspec.structs import replace

from kojimon.engine.state import Moved, State
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
