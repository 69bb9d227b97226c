"""What a night came to, from the journal: for the summary at the end of the person's sleep. Reads, decides nothing."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

from msgspec.structs import replace

from kojimon.contract import keys
from kojimon.contract.events import AlarmChange, StepMissed
from kojimon.contract.inputs import Duty, Woke
from kojimon.journal.reading.reader import Reader
from kojimon.model import Event, Place, Priority, Quality, Quantity

EVENTS_MOST: Final = 5000
"""So many events are looked at, the newest; a night brings forth some dozens."""
LISTED_MOST: Final = 12



def night(reader: Reader, incubator: str, since_ms: int, until_ms: int) -> Duty | None:
    """The summary of one incubator's night; None when no batch was open in it.

    Args:
        since_ms, until_ms: engine times of its beginning and end.
    """
    batches = reader.batches(incubator)
    if not any(row.started_t_ms < until_ms and (row.ended_t_ms or until_ms) > since_ms for row in batches):
        return None
    found = reader.events(after_no=max(0, reader.last_event() - EVENTS_MOST), limit=EVENTS_MOST)
    events = [event for event in found if event.incubator == incubator and since_ms <= event.t_ms < until_ms]
    woke, told = _alarms(events)
    low_c, high_c = _koji(reader, incubator, since_ms, until_ms)
    missed = tuple(name for name in _steps(events, "step-missed") if name not in _optional(events))
    return Duty(
        name="summary", incubator=incubator, since_ms=since_ms, until_ms=until_ms, low_c=low_c, high_c=high_c,
        woke=tuple(woke[:LISTED_MOST]), told=told, unheard=_unheard(found, since_ms, until_ms),
        done=_steps(events, "step-done"), missed=missed,
    )  # fmt: skip


def _koji(reader: Reader, incubator: str, since_ms: int, until_ms: int) -> tuple[float, float] | tuple[None, None]:
    """Coldest and hottest good reading of all probes in the koji; None where there was none."""
    bed = (incubator, str(Place.BED), str(Quantity.TEMPERATURE))
    probes = [probe.no for probe in reader.probes() if (probe.incubator, probe.place, probe.quantity) == bed]
    values = [
        value
        for no in probes
        for _, value, quality in reader.series(no, since_ms, until_ms)
        if value is not None and quality == Quality.GOOD
    ]
    return (min(values), max(values)) if values else (None, None)


def _alarms(events: Sequence[Event]) -> tuple[list[Woke], int]:
    """Occurrences that called in the night: those that wake in full, the number of the others."""
    woke: dict[tuple[str, int], Woke] = {}
    told: set[tuple[str, int]] = set()
    for event in events:
        what = event.what
        if not isinstance(what, AlarmChange) or event.key == "test":
            continue
        name, over = (event.key, what.occurrence), what.event == "off"
        if name in woke and over:
            woke[name] = replace(woke[name], lasted_ms=event.t_ms - woke[name].since_ms)
        elif what.to == "UNACK" and not over and what.priority == Priority.WAKE:
            one = Woke(key=event.key, tray=what.tray, side=what.side, since_ms=what.since_ms or event.t_ms)
            woke.setdefault(name, one)
        elif what.to == "UNACK" and not over and what.priority == Priority.TELL:
            told.add(name)
    return list(woke.values()), len(told - set(woke))


def _unheard(events: Sequence[Event], since_ms: int, until_ms: int) -> tuple[str, ...]:
    """Channels known to have failed at some time of the night, also since before it."""
    found: dict[str, bool] = {}
    for event in events:
        key, what = keys.parse(event.key), event.what
        if not isinstance(what, AlarmChange) or event.t_ms >= until_ms:
            continue
        if not isinstance(key, keys.Health) or key.part != "delivery":
            continue
        failed = what.event != "off"
        if failed or event.t_ms < since_ms:
            found[key.name] = failed
    return tuple(sorted(name for name, failed in found.items() if failed)[:LISTED_MOST])


def _steps(events: Sequence[Event], kind: str) -> tuple[str, ...]:
    return tuple(dict.fromkeys(event.key for event in events if event.kind == kind))[:LISTED_MOST]


def _optional(events: Sequence[Event]) -> set[str]:
    return {event.key for event in events if isinstance(event.what, StepMissed) and event.what.optional}
