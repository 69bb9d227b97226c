"""GET /metrics: what a scraper wants, in OpenMetrics text, made of the state document and the daemon's health."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Mapping
from typing import TYPE_CHECKING, Any, Final

from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from kojimon.contract.state import Document
from kojimon.web.api.app import failure
from kojimon.web.api.backend import Backend

if TYPE_CHECKING:
    from prometheus_client.core import Metric

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


def exposed(state: Document, health: Mapping[str, Any]) -> bytes:
    """The metrics as OpenMetrics text.

    Args:
        state: the state document.
        health: what GET /v1/health says.
    """
    # Loaded when first asked for: most kitchens are never scraped.
    from prometheus_client.openmetrics.exposition import generate_latest
    from prometheus_client.registry import CollectorRegistry

    class Collected:
        def collect(self) -> Iterator[Metric]:
            yield from _probes(state)
            yield from _batches(state)
            yield from _alarms(state)
            yield from _daemon(state, health)

    registry = CollectorRegistry(auto_describe=False)
    registry.register(Collected())
    text: bytes = generate_latest(registry)  # type: ignore[no-untyped-call]
    return text


def _probes(state: Document) -> Iterator[Metric]:
    from prometheus_client.core import GaugeMetricFamily

    labels = ["incubator", "place", "tray", "probe"]
    warm = GaugeMetricFamily("kojimon_temperature_celsius", "Last good reading.", labels=labels, unit="celsius")
    damp = GaugeMetricFamily("kojimon_relative_humidity_ratio", "Last good reading.", labels=labels, unit="ratio")
    age = GaugeMetricFamily(
        "kojimon_reading_age_seconds", "Age of the last good reading.", labels=labels, unit="seconds"
    )
    silent = GaugeMetricFamily("kojimon_probe_silent", "1 while a probe counts as silent.", labels=labels)
    for box in state.incubators:
        for probe in box.probes:
            named = [box.name, probe.place, probe.tray, probe.name]
            if probe.value is not None:
                humid = probe.quantity == "humidity"
                (damp if humid else warm).add_metric(named, probe.value / 100 if humid else probe.value)
            if probe.age_s is not None:
                age.add_metric(named, probe.age_s)
            silent.add_metric(named, float(probe.silent))
    yield from (warm, damp, age, silent)


def _batches(state: Document) -> Iterator[Metric]:
    from prometheus_client.core import GaugeMetricFamily

    since = GaugeMetricFamily(
        "kojimon_batch_age_seconds", "Time since the spores.", labels=["incubator", "batch", "stage"], unit="seconds"
    )
    for box in state.incubators:
        batch = box.batch
        if batch and batch.hour is not None:
            stage = box.stage.name if box.stage else ""
            since.add_metric([box.name, batch.id, stage], batch.hour * 3600)
    yield since


def _alarms(state: Document) -> Iterator[Metric]:
    from prometheus_client.core import GaugeMetricFamily

    counted = GaugeMetricFamily(
        "kojimon_alarms", "Alarms by where they stand.", labels=["incubator", "state", "priority"]
    )
    found: Counter[tuple[str, str, str]] = Counter()
    for name, alarms in [("", state.alarms), *((box.name, box.alarms) for box in state.incubators)]:
        found.update((name, alarm.state, alarm.priority) for alarm in alarms)
    for labels, number in sorted(found.items()):
        counted.add_metric(list(labels), number)
    yield counted


def _daemon(state: Document, health: Mapping[str, Any]) -> Iterator[Metric]:
    from prometheus_client.core import CounterMetricFamily, GaugeMetricFamily, InfoMetricFamily

    core = health["core"]
    yield InfoMetricFamily("kojimon", "The daemon.", value={"version": str(health["version"]), "site": state.site})
    yield GaugeMetricFamily("kojimon_ok", "1 while nothing is wrong with the daemon itself.", value=float(health["ok"]))
    trusted = float(state.now.trusted)
    yield GaugeMetricFamily("kojimon_clock_trusted", "1 while the wall clock is known to be right.", value=trusted)
    yield CounterMetricFamily("kojimon_journal_rows", "Rows of the journal.", value=float(core["seq"]))
    yield CounterMetricFamily("kojimon_dropped", "Readings dropped by a full queue.", value=float(core["dropped"]))
