"""How the payloads of one topic or line source become readings: one object a format, each with its probes."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from types import MappingProxyType
from typing import Final, Protocol

from kojimon.model import Arrival, Measured
from kojimon.probes.channel import Channel
from kojimon.probes.formats import decode
from kojimon.probes.formats.said import unit_at, units_in

FIRST_LINE: Final = "first-line"
"""Topic of a line that was cut at its start perhaps: looked at for column names, never for numbers."""

Counts = dict[str, int]
NONE_SAID: Final[Mapping[str, str]] = MappingProxyType({})
"""A message names no unit."""


class Route(Protocol):
    """Turns one arrival into readings. Never raises, whatever the payload."""

    def take(self, arrival: Arrival, t_ms: int, counts: Counts) -> list[Measured]:
        """The readings in an arrival of engine time t_ms; `counts` learns what was wrong with it."""


def _judged(
    pairs: Sequence[tuple[Channel, decode.Result]], arrival: Arrival, t_ms: int, counts: Counts,
    units: Mapping[str, str] = NONE_SAID,
) -> list[Measured]:
    readings = []
    for channel, result in pairs:
        said = unit_at(units, channel.probe.key) if units else ""
        reading = channel.take(result, t_ms, arrival.retained, arrival.late, said)
        if reading is None:
            counts["absent"] += 1
        else:
            readings.append(reading)
    return readings


class NumberRoute:
    """A payload that is one number, as text or as a float from a driver."""

    def __init__(self, channels: Sequence[Channel]) -> None:
        self._channels = tuple(channels)

    def take(self, arrival: Arrival, t_ms: int, counts: Counts) -> list[Measured]:
        payload = arrival.payload
        result = payload if isinstance(payload, float) else decode.number(payload)
        return _judged([(channel, result) for channel in self._channels], arrival, t_ms, counts)


class JsonRoute:
    """A JSON payload with numbers at paths.

    Args:
        channels: probes; each `key` is a path.
        addressed: the topic names the probes, so that a malformed payload is an unreadable reading of each; on a
            shared line nobody can tell whose it was.
    """

    def __init__(self, channels: Sequence[Channel], addressed: bool) -> None:
        self._paths: list[tuple[Channel, decode.Path]] = [
            (channel, decode.parse_path(channel.probe.key)) for channel in channels
        ]
        self._names = tuple({name for _, path in self._paths for name in decode.quoted(path)})
        self._addressed = addressed

    def take(self, arrival: Arrival, t_ms: int, counts: Counts) -> list[Measured]:
        payload = arrival.payload
        document = decode.MALFORMED if isinstance(payload, float) else decode.json_document(payload, self._names)
        if document is decode.MALFORMED:
            counts["undecodable"] += 1
            if not self._addressed:
                return []
            return _judged([(channel, decode.UNREADABLE) for channel, _ in self._paths], arrival, t_ms, counts)
        found = [(channel, decode.at_path(document, path)) for channel, path in self._paths]
        # Of a device that was switched to the other unit the message knows, and the settings do not.
        units = units_in(document) if not isinstance(payload, float) and b"nit" in payload else NONE_SAID
        return _judged(found, arrival, t_ms, counts, units)


class CsvRoute:
    """A line of columns, named by the settings or by a header line.

    A line is a header when it names every wanted column and holds no number; a later header replaces an earlier one
    (the device was restarted). A line with another number of fields than the header is refused: a field is missing,
    and nobody can tell which. So is one whose numbers the separator has cut in two.
    """

    def __init__(self, channels: Sequence[Channel], columns: Sequence[str], separator: str, comma: bool) -> None:
        self._channels = tuple((channel, channel.probe.key.encode()) for channel in channels)
        self._separator, self._comma, self._by_comma = separator.encode(), comma, separator == ","
        self._named = bool(columns)
        self._columns = [column.encode() for column in columns]
        self._places = self._find_places()

    def _find_places(self) -> list[tuple[Channel, int]]:
        return [(channel, self._columns.index(key)) for channel, key in self._channels if key in self._columns]

    def _is_header(self, cells: list[bytes]) -> bool:
        wanted = all(cells.count(key) == 1 for _, key in self._channels)
        return wanted and not any(isinstance(decode.number(cell, self._comma), float) for cell in cells)

    def take(self, arrival: Arrival, t_ms: int, counts: Counts) -> list[Measured]:
        cells = decode.fields(arrival.payload, self._separator) if isinstance(arrival.payload, bytes) else []
        if self._is_header(cells):
            if not self._named:
                self._columns = cells
                self._places = self._find_places()
            return []
        if arrival.topic == FIRST_LINE:
            return []
        if not self._columns or len(cells) != len(self._columns) or (self._by_comma and decode.torn(cells)):
            counts["undecodable"] += 1
            return []
        # An empty field is a probe that says nothing this time, not a broken one.
        pairs = [
            (channel, decode.number(cells[at], self._comma) if cells[at] else decode.ABSENT)
            for channel, at in self._places
        ]
        return _judged(pairs, arrival, t_ms, counts)


class KeysRoute:
    """A line of `key=value` pairs."""

    def __init__(self, channels: Sequence[Channel], comma: bool) -> None:
        self._comma = comma
        self._channels = tuple((channel, channel.probe.key.encode()) for channel in channels)

    def take(self, arrival: Arrival, t_ms: int, counts: Counts) -> list[Measured]:
        pairs = (
            decode.key_values(arrival.payload, self._comma) if isinstance(arrival.payload, bytes) else decode.MALFORMED
        )
        if isinstance(pairs, decode.Bad):
            counts["undecodable"] += 1
            return []
        found = [
            (channel, decode.number(pairs[key], self._comma) if key in pairs else decode.ABSENT)
            for channel, key in self._channels
        ]
        return _judged(found, arrival, t_ms, counts)


def topic_route(channels: Sequence[Channel]) -> Route:
    """The route of one topic: plain numbers where no probe asks for a path into JSON."""
    if any(channel.probe.key for channel in channels):
        return JsonRoute(channels, addressed=True)
    return NumberRoute(channels)
