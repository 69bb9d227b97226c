"""How the daemon itself is, as GET /v1/health says it: one record for each part. Counts are since the part's start."""

from __future__ import annotations

from dataclasses import dataclass

from kojimon.contract.night import NightCheck


@dataclass(frozen=True, kw_only=True)
class LinkHealth:
    """A link to a device, a folder or a broker.

    Attributes:
        ok: whether it works. trouble: what is wrong, in words, "" where nothing is. opened: how often.
    """

    kind: str
    ok: bool
    trouble: str
    opened: int


@dataclass(frozen=True, kw_only=True)
class SourceHealth(LinkHealth):
    """A link that readings come from.

    Attributes:
        arrived, dropped: messages handed over, and those that a full queue did not take.
        lives: how often the source was built. running: whether there is one now.
    """

    arrived: int = 0
    dropped: int = 0
    lives: int = 0
    running: bool = True


@dataclass(frozen=True, kw_only=True)
class SerialHealth(SourceHealth):
    """Lines seen, and refused by kind; times the port was silent; advice on its name."""

    lines: int
    lines_first: int
    lines_over_long: int
    lines_binary: int
    mute: int
    advice: str


@dataclass(frozen=True, kw_only=True)
class KernelHealth(SourceHealth):
    """Rounds, reads without a number; why a file is not there, by file."""

    rounds: int
    no_reading: int
    missing: dict[str, str]


@dataclass(frozen=True, kw_only=True)
class ModbusHealth(SourceHealth):
    """Rounds, missing and refused answers, late bytes thrown away; trouble by unit."""

    rounds: int
    no_answer: int
    refused: int
    late_bytes: int
    units: dict[str, str]


@dataclass(frozen=True, kw_only=True)
class MqttHealth(LinkHealth):
    """A connection to a broker. `refused`: topics it does not send us; `callback_errors`: mistakes of our own."""

    connected: bool
    subscribed: bool
    refused: list[str]
    callback_errors: int


@dataclass(frozen=True, kw_only=True)
class MqttSourceHealth(MqttHealth, SourceHealth):
    """Messages by kind; those waiting for their commit; whether a queue of the broker's is being emptied."""

    late: int
    retained: int
    redelivered: int
    over_long: int
    bad_topic: int
    marker_missing: int
    unacknowledged: int
    emptying_queue: bool


@dataclass(frozen=True, kw_only=True)
class MqttIoHealth(MqttHealth):
    """Messages sent, refused, under way."""

    sent: int
    refused_messages: int
    under_way: int


@dataclass(frozen=True, kw_only=True)
class PublishHealth(MqttIoHealth):
    """What goes out over MQTT; whether acts are taken from there."""

    published: int
    events_waiting: int
    events_dropped: int
    acts_refused: int
    acts_on: bool


@dataclass(frozen=True, kw_only=True)
class NotifyHealth:
    """Messages to people.

    Attributes:
        waiting: to be sent. unrecorded: sent, not yet in the journal. attempts, sent: since the start.
        failing: what is wrong, by channel. senders: lives of each child process. ready: whether one waits for work.
        signs_of_life, pings: sent to the broker and to the address of the settings.
    """

    waiting: int
    unrecorded: int
    attempts: int
    sent: int
    failing: dict[str, str]
    channels: list[str]
    senders: dict[str, int]
    ready: bool
    signs_of_life: int = 0
    pings: int = 0
    night_check: NightCheck | None = None


@dataclass(frozen=True, kw_only=True)
class WatchHealth:
    """The other kitchens: seconds since the last sign of each, and the connections it comes over."""

    silent_s: dict[str, float]
    links: list[MqttIoHealth]


@dataclass(frozen=True, kw_only=True)
class MirrorHealth:
    """The copy in a time series database. Cursors say up to which row and event it has everything.

    Attributes:
        ahead: parcels of newest values that overtook a backlog. set_aside, expired: points it did not take.
        behind: whether there is a backlog. started: lives of the child process. waiting: for what, in words.
    """

    event_cursor: int | None
    cursor: int | None
    sent: int
    ahead: int
    requests: int
    set_aside: int
    expired: int
    behind: bool
    started: int
    trouble: str
    waiting: str


@dataclass(frozen=True, kw_only=True)
class PageHealth:
    """Where the page listens."""

    host: str
    ports: list[int]
    trouble: str


@dataclass(frozen=True, kw_only=True)
class DutyHealth:
    """What the calendar has to do, and what failed last."""

    duties: list[str]
    failed: list[str]


@dataclass(frozen=True, kw_only=True)
class ForecastHealth:
    """Forecasts made and failed; starts of the child process and its number."""

    made: int
    failed: int
    starts: int
    pid: int | None
    trouble: str


@dataclass(frozen=True, kw_only=True)
class Parts:
    """What runs beside the core; None: not in use."""

    publish: PublishHealth | None = None
    notify: NotifyHealth | None = None
    watch: WatchHealth | None = None
    mirror: MirrorHealth | None = None
    page: PageHealth | None = None
    duty: DutyHealth | None = None
    forecast: ForecastHealth | None = None


@dataclass(frozen=True, kw_only=True)
class DoorHealth:
    """Connections of a door: open now; refused, replaced by a newcomer, closed for slowness."""

    open: int
    refused: int
    replaced: int
    slow: int


@dataclass(frozen=True, kw_only=True)
class CoreHealth:
    """The core.

    Attributes:
        seq: last row. waiting, bytes: in its queue. dropped: by a full queue. unread: old records it could not read.
        pipeline: arrivals, those without a reading by cause, readings by verdict.
    """

    seq: int
    t_ms: int
    waiting: int
    bytes: int
    dropped: int
    pipeline: dict[str, int]
    unread: int


@dataclass(frozen=True, kw_only=True)
class JournalHealth:
    """How the writer fares. Times are real seconds.

    `sync_*` is the whole commit: rows, sync and, now and then, SQLite's checkpoint.
    """

    path: str
    commits: int
    rows: int
    waiting_rows: int
    dropped_rows: int
    refused_chunks: int
    busy_s: float
    sync_last_s: float
    sync_most_s: float
    trouble: str


@dataclass(frozen=True, kw_only=True)
class ClockHealth:
    """What time it is, and whether the wall clock is known to be right."""

    utc: str
    trusted: bool
    t_ms: int


@dataclass(frozen=True, kw_only=True)
class DaemonHealth:
    """How the daemon itself is.

    Attributes:
        stale: the parts it cannot do without that gave no sign of life. settings: what is wrong with the settings file.
    """

    ok: bool
    version: str
    pid: int
    site: str
    clock: ClockHealth
    stale: list[str]
    settings: str
    journal: JournalHealth
    core: CoreHealth
    sources: dict[str, SourceHealth]
    parts: Parts
    doors: dict[str, DoorHealth]
