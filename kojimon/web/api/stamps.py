"""Times and errors as the API says them: ISO 8601 in UTC beside every engine time, errors with what is wanted."""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, datetime
from functools import lru_cache
from typing import Any, TypeVar

from msgspec import Struct, to_builtins
from msgspec.structs import replace

from kojimon.model import Event, Reply, plain_event

UtcOf = Callable[[int], tuple[int, bool]]
"""Engine ms to (UTC ms, whether trusted)."""

TIMES = {"t_ms": "utc", "since_ms": "since_utc"}


def iso_utc(utc_ms: int) -> str:
    """`2026-01-31T14:20:00.000Z`, or "" for a moment no calendar holds."""
    try:
        moment = datetime.fromtimestamp(utc_ms / 1000, tz=UTC)
    except (OverflowError, ValueError, OSError):
        return ""
    return moment.isoformat(timespec="milliseconds").replace("+00:00", "Z")


def _utc_name(name: str) -> str | None:
    if name in TIMES:
        return TIMES[name]
    return f"{name.removesuffix('_t_ms')}_utc" if name.endswith("_t_ms") else None


R = TypeVar("R", bound=Struct)


def stamped(record: R, utc_of: UtcOf) -> R:
    """A record of `contract.state` with each `X_utc` filled in from its `X_t_ms`, and so in the records within it."""
    changed: dict[str, Any] = {}
    for name, utc_name in _fields(type(record)):
        value = getattr(record, name)
        if utc_name is not None:
            changed[utc_name] = None if value is None or value < 0 else iso_utc(utc_of(value)[0])
        elif isinstance(value, Struct):
            changed[name] = stamped(value, utc_of)
        elif isinstance(value, tuple) and value and isinstance(value[0], Struct):
            changed[name] = tuple(stamped(one, utc_of) for one in value)
    return replace(record, **changed) if changed else record


@lru_cache(maxsize=64)
def _fields(kind: type[Struct]) -> tuple[tuple[str, str | None], ...]:
    """Its fields, and with a time the field that says the same in UTC."""
    names = kind.__struct_fields__
    return tuple((name, other if (other := _utc_name(name)) in names else None) for name in names)


def event_document(event: Event, utc_of: UtcOf) -> dict[str, Any]:
    """An event as the API and MQTT say it."""
    document: dict[str, Any] = with_utc(to_builtins(plain_event(event)), utc_of)
    return document


def reply_document(reply: Reply, utc_of: UtcOf) -> dict[str, Any]:
    """What came of an act, as the API says it."""
    events = [event_document(event, utc_of) for event in reply.events]
    return {"seq": reply.seq, "events": events, "repeated": reply.repeated, "recorded": reply.recorded}


def with_utc(document: Any, utc_of: UtcOf) -> Any:
    """A copy of plain data with `X_utc` beside every `X_t_ms` (and `utc` beside `t_ms`)."""
    if isinstance(document, list | tuple):
        return [with_utc(item, utc_of) for item in document]
    if not isinstance(document, dict):
        return document
    stamped: dict[str, Any] = {}
    for name, value in document.items():
        stamped[name] = with_utc(value, utc_of)
        other = _utc_name(name)
        if other is not None and (value is None or isinstance(value, int)):
            stamped[other] = None if value is None or value < 0 else iso_utc(utc_of(value)[0])
    return stamped
