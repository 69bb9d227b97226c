"""What a night came to, from the journal: for the summary at the end of the person's sleep. Reads, decides nothing."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, Final

from kojimon.contract import keys
from kojimon.journal.reading.reader import Reader
from kojimon.model import Event, Place, Priority, Quality, Quantity

EVENTS_MOST: Final = 5000
"""So many events are looked at, the newest; a night brings forth some dozens."""
LISTED_MOST: Final = 12

Facts = dict[str, Any]


def night(reader: Reader, incubator: str, since_ms: int, until_ms: int) -> Facts | None:
    """The facts of one incubator's night; None when no batch was open in it.

    Args:
        since_ms, until_ms: engine times of its beginning and end.

    Returns:
        since_ms, until_ms; low_c and high_c of the koji where it was measured; `woke`, each with key, tray, since_ms,
        lasted_ms (None: goes on); `told`, how many other alarms; `unheard`, the channels over which no message got out
        for some of it; `done` and `missed`, names of steps.
    """
    batches = reader.batches(incubator)
    if not any(row.started_t_ms < until_ms and (row.ended_t_ms or until_ms) > since_ms for row in batches):
        return None
    found = reader.events(after_no=max(0, reader.last_event() - EVENTS_MOST), limit=EVENTS_MOST)
    events = [event for event in found if event.incubator == incubator and since_ms <= event.t_ms < until_ms]
    woke, told = _alarms(events)
    return {
        "since_ms": since_ms,
        "until_ms": until_ms,
        **_koji(reader, incubator, since_ms, until_ms),
        "woke": woke[:LISTED_MOST],
        "told": told,
        "unheard": _unheard(found, since_ms, until_ms),
        "done": _steps(events, "step-done"),
        "missed": [name for name in _steps(events, "step-missed") if name not in _optional(events)],
    }


def _koji(reader: Reader, incubator: str, since_ms: int, until_ms: int) -> Facts:
    """Coldest and hottest good reading of all probes in the koji."""
    bed = (incubator, str(Place.BED), str(Quantity.TEMPERATURE))
    probes = [probe.no for probe in reader.probes() if (probe.incubator, probe.place, probe.quantity) == bed]
    values = [
        value
        for no in probes
        for _, value, quality in reader.series(no, since_ms, until_ms)
        if value is not None and quality == Quality.GOOD
    ]
    return {"low_c": min(values), "high_c": max(values)} if values else {}


def _alarms(events: Sequence[Event]) -> tuple[list[Facts], int]:
    """Occurrences that called in the night: those that wake in full, the number of the others."""
    woke: dict[tuple[str, int], Facts] = {}
    told: set[tuple[str, int]] = set()
    for event in events:
        if event.kind != "alarm" or event.key == "test":
            continue
        data, name = event.data, (event.key, int(event.data.get("occurrence") or 0))
        over = data.get("event") == "off"
        if name in woke and over:
            woke[name]["lasted_ms"] = event.t_ms - woke[name]["since_ms"]
        elif data.get("to") == "UNACK" and not over and data.get("priority") == Priority.WAKE:
            facts = {"key": event.key, "tray": data.get("tray", ""), "side": data.get("side", "")}
            woke.setdefault(name, {**facts, "since_ms": int(data.get("since_ms") or event.t_ms), "lasted_ms": None})
        elif data.get("to") == "UNACK" and not over and data.get("priority") == Priority.TELL:
            told.add(name)
    return list(woke.values()), len(told - set(woke))


def _unheard(events: Sequence[Event], since_ms: int, until_ms: int) -> list[str]:
    """Channels known to have failed at some time of the night, also since before it."""
    found: dict[str, bool] = {}
    for event in events:
        key = keys.parse(event.key) if event.kind == "alarm" and event.t_ms < until_ms else None
        if not isinstance(key, keys.Health) or key.part != "delivery":
            continue
        failed = event.data.get("event") != "off"
        if failed or event.t_ms < since_ms:
            found[key.name] = failed
    return sorted(name for name, failed in found.items() if failed)[:LISTED_MOST]


def _steps(events: Sequence[Event], kind: str) -> list[str]:
    return list(dict.fromkeys(event.key for event in events if event.kind == kind))[:LISTED_MOST]


def _optional(events: Sequence[Event]) -> set[str]:
    return {event.key for event in events if event.kind == "step-missed" and event.data.get("optional")}
