"""Hands what the engine says of probes and koji to those who correct and judge the readings."""

from __future__ import annotations

from collections.abc import Iterable

from kojimon.contract.guidance import Calibrated, Guidance, LookCloser, Seated, SelfWarming
from kojimon.daemon.certificates import Certificates
from kojimon.daemon.moves import Moves
from kojimon.engine.guide import standing
from kojimon.engine.state import State
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
