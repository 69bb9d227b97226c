"""What people do, on its way into the engine: moments resolved, queued, answered once it is on the disk.

A door hands over an `Act`. A moment in the past may be given in three ways, for each field `X_t_ms` of an act:
`X_t_ms` (engine time), `X_ago_s` (seconds ago) or `X_utc` (ISO 8601 with a zone). The last two become `X_t_ms` here and
nowhere else.
"""

from __future__ import annotations

import threading
from collections.abc import Callable
from datetime import UTC, datetime
from math import isfinite
from typing import Any, NamedTuple, Protocol

from msgspec import Struct

from kojimon.errors import KojimonError, NotRunningError, RefusedError
from kojimon.model import Act, Event

MOMENTS = ("at", "hour0")
LONGEST_AGO_MS = 60 * 86_400_000
ACT_TIMEOUT_S = 10.0


class Reply(Struct, frozen=True):
    """What came of an act, once it is on the disk.

    Attributes:
        seq: number of its row.
        events: what the engine stated about it.
        repeated: its idempotency key was known, nothing was done again.
        recorded: False while storage fails and it counts in memory only.
    """

    seq: int
    events: tuple[Event, ...] = ()
    repeated: bool = False
    recorded: bool = True


class BusyError(KojimonError):
    """Too many acts are waiting."""


class Moment(NamedTuple):
    """The daemon's present, as acts are placed in time.

    Attributes:
        t_ms: engine time now; boot_t0_ms: engine time at which this boot's count began.
        utc_ms: wall time now; trusted: whether it is known to be right.
    """

    t_ms: int
    boot_t0_ms: int
    utc_ms: int
    trusted: bool


class Calendar(Protocol):
    """Turns UTC into engine time (`journal.stamps.Stamps`)."""

    def t_ms(self, utc_ms: int) -> int | None:
        """Engine time of a UTC, None where no boot covers it."""


class PendingAct:
    """An act under way from a door through the core to the disk. Waited on by the door's thread."""

    def __init__(self, act: Act) -> None:
        self.act = act
        self.reply = Reply(0)
        self.failure: KojimonError | None = None
        self._done = threading.Event()

    def answer(self, reply: Reply) -> None:
        """It is on the disk."""
        self.reply = reply
        self._done.set()

    def fail(self, failure: KojimonError) -> None:
        """It will not be done."""
        self.failure = failure
        self._done.set()

    def wait(self, timeout_s: float) -> Reply:
        """The reply. Raises what went wrong; RefusedError with the engine's words when it was refused."""
        if not self._done.wait(timeout_s):
            raise KojimonError(
                f"{self.act.kind}: not on the disk after {timeout_s:g} s; "
                "it may still be done, so look before trying again"
            )
        if self.failure is not None:
            raise self.failure
        for event in self.reply.events:
            if event.kind == "refused":
                raise RefusedError(str(event.data.get("reason", "refused")))
        return self.reply


def busy() -> BusyError:
    """The answer when the queue of acts is full."""
    return BusyError("busy: too many acts are waiting; try again in a few seconds")


def stopping() -> NotRunningError:
    """The answer while the daemon stops."""
    return NotRunningError("the daemon is stopping; nothing was done")


# -- moments ---------------------------------------------------------------------------------------------------


def resolve_moments(act: Act, now: Moment, calendar: Callable[[], Calendar | None]) -> Act:
    """The act with every `X_ago_s` and `X_utc` turned into `X_t_ms`.

    Args:
        calendar: fetches the journal's stamps; called only when a moment lies before this boot.

    Raises:
        RefusedError: an absolute time while the clock is not trusted, a time to come, or something that is no time.
    """
    data = dict(act.data)
    for name in MOMENTS:
        ago_ms, t_ms = _ago_ms(data, name, now), data.get(f"{name}_t_ms")
        if ago_ms is not None:
            data[f"{name}_t_ms"] = _placed(ago_ms, now, calendar)
        elif t_ms is not None:
            past_ms = now.t_ms - t_ms
            _checked(
                f"{name}_t_ms", t_ms, max(0, past_ms) if name == "at" else past_ms
            )  # the engine's `at` is never ahead
    return Act(act.kind, act.incubator, act.who, act.channel, act.idempotency, data)


def _ago_ms(data: dict[str, Any], name: str, now: Moment) -> int | None:
    """How long ago the moment `name` was, None where it is not given; takes the fields out of data."""
    given = [key for key in (f"{name}_t_ms", f"{name}_ago_s", f"{name}_utc") if data.get(key) is not None]
    ago, utc = data.pop(f"{name}_ago_s", None), data.pop(f"{name}_utc", None)
    if len(given) > 1:
        raise RefusedError(f"{' and '.join(given)}: one of them is wanted, not several")
    if ago is not None:
        return _checked(f"{name}_ago_s", ago, _seconds(f"{name}_ago_s", ago))
    if utc is None:
        return None
    if not now.trusted:
        raise RefusedError(
            f"{name}_utc: {utc}: the clock of this machine is not set, so a time of day cannot be placed; "
            "say how long ago it was"
        )
    return _checked(f"{name}_utc", utc, now.utc_ms - _utc_ms(f"{name}_utc", utc))


def _seconds(field: str, value: object) -> int:
    if isinstance(value, bool) or not isinstance(value, (int, float)) or not isfinite(value * 1000):
        raise RefusedError(f"{field}: {value!r}: a number of seconds is wanted")
    return round(value * 1000)


def _utc_ms(field: str, value: object) -> int:
    try:
        moment = datetime.fromisoformat(str(value))
    except ValueError:
        moment = None
    if moment is None or moment.tzinfo is None:
        raise RefusedError(f"{field}: {value!r}: a time with its zone is wanted, as in 2026-01-31T14:20:00+01:00")
    return round(moment.astimezone(UTC).timestamp() * 1000)


def _checked(field: str, value: object, ago_ms: int) -> int:
    if ago_ms < 0:
        raise RefusedError(f"{field}: {value}: that lies in the future; a moment that is past is wanted")
    if ago_ms > LONGEST_AGO_MS:
        raise RefusedError(f"{field}: {value}: that is more than 60 days ago; a moment within 60 days is wanted")
    return ago_ms


def _placed(ago_ms: int, now: Moment, calendar: Callable[[], Calendar | None]) -> int:
    """Within this boot engine time runs evenly; before it, the gaps count, and only trusted time knows them."""
    t_ms = now.t_ms - ago_ms
    if t_ms >= now.boot_t0_ms or not now.trusted:
        return t_ms
    stamps = calendar()
    found = stamps.t_ms(now.utc_ms - ago_ms) if stamps is not None else None
    return t_ms if found is None else found
