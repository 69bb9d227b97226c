"""An alarm as everybody reads it, from the state document or from an event."""

from __future__ import annotations

from msgspec import Struct

from kojimon.contract.events import AlarmChange


class AlarmFacts(Struct, frozen=True, kw_only=True, omit_defaults=True):
    """Facts that stay with an alarm as long as it does: its repeats and the state document say the same as its call.

    While a slow watch holds they are as they are now. Fields are those of `contract.events.AlarmChange`.
    """

    side: str = ""
    text: str = ""
    label: str = ""
    causes: tuple[str, ...] = ()
    total_ms: int | None = None
    left_s: float | None = None
    early_s: float | None = None
    late_s: float | None = None
    in_10: int | None = None
    quality: int = 0


class Alarm(AlarmFacts, frozen=True, omit_defaults=False):
    """An alarm that is up, was and waits for an answer, or is set aside.

    Attributes:
        key: `limit/PLACE/QUANTITY/high|low`, `silent/PROBE`, `blind/bed`, `expect/NAME`, `health/WHAT`,
            `test`, ...
        state: `UNACK`, `ACKED`, `RTNUN`, `LATCH-UNACK`, `LATCH-ACK`, `SHLVD`, `DSUPR`, `OOSRV` (`alarms.states`).
        active: whether its condition holds.
        level: of a limit: `high`, `high_high`, `low`, `low_low`. priority: `wake`, `tell` or `log`.
        occurrence: how often it has come. calls: how often this time has called. stale: seen, and holding for hours.
        since_t_ms: since when it holds, or held.
        side: which way a value has gone, `high` or `low`; "" where that has no meaning.
        value, limit: °C or %, at its last change; None where it has none. rate_per_h: K/h or %/h, None while unknown.
        dries: whether cold koji may stand in the dry air of a fan, uncovered.
        air_c: the box's air beside koji called too cold, or too hot where the air is hotter still; else None.
        own_heat: hot koji lies in measured air that is cool and does not rise, on no mat: it heats itself.
        probe, place, tray: "" where it is about none. quality: of a silent probe's readings, 0 where none came.
        until_t_ms: end of its pause, or latest end of the work it is held for. silent_until_t_ms: until then it is
            silenced. reason: why it is out of service.
        ended: why it ended without a reading that is back to normal: `old`, `work`, `stage`, `batch`, `doubt`
            (its probe may be out of the koji); else "".
        text, label, causes: in words, where it carries its own.
        total_ms: time added up beyond a limit.
        left_s, early_s, late_s, in_10: time to a limit by the forecast, as in `Left`.
    """

    key: str
    state: str = ""
    active: bool = False
    level: str = ""
    priority: str = "log"
    occurrence: int = 0
    calls: int = 0
    stale: bool = False
    since_t_ms: int | None = None
    since_utc: str | None = None
    value: float | None = None
    limit: float | None = None
    rate_per_h: float | None = None
    air_c: float | None = None
    own_heat: bool = False
    dries: bool = False
    probe: str = ""
    place: str = ""
    tray: str = ""
    until_t_ms: int | None = None
    until_utc: str | None = None
    silent_until_t_ms: int | None = None
    silent_until_utc: str | None = None
    reason: str = ""
    ended: str = ""

    @property
    def calls_now(self) -> bool:
        """Whether it makes a noise now."""
        return self.priority == "wake" and self.state == "UNACK" and self.silent_until_t_ms is None

    @property
    def holds(self) -> bool:
        """Whether it holds and is set aside by nobody."""
        return self.state in ("UNACK", "ACKED")


class ListedAlarm(Alarm, frozen=True, kw_only=True):
    """An alarm with its incubator's name beside it; "" for one of the whole site."""

    incubator: str = ""


def listed_as(incubator: str, alarm: Alarm) -> ListedAlarm:
    """The alarm with its incubator's name beside it."""
    return ListedAlarm(**{name: getattr(alarm, name) for name in Alarm.__struct_fields__}, incubator=incubator)


def alarm_of(key: str, what: AlarmChange) -> Alarm:
    """The alarm an event `alarm` is about, as far as it says."""
    return Alarm(key, what.to, since_t_ms=what.since_ms, **{name: getattr(what, name) for name in _SHARED})


_SHARED = frozenset(Alarm.__struct_fields__) & frozenset(AlarmChange.__struct_fields__) - {"until_t_ms", "ended"}
