"""What the engine is given besides readings, as values: one record a kind. An act is one of them (`contract.acts`).

Stored as `kind` and a JSON object of the record's fields. A field that is absent or null stands at its default, one
that this version does not know is passed over, and a kind that it does not know is kept as it was written.
"""

from __future__ import annotations

from typing import Any, ClassVar, Final

import msgspec
from msgspec import Raw, Struct

from kojimon.contract import acts, earlier
from kojimon.contract.kinds import of_kind, record

ACT: Final = "act"
UNREAD: Final = "unread"
"""Kind of an input or event whose record cannot be decoded: nobody takes it for what it was."""


class Input(Struct, frozen=True):
    """Anything but a reading or an act."""

    kind: ClassVar[str] = ""


class Start(Input, frozen=True, kw_only=True):
    """The daemon is up again; the row stands at horizon + gap, and no split of the input lies inside the gap.

    `clean`: the last stop was orderly. `gap_ms`: how long we were away, between `gap_low_ms` and `gap_high_ms` (null:
    unknown), known from `gap_source`. `boot`: number of the boot in the journal.
    """

    kind = "start"
    boot: int = 0
    boot_id: str = ""
    boot_ms: int = 0
    wall_ms: int = 0
    trusted: bool = False
    clean: bool = False
    horizon_ms: int = 0
    gap_ms: int = 0
    gap_source: str = ""
    gap_low_ms: int = 0
    gap_high_ms: int | None = None
    version: str = ""


class Stop(Input, frozen=True, kw_only=True):
    """The daemon ends in order."""

    kind = "stop"
    reason: str = ""


class Clock(Input, frozen=True, kw_only=True):
    """Boot time and wall time of one moment; `step_ms` is 0 when it is the hourly one."""

    kind = "clock"
    boot: int = 0
    boot_id: str = ""
    boot_ms: int = 0
    wall_ms: int = 0
    trusted: bool = False
    step_ms: int = 0


class Anchor(Input, frozen=True, kw_only=True):
    """The gap before a boot was longer than believed by `delta_ms`."""

    kind = "anchor"
    boot: int
    delta_ms: int


class Settings(Input, frozen=True, kw_only=True):
    """What is to be judged by: the engine's setup (`engine.setup.EngineSetup`) and the settings whole, for the record.

    The journal stores both once a hash.
    """

    kind = "settings"
    hash: str = ""
    setup: Raw = Raw(b"{}")
    settings: Raw = Raw(b"null")


class Health(Input, frozen=True, kw_only=True):
    """How a part of the daemon is.

    `what`: disk, broker:NAME, serial:NAME, mirror, delivery:CHANNEL, heartbeat, page, site:NAME, ... `wake`: people are
    got up for it.
    """

    kind = "health"
    what: str = ""
    ok: bool = False
    text: str = ""
    wake: bool = False


class Gap(Input, frozen=True, kw_only=True):
    """Readings of a source that were dropped, counted."""

    kind = "gap"
    source: str = ""
    dropped: int = 0
    since_ms: int = 0


class Forecast(Input, frozen=True, kw_only=True):
    """A forecast of a batch, made for the engine time `made_ms`; packed (`forecast.kept.pack(thin(...))`, 1.5 KB)."""

    kind = "forecast"
    incubator: str = ""
    batch: str = ""
    made_ms: int | None = None
    forecast: Any = None


class Prior(Input, frozen=True, kw_only=True):
    """What a harvested batch leaves for the next ones (`forecast.answers.Prior`)."""

    kind = "prior"
    incubator: str = ""
    schedule: str = ""
    batch: str = ""
    prior: dict[str, Any] = {}


class Woke(Struct, frozen=True, kw_only=True):
    """An alarm that called in the night; `lasted_ms` is null where it goes on."""

    key: str
    tray: str = ""
    side: str = ""
    since_ms: int = 0
    lasted_ms: int | None = None


class Night(Struct, frozen=True, kw_only=True, omit_defaults=True):
    """What a night came to in one box.

    `low_c`, `high_c`: of the koji where it was measured. `told`: how many other alarms. `unheard`: channels over which
    no message got out for some of it. `done`, `missed`: names of steps.
    """

    since_ms: int = 0
    until_ms: int = 0
    low_c: float | None = None
    high_c: float | None = None
    woke: tuple[Woke, ...] = ()
    told: int = 0
    unheard: tuple[str, ...] = ()
    done: tuple[str, ...] = ()
    missed: tuple[str, ...] = ()


class Duty(Night, Input, frozen=True, kw_only=True, omit_defaults=True):
    """A duty of the calendar is done: `summary`, what the night came to; stated as event `summary` and told."""

    kind = "duty"
    name: str = ""
    incubator: str = ""


class Other(Input, frozen=True, kw_only=True):
    """What this version does not know, as it was written."""

    name: str
    data: dict[str, Any] = {}


def unread(kind: str) -> Other:
    """What stands for an input of some kind that cannot be decoded."""
    return Other(name=UNREAD, data={"kind": kind})


What = Input | acts.Act
OF_KIND: Final = of_kind(Input)


def kind_of(what: What) -> str:
    """The kind of an input."""
    if isinstance(what, acts.Act):
        return ACT
    return what.name if isinstance(what, Other) else what.kind


def plain(what: What) -> Any:
    """What JSON is made of."""
    if isinstance(what, acts.Act):
        return acts.plain(what)
    return what.data if isinstance(what, Other) else what


def read(kind: str, text: str | bytes) -> What:
    """An input from its kind and JSON. Raises msgspec.DecodeError where it is none of that kind."""
    text = earlier.json(text)
    if kind == ACT:
        return acts.typed(msgspec.json.decode(text, type=acts.PlainAct))
    if kind not in OF_KIND:
        return Other(name=kind, data=msgspec.json.decode(text, type=dict[str, Any]))
    return record(text, OF_KIND[kind])
