"""What people do, on its way into the engine: moments resolved, queued, answered once it is on the disk.

A door hands over an `Act`. A moment in the past may be given in three ways, for each field `X_t_ms` of an act:
`X_t_ms` (engine time), `X_ago_s` (seconds ago) or `X_utc` (ISO 8601 with a zone). The last two become `X_t_ms` here and
nowhere else.
"""

from __future__ import annotations

import threading
from collections.abc import Callable
from typing import NamedTuple, Protocol

from msgspec.structs import replace

from kojimon.contract.acts import Act, BatchStart, Dated
from kojimon.contract.events import Refused
from kojimon.errors import KojimonError, NotRunningError, RefusedError
from kojimon.model import Reply
from kojimon.units import parse_utc_ms

LONGEST_AGO_MS = 60 * 86_400_000
ACT_TIMEOUT_S = 10.0


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
            if isinstance(event.what, Refused):
                raise RefusedError(event.what.reason)
        return self.reply


def busy() -> BusyError:
    """The answer when the queue of acts is full."""
    return BusyError("busy: too many acts are waiting; try again in a few seconds")


def stopping() -> NotRunningError:
    """The answer while the daemon stops."""
    return NotRunningError("kojimon is stopping; nothing was done")


# -- moments ---------------------------------------------------------------------------------------------------


def resolve_moments(act: Act, now: Moment, calendar: Callable[[], Calendar | None]) -> Act:
    """The act with every `X_ago_s` and `X_utc` turned into `X_t_ms`.

    Args:
        calendar: fetches the journal's stamps; called only when a moment lies before this boot.

    Raises:
        RefusedError: an absolute time while the clock is not trusted, a time to come, or something that is no time.
    """
    deed = act.deed
    if isinstance(deed, Dated):
        given = Given("at", deed.at_t_ms, deed.at_ago_s, deed.at_utc)
        deed = replace(deed, at_t_ms=_t_ms(given, now, calendar), at_ago_s=None, at_utc=None)
    elif isinstance(deed, BatchStart):
        given = Given("hour0", deed.hour0_t_ms, deed.hour0_ago_s, deed.hour0_utc)
        deed = replace(deed, hour0_t_ms=_t_ms(given, now, calendar), hour0_ago_s=None, hour0_utc=None)
    return replace(act, deed=deed)


class Given(NamedTuple):
    """A moment as it is given: by its name in the act, and in one of three ways."""

    name: str
    t_ms: int | None
    ago_s: float | None
    utc: str | None


def _t_ms(given: Given, now: Moment, calendar: Callable[[], Calendar | None]) -> int | None:
    """The engine time of a moment, None where it is not given."""
    name, t_ms = given.name, given.t_ms
    ways = [way for way in ("t_ms", "ago_s", "utc") if getattr(given, way) is not None]
    if len(ways) > 1:
        raise RefusedError(f"{' and '.join(f'{name}_{way}' for way in ways)}: expected one of them, not several")
    if t_ms is not None:
        ago_ms = now.t_ms - t_ms
        # The engine's `at` is never ahead.
        _checked(f"{name}_t_ms", t_ms, max(0, ago_ms) if name == "at" else ago_ms)
        return t_ms
    if given.ago_s is not None:
        return _placed(_checked(f"{name}_ago_s", given.ago_s, round(given.ago_s * 1000)), now, calendar)
    if given.utc is None:
        return None
    if not now.trusted:
        raise RefusedError(
            f"{name}_utc: {given.utc}: the clock of this computer is not set, so a time of day cannot be placed; "
            "say how long ago it was"
        )
    try:
        ago_ms = now.utc_ms - parse_utc_ms(given.utc)
    except ValueError as error:
        raise RefusedError(f"{name}_utc: {given.utc!r}: {error}") from None
    return _placed(_checked(f"{name}_utc", given.utc, ago_ms), now, calendar)


def _checked(field: str, value: object, ago_ms: int) -> int:
    if ago_ms < 0:
        raise RefusedError(f"{field}: {value}: that lies in the future; expected a moment that is past")
    if ago_ms > LONGEST_AGO_MS:
        raise RefusedError(f"{field}: {value}: that is more than 60 days ago; expected a moment within 60 days")
    return ago_ms


def _placed(ago_ms: int, now: Moment, calendar: Callable[[], Calendar | None]) -> int:
    """Within this boot engine time runs evenly; before it, the gaps count, and only trusted time knows them."""
    t_ms = now.t_ms - ago_ms
    if t_ms >= now.boot_t0_ms or not now.trusted:
        return t_ms
    stamps = calendar()
    found = stamps.t_ms(now.utc_ms - ago_ms) if stamps is not None else None
    return t_ms if found is None else found
