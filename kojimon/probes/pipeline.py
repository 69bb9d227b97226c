"""Decode, calibrate, judge: what a source handed over becomes readings. Pure; it runs in the core's thread."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from typing import Final

from kojimon.model import Arrival, Measured, Quality
from kojimon.probes.channel import Channel
from kojimon.probes.formats.homie import StateRoute, state_topic
from kojimon.probes.formats.routes import CsvRoute, JsonRoute, KeysRoute, NumberRoute, Route, topic_route
from kojimon.probes.judging.judge import Watch
from kojimon.probes.judging.limits import Limits, limits_of
from kojimon.probes.judging.neighbours import Closer, watch_all
from kojimon.settings import spec

TOPICS_LIMIT: Final = 1024
"""Topics below wildcards that are remembered; more are matched afresh each time."""
KERNEL_SCALE: Final = 0.001
"""Kernel sensor files count in thousandths of °C and % (Documentation/hwmon/sysfs-interface.rst)."""


class Pipeline:
    """Turns arrivals into judged readings.

    Args:
        probes: all probes.
        numbers: the number of each probe by name.
        sources: all sources; they say how a payload is to be read.
        limits: thresholds of the live tests by probe, where they are not the defaults.

    Raises:
        ValueError: a calibration or a path that makes no sense, with the probe's name.
    """

    def __init__(
        self,
        probes: Sequence[spec.Probe],
        numbers: Mapping[str, int],
        sources: Sequence[spec.Source],
        limits: Mapping[str, Limits] | None = None,
    ) -> None:
        self._sources = {source.name: source for source in sources}
        self._channels: dict[str, Channel] = {}
        given = limits or {}
        self._watches = {probe.name: Watch(probe, given.get(probe.name) or limits_of(probe)) for probe in probes}
        self._incubators = watch_all(list(self._watches.values()))
        for probe in probes:
            try:
                scale = KERNEL_SCALE if self._is_kernel(probe) and probe.scale == 1.0 else probe.scale
                self._channels[probe.name] = Channel(probe, numbers[probe.name], scale, self._watches[probe.name])
            except ValueError as error:
                raise ValueError(f"probe {probe.name}: {error}") from error
        self._counts = dict.fromkeys(("arrivals", "duplicate", "unknown_topic", "undecodable", "absent"), 0)
        self._routes: dict[tuple[str, str], Route | None] = {}
        self._wild: dict[str, list[Channel]] = {}
        self._lines: dict[str, Route] = {}
        self._build()
        self._fixed = len(self._routes)

    def _is_kernel(self, probe: spec.Probe) -> bool:
        return isinstance(self._sources.get(probe.source), spec.KernelSource)

    def _build(self) -> None:
        by_topic: dict[tuple[str, str], list[Channel]] = {}
        devices: dict[tuple[str, str], list[Channel]] = {}
        for channel in self._channels.values():
            probe = channel.probe
            source = self._sources.get(probe.source)
            if isinstance(source, spec.SerialSource):
                by_topic.setdefault((source.name, ""), []).append(channel)
            elif isinstance(source, spec.MqttSource) and ("+" in probe.topic or "#" in probe.topic):
                self._wild.setdefault(source.name, []).append(channel)
            else:
                by_topic.setdefault((probe.source, topic_of(probe, source)), []).append(channel)
                if isinstance(source, spec.MqttSource) and (where := state_topic(probe.topic)):
                    devices.setdefault((source.name, where), []).append(channel)
        for key, channels in by_topic.items():
            source = self._sources.get(key[0])
            if isinstance(source, spec.SerialSource):
                self._lines[key[0]] = _line_route(source, channels)
            else:
                by_mqtt = isinstance(source, spec.MqttSource)
                self._routes[key] = topic_route(channels) if by_mqtt else NumberRoute(channels)
        for key, channels in devices.items():
            self._routes[key] = StateRoute(channels)

    def take(self, arrival: Arrival, t_ms: int) -> list[Measured]:
        """The readings in one arrival, in the order of the settings; none for a redelivered one.

        Args:
            arrival: what a source handed over. Never makes this raise, whatever is in it.
            t_ms: engine time of the arrival.
        """
        counts = self._counts
        counts["arrivals"] += 1
        if arrival.duplicate:
            counts["duplicate"] += 1
            return []
        key = (arrival.source, arrival.topic)
        route = self._routes.get(key) or self._lines.get(arrival.source)
        if route is None:
            route = self._find(key)
            if route is None:
                counts["unknown_topic"] += 1
                return []
        return route.take(arrival, t_ms, counts)

    def _find(self, key: tuple[str, str]) -> Route | None:
        if key in self._routes or key[0] not in self._wild:
            return None
        matches = _matcher()
        own = [channel for channel in self._wild[key[0]] if matches(channel.probe.topic, key[1])]
        route = topic_route(own) if own else None
        if len(self._routes) - self._fixed < TOPICS_LIMIT:
            self._routes[key] = route
        return route

    def calibrate(self, probe: str, calibration: spec.Calibration) -> None:
        """Uses another calibration for a probe from the next reading on.

        Raises:
            KeyError: no such probe. ValueError: points that make no sense.
        """
        self._channels[probe].calibrate(calibration)

    def moved(self, probe: str, tray: str, settled_ms: int) -> None:
        """Tells that a probe is in another tray, and the engine time from which it shows that one.

        Raises:
            KeyError: no such probe.
        """
        self._watches[probe].move(tray, settled_ms)

    def look_closer(self, incubator: str, since_ms: int, until_ms: int) -> None:
        """Tells that the probes of an incubator's koji may not be back in it since some work, until engine times; a
        time in the past ends it. KeyError for no such incubator."""
        self._incubators[incubator].look_closer(Closer(since_ms, until_ms))

    def raw(self, probe: str) -> tuple[float, int] | None:
        """The last raw value of a probe, °C or %, before any calibration and whatever the verdict on it, and its engine
        time. KeyError for no such probe.
        """
        channel = self._channels[probe]
        return None if channel.raw is None else (channel.raw, channel.raw_ms)

    def self_warming(self, incubator: str, warmed: bool) -> None:
        """Tells that the koji of an incubator warms itself, or does not yet (a new batch): from then on a single
        probe in it is expected to move. Noticed here too where there is an air probe; KeyError for no such incubator.
        """
        self._incubators[incubator].told(warmed)

    def counts(self) -> dict[str, int]:
        """What came in since the start: arrivals, those without a reading by cause, readings by verdict."""
        verdicts = {verdict.name.lower(): 0 for verdict in Quality}
        for channel in self._channels.values():
            for verdict in Quality:
                verdicts[verdict.name.lower()] += channel.counts[verdict]
        return self._counts | {name: count for name, count in verdicts.items() if count}


def topic_of(probe: spec.Probe, source: spec.Source | None) -> str:
    """The topic under which a source hands over what is meant for this probe alone."""
    if isinstance(source, spec.ModbusSource):
        return probe.name
    if isinstance(source, spec.SimulatedSource):
        return probe.topic or probe.name
    return probe.topic


def _line_route(source: spec.SerialSource, channels: Sequence[Channel]) -> Route:
    comma = source.decimal == ","
    if source.format == "csv":
        return CsvRoute(channels, source.columns, source.separator, comma)
    if source.format == "keys":
        return KeysRoute(channels, comma)
    return JsonRoute(channels, addressed=False)


def _matcher() -> Callable[[str, str], bool]:
    from paho.mqtt.client import topic_matches_sub  # 40 ms to load, needed only where there are wildcards

    return topic_matches_sub
