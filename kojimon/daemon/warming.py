"""Tells the probes' judge whether the koji of a box warms itself: from then on a probe in it is expected to move."""

from __future__ import annotations

from collections.abc import Iterable

from kojimon.engine.moments import holds_in
from kojimon.engine.state import State
from kojimon.model import Event
from kojimon.probes.pipeline import Pipeline
from kojimon.settings.spec import Settings

ENDS = ("batch-start", "batch-harvest", "batch-discard")


class Warming:
    """Knows by which stages of a schedule the koji warms itself: those that begin by its warmth, and all after them.

    Args:
        settings: the boxes and their schedules.
        pipeline: whose judge is told; by the core's thread, or before it runs.
    """

    def __init__(self, settings: Settings, pipeline: Pipeline) -> None:
        self._pipeline, self._warm = pipeline, dict[str, frozenset[str]]()
        for name, schedule in settings.schedules.items():
            warm, found = set[str](), False
            for stage in schedule.stages:
                conditions = [schedule.conditions[hold.condition] for hold in holds_in(stage.begins)]
                found = found or any(one.place == "bed" and one.quantity == "temperature" for one in conditions)
                if found:
                    warm.add(stage.name)
            self._warm[name] = frozenset(warm)
        watched = {probe.incubator for probe in settings.probes}
        self._schedule = {box.name: box.schedule.name for box in settings.incubators if box.name in watched}

    def begin(self, state: State) -> None:
        """As the journal left it."""
        for incubator, batch in state.batches.items():
            if incubator in self._schedule:
                self._pipeline.self_warming(incubator, batch.stage in self._warm.get(batch.schedule, ()))

    def heard(self, events: Iterable[Event]) -> None:
        """A stage begun, a batch begun or over."""
        for event in events:
            name = self._schedule.get(event.incubator)
            if name is None:
                continue
            if event.kind == "stage":
                self._pipeline.self_warming(event.incubator, event.key in self._warm.get(name, ()))
            elif event.kind in ENDS:
                self._pipeline.self_warming(event.incubator, False)
