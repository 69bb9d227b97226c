"""Hands what the engine says of probes and koji to those who correct and judge the readings; at a start, which moves of
probes to another tray the settings leave in force.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping

from msgspec.structs import replace

from kojimon.contract.guidance import Calibrated, Guidance, LookCloser, Seated, SelfWarming
from kojimon.daemon.certificates import Certificates
from kojimon.engine.guide import standing
from kojimon.engine.state import Moved, State
from kojimon.probes.pipeline import Pipeline
from kojimon.settings.spec import Settings


class Guide:
    """Leaves aside what is of no probe or incubator among the settings.

    Args:
        settings: the probes there are.
        pipeline: what judges; by the core's thread, or before it runs.
        certificates: what corrects.
    """

    def __init__(self, settings: Settings, pipeline: Pipeline, certificates: Certificates) -> None:
        self._pipeline, self._certificates = pipeline, certificates
        self._probes = frozenset(probe.name for probe in settings.probes)
        self._watched = frozenset(probe.incubator for probe in settings.probes)

    def begin(self, state: State, moves: Moves) -> None:
        """At the start: what the journal left in force."""
        self.take([*standing(state), *(Seated(probe, one.tray, one.settled_ms) for probe, one in moves.items())])

    def take(self, guidance: Iterable[Guidance]) -> None:
        """From the next reading on."""
        for one in guidance:
            match one:
                case LookCloser(incubator, since_ms, until_ms) if incubator in self._watched:
                    self._pipeline.look_closer(incubator, since_ms, until_ms)
                case SelfWarming(incubator, warmed) if incubator in self._watched:
                    self._pipeline.self_warming(incubator, warmed)
                case Seated(probe, tray, settled_ms) if probe in self._probes:
                    self._pipeline.moved(probe, tray, settled_ms)
                case Calibrated():
                    self._certificates.take(one)


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
