"""What the engine states, as values: one record a kind. Who did it, where, and what it is about stand in `model.Event`.

Stored as `kind` and a JSON object of the record's fields; what stands at its default is left out. `act` is the row of
the act that brought it forth. Times are engine ms, values °C or %.
"""

from __future__ import annotations

from typing import Any, Final

import msgspec
from msgspec import field

from kojimon.contract import earlier
from kojimon.contract.batch_events import *  # noqa: F403 one list of events, in two files for its length alone
from kojimon.contract.batch_events import Fact, Said
from kojimon.contract.inputs import UNREAD, Woke
from kojimon.contract.kinds import of_kind, record

# --- alarms (key: the alarm's) --------------------------------------------------------------------------------------


class AlarmChange(Said, frozen=True, kw_only=True):
    """An alarm came, went, changed or called again.

    `from`, `to`: its states; `event`: what happened to it (`alarms.states.Signal`). `first`: key of the alarm that came
    first of those within a minute. `ended`: why it ended without being back to normal (`stage`, `batch`, `limit`,
    true); `limit_now`: the stage's limit is another now. `lasted_ms`: how long it held. `until_ms`: end of its shelf.
    `room`: °C. `probe_test`: the probe that was warmed. `last`: a silent probe's last value. The others are as in
    the state document.
    """

    kind = "alarm"
    was: str = field(default="", name="from")
    to: str = ""
    event: str = ""
    level: str = ""
    priority: str = "log"
    occurrence: int = 0
    value: float | None = None
    limit: float | None = None
    probe: str = ""
    tray: str = ""
    place: str = ""
    quantity: str = ""
    side: str = ""
    since_ms: int | None = None
    calls: int = 0
    first: str = ""
    rate_per_h: float | None = None
    air_c: float | None = None
    own_heat: bool = False
    dries: bool = False
    text: str = ""
    label: str = ""
    causes: tuple[str, ...] = ()
    total_ms: int | None = None
    left_s: float | None = None
    early_s: float | None = None
    late_s: float | None = None
    in_10: int | None = None
    quality: int = 0
    last: float | None = None
    room: float | None = None
    ended: bool | str = False
    limit_now: float | None = None
    lasted_ms: int | None = None
    until_ms: int | None = None
    reason: str = ""
    probe_test: str = ""
    work: bool = False
    test: bool = False
    answered: bool = False
    expired: bool = False
    removed: bool = False
    corrected: bool = False


class Silenced(Said, frozen=True, kw_only=True):
    """No noise until `until_ms`, not acknowledged."""

    kind = "silenced"
    occurrence: int = 0
    until_ms: int = 0


class Confirmed(Said, frozen=True, kw_only=True):
    """It is dealt with."""

    kind = "confirmed"
    occurrence: int = 0
    text: str = ""


class ProbeTestBegin(Said, frozen=True, kw_only=True):
    """A probe (key) is to be warmed to `limit` until `until_ms`."""

    kind = "probe-test-begin"
    limit: float = 0.0
    until_ms: int = 0


class ProbeTestMissed(Fact, frozen=True, kw_only=True):
    """It was not warmed in time."""

    kind = "probe-test-missed"


# --- box and probes -------------------------------------------------------------------------------------------------


class Working(Said, frozen=True, kw_only=True):
    """Hands are in the koji, until `until_ms` at most."""

    kind = "working"
    until_ms: int = 0


class Setpoint(Said, frozen=True, kw_only=True):
    """The box was set anew, where known to `to_c`; or its heat is `off`."""

    kind = "setpoint"
    to_c: float | None = None
    off: bool = False


class ProbeMoved(Said, frozen=True, kw_only=True):
    """A probe (key) is in another tray; the journal's places follow it.

    `home`: the tray of the settings. `settled_ms`: its trend counts from then. `ended`: it is back at a batch's end.
    """

    kind = "probe-moved"
    tray: str = ""
    before: str = ""
    home: str = ""
    settled_ms: int = 0
    ended: bool = False


class ProbeBack(Said, frozen=True, kw_only=True):
    """The question after work, whether the probe is back in the koji.

    Key: asked, said, seen, unanswered, withdrawn; follows (koji that was warm before reads as the box's air for an
    hour: `probe`, `value`, `air_c`); fell (a probe fell further than koji does, and counts as
    none until it is back; an alarm of hot koji stays: `probe`, `from_c`, `value`). Unanswered and these two are told.
    """

    kind = "probe-back"
    step: str = ""
    mark: int | None = None
    at_ms: int | None = None
    until_ms: int | None = None
    probes: int = 0
    doubted: bool = False
    probe: str = ""
    from_c: float | None = None
    value: float | None = None
    air_c: float | None = None


class Calibration(Said, frozen=True, kw_only=True):
    """A calibration of a probe (key) is stored: (raw, true) pairs; none takes the stored one back."""

    kind = "calibration"
    points: tuple[tuple[float, float], ...] = ()
    date: str = ""
    note: str = ""


# --- the daemon -----------------------------------------------------------------------------------------------------


class Start(Fact, frozen=True, kw_only=True):
    """We are up again, after `gap_ms`."""

    kind = "start"
    gap_ms: int = 0
    clean: bool = False
    boot: int = 0
    gap_source: str = ""
    version: str = ""


class Stop(Fact, frozen=True, kw_only=True):
    """The daemon ends in order."""

    kind = "stop"
    reason: str = ""


class ClockStep(Fact, frozen=True, kw_only=True):
    """The wall clock was set; nothing in the schedule moves."""

    kind = "clock-step"
    step_ms: int = 0
    trusted: bool = False


class Anchor(Fact, frozen=True, kw_only=True):
    """The gap before the boot that began at `at_ms` was longer than believed."""

    kind = "anchor"
    at_ms: int = 0
    delta_ms: int = 0


class Settings(Fact, frozen=True, kw_only=True):
    """New settings are in force (key: their hash)."""

    kind = "settings"


class Gap(Fact, frozen=True, kw_only=True):
    """Readings of a source (key) were dropped."""

    kind = "gap"
    dropped: int = 0


class Summary(Fact, frozen=True, kw_only=True):
    """What the night came to, as in the input `duty`; told."""

    kind = "summary"
    since_ms: int = 0
    until_ms: int = 0
    low_c: float | None = None
    high_c: float | None = None
    woke: tuple[Woke, ...] = ()
    told: int = 0
    unheard: tuple[str, ...] = ()
    done: tuple[str, ...] = ()
    missed: tuple[str, ...] = ()


class Forecast(Said, frozen=True, kw_only=True):
    """What is to be told of a forecast; a good one makes no event.

    Key: known (the first that knows), contradicted, agrees, refused (with `reason`, once until a good one comes),
    learnt (`of` a batch, its `input`), forgotten (a `schedule`, or all).
    """

    kind = "forecast"
    reason: str = ""
    hour: float | None = None
    miss_k: float | None = None
    input: int = 0
    of: str = ""
    schedule: str = ""
    batches: int | None = None


class Other(Fact, frozen=True, kw_only=True):
    """What this version does not know, as it was written."""

    name: str
    data: dict[str, Any] = field(default_factory=dict)


OF_KIND: Final = of_kind(Fact)
UNREADABLE: Final = Other(name=UNREAD)


def kind_of(fact: Fact) -> str:
    """The kind of an event."""
    return fact.name if isinstance(fact, Other) else fact.kind


def plain(fact: Fact) -> Any:
    """What JSON is made of."""
    return fact.data if isinstance(fact, Other) else fact


def read(kind: str, text: str | bytes) -> Fact:
    """What is stated, from its kind and JSON; null counts as absent. Raises msgspec.DecodeError where it is none."""
    kind, text = earlier.word(kind), earlier.json(text)
    if kind not in OF_KIND:
        return Other(name=kind, data=msgspec.json.decode(text, type=dict[str, Any]))
    return record(text, OF_KIND[kind])
