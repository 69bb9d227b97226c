"""GET /metrics: what a scraper wants, in OpenMetrics text, made of the state document and the daemon's health.

The form is that of OpenMetrics 1.0 (the specification published by the project of that name, sections "Text format" and
"Metric types"). It is written here: the library for it brings a web server along, a megabyte that stays resident.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from typing import Final

from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from kojimon.contract.health import DaemonHealth
from kojimon.contract.state import Document
from kojimon.web.api.app import failure
from kojimon.web.api.backend import Backend

ESCAPED: Final = str.maketrans({"\\": r"\\", "\n": r"\n", '"': r"\""})
KIND: Final = "application/openmetrics-text; version=1.0.0; charset=utf-8"


def route(backend: Backend) -> Route:
    """The address of the metrics."""

    async def metrics(request: Request) -> Response:
        try:
            text = await run_in_threadpool(lambda: exposed(backend.state(), backend.health()))
        except Exception as error:
            return failure(error)
        return Response(text, headers={"Cache-Control": "no-store"}, media_type=KIND)

    return Route("/metrics", metrics, methods=["GET"])


class Family:
    """One metric with its samples.

    Args:
        name: with its unit at the end, where it has one.
        kind: `gauge`, `counter` or `info`.
        labels: their names.
    """

    def __init__(self, name: str, text: str, *labels: str, unit: str = "", kind: str = "gauge") -> None:
        self._labels, self._kind = labels, kind
        self._name = name
        self.lines = [f"# TYPE {name} {kind}", *([f"# UNIT {name} {unit}"] if unit else []), f"# HELP {name} {text}"]

    def add(self, value: float, *labels: str) -> Family:
        """A sample, with the values of its labels."""
        said = ",".join(f'{key}="{text.translate(ESCAPED)}"' for key, text in zip(self._labels, labels, strict=True))
        end = {"counter": "_total", "info": "_info"}.get(self._kind, "")
        self.lines.append(f"{self._name}{end}{f'{{{said}}}' if said else ''} {float(value)!r}")
        return self


def exposed(state: Document, health: DaemonHealth) -> bytes:
    """The metrics as OpenMetrics text.

    Args:
        state: the state document.
        health: what GET /v1/health says.
    """
    families = (*_probes(state), *_batches(state), *_alarms(state), *_daemon(state, health))
    return "\n".join([*(line for family in families for line in family.lines), "# EOF\n"]).encode()


def _probes(state: Document) -> Iterator[Family]:
    labels = ("incubator", "place", "tray", "probe")
    warm = Family("kojimon_temperature_celsius", "Last good reading.", *labels, unit="celsius")
    damp = Family("kojimon_relative_humidity_ratio", "Last good reading.", *labels, unit="ratio")
    age = Family("kojimon_reading_age_seconds", "Age of the last good reading.", *labels, unit="seconds")
    silent = Family("kojimon_probe_silent", "1 while a probe counts as silent.", *labels)
    for box in state.incubators:
        for probe in box.probes:
            named = (box.name, probe.place, probe.tray, probe.name)
            if probe.value is not None:
                humid = probe.quantity == "humidity"
                (damp if humid else warm).add(probe.value / 100 if humid else probe.value, *named)
            if probe.age_s is not None:
                age.add(probe.age_s, *named)
            silent.add(probe.silent, *named)
    yield from (warm, damp, age, silent)


def _batches(state: Document) -> Iterator[Family]:
    since = Family("kojimon_batch_age_seconds", "Time since the spores.", "incubator", "batch", "stage", unit="seconds")
    for box in state.incubators:
        batch = box.batch
        if batch and batch.hour is not None:
            since.add(batch.hour * 3600, box.name, batch.id, box.stage.name if box.stage else "")
    yield since


def _alarms(state: Document) -> Iterator[Family]:
    counted = Family("kojimon_alarms", "Alarms by where they stand.", "incubator", "state", "priority")
    found: Counter[tuple[str, str, str]] = Counter()
    for name, alarms in [("", state.alarms), *((box.name, box.alarms) for box in state.incubators)]:
        found.update((name, alarm.state, alarm.priority) for alarm in alarms)
    for labels, number in sorted(found.items()):
        counted.add(number, *labels)
    yield counted


def _daemon(state: Document, health: DaemonHealth) -> Iterator[Family]:
    yield Family("kojimon", "The daemon.", "version", "site", kind="info").add(1, health.version, state.site)
    yield Family("kojimon_ok", "1 while nothing is wrong with the daemon itself.").add(health.ok)
    yield Family("kojimon_clock_trusted", "1 while the wall clock is known to be right.").add(state.now.trusted)
    yield Family("kojimon_journal_rows", "Rows of the journal.", kind="counter").add(health.core.seq)
    yield Family("kojimon_dropped", "Readings dropped by a full queue.", kind="counter").add(health.core.dropped)
