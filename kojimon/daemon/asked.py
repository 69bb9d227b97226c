"""Tells the probes' judge to look closer while it is asked whether the probe is back in the koji."""

from __future__ import annotations

from collections.abc import Collection, Iterable

from kojimon.engine.probe_back import EVENT, NOTED
from kojimon.engine.state import State
from kojimon.model import Event
from kojimon.probes.pipeline import Pipeline


def begin_asked(pipeline: Pipeline, incubators: Collection[str], state: State) -> None:
    """At the start: what the journal left open."""
    for incubator, asked in state.asked.items():
        if incubator in incubators:
            pipeline.look_closer(incubator, asked.at_ms, asked.until_ms)


def heard_asked(pipeline: Pipeline, incubators: Collection[str], events: Iterable[Event]) -> None:
    """A question asked, or answered in whatever way, or let go with its batch. In the core's thread."""
    for event in events:
        if event.incubator not in incubators:
            continue
        if event.kind == EVENT and event.key not in NOTED:
            until_ms = int(event.data["until_ms"]) if event.key == "asked" else event.t_ms
            pipeline.look_closer(event.incubator, int(event.data.get("at_ms", event.t_ms)), until_ms)
        elif event.kind in ("batch-harvest", "batch-discard"):
            pipeline.look_closer(event.incubator, event.t_ms, event.t_ms)
