"""The settings as frozen records, with plain values in the units of the inside (°C, %, s, kg).

`load.py` makes them from YAML; parts get the record they need, never the whole tree.
"""

from __future__ import annotations

from msgspec import Struct

from kojimon.schedule.spec import Schedule


class Secret(Struct, frozen=True):
    """Where a secret is read from, never the secret itself. Exactly one of the two is set."""

    file: str = ""
    environment: str = ""


class MqttSource(Struct, frozen=True, tag_field="kind", tag="mqtt"):
    """A broker to read probes from and to publish state to.

    Attributes:
        name: how probes refer to it.
        version: 5 or 3 (3.1.1).
        tls: encrypt; `ca_file` "" means the system's certificates.
        session_expiry_s: how long the broker keeps our subscriptions and queue while we are away.
    """

    name: str
    host: str
    port: int = 1883
    version: int = 5
    user: str = ""
    password: Secret | None = None
    tls: bool = False
    ca_file: str = ""
    client_id: str = ""
    keepalive_s: float = 20.0
    session_expiry_s: float = 86400.0


class SerialSource(Struct, frozen=True, tag_field="kind", tag="serial"):
    """A serial port that sends one reading a line.

    Attributes:
        port: stable device path (/dev/serial/by-id/... or by-path/...).
        format: `json` (one object), `csv` (columns), `keys` (`key=value`, separated by blanks, commas or semicolons).
        columns: names of the CSV columns in order; empty: the first line names them.
        decimal: `.` or `,`: how the device writes 31.9 in `csv` and `keys`.
    """

    name: str
    port: str
    format: str = "json"
    baud: int = 9600
    columns: tuple[str, ...] = ()
    separator: str = ","
    decimal: str = "."


class ModbusSource(Struct, frozen=True, tag_field="kind", tag="modbus"):
    """An RS-485 bus read as Modbus RTU master."""

    name: str
    port: str
    baud: int = 9600
    parity: str = "N"
    stop_bits: int = 1
    timeout_s: float = 0.5
    poll_every_s: float = 10.0


class KernelSource(Struct, frozen=True, tag_field="kind", tag="kernel"):
    """Sensor files of the kernel (hwmon, iio, w1) below a root folder."""

    name: str
    root: str = "/sys"
    poll_every_s: float = 10.0


class SimulatedSource(Struct, frozen=True, tag_field="kind", tag="simulated"):
    """A simulated incubator inside the daemon; it drives the daemon's clock.

    Attributes:
        scenario: a name from the simulator.
        speed: simulated seconds a real second; 0 as fast as it goes.
        hands: whether a simulated cook does the steps as they come due.
    """

    name: str
    scenario: str = "healthy"
    seed: int = 1
    speed: float = 0.0
    hours: float = 0.0
    hands: bool = True


Source = MqttSource | SerialSource | ModbusSource | KernelSource | SimulatedSource


class Calibration(Struct, frozen=True):
    """How a raw value becomes a true one: pairs of (raw, true), one pair an offset, two a line, more a table."""

    points: tuple[tuple[float, float], ...] = ()
    date: str = ""
    note: str = ""


class Judging(Struct, frozen=True):
    """When a probe's readings are not believed, where that is not left to the defaults of its place (`probes.limits`).

    In K or %, and seconds; None: the default. `stuck_s` and `pinned_s` of 0 switch the test off.
    """

    spike: float | None = None
    rate_per_min: float | None = None
    stuck_s: float | None = None
    pinned_s: float | None = None
    drift: float | None = None
    drift_s: float | None = None


class Probe(Struct, frozen=True):
    """One measured quantity in one place.

    Attributes:
        name: how people and curve files call it.
        incubator, place, tray: where it sits (`place` is a model.Place; tray only for the bed).
        quantity: `temperature` or `humidity`.
        source: name of its source.
        topic: MQTT topic or filter, or a kernel file below the source's root.
        key: path in a JSON payload (`a.b[0].c`, "" for the whole payload), or the column or key of a serial line.
        unit: unit of the raw value: `C`, `F`, `%`; scale multiplies the raw number first (0.001 for millidegrees).
        device: known device, for its range and sentinels: `ds18b20`, `sht3x`, `sht4x`, `dht22`, `dht11`, `bme280`, "".
        unit_id, register, function, data_type, word_order: Modbus addressing.
        expect_every_s: how often a reading should come.
        tolerance: how far the probe may be off, K or %.
        beside: name of a probe that measures the same spot.
    """

    name: str
    incubator: str
    place: str
    quantity: str
    source: str
    tray: str = ""
    topic: str = ""
    key: str = ""
    unit: str = "C"
    scale: float = 1.0
    device: str = ""
    unit_id: int = 1
    register: int = 0
    function: int = 4
    data_type: str = "int16"
    word_order: str = "big"
    expect_every_s: float = 10.0
    tolerance: float = 0.5
    range_low: float | None = None
    range_high: float | None = None
    beside: str = ""
    calibration: Calibration = Calibration()
    judge: Judging = Judging()


class Box(Struct, frozen=True):
    """What kind of box it is (`model.BoxKind`), and how the rice in it is covered (`model.Cover`)."""

    kind: str = "unknown"
    cover: str = "unknown"


class Incubator(Struct, frozen=True):
    """One box with its trays and the schedule it runs by default."""

    name: str
    schedule: Schedule
    label: str = ""
    trays: tuple[str, ...] = ("tray",)
    rice_kg: float = 0.0
    heating: str = ""
    box: Box = Box()


class Units(Struct, frozen=True):
    """What the person reads."""

    fahrenheit: bool = False
    pounds: bool = False


class Person(Struct, frozen=True):
    """The one who does the work. Sleep hours are local wall times `HH:MM` in `zone` (IANA name).

    `wake_s`: from a call to being up, None where nothing was said (the schedule's own response then holds);
    `travel_s`: the way from there to the koji.
    """

    zone: str = "UTC"
    sleep_from: str = "22:30"
    sleep_to: str = "06:30"
    wake_s: float | None = None
    travel_s: float = 0.0


class JournalSettings(Struct, frozen=True):
    """Where the journal lies and how it is kept."""

    path: str = "kojimon.journal"
    commit_every_s: float = 60.0
    ballast_mb: float = 8.0
    backup_folder: str = ""
    thin_after_days: float = 30.0


class MirrorSettings(Struct, frozen=True):
    """A time-series server that speaks the InfluxDB v2 write protocol."""

    url: str
    organisation: str
    bucket: str
    token: Secret | None = None


class PublishSettings(Struct, frozen=True):
    """State topics under kojimon/SITE/ on the named MQTT source; acts from MQTT only when the broker authenticates."""

    source: str = ""
    accept_acts: bool = False


class WebSettings(Struct, frozen=True):
    """The TCP door of the API and page. Port 0 takes a free one; "" for host closes it.

    `look_free`: with a token, everybody may look and only acting wants it.
    """

    host: str = "127.0.0.1"
    port: int = 8137
    token: Secret | None = None
    allowed_hosts: tuple[str, ...] = ()
    look_free: bool = False


class ForecastSettings(Struct, frozen=True):
    """Whether a forecast of the bed is made each minute of an open batch."""

    use: bool = True


class CalibrationSettings(Struct, frozen=True):
    """When a calibration counts as old and is pointed out; once a year is common practice, no source."""

    due_after_days: float = 365.0


class Staleness(Struct, frozen=True):
    """When a probe counts as silent: so many of its own intervals, and at least so long."""

    periods: float = 3.0
    at_least_s: float = 90.0


class ServiceChannel(Struct, frozen=True, tag_field="kind", tag="service"):
    """A service that reaches a person, known by one address in apprise's form.

    Attributes:
        tells: carries what is told by day as well as what wakes.
        joins_s: so long after the first call of an unanswered alarm it joins in.
        repeats: used again every two minutes until somebody answers.
        second: reaches another person.
        picture: takes a small picture of the curve along, where it can.
    """

    name: str
    url: Secret
    tells: bool = True
    joins_s: float = 0.0
    repeats: bool = True
    second: bool = False
    picture: bool = True


class CommandChannel(Struct, frozen=True, tag_field="kind", tag="command"):
    """A program on this machine, run without a shell, the message on its standard input; see ServiceChannel."""

    name: str
    run: tuple[str, ...]
    limit_s: float = 10.0
    tells: bool = False
    joins_s: float = 0.0
    repeats: bool = True
    second: bool = False


ChannelSettings = ServiceChannel | CommandChannel


class SpeakerSettings(Struct, frozen=True):
    """The loudspeaker of this machine, used where one is found. `player` "" takes aplay or paplay."""

    use: bool = True
    joins_s: float = 240.0
    loudest_pct: float = 100.0
    player: str = ""


class HeartbeatSettings(Struct, frozen=True):
    """Signs of life, sent from the end of a full pass; `ping` is a web address asked each time."""

    every_s: float = 60.0
    ping: Secret | None = None


class WatchedSite(Struct, frozen=True):
    """Another kojimon whose signs of life are listened to; silence for `after_s` wakes."""

    site: str
    source: str = ""
    after_s: float = 180.0


class Settings(Struct, frozen=True):
    """Everything the daemon is told. `schedules` holds what the incubators may run, by name."""

    site: str
    incubators: tuple[Incubator, ...]
    probes: tuple[Probe, ...]
    sources: tuple[Source, ...]
    schedules: dict[str, Schedule] = {}
    units: Units = Units()
    person: Person = Person()
    journal: JournalSettings = JournalSettings()
    mirror: MirrorSettings | None = None
    publish: PublishSettings = PublishSettings()
    web: WebSettings = WebSettings()
    staleness: Staleness = Staleness()
    calibration: CalibrationSettings = CalibrationSettings()
    forecast: ForecastSettings = ForecastSettings()
    channels: tuple[ChannelSettings, ...] = ()
    speaker: SpeakerSettings = SpeakerSettings()
    heartbeat: HeartbeatSettings = HeartbeatSettings()
    watch: tuple[WatchedSite, ...] = ()
    altitude_m: float = 0.0
    clock_trusted: bool = False
    run_folder: str = ""
